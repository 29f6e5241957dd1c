"""Sheets to print and to fill in, as files: field sheets, start-up and upkeep, and the run sheet of the next trial."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path

import pandas as pd

from auditkit.contracts import Contract, load_contracts
from auditkit.contracts import contract as contract_of
from auditkit.dossier import Dossier
from auditkit.errors import SourceError
from auditkit.findings.audit import Findings
from auditkit.report.data_dictionary import DICTIONARY_FILE, data_dictionary
from auditkit.report.field_prints import field_print
from auditkit.report.field_sheets import field_sheet
from auditkit.report.files import write_files
from auditkit.report.run_sheet import run_sheet_pdf, run_sheet_xlsx
from auditkit.report.stable_workbook import is_as_written
from auditkit.report.unit_sheets import last_known_parts, startup_sheet, upkeep_sheet

__all__ = ["FIELD_FOLDER", "blank_sheets", "field_sheets_of", "known_ids", "sheets_of"]

FIELD_FOLDER = "field_sheets"
"""Holds the workbooks to be filled in and nothing else, so that it can be read as a folder of records."""

_MOST_OFFERED = 500
_UNDATED = date(2000, 1, 1)


def blank_sheets(
    out: Path, *, dated: date, records: Sequence[str] = (), time_zone: str | None = None
) -> dict[str, Path]:
    """Write sheets with nothing filled in, and return where they lie.

    Parameters
    ----------
    out : Path
    dated : date
        Date they bear.
    records : sequence of str
        Kinds of record to write field sheets of, and nothing else; left out,
        those of all kinds, start-up and upkeep, and the data dictionary.
    time_zone : str, optional
        IANA name of the zone in which times are written.

    Raises
    ------
    ContractError
        There is no such kind of record.
    SourceError
        The folder cannot be written to, or a workbook there was filled in.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sorted(blank_sheets(Path(folder), dated=date(2027, 3, 5), records=["areas"]))
    ['field_sheet_areas.pdf', 'field_sheets/areas.xlsx']
    """
    sheets = _field_sheets(_chosen(records), dated=dated, time_zone=time_zone, known={})
    if not records:
        sheets |= {"startup_sheet.pdf": startup_sheet(dated=dated), "upkeep_sheet.pdf": upkeep_sheet("", dated=dated)}
        sheets[DICTIONARY_FILE] = data_dictionary(load_contracts())
    return _write(sheets, out)


def sheets_of(findings: Findings, out: Path, *, time_zone: str | None = None) -> dict[str, Path]:
    """Write the sheets of an audit's units, the run sheet of the next trial where one could be planned, field sheets.

    They bear the last day of the records.

    Parameters
    ----------
    findings : Findings
    out : Path
    time_zone : str, optional
        Zone in which times are written; left out, the one declared.

    Raises
    ------
    SourceError
        The folder cannot be written to, or a workbook there was filled in.
    """
    runs, upkeep, dossier = findings.runs, findings.upkeep, findings.dossier
    last = upkeep.overdue.as_at
    dated = _UNDATED if runs.empty else date.fromisoformat(str(runs["day"].max()))
    units = sorted({str(unit) for unit in runs["unit_id"]})
    parts = last_known_parts(units, dossier.tables["maintenance"], as_at=last) if units else None
    sheets: dict[str, bytes] = {}
    for number, unit in enumerate(units, start=1):
        name = _file_name(unit, number)
        sheets[f"startup_sheet_{name}.pdf"] = startup_sheet(dated=dated, unit_id=unit)
        sheets[f"upkeep_sheet_{name}.pdf"] = upkeep_sheet(
            unit, dated=dated, parts=parts, overdue=upkeep.overdue.overdue
        )
    plan = findings.trial
    if plan is not None and not plan.why:
        sheets["run_sheet.pdf"] = run_sheet_pdf(plan, dated=dated)
        sheets["run_sheet.xlsx"] = run_sheet_xlsx(plan, dated=dated)
    sheets |= _dossiers_field_sheets(dossier, (), time_zone=time_zone)
    sheets[DICTIONARY_FILE] = data_dictionary(load_contracts())
    return _write(sheets, out)


def field_sheets_of(
    dossier: Dossier, out: Path, *, records: Sequence[str], time_zone: str | None = None
) -> dict[str, Path]:
    """Write the field sheets of some kinds of record, with a dossier's identifiers to choose from.

    Parameters
    ----------
    dossier : Dossier
    out : Path
    records : sequence of str
        Kinds of record; none for all.
    time_zone : str, optional
        Zone in which times are written; left out, the one declared.

    Raises
    ------
    ContractError
        There is no such kind of record.
    SourceError
        The folder cannot be written to, or a workbook there was filled in.
    """
    return _write(_dossiers_field_sheets(dossier, records, time_zone=time_zone), out)


def known_ids(tables: Mapping[str, pd.DataFrame], contracts: Mapping[str, Contract]) -> dict[str, list[str]]:
    """Return the identifiers that accepted tables hold, by column and sorted; none of a column that has over 500.

    Of a column that links to another record only what that record holds is
    known.

    Parameters
    ----------
    tables : mapping of record to DataFrame
    contracts : mapping of record to Contract

    Examples
    --------
    >>> contracts = {name: load_contracts()[name] for name in ("areas", "film_readings")}
    >>> readings = pd.DataFrame({"area_id": ["A9", "A1"], "gauge_id": ["G2", "G2"]})
    >>> areas = pd.DataFrame({"area_id": ["A1"], "job_id": ["J1"]})
    >>> known_ids({"areas": areas, "film_readings": readings}, contracts)
    {'area_id': ['A1'], 'job_id': ['J1'], 'gauge_id': ['G2']}
    """
    linked = {link.column for contract in contracts.values() for link in contract.links if link.record in contracts}
    found: dict[str, set[str]] = {}
    for name, contract in contracts.items():
        for column in contract.columns:
            its_own = contract.key == (column.name,) or column.name not in linked
            if column.kind == "text" and column.name.endswith("_id") and its_own:
                given = tables[name].get(column.name, pd.Series(dtype="str")).dropna()
                found.setdefault(column.name, set()).update(map(str, given))
    return {name: sorted(ids) for name, ids in found.items() if 0 < len(ids) <= _MOST_OFFERED}


def _dossiers_field_sheets(dossier: Dossier, records: Sequence[str], *, time_zone: str | None) -> dict[str, bytes]:
    runs = dossier.tables["spray_runs"]["started_at"].dropna()
    dated = _UNDATED if runs.empty else runs.max().tz_convert(dossier.time_zone).date()
    # undeclared counts as UTC in a dossier, and is no statement of what clocks on site show
    declared = None if dossier.time_zone == "UTC" else dossier.time_zone
    return _field_sheets(
        _chosen(records),
        dated=dated,
        time_zone=time_zone or declared,
        known=known_ids(dossier.tables, load_contracts()),
    )


def _chosen(records: Sequence[str]) -> list[Contract]:
    return [contract_of(name) for name in dict.fromkeys(records)] or list(load_contracts().values())


def _field_sheets(
    contracts: Sequence[Contract], *, dated: date, time_zone: str | None, known: Mapping[str, Sequence[str]]
) -> dict[str, bytes]:
    sheets: dict[str, bytes] = {}
    for contract in contracts:
        name = f"{FIELD_FOLDER}/{contract.name}.xlsx"
        sheets[name] = field_sheet(contract, dated=dated, time_zone=time_zone, known=known)
        sheets[f"field_sheet_{contract.name}.pdf"] = field_print(contract, dated=dated, time_zone=time_zone)
    return sheets


def _write(sheets: Mapping[str, bytes], out: Path) -> dict[str, Path]:
    """Write the files, none over a workbook that someone has saved since it was written."""
    filled = [
        str(out / name)
        for name, content in sheets.items()
        if name.endswith(".xlsx") and _is_someones((out / name), content)
    ]
    if filled:
        raise SourceError(
            f"{', '.join(filled)}: must be blank to be written over; given a workbook saved since. "
            "Move it to the folder of records, or give --out another folder."
        )
    paths: dict[str, Path] = {}
    for folder in (FIELD_FOLDER, ""):
        here = {
            name.rpartition("/")[2]: content for name, content in sheets.items() if name.rpartition("/")[0] == folder
        }
        if here:
            written = write_files(here, out / folder)
            paths |= {f"{folder}/{name}" if folder else name: path for name, path in written.items()}
    return {name: paths[name] for name in sheets}


def _is_someones(path: Path, content: bytes) -> bool:
    """Return whether there is a file that is neither what is to be written nor as auditkit once wrote it."""
    try:
        there = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        raise SourceError(f"{path}: must be a file that can be read; the system says: {error.strerror}.") from error
    return there != content and not is_as_written(there)


def _file_name(unit: str, number: int) -> str:
    """Return a unit's name as part of a file's: letters, digits, dash; others leave only its number."""
    return unit if re.fullmatch(r"[A-Za-z0-9-]{1,40}", unit) else f"unit-{number}"
