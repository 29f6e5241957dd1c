import codecs

import pytest

from auditkit.errors import SourceError
from auditkit.intake.text_files import read_text_file

TABLE = "a,b\n1,2\n3,4\n"


@pytest.fixture
def table(tmp_path):
    def read(content, **declared):
        path = tmp_path / "x.csv"
        path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        return read_text_file(path, name="x.csv", **declared)

    return read


def rows(found):
    return [list(row) for row in zip(*found.columns, strict=True)]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
def test_the_delimiter_is_found_by_even_columns(table, delimiter):
    found = table(TABLE.replace(",", delimiter))
    assert found.headers == ("a", "b")
    assert rows(found) == [["1", "2"], ["3", "4"]]


def test_decimal_commas_do_not_pass_for_delimiters(table):
    found = table("um;side\n74,5;front\n75,5;back\n80;front\n")
    assert found.headers == ("um", "side")
    assert rows(found)[0] == ["74,5", "front"]


def test_commas_in_headers_and_text_do_not_pass_for_delimiters(table):
    found = table("thickness, um;where, roughly\n1;a\n2;b, left\n3;c\n")
    assert found.headers == ("thickness, um", "where, roughly")


def test_two_delimiters_alike_must_be_declared(table):
    content = "a,b;c,d\n1,2;3,4\n".replace("c,d", "c").replace("3,4", "3")
    with pytest.raises(
        SourceError, match=r"^x.csv: must have one delimiter; it could be \w+ or \w+\. Declare delimiter"
    ):
        table(content)
    assert table(content, delimiter=";").headers == ("a,b", "c")


def test_the_separator_line_of_spreadsheets_is_obeyed(table):
    found = table("sep=;\r\na;b\r\n1,5;2\r\n")
    assert found.headers == ("a", "b")
    assert found.lines.tolist() == [3]


def test_one_column_is_a_table(table):
    assert rows(table("a\n1\n2\n")) == [["1"], ["2"]]


@pytest.mark.parametrize(
    ("raw", "used"),
    [
        (TABLE.encode("utf-8"), "utf-8"),
        (codecs.BOM_UTF8 + TABLE.encode("utf-8"), "utf-8"),
        (TABLE.encode("utf-16"), "utf-16"),
        (codecs.BOM_UTF16_BE + TABLE.encode("utf-16-be"), "utf-16"),
        (TABLE.encode("utf-16-le"), "utf-16-le"),
        (TABLE.encode("utf-16-be"), "utf-16-be"),
    ],
    ids=["utf-8", "utf-8 marked", "utf-16", "utf-16 big-endian", "utf-16-le unmarked", "utf-16-be unmarked"],
)
def test_encodings_are_seen_by_their_bytes(table, raw, used):
    found = table(raw)
    assert (found.headers, rows(found), found.encoding) == (("a", "b"), [["1", "2"], ["3", "4"]], used)


def test_cp1252_is_the_last_resort_and_is_said(table):
    found = table("Gerät,b\nµ,2\n".encode("cp1252"))
    assert found.headers == ("Gerät", "b")
    assert found.encoding == "cp1252"
    assert found.notes == (
        "x.csv: not UTF-8 (line 1), so read as cp1252; declare encoding in dossier.yaml to settle it",
    )
    assert table("Gerät,b\nµ,2\n".encode("cp1252"), encoding="cp1252").notes == ()


def test_a_declared_encoding_that_does_not_fit_is_told_with_its_line(table):
    with pytest.raises(SourceError, match=r"^x.csv line 2: must be text in utf-8; byte 5 is not\."):
        table("a,b\nµ,2\n".encode("cp1252"), encoding="utf-8")


@pytest.mark.parametrize(
    ("raw", "message"),
    [
        (b"a,b\n\x81\x8d,2\n", "must be text; given bytes that are neither UTF-8 nor cp1252"),
        (bytes(range(32)) * 10, "must be text; it is full of control characters"),
        (b"\n \n\n", "must have a header line; given no text from line 1 on"),
        (b'a,b\n1,"2\n3,4\n', "line 2: quote marks must be closed"),
        (b'a,b\n1,"2"x\n3,4\n', "line 2: quote marks must be closed"),
        (b"a,b,A\n1,2,3\n", "column 3 repeats the header 'A' of column 1"),
        (b"a,,c\n1,2,3\n", "column 2 has cells but no header"),
        (b"a,b\n1," + b"x" * 1_000_001 + b"\n", "line 2: a cell must have at most 1000000 characters"),
        (",".join(f"c{n}" for n in range(2001)).encode() + b"\n", "must have at most 2000 columns; given 2001"),
    ],
    ids=["bytes", "controls", "blank", "open quote", "broken quote", "repeated", "no header", "long cell", "columns"],
)
def test_what_is_no_table_is_refused(table, raw, message):
    with pytest.raises(SourceError, match=r"^x.csv") as caught:
        table(raw)
    assert message in str(caught.value)


def test_lines_are_physical_lines(table):
    found = table('a,b\n"one\ntwo\n\nthree",2\n\n3,"x\r\ny"\n5,6\n')
    assert rows(found) == [["one\ntwo\n\nthree", "2"], ["3", "x\r\ny"], ["5", "6"]]
    assert found.lines.tolist() == [2, 7, 9]
    assert found.notes == ("x.csv: 1 blank lines passed over",)


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_line_ends_of_every_kind(table, end):
    found = table(TABLE.replace("\n", end))
    assert (rows(found), found.lines.tolist()) == ([["1", "2"], ["3", "4"]], [2, 3])


def test_lines_above_the_headers_are_no_records(table):
    found = table('Export of "5" pipes;\n\na;b\n1;2\n', header_line=3)
    assert (found.headers, rows(found), found.lines.tolist()) == (("a", "b"), [["1", "2"]], [4])


def test_rows_of_another_width_are_kept_apart(table):
    found = table('a,b\n1,2\n1,2,3\n4\n"5\n6"\n7,8\n')
    assert rows(found) == [["1", "2"], ["7", "8"]]
    assert [(row.line, row.last_line, row.cells) for row in found.misshapen] == [
        (3, 3, ("1", "2", "3")),
        (4, 4, ("4",)),
        (5, 6, ("5\n6",)),
    ]
    assert found.misshapen_text(found.misshapen[0]) == '{"a": "1", "b": "2", "cell 3": "3"}'
    assert found.row_text(1) == '{"a": "7", "b": "8"}'


def test_blank_columns_at_the_end_fall_away(table):
    found = table("a,b,,\n1,2,,\n3,4, ,\n")
    assert (found.headers, rows(found)) == (("a", "b"), [["1", "2"], ["3", "4"]])


def test_headers_without_rows_are_a_table(table):
    found = table("a,b\n")
    assert (found.headers, len(found.lines)) == (("a", "b"), 0)


def test_the_limit_of_the_csv_module_is_set_back(table):
    import csv

    before = csv.field_size_limit()
    assert rows(table("a,b\n1," + "x" * 200_000 + "\n"))[0][1] == "x" * 200_000
    assert csv.field_size_limit() == before
