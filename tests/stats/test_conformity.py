"""Conformity: the examples of JCGM 106:2012, and risks held against simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from auditkit.stats.conformity import (
    acceptance_limits,
    conformance_probability,
    global_risks,
    specific_risks,
)


@pytest.mark.parametrize(
    ("value", "u", "limits", "printed", "places"),
    [
        (509.7, 8.6, {"lower": 490}, 0.989, 3),  # burst strength, JCGM 106:2012, from memory (.99)
        (-5.47, 0.05, {"upper": -5.40}, 0.919, 3),  # breakdown voltage, from memory (.92)
        (13.6, 1.8, {"lower": 12.5, "upper": 16.3}, 0.663, 3),  # oil viscosity, from memory (.66)
    ],
)
def test_examples_of_the_guide(value, u, limits, printed, places):
    found = float(conformance_probability(value, standard_uncertainty=u, **limits))
    assert round(found, places) == printed


def test_far_tails_keep_their_digits():
    from scipy.stats import norm

    assert float(conformance_probability(0, standard_uncertainty=1, lower=9, upper=10)) == pytest.approx(
        norm.sf(9) - norm.sf(10), rel=1e-9
    )


def test_array_in_array_out():
    found = conformance_probability([1.0, 2.0, 3.0], standard_uncertainty=1.0, lower=2.0)
    assert found.shape == (3,)
    assert found[1] == 0.5
    assert np.all(np.diff(found) > 0)


def test_one_limit_is_the_other_seen_from_behind():
    low = conformance_probability(3.0, standard_uncertainty=2.0, lower=1.0)
    high = conformance_probability(-3.0, standard_uncertainty=2.0, upper=-1.0)
    assert float(low) == pytest.approx(float(high))


@pytest.mark.parametrize(("guard", "printed"), [(2.0, 0.9772), (1.645, 0.950)])
def test_guard_band_of_one_limit(guard, printed):
    # JCGM 106:2012: guard band U = 2u leaves .9772 at the acceptance limit, from memory; 1.645 u leaves .950
    limits = acceptance_limits(standard_uncertainty=3.0, lower=100, guard=guard)
    found = conformance_probability(limits.low, standard_uncertainty=3.0, lower=100)
    assert float(found) == pytest.approx(printed, abs=5e-5)
    assert math.isinf(limits.high)
    assert limits.guard_high == 0.0


def test_guard_band_by_probability():
    limits = acceptance_limits(standard_uncertainty=3.0, upper=100, probability=0.95)
    assert limits.high == pytest.approx(100 - 1.644854 * 3, abs=1e-5)


def test_guarded_rejection_of_a_speed():
    # JCGM 106:2012, from memory: 100 km/h, u 2 % of the reading, 99.9 % sure -> reject above 107 km/h.
    # The uncertainty depends on the reading, so the limit solves v - 3.09 * .02 v = 100.
    speed = 100 / (1 - 3.0902 * 0.02)
    limits = acceptance_limits(
        standard_uncertainty=0.02 * speed, upper=100, probability=0.999, rule="guarded rejection"
    )
    assert limits.high == pytest.approx(speed, abs=1e-3)
    assert math.ceil(limits.high) == 107


def test_specific_risks_of_accepted_and_rejected():
    limits = acceptance_limits(standard_uncertainty=8.6, lower=490, guard=2)
    accepted = specific_risks(509.7, standard_uncertainty=8.6, acceptance=limits, lower=490)
    assert accepted.accepted
    assert (accepted.consumer, accepted.producer) == pytest.approx((0.011, 0.0), abs=5e-4)
    rejected = specific_risks(500.0, standard_uncertainty=8.6, acceptance=limits, lower=490)
    assert not rejected.accepted
    assert rejected.consumer == 0.0
    assert rejected.producer == rejected.conformance_probability > 0.8


def test_global_risks_agree_with_the_bivariate_normal():
    from scipy.stats import multivariate_normal

    limits = acceptance_limits(standard_uncertainty=1.0, upper=3, guard=0.5)
    risks = global_risks(process_mean=1, process_sd=2, standard_uncertainty=1, acceptance=limits, upper=3)
    joint = multivariate_normal([1, 1], [[4, 4], [4, 5]])  # true and measured
    both = joint.cdf([3, 2.5])
    accepted = multivariate_normal(1, 5).cdf(2.5)
    conforming = multivariate_normal(1, 4).cdf(3)
    assert risks.consumer == pytest.approx(accepted - both, abs=1e-5)
    assert risks.producer == pytest.approx(conforming - both, abs=1e-5)
    assert (risks.accepted, risks.conforming) == pytest.approx((accepted, conforming))


def test_global_risks_agree_with_simulation():
    rng = np.random.default_rng(3)
    limits = acceptance_limits(standard_uncertainty=4.0, lower=60, upper=100, guard=1)
    risks = global_risks(process_mean=72, process_sd=9, standard_uncertainty=4, acceptance=limits, lower=60, upper=100)
    true = rng.normal(72, 9, 1_000_000)
    seen = true + rng.normal(0, 4, 1_000_000)
    good, passed = (true >= 60) & (true <= 100), (seen >= 64) & (seen <= 96)
    assert risks.consumer == pytest.approx((passed & ~good).mean(), abs=0.0005)
    assert risks.producer == pytest.approx((~passed & good).mean(), abs=0.0015)
    assert risks.conforming - risks.producer + risks.consumer == pytest.approx(risks.accepted, abs=1e-8)


def test_very_small_uncertainty_against_the_process_still_integrates():
    limits = acceptance_limits(standard_uncertainty=0.001, lower=-1, upper=1, rule="simple acceptance")
    risks = global_risks(process_mean=0, process_sd=1, standard_uncertainty=0.001, acceptance=limits, lower=-1, upper=1)
    # two edges, each with density phi(1) and mean overshoot u/sqrt(2 pi)
    assert risks.consumer == pytest.approx(2 * 0.2419707 * 0.001 / math.sqrt(2 * math.pi), rel=2e-3)


def test_guard_band_moves_risk_from_consumer_to_producer():
    settings = {"process_mean": 0.0, "process_sd": 1.0, "standard_uncertainty": 0.3, "lower": -2.0, "upper": 2.0}
    plain = acceptance_limits(standard_uncertainty=0.3, lower=-2, upper=2, rule="simple acceptance")
    guarded = acceptance_limits(standard_uncertainty=0.3, lower=-2, upper=2, guard=1.5)
    one, two = global_risks(acceptance=plain, **settings), global_risks(acceptance=guarded, **settings)
    assert two.consumer < one.consumer
    assert two.producer > one.producer


def test_errors_say_what_is_wrong():
    with pytest.raises(ValueError, match="give a lower limit, an upper limit, or both"):
        conformance_probability(1.0, standard_uncertainty=1.0)
    with pytest.raises(ValueError, match=r"lower limit must lie below the upper; given 2.0 and 1.0"):
        conformance_probability(1.0, standard_uncertainty=1.0, lower=2, upper=1)
    with pytest.raises(ValueError, match="must be above 0 and finite"):
        conformance_probability(1.0, standard_uncertainty=0.0, lower=2)
    with pytest.raises(ValueError, match="leaves nothing between 0 and 3; measure better"):
        acceptance_limits(standard_uncertainty=1.0, lower=0, upper=3, guard=2)
    with pytest.raises(ValueError, match="give one of guard and probability"):
        acceptance_limits(standard_uncertainty=1.0, lower=0)
    with pytest.raises(ValueError, match="simple acceptance has no guard band"):
        acceptance_limits(standard_uncertainty=1.0, lower=0, guard=1, rule="simple acceptance")
    with pytest.raises(ValueError, match="rule must be one of"):
        acceptance_limits(standard_uncertainty=1.0, lower=0, guard=1, rule="shared")
    with pytest.raises(ValueError, match=r"probability must be at least 0.5 and below 1; given 95"):
        acceptance_limits(standard_uncertainty=1.0, lower=0, probability=95)
    with pytest.raises(ValueError, match="guard must be 0 or more; given -1"):
        acceptance_limits(standard_uncertainty=1.0, lower=0, guard=-1)
    with pytest.raises(ValueError, match="standard_uncertainty must be above 0; given 0"):
        acceptance_limits(standard_uncertainty=0, lower=0, guard=1)
    limits = acceptance_limits(standard_uncertainty=1.0, lower=0, guard=1)
    with pytest.raises(ValueError, match="both spreads must be above 0; given 0 and 1"):
        global_risks(process_mean=0, process_sd=0, standard_uncertainty=1, acceptance=limits, lower=0)
