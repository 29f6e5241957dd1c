"""Cells typed column by column: each different cell is read once, and its fault, if any, told for every row."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit import units
from auditkit.contracts.catalogue import Wording, word
from auditkit.contracts.contract import Column
from auditkit.intake.declaration import Cell, Reading
from auditkit.intake.moment_cells import is_bare_date, moment_reader
from auditkit.intake.number_cells import OPEN_CIRCUIT_OHM, number_reader
from auditkit.intake.word_cells import SheetError, as_text, choice_reader, read_text_cell, read_yes_no, trim

__all__ = ["ObjectArray", "TypedColumn", "blank_cells", "blank_column", "type_column"]

ObjectArray = npt.NDArray[np.object_]


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedColumn:
    """A column in its contract's dtype and unit, and the cells that could not be read.

    Parameters
    ----------
    values : Series
        Blank where the cell is blank or at fault.
    unread : boolean array
        Cells at fault.
    faults : tuple of (row, Wording)
        What is wrong with each of them, by row.
    bare_dates : int
        Cells without a time of day that were read as 12:00.
    open_circuits : int
        Resistances over the meter's range, held as `OPEN_CIRCUIT_OHM`.
    """

    values: pd.Series[Any]
    unread: npt.NDArray[np.bool_]
    faults: tuple[tuple[int, Wording], ...]
    bare_dates: int = 0
    open_circuits: int = 0

    def with_faults_at(self, rows: Sequence[int], texts: Sequence[Wording]) -> TypedColumn:
        """Return the same column with some rows at fault, and for no other reason than the one given."""
        unread = self.unread.copy()
        unread[list(rows)] = True
        faults = dict(self.faults) | dict(zip(rows, texts, strict=True))
        return replace(self, unread=unread, faults=tuple(sorted(faults.items(), key=lambda fault: fault[0])))


def type_column(
    cells: ObjectArray,
    column: Column,
    *,
    reading: Reading,
    unit: str | None = None,
    words: Mapping[str, Cell] | None = None,
    date_only: bool = False,
) -> TypedColumn:
    """Return the cells of one column, typed as its contract asks.

    Parameters
    ----------
    cells : ndarray of object
        Text, or what a spreadsheet or Parquet cell holds; None where empty.
    column : Column
    reading : Reading
        How numbers and dates are written, and which words mean no value.
    unit : str, optional
        Unit the numbers are given in; left out, the contract's.
    words : mapping of folded word to cell, optional
        The contract's words for words of the file.
    date_only : bool
        Dates without a time of day are read as 12:00 local time.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> column = contract("film_readings").column("dft_um")
    >>> typed = type_column(np.array(["2.4", "", "abt 3"], dtype=object), column, reading=Reading(), unit="mil")
    >>> typed.values.tolist()
    [60.96, nan, nan]
    >>> [(row, fault.holds) for row, fault in typed.faults]
    [(2, 'must be a number')]
    """
    read = _reader(column, reading, date_only=date_only)
    codes, different = _distinct(cells)
    results: list[Any] = []
    bare: list[int] = []
    for number, cell in enumerate(different):
        meant = _meant(cell, reading, words or {})
        if date_only and is_bare_date(meant):
            bare.append(number)
        results.append(
            None
            if meant is None
            else word("sheet error", {"error": meant.text})
            if isinstance(meant, SheetError)
            else read(meant)
        )
    bad = {number: result for number, result in enumerate(results) if isinstance(result, Wording)}
    # one blank at the end, which code -1 of an empty cell picks
    plain = [None if number in bad else result for number, result in enumerate(results)] + [None]
    values = _assembled(plain, codes, column)
    open_circuit = np.isin(codes, [number for number, value in enumerate(plain) if value == math.inf])
    if unit is not None and column.unit is not None:
        values = pd.Series(units.convert(values.to_numpy(), unit, column.unit, decimals=column.decimals))
    if open_circuit.any():
        values = values.mask(open_circuit, OPEN_CIRCUIT_OHM)
    unread = np.isin(codes, list(bad)) if bad else np.zeros(len(cells), dtype=bool)
    faults = tuple((int(row), bad[int(codes[row])]) for row in np.flatnonzero(unread))
    at_noon = int(np.isin(codes, [number for number in bare if number not in bad]).sum())
    return TypedColumn(
        values=values, unread=unread, faults=faults, bare_dates=at_noon, open_circuits=int(open_circuit.sum())
    )


def blank_column(n: int, column: Column) -> TypedColumn:
    """Return a column of n blanks, for a column that is not in the file."""
    values = _assembled([None], np.full(n, -1, dtype=np.int64), column)
    return TypedColumn(values=values, unread=np.zeros(n, dtype=bool), faults=())


def blank_cells(cells: ObjectArray, reading: Reading) -> npt.NDArray[np.bool_]:
    """Return which cells hold no value."""
    codes, different = _distinct(cells)
    blank = [_meant(cell, reading, {}) is None for cell in different] + [True]
    return np.array(blank, dtype=bool)[codes]


def _reader(column: Column, reading: Reading, *, date_only: bool) -> Callable[[object], object]:
    if column.kind in ("number", "integer"):
        return number_reader(column, reading)
    if column.kind == "moment":
        return moment_reader(reading, date_only=date_only)
    if column.kind == "choice":
        return choice_reader(column)
    return read_yes_no if column.kind == "yes-no" else read_text_cell


def _distinct(cells: ObjectArray) -> tuple[npt.NDArray[np.int64], list[object]]:
    """Return a code for each cell and the different cells; None has code -1."""
    if pd.api.types.infer_dtype(cells, skipna=True) in ("string", "empty"):
        codes, different = pd.factorize(cells)
        return codes.astype(np.int64), list(different)
    # 1, 1.0 and True are equal but not the same cell
    numbers: dict[tuple[type, object], int] = {}
    found = [-1 if cell is None else numbers.setdefault((type(cell), cell), len(numbers)) for cell in cells]
    return np.array(found, dtype=np.int64), [cell for _, cell in numbers]


def _meant(cell: object, reading: Reading, words: Mapping[str, Cell]) -> object | None:
    """Return what a cell means after trimming and the words declared; None for no value."""
    if isinstance(cell, str):
        cell = trim(cell)
        if not cell:
            return None
    if not (reading.missing or words):
        return cell
    folded = as_text(cell).casefold()
    return None if folded in reading.missing else words.get(folded, cell)


def _assembled(plain: list[Any], codes: npt.NDArray[np.int64], column: Column) -> pd.Series[Any]:
    """Return the results laid out by code, in the column's dtype."""
    if column.kind == "moment":
        blank = np.iinfo(np.int64).min  # NaT
        numbers = np.array([blank if value is None else value for value in plain], dtype=np.int64)
        return pd.Series(numbers[codes].view("datetime64[us]")).dt.tz_localize("UTC")
    if column.kind == "number":
        return pd.Series(np.array([np.nan if value is None else value for value in plain], dtype=np.float64)[codes])
    return pd.Series(pd.array(plain, dtype=column.dtype).take(codes))  # type: ignore[call-overload]
