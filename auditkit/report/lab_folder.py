"""The notebooks laid beside somebody's records: set to them, without the sample's outputs, never over an edit."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from auditkit.errors import SourceError
from auditkit.paths import notebooks_folder
from auditkit.report.files import write_files
from auditkit.report.notebook import with_parameters

__all__ = ["EDITED", "PLACED", "RENEWED", "SAME", "LaidNotebook", "lay_notebooks"]

PLACED, RENEWED, SAME, EDITED = "placed", "renewed", "there already", "edited by you, and left as it is"
"""What came of one notebook."""

_MARK = "auditkit"
"""Key of the notebook's metadata under which the digest of its cells as laid stands."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidNotebook:
    """One notebook beside the records.

    Parameters
    ----------
    path : Path
    state : str
        `PLACED`, `RENEWED`, `SAME` or `EDITED`.
    """

    path: Path
    state: str


def lay_notebooks(records: Path, out: Path) -> list[LaidNotebook]:
    """Return the notebooks of a folder, laid there where none was, in their order.

    A notebook whose cells are no longer those that were laid is somebody's work
    and is not touched; one that was only run is renewed when a newer one ships.

    Parameters
    ----------
    records : Path
        Folder of records that they are set to, by a path relative to `out` where one drive holds both.
    out : Path
        Folder they are laid in; made if it is not there.

    Raises
    ------
    SourceError
        `records` is no folder, `out` cannot be written to, or a file that is no notebook has the name of one.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     first = lay_notebooks(Path(place), Path(place) / "notebooks")
    ...     again = lay_notebooks(Path(place), Path(place) / "notebooks")
    >>> first[0].path.name, {laid.state for laid in first}, {laid.state for laid in again}
    ('01_records.ipynb', {'placed'}, {'there already'})
    """
    if not records.is_dir():
        raise SourceError(
            f"{records} must be a folder of records; it is {'a file' if records.exists() else 'not there'}."
        )
    try:
        target = Path(os.path.relpath(records.resolve(), out.resolve())).as_posix()
    except ValueError:  # another drive
        target = records.resolve().as_posix()
    laid, new = [], {}
    for shipped in sorted(notebooks_folder().glob("*.ipynb")):
        notebook = _set_to(json.loads(shipped.read_text(encoding="utf-8")), target)
        path = out / shipped.name
        state = _state(path, notebook)
        laid.append(LaidNotebook(path=path, state=state))
        if state in (PLACED, RENEWED):
            new[path.name] = (json.dumps(notebook, ensure_ascii=False, indent=1) + "\n").encode()
    if new:
        write_files(new, out)
    return laid


def _set_to(notebook: Mapping[str, Any], folder: str) -> dict[str, Any]:
    """Return a notebook without outputs, set to a folder of records and marked with the digest of its cells."""
    told = with_parameters(notebook, {"folder": folder})
    return {**told, "metadata": {**notebook["metadata"], _MARK: {"cells": _digest(told)}}}


def _state(path: Path, notebook: Mapping[str, Any]) -> str:
    if not os.path.lexists(path):
        return PLACED
    try:
        there = json.loads(path.read_text(encoding="utf-8"))
        digest, mark = _digest(there), there["metadata"].get(_MARK, {}).get("cells")
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise SourceError(
            f"{path}: must be a notebook, since it has the name of one; it cannot be read as such. Move it away, or "
            "give --out another folder."
        ) from error
    if digest == _digest(notebook):
        return SAME
    return RENEWED if digest == mark else EDITED


def _digest(notebook: Mapping[str, Any]) -> str:
    """Return the digest of the kinds and sources of all cells."""
    cells = [(cell["cell_type"], "".join(cell["source"])) for cell in notebook["cells"]]
    return hashlib.sha256(json.dumps(cells).encode()).hexdigest()
