"""Replacement ages: the worked optimum, a grid that must agree, and when no age pays."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.stats import weibull_min

from auditkit.stats.replacement import (
    age_replacement,
    drawn_costs,
    drawn_lives,
    minimal_repair_replacement,
    replacement_ages,
    replacement_cost_rate,
)
from auditkit.stats.weibull import Weibull, fit_weibull, mean_life

LIFE = Weibull(scale=1000.0, shape=2.5)


def cost_rate(age: float, life: Weibull, planned: float, failure: float) -> float:
    """Cost per time by plain numerical integration."""
    good = weibull_min(life.shape, scale=life.scale).sf
    return (planned * good(age) + failure * (1 - good(age))) / quad(good, 0, age)[0]


def test_age_replacement_as_worked():
    """Planned cost 1, failure cost 5: optimum 493.05 (a printed grid value is 493.19), cost rate .00346204."""
    best = age_replacement(LIFE, planned_cost=1.0, failure_cost=5.0)
    assert best.verdict == "replace"
    assert best.age == pytest.approx(493.05, abs=0.005)
    assert best.cost_rate == pytest.approx(0.00346204, abs=5e-9)


@pytest.mark.parametrize(("shape", "failure"), [(1.2, 20.0), (3.0, 1.5), (8.0, 100.0)])
def test_no_other_age_costs_less(shape, failure):
    life = Weibull(scale=200.0, shape=shape)
    best = age_replacement(life, planned_cost=1.0, failure_cost=failure)
    assert best.cost_rate == pytest.approx(cost_rate(best.age, life, 1.0, failure), rel=1e-6)
    for other in np.geomspace(best.age / 5, best.age * 5, 40):
        assert cost_rate(other, life, 1.0, failure) >= best.cost_rate * (1 - 1e-9)
    assert best.cost_rate <= best.cost_rate_without == pytest.approx(failure / mean_life(life))


def test_only_the_ratio_of_costs_matters_for_the_age():
    one = age_replacement(LIFE, planned_cost=1.0, failure_cost=5.0)
    other = age_replacement(LIFE, planned_cost=40.0, failure_cost=200.0)
    assert other.age == pytest.approx(one.age)
    assert other.cost_rate == pytest.approx(40 * one.cost_rate)


@pytest.mark.parametrize(
    ("life", "failure", "reason"),
    [
        (Weibull(scale=100, shape=1.0), 5.0, "does not grow with age"),
        (Weibull(scale=100, shape=0.7), 5.0, "does not grow with age"),
        (LIFE, 1.0, "costs no more than a planned replacement"),
        (Weibull(scale=100, shape=1.0005), 1.0001, "so near 1"),
    ],
)
def test_when_no_age_pays(life, failure, reason):
    best = age_replacement(life, planned_cost=1.0, failure_cost=failure)
    assert (best.verdict, best.age) == ("run to failure", None)
    assert reason in best.reason
    assert best.cost_rate == pytest.approx(failure / mean_life(life))


def test_minimal_repair_as_worked():
    """Closed form: scale * (cp / (cf (shape - 1)))^(1 / shape) = 446.6584."""
    best = minimal_repair_replacement(LIFE, planned_cost=1.0, repair_cost=5.0)
    assert best.age == pytest.approx(446.6584, abs=0.00005)
    for other in (0.9, 1.1):
        age = other * best.age
        assert (1 + 5 * (age / 1000) ** 2.5) / age > best.cost_rate


def test_minimal_repair_without_ageing():
    best = minimal_repair_replacement(Weibull(scale=50.0, shape=1.0), planned_cost=1.0, repair_cost=5.0)
    assert (best.verdict, best.age, best.cost_rate) == ("run to failure", None, 0.1)
    assert "no better than a patched one" in best.reason


def test_costs_must_be_above_0():
    with pytest.raises(ValueError, match=r"costs must be finite and above 0; given {'failure_cost': 0}"):
        age_replacement(LIFE, planned_cost=1.0, failure_cost=0)
    with pytest.raises(ValueError, match="planned_cost"):
        minimal_repair_replacement(LIFE, planned_cost=-1.0, repair_cost=5.0)


def test_ages_of_many_lives_are_those_of_each():
    """493.05 is the published optimum of scale 1000, shape 2.5, costs 1 and 5; it goes with the scale."""
    ages = replacement_ages([1000.0, 10.0, 1000.0, 1000.0], [2.5, 2.5, 1.0, 0.6], planned_cost=1.0, failure_cost=5.0)
    assert ages[:2] == pytest.approx([493.05, 4.9305], abs=0.005)
    assert np.isposinf(ages[2:]).all()
    assert np.isposinf(replacement_ages(10.0, [2.0, 9.0], planned_cost=5.0, failure_cost=5.0)).all()


@pytest.mark.parametrize("age", [80.0, 300.0, 2500.0])
def test_cost_rate_of_one_age_by_plain_integration(age):
    found = replacement_cost_rate(
        [age], shares=[1.0], scale=[1000.0, 200.0], shape=[2.5, 0.8], planned_cost=2.0, failure_cost=7.0
    )
    expected = [cost_rate(age, Weibull(scale=a, shape=b), 2.0, 7.0) for a, b in ((1000.0, 2.5), (200.0, 0.8))]
    assert found == pytest.approx(expected, rel=1e-6)


def test_cost_rate_of_ages_that_vary_is_mean_cost_over_mean_time():
    good = weibull_min(2.5, scale=1000.0).sf
    cost = [1 * good(t) + 5 * (1 - good(t)) for t in (200.0, 700.0)]
    time = [quad(good, 0, t)[0] for t in (200.0, 700.0)]
    found = replacement_cost_rate(
        [200.0, 700.0, np.inf], shares=[0.5, 0.3, 0.2], scale=1000.0, shape=2.5, planned_cost=1.0, failure_cost=5.0
    )
    mean = 0.5 * time[0] + 0.3 * time[1] + 0.2 * mean_life(LIFE)
    assert found.item() == pytest.approx((0.5 * cost[0] + 0.3 * cost[1] + 0.2 * 5) / mean)


def test_drawn_lives_spread_as_the_fit_says():
    rng = np.random.default_rng(11)
    fit = fit_weibull(pd.DataFrame({"last_good": (ages := 20 * rng.weibull(3, 30)), "first_bad": ages}))
    scale, shape = drawn_lives(fit, draws=40_000, rng=rng)
    spread = np.cov(np.log(scale), -np.log(shape))  # of (mu, log sigma)
    assert spread == pytest.approx(np.array(fit.covariance), abs=4e-4)
    assert np.log(scale).mean() == pytest.approx(np.log(fit.life.scale), abs=0.003)
    assert np.log(shape).mean() == pytest.approx(np.log(fit.life.shape), abs=0.003)
    none = fit_weibull(pd.DataFrame({"last_good": [5.0], "first_bad": [np.inf]}))
    with pytest.raises(ValueError, match="this fit cannot tell: no failure among 1 items"):
        drawn_lives(none, draws=10, rng=rng)


def test_costs_drawn_over_a_long_time_come_at_the_long_run_rate():
    """Renewal-reward theorem: cost over time tends to the cost of a cycle over its length."""
    common = {"scale": np.full(40, 1000.0), "shape": np.full(40, 2.5), "planned_cost": 1.0, "failure_cost": 5.0}
    drawn = drawn_costs([4e5, 6e5], age=493.05, rng=np.random.default_rng(3), **common)
    assert drawn.mean() / 1e6 == pytest.approx(0.00346204, rel=0.005)
    rate = replacement_cost_rate([np.inf], shares=[1.0], **common)[0]
    assert drawn_costs([1e6], age=np.inf, rng=np.random.default_rng(4), **common).mean() / 1e6 == pytest.approx(
        rate, rel=0.005
    )


def test_costs_of_lives_that_never_vary_by_hand():
    """Lives of 5: five failures in 26 when left alone; eight changes in time in 26 at age 3; none before the first."""
    sure = {"scale": [5.0], "shape": [1e6], "planned_cost": 2.0, "failure_cost": 9.0, "rng": np.random.default_rng(1)}
    assert drawn_costs([26.0], age=np.inf, **sure).tolist() == [45.0]
    assert drawn_costs([26.0, 2.9], age=3.0, **sure).tolist() == [16.0]
    assert drawn_costs([], age=3.0, **sure).tolist() == [0.0]


def test_refusals_of_ages_and_times():
    known = {"planned_cost": 1.0, "failure_cost": 5.0}
    with pytest.raises(ValueError, match=r"shape must hold finite numbers above 0; the least given is 0\.0"):
        replacement_ages([1.0], [0.0], **known)
    with pytest.raises(ValueError, match="the shares 1 together"):
        replacement_cost_rate([1.0, 2.0], shares=[0.5, 0.4], scale=1.0, shape=2.0, **known)
    with pytest.raises(ValueError, match="each age must be above 0"):
        replacement_cost_rate([0.0], shares=[1.0], scale=1.0, shape=2.0, **known)
    with pytest.raises(ValueError, match="times 0 or more and finite"):
        drawn_costs([np.inf], age=1.0, scale=1.0, shape=2.0, rng=np.random.default_rng(1), **known)
    with pytest.raises(ValueError, match="costs must be finite and above 0"):
        drawn_costs([1.0], age=1.0, scale=1.0, shape=2.0, rng=np.random.default_rng(1), planned_cost=1, failure_cost=0)
