"""States at the moment of each run: calibrated where the truth is known, and worked by hand where it is plain."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.part_states import find_part_states, fit_part_models, known_by, states_at
from auditkit.stats.life_draws import probability_failed_over
from auditkit.stats.weibull import fit_weibull
from auditkit.trade.part_lives import NO_UNITS, find_part_lives
from auditkit.trade.upkeep_rules import load_upkeep_rules

from .part_simulation import SCALE_D, SHAPE, simulate_site

ALL_RULES = load_upkeep_rules()
RULES = replace(ALL_RULES, parts={"brush": ALL_RULES.parts["brush"]})
PAIR = ("brush", "worn")
TOLERANCE = 0.07
"""Of the share bad among runs given about one probability; the brackets of five sites allow no finer a look."""


def states_of(runs, notes, units, *, rules=RULES):
    lives = find_part_lives(notes, runs, rules=rules, units=units)
    models = fit_part_models(lives.lives, rules=rules)
    return find_part_states(runs, lives, models=models, rules=rules), lives, models


def worst_bin(states, column):
    """Largest distance between probability and share bad over five bins."""
    bins = states.groupby(pd.cut(states[column], np.linspace(0, 1, 6), include_lowest=True), observed=True)
    return (bins[column].mean() - bins["bad"].mean()).abs().max()


def loss(states, column):
    p = states[column].clip(1e-6, 1 - 1e-6)
    return float(-np.log(p.where(states["bad"], 1 - p)).mean())


@pytest.fixture(scope="module")
def sites():
    """Runs of five sites with units of very different wear; the draws, units apart and alike; the factors."""
    rng = np.random.default_rng(101)
    states, models_of, factors_of = [], [], []
    for _ in range(5):
        runs, notes, units, bad, factors = simulate_site(rng, variance=1.0)
        found, lives, models = states_of(runs, notes, units)
        blind = replace(lives, lives=lives.lives.assign(first_bad=np.inf))
        life = fit_weibull(lives.lives).life
        draws = models[PAIR].draws
        alike = draws.drop_duplicates("group").assign(weight=1.0, scale=life.scale, shape=life.shape)
        models_of.append((draws, alike))
        factors_of.append(factors)
        states.append(
            found.states.assign(
                bad=found.states["run_id"].map(bad),
                without_next=find_part_states(runs, blind, models=models, rules=RULES).states["probability"],
            )
        )
    return pd.concat(states, ignore_index=True), models_of, factors_of


@pytest.fixture(scope="module")
def simulated(sites):
    return sites[0]


def test_what_looks_show_is_the_truth(simulated):
    seen = simulated[simulated["basis"] == "seen"]
    assert len(seen) > 1000
    assert (seen["probability"] == seen["bad"]).all()


def test_probabilities_are_calibrated(simulated):
    open_runs = simulated[simulated["basis"] == "estimated"]
    assert len(open_runs) > 3000
    assert worst_bin(open_runs, "probability") < TOLERANCE
    assert open_runs["probability"].mean() == pytest.approx(open_runs["bad"].mean(), abs=0.04)


def test_the_look_after_a_run_is_needed_for_it(simulated):
    bracketed = simulated[(simulated["basis"] == "estimated") & (simulated["next_state"] == "bad")]
    assert worst_bin(bracketed, "without_next") > 2 * TOLERANCE
    assert loss(bracketed, "probability") < 0.8 * loss(bracketed, "without_next")


def test_each_unit_s_own_history_is_needed_too(sites):
    """Of a new brush of each unit the true share bad after 12 days is known; the unit's own life comes nearer to it."""
    error, error_alike, held = [], [], []
    for (model, alike), factors in zip(sites[1], sites[2], strict=True):
        for unit, factor in factors.items():
            truth = 1 - np.exp(-factor * (12 / SCALE_D) ** SHAPE)
            own, of_all = (
                probability_failed_over(draws[draws["group"] == unit], 12.0, last_good=0.0, first_bad=np.inf).iloc[0]
                for draws in (model, alike)
            )
            error.append(own["estimate"] - truth)
            error_alike.append(of_all["estimate"] - truth)
            held.append(own["low"] <= truth <= own["high"])
    rms, rms_alike = (float(np.sqrt(np.mean(np.square(each)))) for each in (error, error_alike))
    assert rms < 0.75 * rms_alike
    assert np.mean(held) > 0.85


def test_what_was_known_at_a_date_is_calibrated():
    """What was on record by an evening, asked of every unit at that evening."""
    rng = np.random.default_rng(102)
    told = []
    for _ in range(2):
        runs, notes, units, bad, _ = simulate_site(rng, units=12)
        for day in (45, 70):
            at = runs["started_at"].min() + pd.Timedelta(days=day)
            past_notes, past_runs = known_by(notes, runs, as_at=at)
            lives = find_part_lives(past_notes, past_runs, rules=RULES, units=units)
            models = fit_part_models(lives.lives, rules=RULES)
            moments = pd.DataFrame({"unit_id": units["unit_id"], "at": at})
            states = states_at(moments, past_runs, lives, models=models, rules=RULES)
            told.append(states.assign(bad=(states["unit_id"] + f"-{day:03d}-08").map(bad)))
    ahead = pd.concat(told)
    ahead = ahead[ahead["basis"] == "estimated"]
    assert ahead["next_at"].isna().all()
    halves = ahead.groupby(ahead["probability"] > 0.3)
    gap = halves["probability"].mean() - halves["bad"].mean()
    assert gap.abs().max() < 0.13
    assert halves["bad"].mean().diff().iloc[-1] > 0.3


def by_hand():
    """Six units, each new on the 4th; a brush looked at on given evenings of January, good or worn."""
    looks = {
        "U1": [("08", "good"), ("12", "worn")],
        "U2": [("10", "good"), ("14", "worn")],
        "U3": [("09", "good"), ("15", "worn")],
        "U4": [("12", "good"), ("13", "worn")],
        "U5": [("07", "good"), ("11", "worn")],
        "U6": [("09", "good")],
    }
    days = [f"2027-01-{day:02d}" for day in range(4, 20)]
    runs = pd.DataFrame(
        [
            (f"{unit}-{day}", unit, pd.Timestamp(f"{day}T08:00Z"), pd.Timestamp(f"{day}T12:00Z"), day)
            for unit in looks
            for day in days
        ],
        columns=["run_id", "unit_id", "started_at", "ended_at", "day"],
    )
    notes = pd.DataFrame(
        [
            (unit, "brush", "inspected", np.nan, word, pd.Timestamp(f"2027-01-{day}T18:00Z"))
            for unit, seen in looks.items()
            for day, word in seen
        ],
        columns=["unit_id", "part", "action", "wear_pct", "found", "done_at"],
    )
    units = pd.DataFrame({"unit_id": list(looks), "in_service_at": pd.Timestamp("2027-01-04T06:00Z")})
    return runs, notes, units


def row(found, run_id, part="brush", mode="worn"):
    states = found.states
    return states[(states["run_id"] == run_id) & (states["part"] == part) & (states["mode"] == mode)].iloc[0]


def test_last_and_next_known_and_what_follows_from_them():
    runs, notes, units = by_hand()
    found, _, _ = states_of(runs, notes, units)
    first = row(found, "U1-2027-01-04")
    assert first[["last_state", "next_state", "probability", "basis"]].tolist() == ["restored", "good", 0.0, "seen"]
    assert first["last_at"] == pd.Timestamp("2027-01-04T06:00Z")
    between = row(found, "U1-2027-01-11")
    assert between[["last_state", "next_state", "basis"]].tolist() == ["good", "bad", "estimated"]
    assert (between["last_at"].day, between["next_at"].day, between["age_d"]) == (8, 12, 7.0)
    assert 0 < between["low"] < between["probability"] < between["high"] < 1
    after = row(found, "U1-2027-01-13")
    assert after[["last_state", "probability", "low", "high", "basis"]].tolist() == ["bad", 1.0, 1.0, 1.0, "seen"]
    assert pd.isna(after["next_state"])
    ahead = [row(found, f"U6-2027-01-{day:02d}")["probability"] for day in range(9, 20)]
    assert ahead[:2] == [0.0, 0.0]
    assert (np.diff(ahead[1:]) > 0).all()
    inside = [row(found, f"U3-2027-01-{day:02d}")["probability"] for day in range(10, 17)]
    assert inside[0] == 0.0  # not used since it was seen good
    assert inside[-1] == 1.0
    assert (np.diff(inside) > 0).all()


def test_the_wide_frame_holds_only_parts_with_an_estimate():
    runs, notes, units = by_hand()
    found, _, models = states_of(runs, notes, units, rules=ALL_RULES)
    assert found.runs.columns.tolist() == ["run_id", "brush_worn_p"]
    assert found.runs["run_id"].tolist() == sorted(runs["run_id"])
    assert (
        found.runs.set_index("run_id").loc["U1-2027-01-11", "brush_worn_p"]
        == row(found, "U1-2027-01-11")["probability"]
    )
    assert found.n + found.excluded == len(found.states) == len(runs) * 16
    brush = found.models.set_index(["part", "mode"]).loc[PAIR]
    assert brush[["verdict", "lives", "looked_at", "failures"]].tolist() == ["estimated", 6, 6, 5]
    assert 5 < brush["scale_d"] < 12
    assert models["filter", "clogged"].reason == (
        "found bad 0 times in 6 lives of known age, fewer than 5: how long it lasts is not estimated"
    )
    filters = row(found, "U1-2027-01-11", "filter", "clogged")
    assert (filters["basis"], pd.isna(filters["probability"])) == ("cannot tell", True)
    assert filters["reason"] == models["filter", "clogged"].reason


def test_one_failure_less_than_needed_estimates_nothing_but_keeps_what_was_seen():
    runs, notes, units = by_hand()
    found, _, _ = states_of(runs, notes[~((notes["unit_id"] == "U5") & (notes["found"] == "worn"))], units)
    assert found.models["verdict"].tolist() == ["cannot tell"]
    assert found.runs.columns.tolist() == ["run_id"]
    assert row(found, "U1-2027-01-13")["probability"] == 1.0
    assert row(found, "U1-2027-01-07")["probability"] == 0.0
    assert pd.isna(row(found, "U1-2027-01-11")["probability"])


def test_a_part_of_unknown_age_is_told_only_where_a_look_tells():
    runs, notes, units = by_hand()
    found, _, _ = states_of(runs, notes, units[units["unit_id"] != "U1"])
    assert found.models["verdict"].tolist() == ["cannot tell"]  # four failures of known age are left
    assert row(found, "U1-2027-01-07")["probability"] == 0.0
    assert row(found, "U1-2027-01-13")["probability"] == 1.0
    between = row(found, "U1-2027-01-11")
    assert (between["basis"], between["reason"]) == ("cannot tell", "how long it had been in use is not recorded")


def test_one_unit_has_a_life_of_its_own():
    runs, notes, units = by_hand()
    runs, units = runs[runs["unit_id"] == "U1"], units.head(1)
    rows = []
    for day in (6, 8, 13, 14, 17):
        for action, hour in (("inspected", 18), ("replaced", 20)):
            rows.append(("U1", "brush", action, np.nan, "worn", pd.Timestamp(f"2027-01-{day:02d}T{hour}:00Z")))
    bad = pd.DataFrame(rows, columns=notes.columns)
    found, _, _ = states_of(runs, bad, units)
    assert found.models["verdict"].tolist() == ["cannot tell"]  # each was bad at its first look
    assert "one single age (from 0 to 1) would explain every row" in found.models["reason"].iloc[0]
    good = bad[bad["action"] == "inspected"].assign(
        found="good", done_at=lambda rows: rows["done_at"] - pd.Timedelta(days=1)
    )
    found, _, _ = states_of(runs, pd.concat([bad, good]), units)
    assert found.models["method"].tolist() == ["Weibull life of one unit"]
    assert 0 < row(found, "U1-2027-01-19")["low"] < row(found, "U1-2027-01-19")["probability"] < 1


def test_where_no_weibull_life_fits_turnbull_s_shares_stand_in():
    """Lives nearly alike: the best shape lies beyond what a fit may take."""
    lives = pd.DataFrame({"unit_id": "U1", "part": "brush", "mode": "worn", "last_good": 10 + 0.01 * np.arange(6)})
    lives["first_bad"] = lives["last_good"] + 0.005
    model = fit_part_models(lives, rules=RULES)[PAIR]
    assert (model.verdict, model.method) == ("estimated", "Turnbull's shares, all units alike")
    assert model.table["share"].to_numpy() == pytest.approx(np.full(6, 1 / 6))
    runs, notes, units = by_hand()
    known = find_part_lives(notes, runs, rules=RULES, units=units)
    table = pd.DataFrame({"after": [4.0, 8.0], "by": [6.0, 10.0], "share": [0.5, 0.5]})
    states = find_part_states(runs, known, models={PAIR: replace(model, table=table)}, rules=RULES)
    assert row(states, "U3-2027-01-12")["probability"] == pytest.approx(0.0)
    ahead = row(states, "U6-2027-01-13")  # nine days of use, good after six: all of (8, 10] is still to come
    assert ahead[["probability", "low", "high"]].tolist() == pytest.approx([0.5, 0.0, 1.0])
    nowhere = row(states, "U4-2027-01-13")
    assert nowhere["probability"] == 0.0


def test_order_does_not_matter_and_nothing_is_changed():
    runs, notes, units = by_hand()
    before = runs.copy(), notes.copy()
    found, _, _ = states_of(runs, notes, units)
    other, _, _ = states_of(runs.iloc[::-1], notes.iloc[::-1], units.iloc[::-1])
    pd.testing.assert_frame_equal(found.states, other.states)
    pd.testing.assert_frame_equal(found.runs, other.runs)
    pd.testing.assert_frame_equal(runs, before[0])
    pd.testing.assert_frame_equal(notes, before[1])


def test_nothing_recorded_answers_with_the_reason():
    runs, notes, units = by_hand()
    whole, _, _ = states_of(runs, notes, units)
    for some_runs in (runs, runs.iloc[:0], runs.head(1)):
        found, _, _ = states_of(some_runs, notes.iloc[:0], NO_UNITS)
        assert found.states.dtypes.equals(whole.states.dtypes)
        assert (found.n, found.excluded) == (0, len(some_runs))
        assert (found.states["reason"] == "how long it had been in use is not recorded").all()
