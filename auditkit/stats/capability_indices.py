"""Capability indices: what a mean and a spread, or quantiles, say about limits.

References
----------
[1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.1.6.
[2] ISO 22514-2:2017, quantile method (from memory, check against your copy).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditkit.stats.rows import finite_values

__all__ = ["Indices", "capability_indices", "check_limits", "quantile_capability"]

Floats = npt.NDArray[np.float64]

DISTRIBUTIONS = ("empirical", "lognormal", "gamma", "weibull")


@dataclass(frozen=True, slots=True, kw_only=True)
class Indices:
    """Capability indices from a mean and a standard deviation `[-]`.

    Attributes
    ----------
    cp, k, cpl, cpu, cpk, cpm : float
        NaN where a limit or the target they need was not given. `k` is the
        distance of the mean from the middle, over half the tolerance.
    """

    cp: float
    k: float
    cpl: float
    cpu: float
    cpk: float
    cpm: float


def capability_indices(
    mean: float, sd: float, *, lower: float | None = None, upper: float | None = None, target: float | None = None
) -> Indices:
    """Return the capability indices of a mean and a standard deviation.

    Parameters
    ----------
    mean, sd : float
        Same unit; sd above 0.
    lower, upper : float, optional
        Specification limits; at least one.
    target : float, optional

    Returns
    -------
    Indices

    Raises
    ------
    ValueError
        No limit, limits in the wrong order, or sd not above 0.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> found = capability_indices(16, 2, lower=8, upper=20)
    >>> round(found.cp, 4), round(found.k, 4), round(found.cpk, 4)
    (1.0, 0.3333, 0.6667)
    """
    check_limits(lower, upper)
    if not (math.isfinite(sd) and sd > 0):
        raise ValueError(f"sd must be above 0; given {sd}")
    below = math.nan if lower is None else (mean - lower) / (3.0 * sd)
    above = math.nan if upper is None else (upper - mean) / (3.0 * sd)
    both = lower is not None and upper is not None
    width = upper - lower if lower is not None and upper is not None else math.nan
    middle = (lower + upper) / 2.0 if lower is not None and upper is not None else math.nan
    return Indices(
        cp=width / (6.0 * sd),
        k=abs(middle - mean) / (width / 2.0),
        cpl=below,
        cpu=above,
        cpk=min(x for x in (below, above) if not math.isnan(x)),
        cpm=width / (6.0 * math.hypot(sd, mean - target)) if both and target is not None else math.nan,
    )


def quantile_capability(
    values: object, *, lower: float | None = None, upper: float | None = None, distribution: str
) -> Indices:
    """Return performance indices from quantiles, for spreads that are not normal.

    Three standard deviations to each side become the distance from the median
    to the 0.135 % and 99.865 % quantiles.

    Parameters
    ----------
    values : sequence of float
        Independent observations.
    lower, upper : float, optional
        Specification limits; at least one.
    distribution : {'empirical', 'lognormal', 'gamma', 'weibull'}
        Where the quantiles come from: the sample itself (1 000 values or
        more), or a distribution from zero fitted by maximum likelihood.

    Returns
    -------
    Indices
        `k` and `cpm` are NaN: the method does not define them.

    Raises
    ------
    ValueError
        The distribution is unknown, values are not above 0 for a fitted one,
        or there are too few for the empirical quantiles.

    References
    ----------
    [2]_ of the module.

    Examples
    --------
    >>> values = np.exp(np.random.default_rng(1).normal(4.0, 0.1, 200))
    >>> round(quantile_capability(values, lower=35, upper=80, distribution="lognormal").cpk, 2)
    1.46
    """
    check_limits(lower, upper)
    if distribution not in DISTRIBUTIONS:
        raise ValueError(f"distribution must be one of {list(DISTRIBUTIONS)}; given {distribution!r}")
    data = finite_values(values, at_least=1000 if distribution == "empirical" else 10)
    low, median, high = _quantiles(data, distribution)
    below = math.nan if lower is None else (median - lower) / (median - low)
    above = math.nan if upper is None else (upper - median) / (high - median)
    return Indices(
        cp=(upper - lower) / (high - low) if lower is not None and upper is not None else math.nan,
        k=math.nan,
        cpl=below,
        cpu=above,
        cpk=min(x for x in (below, above) if not math.isnan(x)),
        cpm=math.nan,
    )


def check_limits(lower: float | None, upper: float | None) -> None:
    """Return nothing; refuse limits that are not there or stand in the wrong order.

    Raises
    ------
    ValueError
        Neither limit is given, or the lower does not lie below the upper.

    Examples
    --------
    >>> check_limits(3.0, 1.0)
    Traceback (most recent call last):
    ...
    ValueError: the lower limit must lie below the upper; given 3.0 and 1.0
    """
    if lower is None and upper is None:
        raise ValueError("give a lower limit, an upper limit, or both")
    if lower is not None and upper is not None and not lower < upper:
        raise ValueError(f"the lower limit must lie below the upper; given {lower} and {upper}")


def _quantiles(data: Floats, distribution: str) -> tuple[float, float, float]:
    """Return the 0.135 %, 50 % and 99.865 % quantiles."""
    from scipy import stats

    shares = [0.00135, 0.5, 0.99865]
    if distribution == "empirical":
        low, median, high = np.quantile(data, shares, method="median_unbiased")
    else:
        if data.min() <= 0:
            raise ValueError(f"a {distribution} spread needs values above 0; the least given is {data.min():g}")
        family = {"lognormal": stats.lognorm, "gamma": stats.gamma, "weibull": stats.weibull_min}[distribution]
        low, median, high = family.ppf(shares, *family.fit(data, floc=0))
    return float(low), float(median), float(high)
