"""The next trial: what it asks, where it stays, how it is blocked and ordered, and what it would see."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.next_trial import TRIAL_CAUTIONS, plan_trial
from auditkit.findings.trial_spreads import PowerSetup, power_of_plan, response_spreads
from auditkit.findings.variation import film_components
from auditkit.trade.conditions import load_conditions, override_windows, side_of_window
from auditkit.trade.grounding import CAUTIONS

from .trial_cases import QUESTIONS, RUNS, WORN, spreads

KNOWN = load_conditions()


def planned(questions=QUESTIONS, conditions=KNOWN, *, seed=7, **given):
    return plan_trial(questions, RUNS, conditions, seed=seed, **{"spreads": spreads(), "simulations": 400, **given})


@pytest.fixture(scope="module")
def plan():
    return planned()


def test_it_tries_what_is_open_with_its_partners_and_says_why_not_the_rest(plan):
    assert sorted(plan.factors["factor"]) == ["follow_through_s", "pot_kpa", "standoff_mm"]
    answers = plan.questions.set_index("condition")
    assert answers.loc[["pot_kpa", "standoff_mm"], "asked"].all()
    assert "overlap_pct" not in answers.index  # supported: nothing is open
    assert answers.loc["part_ground_ohm", "answer"].startswith("not tried: a limit of safety is never tried")
    assert answers.loc["humidity_pct", "answer"].startswith("not tried: the weather cannot be set")
    said = answers.loc["standoff_mm", "answer"]
    assert said.startswith("tried from 160 to 190 mm, inside the window. The question is of runs above it")
    assert "the harm may begin only outside" in said
    assert (plan.n, plan.excluded) == (2, 2)
    assert plan.cautions == (*CAUTIONS, *TRIAL_CAUTIONS)


@pytest.mark.parametrize("questions", [QUESTIONS, pd.concat([QUESTIONS, WORN])])
def test_every_run_lies_inside_every_window(questions):
    plan = planned(questions)
    for name in plan.factors["factor"]:
        assert (side_of_window(plan.plan, KNOWN[name]) == "inside").all(), name
        assert not KNOWN[name].stop_work


def test_a_window_declared_wider_than_the_shipped_one_is_not_used():
    wide = override_windows(KNOWN, {"standoff_mm": {"low": 20, "high": 400}, "part_ground_ohm": {"high": 1e9}})
    plan = planned(conditions=wide)
    row = plan.factors.set_index("factor").loc["standoff_mm"]
    assert (row["low"], row["high"]) == (160, 190)
    narrow = override_windows(KNOWN, {"standoff_mm": {"low": 160, "high": 200}})
    assert planned(conditions=narrow).factors.set_index("factor").loc["standoff_mm", "low"] == 170


def test_days_hold_whole_replicates_and_crews_take_turns(plan):
    settings = ["follow_through_s", "pot_kpa", "standoff_mm"]
    for _, own in plan.coded.groupby("day"):
        assert (own[settings].sum() == 0).all()
        assert len(set(own.loc[own["point"] == "corner"].groupby(settings).size())) == 1
        assert len(set(own["crew"])) == 1
    assert plan.coded["day"].nunique() >= 2
    assert plan.plan.groupby("day")["crew"].first().tolist()[:2] == ["OP1", "OP2"]
    assert plan.plan["day"].is_monotonic_increasing
    assert (plan.plan.groupby("day").size() <= 12).all()
    assert planned(crews=["A"]).plan["crew"].eq("A").all()


def test_even_the_smallest_trial_takes_two_days():
    plan = planned(QUESTIONS.iloc[[1]], spreads=spreads(run_sd=0.5, reading_sd=0.1))
    assert (len(plan.plan), plan.plan["replicate"].max(), plan.plan["day"].max()) == (9, 3, 2)


def test_coded_and_planned_are_the_same_runs(plan):
    row = plan.factors.set_index("factor").loc["standoff_mm"]
    expected = (row["low"] + row["high"]) / 2 + plan.coded["standoff_mm"] * (row["high"] - row["low"]) / 2
    assert plan.plan["standoff_mm"].tolist() == expected.tolist()
    assert set(plan.plan.loc[plan.coded["point"] == "centre", "standoff_mm"]) == {175.0}
    assert plan.plan["run_id"].is_unique
    assert plan.plan["run_id"].tolist() == plan.coded["run_id"].tolist()


def test_a_seed_repeats_the_plan_and_another_does_not(plan):
    again, other = planned(), planned(seed=8)
    pd.testing.assert_frame_equal(plan.plan, again.plan)
    pd.testing.assert_frame_equal(plan.power, again.power)
    assert not plan.plan["standoff_mm"].equals(other.plan["standoff_mm"])
    assert not set(plan.plan["run_id"]) & set(other.plan["run_id"])


def test_order_of_questions_changes_nothing_and_they_are_left_alone(plan):
    before = QUESTIONS.copy()
    turned = planned(QUESTIONS.iloc[::-1].reset_index(drop=True))
    pd.testing.assert_frame_equal(plan.plan, turned.plan)
    pd.testing.assert_frame_equal(QUESTIONS, before)


def test_rank_decides_within_a_grade():
    rows = QUESTIONS[["defect", "condition", "side"]].assign(grade="leaning", rank=[1, 5, 4, 2, 3])
    assert planned(rows, most_factors=1).factors["factor"].tolist() == ["overlap_pct"]


def test_four_factors_are_a_fraction_of_resolution_four():
    more = pd.concat([QUESTIONS, QUESTIONS.iloc[[3]].assign(grade="leaning")])
    plan = planned(more)
    assert len(plan.factors) == 4
    assert plan.resolution == 4
    # Montgomery (2013) 8.14: 2^(4-1), D = ABC: no factor is mixed with a pair, pairs are mixed two by two.
    table = plan.aliases.set_index("effect")["aliased_with"]
    assert (table[plan.factors["factor"]] == "").all()
    assert sum(table.str.contains(" x ")) == 6
    assert "fraction of resolution 4 of 4 factors at two levels: 8 settings" in plan.design


def test_what_is_hard_to_change_is_set_once_a_group():
    plan = planned(pd.concat([QUESTIONS, WORN]))
    assert plan.factors.loc[plan.factors["hard"], "factor"].tolist() == ["brush_wear_pct"]
    groups = plan.plan.groupby("whole_plot")
    assert (groups["brush_wear_pct"].min() == groups["brush_wear_pct"].max()).all()
    assert (groups.size() == 4).all()
    assert (plan.plan["point"] == "corner").all()  # no brush is half worn on demand
    assert "brush_wear_pct, set once for a group" in plan.method
    power = plan.power[plan.power["response"] == "facing_um"].set_index("effect")
    assert power.loc["brush_wear_pct", "df"] < power.loc["pot_kpa", "df"]
    assert power.loc["brush_wear_pct", "smallest"] > power.loc["pot_kpa", "smallest"]


def test_a_hard_factor_alone_is_set_anew_every_run():
    plan = planned(WORN)
    assert plan.plan["whole_plot"].is_unique
    assert "set anew for every run" in plan.method


def test_replicates_are_as_few_as_see_every_response():
    few = planned(spreads=spreads(run_sd=2.0))
    many = planned(spreads=spreads(run_sd=9.0))
    assert few.plan["replicate"].max() == 2
    assert many.plan["replicate"].max() == 3  # as many as 32 runs hold
    measured = few.power[few.power["response"] == "facing_um"]
    assert (measured["power"] >= 0.8).all()
    assert (many.power.loc[many.power["response"] == "facing_um", "power"] < 0.8).any()


def test_power_is_that_of_noncentral_t():
    from scipy.stats import nct, t

    plan = planned(QUESTIONS.iloc[[1]], spreads=spreads(run_sd=6.0, reading_sd=3.0), most_runs=30, simulations=4000)
    row = plan.power.set_index("response").loc["facing_um"]
    corners = int((plan.coded["point"] == "corner").sum())
    shift, df = 8.0 / (2 * np.hypot(6.0, 3.0 / 3**0.5) / corners**0.5), int(row["df"])
    assert df == corners - 2 - (plan.coded["day"].nunique() - 1)
    point = t.isf(0.025, df)
    exact = nct.sf(point, df, shift) + nct.cdf(-point, df, shift)
    assert row["power"] == pytest.approx(exact, abs=4 * row["std_error"] + 1e-9)
    at_smallest = row["smallest"] / (2 * np.hypot(6.0, 3.0 / 3**0.5) / corners**0.5)
    assert nct.sf(point, df, at_smallest) == pytest.approx(0.8, abs=0.04)


def test_a_rare_defect_is_rated_since_it_cannot_be_counted(plan):
    row = plan.power.set_index("response").loc["dry spray, yes or no"]
    corners = int((plan.coded["point"] == "corner").sum())
    assert row["power"] < 0.2
    assert row["why"].startswith(f"too rare to count: {0.08 * corners:.1f} of {corners} panels would have it")
    assert "severity_dry_spray" in plan.responses["response"].tolist()
    unknown = planned(QUESTIONS.drop(columns="risk_observed")).power.set_index("response")
    assert unknown.loc["dry spray, yes or no", "why"].startswith("no share of runs with it is known")


def test_without_spreads_the_plan_stands_and_no_power_is_told():
    plan = planned(spreads=None)
    assert len(plan.plan) > 0
    assert not plan.power["response"].str.contains("_um").any()
    still = planned(spreads=spreads(run_sd=0.0, reading_sd=0.0))
    facing = still.power[still.power["response"] == "facing_um"]
    assert facing["power"].isna().all()
    assert (facing["why"] == "the records show no spread between areas or readings").all()


def test_where_nothing_can_be_tried_it_says_why():
    none = planned(QUESTIONS.iloc[[0, 4]])
    assert none.why == "no condition in question can be set to two levels inside its window"
    assert none.plan.empty
    assert none.excluded == 2
    nothing = planned(QUESTIONS.iloc[:0])
    assert nothing.why == "nothing is left open"
    small = planned(most_runs=3)
    assert small.why == "two replicates do not fit into 3 runs of at most 12 a day; allow more"
    assert not small.questions["asked"].any()


def test_fewer_factors_where_few_runs_are_allowed():
    assert len(planned(most_runs=8).factors) == 2
    assert len(planned(runs_per_day=7).factors) == 2
    answers = planned(most_runs=8).questions.set_index("condition")["answer"]
    assert "another trial can; this one has room for 2 factors" in set(answers.str.removeprefix("not tried: "))


def test_what_could_be_a_factor_and_is_none_is_held(plan):
    held = plan.held.set_index("factor")
    assert set(held.index) == {"overlap_pct", "pause_min", "brush_wear_pct"}
    assert held.loc["overlap_pct", "middle"] == 50
    assert plan.factors.set_index("factor").loc["standoff_mm", "recorded_high"] == pytest.approx(197.5)


def test_what_is_refused():
    with pytest.raises(ValueError, match=r"questions must have the columns .*; \['grade'\] are not there"):
        planned(QUESTIONS.drop(columns="grade"))
    with pytest.raises(ValueError, match=r"1 to 5 factors are needed; .*most_factors 6"):
        planned(most_factors=6)
    with pytest.raises(ValueError, match="given most_runs 0"):
        planned(most_runs=0)


def test_spreads_of_the_sample(clean_dossier):
    tables = clean_dossier.tables
    readings = tables["film_readings"].merge(tables["areas"][["area_id", "job_id"]], on="area_id")
    components, _ = film_components(readings)
    found = response_spreads(tables, components=components).set_index("response")
    own = components[(components["scope"] == "all jobs") & (components["side"] == "facing")].set_index("component")
    assert found.loc["facing_um", "run_sd"] == pytest.approx(own.loc["area", "sd_um"])
    assert found.loc["facing_um", "reading_sd"] ** 2 == pytest.approx(own.loc[["spot", "repeat"], "variance_um2"].sum())
    assert found.loc["facing_um", "worth"] == pytest.approx(0.1 * found.loc["facing_um", "mean"])
    assert 0 < found.loc["wrap_pct", "reading_sd"] < found.loc["wrap_pct", "run_sd"]
    empty = {name: frame.iloc[:0] for name, frame in tables.items()}
    none = response_spreads(empty, components=components.iloc[:0])
    assert (none["why"] != "").all()
    assert none["run_sd"].isna().all()


def test_whole_plots_cost_power_of_their_own_factor_only(plan):
    coded = planned(pd.concat([QUESTIONS, WORN])).coded
    names = tuple(coded.columns[-4:])
    setup = PowerSetup(factors=names, readings={}, whole_plots=True, seed=1)
    split = power_of_plan(coded, spreads(run_sd=6.0), setup=setup, risks={}, simulations=500).set_index("effect")
    flat = dataclasses.replace(setup, whole_plots=False)
    whole = power_of_plan(coded, spreads(run_sd=6.0), setup=flat, risks={}, simulations=500).set_index("effect")
    assert split.loc["brush_wear_pct", "power"] < whole.loc["brush_wear_pct", "power"] - 0.1
    assert split.loc["pot_kpa", "power"] == pytest.approx(whole.loc["pot_kpa", "power"], abs=0.1)
