"""Resampling of clusters by weights: the rows stay, their weights change.

References
----------
.. [1] Efron, B. (1987). Better bootstrap confidence intervals. Journal of the American Statistical Association 82, 171.
.. [2] Davison, A. C. and Hinkley, D. V. (1997). Bootstrap Methods and their Application, sections 3.8 and 5.3.
.. [3] MacKinnon, J. G., Nielsen, M. O. and Webb, M. D. (2023). Fast and reliable jackknife and bootstrap methods
   for cluster-robust inference. Journal of Applied Econometrics 38, 671.
.. [4] Carter, A. V., Schnepel, K. T. and Steigerwald, D. G. (2017). Asymptotic behavior of a t-test robust to
   cluster heterogeneity. Review of Economics and Statistics 99, 698.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "bca_limits",
    "bootstrap_weights",
    "effective_clusters",
    "jackknife_limits",
    "leave_out_weights",
    "percentile_limits",
]

Floats = npt.NDArray[np.float64]
Members = npt.NDArray[np.intp]


def leave_out_weights(members: Members) -> Floats:
    """Return weights that leave out each cluster in turn, shape (clusters, rows).

    Parameters
    ----------
    members : ndarray of int, shape (rows,)
        Cluster of each row, from 0, none without rows.

    Returns
    -------
    ndarray, shape (clusters, rows)

    Examples
    --------
    >>> leave_out_weights(np.array([0, 1, 1])).tolist()
    [[0.0, 1.0, 1.0], [1.0, 0.0, 0.0]]
    """
    return np.asarray(np.arange(members.max() + 1)[:, None] != members, dtype=np.float64)


def bootstrap_weights(members: Members, *, resamples: int, rng: np.random.Generator) -> Floats:
    """Return how often each row occurs when clusters are drawn with replacement, shape (resamples, rows).

    Parameters
    ----------
    members : ndarray of int, shape (rows,)
        Cluster of each row, from 0.
    resamples : int
    rng : Generator

    Returns
    -------
    ndarray, shape (resamples, rows)
        All rows of a cluster have the same weight.

    References
    ----------
    [2]_ section 3.8, strategy 1: whole clusters.

    Examples
    --------
    >>> bootstrap_weights(np.array([0, 1, 1]), resamples=2, rng=np.random.default_rng(1)).tolist()
    [[1.0, 1.0, 1.0], [2.0, 0.0, 0.0]]
    """
    clusters = int(members.max()) + 1
    drawn = rng.multinomial(clusters, np.full(clusters, 1.0 / clusters), size=resamples)
    return np.asarray(drawn[:, members], dtype=np.float64)


def effective_clusters(members: Members) -> float:
    """Return how many clusters of equal size would weigh the records as evenly as these.

    Parameters
    ----------
    members : ndarray of int, shape (rows,)
        Cluster of each row, from 0.

    Returns
    -------
    float

    References
    ----------
    [4]_ of the module, in its simplest form: by size alone.

    Examples
    --------
    >>> effective_clusters(np.array([0, 1, 2, 2])), effective_clusters(np.array([0, 0, 1, 1]))
    (2.6666666666666665, 2.0)
    """
    sizes = np.bincount(members).astype(np.float64)
    return float(sizes.sum() ** 2 / (sizes**2).sum())


def jackknife_limits(estimate: float, *, left_out: npt.ArrayLike, df: float, confidence: float) -> tuple[float, float]:
    """Return limits from the spread of the estimates without each cluster.

    Parameters
    ----------
    estimate : float
        On all rows.
    left_out : array_like, shape (clusters,)
        Without each cluster.
    df : float
        Degrees of freedom of Student's t.
    confidence : float

    Returns
    -------
    low, high : float

    References
    ----------
    [3]_ of the module, CV3.

    Examples
    --------
    >>> low, high = jackknife_limits(2.0, left_out=[1.0, 2.0, 3.0], df=2, confidence=0.95)
    >>> round(low, 3), round(high, 3)
    (-2.968, 6.968)
    """
    from scipy.stats import t

    others = np.asarray(left_out, dtype=np.float64)
    count = len(others)
    error = float(np.sqrt((count - 1) / count * ((others - estimate) ** 2).sum()))
    reach = float(t.isf((1.0 - confidence) / 2.0, df)) * error
    return estimate - reach, estimate + reach


def percentile_limits(resampled: npt.ArrayLike, *, confidence: float) -> tuple[float, float]:
    """Return the quantiles of the resampled estimates.

    Parameters
    ----------
    resampled : array_like, shape (resamples,)
    confidence : float

    Returns
    -------
    low, high : float

    Examples
    --------
    >>> [round(limit, 3) for limit in percentile_limits(range(101), confidence=0.9)]
    [5.0, 95.0]
    """
    tail = (1.0 - confidence) / 2.0
    low, high = np.quantile(np.asarray(resampled, dtype=np.float64), [tail, 1.0 - tail])
    return float(low), float(high)


def bca_limits(
    estimate: float, *, resampled: npt.ArrayLike, left_out: npt.ArrayLike, confidence: float
) -> tuple[float, float]:
    """Return bias-corrected and accelerated limits.

    Parameters
    ----------
    estimate : float
    resampled : array_like, shape (resamples,)
    left_out : array_like, shape (clusters,)
        Without each cluster, for the acceleration.
    confidence : float

    Returns
    -------
    low, high : float

    Raises
    ------
    ValueError
        Every resampled estimate lies on the same side of the estimate.

    References
    ----------
    [1]_ of the module, eqs. 2.3 and 6.6.

    Examples
    --------
    >>> limits = bca_limits(50.0, resampled=range(101), left_out=[49.0, 50.0, 51.0], confidence=0.9)
    >>> [round(limit, 3) for limit in limits]
    [5.0, 95.0]
    """
    from scipy.stats import norm

    draws = np.asarray(resampled, dtype=np.float64)
    below = float(((draws < estimate).sum() + 0.5 * (draws == estimate).sum()) / len(draws))
    if not 0.0 < below < 1.0:
        raise ValueError("resampled estimates must lie on both sides of the estimate; use the jackknife")
    shift = float(norm.ppf(below))
    others = np.asarray(left_out, dtype=np.float64)
    away = others.mean() - others
    spread = float((away**2).sum())
    acceleration = float((away**3).sum()) / (6.0 * spread**1.5) if spread else 0.0
    tail = (1.0 - confidence) / 2.0
    reach = shift + norm.ppf([tail, 1.0 - tail])
    low, high = np.quantile(draws, norm.cdf(shift + reach / (1.0 - acceleration * reach)))
    return float(low), float(high)
