"""Can these records tell: overlap, pairs, what could have been seen, and whether anything is foretold."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.cause_skill import find_skill
from auditkit.findings.telling import condition_sides, find_telling, on_side, recorded_adjusters
from auditkit.stats.power import smallest_rise, two_proportion_power
from auditkit.stats.separability import exposure_design_effect
from auditkit.stats.variance import intraclass_correlation
from auditkit.trade.conditions import load_conditions

NAMES = ("standoff_mm", "humidity_pct", "surface_margin_c")
CONDITIONS = {name: load_conditions()[name] for name in NAMES}


def records(n=400, jobs=8, seed=1):
    """Runs whose operators and jobs stand apart and share both sides; dry spray comes of far standoff."""
    rng = np.random.default_rng(seed)
    runs = pd.DataFrame(
        {
            "run_id": [f"R{i:04d}" for i in range(n)],
            "job_id": [f"J{i % jobs}" for i in range(n)],
            "operator_id": [f"OP{i % 5}" for i in range(n)],
            "standoff_mm": rng.normal(190, 25, n),
            "humidity_pct": rng.normal(75, 12, n),
            "surface_margin_c": rng.normal(5, 2, n),
        }
    )
    far = runs["standoff_mm"] > 200
    found = pd.DataFrame({"dry spray": rng.random(n) < np.where(far, 0.5, 0.05), "spit": rng.random(n) < 0.15})
    return runs, found.astype("boolean").set_index(pd.Index(runs["run_id"]))


def adjusted(found, adjust_for=("operator_id",)):
    rows = [(defect, name, adjust_for) for defect in found for name in NAMES]
    return pd.DataFrame(rows, columns=["defect", "condition", "adjust_for"])


def telling_of(runs, found, **settings):
    settings = {"conditions": CONDITIONS, "adjustments": adjusted(found)} | settings
    return find_telling(runs, found, **settings)


def pair(result, condition, other):
    table = result.pairs
    return table[(table["condition"] == condition) & (table["other"] == other)].iloc[0]


def overlap(result, condition, side="above"):
    return result.overlap.set_index(["condition", "side"]).loc[(condition, side)]


def test_overlap_counts_by_hand():
    runs, found = records(n=40, jobs=2)
    runs["standoff_mm"] = [230.0] * 4 + [140.0] * 3 + [180.0] * 31 + [np.nan] * 2
    runs["job_id"] = ["J1"] * 20 + ["J2"] * 20
    runs["operator_id"] = ["OP1"] * 5 + ["OP2"] * 35
    seen = overlap(telling_of(runs, found), "standoff_mm")
    counts = ["n", "n_outside", "n_inside", "other_side", "not_recorded", "jobs", "jobs_both"]
    assert seen[counts].tolist() == [38, 4, 31, 3, 2, 2, 1]
    assert seen[["operators", "operators_both"]].tolist() == [2, 0]
    assert seen["why"] == "no operator has runs on both sides: it cannot be told from the operator"


@pytest.mark.parametrize(
    ("standoff", "why"),
    [
        (lambda runs: np.nan, "not recorded, or applies to no run"),
        (lambda runs: 180.0, "no run outside the window"),
        (lambda runs: 230.0, "no run inside the window"),
        (lambda runs: np.where(runs["job_id"] == "J1", 230.0, 180.0), "no job has runs on both sides"),
    ],
)
def test_what_stands_in_the_way_of_a_comparison_is_said(standoff, why):
    runs, found = records(n=80)
    result = telling_of(runs.assign(standoff_mm=standoff(runs)), found)
    assert overlap(result, "standoff_mm")["why"].startswith(why)
    least = result.detectable.set_index(["defect", "condition", "side"]).loc[("spit", "standoff_mm", "above")]
    assert (np.isnan(least["smallest_difference"]) and bool(least["why"])) or why.startswith("no job")


def test_what_is_adjusted_for_may_leave_nothing():
    runs, found = records()
    runs["crew"] = np.where(runs["standoff_mm"] > 200, "far", "near")
    runs.loc[:2, "crew"] = "far"
    result = telling_of(runs, found, adjustments=adjusted(found, ("crew",)))
    seen = overlap(result, "standoff_mm")
    assert seen["left"] < 0.1
    assert seen["why"] == "what it is adjusted for (crew) leaves hardly any of its variation"


def test_a_defect_of_whole_jobs_has_a_reason_and_no_number():
    runs, found = records(n=40, jobs=20)
    runs["standoff_mm"] = np.where(np.arange(40) < 20, 180.0, 230.0)  # one run of each job on either side
    found["spit"] = (runs["job_id"].isin([f"J{i}" for i in range(8)])).astype("boolean").to_numpy()
    result = telling_of(runs, found, adjustments=adjusted(found, ()))
    table = result.detectable.set_index(["defect", "condition", "side"])
    least = table.loc[("spit", "standoff_mm", "above")]
    assert np.isnan(least["smallest_difference"])
    assert least["why"] == "in each job every run had it or none did, so its scatter is not known"
    assert table.loc[("dry spray", "standoff_mm", "above"), "smallest_difference"] > 0


def test_conditions_that_move_as_one_are_inseparable_and_others_are_not():
    runs, found = records()
    runs["surface_margin_c"] = np.where(runs["humidity_pct"] > 85, 1.0, 6.0)
    result = telling_of(runs, found)
    same = pair(result, "humidity_pct", "surface_margin_c")
    assert same["inseparable"]
    assert same["measure"] == pytest.approx(1.0)
    assert same["both"] == same["either"] == (runs["humidity_pct"] > 85).sum()
    assert same["why"] == f"of {same['either']} runs outside either, {same['both']} are outside both: they move as one"
    assert pair(result, "surface_margin_c", "humidity_pct")["inseparable"]
    apart = pair(result, "standoff_mm", "humidity_pct")
    assert not apart["inseparable"]
    assert apart["why"] == ""
    assert not (result.pairs["condition"] == result.pairs["other"]).any()


def test_a_pair_apart_in_one_job_only_is_inseparable_and_so_is_one_hardly_apart():
    runs, found = records()
    damp = runs["humidity_pct"] > 85
    odd = (runs["job_id"] == "J1") & (runs["standoff_mm"] < 195)
    runs["surface_margin_c"] = np.where(damp ^ odd, 1.0, 6.0)
    seen = pair(telling_of(runs, found), "humidity_pct", "surface_margin_c")
    assert 0.5 < seen["measure"] < 0.894
    assert (seen["jobs_apart"], seen["inseparable"]) == (1, True)
    assert seen["why"] == "all runs outside one and not the other are of one job"
    few = runs.assign(humidity_pct=60.0, surface_margin_c=6.0)
    few.loc[[0, 9, 18], ["humidity_pct", "surface_margin_c"]] = [95.0, 1.0]
    few.loc[27, "humidity_pct"] = 95.0
    seen = pair(telling_of(few, found), "humidity_pct", "surface_margin_c")
    assert seen["why"] == "only 1 run lies outside one and not the other"
    assert seen["inseparable"]


def test_opposites_move_as_one_as_well_and_the_inflation_limit_is_five():
    runs, found = records()
    runs["surface_margin_c"] = np.where(runs["humidity_pct"] > 85, 6.0, 1.0)
    seen = pair(telling_of(runs, found), "humidity_pct", "surface_margin_c")
    assert seen["measure"] == pytest.approx(-1.0)
    assert seen["inseparable"]
    assert seen["why"] == "where the one lies outside the other does not (400 of 400 runs): they move as one"


def test_two_rare_conditions_that_never_meet_are_not_called_inseparable():
    runs, found = records()
    runs = runs.assign(humidity_pct=60.0, surface_margin_c=6.0)
    runs.loc[[0, 9], "humidity_pct"] = 95.0
    runs.loc[[20, 31], "surface_margin_c"] = 1.0
    assert not pair(telling_of(runs, found), "humidity_pct", "surface_margin_c")["inseparable"]


def test_the_smallest_rise_would_have_been_seen_with_the_power_said():
    # Forty jobs, in all of which both sides occur alike: no clustering, nothing adjusted for.
    runs, found = records(n=800, jobs=400)
    result = telling_of(runs, found, adjustments=adjusted(found, ()))
    row = result.detectable.set_index(["defect", "condition", "side"]).loc[("spit", "standoff_mm", "above")]
    outside = runs["standoff_mm"] > 200
    base = (found["spit"].to_numpy(dtype=bool)[~outside].sum() + 0.5) / ((~outside).sum() + 1)
    assert row["risk_base"] == pytest.approx(base)
    power = two_proportion_power(
        base, base + row["smallest_rise"], n=(~outside).sum(), ratio=outside.sum() / (~outside).sum()
    )
    assert power == pytest.approx(0.8, abs=0.01)
    assert row["smallest_difference"] == pytest.approx(row["smallest_rise"] * outside.sum() / 800)
    assert (row["n_outside"], row["found_outside"]) == (
        outside.sum(),
        found["spit"].to_numpy(dtype=bool)[outside].sum(),
    )


def test_less_can_be_seen_with_fewer_jobs_and_where_adjustment_takes_variation():
    runs, found = records()

    def least(runs, adjust_for=()):
        result = telling_of(runs, found, adjustments=adjusted(found, adjust_for)).detectable
        return result.set_index(["defect", "condition", "side"]).loc[("spit", "standoff_mm", "above"), "smallest_rise"]

    assert least(runs.assign(job_id=[f"J{i % 3}" for i in range(400)])) > least(runs) * 1.2
    far = runs["standoff_mm"] > 200
    crew = np.where(np.random.default_rng(2).random(400) < 0.8, far, ~far).astype(str)
    assert least(runs.assign(crew=crew), ("crew",)) > least(runs) * 1.1


def test_a_defect_not_looked_for_on_some_runs_is_judged_on_the_others():
    runs, found = records()
    found.loc[found.index[:100], "spit"] = pd.NA
    result = telling_of(runs, found).detectable.set_index(["defect", "condition", "side"])
    assert result.loc[("spit", "standoff_mm", "above"), "n"] == 300
    assert result.loc[("dry spray", "standoff_mm", "above"), "n"] == 400


def test_a_defect_that_comes_of_a_condition_is_foretold_and_one_that_does_not_is_not():
    runs, found = records()
    skill = telling_of(runs, found).skill.set_index("defect")
    assert skill.loc["dry spray", "predicts"]
    assert skill.loc["dry spray", "score"] > 0.1
    assert skill.loc["dry spray", "auc"] > 0.75
    assert "foretell dry spray better than its base rate" in skill.loc["dry spray", "words"]
    assert not skill.loc["spit", "predicts"]
    assert "do not foretell spit" in skill.loc["spit", "words"]
    assert (skill["n"] == 400).all()
    assert (skill["clusters"] == 8).all()


@pytest.mark.parametrize(
    ("spit", "why"),
    [
        (lambda runs: runs.index < 9, "9 runs have it, and 10 are needed"),
        (lambda runs: runs.index >= 9, "9 runs are free of it, and 10 are needed"),
        (lambda runs: runs["job_id"].isin(["J1", "J2"]), "2 jobs have it, and 3 are needed"),
    ],
)
def test_too_little_to_foretell_is_said(spit, why):
    runs, found = records()
    found["spit"] = pd.array(spit(runs), "boolean")
    row = telling_of(runs, found).skill.set_index("defect").loc["spit"]
    assert row["words"] == f"cannot tell whether spit can be foretold: {why}"
    assert np.isnan(row["score"])
    assert not row["predicts"]


def test_a_resistance_enters_by_its_decade_and_gaps_and_labels_are_borne():
    runs, _ = records()
    rng = np.random.default_rng(3)
    ground = 10 ** rng.uniform(0, 12, 400)
    runs = runs.assign(part_ground_ohm=ground, coating=rng.choice(["a", "b"], 400), age=rng.uniform(size=400))
    runs.loc[:40, "part_ground_ohm"] = np.nan
    runs.loc[41, "part_ground_ohm"] = 0.0
    runs.loc[50:60, "coating"] = None
    outcomes = pd.DataFrame({"thin back": pd.array(rng.random(400) < np.where(ground > 1e6, 0.6, 0.05), "boolean")})
    conditions = {"part_ground_ohm": load_conditions()["part_ground_ohm"]}
    others = {"part_ground_ohm": ("coating", "age")}
    skill = find_skill(runs, outcomes, conditions, others, cluster="job_id", confidence=0.95)
    assert skill.loc[0, "low"] > 0.1


@pytest.mark.parametrize(("name", "sign"), [("humidity_pct", 1), ("surface_margin_c", -1)])
def test_how_far_a_window_was_left_enters_by_itself(name, sign):
    # Nothing happens inside the window, and beyond it the risk climbs: a straight line alone foretells less.
    condition = load_conditions()[name]
    limit = condition.high if sign > 0 else condition.low
    rng = np.random.default_rng(6)
    beyond = rng.uniform(-55, 15, 600)
    y = rng.random(600) < np.where(beyond > 0, 0.05 + 0.9 * beyond / 15, 0.05)
    runs = pd.DataFrame({"job_id": [f"J{i % 6}" for i in range(600)], name: limit + sign * beyond})
    outcomes = pd.DataFrame({"spit": pd.array(y, "boolean")})

    def score(condition):
        return find_skill(runs, outcomes, {name: condition}, {}, cluster="job_id", confidence=0.95).loc[0, "score"]

    assert score(condition) > score(replace(condition, low=None, high=None)) + 0.03


def test_runs_of_a_job_that_are_alike_raise_what_could_be_seen():
    runs, found = records()
    bad = runs["job_id"].isin(["J0", "J1"])
    found["spit"] = pd.array(np.random.default_rng(3).random(400) < np.where(bad, 0.7, 0.1), "boolean")
    far = np.where(runs["job_id"].isin(["J2", "J3", "J4"]), 0.8, 0.2) > np.random.default_rng(4).random(400)
    runs["standoff_mm"] = np.where(far, 230.0, 180.0)
    result = telling_of(runs, found, adjustments=adjusted(found, ())).detectable
    row = result.set_index(["defect", "condition", "side"]).loc[("spit", "standoff_mm", "above")]
    rows = pd.DataFrame({"y": found["spit"].to_numpy(dtype=float), "job": runs["job_id"]})
    icc = intraclass_correlation(rows, response="y", group="job").estimate
    effect = exposure_design_effect(far - far.mean(), runs["job_id"], icc=icc)
    assert effect > 2.0
    rise = smallest_rise(row["risk_base"], n=(~far).sum(), n_exposed=far.sum(), inflation=effect, clusters=8)
    assert row["smallest_rise"] == pytest.approx(rise)


def test_sides_and_adjusters():
    runs, found = records(n=10)
    assert condition_sides(runs, CONDITIONS)[:2] == [("standoff_mm", "below"), ("standoff_mm", "above")]
    circular = pd.DataFrame({"overlap_pct": [10.0, 10.0], "stroke_pattern": ["circular", "parallel"]})
    assert on_side(circular, load_conditions()["overlap_pct"], side="below").tolist() == [pd.NA, True]
    rows = adjusted(found, ("standoff_mm", "operator_id", "nowhere"))
    assert recorded_adjusters(runs, rows, condition="standoff_mm") == ("operator_id",)


def test_order_does_not_matter_and_nothing_is_changed():
    runs, found = records(n=120)
    before, seen = runs.copy(), found.copy()
    one = telling_of(runs, found)
    other = telling_of(runs.sample(frac=1, random_state=1), found.sample(frac=1, random_state=2))
    for name in ("overlap", "pairs", "detectable", "skill"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name))
    pd.testing.assert_frame_equal(runs, before)
    pd.testing.assert_frame_equal(found, seen)


def test_runs_without_a_job_are_left_out_and_counted():
    runs, found = records(n=60)
    runs.loc[:4, "job_id"] = None
    result = telling_of(runs, found)
    assert (result.n, result.excluded) == (55, 5)
    assert "Miettinen" not in result.method
    assert "Brier" in result.method


@pytest.mark.parametrize("case", ["no runs", "one run", "one job", "no defects", "no conditions", "nothing recorded"])
def test_too_little_of_anything_is_an_answer(case):
    runs, found = records(n=30)
    conditions = CONDITIONS
    if case == "no runs":
        runs, found = runs[:0], found[:0]
    elif case == "one run":
        runs, found = runs[:1], found[:1]
    elif case == "one job":
        runs = runs.assign(job_id="J1")
    elif case == "no defects":
        found = found[[]]
    elif case == "no conditions":
        conditions = {}
    else:
        runs = runs.assign(**dict.fromkeys(NAMES, np.nan), operator_id=None)
    result = telling_of(runs, found, conditions=conditions)
    assert len(result.overlap) == (0 if case == "no conditions" else 4)
    assert len(result.skill) == len(found.columns)
    assert not result.skill["predicts"].any()
    assert result.pairs["inseparable"].dtype == bool
    if case == "one job":
        rows = result.detectable[result.detectable["n_outside"] > 0]
        assert (rows["why"] == "all runs, or nearly all, are of one job").all()
