"""Accepted values beside the cells they were read from: header, text as received, unit, and what was done to it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from auditkit.contracts.collection import load_contracts
from auditkit.contracts.contract import Column
from auditkit.dossier import Dossier
from auditkit.errors import SourceError
from auditkit.intake.assembly import read_files
from auditkit.intake.declaration import TableEntry, fold, read_declaration
from auditkit.intake.folder import find_files
from auditkit.intake.layout import LaidTable
from auditkit.intake.word_cells import as_text

__all__ = ["CELL_COLUMNS", "cells_as_received"]

PLACE = ["file", "sheet", "line", "column"]
CELL_COLUMNS: Mapping[str, str] = {
    "record": "str",
    "file": "str",
    "sheet": "str",
    "line": "int64",
    "header": "str",
    "received": "str",
    "field": "str",
    "value": "str",
    "unit": "str",
    "conversion": "str",
}


def cells_as_received(dossier: Dossier, places: pd.DataFrame) -> pd.DataFrame:
    """Return every cell that rows of a dossier were read from.

    The files are read anew from the dossier's folder.

    Parameters
    ----------
    dossier : Dossier
    places : DataFrame
        One row a row of records: record, file, sheet, line, column, as in the
        lineage.

    Returns
    -------
    DataFrame
        One row a filled cell, in the order of `places` and of the contract:
        record, file, sheet, line, header (blank where dossier.yaml says the
        value), received (text of the cell), field (column of the contract),
        value (as accepted), unit (it is held in), conversion (in words; blank
        where the value is what was received).

    Raises
    ------
    SourceError
        A file is no longer there, or no longer what it was.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from auditkit.intake import read_dossier
    >>> text = "unit_id,in_service_at\\nU1,2027-01-05T07:30:00+01:00\\n"
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = (Path(folder) / "u.csv").write_text(text, encoding="utf-8")
    ...     dossier = read_dossier(folder)
    ...     cells = cells_as_received(dossier, dossier.lineage["units"].assign(record="units"))
    >>> cells[["line", "header", "received", "conversion"]].to_numpy().tolist()[1]
    [2, 'in_service_at', '2027-01-05T07:30:00+01:00', 'read as 2027-01-05T06:30:00+00:00']
    """
    contracts = load_contracts()
    declaration = read_declaration(dossier.folder, contracts)
    wanted = set(places["file"])
    files = [file for file in find_files(dossier.folder, declaration)[0] if file.name in wanted]
    laid, _ = read_files(files, declaration, contracts)
    entries = {entry.where: entry for entry in declaration.tables}
    parts: dict[tuple[str, ...], tuple[LaidTable, int]] = {}
    for part in laid:
        for row in range(len(part.source)):
            header = part.headers[part.header[row]] if part.headers else ""
            line = str(part.raw.lines[part.source[row]])
            parts[part.contract.name, part.raw.file, part.raw.sheet or "", line, header] = part, row
    accepted = {str(record): _by_place(dossier, str(record)) for record in places["record"].unique()}
    told: list[tuple[object, ...]] = []
    distinct = places[["record", *PLACE]].fillna({"sheet": "", "column": ""}).astype("str").drop_duplicates()
    for record, *key in distinct.itertuples(index=False, name=None):
        found = parts.get((record, *key))
        if found is None:
            raise SourceError(f"{key[0]}: must be the file that was read; line {key[2]} is no longer there.")
        values = dossier.tables[record].iloc[accepted[record][tuple(key)]]
        cells = _cells(*found, values, entry=entries.get(found[0].where))
        told += [(record, key[0], key[1], int(key[2]), *cell) for cell in cells]
    return pd.DataFrame(told, columns=list(CELL_COLUMNS)).astype(dict(CELL_COLUMNS))


def _by_place(dossier: Dossier, record: str) -> dict[tuple[str, ...], int]:
    """Return the row of an accepted table by the place it was read from."""
    lineage = dossier.lineage[record].fillna({"sheet": "", "column": ""})
    keys = zip(lineage["file"], lineage["sheet"], lineage["line"].astype("str"), lineage["column"], strict=True)
    return {key: number for number, key in enumerate(keys)}


def _cells(part: LaidTable, row: int, values: pd.Series[Any], *, entry: TableEntry | None) -> list[tuple[str, ...]]:
    units = {column: unit for column, unit, _ in part.read_as} | dict(part.units)
    told: list[tuple[str, ...]] = []
    for column in part.contract.columns:
        if column.name not in part.cells:
            continue
        received = as_text(part.cells[column.name][row]).strip()
        value = values[column.name]
        if not received and pd.isna(value):
            continue
        shown = _shown(value)
        how = _conversion(received, value, column, unit=units.get(column.name), meant=part.values.get(column.name, {}))
        told.append(
            (_header(part, row, column.name, entry=entry), received, column.name, shown, column.unit or "", how)
        )
    return told


def _header(part: LaidTable, row: int, column: str, *, entry: TableEntry | None) -> str:
    """Return the header over a cell, or the headers it was joined from; blank where dossier.yaml gives the value."""
    if column in part.places:
        return part.raw.headers[part.places[column]]
    if entry is not None and column in entry.join:
        return " + ".join(entry.join[column])
    constant = entry is not None and column in entry.constants
    return part.headers[part.header[row]] if part.headers and not constant else ""


def _conversion(received: str, value: object, column: Column, *, unit: str | None, meant: Mapping[str, object]) -> str:
    """Return in words what was done to a cell.

    Examples
    --------
    >>> from auditkit.contracts.collection import load_contracts
    >>> film = load_contracts()["film_readings"]
    >>> _conversion("3.1", 78.74, film.column("dft_um"), unit="mil", meant={})
    '3.1 mil is 78.74 um'
    >>> _conversion("front", "facing", film.column("side"), unit=None, meant={"front": "facing"})
    "'front' is declared to mean facing"
    """
    if fold(received) in meant:
        return f"{received!r} is declared to mean {meant[fold(received)]}"
    if pd.isna(value):  # type: ignore[call-overload]
        return "read as blank"
    if unit is not None and column.unit is not None and unit != column.unit:
        return f"{received} {unit} is {_shown(value)} {column.unit}"
    return "" if received == _shown(value) or _same_number(received, value) else f"read as {_shown(value)}"


def _same_number(received: str, value: object) -> bool:
    try:
        return float(received) == float(str(value))
    except ValueError:
        return False


def _shown(value: object) -> str:
    if pd.isna(value):  # type: ignore[call-overload]
        return ""
    return value.isoformat() if isinstance(value, pd.Timestamp) else str(value)
