"""Replacement ages: the worked optimum, a grid that must agree, and when no age pays."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import weibull_min

from auditkit.stats.replacement import age_replacement, minimal_repair_replacement
from auditkit.stats.weibull import Weibull, mean_life

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
