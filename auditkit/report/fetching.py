"""Tables fetched from databases into the dossier's folder, where they stay as they were fetched."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

import pandas as pd

from auditkit.contracts.collection import load_contracts
from auditkit.errors import AuditError, SourceError
from auditkit.intake import read_dossier
from auditkit.intake.declaration import Declaration, TableEntry, read_declaration
from auditkit.intake.folder import check_folder
from auditkit.intake.ledger import typed_frame
from auditkit.intake.query_rows import open_database
from auditkit.intake.snapshots import Snapshot, read_snapshot, row_changes, write_snapshot
from auditkit.report.folder_files import error_of, lay_beside, place_files, staging_in
from auditkit.report.record_changes import RecordChanges, change_lines, changes_between

__all__ = ["Fetched", "fetch_tables", "fetched_lines"]

_COLUMNS: Mapping[str, str] = {
    "file": "str",
    "record": "str",
    "database": "str",
    "rows": "int64",
    "new": "int64",
    "gone": "int64",
    "before_at": "str",
    "same_query": "bool",
    "state": "str",
}
_METHOD = (
    "Every query of a database is answered from one transaction that cannot write. Rows are kept as text, as the "
    "database gave them, and compared with those fetched before, whatever their order."
)

Step = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fetched:
    """What came of fetching.

    Parameters
    ----------
    files : DataFrame
        One row a table: file, record, database, rows (fetched), new and gone
        (rows as received, against those fetched at before_at), same_query
        (whether those were asked for by this query), state:
        "written", "as it was", "kept" (other rows; the old ones stay) or
        "replaced".
    changes : RecordChanges or None
        Of the accepted records; None where nothing was there before, or
        nothing differs.
    n, excluded : int
        Rows fetched; none is left out here.
    method : str
    """

    files: pd.DataFrame
    changes: RecordChanges | None
    n: int
    excluded: int = 0
    method: str = _METHOD

    @property
    def kept(self) -> bool:
        """Whether a table holds other rows than the database now gives."""
        return bool((self.files["state"] == "kept").any())


def fetch_tables(
    folder: Path,
    *,
    fetched_at: str,
    replace: bool = False,
    judged: bool = True,
    timeout_s: float,
    on_progress: Step | None = None,
) -> Fetched:
    """Fetch the tables that `dossier.yaml` names a query for, and return what changed since they were last fetched.

    Rows that were not fetched before are put in place. Where there are some
    already and the database gives others, the old stay unless they are to be
    replaced.

    Parameters
    ----------
    folder : Path
    fetched_at : str
        The moment, ISO 8601; the clock is not asked.
    replace : bool
    judged : bool
        Whether verdicts and windows are compared, see `changes_between`.
    timeout_s : float
        See `open_database`.
    on_progress : callable, optional
        Called with the name of each step, its number and how many there are.

    Raises
    ------
    SourceError, DeclarationError
        There is no query, a query fails, or a file is in the way; nothing was put in place.
    """
    check_folder(folder)
    declaration = read_declaration(folder, load_contracts())
    entries = {PurePosixPath(entry.file).as_posix(): entry for entry in declaration.tables if entry.query is not None}
    if not entries:
        raise SourceError(
            f"{folder}: must have a table with a query in dossier.yaml; given none. Write there, for instance:\n"
            'databases: {site: "sqlite:///site.db"}\n'
            "tables: [{file: jobs.parquet, record: jobs, database: site, query: select * from jobs order by job_id}]"
        )
    before = {name: _before(folder, name) for name in entries}
    with (
        staging_in(folder) as staging,
        tempfile.TemporaryDirectory() as place,
    ):
        staged = {name: staging / f"{number}.parquet" for number, name in enumerate(entries)}
        made = _fetch(folder, entries, staged, declaration, at=fetched_at, timeout_s=timeout_s, step=on_progress)
        rows = [
            (
                name,
                entries[name].record,
                *_compared(made[name], before[name], folder / name, staged[name], replace=replace),
            )
            for name in entries
        ]
        files = typed_frame(rows, _COLUMNS)
        different = [str(row[0]) for row in rows if row[-1] in ("kept", "replaced")]
        changes = None
        if different:
            coming = {name: staged[name] for name in entries if name in different or before[name] is None}
            tried = lay_beside(folder, Path(place), coming, declaration=declaration)
            try:
                dossier = read_dossier(tried)
            except AuditError as error:
                raise error_of(error, tried=tried, folder=folder) from error
            changes = changes_between(folder, dossier, judged=judged, on_progress=on_progress)
        states = dict(zip(files["file"], files["state"], strict=True))
        due = {name: path for name, path in staged.items() if states[name] in ("written", "replaced")}
        place_files(due, folder, replace=[name for name in due if states[name] == "replaced"])
    return Fetched(files=files, changes=changes, n=int(files["rows"].sum()))


def _before(folder: Path, name: str) -> Snapshot | None:
    """Return what was fetched before into a file, or None where there is no such file."""
    path = folder / name
    if path.parent.is_symlink() or path.is_symlink():
        raise SourceError(f"{name}: must be a file inside the folder; given a link. Remove the link.")
    if not path.exists():
        return None
    about = read_snapshot(path)
    if about is None:
        raise SourceError(
            f"{name}: must be free, or written by auditkit fetch; there is another file of that name. Move it away, or "
            "give the query another file in dossier.yaml."
        )
    return about


def _fetch(
    folder: Path,
    entries: Mapping[str, TableEntry],
    staged: Mapping[str, Path],
    declaration: Declaration,
    *,
    at: str,
    timeout_s: float,
    step: Step | None,
) -> dict[str, Snapshot]:
    """Write the rows of every query to its place, a database at a time, and return what each file says of itself."""
    made: dict[str, Snapshot] = {}
    for database in dict.fromkeys(str(entry.database) for entry in entries.values()):
        with open_database(declaration.databases[database], folder=folder, timeout_s=timeout_s) as opened:
            for name, entry in entries.items():
                if entry.database != database:
                    continue
                if step is not None:
                    step(name, len(made), len(entries))
                headers, chunks = opened.ask(str(entry.query))
                made[name] = write_snapshot(staged[name], headers, chunks, entry=entry, fetched_at=at)
    return made


def _compared(made: Snapshot, before: Snapshot | None, old: Path, new: Path, *, replace: bool) -> tuple[object, ...]:
    """Return what a row of `Fetched.files` says after file and record."""
    told = (made.database, made.rows)
    if before is None:
        return (*told, made.rows, 0, "", True, "written")
    added, gone = row_changes(old, new)
    same_query = (before.database, before.query) == (made.database, made.query)
    same = same_query and not (added or gone)
    state = "as it was" if same else "replaced" if replace else "kept"
    return (*told, added, gone, before.fetched_at, same_query, state)


def fetched_lines(result: Fetched) -> list[tuple[str, tuple[str, ...]]]:
    """Return what came of fetching, as headings with their lines."""
    told = [("Rows fetched", tuple(_line(row) for row in result.files.to_dict("records")))]
    if result.changes is not None:
        heading = "What would change" if result.kept else "What changes"
        told.append((heading, change_lines(result.changes)))
    return told


def _line(row: Mapping[object, object]) -> str:
    line = f"{row['file']}, {row['record']}: {row['rows']:,} rows of database {row['database']}"
    if row["state"] == "written":
        return f"{line}; written"
    if row["state"] == "as it was":
        return f"{line}; the same as at {row['before_at']}, so left as it was"
    asked = "" if row["same_query"] else ", when another query was asked"
    since = f"{row['new']:,} of them new and {row['gone']:,} gone since {row['before_at']}{asked}"
    end = "replaced" if row["state"] == "replaced" else "left as it was; --replace takes the new rows"
    return f"{line}; {since}; {end}"
