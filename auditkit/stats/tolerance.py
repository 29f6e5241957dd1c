"""Tolerance: limits that hold a stated share of a normal population.

References
----------
[1] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.3.
[2] W. G. Howe (1969), J. Amer. Statist. Assoc. 64:610-620.
[3] D. B. Owen (1963), Factors for One-Sided Tolerance Limits, Sandia SCR-607.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from auditkit.stats.rows import check_confidence, finite_values

__all__ = ["ToleranceLimits", "tolerance_factor", "tolerance_limits"]

SIDES = ("two-sided", "lower", "upper")


@dataclass(frozen=True, slots=True, kw_only=True)
class ToleranceLimits:
    """Limits that hold a share of the population.

    Attributes
    ----------
    low, high : float
        Infinite on the side that was not asked for.
    factor, content, confidence : float
    n : int
    method : str
    """

    low: float
    high: float
    factor: float
    content: float
    confidence: float
    n: int
    method: str


def tolerance_factor(n: int, *, content: float, confidence: float = 0.95, sides: str = "two-sided") -> float:
    """Return the number of standard deviations from the mean to a tolerance limit `[-]`.

    Parameters
    ----------
    n : int
        Independent observations behind mean and standard deviation, 2 or more.
    content : float
        Share of the population to be held.
    confidence : float
    sides : {'two-sided', 'lower', 'upper'}
        Two-sided by Howe's approximation, one-sided exactly (noncentral t).

    Returns
    -------
    float

    Raises
    ------
    ValueError
        A figure is out of its range.

    References
    ----------
    [1]_, [2]_ two-sided, [3]_ one-sided.

    Examples
    --------
    >>> round(tolerance_factor(43, content=0.90, confidence=0.99), 6)
    2.217316
    """
    from scipy.stats import chi2, nct, norm

    check_confidence(confidence)
    if n < 2:
        raise ValueError(f"n must be 2 or more; given {n}")
    if not 0.0 < content < 1.0:
        raise ValueError(f"content must lie strictly between 0 and 1; given {content}")
    if sides not in SIDES:
        raise ValueError(f"sides must be one of {list(SIDES)}; given {sides!r}")
    if sides == "two-sided":
        point = float(norm.ppf((1.0 + content) / 2.0))
        return point * math.sqrt((n - 1) * (1.0 + 1.0 / n) / float(chi2.ppf(1.0 - confidence, n - 1)))  # [1], [2]
    return float(nct.ppf(confidence, n - 1, float(norm.ppf(content)) * math.sqrt(n))) / math.sqrt(n)  # [3]


def tolerance_limits(
    values: object, *, content: float, confidence: float = 0.95, sides: str = "two-sided"
) -> ToleranceLimits:
    """Return limits that hold a share of the normal population the values came from.

    Parameters
    ----------
    values : sequence of float
        Independent observations; readings of one spot or one area are not
        independent, take their means.
    content, confidence : float
    sides : {'two-sided', 'lower', 'upper'}

    Returns
    -------
    ToleranceLimits

    References
    ----------
    As in `tolerance_factor`.

    Examples
    --------
    >>> limits = tolerance_limits([98.0, 101.0, 100.0, 99.0, 102.0], content=0.9, sides="lower")
    >>> round(limits.low, 2), limits.high
    (94.61, inf)
    """
    data = finite_values(values, at_least=2)
    factor = tolerance_factor(len(data), content=content, confidence=confidence, sides=sides)
    mean, reach = float(data.mean()), factor * float(data.std(ddof=1))
    return ToleranceLimits(
        low=-math.inf if sides == "upper" else mean - reach,
        high=math.inf if sides == "lower" else mean + reach,
        factor=factor,
        content=content,
        confidence=confidence,
        n=len(data),
        method="normal, Howe" if sides == "two-sided" else "normal, noncentral t",
    )
