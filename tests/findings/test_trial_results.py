"""Trial results: effects put in come out, chance raises few alarms, and what is missing is said."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.next_trial import plan_trial
from auditkit.findings.trial_results import analyse_trial, result_columns
from auditkit.trade.conditions import load_conditions

from .trial_cases import QUESTIONS, RUNS, WORN, filled

KNOWN = load_conditions()


def planned(questions=QUESTIONS, **given):
    return plan_trial(questions, RUNS, KNOWN, seed=7, **given)


@pytest.fixture(scope="module")
def plan():
    return planned()


@pytest.fixture(scope="module")
def split():
    return planned(pd.concat([QUESTIONS, WORN]))


def film_alone(plan):
    """Return the plan with one response, which is analysed faster."""
    return dataclasses.replace(plan, responses=plan.responses.iloc[:1])


def effects_on(found, response="facing_um"):
    return found.effects[found.effects["response"] == response].set_index("effect")


def test_effects_and_limits_agree_with_least_squares(plan):
    import statsmodels.formula.api as smf

    results = filled(plan, effects={"standoff_mm": -6.0, "pot_kpa": 2.0}, rng=np.random.default_rng(1), sd=3.0)
    found = effects_on(analyse_trial(plan, results))
    y = results[[f"facing_um_{k}" for k in (1, 2, 3)]].mean(axis=1)
    frame = plan.coded.assign(y=y)[plan.coded["point"] == "corner"]
    # The saturated model of settings and days gives the same pure error.
    theirs = smf.ols("y ~ follow_through_s * pot_kpa * standoff_mm + C(block)", data=frame).fit()
    for name in plan.factors["factor"]:
        assert found.loc[name, "estimate"] == pytest.approx(2 * theirs.params[name])
        assert found.loc[name, "std_error"] == pytest.approx(2 * theirs.bse[name])
        assert found.loc[name, "low"] == pytest.approx(2 * theirs.conf_int().loc[name, 0])
        assert found.loc[name, "p"] == pytest.approx(theirs.pvalues[name])


def test_what_was_put_in_comes_out_in_words(plan):
    rng = np.random.default_rng(2)
    results = filled(plan, effects={"standoff_mm": -6.0}, rng=rng)
    results["severity_dry_spray"] = (1.0 + plan.coded["standoff_mm"] + rng.integers(0, 2, len(results))).clip(lower=0)
    results["severity_orange_peel"] = 0.0
    found = analyse_trial(plan, results)
    row = effects_on(found).loc["standoff_mm"]
    assert row["grade"] == "supported"
    assert row["words"].startswith("Film, facing side: falls with standoff from 160 to 190 mm (−")
    assert row["low"] < -6.0 < row["high"]
    answers = found.answers.set_index("condition")
    assert answers.loc["standoff_mm", "grade"] == "supported"
    assert (
        "rated worse towards that side, inside the window: that speaks for it" in answers.loc["standoff_mm", "answer"]
    )
    assert answers.loc["pot_kpa", "answer"] == "it could not be told: every panel read the same"
    assert (found.n, found.excluded, found.grounds_not_recorded) == (len(plan.plan), 0, 0)


def test_the_other_side_of_a_window_turns_the_answer():
    below = QUESTIONS.iloc[[1]].assign(side="below")
    plan = planned(below)
    rng = np.random.default_rng(3)
    results = filled(plan, rng=rng)
    results["severity_dry_spray"] = 1.0 + plan.coded["standoff_mm"] + rng.integers(0, 2, len(results))
    answer = analyse_trial(plan, results).answers["answer"].iloc[0]
    assert answer == "it was rated better towards that side, inside the window: that speaks against it there"


def test_no_change_clears_nothing(plan):
    results = filled(plan, rng=np.random.default_rng(4))
    results["severity_dry_spray"] = np.random.default_rng(15).integers(0, 3, len(results)).astype(float)
    answers = analyse_trial(plan, results).answers.set_index("condition")
    assert answers.loc["standoff_mm", "grade"] == "cannot tell"
    assert answers.loc["standoff_mm", "answer"].startswith("no clear change inside the window; that clears nothing")


def test_chance_alone_is_seldom_supported(plan):
    plan = film_alone(plan)
    rng, alarms, rows = np.random.default_rng(6), 0, 0
    for _ in range(40):
        day = rng.normal(0.0, 3.0, plan.coded["block"].max() + 1)[plan.coded["block"]]
        found = analyse_trial(plan, filled(plan, rng=rng, run_effect=day + rng.normal(size=len(plan.coded))))
        known = found.effects[found.effects["p"].notna()]
        alarms += (known["grade"] == "supported").any()
        rows += (known["p"] < 0.05).mean() / 40
    assert alarms <= 6  # 2 of 40 expected; 6 lie three standard errors over
    assert rows == pytest.approx(0.05, abs=0.04)  # three standard errors of 240 effects that share errors by six


def test_split_plots_are_held_against_their_own_error(split):
    # Brush changes differ, the brush does nothing: held against the runs it would be found in most trials.
    split = film_alone(split)
    rng, own, wrong = np.random.default_rng(7), 0, 0
    plots = split.coded["whole_plot"]
    for _ in range(25):
        extra = rng.normal(0.0, 5.0, plots.max() + 1)[plots]
        results = filled(split, rng=rng, run_effect=extra)
        found = effects_on(analyse_trial(split, results))
        own += found.loc["brush_wear_pct", "p"] < 0.05
        wrong += abs(found.loc["brush_wear_pct", "estimate"]) > 3 * found.loc["pot_kpa", "std_error"]
    assert found.loc["brush_wear_pct", "stratum"] == "whole plot"
    assert own <= 5
    assert wrong >= 12


def test_aliases_are_named_in_words_and_answers(split):
    found = analyse_trial(split, filled(split, effects={"standoff_mm": -6.0}, rng=np.random.default_rng(8)))
    own = found.effects[found.effects["response"] == "facing_um"]
    pairs = own[own["aliased_with"].str.contains(" x ")]
    assert len(pairs) == 3
    assert pairs["words"].str.contains("which this trial cannot tell from it").all()


def test_a_bend_is_seen_at_the_middle(plan):
    rng = np.random.default_rng(9)
    middle = (plan.coded["point"] == "centre") * -8.0
    found = analyse_trial(plan, filled(plan, rng=rng, run_effect=middle)).curvature.set_index("response")
    assert found.loc["facing_um", "grade"] == "supported"
    assert found.loc["facing_um", "low"] < 8.0 < found.loc["facing_um", "high"]
    flat = analyse_trial(plan, filled(plan, rng=rng)).curvature.set_index("response")
    assert flat.loc["facing_um", "grade"] == "cannot tell"
    assert "no bend between the levels is seen" in flat.loc["facing_um", "words"]


def test_a_ground_out_of_limit_takes_the_panel_out_and_a_blank_one_is_counted(plan):
    results = filled(plan, rng=np.random.default_rng(10))
    first, second = plan.plan["run_id"].iloc[[0, -1]]
    results.loc[results["run_id"] == first, "part_ground_ohm"] = 2e6
    results.loc[results["run_id"] == second, "operator_ground_ohm"] = np.nan
    found = analyse_trial(plan, results)
    why = found.not_used.set_index("run_id")
    assert why.loc[first, "why"] == "a ground was out of limit"
    replicate = plan.plan.set_index("run_id").loc[first, "replicate"]
    mates = plan.plan.loc[plan.plan["replicate"] == replicate, "run_id"]
    assert set(found.not_used["run_id"]) == set(mates)
    assert (
        found.not_used.loc[found.not_used["run_id"] != first, "why"] == "another run of its replicate is missing"
    ).all()
    assert found.grounds_not_recorded == 1
    assert found.excluded == len(mates)
    bare = results.assign(operator_ground_ohm=5e5)  # below the limit of shock
    assert analyse_trial(plan, bare).n == 0


def test_one_replicate_is_held_against_lenth(plan):
    results = filled(plan, effects={"standoff_mm": -20.0}, rng=np.random.default_rng(11))
    later = plan.plan.loc[plan.plan["replicate"] > 1, "run_id"]
    columns = result_columns(plan.responses)["column"].tolist()
    results.loc[results["run_id"].isin(later), columns] = np.nan
    found = effects_on(analyse_trial(plan, results))
    assert found.loc["standoff_mm", "grade"] == "supported"
    assert found["std_error"].isna().all()
    from auditkit.stats.trial_effects import lenth

    yard = lenth(found["estimate"])
    assert found.loc["pot_kpa", "high"] - found.loc["pot_kpa", "estimate"] == pytest.approx(yard.simultaneous_margin)


def test_one_replicate_with_groups_cannot_be_told(split):
    results = filled(split, effects={"standoff_mm": -20.0}, rng=np.random.default_rng(12))
    later = split.plan.loc[split.plan["replicate"] > 1, "run_id"]
    found = analyse_trial(split, results[~results["run_id"].isin(later)])
    assert (found.effects["grade"] == "cannot tell").all()
    assert (
        effects_on(found).loc["standoff_mm", "words"] == "Film, facing side: cannot tell, one replicate only: no error"
    )


def test_nothing_read_and_nothing_planned(plan):
    columns = result_columns(plan.responses)["column"].tolist()
    found = analyse_trial(plan, filled(plan).assign(**dict.fromkeys(columns, np.nan)))
    assert found.why == "no replicate of the trial is complete in any response"
    assert (found.effects["grade"] == "cannot tell").all()
    assert found.n == 0
    none = planned(QUESTIONS.iloc[[0]])
    empty = filled(plan).iloc[:0]
    assert analyse_trial(none, empty).why.startswith("no trial was planned: no condition in question")


def test_row_order_changes_nothing_and_results_are_left_alone(plan):
    results = filled(plan, effects={"standoff_mm": -6.0}, rng=np.random.default_rng(13))
    before = results.copy()
    turned = results.iloc[::-1]
    pd.testing.assert_frame_equal(analyse_trial(plan, results).effects, analyse_trial(plan, turned).effects)
    pd.testing.assert_frame_equal(results, before)


def test_what_is_refused(plan):
    results = filled(plan)
    with pytest.raises(ValueError, match=r"\['part_ground_ohm'\] are not there"):
        analyse_trial(plan, results.drop(columns="part_ground_ohm"))
    with pytest.raises(ValueError, match="each run of the plan may be there once"):
        analyse_trial(plan, pd.concat([results, results]))
    with pytest.raises(ValueError, match=r"given also \['X'\]"):
        analyse_trial(plan, results.assign(run_id="X"))
