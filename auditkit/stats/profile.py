"""Profile of a penalised likelihood: limits and tests of one coefficient of a logistic model at a time.

References
----------
.. [1] Heinze, G. and Schemper, M. (2002). A solution to the problem of separation in logistic regression.
   Statistics in Medicine 21, 2409, section 2.3.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from auditkit.stats.irls import fit_batch

__all__ = ["penalised_test", "profile_limits"]

Floats = npt.NDArray[np.float64]


def penalised_test(x: Floats, y: Floats, *, estimate: Floats, height: float) -> Floats:
    """Return p of the penalised likelihood-ratio test that each coefficient is 0.

    Parameters
    ----------
    x : ndarray, shape (rows, columns)
    y : ndarray, shape (rows,)
        0 and 1.
    estimate : ndarray, shape (columns,)
        Penalised estimates.
    height : float
        Penalised log likelihood there.

    Returns
    -------
    ndarray, shape (columns,)

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> x, y = np.column_stack([np.ones(6), [0, 0, 0, 1, 1, 1]]), np.array([0.0, 0, 0, 1, 1, 1])
    >>> fit = fit_batch(x, y, family="logistic", penalised=True)
    >>> penalised_test(x, y, estimate=fit.coefficients[0], height=float(fit.log_likelihood[0])).round(3)
    array([0.112, 0.024])
    """
    from scipy.stats import chi2

    heights = [_profile_height(x, y, index=j, value=0.0, near=estimate)[0] for j in range(len(estimate))]
    drop = 2.0 * (height - np.array(heights))
    return np.asarray(chi2.sf(np.maximum(drop, 0.0), 1), dtype=np.float64)


def profile_limits(
    x: Floats, y: Floats, *, estimate: Floats, height: float, covariance: Floats, confidence: float
) -> Floats:
    """Return the profile penalised-likelihood limits of each coefficient.

    Parameters
    ----------
    x : ndarray, shape (rows, columns)
    y : ndarray, shape (rows,)
        0 and 1.
    estimate : ndarray, shape (columns,)
        Penalised estimates.
    height : float
        Penalised log likelihood there.
    covariance : ndarray, shape (columns, columns)
        For the width of the first step.
    confidence : float

    Returns
    -------
    ndarray, shape (columns, 2)
        Infinite where the likelihood never falls far enough.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> x, y = np.ones((10, 1)), np.array([1.0] * 3 + [0.0] * 7)
    >>> fit = fit_batch(x, y, family="logistic", penalised=True)
    >>> estimate, height, spread = fit.coefficients[0], float(fit.log_likelihood[0]), np.array([[0.5]])
    >>> profile_limits(x, y, estimate=estimate, height=height, covariance=spread, confidence=0.95).round(2).tolist()
    [[-2.18, 0.45]]
    """
    from scipy.stats import chi2

    target = height - 0.5 * float(chi2.ppf(confidence, 1))
    errors = np.sqrt(np.diag(covariance))
    return np.array(
        [
            [_crossing(x, y, index=j, estimate=estimate, step=side * errors[j], target=target) for side in (-1.0, 1.0)]
            for j in range(len(estimate))
        ]
    )


def _profile_height(x: Floats, y: Floats, *, index: int, value: float, near: Floats) -> tuple[float, Floats]:
    """Return the greatest height with one coefficient held, and where it is.

    The others start where they undo, as well as they can, what the held one changes in the predictor.
    """
    free = np.arange(len(near)) != index
    start = near.copy()
    start[index] = value
    start[free] -= (value - near[index]) * np.linalg.lstsq(x[:, free], x[:, index], rcond=None)[0]
    fit = fit_batch(x, y, family="logistic", penalised=True, start=start[None, :], free=free)
    return float(fit.log_likelihood[0]), fit.coefficients[0]


def _crossing(x: Floats, y: Floats, *, index: int, estimate: Floats, step: float, target: float) -> float:
    """Return where the profile falls to the target, going from the estimate in steps that grow."""
    from scipy.optimize import brentq

    near = estimate

    def excess(value: float) -> float:
        nonlocal near
        height, near = _profile_height(x, y, index=index, value=value, near=near)
        return height - target

    tolerance = 1e-8 * abs(step)
    inner = float(estimate[index])
    outer = inner + 2.0 * step
    for _ in range(12):
        if excess(outer) < 0.0:
            return float(brentq(excess, inner, outer, xtol=tolerance))
        inner, outer, step = outer, outer + 2.0 * step, 2.0 * step
    return float(np.copysign(np.inf, step))
