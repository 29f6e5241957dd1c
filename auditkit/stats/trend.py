"""Trend: whether a risk rises with an ordered dose, from counts and from published ratios.

References
----------
.. [1] Armitage, P. (1955). Tests for linear trends in proportions and frequencies. Biometrics 11, 375.
.. [2] Fleiss, J. L. (1981). Statistical Methods for Rates and Proportions, 2nd edition, section 9.3.
.. [3] Greenland, S. and Longnecker, M. P. (1992). Methods for trend estimation from summarized dose-response data,
   with applications to meta-analysis. American Journal of Epidemiology 135, 1301.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from auditkit.stats.rows import check_confidence, finite_values

__all__ = ["TrendTest", "dose_response_slope", "proportion_trend"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendTest:
    """A slope on a dose.

    Parameters
    ----------
    estimate : float
        Slope per unit of dose: of the proportion, or of the log ratio.
    std_error : float
        NaN for a trend in proportions, where the test is made under no trend.
    low, high : float
        NaN likewise.
    statistic : float
        Chi-squared on one degree of freedom.
    p : float
    n : int
    confidence : float
    method : str
    """

    estimate: float
    std_error: float
    low: float
    high: float
    statistic: float
    p: float
    n: int
    confidence: float
    method: str


def proportion_trend(counts: npt.ArrayLike, *, totals: npt.ArrayLike, scores: npt.ArrayLike | None = None) -> TrendTest:
    """Return the Cochran-Armitage test for a linear trend in proportions.

    Parameters
    ----------
    counts, totals : array_like, shape (groups,)
        With the outcome, and in all.
    scores : array_like, optional
        Dose of each group; left out, 1, 2, 3 ...

    Returns
    -------
    TrendTest

    Raises
    ------
    ValueError
        The arrays do not match, a count is above its total, the doses are all
        the same, or all or none have the outcome.

    References
    ----------
    [1]_, [2]_ of the module.

    Examples
    --------
    >>> found = proportion_trend([83, 90, 129, 70], totals=[86, 93, 136, 82])
    >>> round(found.statistic, 4), round(found.p, 6)
    (8.2249, 0.004132)
    """
    from scipy.stats import chi2

    x, n = finite_values(counts, at_least=2, what="counts"), finite_values(totals, at_least=2, what="totals")
    dose = np.arange(1.0, len(x) + 1) if scores is None else finite_values(scores, at_least=2, what="scores")
    if not len(x) == len(n) == len(dose):
        raise ValueError(f"counts, totals and scores must be of one length; given {len(x)}, {len(n)} and {len(dose)}")
    if ((x < 0) | (x > n) | (n < 1)).any():
        raise ValueError("every group needs 0 <= count <= total and a total of 1 or more")
    share = float(x.sum() / n.sum())
    away = dose - (n * dose).sum() / n.sum()
    spread = float((n * away**2).sum())
    if spread == 0 or share in (0.0, 1.0):
        raise ValueError("a trend needs two doses or more, and records with and without the outcome")
    slope = float((x * away).sum()) / spread
    statistic = slope**2 * spread / (share * (1 - share))
    return TrendTest(
        estimate=slope,
        std_error=float("nan"),
        low=float("nan"),
        high=float("nan"),
        statistic=statistic,
        p=float(chi2.sf(statistic, 1)),
        n=int(n.sum()),
        confidence=float("nan"),
        method="Cochran-Armitage trend in proportions",
    )


def dose_response_slope(
    doses: npt.ArrayLike,
    *,
    ratios: npt.ArrayLike,
    low: npt.ArrayLike,
    high: npt.ArrayLike,
    cases: npt.ArrayLike,
    controls: npt.ArrayLike,
    limits_confidence: float = 0.95,
    confidence: float = 0.95,
) -> TrendTest:
    """Return the slope of the log odds ratio on the dose, allowing for the reference group all ratios share.

    Parameters
    ----------
    doses : array_like, shape (groups,)
        The reference group first.
    ratios, low, high : array_like, shape (groups,)
        Adjusted odds ratios and limits; the first is 1 (its limits are not used).
    cases, controls : array_like, shape (groups,)
        Counts.
    limits_confidence : float
        Confidence of the limits given.
    confidence : float
        Confidence of the limits returned.

    Returns
    -------
    TrendTest

    Raises
    ------
    ValueError
        The arrays do not match, the first ratio is not 1, or no fitted counts
        agree with the ratios.

    References
    ----------
    [3]_ of the module: counts are fitted to the adjusted ratios and give the
    correlations between them.

    Examples
    --------
    >>> found = dose_response_slope([0, 2, 6, 11], ratios=[1, .80, 1.16, 1.57], low=[1, .51, .73, .99],
    ...     high=[1, 1.27, 1.85, 2.51], cases=[165, 74, 90, 122], controls=[172, 93, 96, 90])
    >>> round(found.estimate, 4), round(found.std_error, 4)
    (0.0454, 0.0207)
    """
    from scipy.stats import chi2

    check_confidence(limits_confidence)
    check_confidence(confidence)
    given = {"doses": doses, "ratios": ratios, "low": low, "high": high, "cases": cases, "controls": controls}
    arrays = {name: finite_values(values, at_least=2, what=name) for name, values in given.items()}
    if len({len(array) for array in arrays.values()}) != 1:
        raise ValueError(f"all must be of one length; given {[len(array) for array in arrays.values()]}")
    if arrays["ratios"][0] != 1.0 or any((arrays[name] <= 0).any() for name in ("ratios", "low", "high")):
        raise ValueError("ratios and limits must be above 0, and the first ratio, of the reference, must be 1")
    z = NormalDist().inv_cdf((1 + limits_confidence) / 2)
    logs = np.log(arrays["ratios"][1:])
    errors = (np.log(arrays["high"][1:]) - np.log(arrays["low"][1:])) / (2 * z)
    fitted_cases, fitted_controls = _fitted_counts(arrays["ratios"], arrays["cases"], arrays["controls"])
    covariance = _covariance(errors, fitted_cases, fitted_controls)
    rise = arrays["doses"][1:] - arrays["doses"][0]
    weighted = np.linalg.solve(covariance, rise)
    variance = 1.0 / float(rise @ weighted)
    slope = variance * float(weighted @ logs)  # [3] generalised least squares through the reference
    reach = NormalDist().inv_cdf((1 + confidence) / 2) * variance**0.5
    statistic = slope**2 / variance
    return TrendTest(
        estimate=slope,
        std_error=variance**0.5,
        low=slope - reach,
        high=slope + reach,
        statistic=statistic,
        p=float(chi2.sf(statistic, 1)),
        n=int(arrays["cases"].sum() + arrays["controls"].sum()),
        confidence=confidence,
        method="Greenland-Longnecker, covariance-adjusted slope of log odds ratios",
    )


def _fitted_counts(ratios: Floats, cases: Floats, controls: Floats) -> tuple[Floats, Floats]:
    """Return counts with the margins given that have the adjusted ratios, [3] appendix."""
    from scipy.optimize import brentq

    totals, all_cases = cases + controls, float(cases.sum())

    def expected(odds: float) -> Floats:
        return totals * odds * ratios / (1.0 + odds * ratios)

    def gap(log_odds: float) -> float:
        return float(expected(float(np.exp(log_odds))).sum()) - all_cases

    fitted = expected(float(np.exp(brentq(gap, -50.0, 50.0, xtol=1e-12))))
    return fitted, totals - fitted


def _covariance(errors: Floats, cases: Floats, controls: Floats) -> Floats:
    """Return the covariance of the log ratios: errors as given, correlations of the fitted counts, [3] appendix."""
    shared = 1.0 / cases[0] + 1.0 / controls[0]
    own = shared + 1.0 / cases[1:] + 1.0 / controls[1:]
    correlation = shared / np.sqrt(np.outer(own, own))
    np.fill_diagonal(correlation, 1.0)
    return np.asarray(correlation * np.outer(errors, errors), dtype=np.float64)
