"""The notebooks laid beside records: set to them, without outputs, and never over somebody's edit."""

import json

import pytest

from auditkit.errors import SourceError
from auditkit.paths import notebooks_folder
from auditkit.report.lab_folder import EDITED, PLACED, RENEWED, SAME, lay_notebooks


@pytest.fixture
def laid(tmp_path):
    records = tmp_path / "site" / "records"
    records.mkdir(parents=True)
    out = records / "notebooks"
    return records, out, lay_notebooks(records, out)


def read(path):
    return json.loads(path.read_text(encoding="utf-8"))


def write(path, notebook):
    path.write_text(json.dumps(notebook), encoding="utf-8")


def test_every_notebook_is_there_set_to_the_records_and_without_the_samples_outputs(laid):
    records, out, told = laid
    assert [one.path.name for one in told] == sorted(path.name for path in notebooks_folder().glob("*.ipynb"))
    assert {one.state for one in told} == {PLACED}
    for one in told:
        cells = [cell for cell in read(one.path)["cells"] if cell["cell_type"] == "code"]
        assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in cells)
        said = {}
        exec(cells[0]["source"], said)
        assert (out / said["folder"]).resolve() == records.resolve()


def test_shipped_text_and_cells_are_kept(laid):
    for one in laid[2]:
        shipped, there = read(notebooks_folder() / one.path.name)["cells"], read(one.path)["cells"]
        changed = [a["id"] for a, b in zip(shipped, there, strict=True) if "".join(a["source"]) != b["source"]]
        assert len(changed) == 1


def test_a_notebook_that_only_ran_is_not_touched(laid):
    records, out, told = laid
    path = told[1].path
    notebook = read(path)
    notebook["cells"][1]["outputs"] = [{"output_type": "stream", "name": "stdout", "text": "ran"}]
    write(path, notebook)
    before = path.read_bytes()
    assert {one.state for one in lay_notebooks(records, out)} == {SAME}
    assert path.read_bytes() == before


def test_an_edit_is_never_written_over_and_the_others_are_laid(laid):
    records, out, told = laid
    edited, gone = told[0].path, told[3].path
    notebook = read(edited)
    notebook["cells"].append({"cell_type": "code", "id": "mine", "metadata": {}, "outputs": [], "source": "1 + 1"})
    write(edited, notebook)
    gone.unlink()
    before = edited.read_bytes()
    states = {one.path: one.state for one in lay_notebooks(records, out)}
    assert (states[edited], states[gone]) == (EDITED, PLACED)
    assert edited.read_bytes() == before


def test_an_older_one_that_nobody_edited_is_renewed(laid, tmp_path, monkeypatch):
    records, out, told = laid
    newer = tmp_path / "newer"
    newer.mkdir()
    for path in notebooks_folder().glob("*.ipynb"):
        notebook = read(path)
        notebook["cells"][0]["source"] = "# A newer one"
        write(newer / path.name, notebook)
    monkeypatch.setattr("auditkit.report.lab_folder.notebooks_folder", lambda: newer)
    assert {one.state for one in lay_notebooks(records, out)} == {RENEWED}
    assert read(told[0].path)["cells"][0]["source"] == "# A newer one"


def test_moved_records_are_found_again_from_where_the_notebooks_lie(tmp_path):
    records = tmp_path / "records"
    records.mkdir()
    lay_notebooks(records, tmp_path / "elsewhere" / "deep")
    source = read(tmp_path / "elsewhere" / "deep" / "01_records.ipynb")["cells"][1]["source"]
    assert source.startswith("folder = '../../records'")


@pytest.mark.parametrize("content", [b"not json", b"[]", b'{"cells": 3}', b"{}"])
def test_a_file_that_is_no_notebook_is_left_and_nothing_is_written(tmp_path, content):
    records, out = tmp_path / "records", tmp_path / "out"
    records.mkdir()
    out.mkdir()
    (out / "02_film_thickness.ipynb").write_bytes(content)
    with pytest.raises(SourceError, match=r"02_film_thickness\.ipynb: must be a notebook"):
        lay_notebooks(records, out)
    assert [path.name for path in out.iterdir()] == ["02_film_thickness.ipynb"]
    assert (out / "02_film_thickness.ipynb").read_bytes() == content


def test_records_must_be_a_folder(tmp_path):
    with pytest.raises(SourceError, match=r"must be a folder of records; it is not there"):
        lay_notebooks(tmp_path / "none", tmp_path / "out")
    assert not (tmp_path / "out").exists()
