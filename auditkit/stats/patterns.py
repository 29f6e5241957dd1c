"""Patterns: which of a few stated explanations a set of measured figures speaks for.

Each pattern says where the figures would lie if it held, as a cloud of points
with weights (how strongly it may act is not known beforehand). The probability
of a pattern is its prior times the likelihood of the figures, averaged over its
cloud, over the sum of the same for all patterns.

References
----------
[1] A. Gelman et al. (2013), Bayesian Data Analysis, 3rd ed., CRC Press, 1.3
    and 7.4 (Bayes' rule over models, averaged likelihood).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.lifetimes import CANNOT_TELL

__all__ = ["Pattern", "read_patterns"]

Floats = npt.NDArray[np.float64]

FARTHEST_P = 0.001
"""A set of figures that so few draws from the nearest point would exceed fits no pattern."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pattern:
    """One explanation.

    Parameters
    ----------
    name : str
    prior : float
        Its probability before the figures are seen, in proportion to the others' `[-]`.
    points : ndarray
        Where the figures would lie, one row a point, one column a figure. All
        points weigh the same.

    Examples
    --------
    >>> Pattern(name="nothing", prior=0.6, points=np.zeros((1, 2))).name
    'nothing'
    """

    name: str
    prior: float
    points: Floats


def read_patterns(
    figures: npt.ArrayLike, *, covariance: npt.ArrayLike, patterns: Sequence[Pattern], threshold: float = 0.8
) -> pd.DataFrame:
    """Return the probability of each pattern for each set of figures.

    Parameters
    ----------
    figures : array_like
        One row a set, one column a figure; none missing.
    covariance : array_like
        Of the errors of the figures: one matrix for all rows, or one each.
    patterns : sequence of Pattern
        Two or more, all that are held possible.
    threshold : float
        Least probability at which a pattern is named `[-]`.

    Returns
    -------
    DataFrame
        One row a set: a column for each pattern's probability, then fit (the
        share of draws from the nearest point of any pattern that would lie
        farther off) and named: a pattern, or 'cannot tell' where none reaches
        the threshold or none fits (`FARTHEST_P`).

    Raises
    ------
    ValueError
        The shapes do not agree, a figure is missing, a prior is not above 0,
        or the threshold is not between 0.5 and 1.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> patterns = [Pattern(name="none", prior=0.5, points=np.array([[0.0]])),
    ...             Pattern(name="up", prior=0.5, points=np.array([[2.0]]))]
    >>> read_patterns([[2.0], [1.0]], covariance=[[1.0]], patterns=patterns).round(3)["up"].tolist()
    [0.881, 0.5]
    """
    from scipy.special import logsumexp, softmax
    from scipy.stats import chi2

    values = np.asarray(figures, dtype=float)
    _check(values, patterns, threshold)
    matrices = np.broadcast_to(np.asarray(covariance, dtype=float), (len(values), values.shape[1], values.shape[1]))
    roots = np.linalg.cholesky(np.linalg.inv(matrices))
    distances = [_squared_distances(values, roots, pattern.points) for pattern in patterns]
    # the normal density's constant is the same for every pattern and drops out
    scores = np.stack(
        [
            np.log(pattern.prior) + logsumexp(-0.5 * d, axis=1) - np.log(d.shape[1])
            for pattern, d in zip(patterns, distances, strict=True)
        ],
        axis=1,
    )
    probabilities = softmax(scores, axis=1)
    names = [pattern.name for pattern in patterns]
    result = pd.DataFrame(probabilities, columns=names)
    fit = chi2.sf(np.min([d.min(axis=1) for d in distances], axis=0), values.shape[1])
    told = (probabilities.max(axis=1) >= threshold) & (fit >= FARTHEST_P)
    best = np.array(names, dtype=object)[probabilities.argmax(axis=1)]
    result["fit"] = fit
    result["named"] = pd.array(np.where(told, best, CANNOT_TELL), dtype="str")
    return result


def _squared_distances(values: Floats, roots: Floats, points: Floats) -> Floats:
    """Return the squared Mahalanobis distance of each set (row) from each point (column)."""
    steps = (values[:, None, :] - points[None, :, :]) @ roots
    result: Floats = (steps**2).sum(axis=2)
    return result


def _check(values: Floats, patterns: Sequence[Pattern], threshold: float) -> None:
    if values.ndim != 2 or not np.isfinite(values).all():
        raise ValueError(f"figures must be rows of finite numbers; given an array of shape {values.shape}")
    names = [pattern.name for pattern in patterns]
    if len(names) < 2 or len(set(names)) != len(names):
        raise ValueError(f"two patterns or more, each with its own name, are needed; given {names}")
    for pattern in patterns:
        if not pattern.prior > 0 or pattern.points.ndim != 2 or pattern.points.shape[1] != values.shape[1]:
            raise ValueError(
                f"pattern {pattern.name!r} needs a prior above 0 and points of {values.shape[1]} columns; "
                f"given {pattern.prior} and shape {pattern.points.shape}"
            )
    if not 0.5 < threshold < 1.0:
        raise ValueError(f"threshold must lie strictly between 0.5 and 1; given {threshold}")
