"""The report as a notebook that ran: the notebook that ships, with the parameters asked for, in a kernel of its own.

What is executed is always the notebook of this installation, never one that
came with somebody's records. The kernel runs the Python of this environment,
single-threaded and without the user's own start-up files, so that the same
records give the same outputs.
"""

from __future__ import annotations

import ast
import json
import os
import re
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from auditkit.errors import SourceError
from auditkit.paths import notebooks_folder

__all__ = ["NOTEBOOK", "execute_report", "report_notebook", "with_parameters"]

NOTEBOOK = "07_report.ipynb"
PARAMETERS_TAG = "parameters"

_KERNEL = "auditkit-report"
_METADATA = {
    "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
    "language_info": {"name": "python"},
}
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
_WARNING = re.compile(r"^\S.*:\d+: (\w*Warning: .*)$")
_COLOURS = re.compile(r"\x1b\[[0-9;]*m")
_USER_FAULTS = (
    "SourceError", "DeclarationError", "RecordError", "ContractError", "UnitError", "MemoryError",
)  # fmt: skip
_PATIENCE_S = 3600
_LONGEST_SOCKET = 80


def execute_report(
    place: Path,
    *,
    parameters: Mapping[str, object],
    notebook: Mapping[str, Any] | None = None,
    on_progress: Callable[[str, int, int], None] | None = None,
) -> bytes:
    """Return the report notebook, executed, as the bytes of its file.

    Times, counters of the kernel's messages and paths of modules are left out,
    so that the same records, parameters and versions give the same bytes.

    Parameters
    ----------
    place : Path
        Folder it runs in; paths among the parameters are relative to it. What
        lies in it can be imported by the notebook: give a folder of your own.
    parameters : mapping of name to value
        What the cell tagged `parameters` is to say instead of what it says.
    notebook : mapping, optional
        Left out, the one that ships with the package.
    on_progress : callable, optional
        Called as each cell starts with its heading, its number and how many
        there are.

    Raises
    ------
    SourceError
        nbclient or ipykernel is not installed, a parameter is unknown, or the
        records cannot be used, as the notebook found.
    RuntimeError
        A cell failed, which is a fault of the program; the message names it.
    """
    try:
        import nbformat
        from jupyter_client.kernelspec import KernelSpecManager
        from jupyter_client.manager import AsyncKernelManager
        from nbclient import NotebookClient
        from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError
    except ImportError as error:
        raise SourceError(
            f"A report needs nbclient, nbformat and ipykernel; {error.name} is not installed. "
            "Run: pip install 'auditkit[report]'"
        ) from error
    told = with_parameters(report_notebook() if notebook is None else notebook, parameters)
    cells = nbformat.from_dict(told)  # type: ignore[no-untyped-call]
    names = _headings(cells["cells"])
    with tempfile.TemporaryDirectory() as own:
        _write_kernel(Path(own))
        manager = AsyncKernelManager(
            kernel_name=_KERNEL,
            kernel_spec_manager=KernelSpecManager(kernel_dirs=[own], ensure_native_kernel=False),
            **_sockets(own),
        )
        client = NotebookClient(
            cells,
            km=manager,
            timeout=_PATIENCE_S,
            record_timing=False,
            coalesce_streams=True,
            resources={"metadata": {"path": str(place)}},
        )
        if on_progress is not None:
            client.on_cell_start = lambda cell, cell_index: on_progress(names[cell_index], cell_index + 1, len(names))
        try:
            client.execute(cleanup_kc=True)
        except CellExecutionError as error:
            raise _failed(error.ename, error.evalue, _failed_cell(cells["cells"], names)) from error
        except DeadKernelError as error:
            raise SourceError(
                "The report's notebook must run to its end; its process was ended by the system, mostly for want of "
                "memory. Close other programs, or use a larger machine."
            ) from error
        except CellTimeoutError as error:
            raise SourceError(
                f"A cell of the report's notebook must be done within {_PATIENCE_S} s; it was not. "
                "Use a faster machine, or audit fewer records at a time."
            ) from error
    return _stable(cells)


def report_notebook() -> dict[str, Any]:
    """Return the report notebook that ships, as it is stored.

    Examples
    --------
    >>> report_notebook()["nbformat"]
    4
    """
    found: dict[str, Any] = json.loads((notebooks_folder() / NOTEBOOK).read_text(encoding="utf-8"))
    return found


def with_parameters(notebook: Mapping[str, Any], parameters: Mapping[str, object]) -> dict[str, Any]:
    """Return a notebook without outputs, its cell tagged `parameters` saying what is asked for.

    Each parameter must be set there already, to a plain value, on a line of its
    own; what stands after it on that line is kept.

    Raises
    ------
    SourceError
        There is not exactly one such cell, or it does not set the parameter.

    Examples
    --------
    >>> cell = {"cell_type": "code", "id": "a", "metadata": {"tags": ["parameters"]}, "outputs": [],
    ...         "source": "seed = 1  # of all that is drawn", "execution_count": 1}
    >>> with_parameters({"cells": [cell], "nbformat": 4}, {"seed": 7})["cells"][0]["source"]
    'seed = 7  # of all that is drawn'
    """
    cells = [_without_outputs(cell) for cell in notebook["cells"]]
    tagged = [cell for cell in cells if PARAMETERS_TAG in cell.get("metadata", {}).get("tags", [])]
    if len(tagged) != 1:
        raise SourceError(
            f"The notebook must have one cell tagged {PARAMETERS_TAG!r}; it has {len(tagged)}. Install auditkit again."
        )
    lines = tagged[0]["source"].split("\n")
    places = {
        node.targets[0].id: node
        for node in ast.parse(tagged[0]["source"]).body
        if isinstance(node, ast.Assign) and len(node.targets) == 1 and isinstance(node.targets[0], ast.Name)
    }
    for name, value in parameters.items():
        if name not in places or not isinstance(value, (str, int, float)):
            raise SourceError(
                f"A parameter of the report must be text or a number and one of {', '.join(places)}; "
                f"given {name} = {value!r}. Correct it."
            )
        node = places[name].value
        line = lines[node.lineno - 1].encode()
        lines[node.lineno - 1] = (line[: node.col_offset] + repr(value).encode() + line[node.end_col_offset :]).decode()
    tagged[0]["source"] = "\n".join(lines)
    return {**notebook, "cells": cells}


def _without_outputs(cell: Mapping[str, Any]) -> dict[str, Any]:
    source = cell["source"] if isinstance(cell["source"], str) else "".join(cell["source"])
    bare = {**cell, "source": source}
    return bare if cell["cell_type"] != "code" else {**bare, "outputs": [], "execution_count": None}


def _write_kernel(folder: Path) -> None:
    """Write the description of a kernel that runs this very Python, by itself and on one thread."""
    own = folder / _KERNEL
    own.mkdir()
    spec = {
        "argv": [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"],
        "display_name": "Python 3",
        "language": "python",
        "env": {
            **dict.fromkeys(_ONE_THREAD, "1"),
            "PYTHONHASHSEED": "0",
            "IPYTHONDIR": str(folder / "ipython"),
            "PYDEVD_DISABLE_FILE_VALIDATION": "1",
            **{name: os.environ[name] for name in ("PYTHONPATH",) if name in os.environ},
        },
    }
    (own / "kernel.json").write_text(json.dumps(spec), encoding="utf-8")


def _sockets(own: str) -> dict[str, str]:
    """Return how to talk to the kernel: by files in a folder of our own where the system can, else over local ports."""
    if os.name != "posix" or len(own) > _LONGEST_SOCKET:
        return {}
    return {"transport": "ipc", "ip": f"{own}/s"}


def _headings(cells: list[Any]) -> list[str]:
    """Return for each cell the last heading above it."""
    names, last = [], "report"
    for cell in cells:
        if cell["cell_type"] == "markdown":
            found = [line.lstrip("# ").strip() for line in cell["source"].splitlines() if line.startswith("#")]
            last = found[-1] if found else last
        names.append(last)
    return names


def _failed_cell(cells: list[Any], names: list[str]) -> str:
    for cell, name in zip(cells, names, strict=True):
        if any(output["output_type"] == "error" for output in cell.get("outputs", [])):
            return f"cell {cell['id']}, under {name!r}"
    return "a cell"


def _failed(kind: str, text: str, where: str) -> Exception:
    """Return the exception for a cell that failed: the user's to mend, or a fault of the program."""
    said = _COLOURS.sub("", text).strip()
    if kind in _USER_FAULTS:
        return SourceError(said or kind)
    return RuntimeError(f"The report's notebook failed in {where}: {kind}: {said}")


def _stable(notebook: Any) -> bytes:
    """Return the bytes of an executed notebook without what differs from run to run."""
    import nbformat

    notebook["metadata"] = _METADATA
    for cell in notebook["cells"]:
        cell["metadata"].pop("execution", None)
        for output in cell.get("outputs", []):
            if output["output_type"] == "stream" and output["name"] == "stderr":
                output["text"] = _warnings_alone(output["text"])
        if "outputs" in cell:
            cell["outputs"] = [output for output in cell["outputs"] if output.get("text") != ""]
    text = nbformat.writes(notebook, version=4)  # type: ignore[no-untyped-call]
    assert isinstance(text, str)
    return (text.rstrip("\n") + "\n").encode()


def _warnings_alone(text: str) -> str:
    """Return what was warned of, without where the modules lie.

    Examples
    --------
    >>> _warnings_alone("/somewhere/m.py:3: RuntimeWarning: divide by zero\\n  x = a / b\\n")
    'RuntimeWarning: divide by zero\\n'
    """
    lines = text.splitlines()
    found = [match[1] for line in lines if (match := _WARNING.match(line)) is not None]
    return "".join(f"{line}\n" for line in dict.fromkeys(found)) if found else text
