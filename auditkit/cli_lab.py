"""The command that opens JupyterLab on somebody's records."""

from __future__ import annotations

import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

from auditkit.errors import SourceError
from auditkit.terminal import UNUSABLE, console

__all__ = ["lab"]


def lab(  # noqa: PLR0917
    folder: Annotated[
        Path | None, typer.Argument(help="Folder of records; left out, the invented sample, in auditkit-lab/records.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the notebooks; left out, beside the records, FOLDER-notebooks.")
    ] = None,
    notebook: Annotated[str, typer.Option(help="Number of the notebook to open, such as 02.")] = "01",
    browser: Annotated[bool, typer.Option(help="Open a browser; without, the address is printed.")] = True,
    port: Annotated[int, typer.Option(help="Port of this machine that JupyterLab answers on.")] = 8888,
    allow_root: Annotated[
        bool, typer.Option("--allow-root", help="Start as root too, as in a container; JupyterLab refuses otherwise.")
    ] = False,
    only_lay: Annotated[bool, typer.Option("--only-lay", help="Lay the notebooks, and open nothing.")] = False,
) -> None:
    """Lay the notebooks beside a folder of records, never over an edit, and open JupyterLab on them."""
    from auditkit.report.lab_folder import lay_notebooks

    records = _sample() if folder is None else folder
    place = records.parent / f"{records.resolve().name}-notebooks" if out is None else out
    laid = lay_notebooks(records, place)
    chosen = [one.path for one in laid if one.path.name.startswith(notebook)]
    if len(chosen) != 1:
        names = ", ".join(one.path.name.split("_")[0] for one in laid)
        raise SourceError(f"--notebook: must be one of {names}; given {notebook!r}.")
    for one in laid:
        console().print(f"{one.path}: {one.state}", markup=False, soft_wrap=True)
    if only_lay:
        return
    if find_spec("jupyterlab") is None:
        raise SourceError("The bench needs JupyterLab, which is not installed. Run: pip install 'auditkit[lab]'")
    asked = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={place.resolve()}", f"--port={port}"]
    asked += [f"--LabApp.default_url=/lab/tree/{chosen[0].name}", *([] if browser else ["--no-browser"])]
    asked += ["--allow-root"] if allow_root else []
    try:
        done = subprocess.run(asked, check=False)
    except KeyboardInterrupt:
        return
    if done.returncode:
        raise typer.Exit(UNUSABLE)


def _sample() -> Path:
    """Return a folder with a copy of the sample's records, made where it was not there."""
    from auditkit.paths import sample_folder
    from auditkit.report.files import write_files

    records = Path("auditkit-lab") / "records"
    if not records.exists():
        raw = sample_folder() / "raw"
        write_files({path.name: path.read_bytes() for path in sorted(raw.iterdir()) if path.is_file()}, records)
    return records
