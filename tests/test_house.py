"""The house keeps its shape: imports point down, the front door is light, the top level is what it should be."""

import ast
import json
import subprocess
import sys
from pathlib import Path

import pytest

import auditkit

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = ROOT / "auditkit"
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))

FLOORS = {
    "errors": 0,
    "units": 0,
    "paths": 0,
    "version": 0,
    "contracts": 1,
    "intake": 1,
    "dossier": 1,
    "trade": 2,
    "stats": 2,
    "findings": 3,
    "views": 4,
    "report": 5,
    "explore": 5,
    "terminal": 5,
    "cli": 6,
    "cli_reports": 6,
    "cli_lab": 6,
    "cli_records": 6,
    "__main__": 6,
    "__init__": 6,
    "simulate": 6,
}
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "auditkit", "notebooks", "schemas", "tests", "sample_data"}
HEAVY = (
    "numpy",
    "pandas",
    "pandera",
    "plotly",
    "scipy",
    "sklearn",
    "statsmodels",
    "pyarrow",
    "rich",
    "typer",
    "jinja2",
)


def _topic(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _imported_topics(path: Path) -> set[str]:
    """Topics of auditkit that a module imports at run time, wherever in the module it does."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    only_types = {
        id(node)
        for branch in ast.walk(tree)
        if isinstance(branch, ast.If) and ast.unparse(branch.test) == "TYPE_CHECKING"
        for node in ast.walk(branch)
    }
    names = []
    for node in ast.walk(tree):
        if id(node) in only_types:
            continue
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            assert node.level == 0, f"{path}: imports are written in full"
            names += [f"auditkit.{alias.name}" for alias in node.names] if node.module == "auditkit" else [node.module]
    return {name.split(".")[1] for name in names if name.startswith("auditkit.")}


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda path: str(path.relative_to(PACKAGE)))
def test_imports_point_down(path):
    here = _topic(path)
    assert here in FLOORS, f"{here} has no floor: give it one in DEVELOPERS.md and here"
    for there in _imported_topics(path) - {here}:
        assert FLOORS[there] <= FLOORS[here], f"{here} may not import {there}, which lies above it"
        assert {here, there} != {"trade", "stats"}, "trade and stats do not know each other"
        assert not (here in {"trade", "stats"} and FLOORS[there] == 1), f"{here} takes plain frames, not {there}"


def test_the_import_reader_sees_an_import(tmp_path):
    module = tmp_path / "m.py"
    module.write_text("from auditkit.stats.strata import stratified\nfrom auditkit import report\n")
    assert _imported_topics(module) == {"stats", "report"}


def test_front_door_loads_nothing_heavy():
    code = f"import sys, auditkit; print([m for m in sys.modules if m.split('.')[0] in {HEAVY!r}])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_help_loads_no_frames():
    code = (
        "import sys\nfrom typer.testing import CliRunner\nfrom auditkit.cli import app\n"
        "assert CliRunner().invoke(app, ['--help']).exit_code == 0\n"
        "print([m for m in ('pandas', 'pandera', 'plotly', 'scipy') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_public_name_is_there():
    for name in auditkit.__all__:
        assert getattr(auditkit, name) is not None
    with pytest.raises(AttributeError, match="has no attribute 'audit_all'; it has Dossier"):
        auditkit.audit_all  # noqa: B018


def test_top_level():
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if tracked.returncode:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in tracked.stdout.splitlines()}
    assert {name for name in top if not name.startswith(".")} == TOP_LEVEL


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebook_was_run_from_top_to_bottom_and_is_thin(path):
    cells = [cell for cell in json.loads(path.read_text(encoding="utf-8"))["cells"] if cell["cell_type"] == "code"]
    cells = [cell for cell in cells if "".join(cell["source"]).strip()]
    assert [cell["execution_count"] for cell in cells] == list(range(1, len(cells) + 1))
    for cell in cells:
        source = "".join(cell["source"])
        assert "def " not in source, "functions belong in the package"
        assert len(source.splitlines()) <= 15, "a cell of over 15 lines belongs in the package"
        assert not [out for out in cell["outputs"] if out.get("name") == "stderr" or out["output_type"] == "error"]
    assert any("assert" in "".join(cell["source"]) for cell in cells)


def test_there_are_notebooks():
    assert [path.name[:2] for path in NOTEBOOKS] == ["01", "02", "03", "04", "05", "06", "07"]


def test_no_module_is_too_long():
    long = {str(p.relative_to(ROOT)): n for p in PACKAGE.rglob("*.py") if (n := len(p.read_text().splitlines())) > 440}
    assert not long, "a module of more than about 400 lines becomes two topics"
