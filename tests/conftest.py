"""What several tests share: the sample audit, read and audited once."""

import json

import pytest

import auditkit


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
