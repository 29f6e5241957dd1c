"""Files of an audit: whole or not at all, and harmless to open."""

import json

import pandas as pd
import pytest

from auditkit.errors import SourceError
from auditkit.findings.document import check_document
from auditkit.report.files import safe_cells, write_audit, write_files


def test_an_audit_writes_three_files_that_hold_what_they_should(findings, tmp_path):
    paths = write_audit(findings, tmp_path / "out")
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == [
        "findings.json",
        "report.html",
        "set_aside.csv",
    ]
    document = json.loads(paths["findings.json"].read_text(encoding="utf-8"))
    check_document(document)
    assert document["summary"]["areas"] == len(findings.dossier.tables["areas"])
    ledger = pd.read_csv(paths["set_aside.csv"], encoding="utf-8-sig")
    assert len(ledger) == len(findings.dossier.ledger)


def test_the_same_findings_write_the_same_bytes(findings, tmp_path):
    one, other = write_audit(findings, tmp_path / "one"), write_audit(findings, tmp_path / "other")
    for name, path in one.items():
        assert path.read_bytes() == other[name].read_bytes()


def test_old_files_are_replaced_and_strangers_left_alone(tmp_path):
    (tmp_path / "a.txt").write_text("old")
    (tmp_path / "mine.txt").write_text("mine")
    write_files({"a.txt": b"new"}, tmp_path)
    assert (tmp_path / "a.txt").read_text() == "new"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.txt", "mine.txt"]


def test_a_fault_on_the_way_leaves_the_old_files(tmp_path):
    (tmp_path / "a.txt").write_text("old")
    with pytest.raises(TypeError):
        write_files({"a.txt": b"new", "b.txt": "not bytes"}, tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["a.txt"]
    assert (tmp_path / "a.txt").read_text() == "old"


def test_a_file_in_the_place_of_the_folder(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(SourceError, match=r"must be a folder; it is a file\. Give --out another name"):
        write_files({"a.txt": b""}, tmp_path / "out")


def test_text_that_a_spreadsheet_would_run_is_held_back():
    values = ["=HYPERLINK(1)", "+1+1", "@x", "-2.5", "plain", None, "abc;=1+1", "a\n =1+1", "\uff1d1+1", "a-b = c"]
    frame = pd.DataFrame({"value": values, "line": range(len(values))})
    before = frame.copy()
    safe = safe_cells(frame)
    assert safe["value"].tolist()[:5] == ["'=HYPERLINK(1)", "'+1+1", "'@x", "-2.5", "plain"]
    assert safe["value"].tolist()[6:] == ["abc;'=1+1", "a\n '=1+1", "'\uff1d1+1", "a-b = c"]
    assert safe["line"].tolist() == list(range(len(values)))
    pd.testing.assert_frame_equal(frame, before)
