"""Log rows: a pressure logger's export read in blocks, with what could not be read set aside by line.

Loggers write titles above the header, blank lines, words instead of figures,
local times and decimal commas. A row that cannot be read is told with its line
and the reason; it does not stop the reading of the others.
"""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import IO, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.errors import SourceError
from auditkit.units import convert

__all__ = ["LOG_COLUMNS", "LogBlock", "LogSource", "read_rows"]

LOG_COLUMNS = ("unit_id", "logged_at", "pot_kpa")

DECIMALS = 2
"""Decimals of a pressure converted to kPa, as in the contract of pressure settings."""

_BLOCK_CHARS = 1 << 23
_BLOCK_ROWS = 1 << 18
_HEADER_WITHIN = 50
_DELIMITERS = (";", "\t", ",")
_BLANKS = ("", "nan", "na", "n/a", "null", "none")
_MOMENT = r"^\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(?::\d\d(?:[.,]\d{1,6})?)? ?(?:[Zz]|[+-]\d\d(?::?\d\d)?)?$"
_ZONED = r":\d\d(?:[.,]\d{1,6})? ?(?:[Zz]|[+-]\d\d(?::?\d\d)?)$"
_FAULT_COLUMNS = ("line", "column", "value", "kind", "why")

Texts = dict[str, "pd.Series[str]"]


class LogSource(Protocol):
    """A log on disk and how it is to be read.

    `columns` maps headers of the file to `LOG_COLUMNS`; together with
    `constants` they give all three. `unit` is that of the pressures;
    `time_zone` the IANA zone of times without an offset, None where none was
    declared.
    """

    @property
    def path(self) -> Path: ...  # noqa: D102
    @property
    def name(self) -> str: ...  # noqa: D102
    @property
    def columns(self) -> Mapping[str, str]: ...  # noqa: D102
    @property
    def constants(self) -> Mapping[str, str]: ...  # noqa: D102
    @property
    def unit(self) -> str: ...  # noqa: D102
    @property
    def time_zone(self) -> str | None: ...  # noqa: D102


@dataclass(frozen=True, slots=True, kw_only=True)
class LogBlock:
    """A stretch of a log.

    Attributes
    ----------
    rows : DataFrame
        The rows that could be read: line, unit_id, logged_at (UTC), pot_kpa
        `[kPa]`, missing where blank.
    faults : DataFrame
        One row a row set aside: line, column (header in the file), value, kind
        ('cells', 'unit', 'time' or 'pressure'), why.
    n : int
        Rows read.
    """

    rows: pd.DataFrame
    faults: pd.DataFrame
    n: int


def read_rows(source: LogSource) -> Iterator[LogBlock]:
    """Yield a log in blocks of bounded size.

    Parameters
    ----------
    source : LogSource
        A CSV (cells parted by semicolon, tab or comma; with a comma as decimal
        mark unless it parts the cells; the header within the first 50 lines) or
        Parquet file, by its ending. Times are year-first.

    Raises
    ------
    SourceError
        The file is of another kind, cannot be read, or has a declared header
        not at all or twice.

    Examples
    --------
    >>> import tempfile
    >>> from types import SimpleNamespace
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "log.csv"
    ...     _ = path.write_text("Time;psi\\n2027-01-11 08:00:00;5,8\\n2027-01-11 08:00:01;ERR\\n")
    ...     block = next(read_rows(SimpleNamespace(
    ...         path=path, name="log.csv", columns={"Time": "logged_at", "psi": "pot_kpa"},
    ...         constants={"unit_id": "U3"}, unit="psi", time_zone="Europe/Oslo")))
    >>> block.rows["pot_kpa"].tolist(), block.faults[["line", "value", "why"]].to_numpy().tolist()
    ([39.99], [[3, 'ERR', 'a pressure must be a number']])
    """
    kinds = {".csv": _csv_texts, ".parquet": _parquet_columns}
    reader = kinds.get(source.path.suffix.lower())
    if reader is None:
        given = source.path.suffix or "no ending"
        raise SourceError(f"{source.name}: a pressure log must be .csv or .parquet; given {given}.")
    for lines, columns, misshapen, commas in reader(source):
        yield _typed(source, lines, columns, misshapen, commas=commas)


_Raw = tuple[npt.NDArray[np.int64], dict[str, pd.Series], list[tuple[int, str, str]], bool]
"""Lines, columns by header, misshapen rows (line, text, why), and whether a comma may be a decimal mark."""


def _csv_texts(source: LogSource) -> Iterator[_Raw]:
    """Yield the declared columns of a CSV as texts."""
    with _opened(source) as file:
        above, cells, delimiter = _header(file, source)
        positions = {name: cells.index(name) for name in source.columns}
        line = above + 1
        while lines := file.readlines(_BLOCK_CHARS):
            numbers, columns, misshapen = _block_texts(lines, positions, width=len(cells), delimiter=delimiter)
            yield line + numbers, columns, [(line + at, text, why) for at, text, why in misshapen], delimiter != ","
            line += len(lines)


def _opened(source: LogSource) -> IO[str]:
    """Return the file opened in the encoding its first lines are in; a byte that fits none is a sign of its own."""
    with source.path.open("rb") as file:
        start = b"".join(file.readlines(1 << 16))
    encoding = "utf-8-sig"
    if start[:2] in (b"\xff\xfe", b"\xfe\xff"):
        encoding = "utf-16"
    else:
        try:
            start.decode("utf-8")
        except UnicodeDecodeError:
            encoding = "cp1252"
    return source.path.open(encoding=encoding, errors="replace")


def _header(file: IO[str], source: LogSource) -> tuple[int, list[str], str]:
    """Return the header's line, its cells and what parts them; the file then stands below it."""
    seen = ""
    for number in range(1, _HEADER_WITHIN + 1):
        text = file.readline()
        seen = seen or text.strip()
        for delimiter in _DELIMITERS:
            cells = [cell.strip() for cell in next(csv.reader([text], delimiter=delimiter), [])]
            if all(name in cells for name in source.columns):
                twice = [name for name in source.columns if cells.count(name) > 1]
                if twice:
                    raise SourceError(
                        f"{source.name}: a header must occur once; {twice[0]!r} occurs twice. Rename one."
                    )
                return number, cells, delimiter
    named = ", ".join(repr(name) for name in source.columns)
    raise SourceError(
        f"{source.name}: one of the first {_HEADER_WITHIN} lines must be a header with {named}; the first that is not "
        f"blank is {seen[:80]!r}. Correct the columns declared."
    )


def _block_texts(
    lines: Sequence[str], positions: Mapping[str, int], *, width: int, delimiter: str
) -> tuple[npt.NDArray[np.int64], dict[str, pd.Series], list[tuple[int, str, str]]]:
    """Return the lines that are rows, by their place, their declared cells, and rows of another number of cells."""
    import pyarrow as pa
    from pyarrow import csv as pa_csv

    names = {name: f"c{at}" for name, at in positions.items()}
    try:
        table = pa_csv.read_csv(
            BytesIO("".join(lines).encode("utf-8")),
            read_options=pa_csv.ReadOptions(column_names=[f"c{at}" for at in range(width)], use_threads=False),
            parse_options=pa_csv.ParseOptions(delimiter=delimiter),
            convert_options=pa_csv.ConvertOptions(
                column_types=dict.fromkeys(names.values(), pa.string()), include_columns=list(names.values())
            ),
        )
    except pa.ArrowInvalid:
        return _block_by_line(lines, positions, width=width, delimiter=delimiter)
    if table.num_rows != len(lines):  # blank lines, or a line break within quotes
        return _block_by_line(lines, positions, width=width, delimiter=delimiter)
    columns = {name: table.column(number).to_pandas().astype("str") for name, number in names.items()}
    return np.arange(len(lines), dtype=np.int64), columns, []


def _block_by_line(
    lines: Sequence[str], positions: Mapping[str, int], *, width: int, delimiter: str
) -> tuple[npt.NDArray[np.int64], dict[str, pd.Series], list[tuple[int, str, str]]]:
    """Return what `_block_texts` does, each line on its own."""
    numbers: list[int] = []
    kept: list[list[str]] = []
    misshapen = []
    for at, text in enumerate(lines):
        cells = next(csv.reader([text], delimiter=delimiter), [])
        if not any(cell.strip() for cell in cells):
            continue
        while len(cells) > width and not cells[-1].strip():  # some loggers end each row with a delimiter
            cells.pop()
        if len(cells) != width:
            misshapen.append((at, text.rstrip("\r\n"), f"a row must have {width} cells; it has {len(cells)}"))
            continue
        numbers.append(at)
        kept.append(cells)
    columns = {name: pd.Series([cells[at] for cells in kept], dtype="str") for name, at in positions.items()}
    return np.array(numbers, dtype=np.int64), columns, misshapen


def _parquet_columns(source: LogSource) -> Iterator[_Raw]:
    """Yield the declared columns of a Parquet file, typed as they are there; its lines are its rows."""
    import pyarrow as pa
    from pyarrow import parquet

    try:
        with parquet.ParquetFile(source.path) as file:
            absent = [name for name in source.columns if name not in file.schema_arrow.names]
            if absent:
                has = ", ".join(file.schema_arrow.names)
                raise SourceError(f"{source.name}: the log must have the columns {absent}; it has {has}.")
            line = 1
            for batch in file.iter_batches(batch_size=_BLOCK_ROWS, columns=list(source.columns)):
                columns = {name: batch.column(name).to_pandas() for name in source.columns}
                yield np.arange(line, line + batch.num_rows), columns, [], False
                line += batch.num_rows
    except (pa.ArrowInvalid, OSError) as error:
        raise SourceError(f"{source.name}: must be a Parquet file; {error}. Export it anew.") from error


def _typed(
    source: LogSource,
    lines: npt.NDArray[np.int64],
    columns: Mapping[str, pd.Series],
    misshapen: Sequence[tuple[int, str, str]],
    *,
    commas: bool,
) -> LogBlock:
    """Return the block with its cells read."""
    header = {column: name for name, column in source.columns.items()}
    given = {column: columns[name].reset_index(drop=True) for name, column in source.columns.items()}
    given |= {column: pd.Series([value] * len(lines), dtype="str") for column, value in source.constants.items()}
    units = given["unit_id"].astype("str").str.strip()
    moments, time_why = _moments(given["logged_at"], source.time_zone)
    figures, unread = _figures(given["pot_kpa"], commas=commas)
    whys = {
        "unit": np.where(units.isna() | (units == ""), "a reading must name its unit", ""),
        "time": time_why,
        "pressure": np.where(unread, "a pressure must be a number", ""),
    }
    of_kind = dict(zip(whys, LOG_COLUMNS, strict=True))
    faulty = np.zeros(len(lines), dtype=bool)
    pieces = [pd.DataFrame([(at, "", text, "cells", why) for at, text, why in misshapen], columns=_FAULT_COLUMNS)]
    for kind, why in whys.items():
        here = (why != "") & ~faulty
        faulty |= here
        column = of_kind[kind]
        pieces.append(
            pd.DataFrame(
                {
                    "line": lines[here],
                    "column": header.get(column, ""),
                    "value": given[column][here].astype("str").fillna("").to_numpy(),
                    "kind": kind,
                    "why": why[here],
                }
            )
        )
    pressures = convert(figures, source.unit, "kpa", decimals=DECIMALS)
    rows = pd.DataFrame({"line": lines, "unit_id": units, "logged_at": moments, "pot_kpa": pressures})
    return LogBlock(
        rows=rows[~faulty].reset_index(drop=True),
        faults=pd.concat([piece for piece in pieces if len(piece)] or pieces[:1]).sort_values(
            "line", kind="stable", ignore_index=True
        ),
        n=len(lines) + len(misshapen),
    )


def _figures(given: pd.Series, *, commas: bool) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Return figures, missing where blank or not readable, and which are not readable."""
    if pd.api.types.is_numeric_dtype(given.dtype):
        figures = given.to_numpy(dtype="float64", na_value=np.nan)
        return figures, np.isinf(figures)
    texts = given.astype("str").str.strip()
    if commas:
        texts = texts.where(
            texts.str.contains(".", regex=False, na=False), texts.str.replace(",", ".", n=1, regex=False)
        )
    figures = pd.to_numeric(texts, errors="coerce").to_numpy(dtype="float64", na_value=np.nan)
    readable = np.isfinite(figures)
    unread = ~readable
    if unread.any():
        blank = texts[unread].isna() | texts[unread].str.lower().isin(_BLANKS)
        unread[np.flatnonzero(unread)[blank.to_numpy(dtype=bool)]] = False
    return np.where(readable, figures, np.nan), unread


def _moments(given: pd.Series, time_zone: str | None) -> tuple[pd.Series, npt.NDArray[np.object_]]:
    """Return moments in UTC, and why each that could not be read was not."""
    if pd.api.types.is_datetime64_any_dtype(given.dtype):
        read = given
        written = zoned = pd.Series(True, index=given.index) & given.notna()
        zoned = zoned & isinstance(given.dtype, pd.DatetimeTZDtype)
    else:
        texts = given.astype("str").str.strip()
        written = texts.str.contains(_MOMENT, regex=True, na=False)
        zoned = written & texts.str.contains(_ZONED, regex=True, na=False)
        read = texts.str.replace(",", ".", regex=False)
    moments = pd.Series(pd.NaT, index=given.index, dtype="datetime64[us, UTC]")
    local = written & ~zoned
    if zoned.any():
        moments[zoned] = _parsed(read[zoned], utc=True)
    if local.any() and time_zone is not None:
        plain = _parsed(read[local], utc=False)
        moments[local] = plain.dt.tz_localize(time_zone, ambiguous="NaT", nonexistent="NaT").dt.tz_convert("UTC")
    no_moment = moments.isna()
    said = f"must occur once in {time_zone}, and be a day of the calendar" if time_zone else "needs time_zone declared"
    why = np.select(
        [~no_moment, zoned, local],
        ["", "a time must be a moment of the calendar", f"a local time {said}"],
        default="a time must be written as 2027-01-31 08:05:00, with its offset or a zone declared",
    )
    return moments, why.astype(object)


def _parsed(texts: pd.Series, *, utc: bool) -> pd.Series:
    """Return year-first moments, missing where the calendar has none such."""
    moments = texts if pd.api.types.is_datetime64_any_dtype(texts.dtype) else None
    if moments is None:
        moments = pd.to_datetime(texts, format="ISO8601", errors="coerce", utc=utc)
    elif utc:
        moments = moments.dt.tz_convert("UTC")
    return moments.dt.as_unit("us")
