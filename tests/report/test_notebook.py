"""The report notebook executed: parameters, a kernel of its own, the same bytes each time, faults that can be read."""

import builtins
import json
import os

import pytest

from auditkit.errors import SourceError
from auditkit.report.notebook import execute_report, report_notebook, with_parameters


def code(source, number, tags=()):
    return {
        "cell_type": "code",
        "id": f"t-{number:02d}",
        "metadata": {"tags": list(tags), "execution": {"iopub.execute_input": "2027"}},
        "source": source,
        "outputs": [],
        "execution_count": 7,
    }


def notebook(*sources):
    text = {"cell_type": "markdown", "id": "t-00", "metadata": {}, "source": "# One\n\n## Two"}
    first = code("seed = 1  # of all\nname = 'x'", 1, ["parameters"])
    cells = [text, first, *(code(source, number) for number, source in enumerate(sources, start=2))]
    return {"cells": cells, "metadata": {"kernelspec": {"name": "other"}}, "nbformat": 4, "nbformat_minor": 5}


def test_the_notebook_runs_with_its_parameters_and_gives_the_same_bytes_twice(tmp_path):
    given = notebook("print(seed + 1, name)", "import os\nprint(sorted(os.listdir()))", "hash('a')")
    seen = []
    told = {"parameters": {"seed": 41, "name": "a'b\"\n"}, "notebook": given}
    (tmp_path / "one").mkdir()
    (tmp_path / "two").mkdir()
    one = execute_report(tmp_path / "one", **told, on_progress=lambda *step: seen.append(step))
    two = execute_report(tmp_path / "two", **told)
    assert one == two
    ran = json.loads(one)
    assert "".join(ran["cells"][1]["source"]) == "seed = 41  # of all\nname = 'a\\'b\"\\n'"
    assert "".join(ran["cells"][2]["outputs"][0]["text"]) == "42 a'b\"\n\n"
    assert "".join(ran["cells"][3]["outputs"][0]["text"]) == "[]\n"  # nothing of ours lies in the folder
    assert [cell["id"] for cell in ran["cells"]] == ["t-00", "t-01", "t-02", "t-03", "t-04"]
    assert "execution" not in ran["cells"][2]["metadata"]
    assert ran["metadata"]["language_info"] == {"name": "python"}
    assert seen[0] == ("Two", 1, 5)
    assert seen[-1] == ("Two", 5, 5)
    assert given["cells"][2]["outputs"] == []


def test_what_is_printed_is_one_text_whenever_the_kernel_sends_its_pieces(tmp_path):
    pieces = "import sys\nfor piece in 'abc':\n    print(piece, end='')\n    sys.stdout.flush()\n7"
    said = json.loads(execute_report(tmp_path, parameters={}, notebook=notebook(pieces)))["cells"][2]["outputs"]
    assert [(output["output_type"], "".join(output.get("text", ""))) for output in said] == [
        ("stream", "abc"),
        ("execute_result", ""),
    ]


def test_the_kernel_is_this_python_on_one_thread_and_without_start_up_files(tmp_path, monkeypatch):
    start = tmp_path / "ipython" / "profile_default" / "startup"
    start.mkdir(parents=True)
    (start / "0.py").write_text("import builtins\nbuiltins.planted = 1")
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    monkeypatch.setenv("OMP_NUM_THREADS", "2")
    asked = (
        "import os, sys, builtins\nprint(sys.executable, os.environ['OMP_NUM_THREADS'], hasattr(builtins, 'planted'))"
    )
    ran = json.loads(execute_report(tmp_path, parameters={}, notebook=notebook(asked)))
    import sys

    assert "".join(ran["cells"][2]["outputs"][0]["text"]) == f"{sys.executable} 1 False\n"
    assert "OMP_NUM_THREADS" in os.environ


def test_a_warning_is_kept_without_where_the_module_lies(tmp_path):
    source = "import warnings\nwarnings.warn('thin film', RuntimeWarning)"
    text = execute_report(tmp_path, parameters={}, notebook=notebook(source)).decode()
    assert "RuntimeWarning: thin film" in text
    assert "ipykernel" not in text


def test_a_fault_of_the_records_is_the_users_to_mend(tmp_path):
    source = "from auditkit.errors import SourceError\nraise SourceError('film.csv: must hold rows. Add some.')"
    with pytest.raises(SourceError, match=r"^film\.csv: must hold rows\. Add some\.$"):
        execute_report(tmp_path, parameters={}, notebook=notebook(source))


def test_a_fault_of_the_program_names_the_cell(tmp_path):
    with pytest.raises(RuntimeError, match=r"failed in cell t-03, under 'Two': AssertionError: no film$"):
        execute_report(tmp_path, parameters={}, notebook=notebook("1", "assert False, 'no film'", "2"))


def test_a_kernel_that_dies_is_told(tmp_path):
    with pytest.raises(SourceError, match="must run to its end; its process was ended"):
        execute_report(tmp_path, parameters={}, notebook=notebook("import os\nos._exit(1)"))


@pytest.mark.parametrize("wrong", [{"sead": 3}, {"seed": [1]}, {"seed": None}])
def test_parameters_that_are_none(wrong):
    with pytest.raises(SourceError, match=r"must be text or a number and one of seed, name; given se[ae]d = "):
        with_parameters(notebook(), wrong)


def test_a_notebook_without_a_cell_of_parameters():
    bare = notebook()
    del bare["cells"][1]
    with pytest.raises(SourceError, match="must have one cell tagged 'parameters'; it has 0"):
        with_parameters(bare, {})


def test_what_is_missing_is_named(tmp_path, monkeypatch):
    plain = builtins.__import__

    def without(name, *rest, **more):
        if name.split(".")[0] == "nbclient":
            raise ImportError(name="nbclient")
        return plain(name, *rest, **more)

    monkeypatch.setattr(builtins, "__import__", without)
    words = r"needs nbclient, nbformat and ipykernel; nbclient is not installed\. Run: pip install 'auditkit\[report\]'"
    with pytest.raises(SourceError, match=words):
        execute_report(tmp_path, parameters={}, notebook=notebook())


def test_the_notebook_that_ships_has_the_parameters_of_an_audit():
    told = with_parameters(
        report_notebook(),
        {"folder": "records", "confidence": 0.9, "false_discovery_rate": 0.1, "seed": 3, "out": "made"},
    )
    cells = [cell for cell in told["cells"] if cell["cell_type"] == "code"]
    assert all(cell["outputs"] == [] and cell["execution_count"] is None for cell in cells)
    found = {}
    exec(cells[0]["source"], found)
    assert (found["folder"], found["confidence"], found["false_discovery_rate"], found["seed"]) == (
        "records",
        0.9,
        0.1,
        3,
    )
