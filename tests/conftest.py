"""What several tests share: the sample audit, read and audited once."""

import json
import sys

import pytest

import auditkit
from auditkit.cli import main


@pytest.fixture(scope="session")
def raw_dossier():
    return auditkit.read_dossier(auditkit.sample_folder() / "raw")


@pytest.fixture(scope="session")
def clean_dossier():
    return auditkit.read_dossier(auditkit.sample_folder() / "clean")


@pytest.fixture(scope="session")
def findings(raw_dossier):
    return auditkit.audit(raw_dossier)


@pytest.fixture(scope="session")
def truth():
    return json.loads((auditkit.sample_folder() / "truth.json").read_text(encoding="utf-8"))


@pytest.fixture
def call(monkeypatch, capsys):
    """Run in this process, which is quicker; return exit code, standard output and standard error."""

    def call(*arguments):
        monkeypatch.setattr(sys, "argv", ["auditkit", *map(str, arguments)])
        with pytest.raises(SystemExit) as stop:
            main()
        return (stop.value.code or 0, *capsys.readouterr())

    return call


@pytest.fixture
def started(monkeypatch):
    """Return what would have been started in place of JupyterLab."""
    asked = []

    class Done:
        returncode = 0

    def run(arguments, **_):
        asked.append(arguments)
        return Done()

    monkeypatch.setattr("auditkit.cli_lab.subprocess.run", run)
    monkeypatch.setattr("auditkit.cli_lab.find_spec", lambda name: object())
    return asked
