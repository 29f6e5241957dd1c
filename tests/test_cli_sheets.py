"""The commands `sheets` and `trial`, as a person runs them: exit codes, what is said, and what is left behind."""

import dataclasses

import openpyxl
import pytest

import auditkit
from auditkit.contracts import load_contracts

from .report.small_dossier import write_small


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    return write_small(tmp_path_factory.mktemp("small") / "records")


@pytest.fixture(scope="module")
def small_findings(records):
    """Return the audit of the small dossier, made once."""
    return auditkit.audit(auditkit.read_dossier(records))


@pytest.fixture
def audited(small_findings, monkeypatch):
    """Let the commands read the records anew, and find what the one audit of them found."""
    monkeypatch.setattr("auditkit.findings.audit.audit", lambda dossier, **_: small_findings)
    return small_findings


def written(said):
    return [line.removeprefix("Written: ") for line in said.splitlines() if line.startswith("Written: ")]


def test_blank_sheets_of_all_kinds(tmp_path, call):
    code, said, complaint = call("sheets", "--out", tmp_path / "out")
    assert (code, complaint.strip()) == (0, "")
    for name in load_contracts():
        assert str(tmp_path / "out" / "field_sheets" / f"{name}.xlsx") in written(said)
        assert str(tmp_path / "out" / f"field_sheet_{name}.pdf") in written(said)
    assert (tmp_path / "out" / "data_dictionary.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    assert {"startup_sheet.pdf", "upkeep_sheet.pdf"} <= {path.name for path in (tmp_path / "out").iterdir()}


def test_a_sheet_written_filled_in_and_checked(tmp_path, call):
    code, said, _ = call("sheets", "--out", tmp_path, "--record", "units", "--time-zone", "Europe/Oslo")
    path = tmp_path / "field_sheets" / "units.xlsx"
    assert (code, written(said)) == (0, [str(path), str(tmp_path / "field_sheet_units.pdf")])
    book = openpyxl.load_workbook(path)
    sheet = book.worksheets[0]
    sheet.append(["U1", "2027-01-05 07:30", 7.3, 6.35, 0])  # below the 20 framed rows
    book.save(path)
    code, said, complaint = call("check", path.parent)
    assert (code, complaint.strip()) == (0, "")
    assert "Every row was accepted." in said
    sheet.append(["U2", "2027-01-05 07:30", 7.3, 635, 0])
    book.save(path)
    code, said, _ = call("check", path.parent)
    assert code == 0
    assert f"row {sheet.max_row}" in said or f"line {sheet.max_row}" in said
    assert "hose_bore_mm: must be from 0.5 to 50 mm; given '635'" in said
    code, _, complaint = call("sheets", "--out", tmp_path)
    assert (code, "must be blank to be written over" in complaint) == (2, True)


def test_sheets_of_a_folder_of_records(tmp_path, call, records, audited):
    code, said, complaint = call("sheets", records, "--out", tmp_path)
    assert (code, complaint.strip()) == (0, "")
    names = {path.name for path in tmp_path.iterdir()}
    assert {"startup_sheet_U1.pdf", "upkeep_sheet_U1.pdf", "run_sheet.pdf", "run_sheet.xlsx"} <= names
    assert {"data_dictionary.html", "field_sheets", "field_sheet_areas.pdf"} <= names
    assert len(written(said)) == 5 + 2 * len(load_contracts())
    offered = openpyxl.load_workbook(tmp_path / "field_sheets" / "film_readings.xlsx")["Lists"]
    assert [cell.value for cell in offered["A"]][1:4] == ["area_id", "A1", "A2"]


def test_sheets_of_some_kinds_need_no_audit(tmp_path, call, records, monkeypatch):
    monkeypatch.setattr("auditkit.findings.audit.audit", lambda *_args, **_more: 1 / 0)
    code, said, _ = call("sheets", records, "--out", tmp_path, "--record", "areas", "--record", "jobs")
    assert code == 0
    assert [line.rpartition("/")[2] for line in written(said)] == [
        "areas.xlsx", "field_sheet_areas.pdf", "jobs.xlsx", "field_sheet_jobs.pdf"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("option", "word"),
    [
        (("--record", "unit"), "'unit' is no kind of record; write 'units'"),
        (("--time-zone", "Europe/Olso"), "must be an IANA time zone; given 'Europe/Olso'. Write 'Europe/Oslo'"),
    ],
)
def test_what_is_unknown_gets_one_message_and_nothing_is_written(tmp_path, call, option, word):
    code, _, complaint = call("sheets", "--out", tmp_path / "out", *option)
    assert (code, word in complaint) == (2, True)
    assert "Traceback" not in complaint
    assert not (tmp_path / "out").exists()


def test_a_folder_that_is_not_there(tmp_path, call):
    code, _, complaint = call("sheets", tmp_path / "nowhere", "--out", tmp_path / "out")
    assert (code, "nowhere" in complaint) == (2, True)
    assert not (tmp_path / "out").exists()


def test_a_trial_is_told_from_its_filled_run_sheet(tmp_path, call, records, audited):
    code, _, _ = call("sheets", records, "--out", tmp_path)
    path = tmp_path / "run_sheet.xlsx"
    book = openpyxl.load_workbook(path)
    sheet = book["Run sheet"]
    top = next(row[0].row for row in sheet.iter_rows() if row[0].value == "Run")
    places = {cell.value: cell.column for cell in sheet[top]}
    results = [heading for heading in places if "Film" in heading or "Wrap" in heading or "(0 to 5)" in heading]
    runs = len(audited.trial.plan)
    for line in range(top + 1, top + 1 + runs):
        for heading, place in places.items():
            if "earth" in heading:
                sheet.cell(line, place).value = 1e5 if heading.startswith("Part") else 5e6
            elif heading in results:
                sheet.cell(line, place).value = 1 + line % 3
    sheet.cell(top + 1, places[results[0]]).value = "much"
    sheet.cell(top + 2, places[results[0]]).value = None
    book.save(path)
    code, said, complaint = call("trial", records, "--results", path)
    assert code == 0, complaint
    assert f"{runs} of {runs} runs have a result; 2 cells are blank." in said
    assert f"row {top + 1}, {results[0]}: must be a number from" in said
    for heading in ("How the sheet was read", "What was asked", "Every effect"):
        assert f"\n{heading}\n" in said


def test_a_trial_with_another_file_or_none(tmp_path, call, records, audited):
    other = tmp_path / "other.xlsx"
    openpyxl.Workbook().save(other)
    code, _, complaint = call("trial", records, "--results", other)
    assert (code, "must have a row with each heading of this trial's run sheet once" in complaint) == (2, True)
    (tmp_path / "x.xlsx").write_bytes(b"PK nonsense")
    code, _, complaint = call("trial", records, "--results", tmp_path / "x.xlsx")
    assert (code, "must be a whole XLSX workbook" in complaint) == (2, True)
    code, _, complaint = call("trial", records, "--results", tmp_path / "nowhere.xlsx")
    assert (code, "nowhere.xlsx" in complaint, "Traceback" in complaint) == (2, True, False)


def test_a_trial_that_the_records_do_not_ask_for(tmp_path, call, records, small_findings, monkeypatch):
    none = dataclasses.replace(small_findings, trial=None)
    monkeypatch.setattr("auditkit.findings.audit.audit", lambda dossier, **_: none)
    code, _, complaint = call("trial", records, "--results", tmp_path / "run_sheet.xlsx")
    assert (code, "the records must call for a trial; no causes were asked for" in complaint) == (2, True)
    code, said, _ = call("sheets", records, "--out", tmp_path)
    assert (code, "run_sheet" in said) == (0, False)
