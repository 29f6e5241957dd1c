"""The command line, as a person runs it: exit codes, one clear message, and no traceback."""

import json
import subprocess
import sys

import pytest

import auditkit


def run(*arguments, cwd=None):
    """Run in a process of its own, as a person does."""
    return subprocess.run(
        [sys.executable, "-m", "auditkit", *map(str, arguments)], capture_output=True, text=True, cwd=cwd, check=False
    )


@pytest.fixture
def folder(tmp_path):
    """The clean sample, to be spoilt."""
    copy = tmp_path / "records"
    copy.mkdir()
    for path in (auditkit.sample_folder() / "clean").iterdir():
        (copy / path.name).write_bytes(path.read_bytes())
    return copy


def test_demo_runs_the_main_job(tmp_path):
    done = run("demo", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    for heading in (
        "STOP WORK",
        "Is there enough paint",
        "Which areas do not conform",
        "What the defects depend on",
        "What could not be judged",
    ):
        assert heading in done.stdout
    out = tmp_path / "auditkit-demo"
    document = json.loads((out / "findings.json").read_text(encoding="utf-8"))
    film = document["summary"]["film"]
    assert f"{film['conforms']} of {document['summary']['areas']}" in done.stdout
    assert (out / "report.html").stat().st_size > 1e6
    assert [path.name[:2] for path in sorted((out / "notebooks").iterdir())] == [
        "01",
        "02",
        "03",
        "04",
        "05",
        "06",
        "07",
    ]


def test_audit_says_by_its_exit_code_that_something_breaches(tmp_path, folder):
    done = run("audit", folder, "--out", tmp_path / "out")
    assert done.returncode == 1, done.stderr
    assert "Written:" in done.stdout


def test_audit_of_conforming_records_exits_0(tmp_path, folder, call):
    keep = {"jobs.csv", "areas.csv", "dossier.yaml", "pressure_log_U3.csv"}
    for path in folder.iterdir():
        if path.name not in keep:
            path.unlink()
    code, said, complaint = call("audit", folder, "--out", tmp_path / "out")
    assert code == 0, said + complaint


def test_check_accounts_for_every_row(folder, call):
    code, said, _ = call("check", folder)
    assert code == 0
    assert "Every row was accepted." in said
    with (folder / "film_readings.csv").open("a", encoding="utf-8") as file:
        file.write("A001,,facing,1,1,-3.0,G1,2027-01-13T09:05:00+01:00\n")
    code, said, _ = call("check", folder)
    assert code == 0
    assert "1 rows were set aside, for 1 faults" in said
    assert "dft_um: must be from 0 to 20000 um; given '-3.0'" in said


def spoil_empty(folder):
    (folder / "areas.csv").write_bytes(b"")


def spoil_binary(folder):
    (folder / "areas.csv").write_bytes(bytes(range(256)) * 40)


def spoil_directory(folder):
    (folder / "areas.csv").unlink()
    (folder / "areas.csv").mkdir()


def spoil_duplicate_headers(folder):
    (folder / "areas.csv").write_text("area_id,area_id,job_id\nA,A,J1\n")


def spoil_missing_column(folder):
    text = (folder / "areas.csv").read_text(encoding="utf-8").replace("geometry", "geometrie", 1)
    (folder / "areas.csv").write_text(text, encoding="utf-8")


def spoil_html_as_xls(folder):
    (folder / "areas.xls").write_text("<html><body><table><tr><td>area_id</td></tr></table></body></html>")


def spoil_password(folder):
    # An OLE compound file that holds an EncryptedPackage, as a password-protected workbook does.
    head = bytes.fromhex("d0cf11e0a1b11ae1") + bytes(504)
    (folder / "areas.xlsx").write_bytes(head + "EncryptedPackage".encode("utf-16-le") + bytes(1024))


def spoil_truncated_xlsx(folder):
    (folder / "areas.xlsx").write_bytes(b"PK\x03\x04" + bytes(60))


def spoil_everything(folder):
    for path in folder.iterdir():
        path.unlink()


def spoil_declaration(folder):
    (folder / "dossier.yaml").write_text("auditkit: 1\ntime_zome: Europe/Oslo\n")


def spoil_header_only(folder):
    for path in folder.glob("*.csv"):
        path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")


SPOILT = {
    "empty": (spoil_empty, "areas.csv"),
    "binary": (spoil_binary, "areas.csv"),
    "a directory": (spoil_directory, "areas.csv"),
    "duplicate headers": (spoil_duplicate_headers, "area_id"),
    "missing column": (spoil_missing_column, "geometry"),
    "HTML saved as .xls": (spoil_html_as_xls, "a web page under this name"),
    "password": (spoil_password, "password"),
    "truncated workbook": (spoil_truncated_xlsx, "areas.xlsx"),
    "nothing there": (spoil_everything, "records"),
    "a misspelt declaration": (spoil_declaration, "time_zone"),
    "0 rows": (spoil_header_only, "row"),
}


@pytest.mark.parametrize("name", SPOILT)
@pytest.mark.parametrize("command", ["check", "audit"])
def test_a_wrong_file_gets_one_clear_message(tmp_path, folder, name, command, call):
    spoil, word = SPOILT[name]
    spoil(folder)
    more = ["--out", tmp_path / "out"] if command == "audit" else []
    code, said, complaint = call(command, folder, *more)
    assert code == 2, said + complaint
    assert word in complaint
    assert "Traceback" not in complaint
    assert "fault of auditkit" not in complaint
    assert not (tmp_path / "out").exists()


def test_a_folder_that_is_not_there_and_a_file_in_its_place(tmp_path, folder, call):
    code, _, complaint = call("check", tmp_path / "nowhere")
    assert (code, "nowhere" in complaint) == (2, True)
    code, _, complaint = call("check", folder / "areas.csv")
    assert (code, "folder" in complaint) == (2, True)


def test_an_out_folder_that_is_a_file(tmp_path, folder, call):
    (tmp_path / "out").write_text("")
    code, _, complaint = call("audit", folder, "--out", tmp_path / "out")
    assert (code, "must be a folder; it is a file" in complaint) == (2, True)


def test_a_fault_of_the_program_is_owned_up_to(folder, call, monkeypatch):
    monkeypatch.setattr("auditkit.intake.read_dossier", lambda *_args, **_more: 1 / 0)
    code, _, complaint = call("check", folder)
    assert code == 3
    assert "ZeroDivisionError" in complaint
    assert "This is a fault of auditkit" in complaint


def test_unknown_command_and_help(call):
    assert call("adit")[0] == 2
    code, said, _ = call("--help")
    assert code == 0
    assert "Exit codes: 0 done" in " ".join(said.split())
