"""Remarks above the headers, and sheets that hold no records."""

import openpyxl
import pytest

from auditkit.errors import SourceError

HEADERS = ["unit_id", "in_service_at"]
ROW = ["U1", "2027-01-05T07:30:00+01:00"]


@pytest.fixture
def book(tmp_path):
    """Write sheets of rows as units.xlsx."""

    def write(**sheets):
        made = openpyxl.Workbook()
        made.remove(made.active)
        for name, lines in sheets.items():
            sheet = made.create_sheet(name)
            for line in lines:
                sheet.append(line)
        path = tmp_path / "made.xlsx"
        made.save(path)
        content = path.read_bytes()
        path.unlink()
        return content

    return write


def test_rows_above_the_headers_that_begin_with_the_mark_are_remarks(read, book):
    lines = [["## Units of the yard"], [], [None, "## e.g. U0", "2027-01-01"], HEADERS, ROW]
    dossier = read({"units.xlsx": book(S=lines)})
    assert dossier.tables["units"]["unit_id"].tolist() == ["U1"]
    assert dossier.lineage["units"]["line"].tolist() == [5]
    assert "units.xlsx, sheet S: 2 rows above the headers begin with ## and were read as remarks" in dossier.notes


def test_below_the_headers_the_mark_is_a_cell_like_any_other(read, book):
    dossier = read({"units.xlsx": book(S=[HEADERS, ["## U9", ROW[1]], ROW])})
    assert sorted(dossier.tables["units"]["unit_id"]) == ["## U9", "U1"]


def test_one_number_sign_is_a_header(read, book):
    with pytest.raises(SourceError, match="#"):
        read({"units.xlsx": book(S=[["#", *HEADERS], [1, *ROW]])})
    entry = "auditkit: 1\ntables: [{file: units.xlsx, record: units, drop: ['#']}]\n"
    assert read({"dossier.yaml": entry}).rows["units"] == 1


def test_an_entry_may_stand_beside_remarks_and_name_the_line_itself(read, book):
    content = book(S=[["## Units"], ["Unit", "in_service_at"], ROW])
    entry = "auditkit: 1\ntables: [{file: units.xlsx, record: units, columns: {Unit: unit_id}%s}]\n"
    assert read({"units.xlsx": content, "dossier.yaml": entry % ""}).rows["units"] == 1
    assert read({"dossier.yaml": entry % ", header_line: 2"}).rows["units"] == 1
    with pytest.raises(SourceError, match="header"):
        read({"dossier.yaml": entry % ", header_line: 1"})


def test_a_sheet_that_says_so_holds_no_records_unless_an_entry_names_it(read, book):
    told = [["## No records: an old list"], ["unit_id", "in_service_at"], ["U7", ROW[1]]]
    content = book(S=[HEADERS, ROW], Old=told)
    dossier = read({"units.xlsx": content})
    assert dossier.tables["units"]["unit_id"].tolist() == ["U1"]
    note = "units.xlsx, sheet Old: ignored, as its first cell says that it holds no records"
    assert note in dossier.notes
    entry = "auditkit: 1\ntables:\n- {file: units.xlsx, record: units, sheet: S}\n"
    named = read({"dossier.yaml": f"{entry}- {{file: units.xlsx, record: units, sheet: Old}}\n"})
    assert sorted(named.tables["units"]["unit_id"]) == ["U1", "U7"]
    assert note not in named.notes


def test_a_sheet_of_records_with_the_words_elsewhere_is_read(read, book):
    other = [HEADERS, ["U7", ROW[1]], ["## no records", ROW[1]]]
    assert read({"units.xlsx": book(S=other)}).rows["units"] == 2


def test_remarks_alone_are_no_table(read, book, sound):
    dossier = read({**sound, "x.xlsx": book(S=[["## nothing yet"]])})
    assert "x.xlsx, sheet S: the sheet is empty" in dossier.notes


def test_lines_of_text_may_be_remarks_too(read):
    text = '"## Units, of the yard"\n## e.g.,x\nunit_id;in_service_at\nU1;2027-01-05T07:30:00+01:00\n'
    dossier = read({"units.csv": text})
    assert dossier.lineage["units"]["line"].tolist() == [4]
    assert "units.csv: lines above line 3 begin with ## and were read as remarks" in dossier.notes
