"""Power: how many records a question needs, and how small a difference so many can show.

References
----------
.. [1] Fleiss, J. L., Levin, B. and Paik, M. C. (2003). Statistical Methods for Rates and Proportions, 3rd edition,
   section 4.2 (without continuity correction).
.. [2] Hsieh, F. Y., Bloch, D. A. and Larsen, M. D. (1998). A simple method of sample size calculation for linear
   and logistic regression. Statistics in Medicine 17, 1623.
.. [3] Eldridge, S. M., Ashby, D. and Kerry, S. (2006). Sample size for cluster randomized trials: effect of
   coefficient of variation of cluster size and analysis method. International Journal of Epidemiology 35, 1292.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from statistics import NormalDist

__all__ = [
    "design_effect",
    "logistic_sample_size_binary",
    "logistic_sample_size_continuous",
    "smallest_difference",
    "smallest_rise",
    "two_proportion_power",
    "two_proportion_sample_size",
]


def two_proportion_power(risk_1: float, risk_2: float, *, n: float, ratio: float = 1.0, alpha: float = 0.05) -> float:
    """Return the power to tell two risks apart with n independent records in the first group [-].

    Parameters
    ----------
    risk_1, risk_2 : float
    n : float
        Records in the first group; with clusters, divided by the `design_effect`.
    ratio : float
        Records in the second group over those in the first.
    alpha : float
        Two-sided; a difference found the wrong way round is not counted.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        A risk, alpha or n is out of range.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> round(two_proportion_power(0.50, 0.75, n=50), 4)
    0.7402
    """
    _check_share(risk_1=risk_1, risk_2=risk_2)
    _check_inside(alpha=alpha)
    if not (n > 0 and ratio > 0):
        raise ValueError(f"n must be above 0, and ratio as well; given {n} and {ratio}")
    if risk_1 == risk_2 and risk_1 in (0.0, 1.0):
        return alpha / 2.0
    return _power(risk_1, risk_2, n=n, ratio=ratio, critical=_z(1 - alpha / 2))


def two_proportion_sample_size(risk_1: float, risk_2: float, *, power: float = 0.8, alpha: float = 0.05) -> float:
    """Return how many independent records each group needs to tell two risks apart, not rounded.

    Parameters
    ----------
    risk_1, risk_2 : float
    power : float
    alpha : float
        Two-sided.

    Returns
    -------
    float
        Round up; with clusters multiply by the `design_effect` first.

    Raises
    ------
    ValueError
        A share is out of range, or the risks are equal.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> round(two_proportion_sample_size(0.50, 0.75, power=0.9), 5)
    76.70693
    """
    _check_share(risk_1=risk_1, risk_2=risk_2)
    _check_inside(alpha=alpha, power=power)
    if risk_1 == risk_2:
        raise ValueError(f"two different risks are needed; given {risk_1} twice")
    null, alternative = _standard_deviations(risk_1, risk_2)
    return ((_z(1 - alpha / 2) * null + _z(power) * alternative) / (risk_1 - risk_2)) ** 2


def logistic_sample_size_continuous(
    risk_at_mean: float, *, odds_ratio: float, power: float = 0.8, alpha: float = 0.05, r_squared: float = 0.0
) -> float:
    """Return how many records a logistic model needs for a term that is a normal number, not rounded.

    Parameters
    ----------
    risk_at_mean : float
        Risk where the term is at its mean.
    odds_ratio : float
        For one standard deviation of the term.
    power, alpha : float
        Alpha is two-sided.
    r_squared : float
        Of the term on the other terms of the model.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        A share is out of range, or the odds ratio is 1 or not above 0.

    References
    ----------
    [2]_ of the module; other terms inflate the number by 1/(1 - r_squared).

    Examples
    --------
    >>> import math
    >>> math.ceil(logistic_sample_size_continuous(0.5, odds_ratio=math.exp(0.405), power=0.95))
    317
    """
    _check_inside(risk_at_mean=risk_at_mean, alpha=alpha, power=power)
    if not odds_ratio > 0 or odds_ratio == 1:
        raise ValueError(f"an odds ratio above 0 that is not 1 is needed; given {odds_ratio}")
    reach = _z(1 - alpha / 2) + _z(power)
    alone = reach**2 / (risk_at_mean * (1 - risk_at_mean) * math.log(odds_ratio) ** 2)
    return alone * _inflation(r_squared)


def logistic_sample_size_binary(
    risk_0: float, risk_1: float, *, share_1: float, power: float = 0.8, alpha: float = 0.05, r_squared: float = 0.0
) -> float:
    """Return how many records a logistic model needs for a term of two values, not rounded.

    Parameters
    ----------
    risk_0, risk_1 : float
        Risk where the term is 0 and 1.
    share_1 : float
        Share of records where it is 1.
    power, alpha : float
        Alpha is two-sided.
    r_squared : float
        Of the term on the other terms of the model.

    Returns
    -------
    float
        Records in all.

    Raises
    ------
    ValueError
        A share is out of range, or the risks are equal.

    References
    ----------
    [2]_ of the module; other terms inflate the number by 1/(1 - r_squared).

    Examples
    --------
    >>> import math
    >>> math.ceil(logistic_sample_size_binary(0.4, 0.5, share_1=0.5, power=0.95))
    1281
    """
    _check_inside(risk_0=risk_0, risk_1=risk_1, share_1=share_1, alpha=alpha, power=power)
    if risk_0 == risk_1:
        raise ValueError(f"two different risks are needed; given {risk_0} twice")
    b = share_1
    overall = (1 - b) * risk_0 + b * risk_1
    null = math.sqrt(overall * (1 - overall) / b)
    alternative = math.sqrt(risk_0 * (1 - risk_0) + risk_1 * (1 - risk_1) * (1 - b) / b)
    reach = _z(1 - alpha / 2) * null + _z(power) * alternative
    return reach**2 / ((risk_0 - risk_1) ** 2 * (1 - b)) * _inflation(r_squared)


def design_effect(cluster_size: float, *, icc: float, size_variation: float = 0.0) -> float:
    """Return how many times more records clusters call for [-].

    Parameters
    ----------
    cluster_size : float
        Mean records in a cluster.
    icc : float
        Intraclass correlation `[-]`.
    size_variation : float
        Standard deviation of cluster sizes over their mean `[-]`.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        The size is below 1, the correlation not between 0 and 1, or the variation negative.

    References
    ----------
    [3]_ of the module.

    Examples
    --------
    >>> design_effect(20, icc=0.02)
    1.38
    """
    if cluster_size < 1 or size_variation < 0:
        raise ValueError(f"cluster size from 1, variation from 0; given {cluster_size} and {size_variation}")
    _check_share(icc=icc)
    return 1.0 + ((size_variation**2 + 1.0) * cluster_size - 1.0) * icc


def smallest_difference(
    risk: float,
    *,
    n: float,
    clusters: int,
    icc: float,
    size_variation: float = 0.0,
    power: float = 0.8,
    alpha: float = 0.05,
) -> float:
    """Return the smallest rise of a risk that n records in each group can show [-].

    Each group lies in clusters of its own (an exposure that varies within
    clusters needs fewer).

    Parameters
    ----------
    risk : float
        Risk in the one group.
    n : float
        Records in each group.
    clusters : int
        Clusters in each group.
    icc : float
    size_variation : float
        As in `design_effect`.
    power, alpha : float
        Alpha is two-sided.

    Returns
    -------
    float
        NaN where not even a risk of 1 in the other group could be told.

    Raises
    ------
    ValueError
        A share is out of range, or there are more clusters than records.

    References
    ----------
    [1]_, [3]_ of the module.

    Examples
    --------
    >>> round(smallest_difference(0.1, n=400, clusters=20, icc=0.05), 3)
    0.098
    """
    _check_inside(risk=risk, alpha=alpha, power=power)
    if not 1 <= clusters <= n:
        raise ValueError(f"one cluster or more, and not more than records, are needed; given {clusters} and {n}")
    independent = n / design_effect(n / clusters, icc=icc, size_variation=size_variation)
    return _least_rise(
        lambda rise: two_proportion_power(risk, risk + rise, n=independent, alpha=alpha) - power, most=1.0 - risk
    )


def smallest_rise(
    risk: float,
    *,
    n: float,
    n_exposed: float,
    inflation: float = 1.0,
    clusters: float = math.inf,
    power: float = 0.8,
    alpha: float = 0.05,
) -> float:
    """Return the smallest rise of a risk that so many records with an exposure, beside others without, can show [-].

    Parameters
    ----------
    risk : float
        Risk without the exposure.
    n, n_exposed : float
        Records without, and with it.
    inflation : float
        How many times the variance grows by what is adjusted for, and by clusters.
    clusters : float
        Clusters that the test will rest on: it is Student's t with one degree
        of freedom fewer.
    power, alpha : float
        Alpha is two-sided.

    Returns
    -------
    float
        NaN where not even a risk of 1 could be told.

    Raises
    ------
    ValueError
        A share is out of range, the inflation not above 0, or there are fewer than two clusters.

    References
    ----------
    [1]_ of the module, for groups that differ in size.

    Examples
    --------
    >>> round(smallest_rise(0.1, n=300, n_exposed=100), 3)
    0.113
    >>> round(smallest_rise(0.1, n=300, n_exposed=100, inflation=1.5, clusters=8), 3)
    0.165
    """
    from scipy.stats import t

    _check_inside(risk=risk, alpha=alpha, power=power)
    if not inflation > 0 or not clusters >= 2:
        raise ValueError(f"inflation must be above 0, and clusters two or more; given {inflation} and {clusters}")
    if not (n > 0 and n_exposed > 0):
        raise ValueError(f"records with and without the exposure are needed; given {n_exposed} and {n}")
    critical = _z(1 - alpha / 2) if math.isinf(clusters) else float(t.isf(alpha / 2, clusters - 1))
    return _least_rise(
        lambda rise: _power(risk, risk + rise, n=n / inflation, ratio=n_exposed / n, critical=critical) - power,
        most=1.0 - risk,
    )


def _power(risk_1: float, risk_2: float, *, n: float, ratio: float, critical: float) -> float:
    null, alternative = _standard_deviations(risk_1, risk_2, ratio=ratio)
    if alternative == 0.0:
        return 1.0
    return NormalDist().cdf((math.sqrt(n) * abs(risk_1 - risk_2) - critical * null) / alternative)


def _least_rise(excess: Callable[[float], float], *, most: float) -> float:
    from scipy.optimize import brentq

    if excess(most) < 0:
        return float("nan")
    return float(brentq(excess, 1e-12, most, xtol=1e-9))


def _standard_deviations(risk_1: float, risk_2: float, *, ratio: float = 1.0) -> tuple[float, float]:
    mean = (risk_1 + ratio * risk_2) / (1 + ratio)
    null = math.sqrt((1 + 1 / ratio) * mean * (1 - mean))
    return null, math.sqrt(risk_1 * (1 - risk_1) + risk_2 * (1 - risk_2) / ratio)


def _z(share: float) -> float:
    return NormalDist().inv_cdf(share)


def _inflation(r_squared: float) -> float:
    if not 0 <= r_squared < 1:
        raise ValueError(f"r_squared must be 0 or more and below 1; given {r_squared}")
    return 1.0 / (1.0 - r_squared)


def _check_share(**shares: float) -> None:
    wrong = {name: value for name, value in shares.items() if not 0 <= value <= 1}
    if wrong:
        raise ValueError(f"a share lies between 0 and 1; given {wrong}")


def _check_inside(**shares: float) -> None:
    wrong = {name: value for name, value in shares.items() if not 0 < value < 1}
    if wrong:
        raise ValueError(f"strictly between 0 and 1 must lie {sorted(wrong)}; given {wrong}")
