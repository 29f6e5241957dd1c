"""Two studies of the measuring itself: the same places read again, by three people."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from auditkit.simulate.instruments import GAUGES

if TYPE_CHECKING:
    from auditkit.simulate.truth import Truth

__all__ = ["Study", "study_readings"]

_INSPECTORS = ("IN1", "IN2", "IN3")
_PLACES_EACH = {"crossed": 10, "nested": 5}
_TRIALS = {"crossed": 3, "nested": 2}
_BEGUN = {"crossed": pd.Timestamp("2027-01-20 09:00"), "nested": pd.Timestamp("2027-01-27 13:00")}
_FIRST_PLACE = {"crossed": 1, "nested": 21}


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """The readings of both studies, and what each place and person truly adds.

    Parameters
    ----------
    readings : DataFrame
        Study readings in contract form, times local without zone.
    drawn : dict
        By study: design, gauge, film at each place `[um]` and what each
        inspector adds `[um]`, as plain JSON values.
    """

    readings: pd.DataFrame
    drawn: dict[str, object]


def study_readings(truth: Truth, rng: np.random.Generator) -> Study:
    """Return a crossed study with gauge G1 and a nested one with gauge G2, before its drift.

    Crossed: every inspector reads each of ten places three times. Nested: each
    reads five places of their own twice; which part of a difference is the
    person's cannot then be told from the places'.

    Examples
    --------
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> study = study_readings(DEFAULT_TRUTH, np.random.default_rng(1))
    >>> study.readings.groupby("design").size().to_dict()
    {'crossed': 90, 'nested': 30}
    """
    made = [
        _one("S1", "crossed", "G1", truth, rng),
        _one("S2", "nested", "G2", truth, rng),
    ]
    drawn: dict[str, object] = {}
    for _, about in made:
        drawn |= about
    return Study(readings=pd.concat([rows for rows, _ in made], ignore_index=True), drawn=drawn)


def _one(
    study_id: str, design: str, gauge: str, truth: Truth, rng: np.random.Generator
) -> tuple[pd.DataFrame, dict[str, object]]:
    sd = dict(truth.study_sd_um)
    adds = {inspector: float(rng.normal(0, sd["inspector"])) for inspector in _INSPECTORS}
    count = _PLACES_EACH[design] * (1 if design == "crossed" else len(_INSPECTORS))
    names = [f"P{number:02d}" for number in range(_FIRST_PLACE[design], _FIRST_PLACE[design] + count)]
    film = dict(zip(names, (rng.normal(truth.study_mean_um, sd["place"], count)).tolist(), strict=True))
    rows: list[dict[str, object]] = []
    for number, place in enumerate(names):
        readers = _INSPECTORS if design == "crossed" else (_INSPECTORS[number // _PLACES_EACH[design]],)
        for inspector in readers:
            own = rng.normal(0, sd["inspector at place"]) if design == "crossed" else 0.0
            seen = film[place] + adds[inspector] + own + rng.normal(0, sd["repeat"], _TRIALS[design])
            rows.extend(
                {
                    "study_id": study_id,
                    "design": design,
                    "place_id": place,
                    "inspector_id": inspector,
                    "trial": trial,
                    "reading_um": float(value),
                    "gauge_id": gauge,
                    "measured_at": _BEGUN[design] + pd.Timedelta(minutes=6 * number),
                }
                for trial, value in enumerate(GAUGES[gauge].read(seen), start=1)
            )
    about: dict[str, object] = {
        study_id: {
            "design": design,
            "gauge_id": gauge,
            "film_um": {place: round(value, 3) for place, value in film.items()},
            "inspector_adds_um": {inspector: round(value, 3) for inspector, value in adds.items()},
        }
    }
    return pd.DataFrame(rows), about
