"""Wear lines: statsmodels as a second opinion, and limits of the time to a limit that keep their promise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from auditkit.stats.wear_lines import time_to_limit, wear_line

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
