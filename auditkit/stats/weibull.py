"""Weibull lives: fitted to failures seen, bracketed by two looks, or not yet come.

The cumulative hazard at age t is H(t) = (t / scale)^shape and the share still
good S(t) = exp(-H(t)). The likelihood is taken in mu = log(scale) and
sigma = 1 / shape, where it behaves like that of a location and a spread.

References
----------
[1] W. Q. Meeker and L. A. Escobar (1998), Statistical Methods for Reliability
    Data, Wiley, chapters 4 (Weibull), 7.5 and 8 (censoring, likelihood, limits).
[2] J. F. Lawless (2003), Statistical Models and Methods for Lifetime Data, 2nd
    ed., Wiley, 5.2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.intervals import Interval
from auditkit.stats.lifetimes import CANNOT_TELL, ESTIMATED, Lives, read_lives, why_no_estimate
from auditkit.stats.rows import check_confidence
from auditkit.stats.weibull_likelihood import SHAPES, information, log_likelihoods, maximise, profile_limits

__all__ = ["Weibull", "WeibullFit", "fit_weibull", "life_quantile", "mean_life", "probability_failed", "survival_at"]

Floats = npt.NDArray[np.float64]

_FEW = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Weibull:
    """A Weibull life.

    Parameters
    ----------
    scale : float
        Age by which 63.2 % have failed.
    shape : float
        Above 1 the hazard grows with age, at 1 it is constant `[-]`.

    Raises
    ------
    ValueError
        A figure is not a finite number above 0.

    Examples
    --------
    >>> Weibull(scale=600.0, shape=1.7).shape
    1.7
    """

    scale: float
    shape: float

    def __post_init__(self) -> None:
        """Refuse figures that cannot be."""
        for name, value in (("scale", self.scale), ("shape", self.shape)):
            if not (math.isfinite(value) and value > 0):
                raise ValueError(f"{name} must be a finite number above 0; given {value}")


@dataclass(frozen=True, slots=True, kw_only=True)
class WeibullFit:
    """A Weibull life fitted to records, or why none could be.

    Attributes
    ----------
    verdict : str
        'estimated' or 'cannot tell'.
    reason : str
        Why it cannot be told; empty otherwise.
    life : Weibull or None
    scale, shape : Interval or None
    covariance : tuple of tuple of float, or None
        Of (mu, log sigma), from the observed information.
    log_likelihood : float or None
    n, failures, excluded : int
        Lives used, lives known to have ended, rows left out.
    confidence : float
    method : str
    notes : tuple of str
    """

    verdict: str
    reason: str
    life: Weibull | None
    scale: Interval | None
    shape: Interval | None
    covariance: tuple[tuple[float, float], tuple[float, float]] | None
    log_likelihood: float | None
    n: int
    failures: int
    excluded: int
    confidence: float
    method: str
    notes: tuple[str, ...]


def fit_weibull(
    frame: pd.DataFrame,
    *,
    last_good: str = "last_good",
    first_bad: str = "first_bad",
    confidence: float = 0.95,
    interval: str = "wald",
    missing: str = "raise",
) -> WeibullFit:
    """Return the Weibull life of greatest likelihood, for any mix of exact, right, left and interval censoring.

    Parameters
    ----------
    frame : DataFrame
        One row a life, see `lifetimes`.
    last_good, first_bad : str
    confidence : float
    interval : {'wald', 'profile'}
        Limits of the shape: from the observed information on the log scale,
        or from the profile likelihood, which is the better of the two with
        few failures and may be unbounded. Those of the scale are 'wald'.
    missing : {'raise', 'exclude'}

    Returns
    -------
    WeibullFit
        Without failures, or where the rows fix no shape, the verdict is
        'cannot tell' and there is no number.

    References
    ----------
    [1]_ 7.5, 8.2, 8.4; [2]_ 5.2 of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"last_good": [10.0, 20.0, 30.0, 40.0], "first_bad": [20.0, 30.0, 40.0, np.inf]})
    >>> fit = fit_weibull(frame)
    >>> round(fit.life.scale, 1), round(fit.life.shape, 2)
    (34.9, 2.65)
    >>> fit_weibull(frame.tail(1)).reason
    'no failure among 1 items, the oldest last seen good at age 40: how long they last cannot be told'
    """
    from scipy.stats import norm

    check_confidence(confidence)
    if interval not in ("wald", "profile"):
        raise ValueError(f"interval must be 'wald' or 'profile'; given {interval!r}")
    lives = read_lives(frame, last_good=last_good, first_bad=first_bad, missing=missing)
    method = f"Weibull maximum likelihood; limits of the scale wald, of the shape {interval}"
    reason = why_no_estimate(lives)
    if reason:
        return _cannot_tell(lives, reason, confidence=confidence, method=method)
    mu, log_sigma = maximise(lives)
    if not SHAPES[0] < math.exp(-log_sigma) < SHAPES[1]:
        reason = (
            f"the best shape lies outside {SHAPES[0]:g} to {SHAPES[1]:g}: the {lives.failures} failures among "
            f"{lives.n} items, as bracketed, fix no Weibull life"
        )
        return _cannot_tell(lives, reason, confidence=confidence, method=method)
    covariance = np.linalg.inv(information(lives, mu, log_sigma))
    width = float(norm.isf((1.0 - confidence) / 2.0)) * np.sqrt(np.diag(covariance))
    shape_low, shape_high = math.exp(-log_sigma - width[1]), math.exp(-log_sigma + width[1])
    if interval == "profile":
        shape_low, shape_high = profile_limits(lives, mu, log_sigma, confidence=confidence)
    few = f"few failures ({lives.failures}): limits from large-sample theory are rough"
    return WeibullFit(
        verdict=ESTIMATED,
        reason="",
        life=Weibull(scale=math.exp(mu), shape=math.exp(-log_sigma)),
        scale=Interval(
            estimate=math.exp(mu),
            low=math.exp(mu - width[0]),
            high=math.exp(mu + width[0]),
            n=lives.n,
            confidence=confidence,
            method="observed information, log scale",
        ),
        shape=Interval(
            estimate=math.exp(-log_sigma),
            low=shape_low,
            high=shape_high,
            n=lives.n,
            confidence=confidence,
            method="profile likelihood" if interval == "profile" else "observed information, log scale",
        ),
        covariance=(
            (float(covariance[0, 0]), float(covariance[0, 1])),
            (float(covariance[1, 0]), float(covariance[1, 1])),
        ),
        log_likelihood=float(log_likelihoods(lives, mu, log_sigma).sum()),
        n=lives.n,
        failures=lives.failures,
        excluded=lives.excluded,
        confidence=confidence,
        method=method,
        notes=(few,) if lives.failures < _FEW else (),
    )


def mean_life(life: Weibull) -> float:
    """Return the mean of a Weibull life.

    References
    ----------
    [1]_ Eq. 4.7 of the module: scale * Gamma(1 + 1/shape).

    Examples
    --------
    >>> mean_life(Weibull(scale=100.0, shape=1.0))
    100.0
    """
    return life.scale * math.gamma(1.0 + 1.0 / life.shape)


def life_quantile(fit: WeibullFit, *, failed_share: float) -> Interval:
    """Return the age by which a share has failed, with limits by the delta method on the log scale.

    Raises
    ------
    ValueError
        The share is not between 0 and 1, or the fit cannot tell.

    References
    ----------
    [1]_ 8.4.2 of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"last_good": [10.0, 20.0, 30.0, 40.0], "first_bad": [20.0, 30.0, 40.0, np.inf]})
    >>> round(life_quantile(fit_weibull(frame), failed_share=0.1).estimate, 1)
    14.9
    """
    from scipy.stats import norm

    if not 0.0 < failed_share < 1.0:
        raise ValueError(f"failed_share must lie strictly between 0 and 1; given {failed_share}")
    life, covariance = _told(fit)
    offset = math.log(-math.log1p(-failed_share)) / life.shape
    gradient = np.array([1.0, offset])  # of mu + sigma z in (mu, log sigma)
    width = float(norm.isf((1.0 - fit.confidence) / 2.0)) * math.sqrt(float(gradient @ covariance @ gradient))
    age = life.scale * math.exp(offset)
    return Interval(
        estimate=age,
        low=age * math.exp(-width),
        high=age * math.exp(width),
        n=fit.n,
        confidence=fit.confidence,
        method="delta method, log scale",
    )


def survival_at(fit: WeibullFit, *, age: float) -> Interval:
    """Return the share still good at an age, with limits by the delta method on the scale of log(-log S).

    Raises
    ------
    ValueError
        The age is not above 0, or the fit cannot tell.

    References
    ----------
    [1]_ 8.4.3 of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"last_good": [10.0, 20.0, 30.0, 40.0], "first_bad": [20.0, 30.0, 40.0, np.inf]})
    >>> round(survival_at(fit_weibull(frame), age=20.0).estimate, 2)
    0.8
    """
    from scipy.stats import norm

    if not (math.isfinite(age) and age > 0):
        raise ValueError(f"age must be a finite number above 0; given {age}")
    life, covariance = _told(fit)
    z = life.shape * math.log(age / life.scale)
    gradient = np.array([-life.shape, -z])  # of (log t - mu) / sigma in (mu, log sigma)
    width = float(norm.isf((1.0 - fit.confidence) / 2.0)) * math.sqrt(float(gradient @ covariance @ gradient))
    return Interval(
        estimate=math.exp(-math.exp(z)),
        low=math.exp(-math.exp(z + width)),
        high=math.exp(-math.exp(z - width)),
        n=fit.n,
        confidence=fit.confidence,
        method="delta method, log(-log) scale",
    )


def probability_failed(
    age: npt.ArrayLike, *, last_good: npt.ArrayLike, first_bad: npt.ArrayLike, life: Weibull
) -> Floats:
    """Return the probabilities that items had failed by an age, given when each was seen good and bad.

    Parameters
    ----------
    age : array_like
        Ages asked about, counted from when the item was new.
    last_good : array_like
        Ages at which the items were last known good, 0 if only when new. An
        item known to be good after the age asked about had not failed.
    first_bad : array_like
        Ages at which they were first known to have failed, infinite where
        nothing was seen after `last_good`.
    life : Weibull
        Taken as known; the doubt about it is not in the result.

    Returns
    -------
    ndarray
        (S(a) - S(t)) / (S(a) - S(b)) between a, last good, and b, first bad;
        0 up to a, 1 from b on `[-]`.

    Raises
    ------
    ValueError
        An age is missing or below 0, or first_bad lies before last_good.

    References
    ----------
    [1]_ 2.1: the conditional distribution of a life known to lie in (a, b].

    Examples
    --------
    >>> life = Weibull(scale=100.0, shape=1.0)
    >>> seen_bad = [20.0, 20.0, np.inf, 20.0]
    >>> probability_failed([5.0, 15.0, 15.0, 30.0], last_good=10.0, first_bad=seen_bad, life=life).round(3)
    array([0.   , 0.512, 0.049, 1.   ])
    """
    t, good, bad = np.broadcast_arrays(
        np.asarray(age, dtype=float), np.asarray(last_good, dtype=float), np.asarray(first_bad, dtype=float)
    )
    if not (np.all(t >= 0) and np.all(good >= 0) and np.all(np.isfinite(good)) and np.all(bad >= good)):
        raise ValueError(
            "ages must be 0 or more, none missing, last_good finite and not after first_bad; given "
            f"age {np.unique(t)[:3].tolist()}, last_good {np.unique(good)[:3].tolist()}, "
            f"first_bad {np.unique(bad)[:3].tolist()}"
        )
    with np.errstate(invalid="ignore"):
        hazard_t, hazard_a, hazard_b = ((x / life.scale) ** life.shape for x in (t, good, bad))
        share = np.expm1(-np.maximum(hazard_t - hazard_a, 0.0)) / np.expm1(hazard_a - hazard_b)
    return np.asarray(np.where(t >= bad, 1.0, np.where(t <= good, 0.0, share)), dtype=float)


def _cannot_tell(lives: Lives, reason: str, *, confidence: float, method: str) -> WeibullFit:
    return WeibullFit(
        verdict=CANNOT_TELL,
        reason=reason,
        life=None,
        scale=None,
        shape=None,
        covariance=None,
        log_likelihood=None,
        n=lives.n,
        failures=lives.failures,
        excluded=lives.excluded,
        confidence=confidence,
        method=method,
        notes=(),
    )


def _told(fit: WeibullFit) -> tuple[Weibull, Floats]:
    """Return the life and its covariance; refuse a fit that cannot tell."""
    if fit.life is None or fit.covariance is None:
        raise ValueError(f"a fitted life is needed; this fit cannot tell: {fit.reason}")
    return fit.life, np.array(fit.covariance)
