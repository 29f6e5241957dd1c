"""Iteratively reweighted least squares for many weightings of the same rows at once, with or without Jeffreys' prior.

One fit is a batch of one. A bootstrap or a jackknife is a batch in which a row
has another weight in each fit: no row is copied, and every fit starts from the
estimate on all rows.

References
----------
.. [1] Firth, D. (1993). Bias reduction of maximum likelihood estimates. Biometrika 80, 27.
.. [2] Heinze, G. and Schemper, M. (2002). A solution to the problem of separation in logistic regression.
   Statistics in Medicine 21, 2409.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["FAMILIES", "BatchFit", "fit_batch"]

Floats = npt.NDArray[np.float64]

FAMILIES = ("logistic", "poisson")
_BLOCK = 2_000_000  # elements of one (fits, rows) array, for memory
_LONGEST_STEP = 5.0
# Of the number of rows. The first keeps the information of a column without weight from vanishing; the second,
# in the step alone, keeps rounding from moving its coefficient. Neither moves an estimate that the rows determine.
_RIDGE, _STEP_RIDGE = 1e-10, 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchFit:
    """Estimates of a batch of fits.

    Parameters
    ----------
    coefficients : ndarray, shape (fits, columns)
    log_likelihood : ndarray, shape (fits,)
        Penalised where the fit is; less the part that holds no coefficient.
    converged : ndarray of bool, shape (fits,)
    """

    coefficients: Floats
    log_likelihood: Floats
    converged: npt.NDArray[np.bool_]


def fit_batch(
    x: Floats,
    y: Floats,
    *,
    family: str,
    penalised: bool,
    weights: Floats | None = None,
    offset: Floats | None = None,
    start: Floats | None = None,
    free: npt.NDArray[np.bool_] | None = None,
    tolerance: float = 1e-8,
    most_steps: int = 200,
) -> BatchFit:
    """Return the coefficients of a logistic or Poisson model for each row of weights.

    Parameters
    ----------
    x : ndarray, shape (rows, columns)
        Design, of full rank.
    y : ndarray, shape (rows,)
        Outcome: 0 and 1, or counts.
    family : {'logistic', 'poisson'}
        Canonical link.
    penalised : bool
        With Jeffreys' prior [1]_, which keeps estimates finite under separation [2]_.
    weights : ndarray, shape (fits, rows), optional
        Left out, one fit with weights of 1.
    offset : ndarray, shape (rows,), optional
        Added to the linear predictor.
    start : ndarray, shape (fits, columns), optional
        Where to start; left out, at 0.
    free : ndarray of bool, shape (columns,), optional
        Coefficients to estimate; the others stay at `start`, and the prior
        stays that of all of them.
    tolerance : float
        A fit has converged when no coefficient of the orthogonal columns moves by more.
    most_steps : int

    Returns
    -------
    BatchFit

    Raises
    ------
    ValueError
        The family is not known.

    Examples
    --------
    >>> x, y = np.ones((4, 1)), np.array([1.0, 0.0, 0.0, 0.0])
    >>> fit = fit_batch(x, y, family="logistic", penalised=False)
    >>> float(fit.coefficients[0, 0].round(4))  # log(1/3)
    -1.0986
    """
    if family not in FAMILIES:
        raise ValueError(f"family must be one of {list(FAMILIES)}; given {family!r}")
    rows, columns = x.shape
    weights = np.ones((1, rows)) if weights is None else weights
    start = np.zeros((len(weights), columns)) if start is None else start
    free = np.ones(columns, dtype=bool) if free is None else free
    # Orthogonal columns make the fit indifferent to the origin and unit of a term. With the fixed coefficients
    # last, the triangular factor carries them over without the free ones.
    order = np.concatenate([np.flatnonzero(free), np.flatnonzero(~free)])
    basis, factor = np.linalg.qr(x[:, order])
    basis, factor = basis * rows**0.5, factor / rows**0.5
    problem = _Problem(
        x=basis,
        products=(basis[:, :, None] * basis[:, None, :]).reshape(rows, -1),
        y=y,
        offset=np.zeros(rows) if offset is None else offset,
        family=family,
        penalised=penalised,
        free=free[order],
    )
    begin = start[:, order] @ factor.T
    size = max(1, _BLOCK // rows)
    blocks = [
        _climb(problem, weights[i : i + size], begin[i : i + size], tolerance, most_steps)
        for i in range(0, len(weights), size)
    ]
    found = np.concatenate([block[0] for block in blocks])
    coefficients = np.empty_like(found)
    coefficients[:, order] = np.linalg.solve(factor, found.T).T
    height = np.concatenate([block[1] for block in blocks])
    if penalised:
        height = height + float(np.log(np.abs(np.diag(factor))).sum())
    return BatchFit(
        coefficients=coefficients,
        log_likelihood=height,
        converged=np.concatenate([block[2] for block in blocks]),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Problem:
    """The rows, and what is asked of them."""

    x: Floats
    products: Floats  # x_i x_i' of each row, flat: information is one matrix product
    y: Floats
    offset: Floats
    family: str
    penalised: bool
    free: npt.NDArray[np.bool_]


@dataclass(slots=True, kw_only=True)
class _State:
    """Where each fit of a block stands."""

    beta: Floats
    mean: Floats
    variance: Floats  # weight times variance function
    information: Floats
    height: Floats


def _climb(
    problem: _Problem, weights: Floats, start: Floats, tolerance: float, most_steps: int
) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    beta, height = start.copy(), np.full(len(start), -np.inf)
    converged = np.zeros(len(start), dtype=bool)
    active = np.arange(len(start))
    state = _state(problem, weights, start)
    for _ in range(most_steps):
        step = _step(problem, weights[active], state)
        state = _ascend(problem, weights[active], state, step)
        beta[active], height[active] = state.beta, state.height
        done = np.abs(step).max(axis=1) <= tolerance
        converged[active[done]] = True
        active = active[~done]
        if not len(active):
            break
        state = _chosen(state, ~done)
    return beta, height, converged


def _chosen(state: _State, keep: npt.NDArray[np.bool_]) -> _State:
    return _State(
        beta=state.beta[keep],
        mean=state.mean[keep],
        variance=state.variance[keep],
        information=state.information[keep],
        height=state.height[keep],
    )


def _state(problem: _Problem, weights: Floats, beta: Floats) -> _State:
    fits, columns = beta.shape
    predictor = np.clip(beta @ problem.x.T + problem.offset, -500.0, 500.0)
    if problem.family == "logistic":
        mean = 1.0 / (1.0 + np.exp(-predictor))
        spread, cumulant = mean * (1.0 - mean), np.logaddexp(0.0, predictor)
    else:
        mean = np.exp(predictor)
        spread, cumulant = mean, mean
    variance = weights * spread
    information = (variance @ problem.products).reshape(fits, columns, columns)
    information = information + _RIDGE * len(problem.x) * np.eye(columns)
    height = (weights * (problem.y * predictor - cumulant)).sum(axis=1)
    if problem.penalised:
        height = height + 0.5 * np.linalg.slogdet(information)[1]  # [1] the Jeffreys prior
    return _State(beta=beta, mean=mean, variance=variance, information=information, height=height)


def _step(problem: _Problem, weights: Floats, state: _State) -> Floats:
    residual = weights * (problem.y - state.mean)
    if problem.penalised:
        inverse = np.linalg.inv(state.information).reshape(len(weights), -1)
        hat = state.variance * (inverse @ problem.products.T)
        skew = 0.5 - state.mean if problem.family == "logistic" else 0.5
        residual = residual + hat * skew  # [2] eq. 2
    score = residual @ problem.x
    free = problem.free
    step = np.zeros_like(state.beta)
    damped = state.information + _STEP_RIDGE * len(problem.x) * np.eye(len(free))
    step[:, free] = np.linalg.solve(damped[:, free][:, :, free], score[:, free, None])[:, :, 0]
    longest = np.abs(step).max(axis=1, keepdims=True)
    return np.asarray(step * np.minimum(1.0, _LONGEST_STEP / np.maximum(longest, 1e-300)), dtype=np.float64)


def _ascend(problem: _Problem, weights: Floats, state: _State, step: Floats) -> _State:
    """Return the state after the step, halved in those fits where it would lead down."""
    share = np.ones((len(step), 1))
    for _ in range(12):
        after = _state(problem, weights, state.beta + share * step)
        falls = after.height < state.height - 1e-9 * (1.0 + np.abs(state.height))
        if not falls.any():
            break
        share[falls] /= 2.0
    return after
