"""Limits on the film itself: what each rule asks of true film, and whether films that might be true meet it.

`film_decisions` judges what was read. Here the same tests are put, many films
at a time, to films that might lie under the readings.

References
----------
.. [1] SSPC-PA 2, Table 1.
.. [2] ISO 19840:2012, acceptance.
.. [3] IMO resolution MSC.215(82), definition 2.7.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditkit.trade.film_measures import TIE
from auditkit.trade.film_own import OwnLimits
from auditkit.trade.film_rules import Bound, FilmRules

__all__ = ["FilmLimits", "conforming_films", "correction_half_width_um", "film_limits", "own_film_limits"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmLimits:
    """What one side of one area must meet; infinite where there is no such limit.

    Parameters
    ----------
    by_part : bool
        Whether each part of the side is judged on its own.
    readings_per_place : int
        Readings a place must have to count as a spot.
    mean_low_um, mean_high_um : float
        Limits on the mean film of the part or side `[um]`.
    place_low_um, place_high_um : float
        Limits on the film at each place that counts `[um]`.
    reading_low_um, reading_high_um : float
        Limits on every place that was read, even once `[um]`.
    nominal_um : float
        What the share of readings is counted below `[um]`.
    most_below : float
        Share of readings that may lie below it `[-]`.
    strictly : bool
        Whether the share must stay below that figure, not only at it.
    unjudged : str
        Why conformity cannot be stated; blank where it can.
    """

    by_part: bool
    readings_per_place: int
    mean_low_um: float = -math.inf
    mean_high_um: float = math.inf
    place_low_um: float = -math.inf
    place_high_um: float = math.inf
    reading_low_um: float = -math.inf
    reading_high_um: float = math.inf
    nominal_um: float = -math.inf
    most_below: float = 1.0
    strictly: bool = False
    unjudged: str = ""


def film_limits(
    *,
    rule: str,
    level: int | None,
    minimum_um: float,
    nominal_um: float,
    maximum_um: float | None,
    surface_profile: str,
    rules: FilmRules,
) -> FilmLimits:
    """Return the limits a published rule sets to the film of one side of one area.

    Parameters
    ----------
    rule : {'sspc-pa-2', 'iso-19840', '90-10'}
    level : int, optional
        SSPC-PA 2 restriction level; None means the rule's default.
    minimum_um, nominal_um : float
        As specified for the side `[um]`.
    maximum_um : float, optional
        Specified maximum `[um]`; None where none was specified.
    surface_profile : str
        ISO 8503-1 grade.
    rules : FilmRules

    Raises
    ------
    ValueError
        The rule is none of these.

    References
    ----------
    [1]_, [2]_, [3]_ of the module; figures and sources in `film_rules.yaml`.

    Examples
    --------
    >>> from auditkit.trade.film_rules import load_film_rules
    >>> limits = film_limits(rule="sspc-pa-2", level=3, minimum_um=60, nominal_um=75, maximum_um=100,
    ...                      surface_profile="fine", rules=load_film_rules())
    >>> limits.mean_low_um, limits.place_low_um, limits.place_high_um
    (60.0, 48.0, 120.0)
    """
    if rule == "sspc-pa-2":
        return _pa2_limits(level, minimum_um, maximum_um, rules)
    if rule == "iso-19840":
        iso = rules.iso19840
        highest = iso.reading_max.value * nominal_um if maximum_um is None else maximum_um
        outside = ""
        if nominal_um < iso.scope_from_um.value * (1 - TIE):
            outside = "the nominal film is below the rule's scope"
        elif surface_profile == "smooth":
            outside = "the rule is for rough surfaces and this one is smooth"
        return FilmLimits(
            by_part=False,
            readings_per_place=1,
            mean_low_um=iso.mean_min.value * nominal_um,
            place_low_um=iso.reading_min.value * nominal_um,
            place_high_um=highest,
            nominal_um=nominal_um,
            most_below=iso.share_below.value,
            strictly=True,
            unjudged=outside,
        )
    if rule == "90-10":
        practice = rules.ninety_ten
        return FilmLimits(
            by_part=False,
            readings_per_place=1,
            place_low_um=practice.reading_min.value * nominal_um,
            place_high_um=math.inf if maximum_um is None else maximum_um,
            nominal_um=nominal_um,
            most_below=1.0 - practice.share_reached.value,
        )
    raise ValueError(f"rule must be one of sspc-pa-2, iso-19840, 90-10; given {rule!r}")


def own_film_limits(own: OwnLimits) -> FilmLimits:
    """Return the limits of a job's own rule, to the side they are given for.

    Examples
    --------
    >>> own_film_limits(OwnLimits(spot_min_um=50.0, area_max_um=100.0, source="contract 12-7, clause 4")).place_low_um
    50.0
    """
    return FilmLimits(
        by_part=True,
        readings_per_place=own.readings_per_spot,
        mean_low_um=-math.inf if own.area_min_um is None else own.area_min_um,
        mean_high_um=math.inf if own.area_max_um is None else own.area_max_um,
        place_low_um=-math.inf if own.spot_min_um is None else own.spot_min_um,
        place_high_um=math.inf if own.spot_max_um is None else own.spot_max_um,
    )


def conforming_films(
    limits: FilmLimits,
    *,
    means_um: Floats,
    places_um: Floats,
    part: npt.ArrayLike,
    readings: npt.ArrayLike,
) -> npt.NDArray[np.bool_]:
    """Return which of many films that might be true meet the limits, one answer a film.

    Parameters
    ----------
    limits : FilmLimits
    means_um : ndarray, shape (films, parts)
        Mean film of each part `[um]`.
    places_um : ndarray, shape (films, places)
        Film at each place that was measured `[um]`.
    part : array_like of int, shape (places,)
        Column of `means_um` each place lies in. A part with too few readings
        at every place is judged by the limits on readings alone.
    readings : array_like of int, shape (places,)
        Readings taken at each place: they decide whether it counts as a spot,
        and weigh it in the share of readings.

    Returns
    -------
    ndarray of bool, shape (films,)

    Examples
    --------
    >>> limits = FilmLimits(by_part=True, readings_per_place=3, mean_low_um=60.0, place_low_um=48.0)
    >>> places = np.array([[50.0, 72.0], [47.0, 75.0]])
    >>> conforming_films(limits, means_um=places.mean(axis=1, keepdims=True), places_um=places, part=[0, 0],
    ...                  readings=[3, 3]).tolist()
    [True, False]
    """
    count = np.asarray(readings, dtype=float)
    counted = count >= limits.readings_per_place
    judged = np.unique(np.asarray(part)[counted])
    passed = _inside(means_um[:, judged], limits.mean_low_um, limits.mean_high_um)
    passed &= _inside(places_um[:, counted], limits.place_low_um, limits.place_high_um)
    passed &= _inside(places_um, limits.reading_low_um, limits.reading_high_um)
    if math.isfinite(limits.nominal_um):
        below = places_um < limits.nominal_um * (1 - TIE)
        share = (below @ count) / count.sum()
        if limits.strictly:
            passed &= share < limits.most_below * (1 - TIE)
        else:
            passed &= 1.0 - share >= (1.0 - limits.most_below) * (1 - TIE)
    return passed


def correction_half_width_um(surface_profile: str, *, rules: FilmRules) -> float:
    """Return how far the film over a profile may be from what the correction for it says `[um]`.

    Half the distance between the corrections of neighbouring grades; where the
    grade is not known, half the range of all of them. Common practice, no
    source: the standard gives the corrections as figures without a doubt.

    Examples
    --------
    >>> from auditkit.trade.film_rules import load_film_rules
    >>> [correction_half_width_um(grade, rules=load_film_rules()) for grade in ("fine", "unknown", "smooth")]
    [7.5, 15.0, 0.0]
    """
    corrections = rules.iso19840.profile_correction_um
    if surface_profile not in corrections:
        return 0.0
    grades = sorted(corrections[grade].value for grade in ("fine", "medium", "coarse"))
    if surface_profile == "unknown":
        return (grades[-1] - grades[0]) / 2.0
    return float(np.diff(grades).min() / 2.0)


def _pa2_limits(level: int | None, minimum_um: float, maximum_um: float | None, rules: FilmRules) -> FilmLimits:
    pa2 = rules.pa2
    bounds = pa2.levels[int(pa2.default_level.value) if level is None else level]
    wanted = any(bound.value is not None for bound in (bounds.gage_max, bounds.spot_max, bounds.area_max))

    def low(bound: Bound) -> float:
        return -math.inf if bound.value is None else bound.value * minimum_um

    def high(bound: Bound) -> float:
        return math.inf if bound.value is None or maximum_um is None else bound.value * maximum_um

    return FilmLimits(
        by_part=True,
        readings_per_place=int(pa2.readings_per_spot.value),
        mean_low_um=low(bounds.area_min),
        mean_high_um=high(bounds.area_max),
        place_low_um=low(bounds.spot_min),
        place_high_um=high(bounds.spot_max),
        reading_low_um=low(bounds.gage_min),
        reading_high_um=high(bounds.gage_max),
        unjudged="no maximum is specified" if wanted and maximum_um is None else "",
    )


def _inside(values: Floats, low: float, high: float) -> npt.NDArray[np.bool_]:
    """Return which rows lie within the limits everywhere; a tie is within."""
    least = low - TIE * abs(low) if math.isfinite(low) else low
    most = high + TIE * abs(high) if math.isfinite(high) else high
    return np.asarray(((values >= least) & (values <= most)).all(axis=1))
