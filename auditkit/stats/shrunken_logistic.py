"""Logistic regression under stated priors, one coefficient held at will, the many small groups taken out in one stroke.

The most likely coefficients under the priors, and the curvature there. With
one coefficient held at each of several values, the two together give its
marginal posterior by Laplace's method [1]_, [2]_.

References
----------
.. [1] Tierney, L. and Kadane, J. B. (1986). Accurate approximations for posterior moments and marginal densities.
   Journal of the American Statistical Association 81, 82.
.. [2] Rue, H., Martino, S. and Chopin, N. (2009). Approximate Bayesian inference for latent Gaussian models by using
   integrated nested Laplace approximations. Journal of the Royal Statistical Society B 71, 319.
.. [3] Greenland, S. and Mansournia, M. A. (2015). Penalization, bias reduction, and default priors in logistic and
   related categorical and survival regressions. Statistics in Medicine 34, 3133.
.. [4] Firth, D. (1993). Bias reduction of maximum likelihood estimates. Biometrika 80, 27.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = [
    "PRIOR_INFORMATION",
    "ShrunkenFit",
    "ShrunkenRows",
    "fit_shrunken",
    "joint_covariance",
    "predictor_moments",
    "quadratic_form",
]

Floats = npt.NDArray[np.float64]

PRIOR_INFORMATION = 0.25
"""Curvature of the log-F(1, 1) prior at its mode: what it knows of a coefficient."""

_LONGEST_STEP = 3.0
_MOST_STEPS = 100


@dataclass(frozen=True, kw_only=True)
class ShrunkenRows:
    """Rows with their design and the priors of its columns.

    Parameters
    ----------
    x : ndarray, shape (rows, columns)
    y : ndarray, shape (rows,)
        0 and 1.
    precision : ndarray, shape (columns,)
        Of each coefficient's normal prior about 0; 0 where it has none.
    log_f : ndarray of bool, shape (columns,)
        Coefficients with the log-F(1, 1) prior [3]_.
    sessions : ndarray of int, shape (rows,)
        Small group of each row, from 0: each has an effect of its own.
    session_precision : float
        Of the normal prior of those effects.
    """

    x: Floats
    y: Floats
    precision: Floats
    log_f: npt.NDArray[np.bool_]
    sessions: npt.NDArray[np.intp]
    session_precision: float

    @cached_property
    def session_sums(self) -> Any:
        """What sums over the rows of each session: a sparse matrix, shape (sessions, rows)."""
        from scipy.sparse import csr_array

        rows = len(self.sessions)
        shape = (int(self.sessions.max()) + 1, rows)
        return csr_array((np.ones(rows), (self.sessions, np.arange(rows))), shape=shape)

    def predictor(self, coefficients: Floats, effects: Floats) -> Floats:
        """Return the log odds of each row, shape (rows,)."""
        return np.asarray(self.x @ coefficients + effects[self.sessions], dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class ShrunkenFit:
    """The most likely coefficients, and the curvature there.

    Parameters
    ----------
    coefficients : ndarray, shape (columns,)
    effects : ndarray, shape (sessions,)
    height : float
        Log posterior, less its constant.
    curvature : ndarray, shape (columns, columns)
        Of the log posterior in the coefficients, the effects of sessions taken out.
    mixed : ndarray, shape (columns, sessions)
        Curvature between coefficients and effects.
    session_curvature : ndarray, shape (sessions,)
    log_determinant : float
        Of the whole curvature in all that was free.
    held : int or None
        Column whose coefficient was held.
    converged : bool
    """

    coefficients: Floats
    effects: Floats
    height: float
    curvature: Floats
    mixed: Floats
    session_curvature: Floats
    log_determinant: float
    held: int | None
    converged: bool

    @cached_property
    def covariance(self) -> Floats:
        """Covariance of the coefficients, shape (columns, columns); 0 for what was held."""
        inverse = np.linalg.inv(_without(self.curvature, self.held))
        if self.held is not None:
            inverse[self.held, self.held] = 0.0
        return np.asarray(inverse, dtype=np.float64)


def fit_shrunken(
    rows: ShrunkenRows,
    *,
    held: tuple[int, float] | None = None,
    start: tuple[Floats, Floats] | None = None,
    tolerance: float = 1e-7,
) -> ShrunkenFit:
    """Return the most likely coefficients under the priors, by Newton's method.

    Parameters
    ----------
    rows : ShrunkenRows
    held : (int, float), optional
        A column whose coefficient is held, and the value it is held at.
    start : (ndarray, ndarray), optional
        Coefficients and effects to start from; left out, at 0.
    tolerance : float
        Done with the step in which nothing moves by more; what is then left is
        of the order of its square.

    Returns
    -------
    ShrunkenFit

    References
    ----------
    [3]_ of the module, for the prior log-F(1, 1): half an outcome in one
    further record, in which that coefficient alone has a part.

    Examples
    --------
    One record of each outcome and a constant with the log-F(1, 1) prior:

    >>> rows = ShrunkenRows(x=np.ones((3, 1)), y=np.array([1.0, 1.0, 1.0]), precision=np.zeros(1),
    ...                     log_f=np.array([True]), sessions=np.zeros(3, dtype=int), session_precision=1e12)
    >>> float(fit_shrunken(rows).coefficients[0].round(4))  # log((3 + 1/2) / (1/2))
    1.9459
    """
    columns, groups = rows.x.shape[1], int(rows.sessions.max()) + 1
    beta, effects = (np.zeros(columns), np.zeros(groups)) if start is None else (start[0].copy(), start[1].copy())
    column = None if held is None else held[0]
    if held is not None:
        beta[held[0]] = held[1]
    predictor = rows.predictor(beta, effects)
    height = _height(rows, beta, effects, predictor)
    converged = False
    for _ in range(_MOST_STEPS):
        curvature, mixed, spread, score, session_score = _slopes(rows, beta, effects, predictor)
        right = score - mixed @ (session_score / spread)
        if column is not None:
            right[column] = 0.0
        step = np.linalg.solve(_without(curvature, column), right)
        effects_step = (session_score - mixed.T @ step) / spread
        longest = max(float(np.abs(step).max(initial=0.0)), float(np.abs(effects_step).max(initial=0.0)))
        share = min(1.0, _LONGEST_STEP / max(longest, 1e-300))
        for _ in range(20):
            beta_after, effects_after = beta + share * step, effects + share * effects_step
            predictor = rows.predictor(beta_after, effects_after)
            after = _height(rows, beta_after, effects_after, predictor)
            if after >= height - 1e-10 * (1.0 + abs(height)):
                break
            share /= 2.0
        beta, effects, height = beta_after, effects_after, after
        if longest <= tolerance:
            converged = True
            break
    curvature, mixed, spread, _, _ = _slopes(rows, beta, effects, predictor)
    log_determinant = float(np.linalg.slogdet(_without(curvature, column))[1] + np.log(spread).sum())
    return ShrunkenFit(
        coefficients=beta,
        effects=effects,
        height=height,
        curvature=curvature,
        mixed=mixed,
        session_curvature=spread,
        log_determinant=log_determinant,
        held=column,
        converged=converged,
    )


def quadratic_form(fit: ShrunkenFit, *, slope: Floats, session_slope: Floats) -> float:
    """Return the variance of a quantity from its slopes in what was free (the delta method).

    Parameters
    ----------
    fit : ShrunkenFit
    slope : ndarray, shape (columns,)
        Of the quantity in each coefficient.
    session_slope : ndarray, shape (sessions,)
        In each effect.

    Returns
    -------
    float

    Examples
    --------
    >>> rows = ShrunkenRows(x=np.ones((4, 1)), y=np.array([0.0, 1.0, 0.0, 1.0]), precision=np.zeros(1),
    ...                     log_f=np.array([False]), sessions=np.zeros(4, dtype=int), session_precision=1e12)
    >>> round(quadratic_form(fit_shrunken(rows), slope=np.ones(1), session_slope=np.zeros(1)), 6)  # 1 / (4 / 4)
    1.0
    """
    return float(joint_covariance(fit, slopes=slope[None, :], session_slopes=session_slope[None, :])[0, 0])


def joint_covariance(fit: ShrunkenFit, *, slopes: Floats, session_slopes: Floats) -> Floats:
    """Return the covariance of several quantities from their slopes in what was free (the delta method).

    Parameters
    ----------
    fit : ShrunkenFit
    slopes : ndarray, shape (quantities, columns)
    session_slopes : ndarray, shape (quantities, sessions)

    Returns
    -------
    ndarray, shape (quantities, quantities)

    Examples
    --------
    >>> rows = ShrunkenRows(x=np.ones((4, 1)), y=np.array([0.0, 1.0, 0.0, 1.0]), precision=np.zeros(1),
    ...                     log_f=np.array([False]), sessions=np.zeros(4, dtype=int), session_precision=1e12)
    >>> joint_covariance(fit_shrunken(rows), slopes=np.array([[1.0], [2.0]]), session_slopes=np.zeros((2, 1))).round(6)
    array([[1., 2.],
           [2., 4.]])
    """
    spare = session_slopes / fit.session_curvature
    rest = slopes - spare @ fit.mixed.T
    inner = rest @ fit.covariance @ rest.T
    return np.asarray(inner + spare @ session_slopes.T, dtype=np.float64)


def predictor_moments(rows: ShrunkenRows, fit: ShrunkenFit) -> tuple[Floats, Floats]:
    """Return how far each record's linear predictor lies in the mean from its most likely value, and its variance.

    The first to first order, from the third derivatives of the log likelihood
    (the prior's own are left out): Firth's correction [4]_ the other way round.

    Parameters
    ----------
    rows : ShrunkenRows
    fit : ShrunkenFit
        Of these rows; what was held has no variance.

    Returns
    -------
    shift, variance : ndarray, shape (rows,)

    Examples
    --------
    The log odds of a Beta(12, 68) share have mean digamma(12) - digamma(68) = -1.7696, and mode log(12/68) = -1.7346:

    >>> rows = ShrunkenRows(x=np.ones((80, 1)), y=np.repeat([1.0, 0.0], [12, 68]), precision=np.zeros(1),
    ...                     log_f=np.array([False]), sessions=np.zeros(80, dtype=int), session_precision=1e12)
    >>> shift, variance = predictor_moments(rows, fit_shrunken(rows))
    >>> round(float(shift[0]), 4), round(float(variance[0]), 4)  # 1/12 + 1/68
    (-0.0343, 0.098)
    """
    group = rows.sessions
    mean = _expit(rows.predictor(fit.coefficients, fit.effects))
    taken = fit.mixed / fit.session_curvature
    own = rows.x - taken.T[group]
    variance = np.einsum("ij,ij->i", own @ fit.covariance, own) + 1.0 / fit.session_curvature[group]
    pull = mean * (1.0 - mean) * variance * (mean - 0.5)
    in_effects = np.bincount(group, weights=pull, minlength=len(fit.effects)).astype(np.float64)
    shift = fit.covariance @ (rows.x.T @ pull - taken @ in_effects)
    effects = in_effects / fit.session_curvature - taken.T @ shift
    return rows.predictor(shift, effects), np.asarray(variance, dtype=np.float64)


def _without(curvature: Floats, held: int | None) -> Floats:
    """Return the curvature with the column that is held cut off from the others, and 1 in its place."""
    if held is None:
        return curvature
    result = curvature.copy()
    result[held, :] = result[:, held] = 0.0
    result[held, held] = 1.0
    return result


def _height(rows: ShrunkenRows, beta: Floats, effects: Floats, predictor: Floats) -> float:
    flat = beta[rows.log_f]
    return float(
        (rows.y * predictor - np.logaddexp(0.0, predictor)).sum()
        - 0.5 * (rows.precision * beta**2).sum()
        - 0.5 * rows.session_precision * (effects**2).sum()
        + (0.5 * flat - np.logaddexp(0.0, flat)).sum()  # [3] log-F(1, 1)
    )


def _slopes(
    rows: ShrunkenRows, beta: Floats, effects: Floats, predictor: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return curvature with the effects taken out, mixed curvature, that of the effects, and both scores."""
    mean = _expit(predictor)
    weight, residual = mean * (1.0 - mean), rows.y - mean
    prior = _expit(beta)
    mixed = (rows.session_sums @ (rows.x * weight[:, None])).T
    spread = rows.session_sums @ weight + rows.session_precision
    # each a matrix times its own transpose, which takes half the work
    whole, taken = np.sqrt(weight)[:, None] * rows.x, mixed / np.sqrt(spread)
    curvature = whole.T @ whole - taken @ taken.T
    curvature[np.diag_indices_from(curvature)] += rows.precision + np.where(rows.log_f, prior * (1.0 - prior), 0.0)
    score = rows.x.T @ residual - rows.precision * beta + np.where(rows.log_f, 0.5 - prior, 0.0)
    session_score = rows.session_sums @ residual - rows.session_precision * effects
    return curvature, mixed, spread, score, session_score


def _expit(predictor: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(predictor, -500.0, 500.0))), dtype=np.float64)
