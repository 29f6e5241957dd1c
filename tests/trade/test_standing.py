"""Standing records: a reading of a film since sprayed over says nothing of the film that is there."""

import pandas as pd
import pytest

import auditkit
from auditkit.trade.standing import is_superseded


def at(*days):
    return pd.to_datetime([f"2027-01-{day}Z" if day else None for day in days], utc=True)


@pytest.fixture
def runs():
    return pd.DataFrame({"area_id": ["A1", "A1", "A2"], "ended_at": at("10T08:00", "12T08:00", "12T08:00")})


def test_only_what_came_before_the_last_run_is_superseded(runs):
    records = pd.DataFrame(
        {"area_id": ["A1", "A1", "A1", "A3"], "t": at("11T08:00", "12T08:00", "13T08:00", "01T08:00")}
    )
    assert is_superseded(records, runs, time="t").tolist() == [True, False, False, False]


def test_without_a_time_or_without_runs_a_record_stands(runs):
    records = pd.DataFrame({"area_id": ["A1", "A3"], "t": at(None, "01T08:00")})
    assert not is_superseded(records, runs, time="t").any()
    assert not is_superseded(records, runs.head(0), time="t").any()


def test_a_recoated_area_is_judged_by_its_new_film_alone(tmp_path):
    # 5 spots at 80 um, then stripped and recoated, then 5 spots at 50 um, minimum 60: pooled, the mean would conform.
    clean = auditkit.sample_folder() / "clean"
    tables = {path.stem: pd.read_csv(path, dtype=str) for path in clean.glob("*.csv")}
    job = tables["jobs"].query("job_id == 'J1'").assign(film_min_um="60", film_nominal_um="75", film_max_um="200")
    area = tables["areas"].query("area_id == 'A001'").assign(size_m2="5")
    run = tables["spray_runs"].head(1).assign(area_id="A001")
    run = run.assign(started_at="2027-01-12T08:00:00+01:00", ended_at="2027-01-12T09:00:00+01:00")
    rows = [
        ("A001", "", "facing", spot, repeat, film, "G1", f"2027-01-{day}T08:00:00+01:00")
        for first, film, day in ((1, 80, 11), (6, 50, 13))
        for spot in range(first, first + 5)
        for repeat in (1, 2, 3)
    ]
    readings = pd.DataFrame(rows, columns=tables["film_readings"].columns)
    for name, frame in (("jobs", job), ("areas", area), ("spray_runs", run), ("film_readings", readings)):
        frame.to_csv(tmp_path / f"{name}.csv", index=False)
    film = auditkit.audit(auditkit.read_dossier(tmp_path)).film
    facing = film.areas[film.areas["side"] == "facing"].iloc[0]
    assert facing["verdict"] == "does not conform"
    assert facing["mean_um"] == 50.0
    assert film.superseded == 15
