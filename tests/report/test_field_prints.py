"""Field sheets on paper: one page each, every column and word of the contract on it."""

import io
import re
import shutil
import subprocess
from datetime import date

import pypdf
import pytest

from auditkit.contracts import contract, load_contracts
from auditkit.report.field_prints import field_print
from auditkit.trade.grounding import CAUTIONS
from auditkit.views.sentences import unit_sign

DATED = date(2027, 3, 5)
KINDS = list(load_contracts())


def text_of(pdf, folder):
    program = shutil.which("pdftotext")
    if program is None:
        pytest.skip("pdftotext is not installed")
    path = folder / "sheet.pdf"
    path.write_bytes(pdf)
    done = subprocess.run([program, "-raw", str(path), "-"], capture_output=True, check=True)
    return re.sub(r"\s+", " ", done.stdout.decode())


@pytest.mark.parametrize("name", KINDS)
def test_one_page_holds_every_column_unit_word_and_example(name, tmp_path):
    pdf = field_print(contract(name), dated=DATED, time_zone="Europe/Oslo")
    (page,) = pypdf.PdfReader(io.BytesIO(pdf)).pages
    assert float(page.mediabox.width) > float(page.mediabox.height)
    text = text_of(pdf, tmp_path)
    for column in contract(name).columns:
        sign = f" [{unit_sign(column.unit)}]" if column.unit else ""
        assert f"{column.title}{'' if column.nullable else ' *'}{sign}" in text
        for word in column.choices:
            assert word in text
    assert "The row e.g. is an example and is never read as a record." in text
    assert ("Times are local times of Europe/Oslo" in text) == any(
        column.kind == "moment" for column in contract(name).columns
    )
    numbers = re.findall(r"(?<= )\d+(?= )", text.partition("e.g. is an example")[2])
    assert {"1", "2", "3", "4", "5"} <= set(numbers)


@pytest.mark.parametrize("name", KINDS)
def test_cautions_stand_where_grounds_and_the_start_are_written_down(name, tmp_path):
    text = text_of(field_print(contract(name), dated=DATED), tmp_path)
    for caution in CAUTIONS:
        assert (caution in text) == (name in ("spray_runs", "startup_checks"))


def test_ranges_and_the_word_for_an_open_circuit_stand_under_the_titles(tmp_path):
    text = text_of(field_print(contract("spray_runs"), dated=DATED), tmp_path)
    for words in ("Standoff [mm] 20 to 1,500", "0 or more, or OL", "parallel / circular / cross"):
        assert words in text
    assert "Surface profile * words above" not in text
    cups = text_of(field_print(contract("pressure_settings"), dated=DATED), tmp_path)
    assert f"Cup: {', '.join(contract('pressure_settings').column('cup').choices)}." in cups
    assert "Cup words above" in cups


def test_wide_records_stand_in_bands_whose_columns_follow_on(tmp_path):
    text = text_of(field_print(contract("spray_runs"), dated=DATED), tmp_path)
    assert "Columns 1 to 9" in text
    assert "Columns 10 to 18" in text
    assert "Columns 1 to" not in text_of(field_print(contract("areas"), dated=DATED), tmp_path)


def test_same_bytes_from_the_same_content():
    made = field_print(contract("areas"), dated=DATED)
    assert made == field_print(contract("areas"), dated=DATED)
    assert made != field_print(contract("areas"), dated=date(2027, 3, 6))
