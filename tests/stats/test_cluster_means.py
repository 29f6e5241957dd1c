"""Means of grouped observations: standard errors and how many more groups, against print and simulation."""

import numpy as np
import pytest

from auditkit.stats.cluster_means import further_groups, mean_standard_error, observations_needed
from auditkit.stats.power import design_effect


def test_observations_needed_as_in_the_handbook():
    # NIST/SEMATECH e-Handbook 7.2.2.2 (from memory): alpha 0.05 one-sided, beta 0.10, one standard deviation apart:
    # (1.645 + 1.282)^2 = 8.567, so 9; then with 8 degrees of freedom (1.860 + 1.397)^2 = 10.6, so 11.
    known = observations_needed([1.0, -2.0, 0.0], sd=1.0, confidence=0.90, power=0.90)
    assert known == pytest.approx([8.567, 8.567 / 4, np.inf], abs=0.01)
    assert float(observations_needed(1.0, sd=1.0, df=8, confidence=0.90, power=0.90)) == pytest.approx(10.6, abs=0.02)


def test_without_a_spread_one_observation_is_enough_but_never_at_the_limit():
    assert observations_needed([0.0, 2.0, np.nan], sd=0.0, df=5) == pytest.approx([np.inf, 0.0, np.nan], nan_ok=True)


@pytest.mark.parametrize(("n", "m", "icc"), [(5, 3, 0.6), (12, 2, 0.1), (4, 6, 1.0), (7, 1, 0.3)])
def test_equal_groups_agree_with_the_design_effect(n, m, icc):
    # Cochran (1977), section 10.3, written as the variance of n m single observations times the design effect.
    error = mean_standard_error([m] * n, between=icc * 40.0, within=(1 - icc) * 40.0)
    assert error**2 == pytest.approx(40.0 / (n * m) * design_effect(m, icc=icc))
    assert mean_standard_error([m] * n, between=icc * 40.0, within=(1 - icc) * 40.0, mean_of="observations") == error


def test_unequal_groups_by_hand():
    # Groups of 1 and 3, between 4, within 3. Mean of means: (4 + 3)/4 + (4 + 1)/4 = 3. Mean of all, weights 1/4 and
    # 3/4: 7/16 + 9 x 5/16 = 3.25.
    assert mean_standard_error([1, 3], between=4.0, within=3.0) ** 2 == pytest.approx(3.0)
    assert mean_standard_error([3, 1], between=4.0, within=3.0, mean_of="observations") ** 2 == pytest.approx(3.25)


def test_further_groups_is_the_least_number():
    given = {"distance": 4.0, "between": 30.0, "within": 12.0, "df": 60, "size": 3}
    more = further_groups([3] * 5, most=50, **given)
    # by hand: (2.0003 + 0.8477)^2 x (30 + 12/3)/16 = 17.2, so 18 in all
    assert more == 13
    assert further_groups([3] * 5, most=12, **given) is None
    assert further_groups([3] * 18, most=50, **given) == 0
    assert further_groups([3] * 5, most=50, **(given | {"distance": -4.0})) == more
    assert further_groups([3] * 5, most=50, **(given | {"distance": 0.0})) is None


def test_the_power_is_held_by_simulation():
    # 31 groups of three, variances 30 and 12, truly 3 from the limit: at least 80 % of means must be told from it.
    # The naive number, (2.00 + 0.85)^2 x 42/9 = 38 single readings, would decide two times in five.
    rng = np.random.default_rng(20270118)

    def told(groups):
        effects = rng.normal(0, 30**0.5, (4000, groups)) + rng.normal(0, 2.0, (4000, groups))  # sd 2: 12/3
        half = 2.0003 * mean_standard_error([3] * groups, between=30.0, within=12.0)
        return float((np.abs(3.0 + effects.mean(axis=1)) > half).mean())

    total = 5 + further_groups([3] * 5, distance=3.0, between=30.0, within=12.0, df=60, size=3, most=50)
    naive = int(np.ceil(observations_needed(3.0, sd=42.0**0.5, df=60)))
    assert total == 31
    assert told(total) == pytest.approx(0.80, abs=0.025)
    assert told(naive // 3) < 0.45


def test_errors():
    for sizes, message in (([], "one group or more"), ([3, 0], "none of them empty")):
        with pytest.raises(ValueError, match=message):
            mean_standard_error(sizes, between=1.0, within=1.0)
    with pytest.raises(ValueError, match=r"a variance is not below 0; given -1\.0 and 1\.0"):
        mean_standard_error([3], between=-1.0, within=1.0)
    with pytest.raises(ValueError, match="mean_of must be one of groups, observations; given 'all'"):
        mean_standard_error([3], between=1.0, within=1.0, mean_of="all")
    with pytest.raises(ValueError, match="size must be 1 or more and most 0 or more; given 0 and 5"):
        further_groups([3], distance=1.0, between=1.0, within=1.0, df=5, size=0, most=5)
    with pytest.raises(ValueError, match="confidence and power must lie strictly between 0 and 1, and df above 0"):
        observations_needed(1.0, sd=1.0, power=1.0)
