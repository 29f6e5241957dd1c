"""Replacement: at what age it pays to replace a thing before it fails.

References
----------
[1] R. E. Barlow and L. C. Hunter (1960), Operations Research 8:90-100: age
    replacement, and periodic replacement with minimal repair.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from auditkit.stats.weibull import Weibull, mean_life

__all__ = ["ReplacementAge", "age_replacement", "minimal_repair_replacement"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplacementAge:
    """The age at which replacement costs least in the long run.

    Attributes
    ----------
    verdict : str
        'replace' or 'run to failure'.
    reason : str
    age : float or None
        None where no age pays.
    cost_rate : float
        Cost per unit of time at that age, or when run to failure.
    cost_rate_without : float or None
        Cost per unit of time without planned replacement; None where it has no limit.
    method : str
    """

    verdict: str
    reason: str
    age: float | None
    cost_rate: float
    cost_rate_without: float | None
    method: str


def age_replacement(life: Weibull, *, planned_cost: float, failure_cost: float) -> ReplacementAge:
    """Return the age at which to replace an item that is replaced at failure or at that age, whichever is first.

    Parameters
    ----------
    life : Weibull
        Taken as known.
    planned_cost, failure_cost : float
        Of a replacement in time, and of a failure with its replacement, in one money.

    Raises
    ------
    ValueError
        A cost is not above 0.

    References
    ----------
    [1]_ of the module: the cost per time is (cp S + cf F) / integral of S,
    least where h(t) * (integral of S to t) - F(t) = cp / (cf - cp).

    Examples
    --------
    >>> best = age_replacement(Weibull(scale=1000.0, shape=2.5), planned_cost=1.0, failure_cost=5.0)
    >>> round(best.age, 2), round(best.cost_rate, 8)
    (493.05, 0.00346204)
    """
    from scipy.optimize import brentq
    from scipy.special import gammainc

    _check_costs(planned_cost=planned_cost, failure_cost=failure_cost)
    without = failure_cost / mean_life(life)
    why_not = _why_never(life, planned_cost=planned_cost, failure_cost=failure_cost)
    method = "age replacement, long-run cost per time"
    if why_not:
        return ReplacementAge(
            verdict="run to failure",
            reason=why_not,
            age=None,
            cost_rate=without,
            cost_rate_without=without,
            method=method,
        )

    mean = mean_life(life)

    def time_in_use(hazard: float) -> float:
        # integral of S to the age whose cumulative hazard is `hazard`
        return mean * float(gammainc(1.0 / life.shape, hazard))

    def excess(log_hazard: float) -> float:
        hazard = math.exp(log_hazard)
        age: float = life.scale * hazard ** (1.0 / life.shape)
        rate = life.shape * hazard / age
        return rate * time_in_use(hazard) + math.expm1(-hazard) - planned_cost / (failure_cost - planned_cost)

    most = 0.0
    while excess(most) < 0 and most < 300:
        most += 1.0
    if excess(most) < 0:
        return ReplacementAge(
            verdict="run to failure",
            reason=f"the shape {life.shape:g} is so near 1 that planned replacement saves nothing",
            age=None,
            cost_rate=without,
            cost_rate_without=without,
            method=method,
        )
    hazard = math.exp(float(brentq(excess, -60.0, most, xtol=1e-13)))
    cost = planned_cost + (failure_cost - planned_cost) * -math.expm1(-hazard)
    age = life.scale * hazard ** (1.0 / life.shape)
    return ReplacementAge(
        verdict="replace",
        reason=f"the hazard grows with age (shape {life.shape:.3g}) and a failure costs "
        f"{failure_cost / planned_cost:.3g} times a planned replacement",
        age=age,
        cost_rate=cost / time_in_use(hazard),
        cost_rate_without=without,
        method=method,
    )


def minimal_repair_replacement(life: Weibull, *, planned_cost: float, repair_cost: float) -> ReplacementAge:
    """Return the age at which to replace an item that is only patched at each failure before it.

    Parameters
    ----------
    life : Weibull
        Hazard of the item; a repair leaves it as old as it was.
    planned_cost, repair_cost : float
        Of the replacement and of one repair, in one money.

    Raises
    ------
    ValueError
        A cost is not above 0.

    References
    ----------
    [1]_ of the module, policy II: scale * (cp / (cf (shape - 1)))^(1 / shape).

    Examples
    --------
    >>> best = minimal_repair_replacement(Weibull(scale=1000.0, shape=2.5), planned_cost=1.0, repair_cost=5.0)
    >>> round(best.age, 4)
    446.6584
    """
    _check_costs(planned_cost=planned_cost, repair_cost=repair_cost)
    method = "periodic replacement with minimal repair, long-run cost per time"
    if life.shape <= 1.0:
        # without replacement failures come at (1 / scale) a unit of time, or ever more seldom
        settled = repair_cost / life.scale if life.shape == 1.0 else 0.0
        return ReplacementAge(
            verdict="run to failure",
            reason=f"the hazard does not grow with age (shape {life.shape:g}): "
            "a new item is no better than a patched one",
            age=None,
            cost_rate=settled,
            cost_rate_without=settled,
            method=method,
        )
    age = life.scale * (planned_cost / (repair_cost * (life.shape - 1.0))) ** (1.0 / life.shape)
    return ReplacementAge(
        verdict="replace",
        reason=f"the hazard grows with age (shape {life.shape:.3g})",
        age=age,
        cost_rate=(planned_cost + repair_cost * (age / life.scale) ** life.shape) / age,
        cost_rate_without=None,
        method=method,
    )


def _check_costs(**costs: float) -> None:
    wrong = {name: cost for name, cost in costs.items() if not (math.isfinite(cost) and cost > 0)}
    if wrong:
        raise ValueError(f"costs must be finite and above 0; given {wrong}")


def _why_never(life: Weibull, *, planned_cost: float, failure_cost: float) -> str:
    if failure_cost <= planned_cost:
        return "a failure costs no more than a planned replacement"
    if life.shape <= 1.0:
        return f"the hazard does not grow with age (shape {life.shape:g}): a new item is no better than an old one"
    return ""
