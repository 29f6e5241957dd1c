"""The sealed folder: laid out as RFC 8493 says, whole under its name or not there at all."""

import hashlib
import json
import subprocess
import sys
from pathlib import Path

import pytest

from auditkit.errors import SourceError
from auditkit.report.bag import Seal, canonical_manifest, digests_of, seal_of, write_bag
from auditkit.report.bag_check import check_bag

INFO = {"Bagging-Date": "2027-04-01", "External-Description": "Winter refit (invented)"}
KILLS = Path(__file__).with_name("bag_kills.py")


def test_the_layout_is_that_of_the_standard(tmp_path):
    (tmp_path / "source.csv").write_bytes(b"a,b\n")
    bag = write_bag({"records/x.csv": tmp_path / "source.csv", "50.txt": b"abc"}, tmp_path / "bag", info=INFO)
    found = sorted(path.relative_to(bag).as_posix() for path in bag.rglob("*") if path.is_file())
    assert found == [
        "bag-info.txt",
        "bagit.txt",
        "data/50.txt",
        "data/records/x.csv",
        "manifest-sha256.txt",
        "manifest-sha512.txt",
        "tagmanifest-sha256.txt",
        "tagmanifest-sha512.txt",
    ]
    # RFC 8493, 2.1.1: the two lines of bagit.txt
    assert (bag / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    # RFC 8493, 2.2.2: octets and files of the payload
    assert "Payload-Oxum: 7.2\n" in (bag / "bag-info.txt").read_text()
    # FIPS 180-2, appendix B.1 and C.1: the digests of "abc"
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert (bag / "manifest-sha256.txt").read_text().splitlines()[0] == f"{abc}  data/50.txt"
    abc512 = (
        "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
        "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"
    )
    assert (bag / "manifest-sha512.txt").read_text().splitlines()[0] == f"{abc512}  data/50.txt"


def test_the_reference_library_finds_it_valid(tmp_path):
    import bagit

    contents = {f"records/Fläche {number}.csv": f"{number}\n".encode() for number in range(3)}
    bag = write_bag(contents, tmp_path / "bag", info=INFO)
    theirs = bagit.Bag(str(bag))
    theirs.validate()
    assert theirs.version_info == (1, 0)
    assert theirs.info["External-Description"] == INFO["External-Description"]
    assert sorted(theirs.algorithms) == ["sha256", "sha512"]


def test_the_reference_library_writes_the_same_manifests(tmp_path):
    import bagit

    contents = {"records/a b.csv": b"1", "findings.json": b"{}"}
    ours = write_bag(contents, tmp_path / "ours", info=INFO)
    for path, content in contents.items():
        (tmp_path / "theirs" / path).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / "theirs" / path).write_bytes(content)
    bagit.make_bag(str(tmp_path / "theirs"), checksums=["sha256", "sha512"])
    for name in ("manifest-sha256.txt", "manifest-sha512.txt"):
        lines = (tmp_path / "theirs" / name).read_bytes().splitlines()
        assert sorted((ours / name).read_bytes().splitlines()) == sorted(lines)
    # it writes version 0.97, which is not what we seal in
    told = check_bag(tmp_path / "theirs").faults
    assert ["bagit.txt", "unsupported version", "BagIt 1.0 in UTF-8", "0.97 UTF-8"] in told.to_numpy().tolist()


def test_the_seal_depends_on_the_files_and_nothing_else(tmp_path):
    one = write_bag({"b": b"2", "a": b"1"}, tmp_path / "one", info=INFO)
    same = write_bag({"a": b"1", "b": b"2"}, tmp_path / "same", info=INFO)
    other = write_bag({"a": b"1", "b": b"3"}, tmp_path / "other", info=INFO)
    assert seal_of(one) == seal_of(same) != seal_of(other)
    content = (one / "tagmanifest-sha512.txt").read_bytes()
    assert seal_of(one) == Seal(sha256=hashlib.sha256(content).hexdigest(), sha512=hashlib.sha512(content).hexdigest())
    with pytest.raises(SourceError, match=r"must be a sealed report, with tagmanifest-sha512\.txt in it"):
        seal_of(tmp_path)


def test_an_empty_payload(tmp_path):
    bag = write_bag({}, tmp_path / "bag", info=INFO)
    assert check_bag(bag).ok
    assert "Payload-Oxum: 0.0\n" in (bag / "bag-info.txt").read_text()


@pytest.mark.parametrize(
    ("contents", "message"),
    [
        ({"../x": b""}, r"'\.\./x': must be a plain path inside the sealed report; it leads out of its folder"),
        # known to differ between readers: the Library of Congress's own does not undo %25
        ({"50%": b""}, "'50%': must be a plain path inside the sealed report; it holds '%'"),
        ({"a": b"", "A": b""}, "'A' and 'a': must be two files on every system"),
        ({"a": b"", "a/b": b""}, "'a' and 'a/b': must be two files"),
    ],
)
def test_paths_that_cannot_stand_in_it(tmp_path, contents, message):
    with pytest.raises(SourceError, match=message):
        write_bag(contents, tmp_path / "bag", info=INFO)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("info", "message"),
    [
        ({}, "must have a Bagging-Date; given none"),
        ({**INFO, "Payload-Oxum": "1.1"}, "must have labels of letters and hyphens; given 'Payload-Oxum'"),
        ({**INFO, "A b": "x"}, "given 'A b'"),
        ({**INFO, "Note": "one\ntwo"}, r"bag-info\.txt, Note: must be one line of text; given 'one\\ntwo'"),
        ({**INFO, "Note": " "}, "must be one line of text"),
    ],
)
def test_lines_that_cannot_stand_in_bag_info(tmp_path, info, message):
    with pytest.raises(SourceError, match=message):
        write_bag({"a": b""}, tmp_path / "bag", info=info)


def test_a_name_that_is_taken_is_refused(tmp_path):
    (tmp_path / "bag").mkdir()
    with pytest.raises(SourceError, match="must be a new name"):
        write_bag({"a": b""}, tmp_path / "bag", info=INFO)
    assert list((tmp_path / "bag").iterdir()) == []


def test_a_source_that_is_not_there_leaves_nothing(tmp_path):
    with pytest.raises(SourceError, match="No such file"):
        write_bag({"a": b"", "b": tmp_path / "none"}, tmp_path / "bag", info=INFO)
    assert list(tmp_path.iterdir()) == []


def test_the_form_of_a_manifest():
    listed = {"data/b": {"sha256": "b" * 64}, "data/a c": {"sha256": "a" * 64}}
    expected = f"{'a' * 64}  data/a c\n{'b' * 64}  data/b\n"
    assert canonical_manifest(listed, "sha256") == expected.encode()


def test_digests_of_a_file_larger_than_one_piece(tmp_path):
    content = bytes(range(256)) * 5000
    (tmp_path / "x").write_bytes(content)
    expected = {"sha256": hashlib.sha256(content).hexdigest(), "sha512": hashlib.sha512(content).hexdigest()}
    assert digests_of(tmp_path / "x") == expected
    bag = write_bag({"x": tmp_path / "x"}, tmp_path / "bag", info=INFO)
    assert (bag / "data" / "x").read_bytes() == content


def test_a_run_that_is_killed_leaves_nothing_under_the_name(tmp_path):
    """Killed by the kernel before each of its calls to the system in turn, and at 200 random moments."""
    done = subprocess.run(
        [sys.executable, "-W", "ignore", str(KILLS), str(tmp_path)], capture_output=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr.decode()
    told = json.loads(done.stdout)
    assert told["faults"] == []
    # every call was reached, and both sorts of outcome were met, else nothing was tried
    assert told["killed_at_points"] == told["points"] - 1 > 30
    assert told["random"] == told["absent"] + told["whole"] == 200
    assert min(told["absent"], told["whole"]) >= 5
