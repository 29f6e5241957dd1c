"""The mean of independent values."""

import numpy as np
import pytest
from scipy.stats import ttest_1samp

from auditkit.stats.means import mean_interval

GUM = [96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07]
GUM += [100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72]


def test_twenty_temperatures_of_the_gum():
    # JCGM 100:2008, 4.4.3 (from memory): mean 100.145 printed 100.14, standard uncertainty 0.333 printed 0.33.
    interval = mean_interval(GUM)
    assert interval.estimate == pytest.approx(100.145, abs=5e-4)
    assert (interval.high - interval.low) / 2 / 2.093 == pytest.approx(0.333, abs=5e-4)  # t(19), 95 %: 2.093


def test_agrees_with_scipy():
    values = np.random.default_rng(2).normal(5, 2, 12)
    interval = mean_interval(values, confidence=0.9)
    low, high = ttest_1samp(values, 0).confidence_interval(0.9)
    assert (interval.low, interval.high) == pytest.approx((low, high))


def test_one_value_has_no_interval_and_missing_ones_are_left_out():
    assert mean_interval([3.0]) is None
    assert mean_interval([3.0, float("nan")]) is None
    assert mean_interval([1.0, float("nan"), 3.0]).n == 2
