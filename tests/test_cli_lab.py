"""The command that lays the notebooks and opens JupyterLab."""

import sys
from pathlib import Path

import pytest

from auditkit import read_dossier
from auditkit.paths import notebooks_folder


@pytest.fixture
def here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_without_a_folder_the_sample_is_laid_out_and_still_reads(call, here):
    code, out, _err = call("lab", "--only-lay")
    assert code == 0
    notebooks = sorted(path.name for path in (here / "auditkit-lab" / "records-notebooks").iterdir())
    assert notebooks == sorted(path.name for path in notebooks_folder().glob("*.ipynb"))
    assert out.count(": placed") == len(notebooks)
    assert len(read_dossier(here / "auditkit-lab" / "records").tables["film_readings"]) > 5000


def test_the_server_is_rooted_at_the_notebooks_and_opens_the_one_asked_for(call, here, started):
    (here / "site").mkdir()
    code, _, _ = call("lab", "site", "--notebook", "05", "--no-browser", "--port", "9001")
    assert code == 0
    [asked] = started
    assert asked[:3] == [sys.executable, "-m", "jupyterlab"]
    assert f"--ServerApp.root_dir={(here / 'site-notebooks').resolve()}" in asked
    assert "--LabApp.default_url=/lab/tree/05_defects_and_conditions.ipynb" in asked
    assert {"--no-browser", "--port=9001"} <= set(asked)
    assert "--allow-root" not in asked


def test_root_starts_it_where_that_is_asked_for(call, here, started):
    (here / "site").mkdir()
    assert call("lab", "site", "--allow-root")[0] == 0
    assert "--allow-root" in started[0]


def test_an_unknown_notebook_is_said_before_anything_is_started(call, here, started):
    Path("site").mkdir()
    code, _out, err = call("lab", "site", "--notebook", "09")
    assert code == 2
    assert "--notebook: must be one of 01, 02, 03, 04, 05, 06, 07; given '09'" in err
    assert started == []


def test_without_jupyterlab_the_cure_is_said(call, here, started, monkeypatch):
    Path("site").mkdir()
    monkeypatch.setattr("auditkit.cli_lab.find_spec", lambda name: None)
    code, _out, err = call("lab", "site")
    assert code == 2
    assert "pip install 'auditkit[lab]'" in err
    assert started == []
