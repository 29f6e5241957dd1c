"""A day's files appended to a dossier's folder: checked beside what is there, and put in place all or none."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from auditkit.contracts.collection import load_contracts
from auditkit.errors import AuditError, SourceError
from auditkit.intake.arriving_rows import arriving_rows
from auditkit.intake.assembly import read_laid
from auditkit.intake.declaration import Declaration, read_declaration
from auditkit.intake.folder import check_folder, find_files, find_logs
from auditkit.report.folder_files import copied, error_of, lay_beside, place_files, staging_in
from auditkit.report.inner_paths import clashing_paths, path_fault, shown_path
from auditkit.report.record_changes import RecordChanges, change_lines, changes_between
from auditkit.views.summaries import ledger_lines

__all__ = ["Appended", "append_files", "appended_lines"]

_MOST = 20
_INTO = re.compile(r"[^/\\]+")
_METHOD = (
    "Rows that arrive are held to their contract and compared by key with the rows that are there: the same values "
    "repeat a row, other values contradict it and set both aside."
)

Step = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Appended:
    """What came of appending files.

    Parameters
    ----------
    rows : DataFrame
        See `auditkit.intake.arriving_rows`.
    logs : tuple of str
        Files that are pressure logs, whose rows are read with the runs.
    ledger : DataFrame
        Faults of the rows of these files; a repeat stands in it too, since the row that it repeats is the one accepted.
    changes : RecordChanges
    placed : tuple of Path
        Where the files lie; empty where nothing was to be put in place.
    n, excluded : int
        Rows that arrived, and how many of them were set aside or contradict.
    method : str
    """

    rows: pd.DataFrame
    logs: tuple[str, ...]
    ledger: pd.DataFrame
    changes: RecordChanges
    placed: tuple[Path, ...]
    n: int
    excluded: int
    method: str = _METHOD


def append_files(
    folder: Path,
    files: Sequence[Path],
    *,
    into: str = "",
    dry_run: bool = False,
    judged: bool = True,
    on_progress: Step | None = None,
) -> Appended:
    """Check files beside the records of a dossier's folder, put them in place there, and return what changes.

    Parameters
    ----------
    folder : Path
    files : sequence of Path
        Each keeps its name.
    into : str
        Folder inside the dossier's to put them into; blank for the dossier's own.
    dry_run : bool
        Nothing is written.
    judged : bool
        Whether verdicts and windows are compared, see `changes_between`.
    on_progress : callable, optional
        Called with the name of each step, its number and how many there are.

    Raises
    ------
    SourceError, DeclarationError
        A file has the name of one that is there, would not be read as records,
        or cannot be read; nothing was put in place.
    """
    check_folder(folder)
    contracts = load_contracts()
    declaration = read_declaration(folder, contracts)
    sources = _named(folder, files, into=into)
    with (
        staging_in(Path(tempfile.gettempdir()) if dry_run else folder) as staging,
        tempfile.TemporaryDirectory() as place,
    ):
        staged = copied(sources, staging)
        tried = lay_beside(folder, Path(place), staged, declaration=declaration)
        try:
            logs = _check_read(tried, sources, declaration)
            dossier, tables = read_laid(tried)
        except AuditError as error:
            raise error_of(error, tried=tried, folder=folder) from error
        rows = arriving_rows(tables, dossier, arriving=sources, contracts=contracts)
        changes = changes_between(folder, dossier, judged=judged, on_progress=on_progress)
        placed = () if dry_run else place_files(staged, folder)
    return Appended(
        rows=rows,
        logs=logs,
        ledger=dossier.ledger[dossier.ledger["file"].isin(list(sources))].reset_index(drop=True),
        changes=changes,
        placed=placed,
        n=int(rows["read"].sum()),
        excluded=int(rows[["contradicting", "set_aside"]].to_numpy().sum()),
    )


def _named(folder: Path, files: Sequence[Path], *, into: str) -> dict[str, Path]:
    """Return the files by the name each is to have in the folder; all that is wrong with the names is told at once."""
    if into and (_INTO.fullmatch(into) is None or path_fault(into) is not None or into.startswith(".")):
        raise SourceError(f"--into: must be the name of a folder inside {folder}; given {into!r}. Give one plain name.")
    if into and (folder / into).is_symlink():
        raise SourceError(f"{folder / into}: must be a folder itself; given a link. Give --into another name.")
    named: dict[str, Path] = {}
    faults = []
    for file in files:
        name = f"{into}/{file.name}" if into else file.name
        fault = path_fault(name)
        if not file.is_file():
            faults.append(f"{file}: must be a file; there is none of that name. Correct the path.")
        elif fault is not None:
            faults.append(f"{shown_path(str(file))}: must have a plain name; it {fault}. Rename it.")
        elif name in named:
            faults.append(f"{file}: must have a name of its own; {named[name]} has the same. Rename one.")
        else:
            named[name] = file
    there = [path.relative_to(folder).as_posix() for pattern in ("*", "*/*") for path in folder.glob(pattern)]
    taken = {name: name for name in there if name in named}
    taken |= {new: old for old, new in clashing_paths([*there, *named]) if new in named and old in there}
    faults += [
        f"{folder / new}: must be a new name; there is {shown_path(old)}, which is never written over. Rename the file "
        "that comes in, or put it into a folder of its own with --into."
        for new, old in sorted(taken.items())
    ]
    if faults:
        raise SourceError("\n".join(faults))
    return named


def _check_read(tried: Path, names: Sequence[str] | dict[str, Path], declaration: Declaration) -> tuple[str, ...]:
    """Return which files are pressure logs; raise where one would not be read at all."""
    logs = [name for name, _ in find_logs(tried, declaration)]
    read = {file.name for file in find_files(tried, declaration)[0]}
    unread = [name for name in names if name not in read and name not in logs]
    if unread:
        raise SourceError(
            f"{', '.join(map(shown_path, unread))}: must be read as records or as a pressure log; passed over by its "
            "name, or ignored in dossier.yaml. Rename it, or correct ignore."
        )
    return tuple(name for name in names if name in logs)


def appended_lines(result: Appended, *, most: int = _MOST) -> list[tuple[str, tuple[str, ...]]]:
    """Return what came of appending files, as headings with their lines.

    Parameters
    ----------
    result : Appended
    most : int
        Lines of each kind that are shown; the rest are counted.
    """
    arrived = [
        f"{row['file']}, {row['record']}: {row['read']:,} rows: {row['new']:,} new, {row['repeats']:,} repeat what is "
        f"there, {row['contradicting']:,} contradict it, {row['set_aside']:,} set aside"
        for row in result.rows.to_dict("records")
    ]
    arrived += [f"{name}: a pressure log, whose rows are read with the runs" for name in result.logs]
    told = [("Rows that arrive", tuple(arrived))]
    if len(result.ledger):
        told.append(("Those in the set-aside ledger, and why", tuple(ledger_lines(result.ledger, most=most))))
    return [*told, ("What changes", change_lines(result.changes, most=most))]
