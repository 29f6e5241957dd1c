"""A sealed report: what lies in it, that it reads as it stands, and that nothing half-done ever bears its name."""

import json
import shutil

import pytest

from auditkit.errors import SourceError
from auditkit.findings.document import check_document
from auditkit.intake import read_dossier
from auditkit.report import sealed as sealing
from auditkit.report.bag_check import check_bag
from auditkit.report.parameters import Parameters, read_parameters
from auditkit.report.sealed import make_sealed
from auditkit.report.signature import verify_signature
from auditkit.report.statement import read_statement, statement_faults

from .small_dossier import write_small

EXPECTED = {
    "datapackage.json",
    "environment.json",
    "findings.json",
    "parameters.json",
    "records",
    "report.html",
    "report.ipynb",
    "report.pdf",
    "requirements.txt",
    "ro-crate-metadata.json",
    "schemas",
    "set_aside.csv",
    "tables",
    "trace.html",
}


@pytest.fixture
def no_run(monkeypatch):
    """Stand in for the run of the notebook, which these tests do not reach or do not need."""

    def never(place, *, parameters, on_progress=None):
        raise RuntimeError("the notebook was run")

    monkeypatch.setattr(sealing, "run_report", never)


def test_it_holds_all_that_is_needed_and_is_whole(small_sealed):
    folder, report = small_sealed.folder, small_sealed.report
    assert {path.name for path in (folder / "data").iterdir()} == EXPECTED
    checked = check_bag(folder)
    assert checked.ok, checked.faults
    assert checked.seal == report.seal
    assert report.breaches
    check_document(json.loads((folder / "data" / "findings.json").read_bytes()))
    assert (folder / "data" / "report.pdf").read_bytes().startswith(b"%PDF-")
    assert sorted(path.name for path in folder.parent.iterdir()) == [
        "report",
        "report.statement.json",
        "report.statement.json.sig",
    ]


def test_the_records_are_as_received_and_read_as_they_stand(small_sealed):
    records, copied = small_sealed.records, small_sealed.folder / "data" / "records"
    names = sorted(path.name for path in records.iterdir())
    assert sorted(path.name for path in copied.iterdir()) == names
    assert "berth.csv" in names  # ignored when read, and yet as received
    for name in names:
        assert (copied / name).read_bytes() == (records / name).read_bytes()
    one, other = read_dossier(records), read_dossier(copied)
    assert one.digest() == other.digest()
    assert one.notes == other.notes
    assert len(other.ledger) == 1


def test_the_statement_is_of_this_folder_and_signed(small_sealed):
    report = small_sealed.report
    stated = read_statement(report.statement.read_bytes())
    assert (stated.dossier, stated.date, stated.signer) == ("Two rails (invented)", "2027-04-01", "K. Lund")
    assert statement_faults(stated, seal=report.seal, record_digest=report.document["records"]["digest"]) == []
    checked = verify_signature(report.statement.read_bytes(), report.signature, allowed_signers=small_sealed.signers)
    assert (checked.ok, checked.signer) == (True, "auditor")


def test_parameters_packages_and_notebook(small_sealed):
    data = small_sealed.folder / "data"
    assert read_parameters((data / "parameters.json").read_bytes()) == Parameters()
    told = json.loads((data / "parameters.json").read_bytes())
    assert (told["dated"], told["authors"], told["redaction"]) == ("2027-04-01", ["K. Lund"], None)
    packages = json.loads((data / "environment.json").read_bytes())["packages"]
    lines = (data / "requirements.txt").read_text().splitlines()
    assert lines == [f"{name}=={told['version']}" for name, told in sorted(packages.items())]
    notebook = json.loads((data / "report.ipynb").read_bytes())
    cells = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    assert "folder = 'records'" in "".join(cells[0]["source"])
    assert [cell["execution_count"] for cell in cells] == list(range(1, len(cells) + 1))


def test_no_file_names_where_it_was_made(small_sealed):
    for path in small_sealed.folder.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert str(small_sealed.records).encode() not in content, path
            assert b"/tmp/" not in content, path


def test_progress_is_told(small_sealed):
    names = [name for name, _, _ in small_sealed.steps]
    assert names[0] == "reading records"
    assert names[-1] == "seal"
    assert "The audit" in names
    assert all(1 <= number <= total for _, number, total in small_sealed.steps)


def test_what_auditkit_wrote_hidden_files_and_links_stay_behind(tmp_path, monkeypatch):
    records = write_small(tmp_path / "records")
    (records / "findings.json").write_text('{\n  "kind": "auditkit findings",')
    (records / ".secret.csv").write_text("a\n1\n")
    (records / "notes.md").write_text("as received")
    (tmp_path / "outside.md").write_text("private")
    (records / "link.md").symlink_to(tmp_path / "outside.md")
    seen = []

    def listed(place, *, parameters, on_progress=None):
        seen.extend(sorted(path.name for path in (place / "records").iterdir()))
        raise SourceError("enough")

    monkeypatch.setattr(sealing, "run_report", listed)
    with pytest.raises(SourceError, match="enough"):
        make_sealed(records, tmp_path / "out", dated="2027-04-01")
    assert {"notes.md", "berth.csv", "dossier.yaml", "film.csv"} <= set(seen)
    assert not {"findings.json", ".secret.csv", "link.md", "outside.md"} & set(seen)


@pytest.mark.usefixtures("no_run")
@pytest.mark.parametrize(
    ("out", "dated", "words"),
    [
        ("records/out", "2027-04-01", "must lie outside the records"),
        ("there", "2027-04-01", "must be a new name"),
        ("new", "1 April", "must be as in ISO 8601; given '1 April'"),
    ],
)
def test_what_cannot_be_is_said_before_anything_is_run(tmp_path, out, dated, words):
    records = write_small(tmp_path / "records")
    (tmp_path / "there").mkdir()
    with pytest.raises(SourceError, match=words):
        make_sealed(records, tmp_path / out, dated=dated)


@pytest.mark.usefixtures("no_run")
def test_a_statement_in_the_way(tmp_path):
    records = write_small(tmp_path / "records")
    (tmp_path / "new.statement.json").write_text("{}")
    with pytest.raises(SourceError, match=r"new\.statement\.json: must be a new name"):
        make_sealed(records, tmp_path / "new", dated="2027-04-01")


@pytest.mark.usefixtures("no_run")
def test_a_file_whose_name_cannot_stand_in_a_sealed_report(tmp_path):
    records = write_small(tmp_path / "records")
    (records / "a\u202eb.md").write_text("x")
    with pytest.raises(SourceError, match=r"must hold files of plain names; .*U\+202E\. Rename them"):
        make_sealed(records, tmp_path / "new", dated="2027-04-01")


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"confidence": 1.0}, "confidence must be a number between 0 and 1; given 1.0"),
        ({"false_discovery_rate": 0}, "false_discovery_rate must be a number between 0 and 1"),
        ({"confidence": True}, "confidence must be"),
        ({"seed": -1}, "seed must be a whole number from 0 on; given -1"),
        ({"seed": 1.5}, "seed must be"),
    ],
)
def test_parameters_that_no_audit_can_use(given, words):
    with pytest.raises(SourceError, match=words):
        Parameters(**given)


@pytest.mark.parametrize("content", [b"", b"[]", b'{"kind": "other"}', b'{"kind": "auditkit parameters"}', b"\xff"])
def test_parameters_that_are_not_ours(content):
    with pytest.raises(SourceError, match=r"parameters\.json must be as auditkit writes it"):
        read_parameters(content)


def stand_in(small_sealed, monkeypatch):
    """Let the run give what it gave before, so that only the sealing is done again."""
    data = small_sealed.folder / "data"
    made = {
        name: (data / name).read_bytes() for name in ("findings.json", "set_aside.csv", "report.html", "report.pdf")
    }
    notebook = (data / "report.ipynb").read_bytes()
    monkeypatch.setattr(sealing, "run_report", lambda place, *, parameters, on_progress=None: (notebook, made))


def test_the_same_records_and_date_give_the_same_seal(small_sealed, tmp_path, monkeypatch):
    stand_in(small_sealed, monkeypatch)
    again = make_sealed(small_sealed.records, tmp_path / "other" / "name", dated="2027-04-01", authors=["K. Lund"])
    assert again.seal == small_sealed.report.seal
    assert again.signature is None


def test_records_that_change_meanwhile_are_refused(small_sealed, tmp_path, monkeypatch):
    stand_in(small_sealed, monkeypatch)
    records = shutil.copytree(small_sealed.records, tmp_path / "records")
    text = (records / "film.csv").read_text().replace("A1,front,1,1,3.1", "A1,front,1,1,3.2")
    (records / "film.csv").write_text(text)
    with pytest.raises(SourceError, match="must stay as it is while it is audited; it changed"):
        make_sealed(records, tmp_path / "out", dated="2027-04-01")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["records"]


@pytest.mark.parametrize("step", ["write_bag", "write_statement", "sign_statement"])
def test_a_fault_at_any_step_leaves_nothing_under_the_name(small_sealed, tmp_path, monkeypatch, step):
    stand_in(small_sealed, monkeypatch)
    done = getattr(sealing, step)

    def stopped(*given, **told):
        done(*given, **told)
        raise KeyboardInterrupt

    monkeypatch.setattr(sealing, step, stopped)
    with pytest.raises(KeyboardInterrupt):
        make_sealed(small_sealed.records, tmp_path / "out", dated="2027-04-01", key=small_sealed.key)
    assert list(tmp_path.iterdir()) == []
