import datetime as dt

import pytest

from auditkit.contracts import contract
from auditkit.intake.word_cells import SheetError, as_text, choice_reader, read_text_cell, read_yes_no, trim

SIDE = contract("film_readings").column("side")


@pytest.mark.parametrize("blank", ["", " ", "\t", "\u00a0", "\u202f", "\ufeff", "\u200b \u00a0"])
def test_blanks_of_any_width_are_trimmed(blank):
    assert trim(f"{blank}A 1{blank}") == "A 1"


def test_text_is_kept_as_it_is_inside():
    assert read_text_cell("bow,  \u00a0port\nupper") == "bow,  \u00a0port\nupper"
    assert read_text_cell("Gerät µ 日本") == "Gerät µ 日本"


@pytest.mark.parametrize(
    ("letter", "point"),
    [("\x00", "0000"), ("\x07", "0007"), ("\x1b", "001B"), ("\x9f", "009F"), ("\u200b", "200B"), ("\u202e", "202E")],
)
def test_control_characters_are_refused(letter, point):
    fault = read_text_cell(f"A{letter}1")
    assert fault.rule == "type"
    assert fault.cure == f"remove the character U+{point}"


@pytest.mark.parametrize(("cell", "text"), [(12.0, "12"), (12, "12"), (2.5, "2.5")])
def test_numbers_in_text_cells_are_taken_as_shown(cell, text):
    assert read_text_cell(cell) == text


@pytest.mark.parametrize("cell", [True, dt.date(2027, 1, 2), dt.time(1), dt.timedelta(1), b"x"])
def test_what_a_spreadsheet_may_have_made_of_text_is_refused(cell):
    assert read_text_cell(cell).cure == "format the cell as text and write it again"


def test_choices_are_read_in_any_letter_case():
    read = choice_reader(SIDE)
    assert read("FACING") == "facing"


def test_an_unknown_choice_lists_those_allowed_and_the_near_one():
    fault = choice_reader(SIDE)("facng")
    assert fault.holds == "must be one of facing, reverse, edge"
    assert fault.cure == "did you mean 'facing'? correct the word, or give it under values in dossier.yaml"
    assert choice_reader(SIDE)("?").cure == "correct the word, or give it under values in dossier.yaml"
    assert choice_reader(SIDE)(True).rule == "type"


@pytest.mark.parametrize("cell", ["yes", "Y", "TRUE", "true", "1", 1.0, 1, True], ids=repr)
def test_yes(cell):
    assert read_yes_no(cell) is True


@pytest.mark.parametrize("cell", ["no", "N", "False", "0", 0.0, 0, False], ids=repr)
def test_no(cell):
    assert read_yes_no(cell) is False


@pytest.mark.parametrize("cell", ["ja", "2", 2.0, "on", dt.date(2027, 1, 1)], ids=repr)
def test_neither(cell):
    assert read_yes_no(cell).holds == "must be yes or no"


def test_cells_as_received():
    assert as_text(dt.datetime(2027, 1, 13, 9, 5)) == "2027-01-13 09:05:00"
    assert as_text(SheetError("#REF!")) == "#REF!"
    assert as_text("  x ") == "  x "
    assert as_text(0.1) == "0.1"
