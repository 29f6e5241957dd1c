"""Wear lines: statsmodels as a second opinion, and limits of the time to a limit that keep their promise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.stats import t as t_distribution

from auditkit.stats.wear_lines import item_to_limit, step_line, time_to_limit, wear_line

AGES = np.array([5.0, 12.0, 20.0, 26.0, 33.0, 47.0])
WEAR = np.array([4.0, 7.5, 13.0, 15.0, 22.0, 29.0])
FRAME = pd.DataFrame({"age": AGES, "wear": WEAR})


@pytest.mark.parametrize("through", ["origin", "free"])
def test_line_against_statsmodels(through):
    line = wear_line(FRAME, through=through, confidence=0.9)
    design = AGES[:, None] if through == "origin" else sm.add_constant(AGES)
    other = sm.OLS(WEAR, design).fit()
    assert line.rate.estimate == pytest.approx(other.params[-1])
    assert (line.rate.low, line.rate.high) == pytest.approx(tuple(other.conf_int(0.1)[-1]))
    assert line.start == pytest.approx(0.0 if through == "origin" else other.params[0])
    assert line.residual_sd**2 == pytest.approx(other.mse_resid)


def test_time_through_the_origin_is_the_limit_over_the_rate():
    line = wear_line(FRAME)
    age = time_to_limit(line, limit=50.0).age
    assert age.estimate == pytest.approx(50 / line.rate.estimate)
    assert (age.low, age.high) == pytest.approx((50 / line.rate.high, 50 / line.rate.low))


def test_fieller_limits_are_where_the_band_of_the_line_meets_the_limit():
    line = wear_line(FRAME, through="free")
    age = time_to_limit(line, limit=50.0).age
    fit = sm.OLS(WEAR, sm.add_constant(AGES)).fit()
    band = fit.get_prediction(np.array([[1.0, age.low], [1.0, age.high]])).conf_int(alpha=0.05)
    assert band[0, 1] == pytest.approx(50.0)  # the upper edge gets there first
    assert band[1, 0] == pytest.approx(50.0)


@pytest.mark.parametrize("through", ["origin", "free"])
def test_time_limits_keep_their_promise(through):
    rng = np.random.default_rng(51)
    held = []
    for _ in range(400):
        frame = FRAME.assign(wear=0.6 * AGES + rng.normal(0, 2.0, len(AGES)))
        age = time_to_limit(wear_line(frame, through=through), limit=50.0).age
        held.append(age.low <= 50 / 0.6 <= age.high)
    assert np.mean(held) == pytest.approx(0.95, abs=0.025)


def test_no_wear_to_speak_of_cannot_tell():
    flat = FRAME.assign(wear=[10.0, 9.0, 11.0, 10.0, 9.0, 10.0])
    result = time_to_limit(wear_line(flat, through="free"), limit=50.0)
    assert (result.verdict, result.age) == ("cannot tell", None)
    assert "is not told from none" in result.reason


def test_missing_rows_are_counted_and_the_frame_left_alone():
    frame = pd.concat([FRAME, pd.DataFrame({"age": [60.0], "wear": [np.nan]})], ignore_index=True)
    before = frame.copy()
    line = wear_line(frame, missing="exclude")
    assert (line.n, line.excluded) == (6, 1)
    assert line.rate == wear_line(FRAME.iloc[::-1]).rate or line.rate.estimate == pytest.approx(
        wear_line(FRAME.iloc[::-1]).rate.estimate
    )
    pd.testing.assert_frame_equal(frame, before)


def test_refusals():
    with pytest.raises(ValueError, match="through must be 'origin' or 'free'; given 'zero'"):
        wear_line(FRAME, through="zero")
    with pytest.raises(ValueError, match="a line through free needs 3 rows or more at two ages or more; given 2"):
        wear_line(FRAME.head(2), through="free")
    with pytest.raises(ValueError, match="limit must lie above the wear at age 0, 0; given 0"):
        time_to_limit(wear_line(FRAME), limit=0.0)


STEPS = pd.DataFrame({"length": [4.0, 1.0, 4.0, 2.0], "growth": [10.0, 4.0, 13.0, 5.0]})


def test_steps_against_weighted_least_squares():
    """statsmodels' WLS through the origin, weights 1 / length."""
    line = step_line(STEPS, confidence=0.9)
    other = sm.WLS(STEPS["growth"], STEPS[["length"]], weights=1 / STEPS["length"]).fit()
    assert line.rate.estimate == pytest.approx(32 / 11)
    assert line.rate.estimate == pytest.approx(other.params["length"])
    assert (line.rate.low, line.rate.high) == pytest.approx(tuple(other.conf_int(0.1).loc["length"]))
    assert line.residual_sd**2 == pytest.approx(other.scale)


def test_limits_of_one_item_solve_their_inequality():
    line = step_line(STEPS)
    age = item_to_limit(line, limit=30.0).age
    t2 = t_distribution.ppf(0.975, 3) ** 2
    for end in (age.low, age.high):
        gap = 30.0 - line.rate.estimate * end
        assert gap**2 == pytest.approx(t2 * (end**2 * line.covariance[1][1] + end * line.residual_sd**2))
    mean = time_to_limit(line, limit=30.0).age
    assert age.low < mean.low < age.estimate < mean.high < age.high
    assert age.estimate == pytest.approx(mean.estimate)


def test_limits_of_one_item_keep_their_promise():
    """Wear by independent gamma steps (Whitmore 1995), looked at every few days; the same item then wears on."""
    rng = np.random.default_rng(52)
    lengths = np.array([3.0, 5.0, 4.0, 6.0, 3.0, 5.0, 4.0, 5.0])
    held = []
    for _ in range(1500):
        frame = pd.DataFrame({"length": lengths, "growth": rng.gamma(lengths * 4.0, 0.5)})
        found = item_to_limit(step_line(frame), limit=30.0).age
        path = np.cumsum(rng.gamma(0.1 * 4.0, 0.5, 600))
        reached = 0.1 * (np.argmax(path >= 30.0) + 1)
        held.append(found.low <= reached <= found.high)
    assert np.mean(held) == pytest.approx(0.95, abs=0.02)


def test_steps_that_cannot_be_and_a_rate_not_told_from_none():
    with pytest.raises(ValueError, match="length must be above 0 in every step; given 0"):
        step_line(STEPS.assign(length=[0.0, 1.0, 2.0, 3.0]))
    with pytest.raises(ValueError, match="needs 2 rows or more"):
        step_line(STEPS.head(1))
    flat = item_to_limit(step_line(STEPS.assign(growth=[5.0, -4.0, 3.0, -2.0])), limit=30.0)
    assert (flat.verdict, flat.age) == ("cannot tell", None)
    assert step_line(STEPS.assign(growth=[5.0, 4.0, None, 2.0]), missing="exclude").excluded == 1
    shuffled = step_line(STEPS.iloc[::-1])
    assert shuffled.rate.estimate == pytest.approx(step_line(STEPS).rate.estimate)
