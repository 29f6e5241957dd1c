"""All rows of one kind of record, from however many tables, typed and held to their contract."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.contracts.catalogue import Wording, word
from auditkit.contracts.checks import check_rows, fault_frame, shown
from auditkit.contracts.contract import Contract
from auditkit.intake.cells import TypedColumn, blank_column, type_column
from auditkit.intake.declaration import Reading
from auditkit.intake.layout import LaidTable
from auditkit.intake.number_cells import OPEN_CIRCUIT_OHM
from auditkit.intake.raw import MergedRange
from auditkit.intake.word_cells import as_text, trim

__all__ = ["RecordRows", "gather"]

Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordRows:
    """The rows of one kind of record.

    Parameters
    ----------
    contract : Contract
    parts : tuple of LaidTable
        The tables they came from, in reading order.
    starts : ndarray of int
        Row at which each part begins.
    frame : DataFrame
        Every row read, accepted or not, in the contract's columns and dtypes.
    faults : DataFrame
        As `auditkit.contracts.checks` describes.
    notes : tuple of str
        What was done with cells that a reader should know.
    """

    contract: Contract
    parts: tuple[LaidTable, ...]
    starts: npt.NDArray[np.int64]
    frame: pd.DataFrame
    faults: pd.DataFrame
    notes: tuple[str, ...] = ()

    def part_of(self, rows: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        """Return the number of the part each row came from."""
        return (np.searchsorted(self.starts, rows, side="right") - 1).astype(np.int64)

    def place(self, row: int) -> str:
        """Return where a row came from, in words."""
        number = int(self.part_of(np.array([row]))[0])
        part, at = self.parts[number], row - int(self.starts[number])
        line = part.raw.lines[part.source[at]]
        header = f", column {part.headers[part.header[at]]}" if part.headers else ""
        return f"{part.raw.name} {part.raw.row_word} {line}{header}"

    @property
    def accepted(self) -> Mask:
        """Return which rows are without fault."""
        mask = np.ones(len(self.frame), dtype=bool)
        mask[self.faults["row"].to_numpy()] = False
        return mask

    def with_faults(self, more: pd.DataFrame) -> RecordRows:
        """Return the same rows with further faults."""
        faults = pd.concat([self.faults, more], ignore_index=True) if len(more) else self.faults
        return replace(self, faults=faults)

    def misshapen_values(self, column: str) -> dict[str, str]:
        """Return where each value of a column stands in rows that were set aside for their shape."""
        found: dict[str, str] = {}
        for part in self.parts:
            number = part.places.get(column)
            for row in part.raw.misshapen:
                if number is not None and number < len(row.cells):
                    found.setdefault(trim(row.cells[number]), f"{part.raw.name} {part.raw.row_word} {row.line}")
        return found


def gather(contract: Contract, parts: Sequence[LaidTable]) -> RecordRows:
    """Return the rows of laid-out tables of one kind of record, with the faults of each row by itself and its repeats.

    Parameters
    ----------
    contract : Contract
    parts : sequence of LaidTable
        In reading order; may be empty.
    """
    typed = [_typed(part) for part in parts]
    lengths = [len(part.source) for part in parts]
    starts = np.cumsum([0, *lengths], dtype=np.int64)[:-1]
    columns: dict[str, pd.Series[Any]] = {}
    unread: dict[str, Mask] = {}
    faults: list[tuple[int, str, str, Wording]] = []
    for column in contract.columns:
        pieces = [table[column.name] for table in typed] or [blank_column(0, column)]
        columns[column.name] = pd.concat([piece.values for piece in pieces], ignore_index=True)
        mask = np.concatenate([piece.unread for piece in pieces])
        if mask.any():
            unread[column.name] = mask
        for start, part, piece in zip(starts, parts, pieces, strict=False):
            cells = part.cells.get(column.name)
            faults.extend(
                (int(start) + row, column.name, "" if cells is None else as_text(cells[row]), text)
                for row, text in piece.faults
            )
    frame = pd.DataFrame(columns, columns=list(contract.names))
    rows = RecordRows(
        contract=contract,
        parts=tuple(parts),
        starts=starts,
        frame=frame,
        faults=fault_frame(faults),
        notes=tuple(note for part, table in zip(parts, typed, strict=True) for note in _cell_notes(part, table)),
    )
    found = check_rows(frame, contract, unread=unread, place=rows.place) if len(frame) else fault_frame([])
    return rows.with_faults(_as_given(found, rows))


def _typed(part: LaidTable) -> Mapping[str, TypedColumn]:
    """Return every column of the contract, typed; blank where the table has none."""
    typed = {}
    for column in part.contract.columns:
        cells = part.cells.get(column.name)
        if cells is None:
            typed[column.name] = blank_column(len(part.source), column)
        else:
            read = type_column(
                cells,
                column,
                reading=_reading_of(part, column.name),
                unit=part.units.get(column.name),
                words=part.values.get(column.name),
                date_only=column.name in part.date_only,
            )
            typed[column.name] = _with_merged(read, part, column.name)
    return typed


def _reading_of(part: LaidTable, column: str) -> Reading:
    """Return how the cells of a column are written: in the time zone its header states, if it states one."""
    zone = part.zones.get(column)
    return part.reading if zone is None else replace(part.reading, time_zone=zone)


def _with_merged(read: TypedColumn, part: LaidTable, column: str) -> TypedColumn:
    """Return a column with its blanks inside merged cells at fault, since a reader of the sheet sees a value there."""
    ranges = part.merged.get(column)
    if ranges is None:
        return read
    rows = [row for row, merged in enumerate(ranges) if merged is not None]
    return read.with_faults_at(rows, [_merged_text(ranges[row], part, column) for row in rows])


def _merged_text(merged: MergedRange, part: LaidTable, column: str) -> Wording:
    """Return what is wrong with a blank in a merged range; of joined columns it is the header that is named."""
    name = column if column in part.places else part.raw.headers[merged.left - 1]
    code = "merged down" if merged.left == merged.right else "merged across"
    return word(code, {"range": merged.text, "column": name})


def _cell_notes(part: LaidTable, table: Mapping[str, TypedColumn]) -> list[str]:
    """Return notes on cells that were read as what they do not say in so many words."""
    noon = [
        f"{part.raw.name}: {table[name].bare_dates} cells of {name} without a time of day, read as 12:00 as declared"
        for name in part.date_only
        if table[name].bare_dates
    ]
    return noon + [
        f"{part.raw.name}: {typed.open_circuits} cells of {name} over the meter's range, read as an open circuit and "
        f"held as {OPEN_CIRCUIT_OHM:g} ohm"
        for name, typed in table.items()
        if typed.open_circuits
    ]


def _as_given(faults: pd.DataFrame, rows: RecordRows) -> pd.DataFrame:
    """Return faults of single cells with the value as the file gives it, and what a converted number became."""
    faults = faults.copy()
    numbers = rows.part_of(faults["row"].to_numpy())
    values, holds = faults["value"].to_list(), faults["holds"].to_list()
    for at, (row, name, rule, number) in enumerate(
        zip(faults["row"], faults["column"], faults["rule"], numbers, strict=True)
    ):
        part = rows.parts[number]
        if rule not in ("range", "choice") or name not in part.cells:
            continue
        given = as_text(part.cells[name][row - rows.starts[number]]).strip()
        unit, held_in = part.units.get(name), rows.contract.column(name).unit
        if unit is not None and unit != held_in:
            holds[at] = f"{holds[at]}; {given} {unit} is {shown(rows.frame[name].iloc[row])} {held_in}"
        values[at] = given
    return faults.assign(value=pd.Series(values, dtype="str"), holds=pd.Series(holds, dtype="str"))
