import datetime as dt
import re
import zipfile

import openpyxl
import pytest
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from auditkit.errors import SourceError
from auditkit.intake.word_cells import SheetError
from auditkit.intake.workbooks import read_sheets, sheet_table


@pytest.fixture
def book(tmp_path):
    """Write sheets of rows as a workbook and return its path."""

    def write(change=None, **sheets):
        made = openpyxl.Workbook()
        made.remove(made.active)
        for name, lines in sheets.items():
            sheet = made.create_sheet(name)
            for line in lines:
                sheet.append(line)
        if change is not None:
            change(made)
        path = tmp_path / "x.xlsx"
        made.save(path)
        return path

    return write


def tables(path, **declared):
    return [sheet_table(sheet, name="x.xlsx", **declared) for sheet in read_sheets(path, name="x.xlsx")]


def rows(found):
    return [list(row) for row in zip(*found.columns, strict=True)]


def test_cells_keep_their_kind_and_rows_their_number(book):
    moment = dt.datetime(2027, 1, 13, 9, 5, 30)
    path = book(
        S=[
            ["t", "n", "b", "m", "c", "u"],
            ["x", 74.5, True, moment, dt.time(9, 5), None],
            [],
            ["y", 3, False, moment, dt.time(0, 0), "z"],
        ]
    )
    (found,) = tables(path)
    assert rows(found) == [
        ["x", 74.5, True, moment, dt.time(9, 5), None],
        ["y", 3.0, False, moment, dt.time(0, 0), "z"],
    ]
    assert found.lines.tolist() == [2, 4]
    assert found.notes == ("x.xlsx, sheet S: 1 blank rows passed over",)
    assert found.name == "x.xlsx, sheet S"
    assert found.row_text(0) == (
        '{"t": "x", "n": "74.5", "b": "True", "m": "2027-01-13 09:05:30", "c": "09:05:00", "u": ""}'
    )


def test_both_calendars_of_spreadsheets_give_the_same_moment(book):
    moment = dt.datetime(2027, 1, 13, 9, 5)

    def mac(made):
        made.epoch = CALENDAR_MAC_1904

    assert rows(tables(book(S=[["m"], [moment]]))[0]) == rows(tables(book(mac, S=[["m"], [moment]]))[0]) == [[moment]]


def test_a_table_may_stand_anywhere_on_its_sheet(book):
    path = book(S=[["Export"], [], [None, None, "a", "b"], [None, None, 1, 2]])
    with pytest.raises(SourceError, match=r"column 2 has cells but no header|column 3 has cells but no header"):
        tables(path)
    path = book(S=[[], ["Export"], ["a", "b"], [1, 2]])
    (found,) = tables(path, header_line=3)
    assert (found.headers, rows(found), found.lines.tolist()) == (("a", "b"), [[1.0, 2.0]], [4])
    with pytest.raises(SourceError, match=r"must have its headers in row 1, as declared; given a blank row"):
        tables(path, header_line=1)


def test_empty_sheets_give_no_table_and_hidden_ones_are_said(book):
    def hide(made):
        made["B"].sheet_state = "hidden"

    path = book(hide, A=[], B=[["a"], [1]])
    first, second = tables(path)
    assert first is None
    assert second.notes == ("x.xlsx, sheet B: the sheet is hidden; it was read all the same",)


def test_errors_are_kept_as_errors(book):
    (found,) = tables(book(S=[["a", "b"], ["#N/A", "x"], ["y", "#DIV/0!"]]))
    assert rows(found) == [[SheetError("#N/A"), "x"], ["y", SheetError("#DIV/0!")]]


def rewrite(path, change, part="xl/worksheets/sheet1.xml"):
    """Write the workbook anew with one part changed."""
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    parts[part] = change(parts[part])
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    return path


def test_values_of_formulas_are_read_and_their_errors_kept(book):
    def calculated(xml):
        # How an empty value is written depends on which XML library the writer of workbooks finds.
        xml = re.sub(rb"<v ?/>|<v></v>", b"<v></v>", xml)
        xml = xml.replace(b"<f>1+1</f><v></v>", b"<f>1+1</f><v>2</v>")
        return xml.replace(b'<c r="B2"><f>1/0</f><v></v>', b'<c r="B2" t="e"><f>1/0</f><v>#DIV/0!</v>')

    path = rewrite(book(S=[["a", "b"], ["=1+1", "=1/0"]]), calculated)
    assert rows(tables(path)[0]) == [[2.0, SheetError("#DIV/0!")]]


def test_errors_are_kept_where_names_carry_a_prefix(book):
    def prefixed(xml):
        xml = xml.replace(b'xmlns="', b'xmlns:x="')
        for tag in (b"worksheet", b"sheetData", b"row", b"c", b"v", b"is", b"t"):
            for mark in (b" ", b">", b"/"):
                xml = xml.replace(b"<" + tag + mark, b"<x:" + tag + mark).replace(
                    b"</" + tag + mark, b"</x:" + tag + mark
                )
        start, end = xml.index(b"<sheetPr"), xml.index(b"<x:sheetData")
        return xml[:start] + xml[end : xml.index(b"</x:sheetData>")] + b"</x:sheetData></x:worksheet>"

    path = rewrite(book(S=[["a"], ["#REF!"], ["y"]]), prefixed)
    assert rows(tables(path)[0]) == [[SheetError("#REF!")], ["y"]]


def test_formulas_never_calculated_are_refused(book):
    with pytest.raises(
        SourceError, match=r"^x.xlsx, sheet S: every formula must have its value stored; cell B2 has none"
    ):
        tables(book(S=[["a", "b"], [1, "=A2*2"]]))


def test_a_text_formula_may_be_empty(book):
    path = rewrite(book(S=[["a", "b"], ["x", '=""']]), lambda xml: xml.replace(b'<c r="B2">', b'<c r="B2" t="str">'))
    assert rows(tables(path)[0]) == [["x", None]]


def test_sheets_that_span_too_much_are_refused_before_they_fill_the_memory(book):
    def far(made):
        made["S"]["XFD1048576"] = 1

    with pytest.raises(SourceError, match=r"must span at most 50000000 cells; given 1048576 rows by 16384 columns"):
        tables(book(far, S=[["a"], [1]]))


def test_too_many_columns_are_refused(book):
    with pytest.raises(SourceError, match=r"must have at most 2000 columns; given 2001"):
        tables(book(S=[[f"c{n}" for n in range(2001)]]))


def test_archives_that_expand_too_much_are_refused(book):
    path = book(S=[["a"], [1]])
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/media/x.bin", b"0" * 5_000_000)
    with pytest.raises(SourceError, match=r"must expand to at most 1 GiB and 100 times its size"):
        tables(path)


def test_damaged_and_foreign_archives_are_refused(book, tmp_path):
    path = book(S=[["a"], [1]])
    whole = path.read_bytes()
    for length in (30, len(whole) // 2, len(whole) - 10):
        path.write_bytes(whole[:length])
        with pytest.raises(SourceError, match=r"^x.xlsx: must be a whole XLSX workbook; given one that is damaged"):
            tables(path)
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("word/document.xml", "<x/>")
    with pytest.raises(SourceError, match=r"^x.xlsx: must be an XLSX workbook; given another kind of archive"):
        tables(path)


def test_a_workbook_whose_sheet_is_missing_is_refused(book):
    path = book(S=[["a"], [1]])
    with zipfile.ZipFile(path) as archive:
        parts = {name: archive.read(name) for name in archive.namelist() if "sheet1" not in name}
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)
    with pytest.raises(SourceError, match=r"^x.xlsx: must be a whole XLSX workbook"):
        tables(path)


def test_a_byte_changed_anywhere_is_refused_or_harmless(book):
    path = book(S=[["a", "b"], *([n, f"text {n}"] for n in range(50))])
    whole = path.read_bytes()
    refused = []
    for place in range(0, len(whole), len(whole) // 150):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 0xFF]) + whole[place + 1 :])
        try:
            tables(path)
        except SourceError as error:
            refused.append(str(error))
    assert len(refused) > 50
    assert all(message.startswith("x.xlsx") for message in refused)


def test_parts_locked_by_a_password_are_refused(book):
    path = book(S=[["a"], [1]])
    raw = bytearray(path.read_bytes())
    for mark, flags in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        place = raw.find(mark)
        while place >= 0:
            raw[place + flags] |= 1
            place = raw.find(mark, place + 1)
    path.write_bytes(bytes(raw))
    with pytest.raises(SourceError, match=r"^x.xlsx: must be a whole XLSX workbook"):
        tables(path)


def test_merged_ranges_that_hold_a_value_are_read(book):
    path = book(
        lambda made: [made["S"].merge_cells(cells) for cells in ("A2:A3", "B2:C2", "A4:A5")],
        S=[["a", "b", "c"], [1, 2, None], [None, 3, 4], [None, 5, 6], [None, 7, 8]],
    )
    (sheet,) = read_sheets(path, name="x.xlsx")
    assert sorted((each.text, each.top, each.left, each.bottom, each.right) for each in sheet.merged) == [
        ("A2:A3", 2, 1, 3, 1),
        ("B2:C2", 2, 2, 2, 3),
    ]
    assert sheet_table(sheet, name="x.xlsx").merged == sheet.merged


def test_a_sheet_without_headers_is_told_how_to_leave_it_out(book):
    with pytest.raises(SourceError, match=r'has cells but no header.*if it is no record: ignore: \["x.xlsx#Chart"\]\.'):
        tables(book(Chart=[["Mean", None], [1, 2]]))
