"""Tolerance limits: handbook factors, and the share they hold."""

from __future__ import annotations

import math

import numpy as np
import pytest

from auditkit.stats.tolerance import tolerance_factor, tolerance_limits


def test_howe_factor():
    # NIST/SEMATECH e-Handbook 7.2.6.3 [seen]: n 43, 90 % content, 99 % confidence
    assert tolerance_factor(43, content=0.90, confidence=0.99) == pytest.approx(2.217316, abs=5e-7)


def test_one_sided_factor():
    # same page, from memory: 1.8740 exactly, 1.8752 by its approximation
    assert tolerance_factor(43, content=0.90, confidence=0.99, sides="lower") == pytest.approx(1.8740, abs=5e-5)


@pytest.mark.parametrize("sides", ["two-sided", "lower", "upper"])
def test_limits_hold_the_share_they_promise(sides):
    # 20 observations, 90 % content, 95 % confidence, 2 000 data sets
    from scipy.stats import norm

    rng = np.random.default_rng(1)
    factor = tolerance_factor(20, content=0.9, sides=sides)
    y = rng.normal(0, 1, (2000, 20))
    mean, reach = y.mean(axis=1), factor * y.std(axis=1, ddof=1)
    low = np.full(2000, -np.inf) if sides == "upper" else mean - reach
    high = np.full(2000, np.inf) if sides == "lower" else mean + reach
    assert 0.93 <= (norm.cdf(high) - norm.cdf(low) >= 0.9).mean() <= 0.97


def test_limits_of_a_sample():
    limits = tolerance_limits([1.0, 2.0, 3.0, 4.0], content=0.9, sides="upper")
    assert limits.high == pytest.approx(2.5 + limits.factor * math.sqrt(5 / 3))
    assert limits.low == -math.inf
    assert (limits.n, limits.method) == (4, "normal, noncentral t")


def test_more_observations_need_fewer_standard_deviations():
    factors = [tolerance_factor(n, content=0.95) for n in (3, 10, 100, 100_000)]
    assert factors == sorted(factors, reverse=True)
    assert factors[-1] == pytest.approx(1.96, abs=0.02)


def test_errors_say_what_is_wrong():
    with pytest.raises(ValueError, match="n must be 2 or more; given 1"):
        tolerance_factor(1, content=0.9)
    with pytest.raises(ValueError, match="content must lie strictly between 0 and 1; given 90"):
        tolerance_factor(10, content=90)
    with pytest.raises(ValueError, match="sides must be one of"):
        tolerance_factor(10, content=0.9, sides="both")
    with pytest.raises(ValueError, match="confidence must lie strictly between 0 and 1; given 95"):
        tolerance_factor(10, content=0.9, confidence=95)
    with pytest.raises(ValueError, match="at least 2 values are needed; given 1"):
        tolerance_limits([1.0], content=0.9)
