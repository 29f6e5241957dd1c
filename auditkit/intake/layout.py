"""The layout of a table: its kind of record, and which of its cells fill which column of the contract."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditkit.contracts.contract import Contract
from auditkit.contracts.strictness import near_match
from auditkit.errors import SourceError
from auditkit.intake.cells import ObjectArray, blank_cells
from auditkit.intake.declaration import Cell, Reading, TableEntry, Wide, fold
from auditkit.intake.moment_cells import moment_part
from auditkit.intake.raw import RawTable

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
    values : mapping of column to mapping of folded word to cell
    notes : tuple of str
    """

    raw: RawTable
    contract: Contract
    reading: Reading
    cells: Mapping[str, ObjectArray]
    source: npt.NDArray[np.int64]
    headers: tuple[str, ...]
    header: npt.NDArray[np.int64]
    units: Mapping[str, str]
    values: Mapping[str, Mapping[str, Cell]]
    notes: tuple[str, ...]


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
        Left out, the one contract is used that has all headers of the table
        and whose required columns are all there.

    Raises
    ------
    SourceError
        No contract fits, or the headers are not those that were declared.
    """
    if entry is None:
        contract = _recognised(raw, contracts)
        entry = TableEntry(where="", file=raw.file, record=contract.name, reading=reading)
    contract = contracts[entry.record]
    places = _places(raw, contract, entry)
    wide = _wide_headers(raw, entry)
    source, header, notes = _rows(raw, entry, [number for number, _ in wide])
    cells: dict[str, ObjectArray] = {}
    for target, number in places.items():
        cells[target] = raw.columns[number][source]
    by_fold = {fold(name): number for number, name in enumerate(raw.headers)}
    for target, names in entry.join.items():
        cells[target] = _joined([raw.columns[by_fold[fold(name)]] for name in names], entry.reading)[source]
    for target, constant in entry.constants.items():
        cells[target] = np.full(len(source), constant, dtype=object)
    if entry.wide is not None:
        cells |= _wide_cells(raw, entry.wide, wide, source=source, header=header)
    if entry.drop:
        notes = [*notes, f"{raw.name}: left out as dossier.yaml says: {', '.join(entry.drop)}"]
    return LaidTable(
        raw=raw,
        contract=contract,
        reading=entry.reading,
        cells=cells,
        source=source,
        headers=tuple(raw.headers[number] for number, _ in wide),
        header=header,
        units=entry.units,
        values={target: {fold(word): meant for word, meant in words.items()} for target, words in entry.values.items()},
        notes=(*raw.notes, *notes),
    )


def _recognised(raw: RawTable, contracts: Mapping[str, Contract]) -> Contract:
    """Return the one contract that has all headers and whose required columns are all there."""
    headers = {fold(header) for header in raw.headers}
    fitting = [contract for contract in contracts.values() if _required(contract) <= headers <= set(contract.names)]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        names = " or ".join(contract.name for contract in fitting)
        raise SourceError(
            f"{raw.name}: must be one kind of record; its headers fit {names}. {_entry_lines(raw, fitting[0], {})}"
        )
    raise SourceError(_unrecognised(raw, contracts))


def _required(contract: Contract) -> set[str]:
    return {column.name for column in contract.columns if column.required}


def _unrecognised(raw: RawTable, contracts: Mapping[str, Contract]) -> str:
    """Return what to do about a table that fits no contract."""
    headers = {fold(header): header for header in raw.headers}
    nearest = max(contracts.values(), key=lambda contract: _likeness(contract, headers))
    missing = [name for name in nearest.names if name in _required(nearest) - set(headers)]
    unknown = [header for folded, header in headers.items() if folded not in nearest.names]
    guesses = {header: near_match(header, missing) for header in unknown}
    matched = {header: name for header, name in guesses.items() if name is not None}
    parts = [f"{raw.name}: must have the columns of one kind of record; nearest is {nearest.name}"]
    if missing:
        parts.append(f"missing {', '.join(missing)}")
    if unknown:
        shown = [f"{header} (near {matched[header]})" if header in matched else header for header in unknown]
        parts.append(f"unknown {', '.join(shown)}")
    return f"{'; '.join(parts)}. {_entry_lines(raw, nearest, matched)}"


def _likeness(contract: Contract, headers: Mapping[str, str]) -> tuple[float, int]:
    same = sum(name in headers for name in contract.names)
    near = sum(near_match(header, contract.names) is not None for header in headers if header not in contract.names)
    return same + 0.5 * near, -len(contract.names)


def _entry_lines(raw: RawTable, contract: Contract, matched: Mapping[str, str]) -> str:
    """Return the lines of `dossier.yaml` that would settle what a table is."""
    lines = [
        "Add to dossier.yaml, with the headers that differ:",
        "tables:",
        f'  - file: "{raw.file}"',
        f"    record: {contract.name}",
    ]
    if raw.sheet is not None:
        lines.append(f'    sheet: "{raw.sheet}"')
    renamed = ", ".join(f'"{header}": {name}' for header, name in matched.items()) or '"header in the file": column'
    lines.append(f"    columns: {{{renamed}}}")
    ignored = raw.file if raw.sheet is None else f"{raw.file}#{raw.sheet}"
    lines.append(f'or, if it is no record: ignore: ["{ignored}"]')
    return "\n".join(lines)


def _places(raw: RawTable, contract: Contract, entry: TableEntry) -> dict[str, int]:
    """Return which raw column fills which column of the contract; every header must be accounted for."""
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
        target = renamed.get(folded, folded)
        if folded in dropped or (folded in joined | across and folded not in renamed):
            continue
        if target not in contract.names:
            near = near_match(target, contract.names)
            faults.append(f"header {raw.headers[number]!r} is not known" + (f" (near {near})" if near else ""))
        elif target in places or target in filled:
            faults.append(f"column {target} is filled twice, once by header {raw.headers[number]!r}")
        else:
            places[target] = number
    missing = [name for name in contract.names if name in _required(contract) - set(places) - filled]
    if missing:
        faults.append(f"no header fills {', '.join(missing)}")
    if faults:
        raise SourceError(
            f"{raw.name}: every header must have its place in {entry.record} ({entry.where}); {'; '.join(faults)}. "
            "Name the headers under columns, drop, join or wide in dossier.yaml, and what is the same in all rows "
            "under constants."
        )
    return places


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
            f"{raw.name}: must have the headers that {entry.where}.wide names; {given}. Correct the entry."
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
    bare = int((~given.any(axis=1)).sum())
    notes = [f"{raw.name}: {bare} {raw.row_word}s without any reading, which make no record"] if bare else []
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
