"""Pressure logs: pulses and drop-outs of known size, blocks that must not matter, and bounded memory."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pandas as pd
import pytest

from auditkit.errors import SourceError
from auditkit.trade.pressure_log import read_pressure_log, summarise_log
from auditkit.trade.run_pressure import summarise_run

START = pd.Timestamp("2027-01-11T08:00Z")


def log_of(unit: str, pot_kpa: np.ndarray, *, start: pd.Timestamp = START) -> pd.DataFrame:
    at = start + pd.to_timedelta(np.arange(len(pot_kpa)), unit="s")
    return pd.DataFrame({"unit_id": unit, "logged_at": at, "pot_kpa": pot_kpa})


def runs_at(*rows: tuple[str, str, int, int]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=["run_id", "unit_id", "from_s", "to_s"])
    return pd.DataFrame(
        {
            "run_id": frame["run_id"],
            "unit_id": frame["unit_id"],
            "started_at": START + pd.to_timedelta(frame["from_s"], unit="s"),
            "ended_at": START + pd.to_timedelta(frame["to_s"], unit="s"),
        }
    )


@pytest.mark.parametrize("period", [2.7, 7.0, 16.3, 60.0])
def test_a_pulse_is_found_with_its_share(period):
    """A sine of amplitude 2 on noise of sd 1 carries 2 of 3 parts of the variance; the drift is none of it."""
    t = np.arange(3000.0)
    noise = np.random.default_rng(91).normal(0, 1, 3000)
    got = summarise_run(t, 45 - t / 500 + 2 * np.sin(2 * np.pi * t / period) + noise, run_s=3000)
    assert got.pulse_period_s == pytest.approx(period, rel=0.01)
    assert got.pulse_share_pct == pytest.approx(200 / 3, abs=5)


def test_noise_has_no_pulse_to_speak_of():
    rng = np.random.default_rng(92)
    shares = [summarise_run(np.arange(900), rng.normal(40, 1, 900), run_s=900).pulse_share_pct for _ in range(50)]
    assert np.mean(shares) < 6


def test_median_spread_and_window_against_numpy():
    values = np.random.default_rng(93).normal(40, 3, 500)
    got = summarise_run(np.arange(500), values, run_s=500, low=36, high=43)
    assert got.median_kpa == pytest.approx(np.median(values))
    assert (got.low_kpa, got.high_kpa) == pytest.approx(tuple(np.quantile(values, [0.05, 0.95])))
    assert got.outside_pct == pytest.approx(100 * np.mean((values < 36) | (values > 43)))
    assert np.isnan(summarise_run(np.arange(500), values, run_s=500).outside_pct)
    assert summarise_run([0, 1], [36.0, 43.0], run_s=2, low=36, high=43).outside_pct == 0  # a limit is inside


def test_drop_outs_are_counted_and_kept_out():
    values = np.full(100, 40.0)
    values[[10, 11, 12, 13]] = 0.0  # 5 s without a reading used
    values[50] = np.nan
    t = np.delete(np.arange(100.0), np.arange(70, 80))  # 11 s
    got = summarise_run(t, values[t.astype(int)], run_s=110)  # and 11 s at the end
    assert (got.n, got.zeros, got.blanks) == (85, 4, 1)
    assert (got.gaps, got.gap_s) == (3, 5 + 11 + 11)
    assert got.median_kpa == 40.0
    assert np.isnan(got.pulse_period_s)  # a flat line does not pulse


def test_short_gaps_are_bridged_and_long_ones_leave_pulsing_unread():
    t = np.arange(1000.0)
    values = 40 + np.sin(2 * np.pi * t / 12)
    few = np.ones(1000, bool)
    few[400:440] = False
    assert summarise_run(t[few], values[few], run_s=1000).pulse_period_s == pytest.approx(12, rel=0.01)
    many = np.ones(1000, bool)
    many[300:600] = False
    assert np.isnan(summarise_run(t[many], values[many], run_s=1000).pulse_period_s)
    assert np.isnan(summarise_run(t[:50], values[:50], run_s=50).pulse_share_pct)


def two_units() -> tuple[pd.DataFrame, pd.DataFrame]:
    rng = np.random.default_rng(94)
    first, second = log_of("U1", rng.normal(40, 1, 900)), log_of("U2", rng.normal(45, 2, 900))
    log = pd.concat([first, second]).sort_values(["logged_at", "unit_id"], ignore_index=True)
    return log, runs_at(("R3", "U1", 500, 800), ("R1", "U1", 0, 300), ("R2", "U2", 100, 899), ("R4", "U3", 0, 9))


def test_runs_are_cut_out_of_the_log_whatever_the_blocks():
    log, runs = two_units()
    whole = summarise_log([log], runs, low=39)
    blocks = summarise_log([log.iloc[i : i + 37] for i in range(0, len(log), 37)], runs, low=39)
    pd.testing.assert_frame_equal(whole.runs, blocks.runs)
    assert whole.runs["run_id"].tolist() == ["R1", "R2", "R3", "R4"]
    assert whole.runs["n"].tolist() == [301, 800, 301, 0]
    assert (whole.n, whole.excluded) == (1800, 1800 - 301 - 800 - 301)
    mine = log.loc[log["unit_id"] == "U1", "pot_kpa"].to_numpy()[500:801]
    assert whole.runs.loc[2, "median_kpa"] == pytest.approx(np.median(mine))
    assert whole.runs.loc[3, ["gaps", "gap_s"]].tolist() == [1, 9.0]


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_files_say_what_frames_say(tmp_path, monkeypatch, kind):
    monkeypatch.setattr("auditkit.trade.pressure_log._BLOCK_BYTES", 4096)
    monkeypatch.setattr("auditkit.trade.pressure_log._BLOCK_ROWS", 100)
    log, runs = two_units()
    path = tmp_path / f"log.{kind}"
    if kind == "csv":
        log.assign(logged_at=log["logged_at"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"), note="x").to_csv(path, index=False)
    else:
        log.to_parquet(path)
    seen: list[int] = []
    got = read_pressure_log(path, runs, low=39, on_progress=seen.append)
    pd.testing.assert_frame_equal(got.runs, summarise_log([log], runs, low=39).runs)
    assert len(seen) > 5
    assert seen == sorted(seen)
    assert seen[-1] == 1800


def test_memory_does_not_grow_with_the_log():
    def blocks(n: int):
        for i in range(n):
            yield log_of("U1", np.full(2000, 40.0), start=START + pd.Timedelta(seconds=2000 * i))

    def peak(n: int) -> int:
        runs = runs_at(*[(f"R{i:04d}", "U1", 500 * i, 500 * i + 400) for i in range(4 * n)])
        tracemalloc.start()
        summarise_log(blocks(n), runs)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    peak(2)  # whatever is loaded once
    assert peak(60) < 3 * peak(6)


def test_refusals(tmp_path):
    log, runs = two_units()
    with pytest.raises(ValueError, match="the times of a unit must rise from row to row; those of U1 do not"):
        summarise_log([log, log], runs)
    with pytest.raises(ValueError, match="runs of one unit may not overlap; R1 and R2 do"):
        summarise_log([log], runs_at(("R1", "U1", 0, 300), ("R2", "U1", 300, 400)))
    with pytest.raises(ValueError, match=r"run_id must not occur twice; \['R1'\] do"):
        summarise_log([log], runs_at(("R1", "U1", 0, 300), ("R1", "U2", 300, 400)))
    with pytest.raises(ValueError, match="logged_at must be times with a zone"):
        summarise_log([log.assign(logged_at=log["logged_at"].dt.tz_localize(None))], runs)
    with pytest.raises(ValueError, match="seconds must rise"):
        summarise_run([0, 0], [40.0, 41.0], run_s=3)
    with pytest.raises(ValueError, match="rows of equal length"):
        summarise_run([0, 1], [40.0], run_s=3)
    with pytest.raises(SourceError, match=r"log.txt: a pressure log must be .csv or .parquet; given '.txt'"):
        read_pressure_log(tmp_path / "log.txt", runs)
    log.drop(columns="pot_kpa").to_parquet(tmp_path / "short.parquet")
    with pytest.raises(SourceError, match=r"short.parquet: the log must have the columns \['pot_kpa'\]"):
        read_pressure_log(tmp_path / "short.parquet", runs)
    naive = "unit_id,logged_at,pot_kpa\nU1,2027-01-11T08:00:00,40\n"
    (tmp_path / "naive.csv").write_text(naive)
    with pytest.raises(SourceError, match=r"naive.csv: .*its zone"):
        read_pressure_log(tmp_path / "naive.csv", runs)
    (tmp_path / "word.csv").write_text(naive.replace("00,40", "00Z,high"))
    with pytest.raises(SourceError, match=r"word.csv: .*high"):
        read_pressure_log(tmp_path / "word.csv", runs)
