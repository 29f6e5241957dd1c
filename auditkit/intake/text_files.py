"""Records in delimited text: CSV, TSV and their kin, each row with its physical line."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path

import numpy as np

from auditkit.errors import SourceError
from auditkit.intake.raw import MAX_CELL_CHARACTERS, Misshapen, RawTable, check_headers, trim_width
from auditkit.intake.remarks import REMARK, is_remark

__all__ = ["read_text_file"]

DELIMITERS = (",", ";", "\t", "|")
_NAMES = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_SNIFFED_ROWS = 200
_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))
_CONTROLS = re.compile(r"[\x00-\x08\x0b\x0e-\x1f]")
_SEPARATOR_LINE = re.compile(r"sep=([^\r\n])\r?\n?", re.IGNORECASE)

Record = tuple[int, int, list[str]]
"""First line, last line and cells."""


def read_text_file(
    path: Path,
    *,
    name: str,
    header_line: int | None = None,
    encoding: str | None = None,
    delimiter: str | None = None,
) -> RawTable:
    """Return the table in a delimited text file.

    Parameters
    ----------
    path : Path
    name : str
        How messages call the file.
    header_line : int, optional
        Physical line of the headers, from 1; left out, the first that is not blank.
    encoding : str, optional
        Left out, UTF-8 or UTF-16 as the bytes show, else cp1252, which the notes say.
    delimiter : str, optional
        Left out, the one of comma, semicolon, tab and bar that cuts the first
        rows into the most even columns.

    Raises
    ------
    SourceError
        The file cannot be read as one table.
    """
    raw = path.read_bytes()
    text, used, notes = _decoded(raw, name=name, encoding=encoding)
    first_line = header_line or 1
    separator = _SEPARATOR_LINE.match(text) if header_line is None else None
    if separator is not None:
        delimiter, first_line = delimiter or separator[1], 2
    elif header_line is None:
        first_line = _line_after_remarks(text)
        if first_line > 1:
            notes = (*notes, f"{name}: lines above line {first_line} begin with {REMARK} and were read as remarks")
    with _long_cells():
        if delimiter is None:
            delimiter = _sniffed(text, first_line, name=name)
        return _table(text, name=name, encoding=used, first_line=first_line, delimiter=delimiter, notes=notes)


def _line_after_remarks(text: str) -> int:
    """Return the first line that is not a remark; a blank line ends them, since the headers are looked for there."""
    lines = io.StringIO(text, newline="")
    return next((number for number, line in enumerate(lines, start=1) if not is_remark([line.strip(' "')])), 1)


@contextmanager
def _long_cells() -> Iterator[None]:
    """Let the csv module read cells up to our own limit, and set its limit back."""
    limit = csv.field_size_limit(MAX_CELL_CHARACTERS)
    try:
        yield
    finally:
        csv.field_size_limit(limit)


def _decoded(raw: bytes, *, name: str, encoding: str | None) -> tuple[str, str, tuple[str, ...]]:
    """Return the text, the encoding it was read with, and notes."""
    if encoding is not None:
        return _decode(raw, encoding, name=name), encoding, ()
    for mark, marked in _BOMS:
        if raw.startswith(mark):
            return _decode(raw, marked, name=name), "utf-8" if marked == "utf-8-sig" else marked, ()
    guess = _utf16_without_mark(raw)
    if guess is not None:
        return _decode(raw, guess, name=name), guess, (f"{name}: read as {guess}, by the pattern of its zero bytes",)
    notes: tuple[str, ...] = ()
    try:
        text, used = raw.decode("utf-8"), "utf-8"
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        text, used = _cp1252(raw, name=name), "cp1252"
        notes = (f"{name}: not UTF-8 (line {line}), so read as cp1252; declare encoding in dossier.yaml to settle it",)
    sample = text[:100_000]
    if len(_CONTROLS.findall(sample)) > max(20, 0.01 * len(sample)):
        raise SourceError(
            f"{name}: must be text; it is full of control characters. Export it as .csv, or list it under ignore."
        )
    return text, used, notes


def _decode(raw: bytes, encoding: str, *, name: str) -> str:
    try:
        return raw.decode("utf-8-sig" if encoding.lower().replace("_", "-") in ("utf-8", "utf8") else encoding)
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise SourceError(
            f"{name} line {line}: must be text in {encoding}; byte {error.start + 1} is not. "
            "Declare the encoding in dossier.yaml, or save the file as UTF-8."
        ) from error


def _cp1252(raw: bytes, *, name: str) -> str:
    try:
        return raw.decode("cp1252")
    except UnicodeDecodeError as error:
        raise SourceError(
            f"{name}: must be text; given bytes that are neither UTF-8 nor cp1252. "
            "Declare its encoding in dossier.yaml, export it as .csv, or list it under ignore."
        ) from error


def _utf16_without_mark(raw: bytes) -> str | None:
    """Return the byte order in which most of every second byte is zero, as in Western text in UTF-16."""
    sample = raw[:4_000]
    if len(sample) < 4 or len(raw) % 2:
        return None
    if sample[1::2].count(0) > 0.7 * len(sample[1::2]) and sample[::2].count(0) == 0:
        return "utf-16-le"
    if sample[::2].count(0) > 0.7 * len(sample[::2]) and sample[1::2].count(0) == 0:
        return "utf-16-be"
    return None


def _records(text: str, first_line: int, delimiter: str, *, name: str) -> Iterator[Record]:
    """Yield the records from a physical line on; one record may span several lines."""
    stream = io.StringIO(text, newline="")
    for _ in range(first_line - 1):
        stream.readline()
    reader = csv.reader(stream, delimiter=delimiter, strict=True)
    before = first_line - 1
    last = before
    try:
        for cells in reader:
            start, last = last + 1, before + reader.line_num
            yield start, last, cells
    except csv.Error as error:
        raise SourceError(_csv_message(str(error), name=name, start=last + 1)) from error


def _csv_message(error: str, *, name: str, start: int) -> str:
    if "field limit" in error:
        return (
            f"{name} line {start}: a cell must have at most {MAX_CELL_CHARACTERS} characters; this one has more. "
            "Look for a quote mark that is never closed."
        )
    return (
        f"{name} line {start}: quote marks must be closed before the next delimiter; given otherwise ({error}). "
        'Close the quote mark, and write a quote mark inside a quoted cell twice ("").'
    )


def _sniffed(text: str, first_line: int, *, name: str) -> str:
    """Return the delimiter that cuts the first rows into the most even columns."""
    scores: list[tuple[float, int, str]] = []
    for delimiter in DELIMITERS:
        try:
            records = [cells for _, _, cells in islice(_records(text, first_line, delimiter, name=name), _SNIFFED_ROWS)]
        except SourceError:
            continue  # another delimiter may read these quote marks
        widths = [len(cells) for cells in records if any(cell.strip() for cell in cells)]
        if widths and widths[0] > 1:
            even = sum(width == widths[0] for width in widths) / len(widths)
            scores.append((even, widths[0], delimiter))
    if not scores:
        return ","  # one column; a faulty quote mark is reported when it is read
    scores.sort(reverse=True)
    if len(scores) > 1 and scores[0][:2] == scores[1][:2]:
        marks = " or ".join(_NAMES[score[2]] for score in scores[:2])
        raise SourceError(f"{name}: must have one delimiter; it could be {marks}. Declare delimiter in dossier.yaml.")
    return scores[0][2]


def _table(text: str, *, name: str, encoding: str, first_line: int, delimiter: str, notes: tuple[str, ...]) -> RawTable:
    """Return the table whose headers are the first record that is not blank."""
    records = _records(text, first_line, delimiter, name=name)
    headers: list[str] = []
    for _, _, cells in records:
        if any(cell.strip() for cell in cells):
            headers = [cell.strip().strip("\ufeff") for cell in cells]
            break
    if not headers:
        raise SourceError(
            f"{name}: must have a header line; given no text from line {first_line} on. "
            "Remove the file, or list it under ignore."
        )
    rows, lines, misshapen, blank = _rows(records, width=len(headers))
    columns = [np.array(column, dtype=object) for column in zip(*rows, strict=True)] if rows else []
    if not rows:
        columns = [np.empty(0, dtype=object) for _ in headers]
    width = trim_width(headers, columns)
    check_headers(headers[:width], name=name, ignored_as=name)
    if blank:
        notes = (*notes, f"{name}: {blank} blank lines passed over")
    return RawTable(
        file=name,
        sheet=None,
        encoding=encoding,
        headers=tuple(headers[:width]),
        columns=tuple(columns[:width]),
        lines=np.array(lines, dtype=np.int64),
        misshapen=tuple(misshapen),
        notes=notes,
    )


def _rows(records: Iterator[Record], *, width: int) -> tuple[list[list[str]], list[int], list[Misshapen], int]:
    """Return the rows of the right width, the lines they begin on, rows of another width, and how many were blank."""
    rows: list[list[str]] = []
    lines: list[int] = []
    misshapen: list[Misshapen] = []
    blank = 0
    for start, last, cells in records:
        if not "".join(cells).strip():
            blank += 1
        elif len(cells) == width:
            rows.append(cells)
            lines.append(start)
        else:
            misshapen.append(Misshapen(line=start, last_line=last, cells=tuple(cells)))
    return rows, lines, misshapen, blank
