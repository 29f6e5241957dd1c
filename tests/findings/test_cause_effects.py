"""Adjusted effects: known truths, the right thing held equal, and reasons where nothing can be told."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.cause_effects import LEAST_VALUES, find_effects
from auditkit.findings.cause_rows import CLUSTER, LEAST_RECORDED, Plan, cause_rows
from auditkit.stats.threads import one_thread
from auditkit.stats.windowed_risk import windowed_risk
from auditkit.trade.conditions import load_conditions

from .cause_records import adjustments, found_of, records

KNOWN = load_conditions()
EDGES = ["edge_difference", "edge_low", "edge_high", "edge_p"]
ESTIMATES = ["risk_inside", "difference", "low", "high", "p", "ratio", "ratio_low", "ratio_high"]
ESTIMATES += ["attributable_fraction", "af_low", "af_high", "crude_difference", *EDGES]


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


def direct_risks(runs, exposure, window, numbers=()):
    """Return what `windowed_risk` itself says of an exposure, within pairs of job and operator."""
    frame = runs.assign(
        exposure=exposure,
        spit=runs["spit"].astype(float),
        pair=runs["job_id"] + " / " + runs["operator_id"],
        session=runs["job_id"] + " / " + runs["day"],
    )
    with one_thread():
        return windowed_risk(
            frame,
            outcome="spit",
            exposure="exposure",
            window=window,
            groups=["job_id", "operator_id", "pair"],
            numbers=list(numbers),
            session=["session"],
        ).table.set_index("side")


def test_a_known_effect_is_found_on_its_side_only():
    # Harm begins at the end of the window: held as inside, or moved to its end, comes to the same.
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
    assert above["edge_low"] <= true <= above["edge_high"]
    assert above["edge_low"] > 0.3 * true
    assert above["edge_p"] < 1e-3
    assert below["edge_low"] <= 0 <= below["edge_high"]
    assert (result.n, result.excluded, result.cluster) == (3000, 0, CLUSTER)


def test_the_side_below_is_the_other_way_round():
    runs = records(2, 2000, near=0.15)
    result = effects_of(runs)
    true = (runs["p"] - runs["p_below"]).mean()
    assert row(result, "below")["low"] <= true <= row(result, "below")["high"]
    assert row(result, "below")["low"] > 0
    assert row(result, "below")["p"] < 0.01
    assert row(result, "below")["edge_low"] <= true <= row(result, "below")["edge_high"]
    assert row(result, "below")["edge_p"] < 0.01
    assert row(result)["low"] <= 0 <= row(result)["high"]
    assert row(result)["edge_low"] <= 0 <= row(result)["edge_high"]


def test_what_the_diagram_says_is_held_equal():
    runs = records(3, 2000, crew=1.2)
    held = row(effects_of(runs))
    assert held["crude_difference"] > 0.02
    assert held["low"] <= 0 <= held["high"]
    assert held["edge_low"] <= 0 <= held["edge_high"]
    assert held["adjusted_for"] == ("job_id", "operator_id")
    # Nothing held equal but the cluster: still within pairs of job and operator.
    assert row(effects_of(runs, adjust_for=()))["adjusted_for"] == ()


def test_limits_hold_in_small_confounded_records():
    # 12 audits each: a smoke test; the table of the benchmark rests on thousands.
    held = answered = wrong = 0
    for seed in range(12):
        runs = records(100 + seed, 200, far=0.05, crew=0.8)
        one = row(effects_of(runs, edges=False))
        answered += one["why"] == ""
        held += one["low"] <= (runs["p"] - runs["p_above"]).mean() <= one["high"]
        none = row(effects_of(records(300 + seed, 200, crew=0.8), edges=False))
        wrong += none["p"] < 0.05 and none["difference"] > 0
    assert answered >= 7
    assert held >= answered - 3
    assert wrong <= 2


def test_the_difference_holds_runs_as_inside_and_the_edge_moves_them_there():
    runs = records(4, 1500, far=0.10)
    above = row(effects_of(runs))
    side = np.where(runs["standoff_mm"] > 200, 1.0, np.where(runs["standoff_mm"] < 150, -1.0, 0.0))
    as_inside = direct_risks(runs, side, (0.0, 0.0)).loc["above"]
    to_the_end = direct_risks(runs, runs["standoff_mm"], (150.0, 200.0)).loc["above"]
    for name in ("difference", "low", "high", "p"):
        assert above[name] == pytest.approx(as_inside[name], rel=1e-6)
        assert above[f"edge_{name}"] == pytest.approx(to_the_end[name], rel=1e-6)
    for name in ("risk_inside", "ratio", "ratio_low", "ratio_high", "attributable_fraction", "af_low", "af_high"):
        assert above[name] == pytest.approx(as_inside[name], rel=1e-6)
    assert above["information"] == pytest.approx(as_inside["information"], rel=1e-6)
    assert abs(above["difference"] - above["edge_difference"]) > 1e-4


def test_harm_that_begins_inside_the_window_is_less_at_its_end():
    # Log odds rise by 0.05 a millimetre all along: the two questions have different answers, both known.
    runs = records(14, 3000)

    def risk(standoff):
        return 1 / (1 + np.exp(2.0 - 0.05 * (standoff - 175)))

    standoff, outside = runs["standoff_mm"], runs["standoff_mm"] > 200
    runs["spit"] = np.random.default_rng(15).random(len(runs)) < risk(standoff)
    inside = standoff.between(150, 200)
    of_operator = risk(standoff[inside]).groupby(runs.loc[inside, "operator_id"]).mean()
    as_inside = (risk(standoff) - runs["operator_id"].map(of_operator))[outside].sum() / len(runs)
    to_the_end = (risk(standoff) - risk(standoff.clip(upper=200))).mean()
    above, below = row(effects_of(runs)), row(effects_of(runs), "below")
    assert above["low"] <= as_inside <= above["high"]
    assert above["edge_low"] <= to_the_end <= above["edge_high"]
    assert to_the_end < 0.6 * as_inside
    assert above["edge_difference"] < above["low"]
    assert below["high"] < 0  # fewer defects too near than inside


def test_resistance_enters_as_powers_of_ten():
    runs = records(5, 600)
    result = row(effects_of(runs, ("part_ground_ohm",)))
    direct = direct_risks(runs, np.log10(runs["part_ground_ohm"]), (None, 6.0)).loc["above"]
    for name in ("difference", "low", "high", "p"):
        assert result[f"edge_{name}"] == pytest.approx(direct[name], rel=1e-6)
    # Ten times the resistance, ten times the limit: the same answer.
    tenfold = {"part_ground_ohm": replace(KNOWN["part_ground_ohm"], high=1e7)}
    again = find_effects(
        runs.assign(part_ground_ohm=runs["part_ground_ohm"] * 10),
        found_of(runs),
        conditions=tenfold,
        adjustments=adjustments(tenfold),
    ).table.iloc[0]
    for name in ("difference", "edge_difference"):
        assert again[name] == pytest.approx(result[name], rel=1e-6)


def test_of_few_values_the_side_alone_is_told():
    runs = records(5, 600)
    for values in (LEAST_VALUES - 1, LEAST_VALUES):
        few = runs.assign(standoff_mm=120.0 + 90.0 / (values - 1) * (np.arange(len(runs)) % values))
        above = row(effects_of(few))
        assert above["why"] == ""
        assert above[["difference", "low", "high", "p"]].notna().all()
        assert above[EDGES].notna().all() == (values == LEAST_VALUES)
        assert above[EDGES].isna().all() == (values < LEAST_VALUES)


def test_where_the_limit_itself_is_outside_the_side_alone_is_told():
    # A bell used 1 d is worn to the limit, which counts as outside; one used 2 d is worn beyond it.
    runs = records(6, 400)
    used = runs["bell_used_d"]
    runs = runs.assign(brush_wear_pct=np.where(used > 0, 45.0 + 5.0 * used, runs["standoff_mm"] / 10))
    above = row(effects_of(runs, ("brush_wear_pct",)))
    assert above["why"] == ""
    assert above["n_outside"] == (used > 0).sum() > (used > 1).sum() > 5
    assert above["difference"] == pytest.approx(
        direct_risks(runs, (used > 0).astype(float), (None, 0.0)).loc["above", "difference"], rel=1e-6
    )
    assert above[EDGES].isna().all()


def test_jobs_are_counted_and_runs_of_none_left_out():
    runs = records(17, 300)
    runs["standoff_mm"] = runs["standoff_mm"].where(runs["job_id"].isin(["J1", "J2", "J3"]), 175.0)
    runs.loc[:6, "job_id"] = None
    result = effects_of(runs, edges=False)
    above, jobs_above = row(result), runs.loc[runs["standoff_mm"] > 200, "job_id"].nunique()
    assert 1 < jobs_above < 6
    assert (above["clusters"], above["clusters_outside"], above["n"]) == (6, jobs_above, 293)
    assert (result.n, result.excluded) == (300, 7)


def test_a_number_is_held_equal():
    runs = records(18, 800)
    heat = runs["standoff_mm"] / 10 + np.random.default_rng(19).normal(size=800)
    runs = runs.assign(heat=heat, spit=np.random.default_rng(20).random(800) < 1 / (1 + np.exp(20.0 - heat)))
    above = row(effects_of(runs, adjust_for=("job_id", "operator_id", "heat"), edges=False))
    side = np.where(runs["standoff_mm"] > 200, 1.0, np.where(runs["standoff_mm"] < 150, -1.0, 0.0))
    direct = direct_risks(runs, side, (0.0, 0.0), numbers=["heat"]).loc["above"]
    assert above["difference"] == pytest.approx(direct["difference"], rel=1e-6)
    unheld = row(effects_of(runs, edges=False))
    assert unheld["low"] > max(0, above["high"])


def test_without_edges_the_rest_is_the_same():
    runs = records(16, 300, far=0.08)
    with_edges, without = effects_of(runs).table, effects_of(runs, edges=False).table
    assert with_edges[EDGES].notna().all(axis=None)
    assert without[EDGES].isna().all(axis=None)
    pd.testing.assert_frame_equal(with_edges.drop(columns=EDGES), without.drop(columns=EDGES))


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
    assert wider["edge_low"] < row(result)["edge_low"] < row(result)["edge_high"] < wider["edge_high"]


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
