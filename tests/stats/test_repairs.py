"""Repairs: the handbook's factors and its worked power law, and limits that keep their promise."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from auditkit.stats.repairs import repair_rate, repair_trend

NIST_AGES = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]


@pytest.mark.parametrize(
    ("failures", "confidence", "low", "high"),
    [(1, 0.60, 0.3340, 4.4814), (1, 0.80, 0.2571, 9.4912), (2, 0.60, 0.4674, 2.4260), (2, 0.80, 0.3758, 3.7607)],
)
def test_factors_of_the_time_between_failures(failures, confidence, low, high):
    """NIST/SEMATECH e-Handbook 8.4.5.1, table of factors for time-censored tests; from memory."""
    interval = repair_rate(failures, time=float(failures), confidence=confidence).mean_between
    assert (interval.estimate, interval.low, interval.high) == pytest.approx((1, low, high), abs=0.00005)


def test_rate_is_the_inverse_of_the_time_between():
    result = repair_rate(7, time=350.0)
    assert result.rate.estimate * result.mean_between.estimate == pytest.approx(1)
    assert result.rate.low == pytest.approx(1 / result.mean_between.high)


def test_rate_limits_keep_their_promise():
    """Chi-square limits of a count never cover less than they say."""
    counts = np.random.default_rng(41).poisson(6.0, 1500)
    seen = {int(k): repair_rate(int(k), time=100.0) for k in np.unique(counts) if k}
    held = [k > 0 and seen[int(k)].rate.low <= 0.06 <= seen[int(k)].rate.high for k in counts]
    assert np.mean(held) > 0.945


def test_no_failure_gives_no_number():
    result = repair_rate(0, time=500)
    assert (result.verdict, result.rate, result.mean_between) == ("cannot tell", None, None)
    assert result.reason == "no failure in a time of 500: how often they come cannot be told"


def test_power_law_as_printed():
    """NIST/SEMATECH e-Handbook 8.4.5.2."""
    trend = repair_trend(NIST_AGES, until=1500, confidence=0.80)
    assert trend.growth == pytest.approx(0.516494, abs=5e-7)
    assert trend.coefficient == pytest.approx(0.2913003, abs=5e-7)
    assert trend.mean_between.estimate == pytest.approx(310.234, abs=0.0005)
    assert trend.mean_between.low == pytest.approx(157.7138, abs=0.0005)
    assert trend.mean_between.high == pytest.approx(548.5566, abs=0.0005)
    total = 9 / (1 - 0.516494)  # sum of log(1500 / age), from the printed growth
    assert trend.p_value == pytest.approx(2 * chi2.sf(2 * total, 20), rel=1e-4)
    assert repair_trend(NIST_AGES[::-1], until=1500, confidence=0.80) == trend


def test_the_test_of_trend_is_fair_without_one():
    rng = np.random.default_rng(42)
    p = [repair_trend(rng.uniform(0, 100, rng.integers(3, 12)).tolist(), until=100).p_value for _ in range(1000)]
    assert np.mean(np.array(p) < 0.1) == pytest.approx(0.1, abs=0.03)


def test_trend_needs_two_failures_within_the_time():
    assert repair_trend([5.0], until=10).reason == "failures by age 10: 1, and at least two are needed to tell a trend"
    assert repair_trend([], until=10).mean_between is None
    with pytest.raises(ValueError, match="ages must lie above 0 and below until, 10; given 5 to 12"):
        repair_trend([5.0, 12.0], until=10)
    with pytest.raises(ValueError, match="failures must be 0 or more and time above 0; given 1 and 0"):
        repair_rate(1, time=0)
