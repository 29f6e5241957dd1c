"""Folders that ship with the package."""

import pytest

from auditkit.errors import SourceError
from auditkit.paths import _shipped, schemas_folder


def test_schemas_hold_the_contracts_and_the_rules():
    names = {path.name for path in schemas_folder().iterdir()}
    assert {"jobs.yaml", "film_readings.yaml", "film_rules.yaml"} <= names


def test_the_copy_beside_the_modules_comes_first(tmp_path):
    package = tmp_path / "auditkit"
    (package / "_schemas").mkdir(parents=True)
    (tmp_path / "schemas").mkdir()
    assert _shipped("_schemas", "schemas", package=package) == package / "_schemas"
    (package / "_schemas").rmdir()
    assert _shipped("_schemas", "schemas", package=package) == tmp_path / "schemas"


def test_neither_is_an_error_that_says_where_it_looked(tmp_path):
    with pytest.raises(SourceError, match=r"The folder 'schemas' must come with auditkit, but neither .*_schemas nor "):
        _shipped("_schemas", "schemas", package=tmp_path / "auditkit")
