"""Sheets as files: which are written, with which identifiers to choose from, and that nobody's entries are lost."""

import io
from datetime import date

import openpyxl
import pandas as pd
import pytest

from auditkit.contracts import load_contracts
from auditkit.errors import ContractError, SourceError
from auditkit.intake import read_dossier
from auditkit.report.sheet_files import FIELD_FOLDER, blank_sheets, field_sheets_of, known_ids

from .small_dossier import write_small

DATED = date(2027, 3, 5)
KINDS = list(load_contracts())


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    return read_dossier(write_small(tmp_path_factory.mktemp("small") / "records"))


@pytest.fixture(scope="module")
def blank(tmp_path_factory):
    out = tmp_path_factory.mktemp("blank")
    return out, blank_sheets(out, dated=DATED)


def test_blank_sheets_are_written_for_every_kind_with_the_dictionary(blank):
    out, paths = blank
    expected = {f"{FIELD_FOLDER}/{name}.xlsx" for name in KINDS} | {f"field_sheet_{name}.pdf" for name in KINDS}
    assert set(paths) == expected | {"startup_sheet.pdf", "upkeep_sheet.pdf", "data_dictionary.html"}
    assert {path.relative_to(out).as_posix() for path in out.rglob("*") if path.is_file()} == set(paths)
    assert all(path == out / name for name, path in paths.items())


def test_the_folder_to_fill_in_can_be_read_as_a_folder_of_records(blank):
    with pytest.raises(SourceError, match="must hold at least one row of records; given none"):
        read_dossier(blank[0] / FIELD_FOLDER)


def test_some_kinds_alone_and_no_other_file(tmp_path):
    paths = blank_sheets(tmp_path, dated=DATED, records=["units", "areas", "units"])
    assert list(paths) == [
        "field_sheets/units.xlsx", "field_sheet_units.pdf", "field_sheets/areas.xlsx", "field_sheet_areas.pdf"
    ]  # fmt: skip


def test_an_unknown_kind_is_refused_and_nothing_written(tmp_path):
    with pytest.raises(ContractError, match="'unit' is no kind of record; write 'units'"):
        blank_sheets(tmp_path / "out", dated=DATED, records=["areas", "unit"])
    assert not (tmp_path / "out").exists()


def test_a_workbook_that_was_filled_in_is_not_written_over_and_no_other_file_is(tmp_path):
    blank_sheets(tmp_path, dated=DATED, records=["units"])
    blank_sheets(tmp_path, dated=date(2027, 3, 6), records=["units"])  # blank still
    path = tmp_path / FIELD_FOLDER / "units.xlsx"
    book = openpyxl.load_workbook(path)
    book.worksheets[0]["A6"] = "U1"
    book.save(path)
    before = {found: found.read_bytes() for found in tmp_path.rglob("*.*")}
    with pytest.raises(SourceError) as caught:
        blank_sheets(tmp_path, dated=DATED)
    assert str(caught.value) == (
        f"{path}: must be blank to be written over; given a workbook saved since. "
        "Move it to the folder of records, or give --out another folder."
    )
    assert {found: found.read_bytes() for found in tmp_path.rglob("*.*")} == before


def test_a_file_in_place_of_a_folder_is_refused(tmp_path):
    (tmp_path / "out").write_text("")
    with pytest.raises(SourceError, match="must be a folder"):
        blank_sheets(tmp_path / "out", dated=DATED, records=["units"])
    (tmp_path / FIELD_FOLDER / "units.xlsx").mkdir(parents=True)
    with pytest.raises(SourceError, match=r"units\.xlsx: must be a file that can be read"):
        blank_sheets(tmp_path, dated=DATED, records=["units"])


def lists(path):
    book = openpyxl.load_workbook(io.BytesIO(path.read_bytes()))
    columns = book["Lists"].iter_cols(min_row=2, values_only=True)
    return {name: [word for word in words if word is not None] for name, *words in columns}


def test_a_dossiers_own_identifiers_are_offered_and_its_time_zone_stands_in_the_headers(small, tmp_path):
    paths = field_sheets_of(small, tmp_path, records=["film_readings", "spray_runs"])
    film = lists(paths["field_sheets/film_readings.xlsx"])
    assert film == {"area_id": ["A1", "A2"], "side": ["facing", "reverse", "edge"], "gauge_id": ["G1"]}
    runs = lists(paths["field_sheets/spray_runs.xlsx"])
    assert (runs["unit_id"], runs["operator_id"]) == (["U1"], ["OP1", "OP2"])
    assert "run_id" not in runs
    sheet = openpyxl.load_workbook(paths["field_sheets/film_readings.xlsx"]).worksheets[0]
    assert "taken_at [Europe/Oslo]" in [cell.value for row in sheet.iter_rows(max_row=9) for cell in row]
    again = field_sheets_of(small, tmp_path / "b", records=["film_readings"], time_zone="UTC")
    sheet = openpyxl.load_workbook(again["field_sheets/film_readings.xlsx"]).worksheets[0]
    assert "taken_at [UTC]" in [cell.value for row in sheet.iter_rows(max_row=9) for cell in row]


def test_where_no_time_zone_is_declared_none_is_guessed(tmp_path):
    (tmp_path / "units.csv").write_text("unit_id,in_service_at\nU1,2027-01-05T07:30:00+01:00\n")
    paths = field_sheets_of(read_dossier(tmp_path), tmp_path / "out", records=["units"])
    sheet = openpyxl.load_workbook(paths["field_sheets/units.xlsx"]).worksheets[0]
    texts = [cell.value for row in sheet.iter_rows(max_row=9) for cell in row]
    assert "in_service_at" in texts
    assert any("their time_zone must stand in dossier.yaml" in str(text) for text in texts)


def test_same_bytes_from_the_same_dossier(small, tmp_path):
    one = field_sheets_of(small, tmp_path / "a", records=["defects"])
    two = field_sheets_of(small, tmp_path / "b", records=["defects"])
    assert [path.read_bytes() for path in one.values()] == [path.read_bytes() for path in two.values()]


def test_known_ids_whatever_the_order_of_rows_and_without_blanks(small):
    contracts = load_contracts()
    known = known_ids(small.tables, contracts)
    turned = known_ids({name: table.iloc[::-1] for name, table in small.tables.items()}, contracts)
    assert known == turned
    assert known["run_id"] == ["R1", "R2"]
    assert "site" not in known


def test_more_than_can_be_chosen_from_are_not_offered():
    contracts = {"areas": load_contracts()["areas"]}
    for count, offered in ((500, True), (501, False), (0, False)):
        areas = pd.DataFrame({"area_id": [f"A{n}" for n in range(count)], "job_id": "J1"})
        assert ("area_id" in known_ids({"areas": areas}, contracts)) == offered
