import datetime as dt

import numpy as np
import pytest

from auditkit.contracts import contract, load_contracts
from auditkit.intake.cells import blank_cells, blank_column, type_column
from auditkit.intake.declaration import Reading
from auditkit.intake.word_cells import SheetError

READINGS = contract("film_readings")


def cells(*values):
    made = np.empty(len(values), dtype=object)
    made[:] = values
    return made


COLUMNS = {f"{each.name}.{column.name}": column for each in load_contracts().values() for column in each.columns}


@pytest.mark.parametrize("name", COLUMNS)
def test_every_column_gets_its_dtype_and_its_example(name):
    column = COLUMNS[name]
    typed = type_column(cells(str(column.example), "", None), column, reading=Reading())
    assert typed.values.dtype == column.dtype
    assert typed.values.isna().tolist() == [False, True, True]
    assert typed.faults == ()
    assert blank_column(2, column).values.dtype == column.dtype
    assert blank_column(2, column).values.isna().all()
    assert blank_column(0, column).values.empty


def test_the_same_fault_is_told_for_every_row():
    typed = type_column(cells("x", "1", "x"), READINGS.column("dft_um"), reading=Reading())
    assert [row for row, _ in typed.faults] == [0, 2]
    assert typed.unread.tolist() == [True, False, True]


def test_words_that_mean_no_value_are_blank_in_any_letter_case():
    reading = Reading(missing=frozenset({"n/a", "-999", "nan"}))
    given = cells(" N/A ", -999.0, "-999", float("nan"), "7")
    assert type_column(given, READINGS.column("dft_um"), reading=reading).values.isna().tolist() == [True] * 4 + [False]
    assert blank_cells(given, reading).tolist() == [True] * 4 + [False]


def test_words_of_the_file_get_their_meaning():
    typed = type_column(cells("Front", "facing"), READINGS.column("side"), reading=Reading(), words={"front": "facing"})
    assert typed.values.tolist() == ["facing", "facing"]


def test_units_are_converted_and_rounded_as_the_contract_says():
    typed = type_column(cells("2.4", ""), READINGS.column("dft_um"), reading=Reading(), unit="mil")
    assert typed.values.tolist()[0] == 60.96  # 2.4 thousandths of 25 400 um
    assert typed.values.isna().tolist() == [False, True]


def test_errors_of_a_spreadsheet_are_no_blanks():
    typed = type_column(cells(SheetError("#N/A")), READINGS.column("gauge_id"), reading=Reading())
    assert typed.faults[0][1].holds == "must be a value, but the cell holds the error #N/A"


def test_equal_cells_of_different_kinds_stay_apart():
    typed = type_column(cells(1, True, 1.0), READINGS.column("spot"), reading=Reading())
    assert typed.unread.tolist() == [False, True, False]


def test_cells_are_left_unchanged():
    given = cells(" 1 ", dt.date(2027, 1, 1), None)
    before = given.copy()
    type_column(given, READINGS.column("spot"), reading=Reading())
    assert given.tolist() == before.tolist()


def test_an_open_circuit_is_the_same_in_whatever_unit_the_meter_shows():
    ground = contract("spray_runs").column("part_ground_ohm")
    given = cells("OL", "0.042", None, " o.l ", float("inf"), "abt 1", "OL")
    for unit, low in ((None, 0.042), ("mohm", 42_000.0)):
        typed = type_column(given, ground, reading=Reading(), unit=unit)
        assert typed.values.fillna(-1.0).tolist() == [1e18, low, -1.0, 1e18, 1e18, -1.0, 1e18]
        assert typed.open_circuits == 4
        assert [row for row, _ in typed.faults] == [5]


def test_a_word_declared_as_no_value_or_as_another_goes_before_an_open_circuit():
    ground = contract("spray_runs").column("part_ground_ohm")
    blank = type_column(cells("OL", "1"), ground, reading=Reading(missing=frozenset({"ol"})))
    assert blank.values.isna().tolist() == [True, False]
    assert blank.open_circuits == 0
    mapped = type_column(cells("off scale", "OL"), ground, reading=Reading(), words={"off scale": "OL", "ol": "5e6"})
    assert mapped.values.tolist() == [1e18, 5e6]
    assert mapped.open_circuits == 1


def test_other_columns_have_no_open_circuits():
    typed = type_column(cells("inf", "7"), READINGS.column("dft_um"), reading=Reading())
    assert typed.open_circuits == 0
    assert typed.faults[0][1].holds == "must be a finite number"
