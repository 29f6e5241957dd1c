"""Logs beside the written settings, and the sample's logger read both ways."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.run_pressures import DISAGREE_KPA, find_run_pressures
from auditkit.trade.conditions import load_conditions
from auditkit.trade.timeline import build_timeline

START = pd.Timestamp("2027-01-11T08:00Z")


def written(path, pot_kpa):
    """A log of U1, one reading a second from the start."""
    at = START + pd.to_timedelta(np.arange(len(pot_kpa)), unit="s")
    pd.DataFrame({"unit_id": "U1", "logged_at": at, "pot_kpa": pot_kpa}).to_parquet(path)
    columns = {name: name for name in ("unit_id", "logged_at", "pot_kpa")}
    return SimpleNamespace(path=path, name=path.name, columns=columns, constants={}, unit="kpa", time_zone=None)


def runs_of(*rows):
    frame = pd.DataFrame(rows, columns=["run_id", "unit_id", "from_s", "to_s", "pot_kpa"])
    return pd.DataFrame(
        {
            "run_id": frame["run_id"],
            "unit_id": frame["unit_id"],
            "started_at": START + pd.to_timedelta(frame["from_s"], unit="s"),
            "ended_at": START + pd.to_timedelta(frame["to_s"], unit="s"),
            "pot_kpa": frame["pot_kpa"].astype("float64"),
        }
    )


RUNS = runs_of(
    ("R6", "U2", 0, 99, 40.0),
    ("R1", "U1", 0, 99, 40.0 + DISAGREE_KPA),
    ("R2", "U1", 100, 199, 40.0 - DISAGREE_KPA - 0.01),
    ("R3", "U1", 200, 299, None),
    ("R4", "U1", 300, 699, 40.0),
    ("R5", "U1", 5000, 5099, 40.0),
)


def test_logged_and_written_pressures_side_by_side(tmp_path):
    found = find_run_pressures([written(tmp_path / "u1.parquet", np.full(400, 40.0))], RUNS)
    runs = found.runs.set_index("run_id")
    assert runs.index.tolist() == ["R1", "R2", "R3", "R4"]
    assert (found.n, found.excluded, found.compared, found.disagree) == (4, 2, 2, 1)
    assert runs["difference_kpa"].tolist()[:2] == pytest.approx([-DISAGREE_KPA, DISAGREE_KPA + 0.01])
    assert [None if pd.isna(value) else bool(value) for value in runs["agrees"]] == [True, False, None, None]
    assert runs["why"].tolist() == [
        "",
        "",
        "no setting was written down in the run",
        "the log covers too little of the run",
    ]
    assert runs.loc["R4", "covered_pct"] == pytest.approx(100 * (399 - 300) / 399)
    assert found.reason == ""
    assert "3.5 kPa apart they disagree" in found.method


def test_the_window_is_that_of_the_condition(tmp_path):
    pot = np.where(np.arange(100) < 25, 49.0, 40.0)
    log = written(tmp_path / "u1.parquet", pot)
    found = find_run_pressures([log], RUNS, window=load_conditions()["pot_kpa"])
    assert found.runs.loc[0, "outside_pct"] == pytest.approx(25.0)
    assert np.isnan(find_run_pressures([log], RUNS).runs.loc[0, "outside_pct"])


def test_a_log_without_pressure_is_not_compared(tmp_path):
    found = find_run_pressures([written(tmp_path / "u1.parquet", np.zeros(100))], RUNS)
    assert found.runs[["n", "zeros"]].to_numpy().tolist() == [[0, 100]]
    assert found.runs["why"].tolist()[0] == "the log covers too little of the run"
    assert found.compared == 0


def test_reasons_where_no_run_has_a_reading(tmp_path):
    none = find_run_pressures([], RUNS)
    assert (none.n, none.excluded, none.reason) == (0, 6, "no pressure log was declared")
    late = find_run_pressures([written(tmp_path / "u1.parquet", np.full(5, 40.0))], RUNS[RUNS["run_id"] == "R5"])
    assert late.reason == "none of the 5 rows read lies inside a run of its unit"
    (tmp_path / "bad.parquet").write_text("no parquet")
    bad = written(tmp_path / "u1.parquet", np.full(5, 40.0))
    bad.path = tmp_path / "bad.parquet"
    assert "must be a Parquet file" in find_run_pressures([bad], RUNS).reason
    assert list(none.runs.columns) == list(late.runs.columns)


def test_order_input_and_progress(tmp_path):
    log = written(tmp_path / "u1.parquet", np.full(400, 40.0))
    before, seen = RUNS.copy(), []
    found = find_run_pressures([log], RUNS, on_progress=lambda name, n: seen.append((name, n)))
    pd.testing.assert_frame_equal(found.runs, find_run_pressures([log], RUNS.iloc[::-1]).runs)
    pd.testing.assert_frame_equal(RUNS, before)
    assert seen == [("u1.parquet", 400)]


def test_the_sample_log_says_the_same_clean_and_as_exported(clean_dossier, raw_dossier, truth):
    found = {}
    for name, dossier in (("clean", clean_dossier), ("raw", raw_dossier)):
        runs = build_timeline(dossier.tables, time_zone=dossier.time_zone).runs
        found[name] = find_run_pressures(dossier.settings["pressure_logs"], runs)
    clean, raw = found["clean"], found["raw"]
    assert clean.n == raw.n > 5
    assert (clean.files["time"] + clean.files["order"] + clean.files["pressure"]).sum() == 0
    summary = ["run_id", "n", "median_kpa", "low_kpa", "high_kpa", "zeros"]
    pd.testing.assert_frame_equal(clean.runs[summary], raw.runs[summary])
    told = raw.files.iloc[0]
    assert told[["pressure", "duplicate"]].min() > 0
    # the simulator writes the logger's own value down as the setting
    assert clean.disagree == 0
    assert clean.compared > 5
