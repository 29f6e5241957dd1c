"""The pressure log: it agrees with the figures written down, and both files hold the same readings."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from auditkit.simulate import DEFAULT_TRUTH, Simulated, simulate_audit
from auditkit.units import convert

SAMPLE = Path(__file__).parents[2] / "sample_data"
HALF_STEP_KPA = 0.25 * 6.894757  # the gauge is read to half a psi


def logged_runs(shipped: Simulated) -> pd.DataFrame:
    runs = shipped.tables["spray_runs"]
    return runs[runs["run_id"].isin(shipped.truth["pressure_log"]["runs"])]  # type: ignore[index]


def of_run(shipped: Simulated, run_id: str) -> pd.DataFrame:
    """Return the readings of one run, of a figure."""
    run = shipped.tables["spray_runs"].set_index("run_id").loc[run_id]
    log = shipped.log.readings.dropna()
    return log[log["logged_at"].between(run["started_at"], run["ended_at"])]


def test_it_is_of_the_clogging_unit_in_and_after_its_clogging(shipped: Simulated) -> None:
    runs = logged_runs(shipped)
    days = runs["started_at"].dt.tz_convert(DEFAULT_TRUTH.time_zone).dt.date
    assert set(runs["unit_id"]) == {DEFAULT_TRUTH.clogging_unit}
    assert days.min() < DEFAULT_TRUTH.clogging_until < days.max()
    own = shipped.tables["spray_runs"].query("unit_id == @DEFAULT_TRUTH.clogging_unit")
    local = own["started_at"].dt.tz_convert(DEFAULT_TRUTH.time_zone).dt.date
    assert set(own.loc[local.between(days.min(), days.max()), "run_id"]) == set(runs["run_id"])


def test_every_figure_written_down_is_the_log_s_within_its_rounding(shipped: Simulated) -> None:
    settings = shipped.tables["pressure_settings"]
    settings = settings[settings["run_id"].isin(logged_runs(shipped)["run_id"])]
    assert len(settings) > 20
    log = shipped.log.readings.set_index("logged_at")["pot_kpa"]
    for row in settings.itertuples():
        after = log.loc[row.set_at : row.set_at + pd.Timedelta(seconds=8)]  # nine seconds: one whole pulse
        assert len(after) == 9
        assert after.median() == pytest.approx(row.pot_kpa, abs=HALF_STEP_KPA)
        before = log.loc[row.set_at - pd.Timedelta(seconds=60) : row.set_at - pd.Timedelta(seconds=50)].median()
        if abs(before - row.pot_kpa) > 3 * HALF_STEP_KPA:  # turned just then, not long before
            assert abs(after.median() - before) > HALF_STEP_KPA


def test_one_run_pulses_at_the_written_period_and_no_other_does(shipped: Simulated) -> None:
    pulsing = shipped.truth["pressure_log"]["pulsing"]  # type: ignore[index]
    power = {}
    for run_id in logged_runs(shipped)["run_id"]:
        run = of_run(shipped, run_id)
        at = (run["logged_at"] - run["logged_at"].iloc[0]).dt.total_seconds().to_numpy()
        about = run["pot_kpa"].to_numpy() - run["pot_kpa"].rolling(31, center=True, min_periods=1).mean().to_numpy()
        power[run_id] = 2 * abs(np.mean(about * np.exp(2j * np.pi * at / pulsing["period_s"])))
    assert power.pop(pulsing["run_id"]) == pytest.approx(pulsing["amplitude_kpa"], rel=0.1)
    assert max(power.values()) < 0.1 * pulsing["amplitude_kpa"]


def test_drop_outs_and_blanks_are_where_and_as_many_as_written(shipped: Simulated) -> None:
    truth = shipped.truth["pressure_log"]
    log = shipped.log.readings
    assert len(log) == truth["readings"]  # type: ignore[index]
    assert log["pot_kpa"].isna().sum() == truth["blank"] == 6  # type: ignore[index]
    assert len(truth["drop_outs"]) == 3  # type: ignore[index]
    for gap in truth["drop_outs"]:  # type: ignore[index]
        since = pd.Timestamp(gap["from"], tz=DEFAULT_TRUTH.time_zone)
        seconds = log["logged_at"][log["logged_at"] >= since]
        assert seconds.iloc[0] == since + pd.Timedelta(seconds=gap["seconds"])
    steps = pd.concat([of_run(shipped, run)["logged_at"].diff().dt.total_seconds() for run in truth["runs"]])  # type: ignore[index]
    assert (steps > 10).sum() == 3


def test_times_rise_second_by_second_and_the_pot_is_empty_between_runs(shipped: Simulated) -> None:
    log = shipped.log.readings
    assert (log["logged_at"].diff().dropna() >= pd.Timedelta(seconds=1)).all()
    assert (log["logged_at"].dt.microsecond == 0).all()
    ends = logged_runs(shipped)["ended_at"] + pd.Timedelta(seconds=40)
    assert (log.set_index("logged_at").loc[ends, "pot_kpa"] == 0).all()


def test_the_pressure_falls_back_once_the_filter_is_cleaned(shipped: Simulated) -> None:
    runs = logged_runs(shipped).sort_values("started_at")
    cleaned = pd.Timestamp(DEFAULT_TRUTH.clogging_until, tz="UTC") + pd.Timedelta(days=1)
    medians = runs["run_id"].map(lambda run: of_run(shipped, run)["pot_kpa"].median())
    assert medians[runs["started_at"] > cleaned].max() < medians[runs["started_at"] < cleaned].median()


def test_both_files_hold_the_same_readings_to_the_last_bit(shipped: Simulated) -> None:
    clean = pd.read_csv(SAMPLE / "clean" / "pressure_log_U3.csv")
    clean["logged_at"] = pd.to_datetime(clean["logged_at"]).dt.as_unit("us")
    raw = pd.read_csv(SAMPLE / "raw" / "pressure_log_U3.csv", sep=";", dtype=str, keep_default_na=False)
    assert list(raw.columns) == ["Time", "Pot psi"]
    bad = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["dirt"]["log"]
    for row in bad:
        cell = raw.loc[row["line"] - 2, "Pot psi"]
        assert cell == row["cell"]
        repeated = raw.loc[row["line"] - 2, "Time"] == raw.loc[row["line"] - 3, "Time"]
        assert repeated == (row["why"] == "repeated second")
        assert (pd.isna(pd.to_numeric(cell, errors="coerce")) and cell != "") == (row["why"] == "no number")
    assert {row["why"] for row in bad} == {"no number", "repeated second"}
    kept = raw.drop(index=[row["line"] - 2 for row in bad]).reset_index(drop=True)
    at = pd.to_datetime(kept["Time"]).dt.tz_localize(DEFAULT_TRUTH.time_zone).dt.tz_convert("UTC").dt.as_unit("us")
    psi = pd.to_numeric(kept["Pot psi"].replace("", None)).to_numpy(dtype="float64")
    assert at.tolist() == clean["logged_at"].tolist()
    assert np.array_equal(convert(psi, "psi", "kpa", decimals=2), clean["pot_kpa"].to_numpy(), equal_nan=True)
    expected = shipped.log.readings.reset_index(drop=True)
    pd.testing.assert_frame_equal(clean.astype({"unit_id": "str"}), expected.astype({"unit_id": "str"}))


def test_files_are_small() -> None:
    for folder in ("clean", "raw"):
        assert (SAMPLE / folder / "pressure_log_U3.csv").stat().st_size < 400_000


def test_days_without_runs_give_an_empty_log_and_change_nothing_else() -> None:
    sunday = date(2027, 2, 14)
    none = simulate_audit(seed=5, truth=replace(DEFAULT_TRUTH, log_from=sunday, log_until=sunday))
    assert none.log.readings.empty
    assert none.truth["pressure_log"]["pulsing"]["run_id"] is None  # type: ignore[index]
    for name, table in simulate_audit(seed=5).tables.items():
        pd.testing.assert_frame_equal(none.tables[name], table)
