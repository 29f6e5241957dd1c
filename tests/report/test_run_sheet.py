"""The run sheet: printed and filled in, read back cell by cell, the same bytes each time, and no formula in it."""

import dataclasses
import io
import re
import shutil
import subprocess
import zipfile
from datetime import date

import openpyxl
import pandas as pd
import pypdf
import pytest

from auditkit.errors import SourceError
from auditkit.findings.next_trial import plan_trial
from auditkit.findings.trial_results import GROUNDS, analyse_trial, result_columns
from auditkit.report.run_sheet import read_run_sheet, run_sheet_pdf, run_sheet_xlsx
from auditkit.trade.conditions import load_conditions
from auditkit.trade.grounding import CAUTIONS

DATED = date(2027, 3, 5)
QUESTIONS = pd.DataFrame(
    [("dry spray", "standoff_mm", "above", "leaning"), ("spit", "brush_wear_pct", "above", "cannot tell")],
    columns=["defect", "condition", "side", "grade"],
)
NONE = pd.DataFrame([("crater", "part_ground_ohm", "above", "leaning")], columns=QUESTIONS.columns)


@pytest.fixture(scope="module")
def plan():
    runs = pd.DataFrame({"operator_id": ["OP1", "OP2"]})
    return plan_trial(QUESTIONS, runs, load_conditions(), seed=3, most_runs=8, runs_per_day=4)


@pytest.fixture
def book(plan):
    return openpyxl.load_workbook(io.BytesIO(run_sheet_xlsx(plan, dated=DATED)))


def headings(sheet):
    top = next(row[0].row for row in sheet.iter_rows() if row[0].value == "Run")
    return top, {cell.value: cell.column for cell in sheet[top]}


def fill(book, plan, *, value=50.0):
    sheet = book["Run sheet"]
    top, places = headings(sheet)
    for line in range(top + 1, top + 1 + len(plan.plan)):
        for heading, place in places.items():
            if "earth" in heading:
                sheet.cell(line, place).value = 1e5 if heading.startswith("Part") else 5e6
            elif "Film" in heading or "Wrap" in heading:
                sheet.cell(line, place).value = value
            elif "(0 to 5)" in heading:
                sheet.cell(line, place).value = 1
    return sheet, top, places


def read(book, plan, folder):
    path = folder / "filled.xlsx"
    book.save(path)
    return read_run_sheet(path, plan)


def test_same_bytes_and_the_plan_in_it(plan, book):
    assert run_sheet_xlsx(plan, dated=DATED) == run_sheet_xlsx(plan, dated=DATED)
    sheet = book["Run sheet"]
    top, places = headings(sheet)
    ids = [sheet.cell(line, 1).value for line in range(top + 1, sheet.max_row + 1)]
    assert ids == plan.plan["run_id"].tolist()
    standoff = [sheet.cell(line, places["Standoff [mm]"]).value for line in range(top + 1, sheet.max_row + 1)]
    assert standoff == plan.plan["standoff_mm"].tolist()
    assert {"Part to earth [Ω]", "Film, facing side 1 [µm]", "Wrap, reverse covered [%]", "Group"} <= set(places)


def test_it_can_be_printed_and_filled_in(plan, book):
    sheet = book["Run sheet"]
    top, places = headings(sheet)
    assert sheet.freeze_panes == f"B{top + 1}"
    assert sheet.print_title_rows == f"$1:${top}"
    assert (sheet.page_setup.fitToWidth, sheet.page_setup.orientation) == (1, "landscape")
    assert sheet.sheet_properties.pageSetUpPr.fitToPage
    texts = [cell.value for row in sheet.iter_rows(max_row=top) for cell in row]
    assert set(CAUTIONS) <= set(texts)
    rules = {str(rule.sqref).rstrip("0123456789").split(":")[0]: rule for rule in sheet.data_validations.dataValidation}
    expected = len(result_columns(plan.responses)) + len(GROUNDS)
    assert len(rules) == expected
    wrap = openpyxl.utils.get_column_letter(places["Wrap, reverse covered [%]"])
    (own,) = [rule for rule in sheet.data_validations.dataValidation if str(rule.sqref).startswith(wrap)]
    assert (own.type, own.formula1, own.formula2) == ("decimal", "0", "100")
    red = {
        (str(cells.sqref)[0], rule.operator, float(rule.formula[0]))
        for cells in sheet.conditional_formatting
        for rule in cells.rules
    }
    part, person = (openpyxl.utils.get_column_letter(places[f"{name} to earth [Ω]"]) for name in ("Part", "Operator"))
    # NFPA 33 and NFPA 77 (2000) 6.6.3: a part at most 1 megohm, a person 1 to 100 megohm.
    assert red == {(part, "greaterThan", 1e6), (person, "greaterThan", 1e8), (person, "lessThan", 1e6)}


def test_nothing_in_the_workbook_tells_when_it_was_made(plan):
    with zipfile.ZipFile(io.BytesIO(run_sheet_xlsx(plan, dated=DATED))) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(2027, 3, 5, 0, 0, 0)}
        properties = archive.read("docProps/core.xml").decode()
    assert set(re.findall(r"20\d\d-\d\d-\d\dT[0-9:]+Z", properties)) == {"2027-03-05T00:00:00Z"}


def test_no_text_becomes_a_formula(plan):
    nasty = dataclasses.replace(plan, plan=plan.plan.assign(crew="=HYPERLINK(0)\x07"), cautions=("+1", *CAUTIONS))
    sheet = openpyxl.load_workbook(io.BytesIO(run_sheet_xlsx(nasty, dated=DATED, title="@sum")))["Run sheet"]
    cells = [cell for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert not [cell for cell in cells if cell.data_type == "f"]
    (crew,) = {cell.value for cell in cells if str(cell.value).startswith("=")}
    assert crew == "=HYPERLINK(0)[U+0007]"
    assert all(cell.quotePrefix for cell in cells if str(cell.value).startswith(("=", "+", "@")))


def test_filled_sheet_comes_back_and_is_analysed(plan, book, tmp_path):
    sheet, top, places = fill(book, plan)
    sheet.cell(top + 1, places["Wrap, reverse covered [%]"]).value = "62.5"
    sheet.cell(top + 2, places["Note"]).value = "drip"
    back = read(book, plan, tmp_path)
    assert back.faults == ()
    assert (back.n, back.excluded, back.missing, back.set_aside) == (len(plan.plan), 0, 0, ())
    assert back.results["run_id"].tolist() == plan.plan["run_id"].tolist()
    assert back.results["wrap_pct"].tolist() == [62.5] + [50.0] * (len(plan.plan) - 1)
    assert back.results["note"].iloc[1] == "drip"
    assert analyse_trial(plan, back.results).n == len(plan.plan)


def test_rows_may_be_sorted_and_blank_rows_lie_between(plan, book, tmp_path):
    sheet, top, places = fill(book, plan)
    sheet.move_range(f"A{top + 2}:Z{top + 2}", rows=20)
    sheet.cell(top + 22, places["Wrap, reverse covered [%]"]).value = 11
    back = read(book, plan, tmp_path)
    assert back.faults == ()
    assert back.results["wrap_pct"].iloc[1] == 11


def test_blanks_are_counted(plan, book, tmp_path):
    sheet, top, places = fill(book, plan)
    sheet.cell(top + 1, places["Film, facing side 2 [µm]"]).value = None
    sheet.cell(top + 1, places["Part to earth [Ω]"]).value = "  "
    back = read(book, plan, tmp_path)
    assert back.missing == 2
    assert back.faults == ()
    assert pd.isna(back.results["facing_um_2"].iloc[0])


def test_a_changed_setting_or_day_sets_the_run_aside(plan, book, tmp_path):
    sheet, top, places = fill(book, plan)
    sheet.cell(top + 1, places["Standoff [mm]"]).value = 230
    sheet.cell(top + 2, places["Day"]).value = 9
    sheet.cell(top + 3, places["Brush wear when last known [%]"]).value = None
    back = read(book, plan, tmp_path)
    assert back.set_aside == tuple(plan.plan["run_id"].iloc[:3])
    assert back.results.loc[:2, "facing_um_1"].isna().all()
    assert back.n == len(plan.plan) - 3
    planned = plan.plan["standoff_mm"].iloc[0]
    assert str(back.faults[0]) == (
        f"filled.xlsx, sheet Run sheet, row {top + 1}, Standoff [mm]: must be as planned, {planned:g}; the run is set "
        "aside; given 230.0. Make the run as planned, or leave it out."
    )
    assert "Day" in back.faults[1].where
    assert back.faults[2].given == "None"
    assert back.missing == 0  # of the runs that are used


@pytest.mark.parametrize("given", ["much", "71,5", 101, -1, True, "1e400", "nan"])
def test_what_is_no_number_in_range_is_a_fault_and_missing(plan, book, tmp_path, given):
    sheet, top, places = fill(book, plan)
    sheet.cell(top + 1, places["Wrap, reverse covered [%]"]).value = given
    back = read(book, plan, tmp_path)
    (fault,) = back.faults
    assert fault.holds == "must be a number from 0 to 100"
    assert fault.where.endswith(f"row {top + 1}, Wrap, reverse covered [%]")
    assert pd.isna(back.results["wrap_pct"].iloc[0])
    assert back.results["facing_um_1"].iloc[0] == 50


def test_a_strange_or_repeated_run_is_a_fault(plan, book, tmp_path):
    sheet, top, _ = fill(book, plan)
    sheet.cell(top + 1, 1).value = "T0000-01"
    sheet.cell(top + 3, 1).value = plan.plan["run_id"].iloc[1]
    back = read(book, plan, tmp_path)
    assert [fault.holds for fault in back.faults] == ["must be a run of this trial", "must be there once"]
    assert back.set_aside == (plan.plan["run_id"].iloc[1],)
    assert back.n == len(plan.plan) - 3


def test_another_workbook_is_refused(plan, book, tmp_path):
    sheet = book["Run sheet"]
    top, places = headings(sheet)
    sheet.cell(top, places["Standoff [mm]"]).value = "Standoff [in]"
    with pytest.raises(SourceError, match=r"filled.xlsx: must have a row with each heading .*: Standoff \[mm\]"):
        read(book, plan, tmp_path)
    broken = tmp_path / "broken.xlsx"
    broken.write_bytes(b"PK nonsense")
    with pytest.raises(SourceError, match="must be a whole XLSX workbook"):
        read_run_sheet(broken, plan)


def test_pdf_is_the_same_each_time_and_holds_one_table_a_day(plan, tmp_path):
    pdf = run_sheet_pdf(plan, dated=DATED)
    assert pdf == run_sheet_pdf(plan, dated=DATED)
    assert pdf != run_sheet_pdf(plan, dated=date(2027, 3, 6))
    program = shutil.which("pdftotext")
    if program is None:
        pytest.skip("pdftotext is not installed")
    (tmp_path / "sheet.pdf").write_bytes(pdf)
    done = subprocess.run([program, "-raw", str(tmp_path / "sheet.pdf"), "-"], capture_output=True, check=True)
    text = re.sub(r"\s+", " ", done.stdout.decode())
    for words in (*plan.cautions, *plan.plan["run_id"], "Day 1, crew OP1", "Day 2, crew OP2"):
        assert words in text, words
    assert "Standoff 160 mm (6.3 in) 190 mm (7.5 in)" in text  # 160 / 25.4 and 190 / 25.4
    assert "fit a brush of that wear; changed by group only" in text
    assert text.count(CAUTIONS[0]) == 1 + len(pypdf.PdfReader(io.BytesIO(pdf)).pages)


def test_a_trial_that_cannot_be_planned_prints_why():
    none = plan_trial(NONE, pd.DataFrame({"run_id": []}), load_conditions(), seed=1)
    assert none.why
    assert run_sheet_pdf(none, dated=DATED)[:5] == b"%PDF-"
    sheet = openpyxl.load_workbook(io.BytesIO(run_sheet_xlsx(none, dated=DATED)))["How"]
    texts = [cell.value for row in sheet.iter_rows() for cell in row]
    assert f"Nothing is to be sprayed: {none.why}." in texts
