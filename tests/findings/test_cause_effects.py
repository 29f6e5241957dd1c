"""Adjusted effects: known truths, the right thing held equal, and reasons where nothing can be told."""

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.cause_effects import AS_CURVE, AS_SIDE, find_effects
from auditkit.findings.cause_rows import CLUSTER, LEAST_RECORDED, Plan, cause_rows, one_thread
from auditkit.stats.windowed_risk import windowed_risk
from auditkit.trade.conditions import load_conditions

from .cause_records import adjustments, found_of, records

KNOWN = load_conditions()
ESTIMATES = ["risk_inside", "difference", "low", "high", "p", "ratio", "attributable_fraction", "crude_difference"]


def effects_of(runs, names=("standoff_mm",), adjust_for=("job_id", "operator_id"), found=None, **settings):
    conditions = {name: KNOWN[name] for name in names}
    return find_effects(
        runs,
        found_of(runs) if found is None else found,
        conditions=conditions,
        adjustments=adjustments(conditions, adjust_for),
        **settings,
    )


def row(result, side="above"):
    return result.table[result.table["side"] == side].iloc[0]


def test_a_known_effect_is_found_on_its_side_only():
    runs = records(1, 3000, far=0.12)
    result = effects_of(runs)
    above, below = row(result), row(result, "below")
    true = (runs["p"] - runs["p_above"]).mean()
    assert above["low"] <= true <= above["high"]
    assert above["low"] > 0.5 * true
    assert above["p"] < 1e-3
    assert below["low"] <= 0 <= below["high"]
    # The figures agree with one another, and with the counts.
    assert above["difference"] == pytest.approx(above["risk_observed"] - above["risk_inside"], abs=2e-3)
    assert above["attributable_fraction"] == pytest.approx(1 - 1 / above["ratio"])
    assert above["risk_observed"] == pytest.approx(runs["spit"].mean())
    outside = runs["standoff_mm"] > 200
    assert (above["n_outside"], above["found_outside"]) == (outside.sum(), runs.loc[outside, "spit"].sum())
    share, rest = outside.mean(), runs.loc[~outside, "spit"].mean()
    assert above["crude_difference"] == pytest.approx(share * (runs.loc[outside, "spit"].mean() - rest))
    assert above["why"] == ""
    assert above["enters"] == AS_CURVE
    assert (result.n, result.excluded, result.cluster) == (3000, 0, CLUSTER)


def test_the_side_below_is_the_other_way_round():
    runs = records(2, 2000, near=0.15)
    result = effects_of(runs)
    true = (runs["p"] - runs["p_below"]).mean()
    assert row(result, "below")["low"] <= true <= row(result, "below")["high"]
    assert row(result, "below")["p"] < 0.01
    assert row(result)["low"] <= 0 <= row(result)["high"]


def test_what_the_diagram_says_is_held_equal():
    runs = records(3, 2000, crew=1.2)
    held = row(effects_of(runs))
    assert held["crude_difference"] > 0.02
    assert held["low"] <= 0 <= held["high"]
    assert held["typical_low"] <= 0.005
    assert held["adjusted_for"] == ("job_id", "operator_id")
    # Nothing held equal but the cluster: still within pairs of job and operator.
    assert row(effects_of(runs, adjust_for=()))["adjusted_for"] == ()


def test_limits_hold_in_small_confounded_records():
    # 12 audits each: a smoke test; the table of the benchmark rests on thousands.
    held = answered = wrong = 0
    for seed in range(12):
        runs = records(100 + seed, 200, far=0.05, crew=0.8)
        one = row(effects_of(runs))
        answered += one["why"] == ""
        held += one["low"] <= (runs["p"] - runs["p_above"]).mean() <= one["high"]
        none = row(effects_of(records(300 + seed, 200, crew=0.8)))
        wrong += none["p"] < 0.05 and none["difference"] > 0
    assert answered >= 7
    assert held >= answered - 3
    assert wrong <= 2


def test_the_typical_difference_compares_with_runs_inside():
    runs = records(4, 1500, far=0.10)
    above = row(effects_of(runs))
    place = np.where(runs["standoff_mm"] > 200, 1.0, np.where(runs["standoff_mm"] < 150, -1.0, 0.0))
    frame = runs.assign(
        side=place, pair=runs["job_id"] + " / " + runs["operator_id"], session=runs["job_id"] + " / " + runs["day"]
    )
    with one_thread():
        direct = windowed_risk(
            frame.assign(spit=frame["spit"].astype(float)),
            outcome="spit",
            exposure="side",
            window=(0.0, 0.0),
            groups=["job_id", "operator_id", "pair"],
            session=["session"],
        ).table.set_index("side")
    for name in ("difference", "low", "high", "p"):
        assert above[f"typical_{name}"] == pytest.approx(direct.loc["above", name], rel=1e-6)


def test_resistance_enters_as_powers_of_ten_and_few_values_as_a_side():
    runs = records(5, 600)
    result = effects_of(runs, ("part_ground_ohm", "bell_used_d")).table.set_index("condition")
    assert result.loc["part_ground_ohm", "enters"] == AS_CURVE
    assert result.loc["bell_used_d", "enters"] == AS_SIDE
    assert result.loc["bell_used_d", "difference"] == pytest.approx(result.loc["bell_used_d", "typical_difference"])
    # Ten times the resistance, ten times the limit: the same answer.
    from dataclasses import replace

    tenfold = {"part_ground_ohm": replace(KNOWN["part_ground_ohm"], high=1e7)}
    again = find_effects(
        runs.assign(part_ground_ohm=runs["part_ground_ohm"] * 10),
        found_of(runs),
        conditions=tenfold,
        adjustments=adjustments(tenfold),
    ).table.iloc[0]
    assert again["difference"] == pytest.approx(result.loc["part_ground_ohm", "difference"], rel=1e-6)


def test_a_limit_that_counts_as_outside_enters_as_a_side():
    runs = records(6, 400).assign(brush_wear_pct=lambda f: np.where(f["bell_used_d"] > 0, 50.0, f["standoff_mm"] / 10))
    result = row(effects_of(runs, ("brush_wear_pct",)))
    assert result["enters"] == AS_SIDE
    assert result["n_outside"] == (runs["bell_used_d"] > 0).sum()


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda f: f.assign(standoff_mm=180.0), "0 records outside the window on this side; 5 are needed"),
        (lambda f: f.assign(standoff_mm=np.nan), "the condition was not recorded for any run, or applies to none"),
        (lambda f: f.drop(columns="standoff_mm"), "the condition was not recorded for any run, or applies to none"),
        (lambda f: f.assign(spit=False), "0 records with the outcome; 5 are needed"),
        (lambda f: f.assign(spit=True), "0 records without the outcome; 5 are needed"),
        (lambda f: f.assign(standoff_mm=250.0), "every record is outside the window on this side"),
        (lambda f: f.assign(job_id=None), "no run has its job, its operator and what is to be held equal recorded"),
        (lambda f: f.head(0), "the condition was not recorded for any run, or applies to none"),
        (lambda f: f.head(1), "0 records outside the window on this side; 5 are needed"),
        (
            lambda f: f.assign(standoff_mm=np.where(f["job_id"] == "J1", 210.0 + f.index % 9, 160.0 + f.index % 30)),
            "all runs on that side of the window are of one job, J1",
        ),
    ],
    ids=[
        "inside",
        "blank",
        "no column",
        "no defect",
        "all defects",
        "all outside",
        "no job",
        "no run",
        "one run",
        "one job outside",
    ],
)
def test_too_little_gives_a_reason_and_no_number(change, why):
    runs = change(records(7, 200))
    above = row(effects_of(runs))
    assert above["why"] == why
    assert above[ESTIMATES].isna().all()


def test_one_job_is_no_crash():
    runs = records(8, 200, far=0.1).assign(job_id="J1")
    above = row(effects_of(runs))
    assert above["why"] == "all runs on that side of the window are of one job, J1"


def test_not_inspected_and_not_planned_are_said():
    runs = records(9, 100)
    blank = found_of(runs).mask(pd.DataFrame(True, index=runs["run_id"], columns=["spit"]))
    assert (
        row(effects_of(runs, found=blank))["why"] == "no run with the condition recorded was inspected for the defect"
    )
    conditions = {"standoff_mm": KNOWN["standoff_mm"]}
    none = find_effects(runs, found_of(runs), conditions=conditions, adjustments=adjustments(["pot_kpa"]))
    assert (none.table["why"] == "the causal diagram does not say what to hold equal").all()
    assert (none.table["n"] == 0).all()
    with pytest.raises(ValueError, match=r"must have the columns defect, condition and adjust_for; \['adjust_for'\]"):
        find_effects(runs, found_of(runs), conditions=conditions, adjustments=none.table[["defect", "condition"]])


def test_what_was_not_recorded_is_named():
    runs = records(10, 300).assign(half=lambda f: np.where(f.index % 2, 1.0, np.nan), heat=lambda f: f.index % 7 * 1.0)
    runs.loc[:9, "heat"] = np.nan
    conditions = {"standoff_mm": KNOWN["standoff_mm"]}
    plan = adjustments(conditions, ("job_id", "half", "heat", "shift")).assign(not_recorded=[("batch",)])
    above = row(find_effects(runs, found_of(runs), conditions=conditions, adjustments=plan))
    assert above["adjusted_for"] == ("job_id", "heat")
    assert above["not_recorded"] == ("batch", "half (recorded for 50 % of the runs)", "shift")
    assert above["n"] == 290
    assert 0.5 < LEAST_RECORDED < 290 / 300


def test_columns_that_repeat_others_do_no_harm():
    runs = records(11, 300).assign(coating=lambda f: "c" + f["job_id"], same="x")
    one = row(effects_of(runs))
    two = row(effects_of(runs, adjust_for=("job_id", "operator_id", "coating", "same", "standoff_mm")))
    assert two["difference"] == pytest.approx(one["difference"], abs=5e-3)
    assert two["adjusted_for"] == ("job_id", "operator_id", "coating", "same")


def test_order_input_and_progress():
    runs = records(12, 250, far=0.08)
    found, before = found_of(runs), runs.copy()
    seen = []
    names = ("standoff_mm", "part_ground_ohm", "viscosity_mm2_s")
    result = effects_of(runs, names, on_progress=lambda name, number, of: seen.append((name, number, of)))
    assert seen == [("spit and Standoff", 1, 2), ("spit and Part to earth", 2, 2)]  # viscosity has no window
    assert result.table[["condition", "side"]].values.tolist() == [
        ["standoff_mm", "below"], ["standoff_mm", "above"], ["part_ground_ohm", "above"]
    ]  # fmt: skip
    turned = effects_of(runs.iloc[::-1], names)
    pd.testing.assert_frame_equal(result.table, turned.table, rtol=1e-6)
    pd.testing.assert_frame_equal(runs, before)
    pd.testing.assert_frame_equal(found, found_of(before))
    wider = row(effects_of(runs, confidence=0.99))
    assert wider["low"] < row(result)["low"] < row(result)["high"] < wider["high"]


def test_rows_hold_only_runs_the_condition_applies_to():
    runs = records(13, 40).assign(overlap_pct=45.0)
    runs.loc[:9, "stroke_pattern"] = "circular"
    rows = cause_rows(
        runs,
        runs["spit"].astype(float),
        KNOWN["overlap_pct"],
        plan=Plan(adjust_for=("unit_id", "minutes")),
        conditions=KNOWN,
    )
    assert rows.frame["run"].tolist() == list(range(10, 40))
    assert (rows.groups, rows.numbers) == (("unit_id", "cluster"), ("minutes",))
    assert rows.frame["session"][0] == f"{runs['job_id'][10]} / {runs['day'][10]}"
