"""A sealed report in other people's tools: bagit, rocrate, frictionless and pypdf open the very same folder."""

import hashlib
import io
import json
import re

import pypdf
import pytest


@pytest.fixture(scope="module")
def data(small_sealed):
    return small_sealed.folder / "data"


def test_bagit_finds_it_valid_and_finds_a_change(small_sealed, tmp_path):
    import shutil

    import bagit

    bag = bagit.Bag(str(small_sealed.folder))
    bag.validate(completeness_only=False)
    assert sorted(bag.algorithms) == ["sha256", "sha512"]
    assert bag.info["Bagging-Date"] == "2027-04-01"
    copy = shutil.copytree(small_sealed.folder, tmp_path / "copy")
    with (copy / "data" / "report.html").open("ab") as file:
        file.write(b" ")
    with pytest.raises(bagit.BagError, match=r"Payload-Oxum|report\.html"):
        bagit.Bag(str(copy)).validate()


def test_rocrate_reads_every_file_with_who_and_what(data):
    from rocrate import rocrate

    crate = rocrate.ROCrate(data)
    there = {path.relative_to(data).as_posix() for path in data.rglob("*") if path.is_file()}
    described = {entity["name"]: entity for entity in crate.data_entities}
    assert set(described) == there - {"ro-crate-metadata.json"}
    for name, entity in described.items():
        assert entity["sha256"] == hashlib.sha256((data / name).read_bytes()).hexdigest()
    assert crate.name == "Two rails (invented)"
    assert [person["name"] for person in crate.root_dataset["author"]] == ["K. Lund"]
    assert described["trace.html"]["encodingFormat"] == "text/html"
    made = {entity["name"] for entity in crate.dereference("#run")["result"]}
    assert {"findings.json", "report.html", "report.pdf", "report.ipynb", "trace.html"} <= made


# frictionless opens what it reads with the system's own encoding and leaves sockets of its own to the collector
@pytest.mark.filterwarnings("ignore")
def test_frictionless_finds_every_table_valid(data):
    import frictionless

    found = frictionless.validate(str(data / "datapackage.json"))
    assert found.valid, found.to_summary()
    package = frictionless.Package(str(data / "datapackage.json"))
    assert len(found.tasks) == len(package.resources) > 10
    rows = {name: len(package.get_resource(name).read_rows()) for name in ("film_readings", "spray_runs", "areas")}
    assert rows == {"film_readings": 45, "spray_runs": 2, "areas": 2}


def test_pypdf_reads_the_table_of_verdicts_the_title_and_the_language(data):
    reader = pypdf.PdfReader(io.BytesIO((data / "report.pdf").read_bytes()))
    text = re.sub(r"\s+", " ", " ".join(page.extract_text() for page in reader.pages))
    document = json.loads((data / "findings.json").read_bytes())
    for row in document["film"]["sides"]:
        assert f"{row['area_id']} {row['side']} {row['job_id']} {row['verdict']}" in text
    root = reader.trailer["/Root"]
    assert (reader.metadata["/Title"], root["/Lang"]) == ("Two rails (invented)", "en")
    assert bool(root["/MarkInfo"]["/Marked"])
    assert len(reader.outline) > 5


def test_the_notebook_is_one_by_its_own_format(data):
    import nbformat

    notebook = nbformat.reads((data / "report.ipynb").read_text(encoding="utf-8"), as_version=4)
    nbformat.validate(notebook)
    tagged = [cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", [])]
    assert len(tagged) == 1
