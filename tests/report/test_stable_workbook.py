"""Workbooks that know whether they are as they were written."""

import io
import zipfile
from datetime import date

import openpyxl

from auditkit.report.stable_workbook import is_as_written, workbook_bytes

DATED = date(2027, 3, 5)


def made():
    book = openpyxl.Workbook()
    book.active["A1"] = "header"
    return workbook_bytes(book, title="Blank", dated=DATED)


def changed(content, **parts):
    """Return the workbook with parts exchanged; its properties stay."""
    stream = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(stream, "w") as new:
        for name in old.namelist():
            new.writestr(name, parts.get(name.replace("/", "_").partition(".")[0], old.read(name)))
    return stream.getvalue()


def test_as_written_whatever_its_packing():
    assert is_as_written(made())
    assert is_as_written(changed(made()))


def test_not_once_a_cell_was_filled_in_or_it_was_saved_by_another_program():
    book = openpyxl.load_workbook(io.BytesIO(made()))
    book.active["A2"] = 3
    stream = io.BytesIO()
    book.save(stream)
    assert not is_as_written(stream.getvalue())
    with zipfile.ZipFile(io.BytesIO(made())) as archive:
        sheet = archive.read("xl/worksheets/sheet1.xml").replace(b"<sheetData>", b"<sheetData ><!-- -->")
    assert not is_as_written(changed(made(), xl_worksheets_sheet1=sheet))


def test_other_files_are_not():
    plain = io.BytesIO()
    openpyxl.Workbook().save(plain)
    for content in (b"", b"PK\x03\x04", plain.getvalue(), made()[:-30]):
        assert not is_as_written(content)
