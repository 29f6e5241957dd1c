"""Graded odds: what an exposure does to ordered grades, adjusted, and whether it does the same at every cut.

A proportional-odds model [1]_ with priors: log-F on the exposure [2]_, normal
on the levels of what is adjusted for and of clusters. Its assumption, one odds
ratio at every cut between lower and higher grades, is tested against a model in
which each cut has its own [3]_.

References
----------
.. [1] McCullagh, P. (1980). Regression models for ordinal data. Journal of the Royal Statistical Society B 42, 109.
.. [2] Greenland, S. and Mansournia, M. A. (2015). Penalization, bias reduction, and default priors in logistic and
   related categorical and survival regressions. Statistics in Medicine 34, 3133.
.. [3] Peterson, B. and Harrell, F. E. (1990). Partial proportional odds models for ordinal response variables.
   Applied Statistics 39, 205.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.exposure_curve import shrunken_rows
from auditkit.stats.rows import check_confidence, complete_rows

__all__ = ["LEAST_AT_CUT", "GradedOdds", "graded_odds", "merged_grades"]

Floats = npt.NDArray[np.float64]
Whole = npt.NDArray[np.intp]

LEAST_AT_CUT = 5
"""Least number of records above each cut, and below it; grades that leave fewer are merged with a neighbour."""

_MOST_STEPS, _TOLERANCE, _LONGEST_STEP = 200, 1e-7, 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class GradedOdds:
    """What an exposure does to the odds of a higher grade.

    Parameters
    ----------
    odds_ratio, low, high, p : float
        Odds of a higher grade, exposed over not exposed; p of the penalised
        likelihood-ratio test.
    proportional_p : float
        Of the test that the odds ratio is the same at every cut; NaN where the
        grades of one side are too few to test.
    grades : tuple of tuple
        The grades as merged.
    n, excluded : int
    confidence : float
    method : str
    """

    odds_ratio: float
    low: float
    high: float
    p: float
    proportional_p: float
    grades: tuple[tuple[float, ...], ...]
    n: int
    excluded: int
    confidence: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Problem:
    """Ranks from 0, design, priors, and the stratum of each record, which has cuts of its own."""

    y: Whole
    x: Floats
    precision: Floats
    log_f: Floats
    strata: Whole
    cuts: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Fit:
    height: float
    estimate: Floats
    covariance: Floats


def merged_grades(
    grades: npt.ArrayLike, *, exposed: npt.ArrayLike | None = None, least: int = LEAST_AT_CUT
) -> tuple[tuple[float, ...], ...]:
    """Return the grades in rising order, merged until each cut has enough records on both sides.

    Parameters
    ----------
    grades : array_like
    exposed : array_like of bool, optional
        Given, each cut must have a record of both kinds on both sides as well.
    least : int

    Examples
    --------
    >>> merged_grades([0] * 50 + [1] * 6 + [2] * 3 + [5] * 2)
    ((0.0,), (1.0,), (2.0, 5.0))
    """
    values = np.asarray(grades, dtype=np.float64)
    flags = None if exposed is None else np.asarray(exposed, dtype=bool)
    known = np.unique(values)
    parts: list[list[float]] = []
    for grade in known:
        below = values < grade
        enough = min(below.sum(), (~below).sum()) >= least
        if enough and parts:
            previous = values < parts[-1][0]
            enough = int((below & ~previous).sum()) >= least
        if enough and flags is not None:
            middle = below & ~(values < parts[-1][0])
            enough = all((part & kind).any() for part in (middle, ~below) for kind in (flags, ~flags))
        if enough and parts:
            parts.append([float(grade)])
        elif parts:
            parts[-1].append(float(grade))
        else:
            parts = [[float(grade)]]
    return tuple(tuple(part) for part in parts)


def graded_odds(
    frame: pd.DataFrame,
    *,
    outcome: str,
    exposure: str,
    groups: Sequence[str] = (),
    numbers: Sequence[str] = (),
    clusters: Sequence[str] = (),
    confidence: float = 0.95,
    missing: str = "raise",
) -> GradedOdds:
    """Return what an exposure does to the odds of a higher grade.

    Parameters
    ----------
    frame : DataFrame
        One row a record.
    outcome : str
        Column of ordered grades, as numbers.
    exposure : str
        Column of False and True.
    groups, numbers : sequence of str
        Columns of labels and of numbers that are adjusted for.
    clusters : sequence of str
        Columns of labels, the records of each of which resemble one another.
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    GradedOdds

    Raises
    ------
    ValueError
        All records are exposed or none is; fewer than three grades are left
        after merging; or the fit does not converge.

    References
    ----------
    [1]_ to [3]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"grade": [0] * 30 + [1] * 12 + [3] * 8, "far": ([False, True] * 25)})
    >>> result = graded_odds(frame.assign(far=frame["far"] | (frame["grade"] == 3)), outcome="grade", exposure="far")
    >>> round(result.odds_ratio, 2), result.low > 0, result.grades
    (2.8, True, ((0.0,), (1.0,), (3.0,)))
    """
    from scipy.stats import chi2, norm

    check_confidence(confidence)
    wanted = list(dict.fromkeys([outcome, exposure, *groups, *numbers, *clusters]))
    kept, excluded = complete_rows(frame, columns=wanted, missing=missing)
    flag = kept[exposure].to_numpy(dtype=bool)
    if flag.all() or not flag.any():
        raise ValueError(f"records with {exposure} and without it are needed; {int(flag.sum())} of {len(flag)} have it")
    values = kept[outcome].to_numpy(dtype=np.float64)
    grades = merged_grades(values)
    if len(grades) < 3:
        raise ValueError(
            f"three grades with {LEAST_AT_CUT} records or more each are needed; merged to that, {len(grades)} are left"
        )
    y = _ranked(values, grades)
    design = shrunken_rows(
        kept, values, flag[:, None].astype(np.float64), groups=[*groups, *clusters], numbers=numbers, session=[]
    )
    x, precision, log_f = design.x[:, 1:], design.precision[1:], design.log_f[1:].astype(np.float64)
    fit = _climb(_problem(y, x, precision, log_f))
    without = _climb(_problem(y, x[:, 1:], precision[1:], log_f[1:]))
    error = float(fit.covariance[0, 0]) ** 0.5
    reach = float(norm.isf((1.0 - confidence) / 2.0)) * error
    log_odds = float(fit.estimate[0])
    drop = 2.0 * (fit.height - without.height + np.log(2.0))  # the prior's height at 0, which the other model lacks
    return GradedOdds(
        odds_ratio=float(np.exp(log_odds)),
        low=float(np.exp(log_odds - reach)),
        high=float(np.exp(log_odds + reach)),
        p=float(chi2.sf(max(drop, 0.0), 1)),
        proportional_p=_proportional(values, flag, x, precision, log_f),
        grades=grades,
        n=len(kept),
        excluded=excluded,
        confidence=confidence,
        method="proportional odds; log-F prior on the exposure, levels and clusters shrunk; Wald limits",
    )


def _ranked(values: Floats, grades: tuple[tuple[float, ...], ...]) -> Whole:
    return np.asarray(np.searchsorted([part[0] for part in grades], values, side="right") - 1, dtype=np.intp)


def _proportional(values: Floats, flag: npt.NDArray[np.bool_], x: Floats, precision: Floats, log_f: Floats) -> float:
    """Return p of one odds ratio at every cut, against cuts of their own for the exposed [3]."""
    from scipy.stats import chi2

    grades = merged_grades(values, exposed=flag)
    if len(grades) < 3:
        return float("nan")
    y = _ranked(values, grades)
    own = _climb(_problem(y, x[:, 1:], precision[1:], log_f[1:], strata=flag.astype(np.intp)))
    free = np.concatenate([[0.0], log_f[1:]])  # both without the exposure's prior: one lies within the other
    same = _climb(_problem(y, x, precision, free))
    return float(chi2.sf(max(2.0 * (own.height - same.height), 0.0), len(grades) - 2))


def _problem(y: Whole, x: Floats, precision: Floats, log_f: Floats, *, strata: Whole | None = None) -> _Problem:
    one = np.zeros(len(y), dtype=np.intp) if strata is None else strata
    return _Problem(y=y, x=x, precision=precision, log_f=log_f, strata=one, cuts=int(y.max()))


def _climb(problem: _Problem) -> _Fit:
    """Return the mode; coefficients first, then the cuts of each stratum."""
    strata = [problem.y[problem.strata == s] for s in range(int(problem.strata.max()) + 1)]
    theta = np.concatenate([_start(part, problem.cuts) for part in strata])
    columns = problem.x.shape[1]
    where = np.concatenate([np.zeros(columns), theta])
    height, slope, curve = _slopes(problem, where)
    for _ in range(_MOST_STEPS):
        step = np.linalg.solve(curve, slope)
        longest = float(np.abs(step).max())
        share = min(1.0, _LONGEST_STEP / max(longest, 1e-300))
        after = _slopes(problem, where + share * step)
        while share > 1e-6 and not after[0] >= height - 1e-10 * (1.0 + abs(height)):
            share /= 2.0
            after = _slopes(problem, where + share * step)
        where = where + share * step
        height, slope, curve = after
        if longest <= _TOLERANCE:
            return _Fit(height=height, estimate=where, covariance=np.asarray(np.linalg.inv(curve), dtype=np.float64))
    raise ValueError("the proportional-odds model did not converge; merge grades or levels")


def _start(y: Whole, cuts: int) -> Floats:
    below = np.array([(y <= k).mean() for k in range(cuts)])
    shares = np.clip(below, 0.5 / len(y), 1.0 - 0.5 / len(y))
    return np.asarray(np.log(shares / (1.0 - shares)) + 1e-3 * np.arange(cuts), dtype=np.float64)


def _slopes(problem: _Problem, where: Floats) -> tuple[float, Floats, Floats]:
    """Return log posterior, its gradient, and its curvature (less the second derivative)."""
    from scipy.special import expit

    y, x, cuts, strata = problem.y, problem.x, problem.cuts, problem.strata
    columns = x.shape[1]
    beta, theta = where[:columns], where[columns:]
    predictor = x @ beta
    upper, lower = y < cuts, y > 0
    at_upper, at_lower = strata * cuts + np.minimum(y, cuts - 1), strata * cuts + np.maximum(y - 1, 0)
    above = np.where(upper, expit(theta[at_upper] - predictor), 1.0)
    below = np.where(lower, expit(theta[at_lower] - predictor), 0.0)
    chance = above - below
    if not (chance > 0).all():
        return -np.inf, np.zeros(len(where)), np.eye(len(where))
    da, db = above * (1.0 - above), below * (1.0 - below)
    rows = np.arange(len(y))
    to_upper, to_lower = np.zeros((len(y), len(theta))), np.zeros((len(y), len(theta)))
    to_upper[rows[upper], at_upper[upper]] = 1.0
    to_lower[rows[lower], at_lower[lower]] = 1.0
    by_predictor = -(1.0 - above - below)
    by_upper, by_lower = da / chance, -db / chance
    slope = np.concatenate([x.T @ by_predictor, to_upper.T @ by_upper + to_lower.T @ by_lower])
    curve = np.zeros((len(where), len(where)))
    curve[:columns, :columns] = (x * (da + db)[:, None]).T @ x
    mixed = -(to_upper * da[:, None] + to_lower * db[:, None])
    curve[:columns, columns:] = x.T @ mixed
    curve[columns:, :columns] = curve[:columns, columns:].T
    second_upper = by_upper**2 - da * (1.0 - 2.0 * above) / chance
    second_lower = by_lower**2 + db * (1.0 - 2.0 * below) / chance
    cross = (to_upper * (da * db / chance**2)[:, None]).T @ to_lower
    cuts_curve = np.diag(to_upper.T @ second_upper + to_lower.T @ second_lower) - cross - cross.T
    curve[columns:, columns:] = cuts_curve
    tail = expit(beta)
    gain = problem.log_f @ (beta / 2.0 - np.logaddexp(0.0, beta))
    height = float(np.log(chance).sum() - 0.5 * problem.precision @ beta**2 + gain)
    slope[:columns] += -problem.precision * beta + problem.log_f * (0.5 - tail)
    curve[:columns, :columns] += np.diag(problem.precision + problem.log_f * tail * (1.0 - tail))
    return height, slope, curve
