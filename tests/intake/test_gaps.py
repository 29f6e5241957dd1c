"""Merged cells of workbooks: a sheet shows one value over several rows, and the file holds it once."""

import datetime as dt

import openpyxl
import pandas as pd
import pytest

from auditkit.errors import SourceError

HEAD = ["area_id", "side", "spot", "repeat", "dft_um", "gauge_id", "taken_at"]
ROWS = [
    ["A1", "facing", 1, 1, 70, "G1", None],
    [None, "facing", 1, 2, 71, "G1", None],
    [None, "facing", 1, 3, 72, "G1", None],
    ["A2", "reverse", 1, 1, 40, "G1", None],
]


@pytest.fixture
def merged(read, sound, tmp_path):
    """Read readings from a sheet with a title above and merged cells in it."""

    def read_book(*ranges, head=HEAD, rows=ROWS, entry="", top=()):
        made = openpyxl.Workbook()
        sheet = made.active
        sheet.title = "Film"
        for row in [*top, head, *rows]:
            sheet.append(row)
        for cells in ranges:
            sheet.merge_cells(cells)
        made.save(tmp_path / "film.xlsx")
        sound.pop("readings.csv", None)
        table = f"tables: [{{file: film.xlsx, record: film_readings{entry}}}]"
        return read({**sound, "dossier.yaml": f"auditkit: 1\ntime_zone: Europe/Oslo\ndates: day-first\n{table}\n"})

    return read_book


def test_a_blank_in_merged_cells_is_told_with_its_range(merged):
    ledger = merged("A4:A6", entry=", header_line: 3", top=(["Film readings"], ["June"])).ledger
    assert ledger[["line", "column", "value", "rule"]].fillna("").values.tolist() == [
        [5, "area_id", "", "missing"],
        [6, "area_id", "", "missing"],
    ]
    assert ledger.loc[0, "cure"] == (
        "the cell lies in the merged range A4:A6: unmerge and fill it down, or declare fill_down: [area_id] in "
        "dossier.yaml"
    )


def test_merged_cells_are_filled_down_where_declared(merged):
    dossier = merged("A2:A4", entry=", fill_down: [area_id]")
    assert dossier.ledger.empty
    assert dossier.tables["film_readings"][["area_id", "dft_um"]].values.tolist() == [
        ["A1", 70], ["A1", 71], ["A1", 72], ["A2", 40],
    ]  # fmt: skip
    assert dossier.notes == ("film.xlsx, sheet Film: area_id filled from above in 2 rows, as declared",)


def test_a_merged_cell_of_a_column_that_may_be_blank_is_not_taken_for_a_blank(merged):
    rows = [[*row[:6], moment] for row, moment in zip(ROWS, ["13.01.2027 09:05", None, None, None], strict=True)]
    rows[1][0] = rows[2][0] = "A1"
    ledger = merged("G2:G3", rows=rows).ledger
    assert ledger[["line", "column", "rule"]].values.tolist() == [[3, "taken_at", "missing"]]  # row 4 is plainly blank


def test_a_range_across_columns_cannot_be_filled_down(merged):
    lacking = ["A1", "facing", 1, None, 70, "G1", None]
    ledger = merged("C2:D2", rows=[lacking, ROWS[3], lacking]).ledger
    assert ledger[["line", "column"]].values.tolist() == [[2, "repeat"], [4, "repeat"]]
    assert "C2:D2: unmerge it and give each cell its own value" in ledger.loc[0, "cure"]
    assert ledger.loc[1, "cure"] == "give the repeat"


def test_an_empty_merged_range_is_plainly_blank(merged):
    assert merged("G2:G4", entry=", fill_down: [area_id]").ledger.empty


def test_merged_dates_of_joined_columns_name_their_header(merged):
    head = [*HEAD[:6], "Day", "Time"]
    days = ["13.01.2027", None, None, "14.01.2027"]
    rows = [[*row[:6], day, dt.time(9, n)] for n, (row, day) in enumerate(zip(ROWS, days, strict=True))]
    rows[1][0] = rows[2][0] = "A1"
    entry = ", join: {taken_at: [Day, Time]}"
    ledger = merged("G2:G4", head=head, rows=rows, entry=entry).ledger
    assert ledger[["line", "column", "rule"]].values.tolist() == [
        [3, "taken_at", "missing"],
        [4, "taken_at", "missing"],
    ]
    assert "merged range G2:G4" in ledger.loc[0, "cure"]
    assert "fill_down: [Day]" in ledger.loc[0, "cure"]
    dossier = merged("G2:G4", head=head, rows=rows, entry=f"{entry}, fill_down: [Day]")
    assert dossier.tables["film_readings"]["taken_at"].tolist() == [
        pd.Timestamp(f"2027-01-{day}T08:{minute:02}Z") for day, minute in ((13, 0), (13, 1), (13, 2), (14, 3))
    ]


def test_bare_date_cells_of_a_workbook_are_noon_where_declared(merged):
    rows = [[*ROWS[3][:6], dt.date(2027, 1, 13)]]
    dossier = merged(rows=rows, entry=", date_only: [taken_at]")
    assert dossier.tables["film_readings"]["taken_at"].tolist() == [pd.Timestamp("2027-01-13T11:00Z")]


def test_a_sheet_that_an_entry_of_the_file_does_not_fit_is_told_how_to_leave_out(merged, read, sound, tmp_path):
    merged("A2:A4", entry=", fill_down: [area_id]")
    book = openpyxl.load_workbook(tmp_path / "film.xlsx")
    book.create_sheet("Chart").append(["Spots", "Mean"])
    book.save(tmp_path / "film.xlsx")
    entry = "auditkit: 1\n%stables: [{file: film.xlsx, record: film_readings, fill_down: [area_id]}]\n"
    with pytest.raises(
        SourceError, match=r'film.xlsx, sheet Chart: .*\(sheet: "Chart"\), .*ignore: \["film.xlsx#Chart"\]'
    ):
        read({"dossier.yaml": entry % ""})
    assert read({"dossier.yaml": entry % 'ignore: ["film.xlsx#Chart"]\n'}).rows["film_readings"] == 4
