"""Replacement: at what age it pays to replace a thing before it fails.

References
----------
[1] R. E. Barlow and L. C. Hunter (1960), Operations Research 8:90-100: age
    replacement, and periodic replacement with minimal repair.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditkit.stats.weibull import Weibull, WeibullFit, mean_life

__all__ = [
    "ReplacementAge",
    "age_replacement",
    "drawn_costs",
    "drawn_lives",
    "minimal_repair_replacement",
    "replacement_ages",
    "replacement_cost_rate",
]

Floats = npt.NDArray[np.float64]

_HALVINGS = 80


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
    _check_costs(planned_cost=planned_cost, failure_cost=failure_cost)
    without = failure_cost / mean_life(life)
    why_not = _why_never(life, planned_cost=planned_cost, failure_cost=failure_cost)
    method = "age replacement, long-run cost per time"
    age = math.inf
    if not why_not:
        age = float(
            replacement_ages(life.scale, life.shape, planned_cost=planned_cost, failure_cost=failure_cost).item()
        )
        if not math.isfinite(age):
            why_not = f"the shape {life.shape:g} is so near 1 that planned replacement saves nothing"
    if why_not:
        return ReplacementAge(
            verdict="run to failure",
            reason=why_not,
            age=None,
            cost_rate=without,
            cost_rate_without=without,
            method=method,
        )
    rate = replacement_cost_rate(
        [age], shares=[1.0], scale=life.scale, shape=life.shape, planned_cost=planned_cost, failure_cost=failure_cost
    )
    return ReplacementAge(
        verdict="replace",
        reason=f"the hazard grows with age (shape {life.shape:.3g}) and a failure costs "
        f"{failure_cost / planned_cost:.3g} times a planned replacement",
        age=age,
        cost_rate=float(rate.item()),
        cost_rate_without=without,
        method=method,
    )


def replacement_ages(scale: npt.ArrayLike, shape: npt.ArrayLike, *, planned_cost: float, failure_cost: float) -> Floats:
    """Return the ages at which to replace items of many Weibull lives, infinite where no age pays.

    Parameters
    ----------
    scale, shape : array_like, shape (lives,)
        Of each life.
    planned_cost, failure_cost : float
        As in `age_replacement`.

    Returns
    -------
    ndarray, shape (lives,)

    Raises
    ------
    ValueError
        A cost, scale or shape is not above 0.

    References
    ----------
    [1]_ of the module: the root described in `age_replacement`, found by bisection.

    Examples
    --------
    >>> replacement_ages([1000.0, 1000.0], [2.5, 1.0], planned_cost=1.0, failure_cost=5.0).round(2).tolist()
    [493.05, inf]
    """
    from scipy.special import gammainc

    _check_costs(planned_cost=planned_cost, failure_cost=failure_cost)
    scales, shapes = _lives(scale, shape)
    if failure_cost <= planned_cost:
        return np.full(shapes.shape, math.inf)
    target = planned_cost / (failure_cost - planned_cost)
    grows = np.maximum(shapes, 1.0)
    mean = _gamma(1.0 + 1.0 / grows)  # in units of the scale

    def excess(log_hazard: Floats) -> Floats:
        hazard = np.exp(log_hazard)
        in_use = mean * gammainc(1.0 / grows, hazard)
        # h(t) * (integral of S to t) - F(t), which rises with t
        found: Floats = grows * hazard ** (1.0 - 1.0 / grows) * in_use + np.expm1(-hazard) - target
        return found

    low, high = np.full(shapes.shape, -60.0), np.full(shapes.shape, 300.0)
    never = (shapes <= 1.0) | (excess(high) < 0)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2.0
        above = excess(middle) > 0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return np.asarray(np.where(never, math.inf, scales * np.exp(middle / grows)))


def replacement_cost_rate(
    ages: npt.ArrayLike,
    *,
    shares: npt.ArrayLike,
    scale: npt.ArrayLike,
    shape: npt.ArrayLike,
    planned_cost: float,
    failure_cost: float,
) -> Floats:
    """Return the long-run cost per time of replacing at these ages or at failure, whichever is first.

    Parameters
    ----------
    ages : array_like, shape (ages,)
        Ages of planned replacement, infinite where there is none.
    shares : array_like, shape (ages,)
        How often each is the age meant, together 1 `[-]`; one age alone has
        the share 1.
    scale, shape : array_like, shape (lives,)
        Of each Weibull life.
    planned_cost, failure_cost : float
        As in `age_replacement`.

    Returns
    -------
    ndarray, shape (lives,)
        Cost of a mean cycle over its mean length.

    Raises
    ------
    ValueError
        A cost, age, scale or shape is not above 0, or the shares are not 1 together.

    References
    ----------
    [1]_ of the module for one age; [2]_ 3.2 for ages that vary.

    Examples
    --------
    >>> two = {"scale": 1000.0, "shape": 2.5, "planned_cost": 1.0, "failure_cost": 5.0}
    >>> replacement_cost_rate([493.05], shares=[1.0], **two).round(8).tolist()
    [0.00346204]
    >>> replacement_cost_rate([np.inf], shares=[1.0], **two).round(6).tolist()
    [0.005635]
    """
    from scipy.special import gammainc

    _check_costs(planned_cost=planned_cost, failure_cost=failure_cost)
    scales, shapes = _lives(scale, shape)
    at, weights = np.atleast_1d(np.asarray(ages, dtype=float)), np.atleast_1d(np.asarray(shares, dtype=float))
    if not (at > 0).all() or at.shape != weights.shape or (weights < 0).any() or abs(weights.sum() - 1.0) > 1e-9:
        raise ValueError(
            f"each age must be above 0 and have a share, the shares 1 together; given {at[:5]} and {weights[:5]}"
        )
    with np.errstate(over="ignore"):  # a hazard beyond all numbers is a sure failure
        hazard = (at / scales[:, None]) ** shapes[:, None]
    cost = planned_cost + (failure_cost - planned_cost) * -np.expm1(-hazard)
    inverse = 1.0 / shapes[:, None]
    time = scales[:, None] * _gamma(1.0 + inverse) * gammainc(inverse, hazard)
    return np.asarray((cost @ weights) / (time @ weights))


def drawn_lives(fit: WeibullFit, *, draws: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return Weibull lives that a fit leaves possible: scales and shapes, drawn from its covariance.

    Parameters
    ----------
    fit : WeibullFit
    draws : int
    rng : Generator

    Returns
    -------
    scale, shape : ndarray, shape (draws,)
        Jointly normal in log(scale) and log(shape).

    Raises
    ------
    ValueError
        The fit cannot tell.

    Examples
    --------
    >>> import pandas as pd
    >>> from auditkit.stats.weibull import fit_weibull
    >>> frame = pd.DataFrame({"last_good": [10.0, 20.0, 30.0, 40.0], "first_bad": [20.0, 30.0, 40.0, np.inf]})
    >>> scale, shape = drawn_lives(fit_weibull(frame), draws=4000, rng=np.random.default_rng(1))
    >>> round(float(np.median(scale)), 0), round(float(np.median(shape)), 1)
    (35.0, 2.7)
    """
    if fit.life is None or fit.covariance is None:
        raise ValueError(f"a fitted life is needed; this fit cannot tell: {fit.reason}")
    centre = [math.log(fit.life.scale), -math.log(fit.life.shape)]
    drawn = rng.multivariate_normal(centre, np.array(fit.covariance), size=draws)
    return np.exp(drawn[:, 0]), np.exp(-drawn[:, 1])


def drawn_costs(
    times: npt.ArrayLike,
    *,
    age: float,
    scale: npt.ArrayLike,
    shape: npt.ArrayLike,
    planned_cost: float,
    failure_cost: float,
    rng: np.random.Generator,
) -> Floats:
    """Return what replacing at an age or at failure would have cost, in one drawn course of events a life.

    Parameters
    ----------
    times : array_like, shape (items,)
        How long each item was in use, from new; what comes after is not paid.
    age : float
        Of planned replacement, infinite where there is none.
    scale, shape : array_like, shape (lives,)
        Of each Weibull life.
    planned_cost, failure_cost : float
        As in `age_replacement`.
    rng : Generator

    Returns
    -------
    ndarray, shape (lives,)
        Over all items together.

    Raises
    ------
    ValueError
        A cost, age, scale or shape is not above 0, or a time is below 0 or not finite.

    Examples
    --------
    Lives far longer than the age: 25 time units hold two planned replacements.

    >>> drawn_costs([25.0], age=10.0, scale=[1e9], shape=[2.0], planned_cost=3.0, failure_cost=9.0,
    ...             rng=np.random.default_rng(1)).tolist()
    [6.0]
    """
    _check_costs(planned_cost=planned_cost, failure_cost=failure_cost)
    scales, shapes = _lives(scale, shape)
    lengths = np.atleast_1d(np.asarray(times, dtype=float))
    if not age > 0 or not (np.isfinite(lengths) & (lengths >= 0)).all():
        raise ValueError(f"the age must be above 0, and times 0 or more and finite; given {age} and {lengths[:5]}")
    paid = np.zeros(len(scales))
    left = np.repeat(lengths[:, None], len(scales), axis=1)
    while (left > 0).any():
        with np.errstate(over="ignore"):  # a life beyond all numbers outlives any time in use
            life = scales * rng.exponential(size=left.shape) ** (1.0 / shapes)
        cycle = np.minimum(life, age)
        ends = cycle <= left
        paid += np.where(ends, np.where(life < age, failure_cost, planned_cost), 0.0).sum(axis=0)
        left = np.where(ends, left - cycle, 0.0)
    return paid


def _lives(scale: npt.ArrayLike, shape: npt.ArrayLike) -> tuple[Floats, Floats]:
    scales, shapes = np.broadcast_arrays(
        np.atleast_1d(np.asarray(scale, dtype=float)), np.atleast_1d(np.asarray(shape, dtype=float))
    )
    for name, values in (("scale", scales), ("shape", shapes)):
        if not (np.isfinite(values) & (values > 0)).all():
            raise ValueError(f"{name} must hold finite numbers above 0; the least given is {values.min()}")
    return scales, shapes


def _gamma(values: Floats) -> Floats:
    from scipy.special import gamma

    return np.asarray(gamma(values))


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
