"""Power and sample size: printed values, statsmodels, and simulation."""

import math

import numpy as np
import pytest
from statsmodels.stats.proportion import power_proportions_2indep

from auditkit.stats.power import (
    design_effect,
    logistic_sample_size_binary,
    logistic_sample_size_continuous,
    smallest_difference,
    smallest_rise,
    two_proportion_power,
    two_proportion_sample_size,
)


def test_two_proportions_as_printed():
    # Example of R's power.prop.test (package stats).
    assert two_proportion_power(0.50, 0.75, n=50) == pytest.approx(0.7401659, abs=5e-8)
    assert two_proportion_sample_size(0.50, 0.75, power=0.9) == pytest.approx(76.70693, abs=5e-6)


def test_sample_size_and_power_undo_each_other():
    n = two_proportion_sample_size(0.1, 0.17, power=0.83, alpha=0.01)
    assert two_proportion_power(0.17, 0.1, n=n, alpha=0.01) == pytest.approx(0.83)


def test_two_proportions_by_simulation():
    rng = np.random.default_rng(1)
    a, b = rng.binomial(120, 0.2, 20_000) / 120, rng.binomial(120, 0.36, 20_000) / 120
    pooled = (a + b) / 2
    found = (np.abs(a - b) > 1.959964 * np.sqrt(2 * pooled * (1 - pooled) / 120)).mean()
    assert two_proportion_power(0.2, 0.36, n=120) == pytest.approx(found, abs=0.015)


def test_hsieh_as_published():
    # Hsieh, Bloch & Larsen (1998); also the examples of the CRAN package powerMediation.
    n = logistic_sample_size_continuous(0.5, odds_ratio=math.exp(0.405), power=0.95)
    assert math.ceil(n) == 317
    assert math.ceil(logistic_sample_size_binary(0.4, 0.5, share_1=0.5, power=0.95)) == 1281


def test_hsieh_inflation_and_symmetry():
    alone = logistic_sample_size_continuous(0.3, odds_ratio=1.5)
    assert logistic_sample_size_continuous(0.3, odds_ratio=1.5, r_squared=0.2) == pytest.approx(alone / 0.8)
    assert logistic_sample_size_continuous(0.3, odds_ratio=1 / 1.5) == pytest.approx(alone)
    # Half exposed: n in all is twice the two-proportion n of each group.
    both = logistic_sample_size_binary(0.2, 0.3, share_1=0.5, power=0.9)
    assert both == pytest.approx(2 * two_proportion_sample_size(0.2, 0.3, power=0.9))


def test_design_effect_as_published():
    # Common textbook example: correlation .02, 20 a cluster, 246 become 340.
    assert design_effect(20, icc=0.02) == pytest.approx(1.38)
    assert math.ceil(246 * design_effect(20, icc=0.02)) == 340
    assert design_effect(20, icc=0.02, size_variation=0.5) == pytest.approx(1 + (1.25 * 20 - 1) * 0.02)
    assert design_effect(1, icc=0.3) == 1.0


def test_smallest_difference_has_the_power_asked_for_and_grows_with_clustering():
    rise = smallest_difference(0.1, n=400, clusters=20, icc=0.05, power=0.9)
    independent = 400 / design_effect(20, icc=0.05)
    assert two_proportion_power(0.1, 0.1 + rise, n=independent) == pytest.approx(0.9, abs=1e-6)
    assert smallest_difference(0.1, n=400, clusters=400, icc=0.05, power=0.9) < rise
    assert smallest_difference(0.1, n=400, clusters=20, icc=0.05, size_variation=0.8, power=0.9) > rise
    assert math.isnan(smallest_difference(0.6, n=4, clusters=4, icc=0.0))


def test_unequal_groups_agree_with_statsmodels():
    # statsmodels counts both tails; the wrong one is negligible here.
    reference = power_proportions_2indep(diff=-0.12, prop2=0.27, nobs1=90, ratio=2.5, alpha=0.05).power
    assert two_proportion_power(0.15, 0.27, n=90, ratio=2.5) == pytest.approx(reference, abs=1e-4)
    mirrored = two_proportion_power(0.27, 0.15, n=225, ratio=1 / 2.5)
    assert mirrored == pytest.approx(two_proportion_power(0.15, 0.27, n=90, ratio=2.5))


def test_smallest_rise_has_the_power_asked_for():
    rise = smallest_rise(0.1, n=300, n_exposed=100)
    reference = power_proportions_2indep(diff=-rise, prop2=0.1 + rise, nobs1=300, ratio=1 / 3, alpha=0.05).power
    assert reference == pytest.approx(0.8, abs=1e-4)


def test_smallest_rise_by_simulation():
    rng = np.random.default_rng(7)
    rise = smallest_rise(0.1, n=300, n_exposed=100)
    without, exposed = rng.binomial(300, 0.1, 20_000), rng.binomial(100, 0.1 + rise, 20_000)
    pooled = (without + exposed) / 400
    z = (exposed / 100 - without / 300) / np.sqrt(pooled * (1 - pooled) * (1 / 300 + 1 / 100))
    assert (z > 1.959964).mean() == pytest.approx(0.8, abs=0.02)


def test_smallest_rise_grows_with_inflation_and_with_few_clusters():
    alone = smallest_rise(0.1, n=300, n_exposed=100)
    # Inflation of the variance by two is half the records; two-sided 5 % on 7 degrees of freedom is t = 2.3646
    # (tables of Student's t), which a normal deviate exceeds either way with probability .01805.
    assert smallest_rise(0.1, n=300, n_exposed=100, inflation=2.0) == pytest.approx(
        smallest_rise(0.1, n=150, n_exposed=50)
    )
    few = smallest_rise(0.1, n=300, n_exposed=100, clusters=8)
    assert few == pytest.approx(smallest_rise(0.1, n=300, n_exposed=100, alpha=0.018050), abs=1e-5)
    assert few > alone
    assert math.isnan(smallest_rise(0.1, n=300, n_exposed=100, clusters=2, alpha=0.001))
    assert math.isnan(smallest_rise(0.6, n=4, n_exposed=2))


def test_what_is_refused():
    with pytest.raises(ValueError, match=r"a share lies between 0 and 1; given \{'risk_2': 1\.4\}"):
        two_proportion_power(0.1, 1.4, n=10)
    with pytest.raises(ValueError, match=r"inflation must be above 0, and clusters two or more; given 0\.0 and inf"):
        smallest_rise(0.1, n=10, n_exposed=10, inflation=0.0)
    with pytest.raises(ValueError, match=r"given 1\.0 and 1"):
        smallest_rise(0.1, n=10, n_exposed=10, clusters=1)
    with pytest.raises(ValueError, match="records with and without the exposure are needed; given 0 and 10"):
        smallest_rise(0.1, n=10, n_exposed=0)
    with pytest.raises(ValueError, match="n must be above 0"):
        two_proportion_power(0.1, 0.4, n=0)
    with pytest.raises(ValueError, match=r"strictly between 0 and 1 must lie \['power'\]"):
        two_proportion_sample_size(0.1, 0.2, power=1.0)
    with pytest.raises(ValueError, match="two different risks are needed"):
        two_proportion_sample_size(0.1, 0.1)
    with pytest.raises(ValueError, match="two different risks are needed"):
        logistic_sample_size_binary(0.2, 0.2, share_1=0.5)
    with pytest.raises(ValueError, match="an odds ratio above 0 that is not 1"):
        logistic_sample_size_continuous(0.2, odds_ratio=1.0)
    with pytest.raises(ValueError, match="r_squared must be 0 or more and below 1"):
        logistic_sample_size_continuous(0.2, odds_ratio=2.0, r_squared=1.0)
    with pytest.raises(ValueError, match="cluster size from 1"):
        design_effect(0.5, icc=0.1)
    with pytest.raises(ValueError, match="not more than records"):
        smallest_difference(0.1, n=10, clusters=20, icc=0.1)
