import datetime as dt
import math
from decimal import Decimal

import pytest

from auditkit.contracts import contract, load_contracts
from auditkit.contracts.catalogue import Wording
from auditkit.intake.declaration import Reading
from auditkit.intake.number_cells import OPEN_CIRCUIT_OHM, OPEN_CIRCUIT_WORDS, number_reader

DFT = contract("film_readings").column("dft_um")
SPOT = contract("film_readings").column("spot")
QUANTITY = contract("defects").column("quantity")
GROUND = contract("spray_runs").column("part_ground_ohm")


def of(cell, column=DFT, **marks):
    return number_reader(column, Reading(**marks))(cell)


@pytest.mark.parametrize(
    ("text", "number"),
    [("74.5", 74.5), ("+3", 3.0), ("-0.5", -0.5), (".5", 0.5), ("5.", 5.0), ("7.45e1", 74.5), ("1E+2", 100.0)],
)
def test_plain_numbers_need_no_declaration(text, number):
    assert of(text) == number


@pytest.mark.parametrize(
    ("text", "marks", "number"),
    [
        ("3,5", {"decimal": ","}, 3.5),
        ("1.234,5", {"decimal": ",", "thousands": "."}, 1234.5),
        ("1,234.5", {"decimal": ".", "thousands": ","}, 1234.5),
        ("1,234,567", {"thousands": ","}, 1234567.0),
        ("1.234", {"thousands": "."}, 1234.0),
        ("1 234,5", {"decimal": ",", "thousands": "space"}, 1234.5),
        ("1\u00a0234", {"thousands": "space"}, 1234.0),
        ("1\u202f234", {"thousands": "space"}, 1234.0),
        ("1234", {"thousands": ","}, 1234.0),
        ("3,5e2", {"decimal": ",", "thousands": "none"}, 350.0),
    ],
)
def test_declared_marks_are_read(text, marks, number):
    assert of(text, **marks) == number


def test_a_number_that_could_be_two_is_refused():
    fault = of("1,234")
    assert fault == Wording(
        "ambiguous",
        "must be read one way only; it could be 1.234 or 1 234",
        "declare decimal and thousands in dossier.yaml",
    )
    assert of("-1,234").holds.endswith("it could be -1.234 or -1 234")


@pytest.mark.parametrize(
    ("text", "marks", "rule", "cure"),
    [
        ("3,5", {}, "ambiguous", "declare decimal: ',' in dossier.yaml"),
        ("0,123", {}, "ambiguous", "declare decimal: ',' in dossier.yaml"),
        ("1.234,5", {}, "ambiguous", "declare decimal: ',' in dossier.yaml"),
        ("1,234,567", {}, "ambiguous", "declare thousands: ',' in dossier.yaml"),
        ("1,234.5", {}, "ambiguous", "declare thousands: ',' in dossier.yaml"),
        ("1 234", {}, "ambiguous", "declare thousands: space in dossier.yaml"),
        ("1.234.567", {}, "ambiguous", "declare thousands: '.' in dossier.yaml"),
        ("1.234", {"decimal": ","}, "ambiguous", "declare thousands: '.' in dossier.yaml"),
        ("1,234", {"decimal": "."}, "ambiguous", "declare thousands: ',' in dossier.yaml"),
        ("1 234,5", {"decimal": ","}, "ambiguous", "declare thousands: space in dossier.yaml"),
        ("3.5", {"decimal": ","}, "type", "correct the number, or the declaration of the table in dossier.yaml"),
        ("12,34", {"thousands": ","}, "type", "correct the number, or the declaration of the table in dossier.yaml"),
        (
            "1,234",
            {"thousands": "none", "decimal": "."},
            "type",
            "correct the number, or the declaration of the table in dossier.yaml",
        ),
    ],
)
def test_marks_not_declared_are_refused_with_the_cure(text, marks, rule, cure):
    fault = of(text, **marks)
    assert (fault.rule, fault.cure) == (rule, cure)


@pytest.mark.parametrize(
    ("text", "cure"),
    [
        ("62 um", "write 62 alone and give the unit once in dossier.yaml (units: {dft_um: um})"),
        ("2.4mil", "write 2.4 alone and give the unit once in dossier.yaml (units: {dft_um: mil})"),
        ("62 µm", "write 62 alone and give the unit once in dossier.yaml (units: {dft_um: µm})"),
    ],
)
def test_a_unit_in_the_cell_is_refused_with_the_cure(text, cure):
    assert of(text).cure == cure
    assert of(text).holds == "must be a number without its unit"


@pytest.mark.parametrize(
    "text", ["62 psi", "abt 70", "<5", "70-80", "1.2.3", "--3", "1e", "0x10", "1_000", "1 23", "12:5"]
)
def test_what_is_no_number_is_refused(text):
    assert of(text).rule in ("type", "ambiguous")
    assert isinstance(of(text), Wording)


def test_a_unit_of_a_column_without_unit_is_just_no_number():
    assert of("3 mm", QUANTITY).holds == "must be a number"


@pytest.mark.parametrize("text", ["nan", "NaN", "inf", "-Infinity", "1e999"])
def test_what_is_not_finite_is_refused(text):
    assert of(text).holds == "must be a finite number"


@pytest.mark.parametrize("text", ["\u0667\u0664", "\uff17\uff14", "\u096d\u096a.\u096b"])
def test_other_digits_are_refused(text):
    assert of(text).holds == "must be written in the digits 0 to 9"


@pytest.mark.parametrize(("cell", "number"), [("3", 3), ("3.0", 3), (3.0, 3), (3, 3), ("1e2", 100)], ids=repr)
def test_whole_numbers_are_taken(cell, number):
    value = of(cell, SPOT)
    assert value == number
    assert isinstance(value, int)


def test_fractions_and_giants_are_no_whole_numbers():
    assert of("3.5", SPOT).holds == "must be a whole number"
    assert of("1e15", SPOT).holds == "must be a whole number of at most 15 digits"


@pytest.mark.parametrize(("cell", "number"), [(74.5, 74.5), (3, 3.0), (Decimal("2.5"), 2.5)])
def test_number_cells_are_taken(cell, number):
    assert of(cell) == number


@pytest.mark.parametrize(
    ("cell", "what"),
    [
        (True, "true or false"),
        (dt.date(2027, 1, 1), "a date or time"),
        (dt.timedelta(1), "a duration"),
        (b"3", "no single value"),
    ],
)
def test_other_cells_are_refused(cell, what):
    assert of(cell).holds == f"must be a number, but the cell holds {what}"


def test_not_a_number_cells_are_refused():
    assert of(float("nan")).holds == "must be a finite number"


@pytest.mark.parametrize("cell", [*OPEN_CIRCUIT_WORDS, "ol", "Open", ">max", "INF", float("inf")], ids=repr)
def test_a_resistance_over_the_meter_s_range_is_infinite(cell):
    # OL for overload is what digital multimeters show over their range: common practice, no source
    assert of(cell, GROUND) == math.inf


@pytest.mark.parametrize("cell", [*OPEN_CIRCUIT_WORDS, float("inf")], ids=repr)
def test_no_other_quantity_is_ever_over_range(cell):
    for column in (DFT, SPOT, QUANTITY):
        assert isinstance(of(cell, column), Wording)


@pytest.mark.parametrize(
    "cell", ["-inf", "-OL", "1e999", "OL 5", "opened", float("-inf"), float("nan"), "nan"], ids=repr
)
def test_what_is_no_over_range_is_refused_of_a_resistance_too(cell):
    assert isinstance(of(cell, GROUND), Wording)


def test_every_contract_admits_an_open_circuit_where_it_asks_for_ohm():
    columns = [column for each in load_contracts().values() for column in each.columns if column.unit == "ohm"]
    assert [column.name for column in columns] == ["part_ground_ohm", "operator_ground_ohm"]
    assert {column.maximum for column in columns} == {OPEN_CIRCUIT_OHM}
