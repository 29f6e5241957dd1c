"""The accepted tables as a Data Package: other people's tools read them as we do."""

import hashlib
import json

import pandas as pd
import pytest

from auditkit.contracts import load_contracts
from auditkit.report.table_package import data_package, table_csv

CREATED = "2027-04-01T12:00:00Z"


@pytest.fixture(scope="module")
def package(clean_dossier):
    return data_package(clean_dossier, created=CREATED)


def written(package, folder):
    descriptor, tables = package
    (folder / "tables").mkdir()
    (folder / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    for path, content in tables.items():
        (folder / path).write_bytes(content)
    return folder / "datapackage.json"


# frictionless opens what it reads with the system's own encoding and leaves sockets of its own to the collector
@pytest.mark.filterwarnings("ignore")
def test_the_reference_library_finds_every_table_valid(package, tmp_path):
    import frictionless

    path = written(package, tmp_path)
    found = frictionless.validate(str(path))
    assert found.valid, found.to_summary()
    assert len(found.tasks) == len(load_contracts())


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        ("A001,J1,", "A002,J1,", "primary-key"),
        ("A001,J1,", "A001,J99,", "foreign-key"),
        (",tube,1.1613", ",pipe,1.1613", "constraint-error"),
        (",tube,1.1613", ",tube,abt 1", "type-error"),
    ],
)
def test_the_reference_library_finds_what_breaks_the_contract(package, tmp_path, old, new, fault):
    import frictionless

    path = written(package, tmp_path)
    areas = tmp_path / "tables" / "areas.csv"
    text = areas.read_text(encoding="utf-8")
    assert old in text
    areas.write_text(text.replace(old, new, 1), encoding="utf-8")
    descriptor = json.loads(path.read_text(encoding="utf-8"))
    for resource in descriptor["resources"]:  # else it stops at the digest
        del resource["hash"], resource["bytes"]
    path.write_text(json.dumps(descriptor), encoding="utf-8")
    found = frictionless.validate(str(path))
    assert fault in {row[0] for row in found.flatten(["type"])}


def test_tables_read_back_to_the_same_values(package, clean_dossier, tmp_path):
    descriptor, _ = package
    written(package, tmp_path)
    for resource in descriptor["resources"]:
        table = clean_dossier.tables[resource["name"]]
        back = pd.read_csv(tmp_path / resource["path"], dtype="str", keep_default_na=False)
        assert list(back.columns) == list(table.columns)
        assert len(back) == len(table)
        for name in table.columns:
            expected, given = table[name], back[name].replace("", None)
            if isinstance(expected.dtype, pd.DatetimeTZDtype):
                assert pd.to_datetime(given, utc=True).astype(expected.dtype).equals(expected)
            elif expected.dtype == "float64":
                assert given.astype("float64").equals(expected)
            elif expected.dtype == "boolean":
                assert given.map({"true": True, "false": False}).astype("boolean").equals(expected)
            else:
                assert given.astype(expected.dtype).equals(expected)


def test_the_descriptor_says_what_the_contract_says(package):
    descriptor, tables = package
    assert (descriptor["profile"], descriptor["created"]) == ("tabular-data-package", CREATED)
    assert descriptor["name"] == "winter-refit-of-three-ferries-2027-invented"
    readings = next(each for each in descriptor["resources"] if each["name"] == "film_readings")
    content = tables["tables/film_readings.csv"]
    assert (readings["bytes"], readings["hash"]) == (len(content), f"sha256:{hashlib.sha256(content).hexdigest()}")
    assert readings["schema"]["primaryKey"] == ["area_id", "side", "spot", "repeat"]
    assert readings["schema"]["foreignKeys"] == [
        {"fields": "area_id", "reference": {"resource": "areas", "fields": "area_id"}}
    ]
    fields = {field["name"]: field for field in readings["schema"]["fields"]}
    assert fields["side"]["constraints"] == {"required": True, "enum": ["facing", "reverse", "edge"]}
    assert fields["dft_um"]["unit"] == "um"
    assert fields["dft_um"]["constraints"] == {"required": True, "minimum": 0.0, "maximum": 20000.0}
    assert fields["part"]["constraints"] == {"minimum": 1, "maximum": 100000}
    assert fields["spot"]["type"] == "integer"
    assert "unit" not in fields["side"]
    assert "format" not in fields["taken_at"]


def test_cells_as_they_are_written():
    frame = pd.DataFrame(
        {
            "text": ["=1+1", None, 'a,"b"\nc'],
            "number": [0.1 + 0.2, float("nan"), -0.5],
            "whole": pd.array([1, None, 3], dtype="Int64"),
            "yes": pd.array([True, None, False], dtype="boolean"),
            "at": pd.to_datetime(
                ["2027-01-13T09:05:00.25+01:00", None, "2027-01-13T08:05:00Z"], utc=True, format="ISO8601"
            ),
        }
    )
    before = frame.copy()
    assert table_csv(frame).decode() == (
        "text,number,whole,yes,at\n"
        "'=1+1,0.30000000000000004,1,true,2027-01-13T08:05:00.250000Z\n"
        ",,,,\n"
        '"a,""b""\nc",-0.5,3,false,2027-01-13T08:05:00.000000Z\n'
    )
    pd.testing.assert_frame_equal(frame, before)


def test_a_title_without_letters_still_names_a_package(clean_dossier):
    from dataclasses import replace

    descriptor, _ = data_package(replace(clean_dossier, title="船"), created=CREATED)
    assert (descriptor["name"], descriptor["title"]) == ("dossier", "船")
    descriptor, _ = data_package(replace(clean_dossier, title="Refit Ågot, 1"), created=CREATED)
    assert descriptor["name"] == "refit-agot-1"
