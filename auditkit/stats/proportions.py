"""Proportions: one share, and the difference and ratio of two, with intervals that hold near 0 and 1.

References
----------
.. [1] Newcombe, R. G. (1998). Two-sided confidence intervals for the single proportion. Statistics in Medicine 17, 857.
.. [2] Newcombe, R. G. (1998). Interval estimation for the difference between independent proportions.
   Statistics in Medicine 17, 873.
.. [3] Koopman, P. A. R. (1984). Confidence intervals for the ratio of two binomial proportions. Biometrics 40, 513.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from auditkit.stats.intervals import Interval
from auditkit.stats.rows import check_confidence

__all__ = ["newcombe_difference", "score_ratio", "wilson"]


def wilson(count: int, n: int, *, confidence: float = 0.95) -> Interval:
    """Return a proportion with its Wilson score interval [-].

    Parameters
    ----------
    count, n : int
        Successes, and trials (at least one).
    confidence : float
        Confidence of the interval `[-]`.

    Raises
    ------
    ValueError
        The counts are not whole numbers with 0 <= count <= n and n >= 1.

    References
    ----------
    Newcombe (1998), Statistics in Medicine 17, 857, method 3.

    Examples
    --------
    >>> share = wilson(81, 263)
    >>> round(share.estimate, 4), round(share.low, 4), round(share.high, 4)
    (0.308, 0.2553, 0.3662)
    """
    low, high = _wilson_limits(*_counts(count, n), confidence)
    return Interval(estimate=count / n, low=low, high=high, n=n, confidence=confidence, method="Wilson score")


def newcombe_difference(count_1: int, n_1: int, count_2: int, n_2: int, *, confidence: float = 0.95) -> Interval:
    """Return the difference of two proportions, first less second, with Newcombe's hybrid score interval [-].

    Parameters
    ----------
    count_1, n_1, count_2, n_2 : int
        Successes and trials of the two independent groups.
    confidence : float
        Confidence of the interval `[-]`.

    Raises
    ------
    ValueError
        The counts of a group are not whole numbers with 0 <= count <= n and n >= 1.

    References
    ----------
    Newcombe (1998), Statistics in Medicine 17, 873, method 10 (without continuity correction).

    Examples
    --------
    >>> difference = newcombe_difference(56, 70, 48, 80)
    >>> round(difference.estimate, 4), round(difference.low, 4), round(difference.high, 4)
    (0.2, 0.0524, 0.3339)
    """
    low_1, high_1 = _wilson_limits(*_counts(count_1, n_1), confidence)
    low_2, high_2 = _wilson_limits(*_counts(count_2, n_2), confidence)
    p_1, p_2 = count_1 / n_1, count_2 / n_2
    difference = p_1 - p_2
    return Interval(
        estimate=difference,
        low=difference - math.hypot(p_1 - low_1, high_2 - p_2),  # [2] method 10
        high=difference + math.hypot(high_1 - p_1, p_2 - low_2),
        n=n_1 + n_2,
        confidence=confidence,
        method="Newcombe hybrid score (method 10)",
    )


def score_ratio(count_1: int, n_1: int, count_2: int, n_2: int, *, confidence: float = 0.95) -> Interval:
    """Return the ratio of two proportions, first over second, with Koopman's score interval [-].

    Parameters
    ----------
    count_1, n_1, count_2, n_2 : int
        Successes and trials of the two independent groups.
    confidence : float
        Confidence of the interval `[-]`.

    Returns
    -------
    Interval
        Without successes in the second group the data bound the ratio from
        below only: `high` and the estimate are infinite. Without successes in
        either they say nothing: the estimate is NaN, from 0 to infinity.

    Raises
    ------
    ValueError
        The counts of a group are not whole numbers with 0 <= count <= n and n >= 1.

    References
    ----------
    Koopman (1984), Biometrics 40, 513.

    Examples
    --------
    >>> ratio = score_ratio(36, 40, 16, 80)
    >>> round(ratio.estimate, 2), round(ratio.low, 2), round(ratio.high, 2)
    (4.5, 2.94, 7.15)
    >>> score_ratio(4, 10, 0, 10).high
    inf
    """
    _counts(count_1, n_1)
    _counts(count_2, n_2)
    check_confidence(confidence)
    low, high = _score_limits(count_1, n_1, count_2, n_2, critical=_normal_quantile(confidence) ** 2)
    return Interval(
        estimate=_ratio(count_1, n_1, count_2, n_2),
        low=low,
        high=high,
        n=n_1 + n_2,
        confidence=confidence,
        method="Koopman score",
    )


def _wilson_limits(count: int, n: int, confidence: float) -> tuple[float, float]:
    check_confidence(confidence)
    z2 = _normal_quantile(confidence) ** 2
    centre = (2 * count + z2) / (2 * (n + z2))  # [1] method 3
    half = math.sqrt(z2 * (z2 + 4 * count * (n - count) / n)) / (2 * (n + z2))
    # At 0 and n the limit is exact; the difference above would leave a rounding error.
    return (centre - half if count else 0.0), (centre + half if count < n else 1.0)


def _normal_quantile(confidence: float) -> float:
    from statistics import NormalDist

    return NormalDist().inv_cdf((1 + confidence) / 2)


def _score_limits(x_1: int, n_1: int, x_2: int, n_2: int, *, critical: float) -> tuple[float, float]:
    """Return where the score statistic of the ratio crosses its critical value on either side of the estimate."""

    def excess(log_ratio: float) -> float:
        return _score_statistic(math.exp(log_ratio), x_1, n_1, x_2, n_2) - critical

    # The statistic is 0 at the estimate, and falls to 0 towards an estimate of 0 or infinity.
    start = math.log((x_1 + 0.5 * (x_1 == 0)) / n_1) - math.log((x_2 + 0.5 * (x_2 == 0)) / n_2)
    while excess(start) > 0:
        start += 1.0 if x_1 else -1.0
    low = math.exp(_crossing(excess, start, step=-1.0)) if x_1 else 0.0
    high = math.exp(_crossing(excess, start, step=1.0)) if x_2 else math.inf
    return low, high


def _crossing(excess: Callable[[float], float], start: float, *, step: float) -> float:
    """Return where `excess` turns positive, going from a start where it is not in steps that double."""
    from scipy.optimize import brentq

    inner, outer = start, start + step
    while excess(outer) <= 0:
        inner, outer, step = outer, outer + 2 * step, 2 * step
    return float(brentq(excess, inner, outer, xtol=1e-12))


def _score_statistic(ratio: float, x_1: int, n_1: int, x_2: int, n_2: int) -> float:
    """Return Pearson's statistic at the most likely proportions that have this ratio."""
    # [3] the smaller root of a p2^2 + b p2 + c = 0, for p1 = ratio * p2.
    n = n_1 + n_2
    a, b, c = n * ratio, -(ratio * (n_1 + x_2) + x_1 + n_2), x_1 + x_2
    p_2 = 2 * c / (-b + math.sqrt(max(0.0, b * b - 4 * a * c)))
    p_1 = min(1.0, ratio * p_2)
    return _pearson_term(x_1, n_1, p_1) + _pearson_term(x_2, n_2, min(1.0, p_2))


def _pearson_term(count: int, n: int, p: float) -> float:
    expected = n * p
    if expected == count:
        return 0.0
    variance = expected * (1 - p)
    return (count - expected) ** 2 / variance if variance > 0 else math.inf


def _ratio(count_1: int, n_1: int, count_2: int, n_2: int) -> float:
    if count_2:
        return count_1 / n_1 / (count_2 / n_2)
    return math.inf if count_1 else math.nan


def _counts(count: int, n: int) -> tuple[int, int]:
    if count != int(count) or n != int(n) or not 0 <= count <= n or n < 1:
        raise ValueError(f"a proportion needs whole numbers with 0 <= count <= n and n >= 1; given {count} of {n}")
    return int(count), int(n)
