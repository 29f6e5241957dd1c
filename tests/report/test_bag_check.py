"""A sealed folder checked: whatever is done to it is found, and named."""

import hashlib
import os
import random
import shutil

import pytest

from auditkit.errors import SourceError
from auditkit.report.bag import ALGORITHMS, seal_of, write_bag
from auditkit.report.bag_check import FAULT_COLUMNS, check_bag

CONTENTS = {
    "records/runs.csv": b"run_id,operator_id\nR1,OP1\n",
    "records/areas.csv": b"area_id\nA1\n",
    "records/deep/x.csv": b"a\n1\n",
    "findings.json": b'{"n": 1}\n',
    "report.html": b"<p>0.5</p>\n",
}
INFO = {"Bagging-Date": "2027-04-01"}
CHANGES = 2_000


@pytest.fixture
def bag(tmp_path):
    return write_bag(CONTENTS, tmp_path / "bag", info=INFO)


def faults(folder):
    return check_bag(folder).faults[["path", "fault", "found"]].to_numpy().tolist()


def listing(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())


def reseal(folder):
    """Make every list anew, as someone would who wants to hide a change."""
    for kind in ("manifest", "tagmanifest"):
        for algorithm in ALGORITHMS:
            payload = [name for name in listing(folder) if name.startswith("data/")]
            beside = [name for name in listing(folder) if "/" not in name and "tagmanifest" not in name]
            lines = [
                f"{hashlib.new(algorithm, (folder / name).read_bytes()).hexdigest()}  {name}\n"
                for name in (payload if kind == "manifest" else beside)
            ]
            (folder / f"{kind}-{algorithm}.txt").write_text("".join(lines), encoding="utf-8")


def test_a_whole_folder_is_found_whole(bag):
    found = check_bag(bag)
    assert found.ok
    assert list(found.faults.columns) == list(FAULT_COLUMNS)
    assert (found.n, found.seal) == (11, seal_of(bag))
    assert found.size == sum(path.stat().st_size for path in bag.rglob("*") if path.is_file())
    assert "told from the first one only by its seal" in found.method


def test_two_thousand_changes_are_all_found_and_named(bag):
    """Single bytes changed, files deleted, renamed, added and swapped, at random places."""
    rng = random.Random(20270401)
    files = listing(bag)
    kept = {name: (bag / name).read_bytes() for name in files}
    met = dict.fromkeys(("change", "delete", "rename", "add", "swap"), 0)
    for number in range(CHANGES):
        kind = rng.choice(["change", "change", "change", "change", "delete", "rename", "add", "swap"])
        one, other = rng.sample(files, 2)
        touched, new = {one}, None
        if kind == "change":
            at = rng.randrange(len(kept[one]))
            byte = rng.choice([value for value in range(256) if value != kept[one][at]])
            (bag / one).write_bytes(kept[one][:at] + bytes([byte]) + kept[one][at + 1 :])
        elif kind == "delete":
            (bag / one).unlink()
        elif kind == "swap":
            (bag / one).write_bytes(kept[other])
            (bag / other).write_bytes(kept[one])
            touched |= {other}
        else:
            folder = rng.choice(["", "data/", "data/records/"])
            new = f"{folder}{rng.choice(['.', ''])}new{rng.randrange(1000)}{rng.choice(['.csv', '', '.txt'])}"
            if kind == "add":
                (bag / new).write_bytes(rng.randbytes(rng.randrange(3)))
                touched = {new}
            else:
                (bag / one).rename(bag / new)
        found = check_bag(bag)
        named = set(found.faults["path"])
        assert not found.ok, (number, kind, one, other, new)
        assert touched <= named, (number, kind, one, other, new, found.faults)
        if kind == "rename":
            assert new in named | set(found.faults["found"]), (number, one, new, found.faults)
        met[kind] += 1
        for name in touched | {one}:
            (bag / name).write_bytes(kept[name]) if name in kept else (bag / name).unlink()
        if kind == "rename":
            (bag / new).unlink()
    assert check_bag(bag).ok
    assert min(met.values()) > 100


def test_each_kind_of_fault_says_what_happened(bag):
    (bag / "data" / "records" / "runs.csv").write_bytes(b"x")
    (bag / "data" / "findings.json").unlink()
    (bag / "data" / "report.html").rename(bag / "data" / "r.html")
    (bag / "data" / ".hidden").write_bytes(b"")
    assert [(path, fault) for path, fault, _ in faults(bag)] == [
        ("bag-info.txt", "other size"),
        ("data/.hidden", "added"),
        ("data/findings.json", "missing"),
        ("data/records/runs.csv", "changed"),
        ("data/report.html", "renamed"),
    ]


def test_files_in_each_others_place(bag):
    one, other = bag / "data" / "records" / "runs.csv", bag / "data" / "records" / "areas.csv"
    content = one.read_bytes()
    one.write_bytes(other.read_bytes())
    other.write_bytes(content)
    assert faults(bag) == [
        ["data/records/areas.csv", "swapped", "the content of data/records/runs.csv"],
        ["data/records/runs.csv", "swapped", "the content of data/records/areas.csv"],
    ]


def test_what_is_no_plain_file(bag, tmp_path):
    (bag / "data" / "empty" / "inner").mkdir(parents=True)
    (bag / "data" / "link.csv").symlink_to(bag / "data" / "findings.json")
    (bag / "data" / "folder").symlink_to(tmp_path)
    os.mkfifo(bag / "pipe")
    assert faults(bag) == [
        ["data/empty/inner/", "empty folder", "a folder without files"],
        ["data/folder", "not a plain file", "a symbolic link"],
        ["data/link.csv", "not a plain file", "a symbolic link"],
        ["pipe", "not a plain file", "something that is no file"],
    ]


def test_a_file_exchanged_for_a_link_to_the_same_content(bag, tmp_path):
    (bag / "data" / "findings.json").rename(tmp_path / "elsewhere.json")
    (bag / "data" / "findings.json").symlink_to(tmp_path / "elsewhere.json")
    assert ["data/findings.json", "not a plain file", "a symbolic link"] in faults(bag)
    assert not check_bag(bag).ok


@pytest.mark.parametrize(
    ("line", "fault", "found"),
    [
        ("{digest}  data/../../key", "unsafe path", "line 6: data/../../key leads out of its folder"),
        ("{digest}  /etc/passwd", "unsafe path", "line 6: /etc/passwd starts at a root"),
        ("{digest}  data\\x", "unsafe path", "line 6: data\\x holds '\\\\'"),
        ("{digest}  bagit.txt", "unsafe path", "line 6: bagit.txt does not lie under data/"),
        ("{digest}  data/%2e%2e/x", "unsafe path", "line 6: data/%2e%2e/x holds '%'"),
        ("{digest}  data/findings.json", "listed twice", "line 6: data/findings.json"),
        ("{digest} *data/findings.json", "malformed", "line 6: {digest} *data/findings.json"),
        ("{upper}  data/x", "malformed", "line 6: {upper}  data/x"),
        ("", "malformed", "line 6: "),
    ],
)
def test_lines_that_a_manifest_may_not_have(bag, line, fault, found):
    digest = "a" * 64
    path = bag / "manifest-sha256.txt"
    given = {"digest": digest, "upper": digest.upper()}
    path.write_bytes(path.read_bytes() + line.format(**given).encode() + b"\n")
    assert ["manifest-sha256.txt", fault, found.format(**given)] in faults(bag)


def test_a_name_in_another_unicode_form_is_another_name(tmp_path):
    bag = write_bag({"caf\u00e9.csv": b"1"}, tmp_path / "bag", info=INFO)
    (bag / "data" / "caf\u00e9.csv").rename(bag / "data" / "cafe\u0301.csv")
    assert faults(bag) == [["data/caf\u00e9.csv", "renamed", "data/cafe\u0301.csv"]]
    (bag / "data" / "caf\u00e9.csv").write_bytes(b"1")
    assert ["data/caf\u00e9.csv", "name clash", "data/cafe\u0301.csv"] in faults(bag)


def test_names_that_are_no_text_are_told_in_plain_letters(bag):
    (bag / "data" / os.fsdecode(b"x\xff\n.csv")).write_bytes(b"")
    assert ["data/x\\udcff\\n.csv", "added"] in [row[:2] for row in faults(bag)]


@pytest.mark.parametrize(
    ("content", "fault", "found"),
    [
        (b"BagIt-Version: 0.97\nTag-File-Character-Encoding: UTF-8\n", "unsupported version", "0.97 UTF-8"),
        (b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n", "unsupported version", "1.0 UTF-16"),
        (b"BagIt-Version: 1.0\r\nTag-File-Character-Encoding: UTF-8\r\n", "malformed", "56 other bytes"),
    ],
)
def test_another_version_is_refused_even_where_all_lists_are_made_anew(bag, content, fault, found):
    (bag / "bagit.txt").write_bytes(content)
    reseal(bag)
    assert faults(bag) == [["bagit.txt", fault, found]]


def test_lists_that_point_elsewhere_or_of_another_kind_have_no_place(bag):
    (bag / "fetch.txt").write_text("https://example.org/x 1 data/x\n")
    (bag / "manifest-md5.txt").write_text("")
    reseal(bag)
    assert [row[:2] for row in faults(bag) if row[1] == "added"] == [
        ["fetch.txt", "added"],
        ["manifest-md5.txt", "added"],
    ]


def test_a_folder_rewritten_whole_is_told_only_by_its_seal(bag):
    before = seal_of(bag)
    (bag / "data" / "findings.json").write_bytes(b'{"n": 2}\n')
    reseal(bag)
    assert check_bag(bag).ok
    for seal in (before.sha256, before.sha512.upper()):
        found = check_bag(bag, seal=seal)
        assert found.faults[["path", "fault"]].to_numpy().tolist() == [["tagmanifest-sha512.txt", "another seal"]]
    assert check_bag(bag, seal=seal_of(bag).sha256).ok
    assert check_bag(bag, seal=seal_of(bag).sha512).ok


def test_lists_in_another_order_are_not_ours(bag):
    path = bag / "tagmanifest-sha256.txt"
    path.write_bytes(b"".join(sorted(path.read_bytes().splitlines(keepends=True), reverse=True)))
    assert faults(bag) == [["tagmanifest-sha256.txt", "malformed", "the lines in another form"]]


def test_one_list_at_odds_with_the_other_is_what_is_blamed(bag):
    path = bag / "tagmanifest-sha256.txt"
    text = path.read_text()
    path.write_text(("0" if text[0] != "0" else "1") + text[1:])
    assert [row[:2] for row in faults(bag)] == [["tagmanifest-sha256.txt", "wrong digest"]]


def test_without_any_list_nothing_counts_as_checked(bag):
    for algorithm in ALGORITHMS:
        (bag / f"manifest-{algorithm}.txt").unlink()
    found = faults(bag)
    assert ["data/findings.json", "not checked", "none"] in found
    assert ["manifest-sha512.txt", "missing", "no file"] in found


@pytest.mark.parametrize("name", ["bagit.txt", "bag-info.txt", "tagmanifest-sha256.txt", "tagmanifest-sha512.txt"])
def test_a_folder_without_one_of_its_own_files(bag, name):
    (bag / name).unlink()
    assert [name, "missing"] in [row[:2] for row in faults(bag)]


def test_an_unfinished_folder_never_verifies(bag, tmp_path):
    shutil.copytree(bag, tmp_path / ".writing-bag-x1")
    assert faults(tmp_path / ".writing-bag-x1") == [[".writing-bag-x1", "unfinished", "a run that was stopped"]]


def test_what_is_no_folder(tmp_path, bag):
    (tmp_path / "link").symlink_to(bag)
    for path in (tmp_path / "none", bag / "bagit.txt", tmp_path / "link"):
        with pytest.raises(SourceError, match="must be the folder of a sealed report"):
            check_bag(path)


def test_an_empty_folder_lacks_everything(tmp_path):
    found = check_bag(tmp_path)
    assert not found.ok
    assert found.seal is None
    assert set(found.faults["path"]) == {"tagmanifest-sha256.txt", "tagmanifest-sha512.txt"}
