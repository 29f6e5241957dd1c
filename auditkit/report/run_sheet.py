"""The run sheet of a trial: printed, to be filled in as a spreadsheet, and read back cell by cell."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from auditkit.errors import Fault, SourceError
from auditkit.findings.next_trial import TrialPlan
from auditkit.findings.trial_results import GROUNDS, result_columns
from auditkit.intake.workbooks import Sheet, read_sheets
from auditkit.report.sheets import SheetColumn, SheetPart, print_sheet
from auditkit.report.stable_workbook import put_cell, workbook_bytes
from auditkit.trade.grounding import RUN_RULES
from auditkit.units import convert
from auditkit.views.sentences import unit_sign

__all__ = ["FilledSheet", "read_run_sheet", "run_sheet_pdf", "run_sheet_xlsx"]

_RUN, _DAY, _CREW, _GROUP, _NOTE = "Run", "Day", "Crew", "Group", "Note"
_SHEET = "Run sheet"
_GROUND_TITLES = dict(zip(GROUNDS, ("Part to earth", "Operator to earth"), strict=True))
_MOST_OHM = 1e18
_TWIN = {"kpa": "psi", "mm": "in"}
_GUIDE = (
    "Spray the panels in the order of the list, whatever it costs in changes: the order was drawn at random.",
    "Set every factor anew before each panel; those changed by group stay until the group ends, and are set anew then.",
    "Whoever reads film or rates wrap and defects goes by the run's number and does not look at the settings.",
    "If a panel was sprayed at another setting after all, write that in place of the planned one: it is then not used.",
    "Leave blank what was not read. Never fill in a value afterwards.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FilledSheet:
    """A run sheet as it came back.

    Parameters
    ----------
    results : DataFrame
        One row a run of the plan, in its order: run_id, the columns of
        `trial_results.result_columns` and `trial_results.GROUNDS` (missing
        where blank or faulty), note.
    faults : tuple of Fault
        Everything that could not be used, cell by cell.
    set_aside : tuple of str
        Runs whose results are not used, since they were not made as planned.
    n, excluded : int
        Runs with a result, and runs without.
    missing : int
        Blank cells of results among the runs not set aside.
    """

    results: pd.DataFrame
    faults: tuple[Fault, ...]
    set_aside: tuple[str, ...]
    n: int
    excluded: int
    missing: int


def run_sheet_pdf(plan: TrialPlan, *, dated: date, title: str = "Run sheet of the next trial") -> bytes:
    """Return the run sheet as a PDF: cautions and settings first, then one table a day, to be filled in by hand.

    Parameters
    ----------
    plan : TrialPlan
    dated : date
        Date of issue, which the document bears.
    title : str
    """
    columns = _columns(plan)
    shown = [column for column in columns if column["key"] not in ("day", "crew")]
    tables = [
        SheetPart(
            heading=f"Day {day}, crew {own['crew'].iloc[0] or '______'}, date ____________",
            columns=[
                SheetColumn(heading=str(column["heading"]), share=column["share"])
                for column in shown
            ],
            rows=[[_shown(row[column["key"]]) if column["given"] else "" for column in shown] for row in rows],
            row_mm=7.8,
            pad_em=0.2,
        )
        for day, own in plan.plan.groupby("day", sort=True)
        for rows in [own.to_dict("records")]
    ] if len(plan.plan) else []  # fmt: skip
    return print_sheet(
        [
            *([] if plan.why else [SheetPart(heading="How", texts=_GUIDE)]),
            SheetPart(
                heading="What is tried",
                texts=[_design_words(plan)],
                columns=[
                    SheetColumn(heading=name, share=share)
                    for name, share in (("Factor", 2), ("Low", 1.4), ("High", 1.4), ("How it is set", 4))
                ]
                if len(plan.factors)
                else (),
                rows=_factor_rows(plan),
                pad_em=0.3,
            ),
            *([SheetPart(heading="What is held", texts=_held_lines(plan))] if not plan.why else []),
            *tables,
        ],
        title=title,
        subtitle=f"Seed {plan.seed}. Issued {dated:%Y-%m-%d}.",
        signature=[] if plan.why else ["Sprayed by, date", "Read by, date"],
        dated=dated,
        cautions=plan.cautions,
        flipped=True,
        one_page=False,
    )


def run_sheet_xlsx(plan: TrialPlan, *, dated: date, title: str = "Run sheet of the next trial") -> bytes:
    """Return the run sheet as the bytes of an XLSX workbook to be filled in, the same from the same plan.

    Parameters
    ----------
    plan : TrialPlan
    dated : date
        Date of issue, which the file bears.
    title : str

    Notes
    -----
    Headings carry units, stay in sight and are repeated on paper; a result out
    of its range is refused on entry; it prints one page wide; a ground out of
    limit turns red.
    """
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    columns, top = _columns(plan), len(plan.cautions) + 3
    book = Workbook()
    sheet = book.active
    sheet.title = _SHEET
    thin = Side(style="thin", color="8A8780")
    put_cell(sheet["A1"], f"{title}. Seed {plan.seed}. Issued {dated:%Y-%m-%d}.")
    sheet["A1"].font = Font(bold=True, size=14)
    for line, caution in enumerate(plan.cautions, start=2):
        put_cell(sheet.cell(line, 1), caution)
        sheet.cell(line, 1).font = Font(bold=True, color="B04A00")
    for place, column in enumerate(columns, start=1):
        cell = sheet.cell(top, place)
        put_cell(cell, column["heading"])
        cell.font, cell.fill = Font(bold=True), PatternFill("solid", start_color="F1EFE9")
        cell.alignment = Alignment(wrap_text=True, vertical="bottom")
        sheet.column_dimensions[get_column_letter(place)].width = 24 if column["key"] == "note" else 11
    for line, row in enumerate(plan.plan.to_dict("records"), start=top + 1):
        for place, column in enumerate(columns, start=1):
            if column["given"]:
                put_cell(sheet.cell(line, place), _plain(row[column["key"]]))
            sheet.cell(line, place).border = Border(left=thin, right=thin, top=thin, bottom=thin)
    last = top + len(plan.plan)
    for place, column in enumerate(columns, start=1):
        if column["high"] is None or last == top:
            continue
        low, high, letter = column["low"], column["high"], get_column_letter(place)
        rule = DataValidation(type="decimal", operator="between", formula1=f"{low:.15g}", formula2=f"{high:.15g}")
        rule.allow_blank, rule.showErrorMessage, rule.errorTitle = True, True, "Not in range"
        rule.error = f"A number from {low:g} to {high:g}, or blank where it was not read."
        rule.add(f"{letter}{top + 1}:{letter}{last}")
        sheet.add_data_validation(rule)
        if column["key"] in GROUNDS:
            _redden_out_of_limit(sheet, f"{letter}{top + 1}:{letter}{last}", key=column["key"])
    sheet.freeze_panes = sheet.cell(top + 1, 2)
    sheet.print_title_rows = f"1:{top}"
    sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.right.text = "&P of &N"
    _add_guide(book, plan)
    return workbook_bytes(book, title=title, dated=dated)


def _redden_out_of_limit(sheet: Any, cells: str, *, key: str) -> None:
    from openpyxl.formatting.rule import CellIsRule
    from openpyxl.styles import PatternFill

    red = PatternFill("solid", start_color="E8A27A", end_color="E8A27A")
    for rule in RUN_RULES:
        limit = rule.at_most if rule.at_most is not None else rule.at_least
        if rule.column == key and limit is not None:
            beyond = "greaterThan" if rule.at_most is not None else "lessThan"
            formula = [f"{limit:.15g}"]
            sheet.conditional_formatting.add(cells, CellIsRule(operator=beyond, formula=formula, fill=red))


def _add_guide(book: Any, plan: TrialPlan) -> None:
    """Add the sheet that says how the panels are sprayed, and what the settings are."""
    from openpyxl.styles import Alignment

    guide = book.create_sheet("How")
    lines = [*plan.cautions, "", *_GUIDE, "", _design_words(plan), *_held_lines(plan), ""]
    lines += [f"{name}: {how}" for name, _, _, how in _factor_rows(plan)]
    guide.column_dimensions["A"].width = 120
    for line, words in enumerate(lines, start=1):
        put_cell(guide.cell(line, 1), words)
        guide.cell(line, 1).alignment = Alignment(wrap_text=True, vertical="top")
    guide.page_setup.paperSize = guide.PAPERSIZE_A4
    guide.page_setup.fitToWidth, guide.page_setup.fitToHeight = 1, 0
    guide.sheet_properties.pageSetUpPr.fitToPage = True


def read_run_sheet(path: Path, plan: TrialPlan) -> FilledSheet:
    """Return the results written into a run sheet.

    A run made on another day or at another setting than planned is set aside; a
    cell that is no number, or out of range, is missing; each with a fault that
    says where. Blank cells are counted.

    Parameters
    ----------
    path : Path
        The filled workbook.
    plan : TrialPlan
        The plan it was printed from.

    Returns
    -------
    FilledSheet

    Raises
    ------
    SourceError
        The workbook is damaged, or holds no sheet with the plan's headings.
    """
    columns = _columns(plan)
    sheet, top, places = _found_sheet(read_sheets(path, name=path.name), columns, name=path.name)
    planned = {row["run_id"]: row for row in plan.plan.to_dict("records")}
    faults: list[Fault] = []
    read: dict[str, dict[str, object]] = {}
    aside: set[str] = set()
    for number, cells in enumerate(sheet.rows[top:], start=top + 1):
        row = {key: cells[place] if place < len(cells) else None for key, place in places.items()}
        if all(cell is None or not str(cell).strip() for cell in row.values()):
            continue
        run_id = str(row["run_id"] or "").strip()
        where = f"{path.name}, sheet {sheet.name}, row {number}"
        if run_id not in planned:
            faults.append(
                _fault(f"{where}, {_RUN}", "must be a run of this trial", repr(run_id), "use this trial's own sheet")
            )
            continue
        if run_id in read:
            faults.append(_fault(f"{where}, {_RUN}", "must be there once", run_id, "keep the row that was filled in"))
            aside.add(run_id)
            continue
        changed = _changed(row, planned[run_id], columns, where=where)
        if changed:
            aside.add(run_id)
        values, wrong = _values(row, columns, where=where)
        faults += [*changed, *wrong]
        read[run_id] = values
    numbers = [column["key"] for column in columns if column["high"] is not None]
    rows = [
        {"run_id": run_id, **(read.get(run_id, {}) if run_id not in aside else {"note": read[run_id]["note"]})}
        for run_id in planned
    ]
    results = pd.DataFrame(rows, columns=["run_id", *numbers, "note"])
    results = results.astype({"run_id": "str", **dict.fromkeys(numbers, "float64"), "note": "str"})
    measured = [name for name in numbers if name not in GROUNDS]
    some = results[measured].notna().any(axis=1)
    usable = ~results["run_id"].isin(aside)
    return FilledSheet(
        results=results,
        faults=tuple(faults),
        set_aside=tuple(run_id for run_id in planned if run_id in aside),
        n=int(some.sum()),
        excluded=int((~some).sum()),
        missing=int(results.loc[usable, numbers].isna().sum().sum()),
    )


def _columns(plan: TrialPlan) -> list[dict[str, Any]]:
    """Return the columns of the sheet: key, heading, given (printed), low and high of what may be filled in, share."""
    given = [("run_id", _RUN, 0.0), ("day", _DAY, 0.0), ("crew", _CREW, 0.0)]
    given += [("whole_plot", _GROUP, 0.0)] if _is_grouped(plan) else []
    given += [(row["factor"], _heading(row), 1.2) for row in plan.factors.to_dict("records")]
    blank = {"given": False, "low": 0.0, "high": _MOST_OHM, "share": 1.3}
    grounds = [{"key": key, "heading": f"{_GROUND_TITLES[key]} [{unit_sign('ohm')}]", **blank} for key in GROUNDS]
    results = [
        {"key": row["column"], "heading": _heading(row), "given": False, "low": row["low"], "high": row["high"],
         "share": 1.0}
        for row in result_columns(plan.responses).to_dict("records")
    ]  # fmt: skip
    printed = [
        {"key": key, "heading": heading, "given": True, "low": None, "high": None, "share": share}
        for key, heading, share in given
    ]
    note = {"key": "note", "heading": _NOTE, "given": False, "low": None, "high": None, "share": 2.0}
    return [*printed, *grounds, *results, note]


def _is_grouped(plan: TrialPlan) -> bool:
    return len(plan.plan) > 0 and bool(plan.plan["whole_plot"].duplicated().any())


def _heading(row: Mapping[Any, Any]) -> str:
    return f"{row['title']} [{unit_sign(row['unit'])}]" if row["unit"] else str(row["title"])


def _factor_rows(plan: TrialPlan) -> list[list[str]]:
    by_group = "; changed by group only" if _is_grouped(plan) else ""
    return [
        [
            row["title"],
            _level(row["low"], row["unit"]),
            _level(row["high"], row["unit"]),
            f"{row['how']}{by_group if row['hard'] else ''}",
        ]
        for row in plan.factors.to_dict("records")
    ]


def _level(value: float, unit: str) -> str:
    twin = _TWIN.get(unit)
    also = f" ({convert(value, unit, twin, decimals=1):g} {twin})" if twin else ""
    return f"{value:g} {unit_sign(unit)}{also}"


def _design_words(plan: TrialPlan) -> str:
    if plan.why:
        return f"Nothing is to be sprayed: {plan.why}."
    return f"{plan.design[:1].upper()}{plan.design[1:]}."


def _held_lines(plan: TrialPlan) -> list[str]:
    """Return what is the same for every panel."""
    held = [
        f"{row['title']}: {_level(row['low'] if math.isnan(row['middle']) else row['middle'], row['unit'])}"
        for row in plan.held.to_dict("records")
    ]
    return [
        "Unit ________, coating and batch ________________, panels ________________, gauge ________, rated by ________",
        "The same for every panel: kind and size of panel, coating and batch, bell, stroke pattern; bell and filter "
        "cleaned before each day.",
        *held,
    ]


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, (int, float)) else str(value)


def _plain(value: object) -> object:
    return float(value) if isinstance(value, float) else value


def _found_sheet(
    sheets: Sequence[Sheet], columns: Sequence[Mapping[str, Any]], *, name: str
) -> tuple[Sheet, int, dict[str, int]]:
    """Return the sheet, how many rows lie above its data, and the place of each column."""
    wanted = {str(column["heading"]): str(column["key"]) for column in columns}
    best: list[str] = list(wanted)
    for sheet in sheets:
        for number, cells in enumerate(sheet.rows, start=1):
            headings = [str(cell).strip() for cell in cells]
            absent = [heading for heading in wanted if headings.count(heading) != 1]
            if not absent:
                return sheet, number, {key: headings.index(heading) for heading, key in wanted.items()}
            best = min(best, absent, key=len)
    raise SourceError(
        f"{name}: must have a row with each heading of this trial's run sheet once; given none or twice: "
        f"{', '.join(best[:4])}. Fill in the sheet as it was printed."
    )


def _changed(
    row: Mapping[str, object], planned: Mapping[Any, Any], columns: Sequence[Mapping[str, Any]], *, where: str
) -> list[Fault]:
    """Return a fault for the day and each setting that is not the planned one."""
    faults = []
    for column in columns:
        key = column["key"]
        if not column["given"] or key in ("run_id", "crew", "whole_plot"):
            continue
        number = _number(row[key])
        if number is None or not math.isclose(number, float(planned[key]), rel_tol=1e-9, abs_tol=1e-9):
            faults.append(
                _fault(
                    f"{where}, {column['heading']}",
                    f"must be as planned, {float(planned[key]):g}; the run is set aside",
                    repr(row[key]),
                    "make the run as planned, or leave it out",
                )
            )
    return faults


def _values(
    row: Mapping[str, object], columns: Sequence[Mapping[str, Any]], *, where: str
) -> tuple[dict[str, object], list[Fault]]:
    """Return the results of one run, and a fault for each cell that is no number in range."""
    values: dict[str, object] = {"note": str(row["note"] or "")}
    faults = []
    for column in columns:
        key, high = column["key"], column["high"]
        if high is None:
            continue
        cell, number = row[key], _number(row[key])
        blank = cell is None or not str(cell).strip()
        if number is not None and column["low"] <= number <= high:
            values[key] = number
        elif not blank:
            holds = f"must be a number from {column['low']:g} to {high:g}"
            faults.append(_fault(f"{where}, {column['heading']}", holds, repr(cell), "correct it, or leave it blank"))
    return values, faults


def _number(cell: object) -> float | None:
    if isinstance(cell, bool) or not isinstance(cell, (int, float, str)):
        return None
    try:
        number = float(cell)
    except ValueError:
        return None
    return number if math.isfinite(number) else None


def _fault(where: str, holds: str, given: str, cure: str) -> Fault:
    return Fault(where=where, holds=holds, given=given, cure=cure)
