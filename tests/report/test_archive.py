"""The one-file archive: the same bytes anywhere, and nothing but plain files out of it."""

import stat
import struct
import zipfile

import pytest

from auditkit.errors import SourceError
from auditkit.report.archive import read_archive, stored_zip, write_archive
from auditkit.report.bag import write_bag
from auditkit.report.bag_check import check_bag


@pytest.fixture
def bag(tmp_path):
    contents = {"records/Fläche.csv": b"a\n1\n", "findings.json": b"{}"}
    return write_bag(contents, tmp_path / "report", info={"Bagging-Date": "2027-04-01"})


def zipped(path, entries, **settings):
    with zipfile.ZipFile(path, "w", **settings) as archive:
        for name, content in entries:
            archive.writestr(name, content)
    return path


def test_there_and_back(bag, tmp_path):
    (tmp_path / "report.statement.json").write_bytes(b"{}")
    (tmp_path / "report.statement.json.sig").write_bytes(b"sig")
    archive = write_archive(bag, tmp_path / "report.zip")
    names = read_archive(archive, tmp_path / "out")
    assert check_bag(tmp_path / "out" / "report").ok
    assert names[:2] == ["report.statement.json", "report.statement.json.sig"]
    assert "report/data/records/Fläche.csv" in names
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "report",
        "report.statement.json",
        "report.statement.json.sig",
    ]


def test_the_same_files_give_the_same_bytes(bag, tmp_path):
    one = write_archive(bag, tmp_path / "one.zip").read_bytes()
    for path in bag.rglob("*"):
        path.chmod(0o700)
    (bag / "bagit.txt").touch()
    assert write_archive(bag, tmp_path / "other.zip").read_bytes() == one


def test_what_an_archive_says_of_its_entries(bag, tmp_path):
    with zipfile.ZipFile(write_archive(bag, tmp_path / "report.zip")) as archive:
        entries = archive.infolist()
    assert [entry.filename for entry in entries] == sorted(entry.filename for entry in entries)
    assert {entry.date_time for entry in entries} == {(1980, 1, 1, 0, 0, 0)}
    assert {(entry.create_system, entry.compress_type) for entry in entries} == {(3, zipfile.ZIP_STORED)}
    assert {entry.external_attr >> 16 for entry in entries} == {stat.S_IFREG | 0o644}


def test_the_bytes_do_not_change_between_versions():
    """Written out by hand from the ZIP application note (APPNOTE 6.3, 4.3.7, 4.3.12, 4.3.16)."""
    # crc32 of b"1" is 0x83dcefb7; 1980-01-01 is 0x0021
    local = b"PK\x03\x04" + struct.pack("<HHHHHIIIHH", 20, 0, 0, 0, 0x21, 0x83DCEFB7, 1, 1, 1, 0) + b"a1"
    attributes = (stat.S_IFREG | 0o644) << 16
    central = (
        b"PK\x01\x02"
        + struct.pack("<BBHHHHHIIIHHHHHII", 20, 3, 20, 0, 0, 0, 0x21, 0x83DCEFB7, 1, 1, 1, 0, 0, 0, 0, attributes, 0)
        + b"a"
    )
    end = b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, 1, 1, len(central), len(local), 0)
    assert stored_zip({"a": b"1"}) == local + central + end


def test_a_folder_with_a_link_is_not_archived(bag, tmp_path):
    (bag / "data" / "link").symlink_to("/etc/passwd")
    with pytest.raises(SourceError, match="must be a plain file to be archived"):
        write_archive(bag, tmp_path / "report.zip")
    with pytest.raises(SourceError, match="must be the folder of a sealed report"):
        write_archive(tmp_path / "none", tmp_path / "report.zip")
    (bag / "data" / "link").unlink()
    (bag / "data" / "con.csv").write_bytes(b"")
    with pytest.raises(SourceError, match="must hold plain paths to be archived"):
        write_archive(bag, tmp_path / "report.zip")
    assert not (tmp_path / "report.zip").exists()


@pytest.mark.parametrize(
    ("name", "fault"),
    [
        ("../escaped", "'../escaped' leads out of its folder"),
        ("/tmp/escaped", "'/tmp/escaped' starts at a root"),
        ("a/../../escaped", "leads out of its folder"),
        ("C:\\escaped", "holds ':'"),
        ("a\\..\\..\\escaped", "holds"),
        ("a\x00.csv", "holds the hidden character U\\+0000"),
        ("nul", "some systems keep for themselves"),
    ],
)
def test_paths_that_lead_elsewhere(tmp_path, name, fault):
    archive = tmp_path / "x.zip"
    archive.write_bytes(stored_zip({"good": b"1", "?" * len(name.encode()): b"2"}).replace(
        b"?" * len(name.encode()), name.encode()))  # fmt: skip
    with pytest.raises(SourceError, match=fault):
        read_archive(archive, tmp_path / "deep" / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["x.zip"]


def test_links_names_given_twice_and_names_that_clash(tmp_path):
    link = zipfile.ZipInfo("link")
    link.external_attr = (stat.S_IFLNK | 0o777) << 16
    with pytest.raises(SourceError, match="'link' is a link or no file"):
        read_archive(zipped(tmp_path / "1.zip", [(link, "/etc/passwd")]), tmp_path / "out")
    with pytest.warns(UserWarning, match="Duplicate name"):
        twice = zipped(tmp_path / "2.zip", [("a", "1"), ("a", "2")])
    with pytest.raises(SourceError, match="'a' is there twice"):
        read_archive(twice, tmp_path / "out")
    with pytest.raises(SourceError, match="'A' and 'a' are one file on some systems"):
        read_archive(zipped(tmp_path / "3.zip", [("a", "1"), ("A", "2")]), tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_archives_that_would_fill_the_disk(tmp_path):
    bomb = zipped(tmp_path / "bomb.zip", [("a", b"\0" * 10_000_000)], compression=zipfile.ZIP_DEFLATED)
    with pytest.raises(
        SourceError, match=r"must unpack to at most 20000 files and \d+ bytes; it says 1 files and 10000000"
    ):
        read_archive(bomb, tmp_path / "out")
    many = zipped(tmp_path / "many.zip", [(f"a{number}", b"") for number in range(11)])
    with pytest.raises(SourceError, match="at most 10 files"):
        read_archive(many, tmp_path / "out", max_files=10)
    with pytest.raises(SourceError, match="and 5 bytes; it says 1 files and 6 bytes"):
        read_archive(zipped(tmp_path / "six.zip", [("a", b"123456")]), tmp_path / "out", max_bytes=5)
    assert not (tmp_path / "out").exists()


def test_an_archive_that_lies_about_a_size(tmp_path):
    honest = zipped(tmp_path / "x.zip", [("a", b"\0" * 100_000)], compression=zipfile.ZIP_DEFLATED)
    lying = honest.read_bytes().replace(struct.pack("<I", 100_000), struct.pack("<I", 10))
    honest.write_bytes(lying)
    with pytest.raises(SourceError, match="must be a whole ZIP archive; given one that is damaged"):
        read_archive(honest, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_damaged_archives(bag, tmp_path):
    whole = write_archive(bag, tmp_path / "report.zip").read_bytes()
    damaged = tmp_path / "damaged.zip"
    for content in (b"", b"junk", whole[:-30], whole.replace(b"a\n1\n", b"a\n2\n")):
        damaged.write_bytes(content)
        with pytest.raises(SourceError, match="must be a whole ZIP archive; given one that is damaged"):
            read_archive(damaged, tmp_path / "out")
    with pytest.raises(SourceError, match="the system says: No such file"):
        read_archive(tmp_path / "none.zip", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_a_name_that_is_taken(bag, tmp_path):
    archive = write_archive(bag, tmp_path / "report.zip")
    with pytest.raises(SourceError, match="must be a new name"):
        write_archive(bag, archive)
    (tmp_path / "out").mkdir()
    with pytest.raises(SourceError, match="must be a new name"):
        read_archive(archive, tmp_path / "out")
