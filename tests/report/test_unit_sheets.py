"""Sheets for a unit: one page each, with every rule and caution, and what is known and overdue."""

import io
import re
import shutil
import subprocess
from datetime import date

import pandas as pd
import pypdf
import pytest

from auditkit.report.sheets import SheetColumn, SheetPart, print_sheet
from auditkit.report.unit_sheets import last_known_parts, startup_sheet, upkeep_sheet
from auditkit.trade.grounding import CAUTIONS, RUN_RULES, STARTUP_RULES
from auditkit.trade.upkeep import PARTS

DATED = date(2027, 3, 5)
PARTS_KNOWN = pd.DataFrame(
    {
        "unit_id": ["U1", "U1", "U2"],
        "part": ["brush", "filter", "brush"],
        "found": ["good", None, "worn"],
        "inspected_d": [1.2, None, 30.0],
        "wear_pct": [35.0, None, 88.0],
    }
)
OVERDUE = pd.DataFrame(
    {
        "unit_id": ["U1", "U1", "U2"],
        "part": ["brush", "brush", "bell"],
        "rule": ["inspect", "bad: worn", "clean"],
        "due": ["to be looked at every 5 d of use", "put right", "to be cleaned every 1 d of use"],
        "days_over": [1.0, None, 4.0],
        "probability": [None, 0.73, None],
    }
)


def pages(pdf):
    return len(pypdf.PdfReader(io.BytesIO(pdf)).pages)


def text_of(pdf, folder):
    """Return the text of a PDF as any reader finds it, lines joined."""
    program = shutil.which("pdftotext")
    if program is None:
        pytest.skip("pdftotext is not installed")
    path = folder / "sheet.pdf"
    path.write_bytes(pdf)
    done = subprocess.run([program, "-layout", str(path), "-"], capture_output=True, check=True)
    return re.sub(r"\s+", " ", done.stdout.decode())


def raw_text_of(pdf, folder):
    """Return the text in the order in which it was set, for cells of several lines."""
    program = shutil.which("pdftotext")
    if program is None:
        pytest.skip("pdftotext is not installed")
    path = folder / "sheet.pdf"
    path.write_bytes(pdf)
    done = subprocess.run([program, "-raw", str(path), "-"], capture_output=True, check=True)
    return re.sub(r"\s+", " ", done.stdout.decode())


@pytest.mark.parametrize(
    "sheet",
    [
        startup_sheet(dated=DATED),
        startup_sheet(dated=DATED, unit_id="U1"),
        upkeep_sheet("", dated=DATED),
        upkeep_sheet("U1", dated=DATED, parts=PARTS_KNOWN, overdue=OVERDUE),
    ],
    ids=["start-up", "start-up U1", "upkeep", "upkeep U1"],
)
def test_each_is_one_page_with_the_cautions(sheet, tmp_path):
    assert pages(sheet) == 1
    text = raw_text_of(sheet, tmp_path)
    for caution in CAUTIONS:
        assert caution in text


def test_same_bytes_from_the_same_content():
    assert startup_sheet(dated=DATED) == startup_sheet(dated=DATED)
    assert startup_sheet(dated=DATED) != startup_sheet(dated=date(2027, 3, 6))
    turned = upkeep_sheet("U1", dated=DATED, parts=PARTS_KNOWN.iloc[::-1])
    assert turned == upkeep_sheet("U1", dated=DATED, parts=PARTS_KNOWN)


def test_startup_sheet_holds_every_rule_limit_and_source(tmp_path):
    text = raw_text_of(startup_sheet(dated=DATED, unit_id="U1"), tmp_path)
    for rule in (*STARTUP_RULES, *RUN_RULES):
        assert rule.name in text
        assert rule.source in text
    # 20 ft is 6.096 m: rounded up, to the safe side. 1 and 100 megohm: NFPA 77 (2000) 6.6.3.
    for limit in ("6.1 m or more", "1 MΩ or less", "100 MΩ or less", "1 MΩ or more"):
        assert limit in text.replace("\u00a0", " ")
    assert "stop work and get a competent person. A blank is not a pass." in text
    assert text.count("yes / no") == len(STARTUP_RULES) + len(RUN_RULES)


def test_upkeep_sheet_holds_every_part_and_only_its_own_unit(tmp_path):
    text = raw_text_of(upkeep_sheet("U1", dated=DATED, parts=PARTS_KNOWN, overdue=OVERDUE), tmp_path)
    for part in PARTS:
        assert part in text
    assert "35 %" in text
    assert "88 %" not in text
    assert "to be looked at every 5 d of use (1 day over); worn with 73 % probability" in text
    assert "4 days over" not in text
    assert "1 day before" in text
    assert "as recorded up to 2027-03-05" in text
    assert text.count("cleaned / replaced") == len(PARTS)


def test_upkeep_sheet_without_records_says_so(tmp_path):
    text = raw_text_of(upkeep_sheet("U9", dated=DATED, parts=PARTS_KNOWN), tmp_path)
    assert "Nothing is known of this unit's parts from records; look at every one." in text
    assert text.count("not known") == 2 * len(PARTS)


def test_the_worst_case_still_fits_one_page():
    rows = [(part, rule) for part in PARTS for rule in ("inspect", "clean", "replace", "bad: worn", "bad: clogged")]
    late = pd.DataFrame(rows, columns=["part", "rule"]).assign(
        unit_id="U1",
        due="to be looked at and cleaned and replaced every 20 d of use",
        days_over=123.0,
        probability=None,
    )
    assert pages(upkeep_sheet("U1", dated=DATED, parts=PARTS_KNOWN, overdue=late)) == 1


def test_markup_in_records_is_printed_as_it_stands(tmp_path):
    parts = PARTS_KNOWN.assign(found='#panic("x") $a$ *b*')
    assert '#panic("x") $a$ *b*' in raw_text_of(upkeep_sheet("U1", dated=DATED, parts=parts), tmp_path).replace(
        "“", '"'
    )


def test_a_long_list_runs_over_with_its_cautions_on_each_page(tmp_path):
    part = SheetPart(columns=[SheetColumn(heading="Head", share=1)], rows=[[f"row {n}"] for n in range(60)], row_mm=8)
    pdf = print_sheet([part], title="Long", signature=["By"], dated=DATED, one_page=False)
    assert pages(pdf) > 1
    text = text_of(pdf, tmp_path)
    assert text.count("Head") == pages(pdf)
    assert text.count(CAUTIONS[0]) == pages(pdf) + 1


def test_last_known_parts_by_hand():
    at = pd.to_datetime(["2027-01-05T08:00Z", "2027-01-08T08:00Z", "2027-01-20T08:00Z"])
    notes = pd.DataFrame(
        {
            "unit_id": "U1",
            "part": "brush",
            "action": ["inspected", "replaced", "inspected"],
            "wear_pct": [45.0, 60.0, 5.0],
            "found": ["good", "worn", "good"],
            "done_at": at,
        }
    )
    known = last_known_parts(["U2", "U1", "U1"], notes, as_at=pd.Timestamp("2027-01-10T08:00Z"))
    assert known["unit_id"].tolist() == ["U1"] * len(PARTS) + ["U2"] * len(PARTS)
    assert known["part"].tolist() == [*PARTS, *PARTS]
    brush = known[(known["unit_id"] == "U1") & (known["part"] == "brush")].iloc[0]
    assert (brush["found"], brush["inspected_d"], brush["wear_pct"]) == ("worn", 2.0, 0.0)
    assert known[known["unit_id"] == "U2"]["inspected_d"].isna().all()
    assert last_known_parts([], notes, as_at=pd.Timestamp("2027-01-10T08:00Z")).empty


def test_what_is_refused():
    with pytest.raises(ValueError, match=r"parts must have the columns \['wear_pct'\]"):
        upkeep_sheet("U1", dated=DATED, parts=PARTS_KNOWN.drop(columns="wear_pct"))
    with pytest.raises(ValueError, match=r"overdue must have the columns \['due'\]"):
        upkeep_sheet("U1", dated=DATED, overdue=OVERDUE.drop(columns="due"))
