"""Slope in time, against scipy and by coverage."""

import math

import numpy as np
import pytest
from scipy.stats import linregress, t

from auditkit.stats.time_slope import time_slope


def test_agrees_with_scipy_where_neighbours_pull_apart():
    # alternating residuals: neighbours are not alike, so the ordinary limits stand
    x = np.arange(10.0)
    y = 2.0 + 0.5 * x + np.where(x % 2 == 0, 0.3, -0.3)
    slope, ordinary = time_slope(y, time=x), linregress(x, y)
    assert slope.estimate == pytest.approx(ordinary.slope)
    assert slope.high - slope.estimate == pytest.approx(t.ppf(0.975, 8) * ordinary.stderr)
    assert slope.lag1_correlation < -0.5
    assert (slope.n, slope.reason) == (10, "")


def _by_hand(x, y, line):
    # Santer et al. (2000), Eq. 3 to 6: effective number of points in the residual variance and the t
    residual = y - line.intercept - line.slope * x
    r = (residual[1:] * residual[:-1]).sum() / (residual**2).sum()
    freedom = len(x) * (1 - r) / (1 + r) - 2
    widened = line.stderr * math.sqrt((len(x) - 2) / freedom)
    assert widened > 2 * line.stderr
    return t.ppf(0.975, freedom) * widened


def test_limits_widen_where_neighbours_are_alike():
    x = np.arange(40.0)
    y = np.repeat([0.0, 1.0, 0.0, 1.0], 10)
    slope, ordinary = time_slope(y, time=x), linregress(x, y)
    assert slope.lag1_correlation > 0.5
    assert slope.high - slope.estimate == pytest.approx(_by_hand(x, y, ordinary))


def test_limits_hold_their_coverage():
    rng = np.random.default_rng(1)
    hits = 0
    for _ in range(400):
        slope = time_slope(0.3 * np.arange(20) + rng.normal(size=20), time=np.arange(20))
        hits += slope.low <= 0.3 <= slope.high
    assert 0.93 <= hits / 400 <= 0.99


def test_order_of_the_points_does_not_matter():
    rng = np.random.default_rng(2)
    x, y = np.arange(12.0), rng.normal(size=12)
    mixed = rng.permutation(12)
    assert time_slope(y, time=x) == time_slope(y[mixed], time=x[mixed])


def test_too_little_is_said():
    few = time_slope([1.0, 2.0, 4.0], time=[0, 1, 2])
    assert few.estimate == pytest.approx(1.5)
    assert math.isnan(few.low)
    assert few.reason == "too few points for limits of a slope: 3 of 6"
    assert time_slope([1.0, 2.0], time=[3, 3]).reason == "no slope: all checks are of one time"
    with pytest.raises(ValueError, match="values and times must be equally many; given 2 and 1"):
        time_slope([1.0, 2.0], time=[3])


def test_a_perfect_line_has_no_spread():
    slope = time_slope(np.arange(8.0), time=np.arange(8.0))
    assert (slope.low, slope.high) == pytest.approx((1.0, 1.0))
