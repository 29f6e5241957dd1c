"""Pressure logs: pulses and drop-outs of known size, blocks that must not matter, and bounded memory."""

from __future__ import annotations

import tracemalloc
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.pressure_log import MOST_FAULTS, read_pressure_logs, summarise_log
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


def test_a_setting_that_was_changed_is_no_pulsing():
    """Two steps of 6 kPa, or a swing of five minutes, on noise of sd 0.3: next to nothing pulses within two minutes."""
    t = np.arange(1500.0)
    noise = np.random.default_rng(95).normal(0, 0.3, 1500)
    stepped = 40 + 6 * (t > 500) - 6 * (t > 1000) + noise
    slow = 40 + 2 * np.sin(2 * np.pi * t / 300) + noise
    for values in (stepped, slow):
        got = summarise_run(t, values, run_s=1500)
        assert got.pulse_share_pct < 5
        assert got.pulse_period_s <= 120
    pulsing = summarise_run(t, stepped + 3 * np.sin(2 * np.pi * t / 9), run_s=1500)
    assert pulsing.pulse_period_s == pytest.approx(9, rel=0.01)
    assert pulsing.pulse_share_pct > 40


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


def source(path: Path, **given: object) -> SimpleNamespace:
    plain = {"columns": {name: name for name in ("unit_id", "logged_at", "pot_kpa")}, "constants": {}}
    return SimpleNamespace(**({"path": path, "name": path.name, "unit": "kpa", "time_zone": None} | plain | given))


def export(path: Path, *lines: str, encoding: str = "utf-8") -> SimpleNamespace:
    """A logger's export of U1: semicolons, psi, local times."""
    path.write_bytes(("\n".join(lines) + "\n").encode(encoding))
    columns = {"Time": "logged_at", "Pot psi": "pot_kpa"}
    return source(path, columns=columns, constants={"unit_id": "U1"}, unit="psi", time_zone="Europe/Oslo")


@pytest.mark.parametrize("kind", ["csv", "parquet"])
def test_files_say_what_frames_say(tmp_path, monkeypatch, kind):
    monkeypatch.setattr("auditkit.trade.log_rows._BLOCK_CHARS", 4096)
    monkeypatch.setattr("auditkit.trade.log_rows._BLOCK_ROWS", 100)
    log, runs = two_units()
    log["pot_kpa"] = log["pot_kpa"].round(2)
    path = tmp_path / f"log.{kind}"
    if kind == "csv":
        log.assign(logged_at=log["logged_at"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"), note="x").to_csv(path, index=False)
    else:
        log.to_parquet(path)
    seen: list[tuple[str, int]] = []
    got = read_pressure_logs([source(path)], runs, low=39, on_progress=lambda name, n: seen.append((name, n)))
    pd.testing.assert_frame_equal(got.runs, summarise_log([log], runs, low=39).runs)
    assert len(seen) > 5
    assert seen == sorted(seen)
    assert seen[-1] == (path.name, 1800)
    assert (got.n, got.set_aside, len(got.faults)) == (1800, 0, 0)


def test_a_real_export_is_read_and_what_cannot_be_is_told_by_line(tmp_path):
    """U1 on 11 January 09:00:00 to 09:00:20 local time, 08:00:00Z on; psi times 6.894757 is kPa."""
    told = export(
        tmp_path / "u1.csv",
        "Logger 7;;",
        "",
        "Time;Pot psi;Note",
        "2027-01-11 09:00:00;5,00;",
        "2027-01-11 09:00:01;5.00;",
        "2027-01-11 09:00:02;;",
        "2027-01-11 09:00:03;ERR;",
        "11.01.2027 09:00:04;5,00;",
        "2027-01-11 09:00:05;5,00",
        "2027-01-11 09:00:06;6,00;",
        "",
        "2027-01-11 09:00:06;9,00;",
        "2027-01-11 09:00:05;9,00;",
        "2027-01-11 09:00:07;6,00;",
        "2027-02-30 09:00:08;6,00;",
        "2027-01-11 09:00:09;0;;",
        "2027-01-11 10:00:00;6,00;",
    )
    got = read_pressure_logs([told], runs_at(("R1", "U1", 0, 20)))
    run = got.runs.iloc[0]
    assert (run["n"], run["zeros"], run["blanks"]) == (4, 1, 1)
    assert run["median_kpa"] == pytest.approx((34.47 + 41.37) / 2)
    counts = got.files.iloc[0]
    assert counts["file"] == "u1.csv"
    expected = {"n": 13, "used": 6, "outside_runs": 1, "cells": 1, "unit": 0, "time": 2, "pressure": 1}
    assert counts[[*expected, "order", "duplicate"]].to_dict() == expected | {"order": 1, "duplicate": 1}
    assert (got.n, got.excluded, got.set_aside) == (13, 1, 6)
    faults = got.faults.sort_values("line", ignore_index=True)
    assert faults["line"].tolist() == [7, 8, 9, 12, 13, 15]
    assert faults["kind"].tolist() == ["pressure", "time", "cells", "duplicate", "order", "time"]
    assert faults["value"].tolist()[:3] == ["ERR", "11.01.2027 09:00:04", "2027-01-11 09:00:05;5,00"]
    assert faults["column"].tolist() == ["Pot psi", "Time", "", "Time", "Time", "Time"]
    assert faults["why"].tolist()[2:5] == [
        "a row must have 3 cells; it has 2",
        "U1 has a reading of that time already; the first is kept",
        "the time lies before that of the row of U1 above it",
    ]
    assert faults["value"].tolist()[3] == "2027-01-11T08:00:06.000000Z"


def test_hours_that_the_clocks_repeat_or_leave_out_are_set_aside(tmp_path):
    """Oslo, 2027: 02:30 on 28 March never was; 02:30 on 31 October was twice; with an offset it was once."""
    told = export(
        tmp_path / "u1.csv",
        "Time;Pot psi",
        "2027-03-28 02:30:00;5",
        "2027-10-31 02:30:00;5",
        "2027-10-31T02:30:00+01:00;5",
    )
    runs = pd.DataFrame({"run_id": ["R1"], "unit_id": ["U1"]}).assign(
        started_at=pd.Timestamp("2027-10-31T01:30Z"), ended_at=pd.Timestamp("2027-10-31T01:40Z")
    )
    got = read_pressure_logs([told], runs)
    assert got.runs["n"].tolist() == [1]
    assert got.faults["line"].tolist() == [2, 3]
    assert set(got.faults["why"]) == {"a local time must occur once in Europe/Oslo, and be a day of the calendar"}
    undeclared = read_pressure_logs([SimpleNamespace(**(vars(told) | {"time_zone": None}))], runs)
    assert undeclared.faults["why"].tolist() == ["a local time needs time_zone declared"] * 2


def test_a_run_over_two_files_is_one_and_a_repeated_stretch_counts_once(tmp_path):
    log, runs = two_units()
    log["pot_kpa"] = log["pot_kpa"].round(2)
    first, second = tmp_path / "a.parquet", tmp_path / "b.parquet"
    log.iloc[:1000].to_parquet(first)
    log.iloc[900:].assign(pot_kpa=lambda rows: rows["pot_kpa"].where(rows.index >= 1000, 99.0)).to_parquet(second)
    got = read_pressure_logs([source(first), source(second)], runs)
    pd.testing.assert_frame_equal(got.runs, summarise_log([log], runs).runs)
    counts = got.files.set_index("file")
    assert counts.loc["a.parquet", "duplicate"] == 0
    in_runs = log.iloc[900:1000]
    t = (in_runs["logged_at"] - START).dt.total_seconds()
    first_unit, second_unit = in_runs["unit_id"] == "U1", in_runs["unit_id"] == "U2"
    assert counts.loc["b.parquet", "duplicate"] == ((first_unit & (t >= 500)) | (second_unit & (t >= 100))).sum()
    assert set(got.faults["file"]) == {"b.parquet"}
    assert got.n == got.excluded + got.set_aside + counts["used"].sum()


def test_a_clock_that_jumps_costs_no_more_than_the_row_after_it():
    log, runs = two_units()
    log = log[log["unit_id"] == "U1"].reset_index(drop=True)
    odd = log.copy()
    odd.loc[600, "logged_at"] = START + pd.Timedelta(days=300)
    got = summarise_log([odd], runs)
    assert got.runs.set_index("run_id").loc["R3", "n"] == 301 - 2
    assert got.faults[["line", "kind"]].to_numpy().tolist() == [[602, "order"]]


def test_only_the_first_faults_are_told_but_all_are_counted(tmp_path):
    lines = [f"2027-01-11 09:{n // 60:02d}:{n % 60:02d};OL" for n in range(100)]
    got = read_pressure_logs([export(tmp_path / "u1.csv", "Time;Pot psi", *lines)], runs_at(("R1", "U1", 0, 20)))
    assert got.files.loc[0, "pressure"] == 100
    assert got.faults["line"].tolist() == list(range(2, 2 + MOST_FAULTS))
    assert got.runs.loc[0, ["n", "blanks", "gaps"]].tolist() == [0, 0, 1]


def test_lines_are_those_of_the_file_across_blocks_and_blank_lines(tmp_path, monkeypatch):
    monkeypatch.setattr("auditkit.trade.log_rows._BLOCK_CHARS", 60)
    lines = [f"2027-01-11 09:00:{n:02d};5" for n in range(20)]
    lines[3] = lines[9] = ""
    lines[15] = "2027-01-11 09:00:15;ERR"
    got = read_pressure_logs([export(tmp_path / "u1.csv", "Time;Pot psi", *lines)], runs_at(("R1", "U1", 0, 20)))
    assert got.faults["line"].tolist() == [17]
    assert (got.n, got.runs.loc[0, "n"]) == (18, 17)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_encodings_of_loggers(tmp_path, encoding):
    told = export(tmp_path / "u1.csv", "Zeit °;Pot psi", "2027-01-11 09:00:00;5,80", encoding=encoding)
    told.columns = {"Zeit °": "logged_at", "Pot psi": "pot_kpa"}
    assert read_pressure_logs([told], runs_at(("R1", "U1", 0, 20))).runs["median_kpa"].tolist() == [39.99]


@pytest.mark.parametrize("delimiter", [",", "\t"])
def test_other_marks_between_cells(tmp_path, delimiter):
    lines = ["Time;Pot psi;Note", '2027-01-11 09:00:00;5.80;"a; b"'.replace("; b", f"{delimiter} b")]
    told = export(tmp_path / "u1.csv", *[line.replace(";", delimiter) for line in lines])
    assert read_pressure_logs([told], runs_at(("R1", "U1", 0, 20))).runs["median_kpa"].tolist() == [39.99]


def test_a_file_that_cannot_be_read_is_told_and_stops_nothing(tmp_path):
    log, runs = two_units()
    good = tmp_path / "good.parquet"
    log.to_parquet(good)
    (tmp_path / "log.txt").write_text("x")
    log.drop(columns="pot_kpa").to_parquet(tmp_path / "short.parquet")
    (tmp_path / "no.parquet").write_text("no parquet")
    (tmp_path / "head.csv").write_text("unit,time,kpa\nU1,2027-01-11T08:00:00Z,40\n")
    (tmp_path / "twice.csv").write_text("unit_id,logged_at,pot_kpa,pot_kpa\n")
    names = ["log.txt", "short.parquet", "no.parquet", "head.csv", "twice.csv", "good.parquet"]
    got = read_pressure_logs([source(tmp_path / name) for name in names], runs)
    whys = got.files.set_index("file")["why"]
    assert whys["log.txt"] == "log.txt: a pressure log must be .csv or .parquet; given .txt."
    assert whys["short.parquet"].startswith("short.parquet: the log must have the columns ['pot_kpa']; it has unit_id")
    assert whys["no.parquet"].startswith("no.parquet: must be a Parquet file")
    assert (
        "must be a header with 'unit_id', 'logged_at', 'pot_kpa'; the first that is not blank is 'unit,time,kpa'"
        in (whys["head.csv"])
    )
    assert "a header must occur once; 'pot_kpa' occurs twice" in whys["twice.csv"]
    assert whys["good.parquet"] == ""
    pd.testing.assert_frame_equal(got.runs, summarise_log([log], runs).runs)


def test_memory_grows_with_the_readings_inside_runs_and_not_with_the_log():
    def blocks(n: int):
        for i in range(n):
            yield log_of("U1", np.full(2000, 40.0), start=START + pd.Timedelta(seconds=2000 * i))

    def peak(n: int) -> int:
        runs = runs_at(*[(f"R{i:04d}", "U1", 500 * i, 500 * i + 40) for i in range(12)])
        tracemalloc.start()
        summarise_log(blocks(n), runs)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return most

    peak(2)  # whatever is loaded once
    assert peak(60) < 2 * peak(6)


def test_runs_of_one_unit_that_overlap_share_their_readings():
    log, _ = two_units()
    got = summarise_log([log], runs_at(("R1", "U1", 0, 300), ("R2", "U1", 300, 400)))
    assert got.runs["n"].tolist() == [301, 101]
    assert got.files.loc[0, ["used", "outside_runs"]].tolist() == [401, 1800 - 401]


def test_no_rows_and_no_runs():
    log, runs = two_units()
    assert summarise_log([], runs).runs["n"].tolist() == [0, 0, 0, 0]
    assert summarise_log([log.head(0)], runs).n == 0
    none = summarise_log([log], runs.head(0))
    assert (len(none.runs), none.excluded) == (0, 1800)
    assert read_pressure_logs([], runs).files.empty


def test_refusals():
    log, runs = two_units()
    with pytest.raises(ValueError, match=r"run_id must not occur twice; \['R1'\] do"):
        summarise_log([log], runs_at(("R1", "U1", 0, 300), ("R1", "U2", 300, 400)))
    with pytest.raises(ValueError, match="logged_at must be times with a zone"):
        summarise_log([log.assign(logged_at=log["logged_at"].dt.tz_localize(None))], runs)
    with pytest.raises(ValueError, match=r"the log must have the columns \['pot_kpa'\]"):
        summarise_log([log.drop(columns="pot_kpa")], runs)
    with pytest.raises(ValueError, match="seconds must rise"):
        summarise_run([0, 0], [40.0, 41.0], run_s=3)
    with pytest.raises(ValueError, match="rows of equal length"):
        summarise_run([0, 1], [40.0], run_s=3)
