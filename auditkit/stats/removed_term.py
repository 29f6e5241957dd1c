"""Removed term: what the mean risk would be without one term of a logistic model, and how sure that is.

The coefficient of the term is held at a row of values. At each the others have
their mean and curvature there, and so has a quantity that follows from them;
the values are weighed by the marginal posterior of the coefficient. Both are Laplace's method, [1]_ and [2]_.

References
----------
.. [1] Tierney, L. and Kadane, J. B. (1986). Accurate approximations for posterior moments and marginal densities.
   Journal of the American Statistical Association 81, 82.
.. [2] Rue, H., Martino, S. and Chopin, N. (2009). Approximate Bayesian inference for latent Gaussian models by using
   integrated nested Laplace approximations. Journal of the Royal Statistical Society B 71, 319.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditkit.stats.shrunken_logistic import (
    ShrunkenFit,
    ShrunkenRows,
    fit_shrunken,
    joint_covariance,
    predictor_moments,
)

__all__ = [
    "TermPosterior",
    "difference_quantiles",
    "joined_posterior",
    "log_evidence",
    "ratio_quantiles",
    "risk_quantiles",
    "share_negative",
    "term_posterior",
]

Floats = npt.NDArray[np.float64]

# How the log density is followed: how far below its top, the first step in standard deviations, growth, most places.
_DEEP, _STEP, _WIDER, _MOST_PLACES = 14.0, 0.5, 1.25, 24
_FINE = 801  # places after interpolation
_NEAR_ZERO = 1e-4
_LEAST_VARIANCE, _MOST_VARIANCE = 1e-16, 4.0
_NODES, _NODE_WEIGHTS = np.polynomial.hermite_e.hermegauss(7)
_NODE_WEIGHTS = _NODE_WEIGHTS / _NODE_WEIGHTS.sum()


@dataclass(frozen=True, slots=True, kw_only=True)
class TermPosterior:
    """Values of the term's coefficient, how likely each is, and where each quantity lies and spreads there.

    Parameters
    ----------
    value : ndarray, shape (values,)
    density : ndarray, shape (values,)
        Logarithm of how likely, but for a constant that models of the same
        rows and priors share.
    size, size_spread : ndarray
        Mean and standard deviation of log(difference / value).
    odds, odds_spread : ndarray
        Of the log odds of the mean risk without the term.
    ratio, ratio_spread : ndarray
        Of the logarithm of the mean risk over that without the term.
    """

    value: Floats
    density: Floats
    size: Floats
    size_spread: Floats
    odds: Floats
    odds_spread: Floats
    ratio: Floats
    ratio_spread: Floats


def term_posterior(rows: ShrunkenRows, fit: ShrunkenFit, *, column: int) -> TermPosterior:
    """Return the posterior of one coefficient, and of what its term does to the mean risk.

    Parameters
    ----------
    rows : ShrunkenRows
        The column of the term is nowhere below 0 and somewhere above.
    fit : ShrunkenFit
        Of these rows, nothing held.
    column : int

    Returns
    -------
    TermPosterior

    Examples
    --------
    >>> y, x = np.array([0.0, 1.0] * 20), np.column_stack([np.ones(40), np.arange(40) % 2])
    >>> rows = ShrunkenRows(x=x, y=y, precision=np.zeros(2), log_f=np.array([False, True]),
    ...                     sessions=np.zeros(40, dtype=int), session_precision=1e12)
    >>> posterior = term_posterior(rows, fit_shrunken(rows), column=1)
    >>> bool(share_negative(posterior) < 0.001)
    True
    """
    from scipy.interpolate import PchipInterpolator

    top = float(fit.coefficients[column])
    step = float(np.linalg.inv(fit.curvature)[column, column]) ** 0.5
    found: list[list[float]] = []
    for direction in (-1.0, 1.0):
        value, deepest = top + (0.5 * step if direction > 0 else 0.0), -np.inf
        before, last = None, (top, fit.coefficients, fit.effects)
        for i in range(_MOST_PLACES):
            here = value if abs(value) > _NEAR_ZERO else _NEAR_ZERO  # at 0 difference / value is 0 / 0
            at = fit_shrunken(rows, held=(column, here), start=_foreseen(before, last, here), tolerance=1e-3)
            density = log_evidence(at)
            found.append([here, density, *_moments(rows, at, column, here)])
            deepest = max(deepest, density)
            if density < deepest - _DEEP:
                break
            before, last = last, (here, at.coefficients, at.effects)
            value += direction * _STEP * step * _WIDER**i
    table = np.array(sorted(found))
    table = table[np.diff(table[:, 0], prepend=-np.inf) > 0]
    value_fine = np.linspace(table[0, 0], table[-1, 0], _FINE)
    smooth = PchipInterpolator(table[:, 0], table[:, 1:])(value_fine)
    return TermPosterior(
        value=value_fine,
        density=smooth[:, 0] + np.log(value_fine[1] - value_fine[0]),
        size=smooth[:, 1],
        size_spread=smooth[:, 2],
        odds=smooth[:, 3],
        odds_spread=smooth[:, 4],
        ratio=smooth[:, 5],
        ratio_spread=smooth[:, 6],
    )


def log_evidence(fit: ShrunkenFit) -> float:
    """Return how likely the rows are, all that was free integrated out; a logarithm, but for a constant ([1]_ eq. 2.1).

    Examples
    --------
    >>> rows = ShrunkenRows(x=np.ones((2, 1)), y=np.array([0.0, 1.0]), precision=np.zeros(1), log_f=np.array([False]),
    ...                     sessions=np.zeros(2, dtype=int), session_precision=1.0)
    >>> round(log_evidence(fit_shrunken(rows)), 4)  # 2 log(1/2) - 1/2 log(1/2 * 1.5 - 1/4)
    -1.0397
    """
    return fit.height - 0.5 * fit.log_determinant


def joined_posterior(parts: Sequence[TermPosterior]) -> TermPosterior:
    """Return the posteriors of several models of the same rows as one, each with the weight that the rows give it.

    Examples
    --------
    >>> one = TermPosterior(**{name: np.zeros(1) for name in TermPosterior.__slots__})
    >>> joined_posterior([one, one]).value.tolist()
    [0.0, 0.0]
    """
    names = TermPosterior.__slots__
    return TermPosterior(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def share_negative(posterior: TermPosterior) -> float:
    """Return how probable it is that the coefficient is below 0 [-].

    Examples
    --------
    >>> one = TermPosterior(**{name: np.array([-1.0, 1.0]) for name in TermPosterior.__slots__})
    >>> round(share_negative(one), 3)  # 1 / (1 + e^2)
    0.119
    """
    return float(_weight(posterior)[posterior.value < 0].sum())


def risk_quantiles(posterior: TermPosterior, *, shares: Sequence[float]) -> Floats:
    """Return quantiles of the mean risk without the term [-].

    Examples
    --------
    >>> one = TermPosterior(**{name: np.ones(2) for name in TermPosterior.__slots__})
    >>> risk_quantiles(one, shares=[0.5]).round(3).tolist()  # 1 / (1 + e^-1)
    [0.731]
    """
    odds = _quantiles(posterior, posterior.odds, posterior.odds_spread, shares)
    return np.asarray(1.0 / (1.0 + np.exp(-odds)), dtype=np.float64)


def ratio_quantiles(posterior: TermPosterior, *, shares: Sequence[float]) -> Floats:
    """Return quantiles of the mean risk over that without the term [-].

    Examples
    --------
    >>> one = TermPosterior(**{name: np.ones(2) for name in TermPosterior.__slots__})
    >>> ratio_quantiles(one, shares=[0.5]).round(3).tolist()  # e
    [2.718]
    """
    return np.exp(_quantiles(posterior, posterior.ratio, posterior.ratio_spread, shares))


def difference_quantiles(posterior: TermPosterior, *, shares: Sequence[float]) -> Floats:
    """Return quantiles of the mean risk less that without the term [-]; the difference has the coefficient's sign.

    Examples
    --------
    >>> one = TermPosterior(**{name: -np.ones(2) for name in TermPosterior.__slots__ if "spread" not in name},
    ...                     **{name: np.ones(2) for name in TermPosterior.__slots__ if "spread" in name})
    >>> difference_quantiles(one, shares=[0.5]).round(3).tolist()  # -1 / e
    [-0.368]
    """
    from scipy.special import ndtr

    size, sign = np.log(np.abs(posterior.value)) + posterior.size, np.sign(posterior.value)
    spread, weight = posterior.size_spread, _weight(posterior)

    def share_below(q: float) -> float:
        depth = ndtr(sign * (np.log(max(abs(q), 1e-300)) - size) / spread)
        return float((weight * np.where(sign * q > 0, depth, sign < 0)).sum())

    return _solved(share_below, shares, (-1.0, 1.0))


def _foreseen(
    before: tuple[float, Floats, Floats] | None, last: tuple[float, Floats, Floats], value: float
) -> tuple[Floats, Floats]:
    """Return where the other coefficients will be, on a straight line through the last two places."""
    if before is None or before[0] == last[0]:
        return last[1], last[2]
    share = (value - last[0]) / (last[0] - before[0])
    return last[1] + share * (last[1] - before[1]), last[2] + share * (last[2] - before[2])


def _moments(rows: ShrunkenRows, at: ShrunkenFit, column: int, value: float) -> list[float]:
    """Return mean and standard deviation of each quantity with the coefficient held, in the order of the posterior.

    The means of risks are those of a normal predictor; of their logarithms, to second order.
    """
    predictor = rows.predictor(at.coefficients, at.effects)
    removed = predictor - value * rows.x[:, column]
    shift, variance = predictor_moments(rows, at)
    trust = np.minimum(1.0, _MOST_VARIANCE / variance)  # where hardly anything is known the expansion means nothing
    shift, variance = shift * trust, variance * trust
    mean_seen, mean_moved = (_mean_risk(each + shift, variance) for each in (predictor, removed))
    risk, inside = float(mean_seen.mean()), float(mean_moved.mean())
    difference = float((mean_seen - mean_moved).mean())
    of_seen, of_moved = _slopes(rows, _expit(predictor)), _slopes(rows, _expit(removed))
    shares = np.array(  # of the slopes of both risks, in those of each logarithm; differences before products
        [
            (1.0 / difference, -1.0 / difference),
            (0.0, 1.0 / (inside * (1.0 - inside))),
            (1.0 / risk, -1.0 / inside),
            (1.0 / risk, 0.0),
            (0.0, 1.0 / inside),
        ]
    )
    slopes, session_slopes = (shares @ np.stack(pair) for pair in zip(of_seen, of_moved, strict=True))
    variances = np.diag(joint_covariance(at, slopes=slopes, session_slopes=session_slopes))
    size, odds, ratio, of_risk, of_inside = np.maximum(variances, _LEAST_VARIANCE).tolist()
    return [
        float(np.log(difference / value)) - 0.5 * size,
        size**0.5,
        float(np.log(inside / (1.0 - inside))) - (0.5 - inside) * odds,
        odds**0.5,
        float(np.log(risk / inside)) - 0.5 * (of_risk - of_inside),
        ratio**0.5,
    ]


def _mean_risk(predictor: Floats, variance: Floats) -> Floats:
    """Return each record's mean risk, its predictor being normal: Gauss-Hermite quadrature."""
    risks = _expit(predictor[:, None] + variance[:, None] ** 0.5 * _NODES)
    return np.asarray(risks @ _NODE_WEIGHTS, dtype=np.float64)


def _slopes(rows: ShrunkenRows, mean: Floats) -> tuple[Floats, Floats]:
    """Return the slopes of the mean risk in the coefficients and in the effects of sessions."""
    weight = mean * (1.0 - mean) / len(mean)
    return rows.x.T @ weight, np.bincount(rows.sessions, weights=weight).astype(np.float64)


def _weight(posterior: TermPosterior) -> Floats:
    weight = np.exp(posterior.density - posterior.density.max())
    return np.asarray(weight / weight.sum(), dtype=np.float64)


def _quantiles(posterior: TermPosterior, centre: Floats, spread: Floats, shares: Sequence[float]) -> Floats:
    from scipy.special import ndtr

    weight = _weight(posterior)
    ends = (float((centre - 9.0 * spread).min()), float((centre + 9.0 * spread).max()))
    return _solved(lambda q: float((weight * ndtr((q - centre) / spread)).sum()), shares, ends)


def _solved(share_below: Callable[[float], float], shares: Sequence[float], ends: tuple[float, float]) -> Floats:
    from scipy.optimize import brentq

    # solved to the last bits: a looser root would depend on how its bracket was rounded
    return np.array([brentq(lambda q, s=share: share_below(q) - s, *ends, xtol=1e-15) for share in shares])


def _expit(predictor: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(predictor, -500.0, 500.0))), dtype=np.float64)
