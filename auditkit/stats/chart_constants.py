"""Chart constants: mean and spread of range and standard deviation of small normal samples.

References
----------
[1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.3.2.1.
[2] H. L. Harter (1960), Ann. Math. Statist. 31:1122-1147 (the range).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

__all__ = ["ChartConstants", "chart_constants"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartConstants:
    """Constants of control charts for samples of n normal observations `[-]`.

    Attributes
    ----------
    n : int
    c4 : float
        Mean of the standard deviation, in true standard deviations.
    d2, d3 : float
        Mean and standard deviation of the range, likewise.
    a2, a3 : float
        Three standard errors of the mean, in mean ranges and in mean
        standard deviations.
    b3, b4, d_3, d_4 : float
        Lower and upper limit of the standard deviation and of the range, as
        multiples of their mean (usually printed B3, B4, D3, D4).
    """

    n: int
    c4: float
    d2: float
    d3: float
    a2: float
    a3: float
    b3: float
    b4: float
    d_3: float
    d_4: float


@cache
def chart_constants(n: int) -> ChartConstants:
    """Return the constants for samples of `n`, computed rather than looked up.

    Parameters
    ----------
    n : int
        2 to 100.

    Returns
    -------
    ChartConstants

    Raises
    ------
    ValueError
        n is out of its range.

    References
    ----------
    [1]_ for the formulas, [2]_ for the moments of the range.

    Examples
    --------
    >>> five = chart_constants(5)
    >>> round(five.d2, 4), round(five.a2, 3), round(five.d_4, 3)
    (2.3259, 0.577, 2.114)
    """
    if not 2 <= n <= 100:
        raise ValueError(f"n must be a whole number from 2 to 100; given {n}")
    c4 = math.sqrt(2.0 / (n - 1)) * math.exp(math.lgamma(n / 2.0) - math.lgamma((n - 1) / 2.0))
    d2, d3 = _range_moments(n)
    of_sd = 3.0 * math.sqrt(1.0 - c4**2) / c4
    of_range = 3.0 * d3 / d2
    return ChartConstants(
        n=n,
        c4=c4,
        d2=d2,
        d3=d3,
        a2=3.0 / (d2 * math.sqrt(n)),
        a3=3.0 / (c4 * math.sqrt(n)),
        b3=max(0.0, 1.0 - of_sd),
        b4=1.0 + of_sd,
        d_3=max(0.0, 1.0 - of_range),
        d_4=1.0 + of_range,
    )


def _range_moments(n: int) -> tuple[float, float]:
    """Return mean and standard deviation of the range of n standard normal observations."""
    from scipy.integrate import simpson
    from scipy.special import ndtr

    x, step = np.linspace(-9.0, 9.0, 1801, retstep=True)
    density = np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)
    width, gap = np.linspace(0.0, 14.0, 1401, retstep=True)
    # [2]: P(range <= w) = n * integral of phi(x) * (Phi(x + w) - Phi(x))^(n - 1)
    held = n * step * (density * (ndtr(x + width[:, None]) - ndtr(x)) ** (n - 1)).sum(axis=1)
    beyond = 1.0 - held
    mean = float(simpson(beyond, dx=gap))
    square = float(simpson(2.0 * width * beyond, dx=gap))
    return mean, math.sqrt(square - mean**2)
