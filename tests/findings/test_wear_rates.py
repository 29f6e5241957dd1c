"""Rates of wear and days to the limit: by hand, and held to their promise on units of known wear."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.wear_rates import find_wear_rates
from auditkit.stats.wear_lines import item_to_limit, step_line
from auditkit.trade.part_lives import NO_UNITS, find_part_lives
from auditkit.trade.upkeep_rules import load_upkeep_rules

RULES = load_upkeep_rules()


def runs_of(days=range(20), unit="U1"):
    starts = pd.Series(
        [pd.Timestamp("2027-01-04T08:00Z") + pd.Timedelta(days=day) for day in days], dtype="datetime64[us, UTC]"
    )
    return pd.DataFrame(
        {
            "unit_id": unit,
            "started_at": starts,
            "ended_at": starts + pd.Timedelta(hours=4),
            "day": starts.dt.strftime("%F"),
        }
    )


def notes_of(*rows, unit="U1"):
    """(evening after so many days of use, action, wear)."""
    first = pd.Timestamp("2027-01-03T18:00Z")
    full = [(unit, "brush", action, wear, None, first + pd.Timedelta(days=day)) for day, action, wear in rows]
    frame = pd.DataFrame(full, columns=["unit_id", "part", "action", "wear_pct", "found", "done_at"])
    return frame.astype({"wear_pct": "float64", "found": "str", "done_at": "datetime64[us, UTC]"})


def wear(notes, runs=None, units=NO_UNITS):
    runs = runs_of() if runs is None else runs
    return find_wear_rates(runs, find_part_lives(notes, runs, rules=RULES, units=units), rules=RULES)


READ = [(2, "inspected", 30), (5, "inspected", 40), (8, "replaced", 52), (12, "inspected", 18), (16, "inspected", 30)]


def test_rate_and_days_left_by_hand():
    """Gains 10 in 3 d, 12 in 3 d, 18 in 4 d of a new brush, 12 in 4 d: 52 in 14 d; 30 % read 4 d of use ago."""
    found = wear(notes_of(*READ))
    row = found.table.iloc[0]
    assert (row["steps"], found.n, found.excluded) == (4, 5, 0)
    assert row["rate_pct_d"] == pytest.approx(52 / 14)
    line = step_line(pd.DataFrame({"length": [3.0, 3, 4, 4], "growth": [10.0, 12, 18, 12]}))
    assert (row["rate_low"], row["rate_high"]) == pytest.approx((line.rate.low, line.rate.high))
    left = item_to_limit(line, limit=20.0).age
    assert row[["last_wear_pct", "since_d", "limit_pct"]].tolist() == [30.0, 4.0, 50.0]
    assert row["days_left"] == pytest.approx(left.estimate - 4.0)
    assert row["days_left_high"] == pytest.approx(left.high - 4.0)
    assert row["days_left_low"] == 0.0  # it may be there by now
    assert row["verdict"] == "estimated"


def test_a_brush_just_replaced_starts_at_nothing():
    row = wear(notes_of(*READ, (20, "replaced", 45))).table.iloc[0]
    assert row[["last_wear_pct", "since_d", "steps"]].tolist() == [0.0, 0.0, 5]
    assert row["days_left"] == pytest.approx(50 / row["rate_pct_d"])


def test_a_brush_in_use_before_the_records_is_not_taken_for_new():
    rows = [(2, "inspected", 40), (5, "inspected", 46), (8, "inspected", 49)]
    units = pd.DataFrame({"unit_id": ["U1"], "in_service_at": pd.to_datetime(["2026-12-28T06:00Z"])})
    assert wear(notes_of(*rows), units=units).table["steps"].iloc[0] == 2
    new = units.assign(in_service_at=pd.to_datetime(["2027-01-04T06:00Z"]))
    assert wear(notes_of(*rows), units=new).table["steps"].iloc[0] == 3


def test_the_limit_reached():
    row = wear(notes_of(*READ, (19, "inspected", 50))).table.iloc[0]
    assert row[["days_left", "verdict", "reason"]].tolist() == [
        0.0,
        "reached",
        "the last reading is at or over the limit",
    ]
    assert row["rate_pct_d"] == pytest.approx(72 / 17)


@pytest.mark.parametrize(
    ("rows", "reason"),
    [
        (READ[:3], "2 gains of wear between readings, fewer than 3"),
        ([(day, "inspected", 10.0 + 2 * day) for day in (1, 3, 6, 8)], "every reading lies on one line"),
        (
            [(1, "inspected", 20), (6, "inspected", 21), (11, "inspected", 20), (16, "inspected", 22)],
            "is not told from none",
        ),
        ([], "0 gains of wear"),
    ],
)
def test_what_cannot_be_told(rows, reason):
    row = wear(notes_of(*rows)).table.iloc[0]
    assert row["verdict"] == "cannot tell"
    assert reason in row["reason"]
    assert pd.isna(row["days_left"])


def test_figures_that_fall_are_left_out_and_counted():
    found = wear(notes_of(*READ[:2], (6, "inspected", 15), *READ[2:]))
    assert (found.n, found.excluded) == (4, 2)  # neither the 40 nor the 15
    assert found.table["steps"].iloc[0] == 3
    assert found.table["rate_pct_d"].iloc[0] == pytest.approx((22 + 18 + 12) / (6 + 4 + 4))


def test_two_readings_without_use_between_are_no_step():
    found = wear(notes_of(*READ, (12.2, "inspected", 20)))
    assert found.table["steps"].iloc[0] == 4


def test_limits_hold_for_the_brush_in_use():
    """Gamma wear of about 4 % a day, read in full; the true day on which the last brush reaches 50 %."""
    rng = np.random.default_rng(71)
    held = []
    runs = runs_of(range(26))
    for _ in range(40):
        gains = rng.gamma(4.0 / 0.5, 0.5, (4, 60))
        rows: list[tuple[int, str, float]] = [(0, "replaced", np.nan)]
        for brush, end in enumerate((8, 16, 22, 26)):
            begun = (0, 8, 16, 22)[brush]
            rows += [(day, "inspected", float(gains[brush, : day - begun].sum())) for day in range(begun + 2, end, 3)]
            if end < 26:
                rows.append((end, "replaced", float(gains[brush, : end - begun].sum())))
        row = wear(notes_of(*rows), runs).table.iloc[0]
        # within a day of use wear is taken to grow evenly
        path = np.concatenate([[0.0], np.cumsum(gains[3])])
        left = float(np.interp(50.0, path, np.arange(len(path)))) - 4.0
        held.append(row["days_left_low"] <= left <= row["days_left_high"])
    assert np.mean(held) == pytest.approx(0.95, abs=0.07)


def test_units_are_apart_and_order_does_not_matter():
    notes = pd.concat([notes_of(*READ), notes_of(*[(day, done, 2 * w / 3) for day, done, w in READ], unit="U2")])
    runs = pd.concat([runs_of(), runs_of(unit="U2")])
    table = wear(notes, runs).table
    assert table["unit_id"].tolist() == ["U1", "U2"]
    assert table["rate_pct_d"].iloc[1] == pytest.approx(table["rate_pct_d"].iloc[0] * 2 / 3)
    pd.testing.assert_frame_equal(table, wear(notes.iloc[::-1], runs.iloc[::-1]).table)
    assert wear(notes_of(), runs_of(range(0))).table.empty
