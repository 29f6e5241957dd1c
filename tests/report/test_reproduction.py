"""A sealed report reproduced: a true one number for number, a touched one named, a false one found out."""

import json
import shutil
import subprocess

import pytest

from auditkit.errors import SourceError
from auditkit.report import reproduction
from auditkit.report.archive import write_archive
from auditkit.report.bag import write_bag
from auditkit.report.opening import opened
from auditkit.report.outputs import DIFFERENT, EQUAL, WITHIN
from auditkit.report.reproduction import reproduce

MADE = ("findings.json", "set_aside.csv", "report.html", "report.pdf")
INFO = {"Bagging-Date": "2027-04-01"}


@pytest.fixture
def copied(small_sealed, tmp_path):
    """Return a copy of the sealed report with what lies beside it."""
    place = shutil.copytree(small_sealed.folder.parent, tmp_path / "issued")
    return place / "report"


@pytest.fixture
def no_run(small_sealed, monkeypatch):
    """Let the second run give what the first gave: the true run is `small_reproduced`."""
    data = small_sealed.folder / "data"
    made = {name: (data / name).read_bytes() for name in MADE}
    notebook = (data / "report.ipynb").read_bytes()
    monkeypatch.setattr(reproduction, "run_report", lambda place, *, parameters, on_progress=None: (notebook, made))


def sealed_anew(folder, out, **changed):
    """Seal the payload of a sealed report again, some of its files changed, as a forger would."""
    data = folder / "data"
    contents = {path.relative_to(data).as_posix(): path for path in data.rglob("*") if path.is_file()}
    return write_bag({**contents, **changed}, out, info=INFO)


def test_a_true_report_is_reproduced_number_for_number(small_reproduced):
    told = small_reproduced
    assert (told.code, told.reasons) == (0, ())
    assert told.fixity.ok
    assert told.signed.startswith("signed by auditor, key SHA256:")
    assert told.findings.n == told.findings.equal > 10_000
    assert told.notebook.n == told.notebook.equal > 300
    assert told.environment.empty
    assert set(told.files["verdict"]) == {EQUAL}
    assert {"report.html", "report.pdf", "set_aside.csv", "tables/areas.csv", "schemas/film_rules.yaml"} <= set(
        told.files["file"]
    )


def test_any_touch_makes_it_unusable_and_is_named(copied):
    path = copied / "data" / "findings.json"
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 1
    path.write_bytes(bytes(content))
    told = reproduce(copied)
    assert told.code == 2
    assert told.reasons == ("data/findings.json: changed",)
    assert told.findings is None


def test_a_report_sealed_anew_does_not_fit_its_statement(copied, tmp_path):
    other = sealed_anew(copied, tmp_path / "new", **{"findings.json": b"{}"})
    shutil.rmtree(copied)
    other.rename(copied)
    told = reproduce(copied)
    assert told.code == 2
    assert told.fixity.ok
    assert all(reason.startswith("report.statement.json: the seal is ") for reason in told.reasons)


def test_a_seal_known_from_elsewhere(copied, small_sealed):
    told = reproduce(copied, seal="0" * 64)
    assert (told.code, told.reasons) == (2, ("tagmanifest-sha512.txt: another seal",))


def test_another_signer_is_refused(copied, tmp_path):
    key = tmp_path / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(key)], check=True)
    signers = tmp_path / "signers"
    signers.write_text(f"someone {key.with_suffix('.pub').read_text()}")
    told = reproduce(copied, allowed_signers=signers)
    assert told.code == 2
    assert told.signature.ok is False
    assert "no key that is allowed made it" in told.reasons[0]


@pytest.mark.parametrize(
    ("gone", "reason"),
    [
        ("report.statement.json.sig", "report.statement.json.sig: must be there; the statement is not signed"),
        ("report.statement.json", "report.statement.json: must be there, and signed; it is missing"),
    ],
)
def test_where_a_signature_is_asked_for_one_must_be_there(copied, small_sealed, gone, reason):
    (copied.parent / gone).unlink()
    told = reproduce(copied, allowed_signers=small_sealed.signers)
    assert (told.code, told.reasons) == (2, (reason,))


def test_a_statement_that_is_damaged(copied):
    copied.with_name("report.statement.json").write_bytes(b"{}")
    told = reproduce(copied)
    assert told.code == 2
    assert "must be one that auditkit wrote" in told.reasons[0]


@pytest.mark.usefixtures("no_run")
@pytest.mark.parametrize(
    ("gone", "signed"),
    [
        ((), "signed, not verified: give the list of allowed signers"),
        (
            ("report.statement.json.sig",),
            "stated, not signed; whoever can rewrite the folder can rewrite the statement",
        ),
        (
            ("report.statement.json.sig", "report.statement.json"),
            "no statement lies beside the report, so only its own lists vouch for it",
        ),
    ],
)
def test_what_vouches_for_it_is_said(copied, gone, signed):
    for name in gone:
        (copied.parent / name).unlink()
    told = reproduce(copied)
    assert (told.code, told.signed) == (0, signed)


@pytest.mark.usefixtures("no_run")
def test_an_archive_is_reproduced_like_its_folder(copied, small_sealed, tmp_path):
    archive = write_archive(copied, tmp_path / "report.zip")
    told = reproduce(archive, allowed_signers=small_sealed.signers)
    assert told.code == 0
    assert told.signed.startswith("signed by auditor")


@pytest.mark.usefixtures("no_run")
def test_a_forged_number_is_found_wherever_it_stands(copied, tmp_path):
    data = copied / "data"
    document = json.loads((data / "findings.json").read_bytes())
    document["film"]["sides"][2]["mean_um"] += 0.5
    document["film"]["sides"][2]["lowest_spot_um"] *= 1 + 1e-9
    notebook = json.loads((data / "report.ipynb").read_bytes())
    cell = next(cell for cell in notebook["cells"] if cell.get("outputs") and "text" in cell["outputs"][0])
    cell["outputs"][0]["text"] = ["another text\n"]
    page = (data / "report.html").read_bytes().replace(b"43.18", b"49.18")
    forged = sealed_anew(
        copied,
        tmp_path / "forged",
        **{
            "findings.json": json.dumps(document).encode(),
            "report.ipynb": json.dumps(notebook).encode(),
            "report.html": page,
            "report.pdf": b"%PDF-1.7",
            "tables/areas.csv": b"area_id\nA1\n",
            "schemas/conditions.yaml": b"{}",
        },
    )
    told = reproduce(forged)
    assert told.code == 1
    assert told.findings.rows[["place", "verdict"]].to_numpy().tolist() == [
        ["/film/sides/2/mean_um", DIFFERENT],
        ["/film/sides/2/lowest_spot_um", WITHIN],
    ]
    assert told.notebook.rows["place"].tolist() == [f"cell {cell['id']} output/0/text"]
    wrong = told.files[told.files["verdict"] == DIFFERENT]
    assert wrong["file"].tolist() == ["report.html", "report.pdf", "schemas/conditions.yaml", "tables/areas.csv"]
    assert "49.18" in wrong["note"].iloc[0]
    assert told.reasons[0].startswith("findings.json: 1 of ")
    assert "/film/sides/2/mean_um: sealed " in told.reasons[0]


@pytest.mark.usefixtures("no_run")
def test_other_versions_are_told_and_a_page_is_then_compared_by_its_words(copied, tmp_path):
    data = copied / "data"
    recorded = json.loads((data / "environment.json").read_bytes())
    recorded["packages"]["plotly"]["version"] = "0.1"
    other = sealed_anew(
        copied,
        tmp_path / "other",
        **{
            "environment.json": json.dumps(recorded).encode(),
            "report.html": (data / "report.html").read_bytes().replace(b"<script>", b"<script >", 1),
            "report.pdf": b"%PDF-1.7",
        },
    )
    told = reproduce(other)
    assert told.code == 0
    assert told.environment["what"].tolist() == ["plotly"]
    verdicts = told.files.set_index("file")["verdict"]
    assert (verdicts["report.html"], verdicts["report.pdf"]) == (WITHIN, "not compared")


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"parameters.json": b"{}"}, "parameters.json must be as auditkit writes it"),
        ({"findings.json": b"[1]"}, "data/findings.json: must be as auditkit writes it; it is no object"),
        ({"findings.json": b'{"a":' + b"[" * 50_000}, "data/findings.json: must be as auditkit writes it"),
        (
            {"findings.json": b'{"a": {"bdata": "?", "dtype": "x"}}'},
            "data/findings.json: must be as auditkit writes it",
        ),
        ({"report.ipynb": b"{"}, "data/report.ipynb: must be as auditkit writes it"),
        ({"report.ipynb": b'{"cells": [3]}'}, "data/report.ipynb: must be as auditkit writes it"),
        ({"report.ipynb": b"{}"}, "data/report.ipynb: must be as auditkit writes it; 'cells'"),
        ({"records/film.csv": b""}, "film.csv: must hold records; the file is empty"),
    ],
)
def test_what_cannot_be_run_is_unusable(copied, tmp_path, changed, reason):
    told = reproduce(sealed_anew(copied, tmp_path / "other", **changed))
    assert told.code == 2
    assert reason in told.reasons[0]


def test_a_report_without_records(copied, tmp_path):
    data = copied / "data"
    kept = {path.name: path for path in data.iterdir() if path.is_file()}
    told = reproduce(write_bag(kept, tmp_path / "other", info=INFO))
    assert (told.code, told.reasons[0][:40]) == (2, "data/records: must be in a sealed report")


@pytest.mark.usefixtures("no_run")
def test_nothing_is_written_into_the_sealed_folder(copied):
    before = {path: path.stat().st_mtime_ns for path in copied.rglob("*")}
    reproduce(copied)
    assert {path: path.stat().st_mtime_ns for path in copied.rglob("*")} == before


def test_what_is_no_sealed_report(tmp_path):
    with (
        pytest.raises(SourceError, match="must be a sealed report; there is none of that name"),
        opened(tmp_path / "x"),
    ):
        pass
    told = reproduce(tmp_path)
    assert told.code == 2
