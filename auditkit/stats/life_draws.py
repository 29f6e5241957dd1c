"""Life draws: what the data leave open of a Weibull life, carried into what is computed from it.

A draw is a life with a weight; the draws of one item stand for all lives that
its records allow. `frailty.fit_group_lives` gives them for groups.

References
----------
[1] W. Q. Meeker and L. A. Escobar (1998), Statistical Methods for Reliability
    Data, Wiley, 2.1 (conditional failure), 8.4 (normal limit of the likelihood).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.rows import check_confidence
from auditkit.stats.weibull import WeibullFit

__all__ = ["draw_lives", "probability_failed_over"]

Floats = npt.NDArray[np.float64]

_CHUNK = 256


def draw_lives(fit: WeibullFit, *, n: int = 256) -> pd.DataFrame:
    """Return lives that the data leave open, evenly spread over the normal limit of the likelihood.

    Returns
    -------
    DataFrame
        n rows: weight (1 / n), scale, shape. The points are fixed, not random.

    Raises
    ------
    ValueError
        n is below 1, or the fit cannot tell.

    References
    ----------
    [1]_ 8.4: (mu, log sigma) are about normal.

    Examples
    --------
    >>> from auditkit.stats.weibull import fit_weibull
    >>> frame = pd.DataFrame({"last_good": [10.0, 20.0, 30.0, 40.0], "first_bad": [20.0, 30.0, 40.0, np.inf]})
    >>> fit = fit_weibull(frame)
    >>> draws = draw_lives(fit)
    >>> bool(np.isclose(draws["scale"].median(), fit.life.scale, rtol=0.02))
    True
    """
    from scipy.special import ndtri
    from scipy.stats import qmc

    if n < 1:
        raise ValueError(f"n must be 1 or more; given {n}")
    if fit.life is None or fit.covariance is None:
        raise ValueError(f"a fitted life is needed; this fit cannot tell: {fit.reason}")
    life, covariance = fit.life, np.array(fit.covariance)
    points = qmc.Sobol(2, scramble=False).random_base2(max(n - 1, 1).bit_length())[:n] + 0.5 / n
    at = ndtri(points.clip(max=1.0 - 0.5 / n)) @ np.linalg.cholesky(covariance).T
    scale, shape = np.exp(math.log(life.scale) + at[:, 0]), np.exp(math.log(life.shape) - at[:, 1])
    return pd.DataFrame({"weight": 1.0 / n, "scale": scale, "shape": shape})


def probability_failed_over(
    draws: pd.DataFrame,
    age: npt.ArrayLike,
    *,
    last_good: npt.ArrayLike,
    first_bad: npt.ArrayLike,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Return the probabilities that items had failed by an age, with the doubt about their life.

    Parameters
    ----------
    draws : DataFrame
        One row a draw: weight (sums to 1), scale, shape.
    age, last_good, first_bad : array_like
        As for `weibull.probability_failed`.
    confidence : float

    Returns
    -------
    DataFrame
        One row an age: estimate (mean over the draws), low, high (quantiles
        over the draws) `[-]`.

    Raises
    ------
    ValueError
        There are no draws, an age is missing or below 0, or first_bad lies
        before last_good.

    References
    ----------
    [1]_ 2.1 of the module.

    Examples
    --------
    >>> draws = pd.DataFrame({"weight": [0.5, 0.5], "scale": [50.0, 100.0], "shape": [1.0, 1.0]})
    >>> probability_failed_over(draws, [10.0, 30.0], last_good=0.0, first_bad=20.0).round(3).to_numpy().tolist()
    [[0.537, 0.525, 0.55], [1.0, 1.0, 1.0]]
    """
    check_confidence(confidence)
    if draws.empty:
        raise ValueError("at least one draw is needed; given none. Where nothing can be told there is no probability")
    ages = np.broadcast_arrays(*(np.atleast_1d(np.asarray(x, dtype=float)) for x in (age, last_good, first_bad)))
    t, good, bad = (column[:, None] for column in ages)
    if not (np.all(t >= 0) and np.all(good >= 0) and np.all(np.isfinite(good)) and np.all(bad >= good)):
        raise ValueError(
            "ages must be 0 or more, none missing, last_good finite and not after first_bad; given "
            f"age {np.unique(t)[:3].tolist()}, last_good {np.unique(good)[:3].tolist()}, "
            f"first_bad {np.unique(bad)[:3].tolist()}"
        )
    columns = (draws[name].to_numpy(dtype=float) for name in ("weight", "scale", "shape"))
    weight, scale, shape = columns
    parts = [
        _summed(_failed(t[i : i + _CHUNK], good[i : i + _CHUNK], bad[i : i + _CHUNK], scale, shape), weight, confidence)
        for i in range(0, len(t), _CHUNK)
    ]
    return pd.DataFrame(np.concatenate(parts), columns=["estimate", "low", "high"])


def _failed(t: Floats, good: Floats, bad: Floats, scale: Floats, shape: Floats) -> Floats:
    """Return the probability of each age (row) under each draw (column), [1] 2.1."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        at_t, at_good, at_bad = ((x / scale) ** shape for x in (t, good, bad))
        share = np.expm1(-np.maximum(at_t - at_good, 0.0)) / np.expm1(at_good - at_bad)
        # a draw whose hazard is 0 to the last bit over the whole bracket says nothing of where in it
        even = (t - good) / np.where(np.isfinite(bad), bad - good, np.inf)
    share = np.where(np.isfinite(share), share, even)
    return np.asarray(np.where(t >= bad, 1.0, np.where(t <= good, 0.0, share)), dtype=float)


def _summed(shares: Floats, weight: Floats, confidence: float) -> Floats:
    """Return mean and quantiles over the draws of each row."""
    tail = (1.0 - confidence) / 2.0
    order = np.argsort(shares, axis=1)
    ordered, below = np.take_along_axis(shares, order, axis=1), np.cumsum(weight[order], axis=1)
    rows = np.arange(len(shares))
    low = ordered[rows, np.minimum((below < tail).sum(axis=1), shares.shape[1] - 1)]
    high = ordered[rows, np.minimum((below < 1.0 - tail).sum(axis=1), shares.shape[1] - 1)]
    return np.column_stack([np.clip(shares @ weight, 0.0, 1.0), low, high])
