"""Rows fetched from a database, kept in the dossier's folder as a Parquet file that says how it came about."""

from __future__ import annotations

import json
import os
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from auditkit.errors import SourceError
from auditkit.intake.declaration import TableEntry
from auditkit.intake.parquet_files import MAX_CELLS
from auditkit.intake.raw import MAX_CELL_CHARACTERS, check_headers

__all__ = ["Snapshot", "check_snapshot", "read_snapshot", "row_changes", "write_snapshot"]

_KIND = "auditkit fetched rows"
_KEY = b"auditkit"


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot:
    """What a file of fetched rows says of itself.

    Parameters
    ----------
    database : str
        Name under `databases` in `dossier.yaml`.
    query : str
    fetched_at : str
        ISO 8601, with offset.
    rows : int
    """

    database: str
    query: str
    fetched_at: str
    rows: int


def write_snapshot(
    path: Path,
    headers: Sequence[str],
    chunks: Iterable[Sequence[Sequence[str | None]]],
    *,
    entry: TableEntry,
    fetched_at: str,
) -> Snapshot:
    """Write fetched rows into a new Parquet file, every value as text, and return what the file says of itself.

    Parameters
    ----------
    path : Path
    headers : sequence of str
    chunks : iterable of rows
        Written as they come, so that one alone is in memory.
    entry : TableEntry
        Its database and query are kept in the file.
    fetched_at : str

    Raises
    ------
    SourceError
        There is no header, one is blank or repeated, a cell too long, or there are too many rows.

    Examples
    --------
    >>> import tempfile
    >>> entry = TableEntry(where="", file="u.parquet", record="units", database="site", query="select 1 as unit_id")
    >>> with tempfile.TemporaryDirectory() as place:
    ...     path = Path(place) / "u.parquet"
    ...     made = write_snapshot(path, ["unit_id"], [[["1"], [None]]], entry=entry, fetched_at="2027-03-02T10:00:00Z")
    ...     made.rows, read_snapshot(path) == made
    (2, True)
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    if not headers:
        raise SourceError(f"{entry.file}: must have columns; the query gives none. Name them in the query.")
    check_headers(headers, name=entry.file, ignored_as=entry.file)
    about = {
        "kind": _KIND,
        "version": 1,
        "database": entry.database,
        "query": entry.query,
        "fetched_at": fetched_at,
    }
    schema = pa.schema([(header, pa.string()) for header in headers])
    schema = schema.with_metadata({_KEY: json.dumps(about, ensure_ascii=False).encode()})
    rows = 0
    with path.open("xb") as file:
        with pq.ParquetWriter(file, schema, compression="zstd") as writer:
            for chunk in chunks:
                rows += len(chunk)
                _check_size(chunk, headers, rows=rows, name=entry.file)
                columns = [pa.array([row[at] for row in chunk], type=pa.string()) for at in range(len(headers))]
                writer.write_table(pa.table(columns, schema=schema))
        file.flush()
        os.fsync(file.fileno())
    return Snapshot(database=str(entry.database), query=str(entry.query), fetched_at=fetched_at, rows=rows)


def _check_size(chunk: Sequence[Sequence[str | None]], headers: Sequence[str], *, rows: int, name: str) -> None:
    if rows * len(headers) > MAX_CELLS:
        raise SourceError(f"{name}: must have at most {MAX_CELLS} cells; the query gives more. Narrow the query.")
    longest = max((len(cell) for row in chunk for cell in row if cell is not None), default=0)
    if longest > MAX_CELL_CHARACTERS:
        raise SourceError(
            f"{name}: a cell must have at most {MAX_CELL_CHARACTERS} characters; given {longest}. Shorten it in the "
            "query."
        )


def read_snapshot(path: Path) -> Snapshot | None:
    """Return what a Parquet file says of the rows fetched into it, or None where it was not written by a fetch."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        with pq.ParquetFile(path) as file:
            held = (file.schema_arrow.metadata or {}).get(_KEY)
            about = json.loads(held) if held is not None else {}
            if about.get("kind") != _KIND:
                return None
            told = {key: str(about[key]) for key in ("database", "query", "fetched_at")}
            return Snapshot(**told, rows=file.metadata.num_rows)
    except (pa.ArrowException, OSError, ValueError, KeyError, AttributeError):
        return None


def check_snapshot(path: Path, entry: TableEntry, *, name: str) -> str:
    """Return the note on where the rows of a snapshot come from.

    Raises
    ------
    SourceError
        The file does not hold the rows of the query that `dossier.yaml` gives now.
    """
    about = read_snapshot(path)
    if about is None:
        raise SourceError(
            f"{name}: must be written by auditkit fetch, as {entry.where} has a query; given another file. "
            "Move it away and run: auditkit fetch FOLDER"
        )
    if (about.database, about.query) != (entry.database, entry.query):
        raise SourceError(
            f"{name}: must hold the rows of the query in {entry.where}; they were fetched by another, at "
            f"{about.fetched_at}. Run: auditkit fetch FOLDER --replace"
        )
    return (
        f"{name}: {about.rows} rows of database {about.database}, fetched at {about.fetched_at} by the query in "
        f"{entry.where}; row N is row N of its answer"
    )


def row_changes(before: Path, after: Path) -> tuple[int, int]:
    """Return how many rows of a second Parquet file the first has not, and how many of the first are gone.

    Rows count as received, whatever their order. Under other headers every row is another.
    """
    one, other = _rows(before), _rows(after)
    return (other - one).total(), (one - other).total()


def _rows(path: Path) -> Counter[tuple[object, ...]]:
    import pyarrow.parquet as pq

    table = pq.read_table(path)
    headers = tuple(table.column_names)
    return Counter((headers, *row) for row in zip(*(column.to_pylist() for column in table.columns), strict=True))
