"""Frailty: lives pooled across groups, with each group's own history weighing in.

Group j fails at the pooled hazard times a factor w of its own; the factors
follow a gamma distribution of mean 1. Its variance, and the pooled Weibull
life, are those of greatest marginal likelihood. The factor of a group is its
mean given the group's own lives, averaged over what the data leave open of the
pooled figures. A group with little history stays near 1, one with much is
judged by its own.

References
----------
[1] J. W. Vaupel, K. G. Manton and E. Stallard (1979), Demography 16:439-454.
[2] D. G. Clayton (1978), Biometrika 65:141-151.
[3] L. Duchateau and P. Janssen (2008), The Frailty Model, Springer, chapter 2:
    closed form of the marginal likelihood for right-censored lives.
[4] A. Gelman (2006), Bayesian Analysis 1:515-533: the half-normal prior on a
    standard deviation between groups.
[5] C. P. Robert and G. Casella (2004), Monte Carlo Statistical Methods, 2nd
    ed., Springer, 3.3: importance sampling.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.lifetimes import CANNOT_TELL, ESTIMATED, Lives, read_lives
from auditkit.stats.rows import check_confidence, complete_rows
from auditkit.stats.weibull import Weibull, fit_weibull

__all__ = ["GroupLives", "fit_group_lives"]

Floats = npt.NDArray[np.float64]

_NODES = 200
_DEPTH = 12.0
_LOG_VARIANCES = (math.log(1e-3), math.log(5.0))
_POINTS = 256
_CUTS = 9
_LOG_SHAPE = (math.log(2.0), 1.0)
"""Mean and standard deviation of the prior of the log shape; ours, no source: 95 % from 0.28 to 14."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupLives:
    """Lives of several groups, pooled.

    Attributes
    ----------
    verdict, reason : str
        'estimated', or 'cannot tell' and why.
    life : Weibull or None
        Of a group whose factor is 1.
    variance : float or None
        Of the factors, in the pooled model; 0 where no difference was seen.
    p_value : float or None
        Of no difference between groups: likelihood ratio, half chi-square
        because a variance cannot be below 0.
    groups : DataFrame
        One row a group, sorted: group, n, failures, factor (of the hazard),
        low, high (its limits), scale, shape (the group's Weibull life).
    draws : DataFrame
        What the data leave open of each group's life, by group: group, weight
        (sums to 1 a group), scale, shape. Empty where nothing can be told.
    n, failures, excluded : int
    confidence : float
    method : str
    notes : tuple of str
    """

    verdict: str
    reason: str
    life: Weibull | None
    variance: float | None
    p_value: float | None
    groups: pd.DataFrame
    draws: pd.DataFrame
    n: int
    failures: int
    excluded: int
    confidence: float
    method: str
    notes: tuple[str, ...]


def fit_group_lives(
    frame: pd.DataFrame,
    *,
    group: str,
    last_good: str = "last_good",
    first_bad: str = "first_bad",
    confidence: float = 0.95,
    missing: str = "raise",
) -> GroupLives:
    """Return the life of each group under a gamma frailty, for any mix of censoring.

    Parameters
    ----------
    frame : DataFrame
        One row a life, see `lifetimes`, with its group.
    group, last_good, first_bad : str
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    GroupLives
        'cannot tell' where the pooled lives fix no Weibull life.

    Raises
    ------
    ValueError
        There is only one group.

    Notes
    -----
    The integral over the factor is a sum over equal steps of its logarithm.
    What is open of the pooled figures is averaged over by importance sampling
    on a fixed set of points, with a flat prior on the logarithm of scale, a wide
    normal one on that of shape (a few wide brackets alone would let it grow
    without end) and a half-normal prior of scale 1 on the standard deviation
    of the factors. In 150 simulated data sets of eight groups of eight lives 95 %
    limits covered 93 %; with the pooled figures taken as known, 81 %.

    References
    ----------
    [1]_, [2]_, [3]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"unit": ["a"] * 4 + ["b"] * 4, "last_good": [2.0, 3, 4, 5, 20, 25, 30, 36]})
    >>> fit = fit_group_lives(frame.assign(first_bad=frame["last_good"]), group="unit")
    >>> [bool(factor > 1) for factor in fit.groups["factor"]]
    [True, False]
    """
    check_confidence(confidence)
    rows, excluded = complete_rows(frame, columns=[group, last_good, first_bad], missing=missing)
    lives = read_lives(rows, last_good=last_good, first_bad=first_bad)
    codes, labels = pd.factorize(rows[group], sort=True)
    if len(labels) < 2:
        raise ValueError(f"{group} must hold two groups or more; given {list(labels)}. Use fit_weibull() for one")
    pooled = fit_weibull(rows, last_good=last_good, first_bad=first_bad, confidence=confidence)
    counts = pd.DataFrame({"group": labels, "n": np.bincount(codes)})
    counts["failures"] = np.bincount(codes, weights=lives.failed).astype(int)
    method = "Weibull life with a gamma frailty, marginal maximum likelihood, empirical Bayes factors"
    if pooled.life is None or pooled.log_likelihood is None:
        return GroupLives(
            verdict=CANNOT_TELL,
            reason=pooled.reason,
            life=None,
            variance=None,
            p_value=None,
            groups=_group_table(counts, np.full((5, len(labels)), np.nan)),
            draws=pd.DataFrame({"group": labels[:0], "weight": 0.0, "scale": 0.0, "shape": 0.0}),
            n=lives.n,
            failures=lives.failures,
            excluded=excluded,
            confidence=confidence,
            method=method,
            notes=(),
        )
    likelihood = _Marginal(lives, codes)
    life, variance, best = likelihood.maximum(pooled.life)
    gain = 2.0 * (best - pooled.log_likelihood)
    notes: tuple[str, ...] = ()
    if gain <= 1e-6:
        life, variance, gain = pooled.life, 0.0, 0.0
        notes = ("no difference between groups was seen: their factors stay near 1",)
    points, weights = likelihood.open_points(life, variance)
    factors = likelihood.factors(points, weights, confidence=confidence)
    return GroupLives(
        verdict=ESTIMATED,
        reason="",
        life=life,
        variance=variance,
        p_value=_half_chi_square(gain),
        groups=_group_table(counts, factors),
        draws=likelihood.draws(points, weights, labels),
        n=lives.n,
        failures=lives.failures,
        excluded=excluded,
        confidence=confidence,
        method=method,
        notes=notes,
    )


def _half_chi_square(gain: float) -> float:
    """Return the p-value of a variance on its boundary: half of it is no gain at all."""
    from scipy.stats import chi2

    return 1.0 if gain <= 0 else 0.5 * float(chi2.sf(gain, 1))


def _group_table(counts: pd.DataFrame, factors: Floats) -> pd.DataFrame:
    return counts.assign(**dict(zip(["factor", "low", "high", "scale", "shape"], factors, strict=True)))


def _nodes(variance: float) -> tuple[Floats, Floats]:
    """Return factors and their weights: equal steps of g = log w under the gamma density of mean 1.

    That density falls as exp(-alpha (e^g - g - 1)), alpha = 1 / variance; the
    steps run between the two roots of e^g - g - 1 = depth * variance.
    """
    from scipy.special import lambertw

    depth = 1.0 + _DEPTH * variance
    low, high = (-depth - float(lambertw(-math.exp(-depth), branch).real) for branch in (0, -1))
    g = np.linspace(low, high, _NODES)
    density = np.exp((1.0 + g - np.exp(g)) / variance)
    return np.exp(g), density / density.sum()


def _group_terms(lives: Lives, codes: npt.NDArray[np.int64], life: Weibull, factors: Floats) -> Floats:
    """Return the log-likelihood of each group (row) at each factor (column)."""
    with np.errstate(divide="ignore", over="ignore", invalid="ignore"):
        good, bad = (life.shape * (np.log(ages) - math.log(life.scale)) for ages in (lives.last_good, lives.first_bad))
        good, bad = np.exp(good), np.exp(bad)
        density = np.log(life.shape * bad / lives.first_bad)[:, None] + np.log(factors) - bad[:, None] * factors
        between = -good[:, None] * factors + np.log(-np.expm1((good - bad)[:, None] * factors))
    terms = np.where(lives.exact[:, None], density, between)
    order = np.argsort(codes, kind="stable")
    result: Floats = np.add.reduceat(terms[order], np.searchsorted(codes[order], np.arange(codes.max() + 1)), axis=0)
    return result


class _Marginal:
    """The likelihood of the lives in (log scale, log shape, log variance), the factors summed out."""

    def __init__(self, lives: Lives, codes: npt.NDArray[np.int64]) -> None:
        self._lives, self._codes = lives, codes

    def log_likelihood(self, at: Floats) -> float:
        """Return the marginal log-likelihood."""
        return float(self._by_group(at)[1].sum())

    def maximum(self, start: Weibull) -> tuple[Weibull, float, float]:
        """Return the pooled life, the variance and the log-likelihood at the maximum."""
        found = self._climb(
            self.log_likelihood, np.array([math.log(start.scale), math.log(start.shape), math.log(0.3)])
        )
        life = Weibull(scale=math.exp(found[0]), shape=math.exp(found[1]))
        return life, math.exp(found[2]), self.log_likelihood(found)

    def open_points(self, life: Weibull, variance: float) -> tuple[Floats, Floats]:
        """Return points for what is open of the pooled figures, and their weights, [5] with the prior of [4]."""
        from scipy.special import softmax

        def log_posterior(at: Floats) -> float:
            # a half-normal standard deviation s has density s exp(-s^2 / 2) in log s^2, up to a constant
            between = 0.5 * float(at[2]) - 0.5 * math.exp(at[2])
            return self.log_likelihood(at) + between - 0.5 * ((float(at[1]) - _LOG_SHAPE[0]) / _LOG_SHAPE[1]) ** 2

        start = np.array([math.log(life.scale), math.log(life.shape), math.log(max(variance, 0.05))])
        mode = self._climb(log_posterior, start)
        points, log_density = _points_about(mode, _curvature(log_posterior, mode))
        points[:, 2] = np.clip(points[:, 2], *_LOG_VARIANCES)
        weights = softmax(np.array([log_posterior(at) for at in points]) - log_density)
        kept = weights > 1e-6
        return points[kept], weights[kept] / weights[kept].sum()

    def draws(self, points: Floats, weights: Floats, labels: object) -> pd.DataFrame:
        """Return lives of each group: at each point, those of factors that cut its posterior into equal parts."""
        middles = (np.arange(_CUTS) + 0.5) / _CUTS
        groups = int(self._codes.max()) + 1
        scales, shapes = np.empty((groups, len(points), _CUTS)), np.empty((groups, len(points), _CUTS))
        for i, at in enumerate(points):
            factors, _, shares = self._by_group(at)
            below = np.cumsum(shares, axis=1) - shares / 2.0
            logs = np.stack([np.interp(middles, row, np.log(factors)) for row in below])
            scales[:, i], shapes[:, i] = np.exp(at[0] - logs / math.exp(at[1])), math.exp(at[1])
        each = len(points) * _CUTS
        return pd.DataFrame(
            {
                "group": np.repeat(np.asarray(labels), each),
                "weight": np.tile(np.repeat(weights / _CUTS, _CUTS), groups),
                "scale": scales.ravel(),
                "shape": shapes.ravel(),
            }
        )

    def _by_group(self, at: Floats) -> tuple[Floats, Floats, Floats]:
        """Return factors, log-likelihood of each group, and the weights of the factors given its lives."""
        factors, weights = _nodes(math.exp(at[2]))
        terms = _group_terms(self._lives, self._codes, Weibull(scale=math.exp(at[0]), shape=math.exp(at[1])), factors)
        highest = terms.max(axis=1, keepdims=True)
        shares = np.exp(terms - highest) * weights
        total = shares.sum(axis=1, keepdims=True)
        return factors, (highest + np.log(total))[:, 0], shares / total

    def factors(self, points: Floats, weights: Floats, *, confidence: float) -> Floats:
        """Return factor, low, high, scale and shape of each group, averaged over the points."""
        tail = (1.0 - confidence) / 2.0
        grid = np.linspace(math.log(1e-4), math.log(1e3), 2001)
        sums = np.zeros((3, int(self._codes.max()) + 1))
        below = np.zeros((sums.shape[1], len(grid)))
        for at, weight in zip(points, weights, strict=True):
            factors, _, shares = self._by_group(at)
            logs, shape = np.log(factors), math.exp(at[1])
            sums += weight * np.stack([shares @ factors, at[0] - shares @ logs / shape, np.full(sums.shape[1], at[1])])
            middles = np.cumsum(shares, axis=1) - shares / 2.0
            below += weight * np.stack([np.interp(grid, logs, row, left=0.0, right=1.0) for row in middles])
        low, high = (np.exp([np.interp(p, row, grid) for row in below]) for p in (tail, 1.0 - tail))
        return np.stack([sums[0], low, high, np.exp(sums[1]), np.exp(sums[2])])

    def _climb(self, height: Callable[[Floats], float], start: Floats) -> Floats:
        from scipy.optimize import minimize

        simplex = start + np.vstack([np.zeros(3), np.diag([0.3, 0.3, 1.0])])
        options = {"xatol": 1e-5, "fatol": 1e-7, "maxiter": 600, "initial_simplex": simplex}
        bounds = [(None, None), (None, None), _LOG_VARIANCES]
        return np.asarray(
            minimize(lambda at: -height(at), start, method="Nelder-Mead", bounds=bounds, options=options).x, dtype=float
        )


def _curvature(height: Callable[[Floats], float], mode: Floats) -> Floats:
    """Return minus the second derivatives at a mode, by central differences."""
    step = 0.02 * np.eye(3)
    result = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            corners = [height(mode + a * step[i] + b * step[j]) * a * b for a in (1, -1) for b in (1, -1)]
            result[i, j] = -sum(corners) / (4 * 0.02**2)
    return result


def _points_about(mode: Floats, curvature: Floats) -> tuple[Floats, Floats]:
    """Return points of a t distribution on 5 degrees of freedom about a mode, and their log density."""
    from scipy.special import stdtrit
    from scipy.stats import qmc

    values, vectors = np.linalg.eigh(curvature)
    root = vectors / np.sqrt(np.maximum(values, 0.05))
    z = stdtrit(5, (qmc.Sobol(3, scramble=False).random(_POINTS) + 0.5 / _POINTS).clip(max=1 - 0.5 / _POINTS))
    log_density = -3.0 * np.log1p(z**2 / 5.0).sum(axis=1)  # one t each along the three axes of the curvature
    return mode + z @ root.T, log_density
