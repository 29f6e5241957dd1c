"""Records in XLSX workbooks: every sheet a table of its own, cells as the workbook holds them."""

from __future__ import annotations

import posixpath
import re
import zipfile
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree

import numpy as np

from auditkit.errors import SourceError
from auditkit.intake.raw import MergedRange, RawTable, check_cells, check_headers, trim_width
from auditkit.intake.remarks import REMARK, is_remark
from auditkit.intake.word_cells import SheetError, as_text

__all__ = ["Sheet", "read_sheets", "sheet_table"]

MAX_EXPANSION = 100
MAX_EXPANDED_BYTES = 2**30
MAX_CELLS = 50_000_000

# XML of a sheet; some writers put a prefix before every name
_CELL = re.compile(rb'<(?:\w+:)?c\s[^>]*?\br="([A-Z]+)[0-9]+"')
_ROW = re.compile(rb'<(?:\w+:)?row\s[^>]*?\br="([0-9]+)"')
_MERGED = re.compile(rb'<(?:\w+:)?mergeCell\s[^>]*?\bref="(\$?([A-Z]+)\$?([0-9]+):\$?([A-Z]+)\$?([0-9]+))"')
_FORMULA = rb"<(?:\w+:)?f(?:\s[^>]*)?(?:/>|>[^<]*</(?:\w+:)?f>)"
_ERROR_CELL = re.compile(
    rb'<(?:\w+:)?c\s(?=[^>]*\bt="e")[^>]*?\br="([A-Z]+)([0-9]+)"[^>]*>\s*(?:'
    + _FORMULA
    + rb")?\s*<(?:\w+:)?v>([^<]*)</"
)
# a text formula may have an empty value; any other without value was never calculated
_UNCALCULATED = re.compile(
    rb'<(?:\w+:)?c\s(?![^>]*\bt="str")[^>]*?\br="([A-Z]+[0-9]+)"[^>]*>\s*'
    + _FORMULA
    + rb"\s*(?:<(?:\w+:)?v\s*/>|<(?:\w+:)?v></(?:\w+:)?v>)?\s*</(?:\w+:)?c>"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """One sheet: its rows from the first on, blank cells as None."""

    name: str
    hidden: bool
    rows: Sequence[Sequence[object]]
    merged: Sequence[MergedRange] = ()


def read_sheets(path: Path, *, name: str) -> list[Sheet]:
    """Return the sheets of a workbook in its order.

    Formulas count by the value stored with them. Error values such as #N/A are
    kept as such, since they are no blanks.

    Raises
    ------
    SourceError
        The workbook is damaged, too large, or holds formulas never calculated.
    """
    import python_calamine

    try:
        parts = _sheet_parts(path, name=name)
        book = python_calamine.CalamineWorkbook.from_path(str(path))
        sheets = []
        for about in book.sheets_metadata:
            if about.typ != python_calamine.SheetTypeEnum.WorkSheet:
                continue
            label = f"{name}, sheet {about.name}"
            part = parts[about.name]
            _check_part(part, label=label)
            rows = book.get_sheet_by_name(about.name).to_python(skip_empty_area=False)
            hidden = about.visible != python_calamine.SheetVisibleEnum.Visible
            cells = _with_errors(rows, part)
            sheets.append(Sheet(name=about.name, hidden=hidden, rows=cells, merged=_merged(part, cells)))
    except (
        python_calamine.CalamineError,
        zipfile.BadZipFile,
        zlib.error,
        ElementTree.ParseError,
        KeyError,
        OSError,
        EOFError,
        RuntimeError,  # a part locked by a password, or packed in a way not known here
    ) as error:
        given = " ".join(str(error).split())
        raise SourceError(
            f"{name}: must be a whole XLSX workbook; given one that is damaged ({given}). Save it again."
        ) from error
    return sheets


def _sheet_parts(path: Path, *, name: str) -> dict[str, bytes]:
    """Return the XML of each sheet by the sheet's name, once the archive's size has been looked at."""
    with zipfile.ZipFile(path) as archive:
        expanded = sum(part.file_size for part in archive.infolist())
        if expanded > MAX_EXPANDED_BYTES or expanded > MAX_EXPANSION * max(path.stat().st_size, 1):
            raise SourceError(
                f"{name}: must expand to at most 1 GiB and {MAX_EXPANSION} times its size; given {expanded} bytes "
                f"from {path.stat().st_size}. Save the records as .csv."
            )
        if "xl/workbook.xml" not in archive.namelist():
            raise SourceError(
                f"{name}: must be an XLSX workbook; given another kind of archive. Save it as .xlsx or .csv."
            )
        relations = ElementTree.fromstring(archive.read("xl/_rels/workbook.xml.rels"))
        targets = {relation.get("Id"): relation.get("Target", "") for relation in relations}
        book = ElementTree.fromstring(archive.read("xl/workbook.xml"))
        parts = {}
        for sheet in book.findall(".//{*}sheet"):
            link = next((value for key, value in sheet.items() if key.endswith("}id")), "")
            target = targets.get(link, "")
            place = target.lstrip("/") if target.startswith("/") else posixpath.join("xl", target)
            if place in archive.namelist():
                parts[sheet.get("name", "")] = archive.read(place)
        return parts


def _check_part(part: bytes, *, label: str) -> None:
    """Raise if a sheet spans too many cells, or holds formulas without values."""
    columns = set(_CELL.findall(part))
    height = max((int(number) for number in _ROW.findall(part)), default=0)
    width = max((_column_number(letters.decode()) for letters in columns), default=0)
    if height * width > MAX_CELLS:
        raise SourceError(
            f"{label}: must span at most {MAX_CELLS} cells; given {height} rows by {width} columns. "
            "Delete stray cells far from the records."
        )
    uncalculated = _UNCALCULATED.search(part)
    if uncalculated is not None:
        raise SourceError(
            f"{label}: every formula must have its value stored; cell {uncalculated[1].decode()} has none. "
            "Open the workbook in a spreadsheet program and save it, or write the values."
        )


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = number * 26 + ord(letter) - ord("A") + 1
    return number


def _with_errors(rows: list[list[object]], part: bytes) -> list[list[object]]:
    """Return rows with blank cells as None and the error values, which the reader leaves blank, in their places."""
    cleaned = [[None if cell == "" else cell for cell in row] for row in rows]
    for letters, number, text in _ERROR_CELL.findall(part):
        row, column = int(number) - 1, _column_number(letters.decode()) - 1
        if row < len(cleaned) and column < len(cleaned[row]):
            cleaned[row][column] = SheetError(text.decode())
    return cleaned


def _merged(part: bytes, rows: Sequence[Sequence[object]]) -> tuple[MergedRange, ...]:
    """Return the merged ranges of a sheet whose first cell holds a value."""
    ranges = [
        MergedRange(
            text=text.decode(),
            top=int(top),
            left=_column_number(left.decode()),
            bottom=int(bottom),
            right=_column_number(right.decode()),
        )
        for text, left, top, right, bottom in _MERGED.findall(part)
    ]
    return tuple(
        each
        for each in ranges
        if each.top <= len(rows)
        and each.left <= len(rows[each.top - 1])
        and as_text(rows[each.top - 1][each.left - 1]).strip()
    )


def sheet_table(sheet: Sheet, *, name: str, header_line: int | None = None) -> RawTable | None:
    """Return the table on a sheet, or None for a sheet without cells, remarks above the headers aside.

    Parameters
    ----------
    sheet : Sheet
    name : str
        How messages call the file.
    header_line : int, optional
        Row of the headers, from 1; left out, the first that is neither blank nor a remark.

    Raises
    ------
    SourceError
        A header is blank or repeated, or a cell is too long.
    """
    label = f"{name}, sheet {sheet.name}"
    filled = [number for number, row in enumerate(sheet.rows, start=1) if any(as_text(cell).strip() for cell in row)]
    remarks = (
        0
        if header_line
        else next((place for place, number in enumerate(filled) if not is_remark(sheet.rows[number - 1])), len(filled))
    )
    if not filled[remarks:]:
        return None
    top = header_line or filled[remarks]
    if top not in filled:
        raise SourceError(
            f"{label}: must have its headers in row {top}, as declared; given a blank row. "
            "Correct header_line in dossier.yaml."
        )
    headers = [as_text(cell).strip() for cell in sheet.rows[top - 1]]
    numbers = [number for number in filled if number > top]
    rows = [sheet.rows[number - 1] for number in numbers]
    columns = [_column(rows, place) for place in range(len(headers))]
    width = trim_width(headers, [[cell for cell in column if cell is not None] for column in columns])
    check_headers(headers[:width], name=label, ignored_as=f"{name}#{sheet.name}")
    check_cells(columns[:width], name=label)
    blank = numbers[-1] - top - len(numbers) if numbers else 0
    notes = [f"{label}: {blank} blank rows passed over"] if blank else []
    if remarks:
        notes.append(f"{label}: {remarks} rows above the headers begin with {REMARK} and were read as remarks")
    if sheet.hidden:
        notes.append(f"{label}: the sheet is hidden; it was read all the same")
    return RawTable(
        file=name,
        sheet=sheet.name,
        encoding="xlsx",
        headers=tuple(headers[:width]),
        columns=tuple(columns[:width]),
        lines=np.array(numbers, dtype=np.int64),
        merged=tuple(sheet.merged),
        notes=tuple(notes),
    )


def _column(rows: Sequence[Sequence[object]], place: int) -> np.ndarray[tuple[int], np.dtype[np.object_]]:
    cells = np.empty(len(rows), dtype=object)
    cells[:] = [row[place] for row in rows]
    return cells
