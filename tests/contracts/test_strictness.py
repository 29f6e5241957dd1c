import pytest

from auditkit.contracts.strictness import faults_against, path_text, read_schema
from auditkit.errors import ContractError
from auditkit.paths import schemas_folder

SCHEMA = {
    "type": "object",
    "additionalProperties": False,
    "required": ["title"],
    "properties": {
        "title": {"type": "string", "minLength": 1},
        "n": {"type": "integer", "minimum": 1, "maximum": 3},
        "order": {"enum": ["day-first", "month-first"]},
        "list": {"type": "array", "minItems": 1, "uniqueItems": True, "items": {"type": ["string", "number"]}},
        "name": {"type": "string", "pattern": "^[a-z]+$"},
    },
}


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ({"n": 1}, "f, must have title"),
        ({"title": ""}, "f, title: must not be empty"),
        ({"title": "x", "n": 0}, "f, n: must be at least 1; given 0"),
        ({"title": "x", "n": 4}, "f, n: must be at most 3; given 4"),
        ({"title": "x", "n": "1"}, "f, n: must be a whole number; given '1'"),
        ({"title": "x", "order": "dayfirst"}, "one of day-first, month-first; given 'dayfirst'. Write 'day-first'"),
        ({"title": "x", "order": "?"}, "Use one of these"),
        ({"title": "x", "list": []}, "f, list: must have at least 1 entries"),
        ({"title": "x", "list": [True]}, "f, list[1]: must be text or a number; given True"),
        ({"title": "x", "list": ["a", "a"]}, "f, list: must not list a thing twice"),
        ({"title": "x", "name": "A"}, "f, name: must match ^[a-z]+$; given 'A'"),
        (
            {"title": "x", "zzz": 1},
            "f, zzz: must be a key known here (list, n, name, order, title); given 'zzz'. Remove",
        ),
        ([], "f: must be a mapping of keys to values; given []"),
    ],
)
def test_each_fault_says_where_and_what(data, message):
    text = "\n".join(map(str, faults_against(data, SCHEMA, where="f")))
    assert message.replace("f, must have", "f: must have") in text


def test_all_unknown_keys_come_at_once():
    assert len(faults_against({"title": "x", "a": 1, "b": 2}, SCHEMA, where="f")) == 2


def test_entries_are_counted_from_one():
    assert path_text(["tables", 1, "wide"]) == "tables[2].wide"


def test_shipped_schemas_are_of_the_draft_they_name():
    from jsonschema import Draft202012Validator

    for name in ("contract.schema.json", "dossier.schema.json"):
        Draft202012Validator.check_schema(read_schema(schemas_folder() / name))


def test_a_schema_that_cannot_be_read_is_told(tmp_path):
    with pytest.raises(ContractError, match=r"x.json: must be a JSON Schema that can be read"):
        read_schema(tmp_path / "x.json")
