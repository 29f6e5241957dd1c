import io
import zipfile

import pytest

from auditkit.errors import DeclarationError, SourceError
from auditkit.findings.audit import audit
from auditkit.intake import folder as folder_module
from auditkit.intake import read_dossier
from auditkit.report.files import write_audit

OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


def archive(**parts):
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w") as out:
        for name, content in parts.items():
            out.writestr(name, content)
    return made.getvalue()


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("x.csv", b"", r"x.csv: must hold records; the file is empty\."),
        ("x.csv", b"\x89PNG\r\n\x1a\n", r"x.csv: must be records; given a picture\."),
        ("x.csv", b"%PDF-1.7", r"x.csv: must be records; given a PDF\."),
        ("x.csv", bytes([0, 159, 146, 150]) * 500, r"x.csv: must be text; "),
        ("x.csv", archive(a="b"), r"x.csv: must be what its name says; given an XLSX workbook\. Rename it to .xlsx"),
        ("x.csv", b"PAR1xxxx", r"x.csv: must be what its name says; given a Parquet file\. Rename it to .parquet"),
        (
            "x.xls",
            b"<html><table><tr><td>1</td></tr></table></html>",
            r"x.xls: must be a table; given a web page under this name\.",
        ),
        ("x.xlsx", b"\r\n<!DOCTYPE html><html></html>", r"x.xlsx: must be a table; given a web page under this name\."),
        (
            "x.xls",
            OLE + b"\x00" * 600,
            r"x.xls: must be .xlsx or .csv; given an old binary workbook \(.xls\)\. Save it as .xlsx or .csv\.",
        ),
        (
            "x.xlsx",
            OLE + b"\x00" * 600 + "EncryptedPackage".encode("utf-16-le"),
            r"x.xlsx: must be open to read; the workbook is protected by a password\.",
        ),
        ("x.xlsx", b"a,b\n1,2\n", r"x.xlsx: must be an XLSX workbook, as its name says; its first bytes are not\."),
        ("x.parquet", b"a,b\n1,2\n", r"x.parquet: must be a Parquet file, as its name says"),
        (
            "x.docx",
            archive(a="b"),
            r"x.docx: must be a kind of file that can be read .*; given .docx\. .*ignore: \[x.docx\]",
        ),
        ("records", b"a,b\n1,2\n", r"records: must be a kind of file that can be read .*; given no ending\."),
        ("dossier.yml", b"auditkit: 1", r"dossier.yml: the declaration must be called dossier.yaml"),
    ],
    ids=[
        "empty",
        "picture",
        "pdf",
        "rubbish",
        "zip as csv",
        "parquet as csv",
        "html as xls",
        "html as xlsx",
        "old xls",
        "password",
        "csv as xlsx",
        "csv as parquet",
        "docx",
        "no ending",
        "dossier.yml",
    ],
)
def test_files_that_are_no_records_are_refused(read, sound, name, content, message):
    with pytest.raises(SourceError, match=f"^{message}"):
        read({**sound, name: content})


def test_every_file_that_cannot_be_read_is_told_at_once(read, sound):
    with pytest.raises(SourceError) as caught:
        read({**sound, "x.csv": b"", "y.csv": b"%PDF", "z.csv": "q,r\n1,2\n"})
    assert [line.split(":")[0] for line in str(caught.value).splitlines()[:3]] == ["x.csv", "y.csv", "z.csv"]


def test_a_folder_under_the_name_of_a_file_is_refused(read, sound, tmp_path):
    (tmp_path / "x.csv").mkdir()
    with pytest.raises(SourceError, match=r"^x.csv: must be a file; given a folder of that name"):
        read(sound)


def test_a_missing_folder_and_a_file_in_its_place_are_refused(tmp_path):
    with pytest.raises(SourceError, match=r"nowhere: must be a folder of records; there is none of that name"):
        read_dossier(tmp_path / "nowhere")
    (tmp_path / "x.csv").write_text("a\n1\n", encoding="utf-8")
    with pytest.raises(
        SourceError, match=r"x.csv: must be a folder of records; given a file. Name the folder it lies in"
    ):
        read_dossier(tmp_path / "x.csv")


def test_a_folder_that_may_not_be_listed_is_refused(tmp_path, monkeypatch):
    def refuse(self):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(type(tmp_path), "iterdir", refuse)
    with pytest.raises(SourceError, match=r"must be a folder you may read; permission was refused"):
        read_dossier(tmp_path)


def test_a_file_that_may_not_be_opened_is_refused(read, sound, tmp_path, monkeypatch):
    read(sound)
    opened = type(tmp_path).open

    def refuse(self, *args, **kwargs):
        if self.name == "jobs.csv":
            raise PermissionError(13, "Permission denied")
        return opened(self, *args, **kwargs)

    monkeypatch.setattr(type(tmp_path), "open", refuse)
    with pytest.raises(SourceError, match=r"^jobs.csv: must be a file that can be read; permission was refused"):
        read_dossier(tmp_path)


def test_files_beyond_the_limit_are_refused(read, sound, monkeypatch):
    monkeypatch.setattr(folder_module, "MAX_FILE_BYTES", 100)
    with pytest.raises(SourceError, match=r"areas.csv: must be at most 2 GiB; given \d+ bytes"):
        read(sound)


def test_what_is_no_record_is_passed_over(read, sound):
    dossier = read(
        {
            **sound,
            "README.txt": "read me",
            "notes.md": "# notes",
            ".hidden.csv": "x",
            "~$jobs.xlsx": "lock",
            ".~lock.areas.ods#": "lock",
            "Thumbs.db": "pictures",
            "desktop.ini": "[.ShellClassInfo]",
            ".DS_Store": "x",
            "raw/thumbs.db": "pictures",
            ".git/x.csv": "x",
            "deep/er/x.csv": "not looked at",
            "photos.csv": "q\n1\n",
            "pictures/one.jpg": b"\xff\xd8\xff",
            "dossier.yaml": "auditkit: 1\nignore: [photos.csv, pictures]\n",
        }
    )
    assert sorted(dossier.files["file"]) == ["areas.csv", "jobs.csv", "readings.csv"]
    assert dossier.notes == (
        ".~lock.areas.ods#: ignored; someone has areas.ods open, so what is not saved yet was not read",
        "photos.csv: ignored, as dossier.yaml says",
        "pictures/one.jpg: ignored, as dossier.yaml says",
        "~$jobs.xlsx: ignored; someone has jobs.xlsx open, so what is not saved yet was not read",
    )


def test_what_an_audit_wrote_is_no_record(read, sound, tmp_path):
    plain = read(sound)
    write_audit(audit(plain), tmp_path)
    written = ("findings.json", "report.html", "set_aside.csv")
    again = read_dossier(tmp_path)
    assert again.digest() == plain.digest()
    assert again.notes == tuple(f"{name}: ignored, as auditkit wrote it" for name in written)
    by_pattern = "auditkit: 1\ntables: [{file: '[rs]*.csv', record: film_readings}]\n"
    assert read({"dossier.yaml": by_pattern}).digest() == plain.digest()


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("set_aside.csv", "fault_id,row_no,record\n1,1,jobs\n", "must have the columns of one kind of record"),
        ("findings.json", '{"kind": "other"}', "must be a kind of file that can be read"),
        ("report.html", "<!doctype html><title>Stock list</title>", "must be a table; given a web page"),
    ],
)
def test_other_files_of_those_names_are_not_passed_over(read, sound, name, content, message):
    with pytest.raises(SourceError, match=rf"{name}: {message}"):
        read({**sound, name: content})


def test_folders_are_read_one_level_down_and_deeper_where_named(read, sound):
    readings = sound.pop("readings.csv")
    dossier = read(
        {
            **sound,
            "raw/readings.csv": readings,
            "a/b/more.csv": readings.replace("A1,", "A2,"),
            "dossier.yaml": "auditkit: 1\ntables: [{file: a/*/*.csv, record: film_readings}]\n",
        }
    )
    assert sorted(dossier.files["file"]) == ["a/b/more.csv", "areas.csv", "jobs.csv", "raw/readings.csv"]


def test_a_name_with_the_marks_of_a_pattern_is_a_name(read, sound):
    readings = sound.pop("readings.csv")
    declaration = 'auditkit: 1\ntables: [{file: "r [1].csv", record: film_readings}]\n'
    assert read({**sound, "r [1].csv": readings, "dossier.yaml": declaration}).rows["film_readings"] == 3


@pytest.mark.parametrize(
    ("declaration", "message"),
    [
        (
            "tables: [{file: 'r_*.csv', record: jobs}]",
            r"tables\[1\].file: must match at least one file; given 'r_\*.csv'",
        ),
        (
            "ignore: [jobs.csv]\ntables: [{file: jobs.csv, record: jobs}]",
            r"must not be ignored as well; given 'jobs.csv'",
        ),
        ("tables: [{file: 'a**b', record: jobs}]", r"tables\[1\].file: must be a pattern; given 'a\*\*b'"),
    ],
)
def test_patterns_that_do_not_fit_the_folder_are_refused(read, sound, declaration, message):
    with pytest.raises(DeclarationError, match=message):
        read({**sound, "dossier.yaml": f"auditkit: 1\n{declaration}\n"})
