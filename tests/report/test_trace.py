"""From a finding back to its rows: the file, the line, the text as received, what was done to it, what lies near."""

import copy
import json

import pandas as pd
import pytest

from auditkit.errors import SourceError
from auditkit.findings.audit import audit
from auditkit.intake import read_dossier
from auditkit.report.archive import write_archive
from auditkit.report.received import cells_as_received
from auditkit.report.short_names import SHORT_NAMES, anchor, short_names
from auditkit.report.trace import trace, trace_sealed

from .small_dossier import MILS, write_small


@pytest.fixture(scope="module")
def document(small_sealed):
    return json.loads((small_sealed.folder / "data" / "findings.json").read_bytes())


@pytest.fixture(scope="module")
def dossier(small_sealed):
    return read_dossier(small_sealed.records)


@pytest.fixture(scope="module")
def findings(dossier):
    return audit(dossier, causes=False)


def line_of(path, text):
    """Return the line of a file that begins with a text, counted here by hand, not by the reader under test."""
    return next(n for n, line in enumerate(path.read_text().splitlines(), start=1) if line.startswith(text))


def test_a_failed_film_verdict_leads_to_the_spot_that_failed(document, dossier):
    told = trace(document, dossier, "film A2 facing")
    assert told.told["verdict"] == "does not conform"
    assert "minimum for the lowest spot" in told.rule
    assert "method: Each side of each area" in told.rule
    readings = told.rows[told.rows["record"] == "film_readings"]
    decided = readings[readings["role"].str.contains("decided: lowest spot")]
    first = line_of(dossier.folder / "film.csv", "A2,front,5,1,1.6")
    assert decided["line"].tolist() == [first, first + 1, first + 2]
    assert len(readings) == 15
    assert set(told.rows["record"]) == {"film_readings", "areas", "jobs"}
    assert told.n == len(told.rows) == 17


def test_the_cells_are_as_received_with_what_was_done_to_them(document, dossier):
    told = trace(document, dossier, "/film/sides/2/mean_um")
    mils = told.cells[told.cells["field"] == "dft_um"]
    flat = [mil for spot in MILS["A2", "front"] for mil in spot]
    assert mils["received"].tolist() == [str(mil) for mil in flat]
    assert mils["header"].unique().tolist() == ["Mils"]
    assert [float(value) for value in mils["value"]] == pytest.approx([25.4 * mil for mil in flat])  # 1 mil is 25.4 um
    assert mils["conversion"].iloc[0] == "2.1 mil is 53.34 um"
    sides = told.cells[told.cells["header"] == "Side"]
    assert sides["conversion"].unique().tolist() == ["'front' is declared to mean facing"]
    moments = told.cells[told.cells["header"] == "When"]
    assert moments["received"].iloc[0] == "2027-01-14T09:01:01+01:00"
    assert moments["conversion"].iloc[0] == "read as 2027-01-14T08:01:01+00:00"
    assert told.cells.loc[told.cells["field"] == "size_m2", ["received", "conversion"]].to_numpy().tolist() == [
        ["3.1", ""]
    ]


def test_the_mean_is_that_of_the_traced_cells(document, dossier):
    for name, row in short_names(document).items():
        if name.startswith("film ") and document["film"]["sides"][int(row.rsplit("/", 1)[1])]["mean_um"] is not None:
            told = trace(document, dossier, name)
            values = told.cells.loc[told.cells["field"] == "dft_um", "value"].astype("float64")
            assert told.told["mean_um"] == pytest.approx(values.mean())  # three readings on every spot


def test_what_was_set_aside_beside_it(document, dossier):
    beside = trace(document, dossier, "film A2 facing").set_aside
    assert beside[["line", "column", "value"]].to_numpy().tolist() == [[47, "dft_um", "abt 3"]]
    assert trace(document, dossier, "film A1 facing").set_aside.empty
    assert len(trace(document, dossier, "/film/n").set_aside) == 1


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("wrap A2", ("wrap_observations", 3, "counts")),
        ("stop-work R2", ("spray_runs", 3, "broke the rule")),
        ("stop-work U1", ("startup_checks", 2, "broke the rule")),
        ("upkeep U1 brush", ("maintenance", 3, "the same unit_id, part")),
        ("/behind_film/doubt/sides/2", ("film_readings", 32, "the same area_id, side")),
        ("/scope/sites/0", ("jobs", 2, "one of all")),
    ],
)
def test_other_findings_and_their_rows(document, dossier, name, expected):
    record, line, role = expected
    told = trace(document, dossier, name)
    first = told.rows[told.rows["record"] == record].iloc[0]
    assert (first["line"], first["role"]) == (line, role)


def test_a_ratio_of_wrap_leads_to_the_film_too(document, dossier):
    assert "film_readings" not in set(trace(document, dossier, "/wrap/areas/0/wrap_pct").rows["record"])
    ratio = trace(document, dossier, "/wrap/areas/0/ratio").rows
    sides = ratio.loc[ratio["record"] == "film_readings", "role"].value_counts().to_dict()
    assert sides == {"film on the facing side": 15, "film on the reverse side": 15}


def test_a_cause_leads_to_the_runs_on_each_side_and_the_defect_records(document, dossier, findings):
    told = trace(document, dossier, "cause dry spray standoff_mm above", findings=findings)
    assert told.told["condition"] == "standoff_mm"
    runs = told.rows[told.rows["record"] == "spray_runs"].set_index("line")["role"].to_dict()
    assert runs == {2: "run above, with dry spray", 3: "run inside, without dry spray"}  # 203.2 and 180 mm against 200
    assert told.rows.loc[told.rows["record"] == "defects", "line"].tolist() == [2]
    below = trace(document, dossier, "association dry spray standoff_mm below", findings=findings)
    assert below.rows.loc[below.rows["record"] == "spray_runs", "line"].tolist() == [3]


def test_a_window_leads_to_every_run(document, dossier, findings):
    told = trace(document, dossier, "window standoff_mm", findings=findings)
    roles = told.rows.set_index(["record", "line"])["role"].to_dict()
    assert roles["spray_runs", 2] == "run above"
    assert roles["spray_runs", 3] == "run inside"
    psi = told.cells[told.cells["field"] == "pot_kpa"]
    assert psi["conversion"].tolist() == ["6 psi is 41.37 kpa", "6.5 psi is 44.82 kpa"]  # NIST SP 811: 6.894 757 kPa


def test_readings_made_before_the_last_run_are_shown_and_decide_nothing(tmp_path):
    runs = (
        "run_id,area_id,unit_id,operator_id,started_at,ended_at,bell_diameter_mm,standoff_mm,stroke_pattern,overlap_pct,"
        "follow_through_s,air_temp_c,surface_temp_c,humidity_pct,part_ground_ohm,operator_ground_ohm\n"
        "R1,A2,U1,OP1,2027-01-14T09:02:30+01:00,2027-01-14T09:02:40+01:00,70,200,parallel,55,8,13,12,68,41000,17300000\n"
    )
    folder = write_small(tmp_path / "records", runs=runs, defects=None, pressures="Run,When,Pot psi\n")
    dossier = read_dossier(folder)
    told = audit(dossier, causes=False)
    side = next(row for row in told.film.areas.to_dict("records") if (row["area_id"], row["side"]) == ("A2", "facing"))
    document = {"records": {"digest": dossier.digest()}, "film": {"method": "", "sides": [side]}}
    rows = trace(document, dossier, "/film/sides/0").rows
    readings = rows[rows["record"] == "film_readings"]
    old = readings[readings["role"].str.startswith("superseded")]
    assert len(old) == side["superseded_readings"] == 6
    assert len(readings) - len(old) == side["n_readings"] == 9


@pytest.mark.parametrize(
    ("finding", "words"),
    [
        (
            "film A9 facing",
            r"'film A9 facing': must be a finding of this report; there are, for example, film A[12] facing",
        ),
        ("nonsense", "Begin with one of film, area, wrap, stop-work"),
        ("", "must be a finding of this report"),
        ("/film/sides/99", "at /film/sides there are the numbers 0 to 3"),
        ("/film/sides/-1", "at /film/sides there are the numbers 0 to 3"),
        ("/film/sides/01", "at /film/sides there are the numbers 0 to 3"),
        ("/film/side", "at /film there are method, n, excluded"),
        ("/film/n/0", "at /film/n there is nothing further"),
    ],
)
def test_what_is_not_there_is_answered_with_what_is(document, dossier, finding, words):
    with pytest.raises(SourceError, match=words):
        trace(document, dossier, finding)


def test_other_records_are_refused(document, tmp_path):
    other = read_dossier(write_small(tmp_path / "other", wrap="area_id,inspector_id,observed_at,rating,scale,method\n"))
    with pytest.raises(SourceError, match="must hold the records the findings rest on"):
        trace(document, other, "film A1 facing")


def test_a_sealed_report_and_its_archive_are_traced_alike(small_sealed, tmp_path):
    one = trace_sealed(small_sealed.folder, "wrap A2")
    other = trace_sealed(write_archive(small_sealed.folder, tmp_path / "r.zip"), "wrap A2")
    pd.testing.assert_frame_equal(one.cells, other.cells)
    with pytest.raises(SourceError, match=r"must be a sealed report with data/findings\.json"):
        trace_sealed(tmp_path, "wrap A2")


def test_short_names_point_to_what_they_name(document):
    names = short_names(document)
    assert names["film A1 reverse"] == "/film/sides/1"
    assert {name.split(" ")[0] for name in names} >= set(SHORT_NAMES) - {"gauge"}
    assert len({anchor(name) for name in names}) == len(names)


@pytest.mark.parametrize(
    "place",
    [
        "/film/areas/1",
        "/film/tests/3",
        "/process/units/0",
        "/process/safety_not_recorded/0",
        "/behind_film/enough/required/0",
        "/behind_work/delivery/runs/0",
        "/behind_work/overdue/table/0",
        "/behind_film/gauges/gauges/0",
        "/not_judged/0",
        "/summary/areas",
        "/settings/seed",
        "/causal/n",
    ],
)
def test_findings_of_every_kind_can_be_traced(document, dossier, findings, place):
    missing = {"what": "run", "where": "R2", "at": "2027-01-12T07:20:00+00:00", "rule": "a ground must be recorded"}
    known = copy.deepcopy(document)
    known["process"]["safety_not_recorded"] = [missing]
    told = trace(known, dossier, place, findings=findings)
    assert told.n == len(told.rows) > 0
    assert told.method
    assert len(told.cells) > 0


def test_wide_tables_joins_constants_and_blanks(tmp_path):
    (tmp_path / "jobs.csv").write_text(
        "job_id,site,coating,film_min_um,film_nominal_um,film_max_um,film_reverse_min_um,acceptance_rule,"
        "restriction_level,wrap_min_pct,volume_solids_pct,thinner,thinner_pct\nJ1,S,C,60,80,,,90-10,,,48,,\n"
    )
    (tmp_path / "areas.csv").write_text(
        "area_id,job_id,description,geometry,size_m2,substrate,surface_profile\nA1,J1,,tube,3,steel,fine\n"
    )
    (tmp_path / "film.csv").write_text(
        "Area,Spot,Day,Time,mil 1,mil 2\nA1,1,2027-01-14,09:00,3.1,\nA1,2,2027-01-14,09:05,3,3.5\n"
    )
    (tmp_path / "dossier.yaml").write_text(
        "auditkit: 1\ntime_zone: Europe/Oslo\ntables:\n"
        "  - file: film.csv\n    record: film_readings\n    columns: {Area: area_id, Spot: spot}\n"
        "    join: {taken_at: [Day, Time]}\n    constants: {side: facing, gauge_id: G1}\n    units: {dft_um: mil}\n"
        "    wide: {value: dft_um, columns: {mil 1: {repeat: 1}, mil 2: {repeat: 2}}}\n"
    )
    dossier = read_dossier(tmp_path)
    assert dossier.rows["film_readings"] == 3
    cells = cells_as_received(dossier, dossier.lineage["film_readings"].assign(record="film_readings"))
    mils = cells[cells["field"] == "dft_um"]
    assert mils[["line", "header", "received"]].to_numpy().tolist() == [
        [2, "mil 1", "3.1"],
        [3, "mil 1", "3"],
        [3, "mil 2", "3.5"],
    ]
    first = cells[cells["line"] == 2].set_index("field")
    assert first.loc["taken_at", ["header", "received"]].tolist() == ["Day + Time", "2027-01-14 09:00"]
    assert first.loc["gauge_id", ["header", "received", "value"]].tolist() == ["", "G1", "G1"]
    assert cells_as_received(dossier, dossier.lineage["jobs"].head(0).assign(record="jobs")).empty
