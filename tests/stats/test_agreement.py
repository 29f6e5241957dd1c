"""Agreement: published tables of ratings."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.agreement import cohen_kappa, icc, icc_forms, kappa_of_table, percent_agreement

TABLE = [[0, 4, 1], [0, 8, 0], [0, 1, 5]]
JUDGES = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]


def judges() -> pd.DataFrame:
    rows = [(t, j, y) for t, row in enumerate(JUDGES) for j, y in enumerate(row)]
    return pd.DataFrame(rows, columns=["target", "judge", "y"])


def forms(frame: pd.DataFrame, **settings) -> pd.DataFrame:
    return icc_forms(frame, target="target", rater="judge", rating="y", **settings)


@pytest.mark.parametrize(
    ("weights", "printed"),
    # saved output of a statistics package's kappa procedure for this table [seen]
    [("unweighted", (0.4842, 0.1380, 0.2137, 0.7547)), ("linear", (0.4701, 0.1457, 0.1845, 0.7558))],
)
def test_kappa_as_printed(weights, printed):
    result = kappa_of_table(TABLE, weights=weights)
    assert (result.estimate, result.std_error, result.low, result.high) == pytest.approx(printed, abs=5e-5)
    assert result.n == 19


def test_quadratic_kappa_from_its_definition():
    # Cohen (1968): 1 - sum(w o) / sum(w e), w the squared distance
    table = np.array([[11, 3, 1, 0], [1, 9, 5, 2], [0, 4, 12, 3], [0, 1, 2, 8]])
    distance = (np.arange(4)[:, None] - np.arange(4)[None, :]) ** 2
    chance = np.outer(table.sum(axis=1), table.sum(axis=0)) / table.sum()
    expected = 1 - (distance * table).sum() / (distance * chance).sum()
    assert kappa_of_table(table, weights="quadratic").estimate == pytest.approx(expected)


def test_two_categories_weights_make_no_difference():
    values = [kappa_of_table([[20, 5], [4, 11]], weights=w).estimate for w in ("unweighted", "linear", "quadratic")]
    assert values == pytest.approx([values[0]] * 3)


def test_kappa_of_ratings_counts_categories_nobody_used():
    frame = pd.DataFrame({"a": ["poor", "fair", "good", "good"], "b": ["poor", "good", "good", "poor"]})
    scale = ["none", "poor", "fair", "good"]
    result = cohen_kappa(frame, first="a", second="b", categories=scale, weights="linear")
    by_hand = kappa_of_table([[0, 0, 0, 0], [0, 1, 0, 0], [0, 0, 0, 1], [0, 1, 0, 1]], weights="linear")
    assert result.estimate == pytest.approx(by_hand.estimate)
    assert cohen_kappa(frame.iloc[::-1], first="a", second="b", categories=scale, weights="linear") == result


def test_kappa_limits_keep_their_promise():
    # two raters, 3 categories, 80 items, true kappa by simulation of the design; 2 000 tables, 95 % limits
    joint = np.array([[0.25, 0.05, 0.02], [0.05, 0.28, 0.05], [0.02, 0.06, 0.22]])
    chance = np.outer(joint.sum(axis=1), joint.sum(axis=0))
    truth = (np.trace(joint) - np.trace(chance)) / (1 - np.trace(chance))
    rng = np.random.default_rng(4)
    hits = 0
    for counts in rng.multinomial(80, joint.ravel() / joint.sum(), size=2000):
        result = kappa_of_table(counts.reshape(3, 3))
        hits += result.low <= truth <= result.high
    assert 0.93 <= hits / 2000 <= 0.97


def test_shrout_and_fleiss():
    # Shrout and Fleiss (1979), Table 4 [seen]
    result = forms(judges())
    assert result["form"].tolist() == ["1,1", "2,1", "3,1", "1,k", "2,k", "3,k"]
    assert result["estimate"].to_numpy() == pytest.approx([0.17, 0.29, 0.71, 0.44, 0.62, 0.91], abs=0.005)


def test_shrout_and_fleiss_limits():
    # limits of the same data as other programs print them, from memory
    result = forms(judges())
    assert result["low"].to_numpy() == pytest.approx([-0.133, 0.019, 0.342, -0.884, 0.071, 0.676], abs=0.0005)
    assert result["high"].to_numpy() == pytest.approx([0.723, 0.761, 0.946, 0.912, 0.927, 0.986], abs=0.0005)


@pytest.mark.parametrize(("form", "row"), [("1,1", 0), ("2,1", 1), ("3,1", 2)])
def test_icc_limits_keep_their_promise(form, row):
    # 20 targets, 4 raters, normal effects of targets, raters and error (1, .3, .5); 400 data sets, 95 % limits
    truth = {"1,1": 1 / 1.8, "2,1": 1 / 1.8, "3,1": 1 / 1.5}[form]
    rng = np.random.default_rng(9)
    index = pd.MultiIndex.from_product([range(20), range(4)], names=["target", "judge"])
    hits = 0
    for _ in range(400):
        # form 1: each target has raters of its own, so their spread is part of the error
        shape = (20, 4) if form == "1,1" else (1, 4)
        y = rng.normal(0, 1, (20, 1)) + rng.normal(0, 0.3**0.5, shape) + rng.normal(0, 0.5**0.5, (20, 4))
        found = forms(pd.DataFrame({"y": y.ravel()}, index=index).reset_index()).iloc[row]
        hits += found["low"] <= truth <= found["high"]
    assert 0.92 <= hits / 400 <= 0.98


def test_one_form_is_the_row_of_the_six():
    result = icc(judges(), target="target", rater="judge", rating="y", form="2,k")
    assert result.estimate == pytest.approx(0.62, abs=0.005)
    assert (result.n, result.confidence) == (6, 0.95)


def test_a_shift_of_one_rater_lowers_agreement_but_not_consistency():
    frame = judges()
    moved = frame.assign(y=frame["y"] + 10 * (frame["judge"] == 2))
    before, after = forms(frame).set_index("form")["estimate"], forms(moved).set_index("form")["estimate"]
    assert after["3,1"] == pytest.approx(before["3,1"])
    assert after["2,1"] < before["2,1"]


def test_row_order_does_not_matter_and_input_stays():
    frame = judges()
    kept = frame.copy()
    pd.testing.assert_frame_equal(forms(frame), forms(frame.sample(frac=1.0, random_state=1)))
    pd.testing.assert_frame_equal(frame, kept)


def test_percent_agreement_has_wilson_limits():
    # Newcombe (1998), Stat Med 17:857: 81 of 263 -> .2553 to .3662 [quoted in public tests]
    frame = pd.DataFrame({"a": [1] * 263, "b": [1] * 81 + [3] * 182})
    result = percent_agreement(frame, first="a", second="b")
    assert (result.low, result.high) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    assert percent_agreement(frame, first="a", second="b", within=1).estimate == result.estimate
    assert percent_agreement(frame, first="a", second="b", within=2).estimate == 1.0


def test_errors_say_what_is_wrong():
    frame = pd.DataFrame({"a": ["x", "y"], "b": ["x", "z"]})
    with pytest.raises(ValueError, match=r"one of the categories \['x', 'y'\]; given also \['z'\]"):
        cohen_kappa(frame, first="a", second="b", categories=["x", "y"])
    with pytest.raises(ValueError, match="kappa is not defined where both raters used a single category"):
        kappa_of_table([[7, 0], [0, 0]])
    with pytest.raises(ValueError, match=r"must be square, two categories or more; given shape \(1, 2\)"):
        kappa_of_table([[1, 2]])
    with pytest.raises(ValueError, match="must hold counts"):
        kappa_of_table([[1, 0.5], [2, 2]])
    with pytest.raises(ValueError, match="weights must be one of"):
        kappa_of_table(TABLE, weights="squared")
    with pytest.raises(ValueError, match="1 of 24 ratings are not there"):
        forms(judges().iloc[1:])
    with pytest.raises(ValueError, match="a rater may rate a target once"):
        forms(pd.concat([judges(), judges()]))
    with pytest.raises(ValueError, match="ratings are all the same"):
        forms(judges().assign(y=3.0))
    with pytest.raises(ValueError, match=r"form must be one of \['1,1'"):
        icc(judges(), target="target", rater="judge", rating="y", form="4")
