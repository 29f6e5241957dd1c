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


@dataclass(frozen=True, slots=True, kw_only=True)
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


@dataclass(frozen=True, slots=True, kw_only=True)
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
    free : ndarray of int
        Columns that were not held.
    converged : bool
    """

    coefficients: Floats
    effects: Floats
    height: float
    curvature: Floats
    mixed: Floats
    session_curvature: Floats
    log_determinant: float
    free: npt.NDArray[np.intp]
    converged: bool


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
    free = np.arange(columns)
    if held is not None:
        free = np.delete(free, held[0])
        beta[held[0]] = held[1]
    order = np.argsort(rows.sessions, kind="stable")
    firsts = np.searchsorted(rows.sessions[order], np.arange(groups))
    height = _height(rows, beta, effects)
    converged = False
    for _ in range(_MOST_STEPS):
        curvature, mixed, spread, score, session_score = _slopes(rows, beta, effects, order, firsts)
        part = np.ix_(free, free)
        right = score[free] - mixed[free] @ (session_score / spread)
        step = np.zeros(columns)
        step[free] = np.linalg.solve(curvature[part], right)
        effects_step = (session_score - mixed.T @ step) / spread
        longest = max(float(np.abs(step).max(initial=0.0)), float(np.abs(effects_step).max(initial=0.0)))
        share = min(1.0, _LONGEST_STEP / max(longest, 1e-300))
        for _ in range(20):
            after = _height(rows, beta + share * step, effects + share * effects_step)
            if after >= height - 1e-10 * (1.0 + abs(height)):
                break
            share /= 2.0
        beta, effects, height = beta + share * step, effects + share * effects_step, after
        if longest <= tolerance:
            converged = True
            break
    curvature, mixed, spread, _, _ = _slopes(rows, beta, effects, order, firsts)
    log_determinant = float(np.linalg.slogdet(curvature[np.ix_(free, free)])[1] + np.log(spread).sum())
    return ShrunkenFit(
        coefficients=beta,
        effects=effects,
        height=height,
        curvature=curvature,
        mixed=mixed,
        session_curvature=spread,
        log_determinant=log_determinant,
        free=free,
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
    free = fit.free
    spare = session_slopes / fit.session_curvature
    rest = slopes[:, free] - spare @ fit.mixed[free].T
    inner = rest @ np.linalg.solve(fit.curvature[np.ix_(free, free)], rest.T)
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
    free, group = fit.free, rows.sessions
    mean = _expit(rows.x @ fit.coefficients + fit.effects[group])
    inverse = np.linalg.inv(fit.curvature[np.ix_(free, free)])
    taken = fit.mixed[free] / fit.session_curvature
    own = rows.x[:, free] - taken.T[group]
    variance = np.einsum("ij,ij->i", own @ inverse, own) + 1.0 / fit.session_curvature[group]
    pull = mean * (1.0 - mean) * variance * (mean - 0.5)
    in_effects = np.bincount(group, weights=pull, minlength=len(fit.effects)).astype(np.float64)
    shift = inverse @ (rows.x[:, free].T @ pull - taken @ in_effects)
    effects = in_effects / fit.session_curvature - taken.T @ shift
    return rows.x[:, free] @ shift + effects[group], np.asarray(variance, dtype=np.float64)


def _height(rows: ShrunkenRows, beta: Floats, effects: Floats) -> float:
    predictor = rows.x @ beta + effects[rows.sessions]
    flat = beta[rows.log_f]
    return float(
        (rows.y * predictor - np.logaddexp(0.0, predictor)).sum()
        - 0.5 * (rows.precision * beta**2).sum()
        - 0.5 * rows.session_precision * (effects**2).sum()
        + (0.5 * flat - np.logaddexp(0.0, flat)).sum()  # [3] log-F(1, 1)
    )


def _slopes(
    rows: ShrunkenRows, beta: Floats, effects: Floats, order: npt.NDArray[np.intp], firsts: npt.NDArray[np.intp]
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """Return curvature with the effects taken out, mixed curvature, that of the effects, and both scores."""
    mean = _expit(rows.x @ beta + effects[rows.sessions])
    weight, residual = mean * (1.0 - mean), rows.y - mean
    weighted = rows.x * weight[:, None]
    prior = _expit(beta)
    curvature = weighted.T @ rows.x + np.diag(rows.precision + np.where(rows.log_f, prior * (1.0 - prior), 0.0))
    mixed = np.add.reduceat(weighted[order], firsts, axis=0).T
    spread = np.add.reduceat(weight[order], firsts) + rows.session_precision
    score = rows.x.T @ residual - rows.precision * beta + np.where(rows.log_f, 0.5 - prior, 0.0)
    session_score = np.add.reduceat(residual[order], firsts) - rows.session_precision * effects
    return curvature - (mixed / spread) @ mixed.T, mixed, spread, score, session_score


def _expit(predictor: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(predictor, -500.0, 500.0))), dtype=np.float64)
