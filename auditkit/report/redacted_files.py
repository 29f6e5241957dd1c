"""Files of records with some cells exchanged for others, and all else as it was."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from auditkit.errors import SourceError
from auditkit.intake.word_cells import as_text, trim
from auditkit.report.stable_workbook import workbook_bytes

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["TableEdit", "exchange_parquet", "exchange_text", "exchange_workbook", "new_title"]

_DATED = dt.date(1980, 1, 1)
_MOST_TITLE_LETTERS = 31
_BOM = b"\xef\xbb\xbf"


@dataclass(frozen=True, slots=True, kw_only=True)
class TableEdit:
    """What is exchanged in one table.

    Parameters
    ----------
    headers : tuple of str
        As the table has them.
    new_headers : tuple of str
    lines : frozenset of int
        Lines (or rows) on which its rows begin.
    cells : mapping of column number to mapping of text to text
        New cells by what the old ones hold, trimmed; others stay.
    prose : frozenset of int
        Numbers of columns of free text.
    words : callable
        Applied to free text, and to all that is no row of the table.
    """

    headers: tuple[str, ...]
    new_headers: tuple[str, ...]
    lines: frozenset[int]
    cells: Mapping[int, Mapping[str, str]]
    prose: frozenset[int]
    words: Callable[[str], str]
    done: dict[int, int] = field(default_factory=dict)

    def exchanged(self, number: int, cell: object) -> object:
        """Return the new cell of a column in a row of the table, counted in `done`."""
        given = self.cells.get(number)
        if given is not None:
            new = given.get(trim(as_text(cell)))
            if new is not None:
                self.done[number] = self.done.get(number, 0) + 1
                return new
            return cell
        return self.words(cell) if number in self.prose and isinstance(cell, str) else cell


def exchange_text(content: bytes, edit: TableEdit, *, encoding: str, delimiter: str | None, name: str) -> bytes:
    """Return a file of delimited text with its cells exchanged; records in which nothing changes stay to the letter.

    Parameters
    ----------
    content : bytes
    edit : TableEdit
    encoding : str
        The encoding it was read with.
    delimiter : str, optional
        Left out, the one of comma, semicolon, tab and bar that gives its headers.
    name : str
        How messages call the file.

    Examples
    --------
    >>> edit = TableEdit(headers=("a", "b"), new_headers=("a", "b"), lines=frozenset({2, 3}),
    ...                  cells={1: {"Aas": "P1"}}, prose=frozenset(), words=str)
    >>> exchange_text(b'a;b\\n"1"; Aas\\n2;"x"\\n', edit, encoding="utf-8", delimiter=None, name="x.csv")
    b'a;b\\n1;P1\\n2;"x"\\n'
    """
    marked = content.startswith(_BOM)
    text = content.decode("utf-8-sig" if marked else encoding)
    lines = list(io.StringIO(text, newline=""))
    for mark in (delimiter,) if delimiter is not None else (",", ";", "\t", "|", *_separator(lines)):
        start = _header_line(lines, edit.headers, mark)
        if start is not None:
            break
    else:
        raise SourceError(f"{name}: must have its headers in one line to be redacted. Declare its delimiter.")
    out = [edit.words(line) for line in lines[:start]]
    reader = csv.reader(lines[start:], delimiter=mark, strict=True)
    last = start
    for record in reader:
        first, before = last + 1, last
        last = start + reader.line_num
        kept = "".join(lines[before:last])
        new = _new_record(record, edit, line=first, is_header=first == start + 1)
        out.append(kept if new == record else _written(new, mark, kept))
    return "".join(out).encode("utf-8-sig" if marked else encoding)


def _separator(lines: Sequence[str]) -> tuple[str, ...]:
    """Return the delimiter that a first line `sep=` names."""
    first = lines[0].rstrip("\r\n") if lines else ""
    return (first[4:],) if first.lower().startswith("sep=") and len(first) == 5 else ()


def _header_line(lines: Sequence[str], headers: Sequence[str], delimiter: str) -> int | None:
    """Return how many lines stand above the headers, or None where no line cut so has them."""
    for number, line in enumerate(lines):
        try:
            record = next(csv.reader(lines[number:], delimiter=delimiter, strict=True), [])
        except csv.Error:
            continue
        cells = [cell.strip().strip("\ufeff") for cell in record]
        if cells[: len(headers)] == list(headers) and not any(cells[len(headers) :]) and line.strip():
            return number
    return None


def _new_record(record: list[str], edit: TableEdit, *, line: int, is_header: bool) -> list[str]:
    if is_header:
        known = dict(zip(edit.headers, edit.new_headers, strict=True))
        return [known.get(cell.strip().strip("\ufeff"), cell) for cell in record]
    if line in edit.lines:
        return [str(edit.exchanged(number, cell)) for number, cell in enumerate(record)]
    new = [edit.exchanged(number, cell) if number in edit.cells else cell for number, cell in enumerate(record)]
    return [edit.words(str(cell)) for cell in new]


def _written(record: Sequence[str], delimiter: str, before: str) -> str:
    """Return a record as text, ended as it was before."""
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=delimiter, lineterminator="").writerow(record)
    return stream.getvalue() + before[len(before.rstrip("\r\n")) :]


def exchange_workbook(path: Path, edits: Mapping[str, TableEdit], titles: Mapping[str, str]) -> bytes:
    """Return a workbook with the cells of its tables exchanged, and of all else only what a reader of records sees.

    Cells, their number formats, merged ranges, the order of the sheets and
    whether they are hidden come along; formulas as their values. Comments,
    macros, pictures, lists of choices, names and properties do not, since
    names could stand in any of them.

    Parameters
    ----------
    path : Path
    edits : mapping of sheet to TableEdit
        Sheets without an edit are left out.
    titles : mapping of sheet to str
        New names of the sheets.
    """
    import openpyxl

    old = openpyxl.load_workbook(path, data_only=True)
    new = openpyxl.Workbook()
    new.epoch = old.epoch
    assert new.active is not None
    new.remove(new.active)
    for sheet in old.worksheets:
        if sheet.title in edits:
            made = new.create_sheet(titles[sheet.title])
            _copy_sheet(sheet, made, edits[sheet.title])
    if all(sheet.sheet_state != "visible" for sheet in new.worksheets):
        new.worksheets[0].sheet_state = "visible"  # a workbook must show one
    return workbook_bytes(new, title="redacted records", dated=_DATED)


def _copy_sheet(old: Worksheet, new: Worksheet, edit: TableEdit) -> None:
    header = _header_row(old, edit.headers)
    for row in old.iter_rows():
        for cell in row:
            if cell.value is None:
                continue
            number = cell.column - 1
            value: object = cell.value
            if cell.row == header and number < len(edit.headers):
                value = edit.new_headers[number]
            elif cell.row in edit.lines:
                value = edit.exchanged(number, value)
            elif isinstance(value, str):
                value = edit.words(value)
            made = new.cell(row=cell.row, column=cell.column)
            made.value = value
            if isinstance(value, str):
                made.data_type = "e" if cell.data_type == "e" and value == cell.value else "s"
            made.number_format = cell.number_format
    for merged in old.merged_cells.ranges:
        new.merge_cells(merged.coord)
    new.sheet_state = old.sheet_state


def _header_row(sheet: Worksheet, headers: Sequence[str]) -> int:
    """Return the row that holds the headers; 0 where none does."""
    for row in sheet.iter_rows():
        cells = [as_text(cell.value).strip() for cell in row]
        if cells[: len(headers)] == list(headers):
            return int(row[0].row)
    return 0


def exchange_parquet(path: Path, edit: TableEdit) -> bytes:
    """Return a Parquet file with its cells exchanged; columns so changed hold text, and metadata is left out."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pq.read_table(path)
    columns = []
    for number, column in enumerate(table.columns):
        if number in edit.cells or (number in edit.prose and pa.types.is_string(column.type)):
            cells = [edit.exchanged(number, cell) for cell in column.to_pylist()]
            columns.append(pa.array([None if cell is None else as_text(cell) for cell in cells], type=pa.string()))
        else:
            columns.append(column)
    stream = io.BytesIO()
    pq.write_table(pa.table(columns, names=list(edit.new_headers)), stream)
    return stream.getvalue()


def new_title(title: str, words: Callable[[str], str], *, number: int) -> str:
    """Return the name of a sheet with names in it exchanged; a number where that is too long for one."""
    made = words(title)
    return made if len(made) <= _MOST_TITLE_LETTERS else f"sheet {number}"
