"""Causes held to their word on a few cells of the grid; all 72 stand in `tests/benchmarks/cause_grid.md`.

Bounds are binomial: what a share that keeps its promise passes in all but one of about a thousand draws of so many
audits. Rows of one audit are not independent, so the number that counts is that of audits, not of rows.
"""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from ..benchmarks.cause_audits import CONTROL, DEFECT, GRID, Cell, draw_audit
from ..benchmarks.cause_grid import audit_cell, by_cell, false_support, pooled

FEW = Cell(runs=40, jobs=6, effect="none", confounding="strong", risk=0.05)
NOTHING = Cell(runs=150, jobs=6, effect="none", confounding="strong", risk=0.30)
HARM = Cell(runs=150, jobs=6, effect="U-shaped", confounding="strong", risk=0.30)


@pytest.fixture(scope="module")
def nothing():
    return audit_cell(NOTHING, number=1, audits=range(14), graded=7)


@pytest.fixture(scope="module")
def harm():
    return audit_cell(HARM, number=2, audits=range(14), graded=2)


def test_intervals_hold_the_truth(nothing, harm):
    both = pd.concat([nothing, harm])
    seen = pooled(both.assign(all="all"), by=["all"]).loc[0]
    assert seen["answered"] > 0.7
    # 95 % promised; with the standard error over 28 audits, three of them.
    assert 0.95 - 3 * max(seen["covered_se"], 0.015) <= seen["covered"]
    assert seen["covered_se"] < 0.03


def test_without_effect_hardly_anything_is_supported(nothing):
    wrong, rows = false_support(nothing)
    assert rows == 70
    assert wrong <= binom.isf(0.001, 7, 0.05)
    assert nothing.loc[nothing["p"].notna(), "p"].lt(0.05).mean() < 0.05 + 3 * (0.05 * 0.95 / 70) ** 0.5
    # The crude comparison is no such thing: what goes along with operator and job passes for an effect.
    crude = nothing.loc[nothing["condition"] == "standoff_mm", ["crude_difference", "difference"]].dropna().abs().mean()
    assert crude["difference"] < 0.8 * crude["crude_difference"]


def test_sign_is_right_where_harm_is_claimed(harm):
    acted = harm[(harm["defect"] == DEFECT) & harm["low"].notna()]
    claimed = acted[(acted["low"] > 0) | (acted["high"] < 0)]
    assert len(claimed) > 14
    assert (np.sign(claimed["difference"]) == np.sign(claimed["truth"])).all()
    assert (harm.loc[harm["grade"] == "supported", "difference"] > 0).all()


def test_few_runs_and_few_defects_are_refused():
    rows = audit_cell(FEW, number=3, audits=range(10), graded=3)
    summary = by_cell(rows).loc[0]
    assert summary["answered"] < 0.1
    assert set(rows["grade"].dropna()) == {"cannot tell"}
    assert (rows.loc[rows["low"].isna(), "why"] != "").all()


def test_one_who_knows_the_rest_finds_more(harm):
    summary = pooled(harm[harm["defect"] == DEFECT], by=["defect"]).loc[0]
    assert 0.3 < summary["power"] < summary["oracle"] <= 1.0


def test_truth_is_that_of_the_probabilities_drawn_from():
    """Worked out again from the log odds: mean risk, and what moving runs to the window's end changes."""
    cell = Cell(runs=400, jobs=20, effect="linear", confounding="none", risk=0.30)
    audit = draw_audit(cell, rng=np.random.default_rng(4))
    log_odds = audit.others["standoff_mm"] + audit.shape["standoff_mm"]
    risk = 1 / (1 + np.exp(-log_odds))
    assert risk.mean() == pytest.approx(0.30, abs=1e-6)
    moved = (audit.runs["standoff_mm"].clip(upper=200.0) - 175.0) / 25.0
    change = risk.mean() - (1 / (1 + np.exp(-(audit.others["standoff_mm"] + moved)))).mean()
    truth = audit.truth.set_index(["defect", "condition", "side"])
    assert truth.loc[(DEFECT, "standoff_mm", "above"), "edge_truth"] == pytest.approx(change, abs=1e-12)
    assert truth.loc[(DEFECT, "standoff_mm", "above"), "truth"] > change > 0
    assert truth.loc[(DEFECT, "standoff_mm", "below"), "truth"] < 0
    assert (truth.loc[CONTROL] == 0).all(axis=None)


def test_audits_are_the_same_from_the_same_seed_and_the_grid_is_whole():
    one, two = (draw_audit(NOTHING, rng=np.random.default_rng(9)) for _ in range(2))
    pd.testing.assert_frame_equal(one.runs, two.runs)
    pd.testing.assert_frame_equal(one.found, two.found)
    assert len(GRID) == len(set(GRID)) == 72
