"""The notebooks run on other records than the sample: a dossier of a few rows, and one of none."""

import pytest

from auditkit.report.lab_folder import lay_notebooks

from .report.small_dossier import write_small

NAMES = (
    "01_records",
    "02_film_thickness",
    "03_wrap",
    "04_settings_and_upkeep",
    "05_defects_and_conditions",
    "06_next_trial",
    "07_report",
)


@pytest.fixture(scope="module")
def laid(tmp_path_factory):
    place = tmp_path_factory.mktemp("elsewhere")
    few, none = write_small(place / "few"), place / "none"
    none.mkdir()
    (none / "jobs.csv").write_text((few / "jobs.csv").read_text(encoding="utf-8"), encoding="utf-8")
    for records in (few, none):
        lay_notebooks(records, place / f"{records.name}-notebooks")
    return place


@pytest.mark.parametrize(
    ("name", "records"), [*((name, "few") for name in NAMES), (NAMES[3], "none"), (NAMES[4], "none")]
)
def test_a_notebook_runs_on_them(laid, name, records):
    import nbformat
    from nbclient import NotebookClient

    folder = laid / f"{records}-notebooks"
    notebook = nbformat.read(folder / f"{name}.ipynb", 4)
    NotebookClient(
        notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(folder)}}
    ).execute()
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(cell.execution_count for cell in code)
    assert f"../{records}" in code[0].source
    told = [output for cell in code for output in cell.outputs]
    assert told
    assert not [output for output in told if output.output_type == "stream" and output.name == "stderr"]
