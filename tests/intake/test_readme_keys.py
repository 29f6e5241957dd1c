"""The README explains every key of `dossier.yaml` and every unit, and its examples are valid."""

import json
import re
from pathlib import Path

import pytest
import yaml

from auditkit import units
from auditkit.contracts.strictness import faults_against, read_schema
from auditkit.intake.folder import find_files
from auditkit.paths import schemas_folder

SCHEMA = read_schema(schemas_folder() / "dossier.schema.json")
README = (Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
SECTION = README.split("## dossier.yaml, key by key\n")[1].split("\n## ")[0]
ROWS = [
    [cell.strip() for cell in line.strip("|").split(" | ")] for line in SECTION.splitlines() if line.startswith("| `")
]


def keys_of(schema):
    """Yield every key that some object of a schema knows."""
    if isinstance(schema, dict):
        properties = schema.get("properties")
        if isinstance(properties, dict):
            yield from properties
        for part in schema.values():
            yield from keys_of(part)
    elif isinstance(schema, list):
        for part in schema:
            yield from keys_of(part)


def test_every_key_of_the_format_stands_in_the_table():
    keys = set(keys_of(SCHEMA))
    assert {"auditkit", "fill_down", "pattern", "spot_min_um"} <= keys
    told = set(re.findall(r"`([a-z0-9_]+)`", "\n".join(f"{key} {meaning}" for key, meaning, _ in ROWS)))
    assert keys - told == set(), "add a row to the table of keys in README.md"


def test_every_row_of_the_table_is_a_key_of_the_format():
    assert {row[0].strip("`") for row in ROWS} <= set(keys_of(SCHEMA))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row[0].strip("`"))
def test_the_example_of_every_key_is_valid(row):
    key, example = row[0].strip("`"), yaml.safe_load(row[2].strip("`"))
    assert list(example) == [key]
    document = {"auditkit": 1} | example
    if key not in SCHEMA["properties"]:
        document = {"auditkit": 1, "tables": [{"file": "a.csv", "record": "jobs"} | example]}
    assert faults_against(json.loads(json.dumps(document)), SCHEMA, where="example") == []


def test_every_unit_is_told_with_its_quantity():
    line = " ".join(SECTION.split("Units known")[1].split())
    for quantity in {units.quantity_of(unit) for unit in units.known()}:
        shown = ", ".join(f"`{unit}`" for unit in units.known(quantity))
        assert f"{quantity} {shown}" in line


def test_what_is_read_is_as_told():
    from auditkit.intake.folder import _ENDINGS

    for ending in _ENDINGS:
        assert f"`{ending}`" in SECTION
    assert "one level down" in str(find_files.__doc__)
    assert "one level of subfolders" in " ".join(SECTION.split())
