"""The Weibull likelihood of lives seen, bracketed or not yet ended, and its maximum.

It is taken in mu = log(scale) and log(sigma), sigma = 1 / shape, where it is
like that of a location and a spread: H(t) = exp((log t - mu) / sigma).

References
----------
[1] W. Q. Meeker and L. A. Escobar (1998), Statistical Methods for Reliability
    Data, Wiley, 7.5 and 8.2.
[2] J. F. Lawless (2003), Statistical Models and Methods for Lifetime Data, 2nd
    ed., Wiley, 5.1.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from auditkit.stats.lifetimes import Lives

__all__ = ["SHAPES", "information", "log_likelihoods", "maximise", "profile_limits"]

Floats = npt.NDArray[np.float64]

SHAPES = (0.05, 200.0)
"""Shapes that a fit may take; one beyond says that the records fix none."""


def log_likelihoods(lives: Lives, mu: float, log_sigma: float) -> Floats:
    """Return the log-likelihood of each life, [2] 5.1.

    Examples
    --------
    >>> lives = Lives(last_good=np.array([1.0]), first_bad=np.array([np.inf]), excluded=0)
    >>> log_likelihoods(lives, 0.0, 0.0)
    array([-1.])
    """
    z_good, z_bad = _standardised(lives, mu, log_sigma)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        good, bad = np.exp(z_good), np.exp(z_bad)
        between = -good + np.log(-np.expm1(good - bad))
        exact = z_bad - bad - log_sigma - np.log(lives.first_bad)
    return np.where(lives.exact, exact, between)


def _standardised(lives: Lives, mu: float, log_sigma: float) -> tuple[Floats, Floats]:
    """Return (log age - mu) / sigma of both ages; minus infinite at age 0."""
    with np.errstate(divide="ignore"):
        return (np.log(lives.last_good) - mu) / math.exp(log_sigma), (np.log(lives.first_bad) - mu) / math.exp(
            log_sigma
        )


def _gradient(lives: Lives, mu: float, log_sigma: float) -> Floats:
    """Return the slope of the log-likelihood in (mu, log sigma)."""
    z_good, z_bad = _standardised(lives, mu, log_sigma)
    sigma = math.exp(log_sigma)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        good, bad = np.exp(z_good), np.exp(z_bad)
        # dH/dmu = -H / sigma and dH/dlog sigma = -H z, both 0 at age 0
        slope_good = np.stack([-good / sigma, np.where(good > 0, -good * z_good, 0.0)])
        slope_bad = np.stack([-bad / sigma, -bad * z_bad])
        weight = 1.0 / np.expm1(bad - good)
        pull = np.where(weight > 0, (slope_bad - slope_good) * weight, 0.0)
        exact = np.stack([(bad - 1.0) / sigma, (bad - 1.0) * z_bad - 1.0])
    result: Floats = np.where(lives.exact, exact, pull - slope_good).sum(axis=1)
    return result


def maximise(lives: Lives) -> tuple[float, float]:
    """Return (mu, log sigma) of greatest likelihood, in bounds a little wider than the shapes allowed.

    Raises
    ------
    RuntimeError
        The maximum was not reached.

    Examples
    --------
    >>> ages = np.array([1.0, 2.0, 3.0, 4.0])
    >>> mu, log_sigma = maximise(Lives(last_good=ages, first_bad=ages, excluded=0))
    >>> round(math.exp(mu), 4), round(math.exp(-log_sigma), 4)
    (2.8287, 2.4532)
    """
    from scipy.optimize import minimize

    ends = np.where(lives.failed, lives.first_bad, lives.last_good)
    middle = np.log(np.maximum((lives.last_good + ends) / 2.0, 1e-12 * ends.max()))[ends > 0]
    start = np.array([float(middle.mean()), 0.0])
    bounds = [(None, None), (-math.log(2 * SHAPES[1]), math.log(2 / SHAPES[0]))]

    def cost(at: Floats) -> float:
        return -float(log_likelihoods(lives, float(at[0]), float(at[1])).sum())

    simplex = start + np.array([[0.0, 0.0], [0.5, 0.0], [0.0, -0.7]])
    options = {"xatol": 1e-6, "fatol": 1e-9, "initial_simplex": simplex}
    found = minimize(cost, start, method="Nelder-Mead", bounds=bounds, options=options)
    return _polished(lives, float(found.x[0]), float(found.x[1]))


def _polished(lives: Lives, mu: float, log_sigma: float) -> tuple[float, float]:
    """Return the maximum to its last digits: Newton steps, as long as they raise the likelihood."""
    best = float(log_likelihoods(lives, mu, log_sigma).sum())
    for _ in range(5):
        matrix = information(lives, mu, log_sigma)
        if not (np.isfinite(matrix).all() and np.linalg.det(matrix) > 0):
            break
        step = np.linalg.solve(matrix, _gradient(lives, mu, log_sigma))
        proposed = float(log_likelihoods(lives, mu + float(step[0]), log_sigma + float(step[1])).sum())
        if not proposed >= best:
            break
        mu, log_sigma, best = mu + float(step[0]), log_sigma + float(step[1]), proposed
    slope = float(np.abs(_gradient(lives, mu, log_sigma)).max())
    inside = SHAPES[0] < math.exp(-log_sigma) < SHAPES[1]
    if inside and not slope < 1e-3 * lives.n:
        raise RuntimeError(f"the maximum was not reached: at shape {math.exp(-log_sigma):g} the slope is {slope:.3g}")
    return mu, log_sigma


def information(lives: Lives, mu: float, log_sigma: float) -> Floats:
    """Return the observed information in (mu, log sigma), from central differences of the exact slope.

    Examples
    --------
    >>> lives = Lives(last_good=np.array([1.0]), first_bad=np.array([1.0]), excluded=0)
    >>> information(lives, 0.0, 0.0)[0, 0].round(3).item()
    1.0
    """
    step = 1e-5
    in_mu = (_gradient(lives, mu + step, log_sigma) - _gradient(lives, mu - step, log_sigma)) / (2 * step)
    in_sigma = (_gradient(lives, mu, log_sigma + step) - _gradient(lives, mu, log_sigma - step)) / (2 * step)
    matrix = -np.stack([in_mu, in_sigma])
    result: Floats = (matrix + matrix.T) / 2.0
    return result


def profile_limits(lives: Lives, mu: float, log_sigma: float, *, confidence: float) -> tuple[float, float]:
    """Return the shapes whose profile likelihood lies within half a chi-square of the maximum, [1] 8.2.3.

    A limit that is not reached is 0 or infinite.

    Examples
    --------
    >>> ages = np.array([1.0, 2.0, 3.0, 4.0])
    >>> lives = Lives(last_good=ages, first_bad=ages, excluded=0)
    >>> low, high = profile_limits(lives, *maximise(lives), confidence=0.95)
    >>> round(low, 2), round(high, 2)
    (0.92, 4.95)
    """
    from scipy.optimize import brentq, minimize_scalar
    from scipy.stats import chi2

    best = float(log_likelihoods(lives, mu, log_sigma).sum())
    drop = float(chi2.ppf(confidence, 1)) / 2.0

    def excess(at: float) -> float:
        # concave in mu at any sigma, so a search from either side ends at the one maximum
        found = minimize_scalar(
            lambda location: -float(log_likelihoods(lives, location, at).sum()), bracket=(mu, mu + 0.5 * math.exp(at))
        )
        return best - drop + float(found.fun)

    limits = []
    for side in (1.0, -1.0):
        near, far = log_sigma, log_sigma + 0.25 * side
        while excess(far) < 0 and abs(far - log_sigma) < 6:
            near, far = far, far + 0.25 * side
        limits.append(float(brentq(excess, near, far)) if excess(far) >= 0 else math.inf * side)
    return math.exp(-limits[0]), math.exp(-limits[1])
