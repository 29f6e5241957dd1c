"""The second opinion: what trees see, what they do not, and when they hold their tongue."""

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.second_opinion import KINDS, find_second_opinion
from auditkit.trade.conditions import load_conditions

NAMES = ("standoff_mm", "pot_kpa", "follow_through_s")
CONDITIONS = {name: load_conditions()[name] for name in NAMES}
NOTHING = pd.DataFrame(columns=["defect", "condition", "side", "low", "high", "why"])


def runs_of(n=600, jobs=6, seed=1):
    rng = np.random.default_rng(seed)
    runs = pd.DataFrame(
        {
            "run_id": [f"R{i:04d}" for i in range(n)],
            "job_id": [f"J{i % jobs}" for i in range(n)],
            "operator_id": [f"OP{i % 4}" for i in range(n)],
            "standoff_mm": rng.uniform(140, 260, n),
            "pot_kpa": rng.uniform(30, 60, n),
            "follow_through_s": rng.uniform(3, 12, n),
        }
    )
    return runs, rng


def found_of(runs, risk, rng):
    return pd.DataFrame({"spit": pd.array(rng.random(len(runs)) < risk, "boolean")}, index=pd.Index(runs["run_id"]))


def ask(runs, found, effects=NOTHING, **settings):
    settings = {"conditions": CONDITIONS, "rng": np.random.default_rng(5)} | settings
    return find_second_opinion(effects, runs, found, **settings)


def effect(condition, low, high, side="above"):
    row = {"defect": "spit", "condition": condition, "side": side, "low": low, "high": high, "why": ""}
    return pd.DataFrame([row])


@pytest.fixture(scope="module")
def step():
    """A step at 215 mm, inside no window's limit; the other two conditions do nothing."""
    runs, rng = runs_of()
    return runs, found_of(runs, np.where(runs["standoff_mm"] > 215, 0.6, 0.05), rng)


def test_a_step_is_seen_where_it_is_and_called_missed_if_the_model_missed_it(step):
    runs, found = step
    result = ask(runs, found, pd.concat([effect("standoff_mm", -0.1, 0.1), effect("pot_kpa", -0.1, 0.1)]))
    table = result.importance.set_index("condition")
    assert result.skill.loc[0, "speaks"]
    assert table.loc["standoff_mm", "seen"]
    assert table.loc["standoff_mm", "steepest_at"] == pytest.approx(215, abs=8)
    assert table.loc["standoff_mm", "low"] > 0.1
    assert not table.loc[["pot_kpa", "follow_through_s"], "seen"].any()
    assert result.disagreements[["condition", "kind"]].to_numpy().tolist() == [
        ["standoff_mm", "missed by adjusted model"]
    ]
    assert "without Standoff the trees foretell spit worse" in result.disagreements.loc[0, "words"]
    curve = result.partial[result.partial["condition"] == "standoff_mm"]
    assert curve.loc[curve["value"] < 200, "risk"].max() < 0.2
    assert curve.loc[curve["value"] > 230, "risk"].min() > 0.4


def test_where_both_see_it_nothing_is_said_and_a_row_the_trees_do_not_need_is_named(step):
    runs, found = step
    both = pd.concat([effect("standoff_mm", 0.1, 0.3), effect("pot_kpa", 0.01, 0.1, side="below")])
    result = ask(runs, found, both)
    assert result.disagreements[["condition", "kind"]].to_numpy().tolist() == [["pot_kpa", "not seen by the trees"]]
    assert "(below) is clear adjusted" in result.disagreements.loc[0, "words"]
    refused = both.assign(why="one job only")
    assert ask(runs, found, refused).disagreements["kind"].tolist() == ["missed by adjusted model"]


def test_conditions_that_act_only_together_are_an_interaction():
    runs, rng = runs_of(n=900)
    together = (runs["standoff_mm"] > 200) & (runs["pot_kpa"] > 45)
    apart = (runs["standoff_mm"] <= 200) & (runs["pot_kpa"] <= 45)
    result = ask(runs, found_of(runs, np.where(together | apart, 0.7, 0.05), rng))
    row = result.interactions.iloc[0]
    assert row["present"]
    assert {row["condition"], row["other"]} == {"standoff_mm", "pot_kpa"}
    assert row["strength"] > 0.3
    said = result.disagreements[result.disagreements["kind"] == "interaction"]
    assert len(said) == 1
    assert "H squared" in said["words"].iloc[0]


def test_what_adds_up_is_no_interaction(step):
    assert not ask(*step).interactions.loc[0, "present"]


def test_trees_that_foretell_nothing_say_nothing():
    runs, rng = runs_of()
    result = ask(runs, found_of(runs, 0.2, rng), effect("standoff_mm", 0.1, 0.3))
    assert not result.skill.loc[0, "speaks"]
    assert "say nothing of" in result.skill.loc[0, "words"]
    assert not result.importance["seen"].any()
    assert result.disagreements.empty


def test_what_shuffling_alone_names_is_not_seen_by_trees_that_foretell_nothing():
    # Jobs differ so much that no model does better in a new one than the base rate, though standoff does act.
    runs, rng = runs_of(n=300)
    by_job = rng.normal(0, 1.2, 6)[np.arange(300) % 6]
    risk = 1.0 / (1.0 + np.exp(-(-2.2 + by_job + 2.0 * (runs["standoff_mm"] > 215))))
    result = ask(runs, found_of(runs, risk, rng))
    table = result.importance.set_index("condition")
    assert not result.skill.loc[0, "speaks"]
    assert table.loc["standoff_mm", "q"] <= 0.05
    assert not table.loc["standoff_mm", "seen"]
    assert result.disagreements.empty


def test_it_is_the_same_again_and_in_any_order_but_for_the_shuffling(step):
    runs, found = step
    before, seen = runs.copy(), found.copy()
    one, again = ask(runs, found), ask(runs.sample(frac=1, random_state=3), found)
    for name in ("skill", "importance", "partial", "interactions", "disagreements"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(again, name))
    pd.testing.assert_frame_equal(runs, before)
    pd.testing.assert_frame_equal(found, seen)


def test_progress_is_reported_and_kinds_are_those_said(step):
    runs, found = step
    calls = []
    ask(runs, found.assign(crater=False), on_progress=lambda done, of: calls.append((done, of)))
    assert calls == [(1, 2), (2, 2)]
    assert list(KINDS) == ["missed by adjusted model", "not seen by the trees", "interaction"]


def test_gaps_and_labels_are_borne():
    runs, rng = runs_of(n=300)
    found = found_of(runs, np.where(runs["standoff_mm"] > 215, 0.6, 0.05), rng)
    runs.loc[::7, "standoff_mm"] = np.nan
    runs.loc[::11, "operator_id"] = None
    runs.loc[:2, "job_id"] = None
    found.loc[found.index[10:20], "spit"] = pd.NA
    result = ask(runs.assign(pot_kpa=np.nan), found)
    assert (result.n, result.excluded) == (297, 3)
    assert result.skill.loc[0, "n"] == 287
    assert "pot_kpa" not in set(result.importance["condition"])


@pytest.mark.parametrize(
    "case", ["no runs", "one job", "no defects", "no conditions", "all have it", "nothing recorded"]
)
def test_too_little_of_anything_is_an_answer(case):
    runs, rng = runs_of(n=60)
    found = found_of(runs, 0.4, rng)
    conditions = CONDITIONS
    if case == "no runs":
        runs, found = runs[:0], found[:0]
    elif case == "one job":
        runs = runs.assign(job_id="J1")
    elif case == "no defects":
        found = found[[]]
    elif case == "no conditions":
        conditions = {}
    elif case == "all have it":
        found = found.assign(spit=True).astype("boolean")
    else:
        runs = runs.assign(**dict.fromkeys(NAMES, np.nan))
    result = ask(runs, found, conditions=conditions)
    assert result.disagreements.empty
    assert len(result.skill) == len(found.columns)
    assert not result.skill["speaks"].any()
    assert result.skill["words"].str.startswith("the trees say nothing of").all()
