"""Field sheets: what the contract asks stands in them, and a filled sheet comes back as what it was filled from."""

import io
import re
import zipfile
from datetime import UTC, date, datetime
from functools import cache
from zoneinfo import ZoneInfo

import openpyxl
import pandas as pd
import pytest
import yaml

from auditkit.contracts import contract, load_contracts
from auditkit.errors import SourceError
from auditkit.intake import read_dossier
from auditkit.intake.declaration import Reading
from auditkit.intake.moment_cells import moment_reader
from auditkit.intake.number_cells import OPEN_CIRCUIT_OHM
from auditkit.paths import schemas_folder
from auditkit.report.field_sheets import OPEN_WORD, field_sheet, guide_lines, heading
from auditkit.report.pseudonyms import new_key
from auditkit.report.received import cells_as_received
from auditkit.report.redaction import redact_records
from auditkit.report.sheet_files import known_ids
from auditkit.trade.grounding import CAUTIONS
from auditkit.views.sentences import unit_sign

from .small_dossier import write_small

DATED = date(2027, 3, 5)
ZONE = "Europe/Oslo"
KINDS = list(load_contracts())
ROWS = 1000


@cache
def bytes_of(name, time_zone):
    return field_sheet(contract(name), dated=DATED, time_zone=time_zone)


def book_of(name, *, time_zone=None, known=None):
    made = field_sheet(contract(name), dated=DATED, time_zone=time_zone, known=known) if known else None
    return openpyxl.load_workbook(io.BytesIO(made or bytes_of(name, time_zone)))


def head(sheet):
    """Return the row of the header and the place of each column, found as a person does: below the grey row."""
    (grey,) = (row[0].row for row in sheet.iter_rows() if str(row[0].value).startswith("## e.g. "))
    return grey + 1, {str(cell.value).split(" [")[0]: cell.column for cell in sheet[grey + 1]}


def typed(value, column):
    """Return what a person types for an accepted value; a local date and time, a drop-down's word, a number."""
    if pd.isna(value):
        return None
    if column.kind == "moment":
        return value.tz_convert(ZONE).tz_localize(None).to_pydatetime()
    if column.kind == "yes-no":
        return "yes" if value else "no"
    if column.kind == "number":
        return OPEN_WORD if value == OPEN_CIRCUIT_OHM else float(value)
    return int(value) if column.kind == "integer" else value


def fill(book, name, table):
    sheet = book.worksheets[0]
    top, places = head(sheet)
    for column in contract(name).columns:
        for line, value in enumerate(table[column.name], start=top + 1):
            cell = typed(value, column)
            if cell is not None:
                sheet.cell(line, places[column.name]).value = cell


@pytest.fixture(scope="module")
def filled(clean_dossier, tmp_path_factory):
    """Return the folder of the clean sample's records, every kind written into its own sheet, and no declaration."""
    folder = tmp_path_factory.mktemp("filled")
    known = known_ids(clean_dossier.tables, load_contracts())
    for name in KINDS:
        book = book_of(name, time_zone=ZONE, known=known)
        fill(book, name, clean_dossier.tables[name])
        book.save(folder / f"{name}.xlsx")
    return folder


@pytest.fixture(scope="module")
def back(filled):
    return read_dossier(filled)


@pytest.mark.parametrize("name", KINDS)
def test_a_filled_sheet_comes_back_as_the_records_it_was_filled_from(back, clean_dossier, name):
    assert len(clean_dossier.tables[name])
    pd.testing.assert_frame_equal(back.tables[name], clean_dossier.tables[name])


def test_nothing_of_the_filled_sheets_is_set_aside_and_the_days_are_those_of_the_site(back):
    assert len(back.ledger) == 0
    assert back.time_zone == ZONE
    passed = [note for note in back.notes if "holds no records" in note]
    with_lists = [name for name in KINDS if {"choice", "yes-no"} & {column.kind for column in contract(name).columns}]
    assert len(passed) >= len(KINDS) + len(with_lists)


@pytest.mark.parametrize("name", KINDS)
def test_a_blank_sheet_holds_no_record(tmp_path, name):
    (tmp_path / "sheet.xlsx").write_bytes(field_sheet(contract(name), dated=DATED, time_zone=ZONE))
    with pytest.raises(SourceError, match="must hold at least one row of records; given none"):
        read_dossier(tmp_path)


def test_the_examples_that_the_sheets_show_are_records_that_are_accepted(tmp_path):
    for name in KINDS:
        book = book_of(name, time_zone=ZONE)
        sheet = book.worksheets[0]
        top, places = head(sheet)
        for place in places.values():
            shown = sheet.cell(top - 1, place).value
            sheet.cell(top + 1, place).value = shown.removeprefix("## e.g. ") if isinstance(shown, str) else shown
        book.save(tmp_path / f"{name}.xlsx")
    dossier = read_dossier(tmp_path)
    assert dossier.rows == dict.fromkeys(KINDS, 1)
    assert len(dossier.ledger) == 0


def test_without_a_time_zone_local_times_are_set_aside_until_it_is_declared(tmp_path, clean_dossier):
    book = book_of("units")
    fill(book, "units", clean_dossier.tables["units"].head(2))
    top, places = head(book.worksheets[0])
    book.worksheets[0].cell(top + 2, places["in_service_at"]).value = None
    book.save(tmp_path / "units.xlsx")
    dossier = read_dossier(tmp_path)
    assert dossier.ledger["cure"].str.contains("declare time_zone in dossier.yaml").tolist() == [True]
    (tmp_path / "dossier.yaml").write_text(f"auditkit: 1\ntime_zone: {ZONE}\n")
    assert len(read_dossier(tmp_path).ledger) == 0


def test_a_value_pasted_out_of_range_is_set_aside_with_its_place(tmp_path, clean_dossier):
    book = book_of("units", time_zone=ZONE)
    fill(book, "units", clean_dossier.tables["units"])
    top, places = head(book.worksheets[0])
    book.worksheets[0].cell(top + 2, places["hose_bore_mm"]).value = 500
    book.save(tmp_path / "units.xlsx")
    (fault,) = read_dossier(tmp_path).ledger.to_dict("records")
    assert (fault["file"], fault["sheet"], fault["line"]) == ("units.xlsx", "Spray units", top + 2)
    assert (fault["column"], fault["value"], fault["holds"]) == ("hose_bore_mm", "500", "must be from 0.5 to 50 mm")


def rules_of(sheet, top):
    """Return the rule of each column below the header, and check that it holds all rows to be filled in."""
    found = {}
    for rule in sheet.data_validations.dataValidation:
        (cells,) = rule.sqref.ranges
        if cells.min_row > top:
            assert (cells.min_row, cells.max_row, cells.min_col) == (top + 1, top + ROWS, cells.max_col)
            assert cells.min_col not in found
            found[cells.min_col] = rule
    return found


def words_of(book, rule):
    """Return the words a drop-down offers."""
    name, _, cells = rule.formula1.partition("!")
    return [cell.value for (cell,) in book[name][cells.replace("$", "")]]


@pytest.mark.parametrize("name", KINDS)
def test_entries_are_held_to_the_contract_as_its_file_has_it(name):
    book = book_of(name, time_zone=ZONE)
    sheet = book.worksheets[0]
    top, places = head(sheet)
    rules = rules_of(sheet, top)
    document = yaml.safe_load((schemas_folder() / f"{name}.yaml").read_text(encoding="utf-8"))
    assert list(places) == list(document["columns"])
    for column, asked in document["columns"].items():
        checks, rule = asked.get("checks", {}), rules.pop(places[column], None)
        if "isin" in checks or asked["dtype"] == "boolean":
            assert (rule.type, words_of(book, rule)) == ("list", checks.get("isin", ["yes", "no"]))
        elif column.endswith("_ohm"):
            cell = f"{openpyxl.utils.get_column_letter(places[column])}{top + 1}"
            least, most = checks["in_range"]["min_value"], checks["in_range"]["max_value"]
            parts = re.fullmatch(
                r'OR\(AND\(ISNUMBER\((\w+)\),(\w+)>=([^,]+),(\w+)<=([^,]+)\),(\w+)="OL"\)', rule.formula1
            )
            assert rule.type == "custom"
            assert {parts[number] for number in (1, 2, 4, 6)} == {cell}
            assert (float(parts[3]), float(parts[5])) == (least, most)
        elif "in_range" in checks:
            least, most = checks["in_range"]["min_value"], checks["in_range"]["max_value"]
            assert (rule.type, rule.operator) == ("whole" if asked["dtype"] == "Int64" else "decimal", "between")
            assert (float(rule.formula1), float(rule.formula2)) == (least, most)
        elif "str_length" in checks:
            assert (rule.type, rule.operator) == ("textLength", "between")
            lengths = checks["str_length"]["min_value"], checks["str_length"]["max_value"]
            assert (int(rule.formula1), int(rule.formula2)) == lengths
        elif asked["dtype"].startswith("datetime"):
            assert (rule.type, rule.operator) == ("date", "between")
        else:
            assert rule is None
        if rule is not None:
            assert (rule.errorStyle, rule.showErrorMessage) == ("stop", True)
            assert rule.allow_blank == asked["nullable"]
            assert asked["title"] in rule.error
            assert len(rule.error) <= 225  # more is refused by spreadsheet programs
    assert not rules


def test_an_error_says_what_must_hold():
    sheet = book_of("spray_runs", time_zone=ZONE).worksheets[0]
    top, places = head(sheet)
    rules = rules_of(sheet, top)
    told = {
        column: rules[places[column]].error for column in ("standoff_mm", "part_ground_ohm", "started_at", "run_id")
    }
    assert told == {
        "standoff_mm": "Standoff must be 20 to 1,500 mm; or blank.",
        "part_ground_ohm": "Part to earth must be 0 to 1e+18 Ω, or OL over the meter's range; or blank.",
        "started_at": "Start must be a date with a time of day, such as 2027-01-13 09:05.",
        "run_id": "Run must have from 1 to 40 characters.",
    }
    cups = book_of("pressure_settings").worksheets[0]
    top, places = head(cups)
    assert rules_of(cups, top)[places["cup"]].error.startswith("Cup must be")


def test_the_days_allowed_are_those_that_are_read():
    sheet = book_of("units").worksheets[0]
    top, places = head(sheet)
    rule = rules_of(sheet, top)[places["in_service_at"]]
    first, last = (openpyxl.utils.datetime.from_excel(float(day)) for day in (rule.formula1, rule.formula2))
    assert (first, last) == (datetime(1900, 1, 1), datetime(2201, 1, 1))
    read = moment_reader(Reading(time_zone="UTC"))
    assert read(datetime(2200, 12, 31, 23)) == (datetime(2200, 12, 31, 23, tzinfo=UTC).timestamp()) * 10**6
    assert [read(datetime(year, 6, 1, 9)).rule for year in (1899, 2201)] == ["type", "type"]


@pytest.mark.parametrize("name", KINDS)
def test_headers_carry_units_and_zone_titles_mark_what_is_needed_and_notes_say_what_it_is(name):
    sheet = book_of(name, time_zone=ZONE).worksheets[0]
    top, places = head(sheet)
    for column in contract(name).columns:
        cell = sheet.cell(top, places[column.name])
        bracket = unit_sign(column.unit) if column.unit else ZONE if column.kind == "moment" else ""
        assert cell.value == column.name + (f" [{bracket}]" if bracket else "")
        assert column.description in cell.comment.text
        title = str(sheet.cell(top - 2, places[column.name]).value).removeprefix("## ")
        assert title == column.title + ("" if column.nullable else " *")
        assert sheet.column_dimensions[cell.column_letter].number_format == {
            "number": "General", "integer": "0", "moment": "yyyy-mm-dd hh:mm"
        }.get(column.kind, "@")  # fmt: skip


@pytest.mark.parametrize("name", KINDS)
def test_it_prints_one_page_wide_with_frozen_and_repeated_headers(name):
    book = book_of(name)
    sheet = book.worksheets[0]
    top, _ = head(sheet)
    assert sheet.freeze_panes == f"B{top + 1}"
    assert sheet.print_title_rows == f"$1:${top}"
    for page in book.worksheets[:2]:
        assert (page.page_setup.orientation, str(page.page_setup.paperSize)) == ("landscape", page.PAPERSIZE_A4)
        assert (page.page_setup.fitToWidth, page.page_setup.fitToHeight) == (1, 0)
        assert page.sheet_properties.pageSetUpPr.fitToPage
        assert page.oddFooter.left.text.startswith(f"{contract(name).title} ({name})")
        assert page.oddFooter.right.text == "&P of &N"
    # what stands on the sheet fits one page: A4 of 297 x 210 mm less its margins, at 72 points an inch
    margins = sheet.page_margins
    height = sum(sheet.row_dimensions[line].height or 15.0 for line in range(1, sheet.max_row + 1))
    width = sum(sheet.column_dimensions[cell.column_letter].width for cell in sheet[top])
    scale = min(1.0, (297 / 25.4 - margins.left - margins.right) * 72 / (width * 5.4))
    assert height * scale <= (210 / 25.4 - margins.top - margins.bottom) * 72


def test_the_cautions_stand_on_sheets_about_grounds_and_the_start_and_on_no_other():
    carry = set()
    for name in KINDS:
        texts = [str(cell.value) for row in book_of(name).worksheets[0].iter_rows() for cell in row]
        if any(all(caution in text for caution in CAUTIONS) for text in texts):
            carry.add(name)
    assert carry == {"spray_runs", "startup_checks"}


def test_the_rows_above_are_not_to_be_changed():
    sheet = book_of("areas").worksheets[0]
    top, places = head(sheet)
    fixed = [rule for rule in sheet.data_validations.dataValidation if rule.formula1 == "FALSE"]
    assert [str(rule.sqref) for rule in fixed] == [f"A1:G{top}"]
    assert len(places) == 7
    assert fixed[0].showErrorMessage


@pytest.mark.parametrize("name", KINDS)
def test_the_sheet_of_columns_is_the_dictionary_of_its_kind(name):
    sheet = book_of(name)["Columns"]
    assert str(sheet["A1"].value).startswith("## no records")
    assert sheet.protection.sheet
    own = contract(name)
    rows = [[cell.value or "" for cell in row] for row in sheet.iter_rows(min_row=3, max_row=2 + len(own.columns))]
    for row, column in zip(rows, own.columns, strict=True):
        assert row[:2] == [column.name, column.title]
        assert column.description in row[5]
        assert row[3] == ("no" if column.nullable else "yes")
    rest = " ".join(str(row[0].value) for row in sheet.iter_rows(min_row=3 + len(own.columns)))
    assert f"No two rows may have the same {', '.join(own.key)}." in rest
    for rule in own.rules:
        assert rule.holds[1:] in rest


def test_known_ids_are_offered_and_others_may_be_written():
    known = {"area_id": ["A1", "A2"], "gauge_id": ["G1"], "unit_id": ["U1"]}
    book = book_of("film_readings", known=known)
    top, places = head(book.worksheets[0])
    rules = rules_of(book.worksheets[0], top)
    areas, gauges = rules[places["area_id"]], rules[places["gauge_id"]]
    assert (words_of(book, areas), words_of(book, gauges)) == (["A1", "A2"], ["G1"])
    assert (areas.errorStyle, areas.error) == ("warning", "Not known yet: it must also be area_id of a row of areas.")
    assert not gauges.showErrorMessage
    assert [cell.value for cell in book["Lists"][2]] == ["area_id", "side", "gauge_id"]
    own = book_of("areas", known=known)  # a new area has a new identifier
    top, places = head(own.worksheets[0])
    assert rules_of(own.worksheets[0], top)[places["area_id"]].type == "textLength"


def test_hostile_ids_stay_text(tmp_path):
    hostile = ["=cmd()", "+1", "-2", "@sum", "\t=1", "a\x07"]
    book = book_of("film_readings", known={"area_id": hostile})
    cells = [cell for sheet in book.worksheets for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert not [cell for cell in cells if cell.data_type == "f"]
    offered = [cell for (cell,) in book["Lists"]["A3:A8"]]
    assert [cell.value for cell in offered] == ["=cmd()", "+1", "-2", "@sum", "\t=1", "a[U+0007]"]
    assert all(cell.data_type == "s" for cell in offered)
    assert [bool(cell.quotePrefix) for cell in offered] == [True] * 5 + [False]
    sheet = book.worksheets[0]
    top, places = head(sheet)
    # a word picked from the list falls into a cell of text, so that it is no formula there either
    assert sheet.cell(top + 1, places["area_id"]).number_format == "@"


def test_same_bytes_from_the_same_content_and_none_of_the_clock():
    made = field_sheet(contract("jobs"), dated=DATED)
    assert made == field_sheet(contract("jobs"), dated=DATED)
    assert made != field_sheet(contract("jobs"), dated=date(2027, 3, 6))
    with zipfile.ZipFile(io.BytesIO(made)) as archive:
        assert {entry.date_time for entry in archive.infolist()} == {(2027, 3, 5, 0, 0, 0)}
        assert set(re.findall(r"20\d\d-\d\d-\d\dT[0-9:]+Z", archive.read("docProps/core.xml").decode())) == {
            "2027-03-05T00:00:00Z"
        }


def test_the_guide_says_how_times_are_written():
    film, areas = contract("film_readings"), contract("areas")
    assert f"local times of {ZONE}" in guide_lines(film, time_zone=ZONE)[1]
    assert "time_zone must stand in dossier.yaml" in guide_lines(film, time_zone=None)[1]
    assert "Times" not in guide_lines(areas, time_zone=ZONE)[1]
    assert heading(film.column("taken_at")) == "taken_at"
    assert ZoneInfo(ZONE).key == ZONE


@pytest.fixture(scope="module")
def few(tmp_path_factory):
    """Return a folder of some filled sheets whose lists hold names of persons, and the records they hold."""
    place = tmp_path_factory.mktemp("few")
    records = read_dossier(write_small(place / "records"))
    folder = place / "filled"
    folder.mkdir()
    known = known_ids(records.tables, load_contracts()) | {"operator_id": ["OP1", "OP2", "Per Vik"]}
    for name in ("jobs", "areas", "spray_runs"):
        book = book_of(name, time_zone=ZONE, known=known)
        fill(book, name, records.tables[name])
        book.save(folder / f"{name}.xlsx")
    return folder, records


def test_filled_sheets_come_under_pseudonyms_without_the_names_they_offered(few, tmp_path):
    folder, records = few
    redact_records(folder, tmp_path / "out", key=new_key(tmp_path / "key"))
    after = read_dossier(tmp_path / "out")
    assert after.rows["spray_runs"] == 2
    assert after.tables["spray_runs"]["standoff_mm"].equals(records.tables["spray_runs"]["standoff_mm"])
    assert after.tables["spray_runs"]["started_at"].equals(records.tables["spray_runs"]["started_at"])
    with zipfile.ZipFile(tmp_path / "out" / "spray_runs.xlsx") as archive:
        text = " ".join(archive.read(name).decode("utf-8", "replace") for name in archive.namelist())
    assert not re.search(r"\bOP[12]\b|Per Vik", text)


def test_what_was_received_is_told_by_the_headers_of_the_sheet(few):
    dossier = read_dossier(few[0])
    cells = cells_as_received(dossier, dossier.lineage["spray_runs"].assign(record="spray_runs").head(1))
    told = cells.set_index("field")
    assert told.loc["started_at", "header"] == f"started_at [{ZONE}]"
    assert told.loc["started_at", "conversion"] == "read as 2027-01-11T07:24:00+00:00"
    assert told.loc["standoff_mm", ["header", "received", "unit", "conversion"]].tolist() == [
        "standoff_mm [mm]", "203.2", "mm", ""
    ]  # fmt: skip
