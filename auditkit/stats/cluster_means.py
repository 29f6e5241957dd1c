"""Means of observations that lie in groups: how sure they are, and how many more groups would tell them from a limit.

References
----------
[1] W. G. Cochran (1977), Sampling Techniques, 3rd edition, Wiley, section 10.3:
    variance of a mean of groups, between/n + within/(n m), both stages large.
[2] NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.2.2: number of
    observations N >= (t(1 - alpha/2) + t(1 - beta))^2 (sd/distance)^2 (from
    memory, agrees with its worked figures).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

__all__ = ["further_groups", "mean_standard_error", "observations_needed"]

_MEANS = ("groups", "observations")


def mean_standard_error(sizes: Sequence[int], *, between: float, within: float, mean_of: str = "groups") -> float:
    """Return the standard error of a mean of observations that lie in groups.

    Parameters
    ----------
    sizes : sequence of int
        Observations in each group.
    between, within : float
        Variance between groups, and of observations within one.
    mean_of : {'groups', 'observations'}
        Whether the mean is that of the groups' means, or of all observations.

    Returns
    -------
    float
        In the unit of the observations.

    Raises
    ------
    ValueError
        There is no group, a group is empty, or a variance is below 0.

    References
    ----------
    [1]_ of the module, for groups of equal size; else the same by weights.

    Examples
    --------
    Five groups of three, with variances 30 and 12: the square root of 30/5 + 12/15.

    >>> round(mean_standard_error([3] * 5, between=30.0, within=12.0) ** 2, 6)
    6.8
    """
    counts = np.asarray(sizes, dtype=float)
    if counts.ndim != 1 or not len(counts) or not (counts >= 1).all():
        raise ValueError(f"one group or more, none of them empty, is needed; given sizes {list(sizes)[:5]}")
    if between < 0 or within < 0:
        raise ValueError(f"a variance is not below 0; given {between} and {within}")
    if mean_of not in _MEANS:
        raise ValueError(f"mean_of must be one of {', '.join(_MEANS)}; given {mean_of!r}")
    shares = np.full(len(counts), 1.0 / len(counts)) if mean_of == "groups" else counts / counts.sum()
    return math.sqrt(float((shares**2 * (between + within / counts)).sum()))


def further_groups(
    sizes: Sequence[int],
    *,
    distance: float,
    between: float,
    within: float,
    df: float,
    size: int,
    most: int,
    mean_of: str = "groups",
    confidence: float = 0.95,
    power: float = 0.8,
) -> int | None:
    """Return how many more groups would tell a mean from a limit, or None where more than `most` are needed.

    The least number for which a true distance as large as the given one is
    found with the given power, by an interval of the given confidence.

    Parameters
    ----------
    sizes : sequence of int
        Observations in each group there is.
    distance : float
        True distance of the mean from the limit; its sign does not matter.
    between, within : float
        Variance between groups, and of observations within one.
    df : float
        Degrees of freedom the variances rest on; they stay what they are.
    size : int
        Observations in each further group.
    most : int
        Most further groups to consider.
    mean_of : {'groups', 'observations'}
    confidence, power : float
        Confidence is two-sided.

    Returns
    -------
    int or None

    Raises
    ------
    ValueError
        As for `mean_standard_error`; or a share, df, size or most is out of range.

    References
    ----------
    [2]_ of the module, with the standard error of [1]_.

    Examples
    --------
    >>> further_groups([3] * 5, distance=3.0, between=30.0, within=12.0, df=60, size=3, most=50)
    26
    """
    if size < 1 or most < 0:
        raise ValueError(f"size must be 1 or more and most 0 or more; given {size} and {most}")
    reach = _reach(df, confidence=confidence, power=power)
    for more in range(most + 1):
        error = mean_standard_error([*sizes, *[size] * more], between=between, within=within, mean_of=mean_of)
        if reach * error <= abs(distance):
            return more
    return None


def observations_needed(
    distance: npt.ArrayLike, *, sd: float, df: float = math.inf, confidence: float = 0.95, power: float = 0.8
) -> npt.NDArray[np.float64]:
    """Return how many independent observations tell a mean from a limit, not rounded.

    Parameters
    ----------
    distance : array_like
        True distance of the mean from the limit.
    sd : float
        Standard deviation of one observation.
    df : float
        Degrees of freedom it rests on; infinite where it is known.
    confidence, power : float
        Confidence is two-sided.

    Returns
    -------
    ndarray
        Infinite at distance 0.

    Raises
    ------
    ValueError
        A share or df is out of range.

    References
    ----------
    [2]_ of the module.

    Examples
    --------
    One-sided 95 % and power 90 %, which is two-sided 90 %; one standard deviation apart:

    >>> round(float(observations_needed(1.0, sd=1.0, confidence=0.90, power=0.90)), 2)
    8.56
    """
    reach = _reach(df, confidence=confidence, power=power)
    away = np.abs(np.asarray(distance, dtype=float))
    needed = (reach * sd / np.where(away > 0, away, np.nan)) ** 2
    return np.asarray(np.where(away == 0, np.inf, needed))


def _reach(df: float, *, confidence: float, power: float) -> float:
    """Return the distance that is found with this power, in standard errors."""
    from scipy.stats import t

    if not (0 < confidence < 1 and 0 < power < 1 and df > 0):
        raise ValueError(
            f"confidence and power must lie strictly between 0 and 1, and df above 0; given {confidence}, {power}, {df}"
        )
    return float(t.ppf((1 + confidence) / 2, df) + t.ppf(power, df))
