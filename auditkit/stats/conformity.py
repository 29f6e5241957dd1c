"""Conformity: what a measured value says about a limit, given its uncertainty.

References
----------
[1] JCGM 106:2012, Evaluation of measurement data - The role of measurement
    uncertainty in conformity assessment.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt

__all__ = [
    "AcceptanceLimits",
    "GlobalRisks",
    "SpecificRisks",
    "acceptance_limits",
    "conformance_probability",
    "global_risks",
    "specific_risks",
]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptanceLimits:
    """Limits for the measured value.

    Attributes
    ----------
    low, high : float
        Accept from low to high; infinite where there is no such limit.
    guard_low, guard_high : float
        Distance from the tolerance limit, above zero towards the inside.
    method : str
    """

    low: float
    high: float
    guard_low: float
    guard_high: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SpecificRisks:
    """Risks of the verdict on one measured value.

    Attributes
    ----------
    conformance_probability : float
    accepted : bool
        Whether the measured value lies within the acceptance limits.
    consumer, producer : float
        Probability that an accepted item does not conform (0 where it is
        rejected), and that a rejected item conforms (0 where it is accepted).
    """

    conformance_probability: float
    accepted: bool
    consumer: float
    producer: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GlobalRisks:
    """Risks of a rule applied to a normal process measured with normal error.

    Attributes
    ----------
    consumer : float
        Probability that an item is accepted and does not conform.
    producer : float
        Probability that an item is rejected and conforms.
    conforming, accepted : float
        Share of items that conform, and that are accepted.
    """

    consumer: float
    producer: float
    conforming: float
    accepted: float


def conformance_probability(
    value: npt.ArrayLike,
    *,
    standard_uncertainty: npt.ArrayLike,
    lower: float | None = None,
    upper: float | None = None,
) -> Floats:
    """Return the probability that the true value lies within the tolerance `[-]`.

    Parameters
    ----------
    value, standard_uncertainty : array_like
        Measured values and their standard uncertainties (above 0), taken as
        normal, with nothing known beforehand.
    lower, upper : float, optional
        Tolerance limits; at least one.

    Returns
    -------
    ndarray
        Shape of the inputs together.

    Raises
    ------
    ValueError
        No limit, limits in the wrong order, or an uncertainty not above 0.

    References
    ----------
    [1]_ section 7.

    Examples
    --------
    >>> float(conformance_probability(509.7, standard_uncertainty=8.6, lower=490).round(3))
    0.989
    """
    low, high = _ordered(lower, upper)
    spread = np.asarray(standard_uncertainty, dtype=float)
    if not (np.isfinite(spread) & (spread > 0)).all():
        raise ValueError("standard_uncertainty must be above 0 and finite everywhere")
    return _within(np.asarray(value, dtype=float), spread, low, high)


def acceptance_limits(
    *,
    standard_uncertainty: float,
    lower: float | None = None,
    upper: float | None = None,
    guard: float | None = None,
    probability: float | None = None,
    rule: str = "guarded acceptance",
) -> AcceptanceLimits:
    """Return acceptance limits set off from the tolerance limits by a guard band.

    Parameters
    ----------
    standard_uncertainty : float
        Of the measured value, above 0.
    lower, upper : float, optional
        Tolerance limits; at least one.
    guard : float, optional
        Width of the band in standard uncertainties; give this or `probability`.
    probability : float, optional
        Conformance probability wanted at the acceptance limit of one limit.
    rule : {'guarded acceptance', 'guarded rejection', 'simple acceptance'}
        Band inside the tolerance, outside it, or none.

    Returns
    -------
    AcceptanceLimits

    Raises
    ------
    ValueError
        Limits, rule or guard are not usable, or the band leaves nothing to accept.

    References
    ----------
    [1]_ section 8.

    Examples
    --------
    >>> acceptance_limits(standard_uncertainty=2.0, lower=60, upper=120, guard=2).low
    64.0
    """
    from scipy.stats import norm

    low, high = _ordered(lower, upper)
    if not standard_uncertainty > 0:
        raise ValueError(f"standard_uncertainty must be above 0; given {standard_uncertainty}")
    signs = {"guarded acceptance": 1.0, "guarded rejection": -1.0, "simple acceptance": 0.0}
    if rule not in signs:
        raise ValueError(f"rule must be one of {list(signs)}; given {rule!r}")
    if rule == "simple acceptance":
        if guard is not None or probability is not None:
            raise ValueError("simple acceptance has no guard band; leave guard and probability out")
        width = 0.0
    else:
        if (guard is None) == (probability is None):
            raise ValueError("give one of guard and probability")
        if probability is not None and not 0.5 <= probability < 1.0:
            raise ValueError(f"probability must be at least 0.5 and below 1; given {probability}")
        factor = float(norm.ppf(probability)) if guard is None else guard
        if not factor >= 0:
            raise ValueError(f"guard must be 0 or more; given {guard}")
        width = factor * standard_uncertainty
    band = signs[rule] * width
    if low + band > high - band:
        raise ValueError(
            f"a guard band of {width:g} at either side leaves nothing between {low:g} and {high:g}; measure better"
        )
    return AcceptanceLimits(
        low=low + band,
        high=high - band,
        guard_low=band if math.isfinite(low) else 0.0,
        guard_high=band if math.isfinite(high) else 0.0,
        method=f"{rule}, guard band {width:g}",
    )


def specific_risks(
    value: float,
    *,
    standard_uncertainty: float,
    acceptance: AcceptanceLimits,
    lower: float | None = None,
    upper: float | None = None,
) -> SpecificRisks:
    """Return the verdict on one measured value and the risk that it is wrong.

    Parameters
    ----------
    value, standard_uncertainty : float
    acceptance : AcceptanceLimits
    lower, upper : float, optional
        Tolerance limits; at least one.

    Returns
    -------
    SpecificRisks

    References
    ----------
    [1]_ section 9.3.

    Examples
    --------
    >>> limits = acceptance_limits(standard_uncertainty=8.6, lower=490, rule="simple acceptance")
    >>> round(specific_risks(509.7, standard_uncertainty=8.6, acceptance=limits, lower=490).consumer, 3)
    0.011
    """
    conforms = float(
        conformance_probability(value, standard_uncertainty=standard_uncertainty, lower=lower, upper=upper)
    )
    accepted = acceptance.low <= value <= acceptance.high
    return SpecificRisks(
        conformance_probability=conforms,
        accepted=accepted,
        consumer=1.0 - conforms if accepted else 0.0,
        producer=0.0 if accepted else conforms,
    )


def global_risks(
    *,
    process_mean: float,
    process_sd: float,
    standard_uncertainty: float,
    acceptance: AcceptanceLimits,
    lower: float | None = None,
    upper: float | None = None,
) -> GlobalRisks:
    """Return consumer's and producer's risk of a rule, over a normal process.

    Parameters
    ----------
    process_mean, process_sd : float
        Of the true values.
    standard_uncertainty : float
        Of the measuring.
    acceptance : AcceptanceLimits
    lower, upper : float, optional
        Tolerance limits; at least one.

    Returns
    -------
    GlobalRisks

    Raises
    ------
    ValueError
        A spread is not above 0, or the limits are not usable.

    References
    ----------
    [1]_ section 9.5, Eq. 18 to 20.

    Examples
    --------
    >>> limits = acceptance_limits(standard_uncertainty=1.0, lower=-3, upper=3, rule="simple acceptance")
    >>> risks = global_risks(
    ...     process_mean=0, process_sd=2, standard_uncertainty=1, acceptance=limits, lower=-3, upper=3
    ... )
    >>> round(risks.consumer, 4), round(risks.producer, 4)
    (0.033, 0.0791)
    """
    low, high = _ordered(lower, upper)
    if not (process_sd > 0 and standard_uncertainty > 0):
        raise ValueError(f"both spreads must be above 0; given {process_sd} and {standard_uncertainty}")
    passed_between = partial(
        _accepted_between,
        mean=process_mean,
        sd=process_sd,
        standard_uncertainty=standard_uncertainty,
        acceptance=acceptance,
    )
    inside = passed_between(low, high)
    conforming = float(_within(np.asarray(process_mean), np.asarray(process_sd), low, high))
    seen_sd = np.asarray(math.hypot(process_sd, standard_uncertainty))
    accepted = float(_within(np.asarray(process_mean), seen_sd, acceptance.low, acceptance.high))
    outside = passed_between(-math.inf, low)
    outside += passed_between(high, math.inf)
    return GlobalRisks(consumer=outside, producer=conforming - inside, conforming=conforming, accepted=accepted)


def _ordered(lower: float | None, upper: float | None) -> tuple[float, float]:
    """Return the limits with infinity for the one that is not there."""
    if lower is None and upper is None:
        raise ValueError("give a lower limit, an upper limit, or both")
    low = -math.inf if lower is None else float(lower)
    high = math.inf if upper is None else float(upper)
    if not low < high:
        raise ValueError(f"the lower limit must lie below the upper; given {low} and {high}")
    return low, high


def _within(centre: Floats, spread: Floats, low: float, high: float) -> Floats:
    """Return the share of a normal distribution between two limits, without cancellation in the upper tail."""
    from scipy.special import ndtr

    above, below = (low - centre) / spread, (high - centre) / spread
    flip = above > 0
    return np.asarray(np.where(flip, ndtr(-above) - ndtr(-below), ndtr(below) - ndtr(above)))


def _accepted_between(
    low: float, high: float, *, mean: float, sd: float, standard_uncertainty: float, acceptance: AcceptanceLimits
) -> float:
    """Return the probability that the true value lies between two limits and is accepted, [1] Eq. 17."""
    from scipy.integrate import quad
    from scipy.stats import norm

    start, stop = max(low, mean - 10.0 * sd), min(high, mean + 10.0 * sd)
    if start >= stop:
        return 0.0

    def density(true_value: float) -> float:
        passed = _within(np.asarray(true_value), np.asarray(standard_uncertainty), acceptance.low, acceptance.high)
        return float(norm.pdf(true_value, mean, sd)) * float(passed)

    edges = sorted(
        edge
        for limit in (acceptance.low, acceptance.high, mean)
        for edge in (limit - 4 * standard_uncertainty, limit, limit + 4 * standard_uncertainty)
        if start < edge < stop
    )
    area, _ = quad(density, start, stop, points=edges or None, limit=200)
    return float(area)
