"""The commands on sealed reports, as a person runs them: exit codes, what is said, and what is left behind."""

import json
import shutil
import subprocess
import sys

import pytest

from auditkit.report import reproduction

from .report.small_dossier import write_small

OPTIONS = (
    *("--out", "out/r1", "--archive", "--redact", "--key", "key", "--sign", "pen"),
    *("--dated", "2027-04-01", "--author", "K. Lund", "--author", "T. Aas", "--words", "As it stood."),
)


@pytest.fixture(scope="module")
def issued(tmp_path_factory):
    """Return the folder in which a report was made with every option: redacted, signed, dated, archived."""
    place = tmp_path_factory.mktemp("issued")
    write_small(place / "records")
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(place / "pen")], check=True)
    (place / "signers").write_text(f"auditor {(place / 'pen.pub').read_text()}", encoding="utf-8")
    key = subprocess.run(
        [sys.executable, "-m", "auditkit", "new-key", str(place / "key")], capture_output=True, text=True, check=True
    )
    assert key.stdout == f"Written: {place / 'key'}\n"
    done = subprocess.run(
        [sys.executable, "-m", "auditkit", "report", "records", *OPTIONS],
        capture_output=True,
        text=True,
        cwd=place,
        check=False,
    )
    return place, done


@pytest.fixture
def same_again(issued, monkeypatch):
    """Let the second run give what was sealed: the true run is in one test alone."""
    data = issued[0] / "out" / "r1" / "data"
    made = {
        name: (data / name).read_bytes() for name in ("findings.json", "set_aside.csv", "report.html", "report.pdf")
    }
    notebook = (data / "report.ipynb").read_bytes()
    monkeypatch.setattr(reproduction, "run_report", lambda place, *, parameters, on_progress=None: (notebook, made))


def test_report_makes_what_was_asked_for_and_says_by_its_code_that_something_breaches(issued):
    place, done = issued
    assert done.returncode == 1, done.stderr
    assert "Traceback" not in done.stderr
    names = ["r1", "r1.statement.json", "r1.statement.json.sig", "r1.zip"]
    assert sorted(path.name for path in (place / "out").iterdir()) == names
    for name in names:
        assert f"Written: out/{name}\n" in done.stdout
    assert "Stop work: 2 findings outside safety limits" in done.stdout
    stated = json.loads((place / "out" / "r1.statement.json").read_bytes())
    assert stated["seal"]["sha256"] in done.stdout
    assert (stated["date"], stated["signer"], stated["words"]) == ("2027-04-01", "K. Lund, T. Aas", "As it stood.")


def test_the_redacted_report_names_nobody_and_says_that_it_was_redacted(issued):
    data = issued[0] / "out" / "r1" / "data"
    told = json.loads((data / "parameters.json").read_bytes())["redaction"]
    assert told["names"] == {"person": 3, "site": 1}
    for path in sorted(path for path in data.rglob("*") if path.is_file() and path.parent.name != "schemas"):
        if path.suffix not in (".pdf", ".ipynb"):
            content = path.read_bytes()
            assert b"Vestrelin" not in content, path
            assert (issued[0] / "key").read_bytes().strip() not in content, path
    runs = (data / "tables" / "spray_runs.csv").read_text(encoding="utf-8")
    assert "OP1" not in runs


def test_reproduce_runs_the_signed_archive_again_from_its_pseudonyms(issued, call):
    place, _ = issued
    code, said, complaint = call("reproduce", place / "out" / "r1.zip", "--signers", place / "signers")
    assert code == 0, said + complaint
    assert "Reproduced\n  Every number is the same within printed digits." in said
    assert "signed by auditor, key SHA256:" in said


@pytest.mark.usefixtures("same_again")
def test_reproduce_exit_codes(issued, call, tmp_path, monkeypatch):
    folder = shutil.copytree(issued[0] / "out", tmp_path / "out") / "r1"
    seal = json.loads(folder.with_name("r1.statement.json").read_bytes())["seal"]["sha256"]
    assert call("reproduce", folder, "--seal", seal)[0] == 0
    code, said, _ = call("reproduce", folder, "--seal", "0" * 64)
    assert (code, "tagmanifest-sha512.txt: another seal" in said) == (2, True)
    again = reproduction.run_report

    def another(place, *, parameters, on_progress=None):
        notebook, made = again(place, parameters=parameters)
        document = json.loads(made["findings.json"])
        document["film"]["sides"][2]["mean_um"] += 1.0
        return notebook, {**made, "findings.json": json.dumps(document).encode()}

    monkeypatch.setattr(reproduction, "run_report", another)
    code, said, _ = call("reproduce", folder)
    assert (code, "/film/sides/2/mean_um: sealed 66.0" in said) == (1, True)
    (folder / "data" / "findings.json").write_bytes(b"{}")
    code, said, _ = call("reproduce", folder)
    assert (code, "data/findings.json: changed" in said) == (2, True)
    code, said, complaint = call("reproduce", tmp_path / "none")
    assert (code, said) == (2, "")
    assert "must be a sealed report; there is none of that name" in complaint


def test_trace(issued, call):
    code, said, _ = call("trace", issued[0] / "out" / "r1", "film A2 facing", "--most", "3")
    assert code == 0
    assert "Mils: '2.1' -> dft_um 53.34 um (2.1 mil is 53.34 um)" in said
    assert "... and 14 more" in said
    code, _, complaint = call("trace", issued[0] / "out" / "r1", "film A9 facing")
    assert code == 2
    assert "there are, for example, film A2 facing" in complaint


def test_compare(issued, call, tmp_path):
    sealed = issued[0] / "out" / "r1"
    code, said, _ = call("compare", sealed, issued[0] / "out" / "r1.zip")
    assert (code, "The two reports say the same." in said) == (0, True)
    document = json.loads((sealed / "data" / "findings.json").read_bytes())
    document["settings"]["seed"] = 7
    (tmp_path / "findings.json").write_text(json.dumps(document), encoding="utf-8")
    code, said, _ = call("compare", sealed, tmp_path)
    assert code == 1
    assert "Settings\n  seed: " in said
    code, _, complaint = call("compare", sealed, tmp_path / "none.json")
    assert (code, "must be the findings of an audit" in complaint) == (2, True)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (["--redact"], "--redact must come with the key of the pseudonyms; given none. Add --key FILE."),
        (["--key", "k"], "--key must come with --redact; given k alone."),
        (["--redact", "--key", "nokey"], "nokey: must be the key of the dossier; it cannot be read"),
        (["--dated", "1 April"], "must be as in ISO 8601; given '1 April'"),
        (["--archive"], "r1.zip: must be a new name"),
    ],
)
def test_what_cannot_be_done_is_said_before_anything_is_run(call, tmp_path, monkeypatch, more, words):
    monkeypatch.chdir(tmp_path)
    write_small(tmp_path / "records")
    (tmp_path / "r1.zip").write_bytes(b"")
    code, said, complaint = call("report", "records", "--out", "r1", *more)
    assert (code, said) == (2, "")
    assert words in complaint
    assert "Traceback" not in complaint
    assert sorted(path.name for path in tmp_path.iterdir()) == ["r1.zip", "records"]


def test_a_new_key_never_takes_the_place_of_a_file(call, tmp_path):
    (tmp_path / "key").write_text("x")
    code, _, complaint = call("new-key", tmp_path / "key")
    assert (code, "must be a new file for the key" in complaint) == (2, True)
    assert (tmp_path / "key").read_text() == "x"
