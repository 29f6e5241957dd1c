"""Adjusted means: what an exposure does to a measured outcome, in groups of observations that resemble one another.

References
----------
.. [1] Searle, S. R., Casella, G. and McCulloch, C. E. (1992). Variance Components, section 6.6 (restricted maximum
   likelihood with one random factor).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.coding import code_terms, design_matrix
from auditkit.stats.rows import check_confidence, complete_rows

__all__ = ["AdjustedMean", "adjusted_mean"]

Floats = npt.NDArray[np.float64]

LEAST_SPARE = 5
"""Least number of observations beyond the coefficients and the clusters."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedMean:
    """What an exposure does to a mean.

    Parameters
    ----------
    difference, low, high, p : float
        Change of the outcome for each 1 of the exposure, all else equal.
    within_sd, between_sd : float
        Standard deviation within clusters and between them.
    df : float
        Of Student's t.
    n, clusters, excluded : int
    confidence : float
    method : str
    """

    difference: float
    low: float
    high: float
    p: float
    within_sd: float
    between_sd: float
    df: float
    n: int
    clusters: int
    excluded: int
    confidence: float
    method: str


def adjusted_mean(
    frame: pd.DataFrame,
    *,
    outcome: str,
    exposure: str,
    adjust: Sequence[str] = (),
    cluster: str,
    confidence: float = 0.95,
    missing: str = "raise",
) -> AdjustedMean:
    """Return what an exposure does to the mean of an outcome.

    Parameters
    ----------
    frame : DataFrame
        One row an observation.
    outcome : str
        Column of numbers.
    exposure : str
        Column of numbers, such as the share of time spent outside a limit.
    adjust : sequence of str
        Columns to adjust for. What repeats others is left out.
    cluster : str
        Column of labels: each has a level of its own, at random.
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    AdjustedMean

    Raises
    ------
    ValueError
        The exposure follows from what is adjusted for, or too few observations
        are left beyond coefficients and clusters.

    Notes
    -----
    The variance between clusters is that of restricted maximum likelihood. The
    degrees of freedom are the observations less the coefficients and the
    clusters (less one) that they do not determine, as for a comparison within
    clusters; for an exposure that is the same throughout each cluster, the
    clusters less the coefficients.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"um": [50.0, 54, 61, 63, 52, 57, 60, 66, 49, 55], "far": [0, 0, 1, 1, 0, 0, 1, 1, 0, 0],
    ...                       "crew": ["a", "b"] * 5})
    >>> round(adjusted_mean(frame, outcome="um", exposure="far", cluster="crew").difference, 2)
    9.67
    """
    from scipy.optimize import minimize_scalar
    from scipy.stats import t

    check_confidence(confidence)
    wanted = list(dict.fromkeys([outcome, exposure, *adjust, cluster]))
    kept, excluded = complete_rows(frame, columns=wanted, missing=missing)
    y = kept[outcome].to_numpy(dtype=np.float64)
    x = _design(kept, exposure, adjust)
    codes, labels = pd.factorize(kept[cluster], sort=True)
    sizes = np.bincount(codes).astype(np.float64)
    means = np.column_stack([np.bincount(codes, column) for column in x.T]) / sizes[:, None]
    within = x - means[codes]
    inside = bool(np.abs(within[:, 0]).max() > 1e-9 * max(1.0, float(np.abs(x[:, 0]).max())))
    df = float(len(y) - len(labels) - np.linalg.matrix_rank(within) if inside else len(labels) - x.shape[1])
    if df < (LEAST_SPARE if inside else 2):
        raise ValueError(
            f"{LEAST_SPARE} observations or more beyond coefficients and clusters are needed; "
            f"{max(df, 0.0):.0f} are left"
        )
    best = minimize_scalar(lambda share: -_restricted(x, y, codes, share)[0], bounds=(0.0, 0.99), method="bounded")
    share = float(best.x) if -best.fun > _restricted(x, y, codes, 0.0)[0] else 0.0
    _, estimate, covariance, variance = _restricted(x, y, codes, share)
    error = float(covariance[0, 0]) ** 0.5
    reach = float(t.isf((1.0 - confidence) / 2.0, df)) * error
    difference = float(estimate[0])
    return AdjustedMean(
        difference=difference,
        low=difference - reach,
        high=difference + reach,
        p=float(2.0 * t.sf(abs(difference) / error, df)) if error > 0 else float("nan"),
        within_sd=(variance * (1.0 - share)) ** 0.5,
        between_sd=(variance * share) ** 0.5,
        df=df,
        n=len(y),
        clusters=len(labels),
        excluded=excluded,
        confidence=confidence,
        method="linear model, clusters at random (restricted maximum likelihood); Student's t",
    )


def _design(frame: pd.DataFrame, exposure: str, adjust: Sequence[str]) -> Floats:
    """Return the exposure's column first, the constant, then all others that do not follow from those before them."""
    own = frame[exposure].to_numpy(dtype=np.float64)
    terms = [name for name in dict.fromkeys(adjust) if name != exposure and len(frame[name].unique()) > 1]
    rest = design_matrix(frame, coding=code_terms(frame, terms=terms)).to_numpy(dtype=np.float64)
    kept = rest[:, :1]
    for j in range(1, rest.shape[1]):
        column = rest[:, j] - kept @ np.linalg.lstsq(kept, rest[:, j], rcond=None)[0]
        if np.linalg.norm(column) > 1e-8 * np.linalg.norm(rest[:, j]):
            kept = np.column_stack([kept, rest[:, j]])
    left = own - kept @ np.linalg.lstsq(kept, own, rcond=None)[0]
    if np.linalg.norm(left) <= 1e-8 * max(1.0, float(np.linalg.norm(own))):
        raise ValueError(f"{exposure} must vary where all that is adjusted for is equal; it does not")
    return np.column_stack([own, kept])


def _restricted(x: Floats, y: Floats, codes: npt.NDArray[np.intp], share: float) -> tuple[float, Floats, Floats, float]:
    """Return the restricted log likelihood at a share of variance between clusters, [1], and the fit there.

    The covariance of a cluster of m is (1 - share) I + share J, whose inverse and determinant are known.
    """
    sizes = np.bincount(codes).astype(np.float64)
    shrink = share / (1.0 - share + sizes * share)
    both = np.column_stack([x, y])
    sums = np.zeros((len(sizes), both.shape[1]))
    np.add.at(sums, codes, both)
    products = (both.T @ both - (sums * shrink[:, None]).T @ sums) / (1.0 - share)
    information, right = products[:-1, :-1], products[:-1, -1]
    estimate = np.asarray(np.linalg.solve(information, right), dtype=np.float64)
    spare = len(y) - x.shape[1]
    variance = float(products[-1, -1] - right @ estimate) / spare
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    if not variance > 1e-12 * float(products[-1, -1]) / len(y):
        return -np.inf, estimate, np.zeros_like(covariance), 0.0
    spread = float(((sizes - 1.0) * np.log(1.0 - share) + np.log(1.0 - share + sizes * share)).sum())
    height = -0.5 * (spare * np.log(variance) + spread + float(np.linalg.slogdet(information)[1]))
    return float(height), estimate, np.asarray(variance * covariance, dtype=np.float64), variance
