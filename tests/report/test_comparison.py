"""Two reports compared: records, verdicts, causes, settings; each change named with what changed beside it."""

import copy
import io
import json
from pathlib import Path

import pandas as pd
import pytest

from auditkit.errors import SourceError
from auditkit.findings.document import rows_of
from auditkit.findings.film import find_film
from auditkit.intake import read_dossier
from auditkit.report.comparison import Issued, compare_reports, read_issued
from auditkit.report.table_package import data_package

from .small_dossier import JOBS, film_text, write_small


@pytest.fixture(scope="module")
def issued(small_sealed):
    return read_issued(small_sealed.folder)


def changed(issued, **told):
    """Return a copy of a report with other parts."""
    parts = {
        name: copy.deepcopy(getattr(issued, name))
        for name in ("name", "document", "tables", "parameters", "environment")
    }
    return Issued(**{**parts, **told})


def film_report(folder):
    """Return a report of film alone, from records, as an audit would issue it."""
    dossier = read_dossier(folder)
    tables = data_package(dossier, created="2027-04-01T00:00:00Z")[1]
    return Issued(
        name=str(folder),
        document={"film": {"sides": rows_of(find_film(dossier.tables).areas)}, "settings": {}},
        tables={
            Path(name).stem: pd.read_csv(io.BytesIO(text), dtype="str", keep_default_na=False)
            for name, text in tables.items()
        },
    )


def test_a_report_against_itself(issued):
    told = compare_reports(issued, issued)
    assert told.n == 0
    assert all(
        frame.empty
        for frame in (told.records, told.set_aside, told.verdicts, told.causes, told.settings, told.environment)
    )
    assert told.words == (
        "Accepted records: 0 added, 0 removed, 0 changed.",
        "Verdicts that changed: 0; of causes and associations: 0.",
        "Settings that differ: 0; of the environment: 0.",
        "The two reports say the same.",
    )


def test_a_corrected_reading_turns_a_verdict_and_is_named_as_the_reason(tmp_path):
    text = film_text()
    for spot, mils in ((1, (1.6, 1.7)), (5, (1.6, 1.7, 1.8))):
        start = 2 if spot == 1 else 1
        for number, mil in enumerate(mils, start=start):
            text = text.replace(f"A2,front,{spot},{number},{mil},", f"A2,front,{spot},{number},{mil + 1:.1f},")
    text = "\n".join(line for line in text.splitlines() if not line.startswith("A1,back,5,3")) + "\n"
    before, after = film_report(write_small(tmp_path / "one")), film_report(write_small(tmp_path / "two", film=text))
    told = compare_reports(before, after)
    assert told.verdicts[["topic", "key", "before", "after", "why"]].to_numpy().tolist() == [
        ["film", "A1 reverse", "conforms", "not assessable", "film_readings: 1 removed"],
        ["film", "A2 facing", "does not conform", "conforms", "film_readings: 5 changed"],
    ]
    cells = told.records[told.records["change"] == "changed"]
    assert len(cells) == 5
    assert cells.iloc[0][["record", "column", "before", "after"]].tolist() == [
        "film_readings",
        "dft_um",
        "40.64",
        "66.04",
    ]
    removed = told.records[told.records["change"] == "removed"]
    assert removed["key"].tolist() == ["A1 reverse 5 3"]
    back = compare_reports(after, before)
    assert back.records["change"].value_counts().to_dict() == {"changed": 5, "added": 1}
    assert back.verdicts[["before", "after"]].to_numpy().tolist() == [
        ["not assessable", "conforms"],
        ["conforms", "does not conform"],
    ]


def test_another_limit_is_named(tmp_path):
    before = film_report(write_small(tmp_path / "one"))
    after = film_report(write_small(tmp_path / "two", jobs=JOBS.replace(",60,75,105,40,", ",40,75,105,40,")))
    told = compare_reports(before, after)
    row = told.verdicts.iloc[0]
    assert row[["key", "before", "after"]].tolist() == ["A2 facing", "does not conform", "conforms"]
    assert row["why"] == "jobs: 1 changed; minimum_um 60.0 became 40.0"


def test_causes_settings_stop_work_and_set_aside(issued):
    document = copy.deepcopy(issued.document)
    document["settings"]["seed"] = 7
    document["settings"]["conditions"]["standoff_mm"]["high"] = 210.0
    document["causal"]["rows"][0]["grade"] = "supported"
    gone = document["stop_work"].pop()
    document["records"]["set_aside_by_rule"] = []
    document["scope"]["contracts"]["jobs"] = "0" * 64
    told = compare_reports(issued, changed(issued, document=document))
    assert told.settings["setting"].tolist() == ["seed", "conditions.standoff_mm.high", "contract jobs"]
    assert told.settings.iloc[1][["before", "after"]].tolist() == ["200.0", "210.0"]
    cause = told.causes.iloc[0]
    assert cause[["topic", "before", "after"]].tolist() == ["cause", "cannot tell", "supported"]
    assert cause["why"] == "settings: seed, conditions.standoff_mm.high, contract jobs"
    stop = told.verdicts.iloc[0]
    assert stop[["topic", "before", "after"]].tolist() == ["stop work", "found", "not there"]
    assert gone["rule"] in stop["key"]
    assert told.set_aside.to_numpy().tolist() == [["film_readings", "type", 1, 0]]
    assert told.n == len(told.settings) + len(told.causes) + len(told.verdicts) + len(told.set_aside)


def test_the_program_and_its_packages(issued):
    environment = copy.deepcopy(issued.environment)
    environment["packages"]["numpy"]["version"] = "0"
    environment["auditkit"]["program_sha256"] = "0"
    document = copy.deepcopy(issued.document)
    document["wrap"]["areas"][0]["verdict"] = "does not conform"
    told = compare_reports(issued, changed(issued, document=document, environment=environment))
    assert told.environment["what"].tolist() == ["auditkit", "numpy"]
    assert told.verdicts["why"].tolist() == ["the program itself; 1 packages"]


def test_where_nothing_else_differs_it_says_so(issued):
    document = copy.deepcopy(issued.document)
    document["wrap"]["areas"][0]["verdict"] = "does not conform"
    told = compare_reports(issued, changed(issued, document=document))
    assert told.verdicts["why"].tolist() == ["cannot tell: nothing else that is compared differs"]


def test_findings_alone_compare_without_records(issued, small_sealed):
    alone = read_issued(small_sealed.folder / "data" / "findings.json")
    document = copy.deepcopy(issued.document)
    document["scope"]["digest"] = "0"
    document["film"]["sides"][0]["verdict"] = "not assessable"
    told = compare_reports(alone, Issued(name="", document=document))
    assert told.records.empty
    assert told.words[0] == "Records are compared only where both reports are sealed."
    assert told.verdicts["why"].tolist() == ["the records (which, is told of sealed reports alone)"]


def test_empty_reports():
    told = compare_reports(Issued(name="", document={}, tables={}), Issued(name="", document={}, tables={}))
    assert told.n == 0


def test_input_stays_and_order_of_rows_does_not_matter(issued):
    before = json.dumps(issued.document)
    turned = copy.deepcopy(issued.document)
    turned["film"]["sides"].reverse()
    tables = {name: table.iloc[::-1] for name, table in issued.tables.items()}
    assert compare_reports(issued, changed(issued, document=turned, tables=tables)).n == 0
    assert json.dumps(issued.document) == before


def test_what_is_no_report(tmp_path):
    with pytest.raises(SourceError, match=r"findings\.json: must be the findings of an audit, or a sealed report"):
        read_issued(tmp_path)
    (tmp_path / "findings.json").write_text("[]")
    with pytest.raises(SourceError, match="must be a JSON object"):
        read_issued(tmp_path)
    with pytest.raises(SourceError, match="must be a sealed report; there is none of that name"):
        read_issued(tmp_path / "none.zip")
