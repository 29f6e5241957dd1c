"""Sheets to print: start-up and upkeep of each unit, and the run sheet of the next trial, as files."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

from auditkit.findings.audit import Findings
from auditkit.report.files import write_files
from auditkit.report.run_sheet import run_sheet_pdf, run_sheet_xlsx
from auditkit.report.unit_sheets import last_known_parts, startup_sheet, upkeep_sheet

__all__ = ["blank_sheets", "sheets_of"]


def blank_sheets(out: Path, *, dated: date) -> dict[str, Path]:
    """Write a start-up sheet and an upkeep sheet with nothing filled in, and return where they lie.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     sorted(blank_sheets(Path(folder), dated=date(2027, 3, 5)))
    ['startup_sheet.pdf', 'upkeep_sheet.pdf']
    """
    sheets = {"startup_sheet.pdf": startup_sheet(dated=dated), "upkeep_sheet.pdf": upkeep_sheet("", dated=dated)}
    return write_files(sheets, out)


def sheets_of(findings: Findings, out: Path) -> dict[str, Path]:
    """Write the sheets of an audit's units, and the run sheet of the next trial where one could be planned.

    They bear the last day of the records.

    Raises
    ------
    SourceError
        The folder cannot be written to.
    """
    runs, upkeep, dossier = findings.runs, findings.upkeep, findings.dossier
    last = upkeep.overdue.as_at
    dated = date(2000, 1, 1) if runs.empty else date.fromisoformat(str(runs["day"].max()))
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
    return write_files(sheets, out)


def _file_name(unit: str, number: int) -> str:
    """Return a unit's name as part of a file's: letters, digits, dash; others leave only its number."""
    return unit if re.fullmatch(r"[A-Za-z0-9-]{1,40}", unit) else f"unit-{number}"
