"""The layout of a table: its kind of record, and which of its cells fill which column of the contract."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditkit import units
from auditkit.contracts.contract import Column, Contract
from auditkit.contracts.strictness import near_match
from auditkit.errors import SourceError
from auditkit.intake.cells import ObjectArray, blank_cells
from auditkit.intake.declaration import Cell, Reading, TableEntry, Wide, fold
from auditkit.intake.gaps import fill_down, merged_blanks
from auditkit.intake.header_units import unit_for
from auditkit.intake.moment_cells import moment_part
from auditkit.intake.raw import RawTable
from auditkit.intake.recognition import needed_columns, recognised
from auditkit.intake.stated_headers import Stated, column_of, stated_fault, stated_in

__all__ = ["LaidTable", "lay_out"]


@dataclass(frozen=True, slots=True, kw_only=True)
class LaidTable:
    """A raw table laid out in the columns of its contract, cells as received.

    Parameters
    ----------
    raw : RawTable
    contract : Contract
    reading : Reading
    cells : mapping of column to ndarray of object
        One cell a row of the record.
    source : ndarray of int
        Row of `raw` that each row of the record stands on.
    headers : tuple of str
        Headers of readings laid out across columns; empty otherwise.
    header : ndarray of int
        For each row of the record its header in `headers`; -1 if they are empty.
    units : mapping of column to unit
        Declared, or stated by the header.
    zones : mapping of column to time zone
        Stated by the header.
    values : mapping of column to mapping of folded word to cell
    notes : tuple of str
    where : str
        Entry of `dossier.yaml` it was laid out by; empty where there was none.
    places : mapping of column to int
        Which raw column fills which column of the contract.
    read_as : tuple of (column, unit, headers)
        Unit in which each column with a unit and a header of the file's own was read.
    date_only : tuple of str
        Columns in which a date without a time of day is read as 12:00.
    merged : mapping of column to ndarray of object
        For each row of the record the merged range its blank cell lies in, None elsewhere; only columns
        that have such cells.
    """

    raw: RawTable
    contract: Contract
    reading: Reading
    cells: Mapping[str, ObjectArray]
    source: npt.NDArray[np.int64]
    headers: tuple[str, ...]
    header: npt.NDArray[np.int64]
    units: Mapping[str, str]
    zones: Mapping[str, str]
    values: Mapping[str, Mapping[str, Cell]]
    notes: tuple[str, ...]
    where: str
    places: Mapping[str, int]
    read_as: tuple[tuple[str, str, str], ...]
    date_only: tuple[str, ...]
    merged: Mapping[str, ObjectArray]


def lay_out(
    raw: RawTable, *, contracts: Mapping[str, Contract], reading: Reading, entry: TableEntry | None = None
) -> LaidTable:
    """Return a raw table laid out by its entry in `dossier.yaml`, or by its headers.

    Parameters
    ----------
    raw : RawTable
    contracts : mapping of record to Contract
    reading : Reading
        How cells are written, where no entry says otherwise.
    entry : TableEntry, optional
        Left out, the one contract is used that the headers fit.

    Raises
    ------
    SourceError
        No contract fits, the headers are not those that were declared, or they
        name other units or another time zone than those declared.
    """
    if entry is None:
        contract = recognised(raw, contracts)
        entry = TableEntry(where="", file=raw.file, record=contract.name, reading=reading)
    contract = contracts[entry.record]
    places, notes = _places(raw, contract, entry)
    stated = _stated(raw, contract, places)
    zones = _zones_stated(raw, entry, stated)
    wide = _wide_headers(raw, entry)
    read_as = _units_read(raw, contract, entry, places, [number for number, _ in wide], stated=stated)
    raw, filled = fill_down(raw, entry, places)
    source, header, bare = _rows(raw, entry, [number for number, _ in wide])
    by_fold = {fold(name): number for number, name in enumerate(raw.headers)}
    joined = {target: [by_fold[fold(name)] for name in names] for target, names in entry.join.items()}
    cells: dict[str, ObjectArray] = {}
    for target, number in places.items():
        cells[target] = raw.columns[number][source]
    for target, numbers in joined.items():
        cells[target] = _joined([raw.columns[number] for number in numbers], entry.reading)[source]
    for target, constant in entry.constants.items():
        cells[target] = np.full(len(source), constant, dtype=object)
    if entry.wide is not None:
        cells |= _wide_cells(raw, entry.wide, wide, source=source, header=header)
    notes += [*filled, *bare]
    if entry.drop:
        notes.append(f"{raw.name}: left out as dossier.yaml says: {', '.join(entry.drop)}")
    merged = merged_blanks(raw, {target: [number] for target, number in places.items()} | joined)
    return LaidTable(
        raw=raw,
        contract=contract,
        reading=entry.reading,
        cells=cells,
        source=source,
        headers=tuple(raw.headers[number] for number, _ in wide),
        header=header,
        units={**_units_stated(contract, stated), **entry.units},
        zones=zones,
        values={target: {fold(word): meant for word, meant in words.items()} for target, words in entry.values.items()},
        notes=(*raw.notes, *notes),
        where=entry.where,
        places=places,
        read_as=read_as,
        date_only=entry.date_only,
        merged={target: ranges[source] for target, ranges in merged.items()},
    )


def _places(raw: RawTable, contract: Contract, entry: TableEntry) -> tuple[dict[str, int], list[str]]:
    """Return which raw column fills which column of the contract, and notes; every header must be accounted for."""
    by_fold = {fold(header): number for number, header in enumerate(raw.headers)}
    renamed = {fold(header): target for header, target in entry.columns.items()}
    dropped = {fold(header) for header in entry.drop}
    joined = {fold(header) for headers in entry.join.values() for header in headers}
    across = {fold(raw.headers[number]) for number, _ in _wide_headers(raw, entry)}
    filled = {*entry.constants, *entry.join, *_wide_targets(entry.wide)}
    faults: list[str] = []
    for declared in (*entry.columns, *entry.drop, *(name for names in entry.join.values() for name in names)):
        if fold(declared) not in by_fold:
            near = near_match(declared, raw.headers)
            faults.append(f"there is no header {declared!r}" + (f" (near {near!r})" if near else ""))
    places: dict[str, int] = {}
    for folded, number in by_fold.items():
        target = renamed.get(folded, column_of(raw.headers[number], contract))
        if folded in dropped or (folded in joined | across and folded not in renamed):
            continue
        if target not in contract.names:
            near = near_match(target, contract.names)
            otherwise = f"header {raw.headers[number]!r} is not known" + (f" (near {near})" if near else "")
            faults.append(stated_fault(raw.headers[number], contract) or otherwise)
        elif target in places or target in filled:
            faults.append(f"column {target} is filled twice, once by header {raw.headers[number]!r}")
        else:
            places[target] = number
    unfilled = [column.name for column in contract.columns if column.required and column.name not in {*places, *filled}]
    missing = [name for name in unfilled if name in needed_columns(contract)]
    if faults or missing:
        # beside another fault, a column that may be blank is likely what the header was meant for
        lacking = unfilled if faults else missing
        if lacking:
            faults.append(f"no header fills {', '.join(lacking)}")
        raise SourceError(
            f"{raw.name}: every header must have its place in {entry.record} ({entry.where}); {'; '.join(faults)}. "
            "Name the headers under columns, drop, join or wide in dossier.yaml, and what is the same in all rows "
            f"under constants{_sheet_cure(raw, entry)}."
        )
    notes = [f"{raw.name}: no header fills {', '.join(unfilled)}; read as blank"] if unfilled else []
    return places, notes


def _sheet_cure(raw: RawTable, entry: TableEntry) -> str:
    """Return what else to do about a sheet that is read by an entry that names no sheet."""
    if raw.sheet is None or entry.sheet is not None:
        return ""
    return (
        f'; give the sheet an entry of its own (sheet: "{raw.sheet}"), or, if it is no record, '
        f'write ignore: ["{raw.ignored_as}"]'
    )


def _units_read(
    raw: RawTable,
    contract: Contract,
    entry: TableEntry,
    places: Mapping[str, int],
    wide: Sequence[int],
    *,
    stated: Mapping[str, Stated],
) -> tuple[tuple[str, str, str], ...]:
    """Return the unit each column with a unit and a header of the file's own is read in; it must be the header's."""
    headers = {target: [raw.headers[number]] for target, number in places.items()}
    if entry.wide is not None:
        headers[entry.wide.value] = [raw.headers[number] for number in wide]
    read_as: list[tuple[str, str, str]] = []
    other: dict[str, str] = {}
    told: list[str] = []
    for column in contract.columns:
        own = [header for header in headers.get(column.name, ()) if fold(header) != column.name]
        if column.unit is None or not own:
            continue
        said = stated[column.name].unit if column.name in stated else None
        unit = entry.units.get(column.name, said or column.unit)
        if said is None or not _same_unit(said, column.unit):
            read_as.append(
                (column.name, unit, f"header {own[0]!r}" if len(own) == 1 else f"headers {own[0]!r} to {own[-1]!r}")
            )
        for header in own:
            named = unit_for(header, unit) if said is None else None if _same_unit(said, unit) else said
            if named is not None and column.name not in other:
                other[column.name] = named
                told.append(f"{column.name} would be read in {unit} from header {header!r}")
    if other:
        line = ", ".join(f"{name}: {unit}" for name, unit in {**entry.units, **other}.items())
        raise SourceError(
            f"{raw.name}: a column must be read in the unit its header names; {'; '.join(told)}. "
            f"Write to its entry in dossier.yaml ({entry.where}): units: {{{line}}}"
        )
    return tuple(read_as)


def _stated(raw: RawTable, contract: Contract, places: Mapping[str, int]) -> dict[str, Stated]:
    """Return what the headers state of the columns they fill."""
    told = {target: stated_in(raw.headers[number], contract) for target, number in places.items()}
    return {target: said for target, said in told.items() if said is not None and _fits(said, contract.column(target))}


def _fits(said: Stated, column: Column) -> bool:
    """Return whether what a header states can be said of a column, which may be another than the header names."""
    if said.unit is None:
        return column.kind == "moment"
    return column.unit is not None and units.quantity_of(column.unit) == units.quantity_of(said.unit)


def _units_stated(contract: Contract, stated: Mapping[str, Stated]) -> dict[str, str]:
    """Return the units that headers state, where they are others than the contract's."""
    return {
        target: said.unit
        for target, said in stated.items()
        if said.unit is not None and not _same_unit(said.unit, contract.column(target).unit)
    }


def _same_unit(one: str, other: str | None) -> bool:
    return other is not None and units.find(one) == units.find(other)


def _zones_stated(raw: RawTable, entry: TableEntry, stated: Mapping[str, Stated]) -> dict[str, str]:
    """Return the time zones that headers state; none may differ from the one declared."""
    zones = {target: said.zone for target, said in stated.items() if said.zone is not None}
    declared = entry.reading.time_zone
    other = [f"{target} [{zone}]" for target, zone in zones.items() if declared not in (None, zone)]
    if other:
        raise SourceError(
            f"{raw.name}: local times must be read in the time zone their header names; given time_zone: {declared} "
            f"in dossier.yaml and {', '.join(other)}. Correct the header, or give the table's entry its own time_zone."
        )
    return zones


def _wide_targets(wide: Wide | None) -> set[str]:
    if wide is None:
        return set()
    named = re.compile(wide.pattern).groupindex if wide.pattern else next(iter(wide.columns.values()))
    return {wide.value, *named}


def _wide_headers(raw: RawTable, entry: TableEntry) -> list[tuple[int, Mapping[str, Cell]]]:
    """Return the raw columns that hold readings laid out across, each with what its header says."""
    wide = entry.wide
    if wide is None:
        return []
    found: list[tuple[int, Mapping[str, Cell]]] = []
    told = {fold(header): about for header, about in wide.columns.items()}
    for number, header in enumerate(raw.headers):
        if wide.pattern is None:
            if fold(header) in told:
                found.append((number, told[fold(header)]))
        elif (match := re.fullmatch(wide.pattern, header)) is not None:
            found.append((number, match.groupdict()))
    if len(found) < len(told) or not found:
        absent = [header for header in wide.columns if fold(header) not in {fold(name) for name in raw.headers}]
        given = (
            f"there is no header {', '.join(map(repr, absent))}" if absent else f"no header matches {wide.pattern!r}"
        )
        raise SourceError(
            f"{raw.name}: must have the headers that {entry.where}.wide names; {given}. "
            f"Correct the entry{_sheet_cure(raw, entry)}."
        )
    return found


def _rows(
    raw: RawTable, entry: TableEntry, wide: Sequence[int]
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64], list[str]]:
    """Return for each row of the record its raw row and its header across, and notes."""
    n = len(raw.lines)
    if entry.wide is None:
        return np.arange(n, dtype=np.int64), np.full(n, -1, dtype=np.int64), []
    given = np.column_stack([~blank_cells(raw.columns[number], entry.reading) for number in wide]).reshape(n, len(wide))
    source, header = np.nonzero(given)
    some = given.any(axis=1)
    bare, blank = int((~some).sum()), int((~given[some]).sum())
    notes = [f"{raw.name}: {bare} {raw.row_word}s without any reading, which make no record"] if bare else []
    if blank:
        notes.append(f"{raw.name}: {blank} blank cells among readings across columns, which make no record")
    return source.astype(np.int64), header.astype(np.int64), notes


def _wide_cells(
    raw: RawTable,
    wide: Wide,
    headers: Sequence[tuple[int, Mapping[str, Cell]]],
    *,
    source: npt.NDArray[np.int64],
    header: npt.NDArray[np.int64],
) -> dict[str, ObjectArray]:
    """Return the cells across and what their headers say of them."""
    values = np.empty(len(source), dtype=object)
    for place, (number, _) in enumerate(headers):
        here = header == place
        values[here] = raw.columns[number][source[here]]
    cells: dict[str, ObjectArray] = {wide.value: values}
    for target in headers[0][1]:
        told = np.empty(len(headers), dtype=object)
        told[:] = [about[target] for _, about in headers]
        cells[target] = told[header]
    return cells


def _joined(parts: Sequence[ObjectArray], reading: Reading) -> ObjectArray:
    """Return the cells of several columns joined by a blank; blank where all of them are."""
    columns = [[_part(cell, reading) for cell in cells] for cells in parts]
    joined = np.empty(len(parts[0]), dtype=object)
    joined[:] = [" ".join(part for part in row if part) or None for row in zip(*columns, strict=True)]
    return joined


def _part(cell: object, reading: Reading) -> str:
    text = moment_part(cell)
    return "" if fold(text) in reading.missing else text
