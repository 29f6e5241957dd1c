"""The README tells the truth: its commands, its tour, its tables and its Python."""

import re
from pathlib import Path

import pytest

import auditkit
from auditkit.contracts import load_contracts
from auditkit.trade.grounding import CAUTIONS
from auditkit.views.dictionary import dictionary_markdown
from auditkit.views.summaries import ledger_lines

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language):
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.DOTALL)


def test_it_opens_with_the_job_in_one_paragraph():
    paragraphs = README.split("\n\n")
    assert paragraphs[0] == "# auditkit"
    assert paragraphs[1].startswith("A contractor sends small crews to repaint metalwork")


def test_both_commands_are_one_line_each():
    for name in ("demo", "tests"):
        block = README.split(f"<!-- command: {name} -->\n```sh\n")[1].split("```")[0]
        assert len(block.strip().splitlines()) == 1
        assert block.startswith("python3 -m venv .venv && .venv/bin/pip install")


def test_data_dictionary_is_that_of_the_contracts():
    table = README.split("<!-- dictionary: begin -->\n")[1].split("\n<!-- dictionary: end -->")[0]
    assert table == dictionary_markdown(load_contracts()), "put the text of dictionary_markdown() in"


def test_cautions_are_carried():
    for caution in CAUTIONS:
        assert f"- {caution}" in README


def test_tour_shows_real_output(raw_dossier):
    console = blocks("console")[0]
    for line in ledger_lines(raw_dossier.ledger, most=2)[:3]:
        assert line in console
    totals = raw_dossier.files[["read", "accepted", "set_aside"]].sum()
    assert f"in all{totals['read']:>23,}{totals['accepted']:>11,}{totals['set_aside']:>12}" in console


def test_the_sample_is_described_as_it_is(raw_dossier):
    files = raw_dossier.files
    assert f"The sample came in as {files['file'].nunique()} files" in README
    text_encodings = set(files["encoding"].dropna()) - {"xlsx", "parquet"}
    assert len(text_encodings) == 3
    assert "three text\nencodings" in README


def test_python_in_the_readme_runs():
    space = {}
    for block in blocks("python"):
        exec(block, space)
    assert len(space["findings"].film.by_area) == len(space["dossier"].tables["areas"])


def test_declaration_in_the_readme_is_a_valid_one(tmp_path):
    clean = auditkit.sample_folder() / "clean"
    for name in ("jobs.csv", "areas.csv"):
        (tmp_path / name).write_bytes((clean / name).read_bytes())
    (tmp_path / "dossier.yaml").write_text(blocks("yaml")[0], encoding="utf-8")
    text = "Area;Side;Spot;Time;R1;R2;R3\nA001;front;1;13.01.2027 09:05;2,9;3,0;3,1\n"
    (tmp_path / "readings_G2.csv").write_text(text, encoding="utf-8")
    readings = auditkit.read_dossier(tmp_path).tables["film_readings"]
    assert readings["dft_um"].tolist() == pytest.approx([73.66, 76.2, 78.74])
    assert set(readings["side"]) == {"facing"}


def test_links_and_pictures_are_there():
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target
