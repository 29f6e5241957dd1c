"""Posterior draws: true values of groups and of the places within them, given readings with error.

References
----------
[1] JCGM 106:2012, Evaluation of measurement data - The role of measurement
    uncertainty in conformity assessment, section 6 (knowledge before and after
    the measurement).
[2] G. E. P. Box and G. C. Tiao (1973), Bayesian Inference in Statistical
    Analysis, chapter 5 (random effects; from memory).
[3] A. Gelman et al. (2013), Bayesian Data Analysis, 3rd ed., 5.4 (normal
    hierarchy; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["NestedDraws", "draw_excess_variance", "draw_nested", "draw_sd"]

Floats = npt.NDArray[np.float64]
_TINY = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class NestedDraws:
    """Draws of true values; one row a draw.

    Attributes
    ----------
    group_means : ndarray, shape (draws, groups)
        True mean of each group over all places it could have been measured at.
    places : ndarray, shape (draws, places)
        True value at each place measured.
    population_mean, population_sd : float
        Median over the draws of the groups' population; NaN where the prior was flat.
    prior : {'normal, fitted to the groups', 'normal, its spread given', 'flat'}
    """

    group_means: Floats
    places: Floats
    population_mean: float
    population_sd: float
    prior: str


def draw_sd(sd: float, *, df: float, draws: int, rng: np.random.Generator) -> Floats:
    """Return draws of a true standard deviation, given its estimate and degrees of freedom.

    Parameters
    ----------
    sd : float
        Estimate, 0 or more.
    df : float
        Degrees of freedom, above 0; infinite where it is known.
    draws : int
    rng : Generator

    Raises
    ------
    ValueError
        The estimate is below 0, or df or draws not above 0.

    References
    ----------
    [2]_ of the module: scaled inverse chi-square.

    Examples
    --------
    >>> sds = draw_sd(2.0, df=50, draws=20_000, rng=np.random.default_rng(1))
    >>> round(float(np.sqrt((1 / sds**-2).mean() * 48 / 50)), 2)
    2.0
    """
    if not (np.isfinite(sd) and sd >= 0 and df > 0 and draws > 0):
        raise ValueError(f"sd must be 0 or more, df and draws above 0; given {sd}, {df} and {draws}")
    if np.isinf(df):
        return np.full(draws, float(sd))
    return np.asarray(sd * np.sqrt(df / rng.chisquare(df, draws)))


def draw_excess_variance(
    sum_of_squares: npt.ArrayLike, *, df: float, noise: Floats, rng: np.random.Generator
) -> Floats:
    """Return draws of a component of variance that is seen only together with noise.

    A sum of squares over the component plus the noise is chi-square; the
    component cannot be below 0, so the chi-square is cut off there.

    Parameters
    ----------
    sum_of_squares : array_like, scalar or shape (draws,)
        0 or more.
    df : float
        Its degrees of freedom, above 0.
    noise : ndarray, shape (draws,)
        Variance of the noise in each draw, 0 or more.
    rng : Generator

    Returns
    -------
    ndarray, shape (draws,)
        0 or more.

    Raises
    ------
    ValueError
        A figure is out of its range.

    References
    ----------
    [2]_ of the module, 5.2: prior 1/(component + noise).

    Examples
    --------
    >>> drawn = draw_excess_variance(500.0, df=50, noise=np.full(20_000, 4.0), rng=np.random.default_rng(1))
    >>> round(float(np.median(drawn)), 1), bool((drawn >= 0).all())
    (6.1, True)
    """
    from scipy.stats import chi2

    floor = np.asarray(noise, dtype=float)
    squares = np.broadcast_to(np.asarray(sum_of_squares, dtype=float), floor.shape)
    if not ((squares >= 0).all() and (floor >= 0).all() and df > 0):
        raise ValueError("sum_of_squares and noise must be 0 or more, and df above 0")
    most = np.where(floor > 0, chi2.cdf(squares / np.maximum(floor, _TINY), df), 1.0)
    drawn = chi2.ppf(rng.uniform(size=len(floor)) * most, df)
    total = np.divide(squares, drawn, out=floor.copy(), where=drawn > 0)
    return np.asarray(np.maximum(total - floor, 0.0))


def draw_nested(
    measured: Floats,
    *,
    group: npt.ArrayLike,
    readings: npt.ArrayLike,
    place_sd: npt.ArrayLike,
    reading_sd: npt.ArrayLike,
    fit_population: bool,
    rng: np.random.Generator,
    group_variance: Floats | None = None,
) -> NestedDraws:
    """Return draws of the true values of groups and places, given what was measured.

    The model: groups ~ N(m, t), places ~ N(group, place_sd), readings ~
    N(place, reading_sd). What all readings share (a bias) is taken off by the
    caller, draw by draw, before.

    Parameters
    ----------
    measured : ndarray, shape (draws, places)
        Mean reading at each place; rows differ by the bias taken off.
    group : array_like of int, shape (places,)
        Group of each place, from 0 on, each with at least one place.
    readings : array_like of int, shape (places,)
        Number of readings in each mean.
    place_sd, reading_sd : array_like, shape (draws,) or scalar
        Spread between places of one group and between readings at one place.
    fit_population : bool
        Learn m and t from the groups themselves (at least three groups).
        Otherwise nothing is held known of a group beforehand.
    rng : Generator
    group_variance : ndarray, shape (draws,), optional
        Draws of t^2 known from elsewhere; m alone is then learnt, and
        `fit_population` is not looked at.

    Returns
    -------
    NestedDraws

    Raises
    ------
    ValueError
        Shapes do not agree, a group is empty, a count is below 1, a spread is
        below 0, or a population is to be fitted to fewer than three groups.

    Notes
    -----
    The prior is flat on m and 1/(t^2 + v) on t^2, v being the mean sampling
    variance of a group's mean; with equal v the draws of m and t are exact,
    otherwise approximate. Under a flat prior probabilities are calibrated
    only where the groups' own spread is large against v.

    References
    ----------
    [2]_, [3]_ of the module; [1]_ for the use of a prior.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> drawn = draw_nested(np.full((4000, 4), 60.0), group=[0, 0, 0, 0], readings=[1, 1, 1, 1], place_sd=4.0,
    ...                     reading_sd=0.0, fit_population=False, rng=rng)
    >>> round(float(drawn.group_means.std()), 1), float(drawn.places.std())  # 4 / sqrt(4), and nothing
    (2.0, 0.0)
    """
    code, count = np.asarray(group, dtype=np.int64), np.asarray(readings, dtype=float)
    values = np.asarray(measured, dtype=float)
    draws = values.shape[0]
    apart = np.broadcast_to(np.asarray(place_sd, dtype=float), (draws,))
    scatter = np.broadcast_to(np.asarray(reading_sd, dtype=float), (draws,))
    _check(values, code, count, apart, scatter)
    between, within = apart**2, scatter**2
    if group_variance is not None and not (group_variance.shape == (draws,) and (group_variance >= 0).all()):
        raise ValueError(f"group_variance must be 0 or more, one a draw ({draws}); given {group_variance.shape}")
    home = np.equal.outer(code, np.arange(code.max() + 1)).astype(float)
    error = within[:, None] / count
    weight = 1.0 / np.maximum(between[:, None] + error, _TINY)
    precision = weight @ home
    seen = ((weight * values) @ home) / precision  # mean of a group's places, each by its precision
    variance = 1.0 / precision
    prior = "flat"
    if group_variance is not None or fit_population:
        prior = "normal, fitted to the groups" if group_variance is None else "normal, its spread given"
        mean, spread = _population(seen, variance, rng, known=group_variance)
        pull = spread[:, None] / (spread[:, None] + variance)  # [3] Eq. 5.17
        centre, left = mean[:, None] + pull * (seen - mean[:, None]), pull * variance
    else:
        mean, spread = np.full(draws, np.nan), np.full(draws, np.nan)
        centre, left = seen, variance
    groups = centre + np.sqrt(left) * rng.standard_normal(centre.shape)
    trust = between[:, None] / np.maximum(between[:, None] + error, _TINY)
    own = groups[:, code]
    places = own + trust * (values - own) + np.sqrt(trust * error) * rng.standard_normal(values.shape)
    exact = (error <= _TINY) & (between[:, None] > _TINY)
    return NestedDraws(
        group_means=groups,
        places=np.where(exact, values, places),
        population_mean=float(np.median(mean)),
        population_sd=float(np.sqrt(np.median(spread))),
        prior=prior,
    )


def _population(
    seen: Floats, variance: Floats, rng: np.random.Generator, *, known: Floats | None
) -> tuple[Floats, Floats]:
    """Return draws of the mean and the variance of the population the groups are from, [2]."""
    draws, groups = seen.shape
    if groups < 3 and known is None:
        raise ValueError(f"a population can be fitted to three groups or more; given {groups}")
    noise = variance.mean(axis=1)
    centre = seen.mean(axis=1)
    squares = ((seen - centre[:, None]) ** 2).sum(axis=1)
    spread = draw_excess_variance(squares, df=groups - 1, noise=noise, rng=rng) if known is None else known
    mean = centre + np.sqrt((spread + noise) / groups) * rng.standard_normal(draws)
    return mean, spread


def _check(values: Floats, code: npt.NDArray[np.int64], count: Floats, apart: Floats, scatter: Floats) -> None:
    """Refuse what cannot be a set of places in groups."""
    if values.ndim != 2 or not len(code) == len(count) == values.shape[1] or not len(code):
        raise ValueError(
            f"measured must have a row a draw and a column a place, one group and count each; given {values.shape}, "
            f"{len(code)} and {len(count)}"
        )
    if code.min() < 0 or len(np.unique(code)) != code.max() + 1:
        raise ValueError("group must number the groups from 0 on, each with at least one place")
    if not (count >= 1).all():
        raise ValueError("readings must be 1 or more at every place")
    if not ((apart >= 0).all() and (scatter >= 0).all()):
        raise ValueError("place_sd and reading_sd must be 0 or more")
