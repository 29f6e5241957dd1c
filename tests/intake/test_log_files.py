import hashlib

import pandas as pd
import pytest

from auditkit.errors import DeclarationError, SourceError

LOG = "unit_id,logged_at,pot_kpa\nU3,2027-02-11T07:30:00Z,41.2\n"


def declaring(*logs, more=""):
    return "auditkit: 1\ntime_zone: Europe/Oslo\npressure_logs:\n" + "".join(f"  - {log}\n" for log in logs) + more


def test_logs_are_passed_on_and_not_read_as_records(read, sound):
    without = read(sound)
    logs = {"log_a.csv": LOG, "more/log_b.csv": LOG + "U3,2027-02-11T07:30:01Z,x\n"}
    dossier = read(sound | logs | {"dossier.yaml": declaring("{file: 'log_*.csv'}", "{file: 'more/*.csv', unit: bar}")})
    assert dossier.rows == without.rows
    assert dossier.files["file"].tolist() == without.files["file"].tolist()
    assert dossier.ledger.empty
    first, second = dossier.settings["pressure_logs"]
    assert (first.name, first.unit, first.time_zone) == ("log_a.csv", "kpa", "Europe/Oslo")
    assert (second.name, second.unit) == ("more/log_b.csv", "bar")
    assert first.path.read_text(encoding="utf-8") == LOG
    assert first.sha256 == hashlib.sha256(LOG.encode()).hexdigest()
    assert "log_a.csv: a pressure log, as dossier.yaml says; its rows are read with the runs" in dossier.notes


def test_the_digest_follows_the_log(read, sound):
    sound["dossier.yaml"] = declaring("{file: log.csv}")
    one = read(sound | {"log.csv": LOG})
    other = read(sound | {"log.csv": LOG.replace("41.2", "41.3")})
    assert one.tables_digest() == other.tables_digest()
    assert one.digest() != other.digest()


def test_parquet_is_a_log_as_well(read, sound, tmp_path):
    pd.DataFrame({"unit_id": ["U3"], "pot_kpa": [1.0]}).to_parquet(tmp_path / "log.parquet")
    (log,) = read(sound | {"dossier.yaml": declaring("{file: log.parquet}")}).settings["pressure_logs"]
    assert log.name == "log.parquet"


@pytest.mark.parametrize(
    ("yaml", "message"),
    [
        (declaring("{file: pot.csv}"), r"pressure_logs\[1\].file: must match at least one file; given 'pot.csv'"),
        (
            declaring("{file: log.csv}", more="ignore: [log.csv]"),
            r"pressure_logs\[1\].file: must not be ignored as well; given 'log.csv'",
        ),
        (
            declaring("{file: log.csv}", more="tables: [{file: '*.csv', record: jobs}]"),
            r"tables\[1\].file: must not be a pressure log as well; given 'log.csv', which .*pressure_logs\[1\] names",
        ),
        (
            declaring("{file: log.csv}", "{file: 'l*.csv'}"),
            r"pressure_logs\[2\].file: must not name a file that another entry names; given 'log.csv', "
            r"which .*pressure_logs\[1\] names",
        ),
    ],
)
def test_a_log_belongs_to_one_entry(read, sound, yaml, message):
    with pytest.raises(DeclarationError, match=message):
        read(sound | {"log.csv": LOG, "dossier.yaml": yaml})


def test_all_logs_that_cannot_be_read_are_told_at_once(read, sound):
    files = {"a.txt": LOG, "b.csv": "", "c.parquet": "no Parquet", "dossier.yaml": declaring("{file: '[a-c].*'}")}
    with pytest.raises(SourceError) as caught:
        read(sound | files)
    lines = str(caught.value).splitlines()
    assert lines[0].startswith("a.txt: a pressure log must be .csv or .parquet; given .txt. Export it anew")
    assert lines[1].startswith("b.csv: must hold records; the file is empty")
    assert lines[2].startswith("c.parquet: must be a Parquet file")


def test_a_log_alone_is_no_audit(read):
    with pytest.raises(SourceError, match="must hold at least one row of records"):
        read({"log.csv": LOG, "dossier.yaml": declaring("{file: log.csv}")})


def test_viscosities_of_a_coating_no_job_has_are_noted(read, sound):
    points = "[{temp_c: 15, mm2_s: 62}, {temp_c: 25, mm2_s: 41}]"
    sound["dossier.yaml"] = f"auditkit: 1\nviscosity_points: {{Finish: {points}, Primer: {points}}}\n"
    dossier = read(sound)
    assert set(dossier.settings["viscosity_points"]) == {"Finish", "Primer"}
    assert dossier.notes == ("dossier.yaml, viscosity_points.Primer: no accepted row of jobs has this coating",)


def test_units_are_read_and_absent_ones_are_an_empty_table(read, sound):
    assert read(sound).tables["units"].empty
    sound["units.csv"] = (
        "unit_id,in_service_at,hose_length_m,hose_bore_mm,rise_m\nU2,,7.6,6.35,-0.5\nU1,2026-11-16T07:30:00+01:00,,,\n"
    )
    table = read(sound).tables["units"]
    assert table["unit_id"].tolist() == ["U1", "U2"]
    assert table.loc[0, "in_service_at"] == pd.Timestamp("2026-11-16T06:30Z")
    assert table.loc[1, ["hose_length_m", "hose_bore_mm", "rise_m"]].tolist() == [7.6, 6.35, -0.5]
    assert table.loc[0, ["hose_length_m", "hose_bore_mm", "rise_m"]].isna().all()
