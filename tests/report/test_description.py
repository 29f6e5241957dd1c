"""The description as an RO-Crate: other people's tools read it."""

import hashlib
import json

import pytest

from auditkit.errors import SourceError
from auditkit.report.description import CRATE_FILE, crate

CONTENTS = {
    "findings.json": b"{}",
    "parameters.json": b'{"seed": 1}',
    "records/Fläche 1.csv": b"a\n",
    "schemas/areas.yaml": b"x: 1\n",
    "report.pdf": b"%PDF",
    "records/raw.bin": b"",
}
SAID = {
    "title": "Winter refit",
    "description": "An audit.",
    "date": "2027-04-01",
    "authors": ["K. Lund", "T. Aas"],
    "about": {"findings.json": "Every number of the report."},
    "python": "3.11.2",
}


def test_the_reference_library_reads_it(tmp_path):
    from rocrate import rocrate

    for path, content in CONTENTS.items():
        (tmp_path / path).parent.mkdir(exist_ok=True)
        (tmp_path / path).write_bytes(content)
    (tmp_path / CRATE_FILE).write_text(json.dumps(crate(CONTENTS, **SAID)), encoding="utf-8")
    read = rocrate.ROCrate(tmp_path)
    assert read.name == "Winter refit"
    assert read.metadata.id == CRATE_FILE
    assert sorted(entity["name"] for entity in read.data_entities) == sorted(CONTENTS)
    for entity in read.data_entities:
        assert (tmp_path / entity["name"]).read_bytes() == CONTENTS[entity["name"]]
        assert entity["sha256"] == hashlib.sha256(CONTENTS[entity["name"]]).hexdigest()
    assert [person["name"] for person in read.root_dataset["author"]] == ["K. Lund", "T. Aas"]
    run = read.dereference("#run")
    assert run.type == "CreateAction"
    assert [tool["name"] for tool in run["instrument"]] == ["auditkit", "Python"]
    assert sorted(entity["name"] for entity in run["result"]) == ["findings.json", "report.pdf"]
    assert read.root_dataset["license"]["description"].startswith("Evidence of an audit")


def test_what_the_standard_asks_of_the_root():
    """RO-Crate 1.1, section 4: descriptor, and name, description, datePublished and license of the root."""
    made = crate(CONTENTS, **SAID)
    descriptor, root = made["@graph"][:2]
    assert made["@context"] == "https://w3id.org/ro/crate/1.1/context"
    assert descriptor["@id"] == "ro-crate-metadata.json"
    assert descriptor["conformsTo"] == {"@id": "https://w3id.org/ro/crate/1.1"}
    assert descriptor["about"] == {"@id": root["@id"]} == {"@id": "./"}
    assert {"name", "description", "datePublished", "license"} <= set(root)
    ids = [entity["@id"] for entity in made["@graph"]]
    assert len(ids) == len(set(ids))
    references = [each["@id"] for each in root["hasPart"]]
    assert sorted(references) == sorted(entity["@id"] for entity in made["@graph"] if entity["@type"] == "File")


def test_files_and_what_the_run_used_and_made(tmp_path):
    (tmp_path / "x").write_bytes(b"a\n")
    made = crate({**CONTENTS, "records/Fläche 1.csv": tmp_path / "x"}, **SAID)
    assert made == crate(dict(reversed(CONTENTS.items())), **SAID)
    graph = {entity["@id"]: entity for entity in made["@graph"]}
    file = graph["records/Fl%C3%A4che%201.csv"]
    assert (file["name"], file["contentSize"], file["encodingFormat"]) == ("records/Fläche 1.csv", "2", "text/csv")
    assert graph["records/raw.bin"]["encodingFormat"] == "application/octet-stream"
    assert graph["findings.json"]["description"] == "Every number of the report."
    assert "description" not in graph["report.pdf"]
    run = graph["#run"]
    assert [each["@id"] for each in run["object"]] == [
        "parameters.json",
        "records/Fl%C3%A4che%201.csv",
        "records/raw.bin",
        "schemas/areas.yaml",
    ]
    assert run["endTime"] == "2027-04-01"
    nobody = crate(CONTENTS, **{**SAID, "authors": []})["@graph"][1]
    assert "author" not in nobody


def test_what_cannot_be_described():
    with pytest.raises(SourceError, match=r"must be as in ISO 8601; given 'today'\. Write 2027-04-01"):
        crate(CONTENTS, **{**SAID, "date": "today"})
    with pytest.raises(SourceError, match="is where the description itself stands"):
        crate({CRATE_FILE: b""}, **SAID)
    with pytest.raises(SourceError, match="leads out of its folder"):
        crate({"../x": b""}, **SAID)
