"""Repairs: how often a repaired thing fails, and whether failures come sooner as it ages.

References
----------
[1] NIST/SEMATECH e-Handbook of Statistical Methods, 8.4.5.1 (constant repair
    rate), 8.4.5.2 (power law, Duane model).
[2] MIL-HDBK-189C (2011), 6.3: limits after L. H. Crow, and the test of trend.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from auditkit.stats.intervals import Interval
from auditkit.stats.lifetimes import CANNOT_TELL, ESTIMATED
from auditkit.stats.rows import check_confidence, finite_values

__all__ = ["RepairRate", "RepairTrend", "repair_rate", "repair_trend"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairRate:
    """A constant rate of failures.

    Attributes
    ----------
    verdict, reason : str
        'estimated', or 'cannot tell' and why.
    rate, mean_between : Interval or None
        Failures per unit of time, and time between failures.
    failures : int
    time : float
        Time observed, summed over items.
    confidence : float
    method : str
    """

    verdict: str
    reason: str
    rate: Interval | None
    mean_between: Interval | None
    failures: int
    time: float
    confidence: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairTrend:
    """Failures of one repaired item that come sooner or later as it ages.

    Attributes
    ----------
    verdict, reason : str
        'estimated', or 'cannot tell' and why.
    growth : float or None
        Slope: above 0 failures come apart as time goes on, below 0 closer.
    coefficient : float or None
        Mean number of failures by age t is coefficient * t^(1 - growth).
    mean_between : Interval or None
        Time between failures at the end of observation.
    p_value : float or None
        Of no trend, two-sided.
    failures : int
    until : float
    confidence : float
    method : str
    """

    verdict: str
    reason: str
    growth: float | None
    coefficient: float | None
    mean_between: Interval | None
    p_value: float | None
    failures: int
    until: float
    confidence: float
    method: str


def repair_rate(failures: int, *, time: float, confidence: float = 0.95) -> RepairRate:
    """Return the rate of failures and the mean time between them, if the rate is constant.

    Parameters
    ----------
    failures : int
        Failures seen.
    time : float
        Time observed, summed over items, that did not end because of a failure.
    confidence : float

    Raises
    ------
    ValueError
        failures is below 0 or time not above 0.

    References
    ----------
    [1]_ 8.4.5.1 of the module: chi-square limits, 2 failures + 2 degrees of
    freedom for the lower limit of the time between failures.

    Examples
    --------
    >>> result = repair_rate(2, time=1000.0, confidence=0.9)
    >>> result.mean_between.estimate, round(result.mean_between.low, 1), round(result.mean_between.high, 1)
    (500.0, 158.8, 2814.0)
    """
    from scipy.stats import chi2

    check_confidence(confidence)
    if failures < 0 or not (math.isfinite(time) and time > 0):
        raise ValueError(f"failures must be 0 or more and time above 0; given {failures} and {time}")
    tail = (1.0 - confidence) / 2.0
    method = "constant rate, chi-square limits"
    told = failures > 0
    rate = mean_between = None
    if told:
        low = float(chi2.ppf(tail, 2 * failures)) / (2.0 * time)
        high = float(chi2.isf(tail, 2 * failures + 2)) / (2.0 * time)
        rate = Interval(estimate=failures / time, low=low, high=high, n=failures, confidence=confidence, method=method)
        mean_between = Interval(
            estimate=time / failures, low=1.0 / high, high=1.0 / low, n=failures, confidence=confidence, method=method
        )
    return RepairRate(
        verdict=ESTIMATED if told else CANNOT_TELL,
        reason="" if told else f"no failure in a time of {time:g}: how often they come cannot be told",
        rate=rate,
        mean_between=mean_between,
        failures=failures,
        time=float(time),
        confidence=confidence,
        method=method,
    )


def repair_trend(ages: Sequence[float], *, until: float, confidence: float = 0.95) -> RepairTrend:
    """Return whether the failures of a repaired item come sooner or later as it ages (power law).

    Parameters
    ----------
    ages : sequence of float
        Ages of the item at its failures, any order.
    until : float
        Age at which observation ended, not because of a failure.
    confidence : float

    Returns
    -------
    RepairTrend
        'cannot tell' with fewer than two failures.

    Raises
    ------
    ValueError
        An age is not above 0 or not below `until`.

    References
    ----------
    [1]_ 8.4.5.2 (modified maximum likelihood, limits after Crow); [2]_ 6.3 of
    the module (2 sum log(until / age) is chi-square on 2n degrees of freedom
    where there is no trend).

    Examples
    --------
    >>> ages = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
    >>> trend = repair_trend(ages, until=1500, confidence=0.8)
    >>> round(trend.growth, 6), round(trend.mean_between.estimate, 3)
    (0.516494, 310.234)
    """
    from scipy.stats import chi2, norm

    check_confidence(confidence)
    values = finite_values(ages, at_least=0, what="ages")
    n = len(values)
    if n and not (values.min() > 0 and values.max() < until):
        raise ValueError(
            f"ages must lie above 0 and below until, {until:g}; given {values.min():g} to {values.max():g}"
        )
    method = "power law, modified maximum likelihood, Crow's limits"
    if n < 2:
        return RepairTrend(
            verdict=CANNOT_TELL,
            reason=f"failures by age {until:g}: {n}, and at least two are needed to tell a trend",
            growth=None,
            coefficient=None,
            mean_between=None,
            p_value=None,
            failures=n,
            until=float(until),
            confidence=confidence,
            method=method,
        )
    total = float(np.log(until / values).sum())
    growth = 1.0 - (n - 1) / total
    mean_between = until / (n * (1.0 - growth))
    z = float(norm.isf((1.0 - confidence) / 2.0))
    spread = z**2 / 4.0 + math.sqrt(n * z**2 / 2.0 + z**4 / 16.0)
    short = n - z * math.sqrt(n / 2.0)
    chance = float(chi2.cdf(2.0 * total, 2 * n))
    return RepairTrend(
        verdict=ESTIMATED,
        reason="",
        growth=growth,
        coefficient=n / until ** (1.0 - growth),
        mean_between=Interval(
            estimate=mean_between,
            low=mean_between * n * (n - 1) / (n + spread) ** 2,
            high=mean_between * n * (n - 1) / short**2 if short > 0 else math.inf,
            n=n,
            confidence=confidence,
            method=method,
        ),
        p_value=2.0 * min(chance, 1.0 - chance),
        failures=n,
        until=float(until),
        confidence=confidence,
        method=method,
    )
