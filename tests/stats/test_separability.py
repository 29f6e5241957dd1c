"""Separability against statsmodels' variance inflation and partial correlation, and cases to be seen by eye."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from statsmodels.stats.outliers_influence import variance_inflation_factor

from auditkit.stats.power import design_effect
from auditkit.stats.separability import exposure_design_effect, residual_of, separability


def records(seed=1, n=200):
    rng = np.random.default_rng(seed)
    crew = rng.choice(list("abc"), size=n)
    heat = rng.normal(size=n)
    wet = rng.random(n) < np.where(crew == "a", 0.7, 0.3)
    cold = np.where(rng.random(n) < 0.7, wet, heat > 0)
    day = rng.integers(0, 9, size=n)
    return pd.DataFrame({"wet": wet, "cold": cold.astype(bool), "crew": crew, "heat": heat, "day": day})


def test_inflation_agrees_with_statsmodels():
    frame = records()
    found = separability(frame, one="wet", other="cold", cluster="day", given=["crew", "heat"])
    base = pd.get_dummies(frame["crew"], drop_first=True).assign(heat=frame["heat"], constant=1.0).astype(float)
    x = base.assign(wet=frame["wet"].astype(float), cold=frame["cold"].astype(float))
    without = base.assign(wet=frame["wet"].astype(float))
    # How much the other adds is the ratio of the factor with it to the factor without it.
    whole = variance_inflation_factor(x.to_numpy(), list(x.columns).index("wet"))
    alone = variance_inflation_factor(without.to_numpy(), list(without.columns).index("wet"))
    assert found.inflation == pytest.approx(whole / alone)
    assert found.one_left == pytest.approx(1.0 / alone)
    rests = [sm.OLS(frame[name].astype(float), base).fit().resid for name in ("wet", "cold")]
    assert found.correlation == pytest.approx(np.corrcoef(rests)[0, 1])


def test_counts_by_hand_and_gaps_left_out():
    frame = pd.DataFrame(
        {
            "one": pd.array([True, True, False, False, True, None], "boolean"),
            "other": pd.array([True, False, True, False, None, True], "boolean"),
            "job": list("aabbab"),
        }
    )
    before = frame.copy()
    found = separability(frame, one="one", other="other", cluster="job")
    assert (found.n, found.excluded) == (4, 2)
    assert (found.both, found.one_only, found.other_only, found.discordant_clusters) == (1, 1, 1, 2)
    assert found.correlation == pytest.approx(0.0)
    assert found.inflation == pytest.approx(1.0)
    pd.testing.assert_frame_equal(frame, before)


def test_what_is_the_same_or_the_opposite_cannot_be_told_apart():
    frame = pd.DataFrame({"one": [True, False] * 4, "job": [1, 1, 2, 2] * 2}).assign(other=lambda f: f["one"])
    same = separability(frame, one="one", other="other", cluster="job")
    assert (same.correlation, same.inflation) == (pytest.approx(1.0), float("inf"))
    opposite = separability(frame.assign(other=~frame["one"]), one="one", other="other", cluster="job")
    assert (opposite.correlation, opposite.inflation) == (pytest.approx(-1.0), float("inf"))
    assert opposite.discordant_clusters == 2


def test_what_follows_from_what_is_adjusted_for_leaves_nothing():
    frame = records().assign(cold=lambda f: f["crew"] == "b")
    found = separability(frame, one="wet", other="cold", cluster="day", given=["crew"])
    assert found.other_left == 0.0
    assert np.isnan(found.correlation)
    assert np.isnan(found.inflation)


def test_neither_row_order_nor_a_repeated_column_matters():
    frame = records()
    given = ["crew", "heat"]
    found = separability(frame, one="wet", other="cold", cluster="day", given=given)
    shuffled = separability(frame.sample(frac=1, random_state=2), one="wet", other="cold", cluster="day", given=given)
    assert shuffled.inflation == pytest.approx(found.inflation)
    doubled = frame.assign(again=frame["crew"], flat="x")
    again = separability(doubled, one="wet", other="cold", cluster="day", given=[*given, "again", "flat"])
    assert again.inflation == pytest.approx(found.inflation)
    swapped = separability(frame, one="cold", other="wet", cluster="day", given=given)
    assert (swapped.inflation, swapped.one_only) == (pytest.approx(found.inflation), found.other_only)


def test_residual_is_that_of_least_squares_and_bears_empty_frames():
    frame = records()
    residual, left = residual_of(frame, column="heat", given=["crew"])
    fit = sm.OLS(frame["heat"], pd.get_dummies(frame["crew"]).astype(float)).fit()
    np.testing.assert_allclose(residual, fit.resid, atol=1e-10)
    assert left == pytest.approx(1.0 - fit.rsquared)
    assert residual_of(frame[:0], column="heat", given=["crew"])[1] == 0.0
    assert separability(frame[:0], one="wet", other="cold", cluster="day").n == 0


def test_exposure_design_effect_is_the_ratio_of_the_exact_variances():
    rng = np.random.default_rng(3)
    clusters = rng.integers(0, 6, size=50)
    x = rng.normal(size=50) + rng.normal(size=6)[clusters]
    x = x - x.mean()
    correlated = np.where(clusters[:, None] == clusters, 0.2, 0.0) + 0.8 * np.eye(50)
    exact = x @ correlated @ x / (x @ x)  # var of the slope over var with independent errors, Moulton (1986)
    assert exposure_design_effect(x, clusters, icc=0.2) == pytest.approx(exact)
    order = rng.permutation(50)
    assert exposure_design_effect(x[order], clusters[order], icc=0.2) == pytest.approx(exact)
    whole = np.repeat([1.0, -1.0], 20)
    assert exposure_design_effect(whole, np.arange(40) // 20, icc=0.02) == pytest.approx(design_effect(20, icc=0.02))
    assert exposure_design_effect(np.zeros(4), [1, 1, 2, 2], icc=0.5) == 1.0
    with pytest.raises(ValueError, match=r"a correlation within clusters lies between 0 and 1; given 1\.5"):
        exposure_design_effect([1.0, -1.0], [1, 2], icc=1.5)
