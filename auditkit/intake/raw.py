"""A table as received: headers, cells, and the line each row stood on."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditkit.errors import SourceError
from auditkit.intake.cells import ObjectArray
from auditkit.intake.declaration import fold
from auditkit.intake.word_cells import as_text

__all__ = [
    "MAX_CELL_CHARACTERS",
    "MAX_COLUMNS",
    "MergedRange",
    "Misshapen",
    "RawTable",
    "check_cells",
    "check_headers",
    "trim_width",
]

MAX_COLUMNS = 2_000
MAX_CELL_CHARACTERS = 1_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Misshapen:
    """A row with more or fewer cells than the header."""

    line: int
    last_line: int
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class MergedRange:
    """Cells of a sheet merged into one, which holds its value in the first; rows and columns count from 1."""

    text: str
    top: int
    left: int
    bottom: int
    right: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RawTable:
    """One table of one file.

    Parameters
    ----------
    file : str
        Path relative to the dossier's folder.
    sheet : str, optional
    encoding : str
        Encoding of a text file; else the kind of file.
    headers : tuple of str
        As received, but for the blanks around them.
    columns : tuple of ndarray of object
        The cells, one array a header.
    lines : ndarray of int
        Physical line (or row) each row begins on.
    misshapen : tuple of Misshapen
    merged : tuple of MergedRange
        Of a sheet: the ranges whose first cell holds a value.
    notes : tuple of str
    """

    file: str
    sheet: str | None
    encoding: str
    headers: tuple[str, ...]
    columns: tuple[ObjectArray, ...]
    lines: npt.NDArray[np.int64]
    misshapen: tuple[Misshapen, ...] = ()
    merged: tuple[MergedRange, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def name(self) -> str:
        """Return how messages call the table."""
        return self.file if self.sheet is None else f"{self.file}, sheet {self.sheet}"

    @property
    def ignored_as(self) -> str:
        """Return how `ignore` in `dossier.yaml` would name the table."""
        return self.file if self.sheet is None else f"{self.file}#{self.sheet}"

    @property
    def row_word(self) -> str:
        """Return what a row's number counts: lines of text, or rows."""
        return "row" if self.encoding in ("xlsx", "parquet") else "line"

    def row_text(self, row: int, *, headers: Sequence[str] | None = None) -> str:
        """Return a row as received, as JSON of header to text; of all headers unless some are named."""
        chosen = self.headers if headers is None else headers
        cells = {
            header: as_text(cells[row])
            for header, cells in zip(self.headers, self.columns, strict=True)
            if header in chosen
        }
        return json.dumps(cells, ensure_ascii=False)

    def misshapen_text(self, row: Misshapen) -> str:
        """Return a misshapen row as JSON; cells beyond the headers are numbered."""
        names = [*self.headers, *(f"cell {number}" for number in range(len(self.headers) + 1, len(row.cells) + 1))]
        return json.dumps(dict(zip(names, row.cells, strict=False)), ensure_ascii=False)


def check_headers(headers: Sequence[str], *, name: str, ignored_as: str) -> None:
    """Raise if headers are too many, blank or repeated; the message says how to ignore what is no record."""
    if len(headers) > MAX_COLUMNS:
        raise SourceError(
            f"{name}: must have at most {MAX_COLUMNS} columns; given {len(headers)}. "
            "Remove the columns that are not part of the record."
        )
    seen: dict[str, int] = {}
    faults = []
    for number, header in enumerate(headers, start=1):
        folded = fold(header)
        if not folded:
            faults.append(f"column {number} has cells but no header")
        elif folded in seen:
            faults.append(f"column {number} repeats the header {header!r} of column {seen[folded]}")
        seen.setdefault(folded, number)
    if faults:
        raise SourceError(
            f"{name}: must have a header of its own for every column; {'; '.join(faults)}. "
            "Correct the header line, or give header_line in dossier.yaml if the headers stand further down; "
            f'or, if it is no record: ignore: ["{ignored_as}"].'
        )


def trim_width(headers: Sequence[str], columns: Sequence[Iterable[object]]) -> int:
    """Return the number of columns left after those at the end that are blank, header and cells."""
    width = len(headers)
    while width and not fold(headers[width - 1]) and not any(as_text(cell).strip() for cell in columns[width - 1]):
        width -= 1
    return width


def check_cells(columns: Sequence[ObjectArray], *, name: str) -> None:
    """Raise if a cell is longer than any record needs."""
    for cells in columns:
        longest = max((len(cell) for cell in cells if isinstance(cell, str)), default=0)
        if longest > MAX_CELL_CHARACTERS:
            raise SourceError(
                f"{name}: a cell must have at most {MAX_CELL_CHARACTERS} characters; given {longest}. Shorten it."
            )
