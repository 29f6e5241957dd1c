"""The refit: vessels, jobs, crews, and the calendar of spray runs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from auditkit.simulate.coatings import COATINGS
from auditkit.simulate.instruments import recorded

if TYPE_CHECKING:
    from auditkit.simulate.truth import Truth

__all__ = ["CREWS", "JOBS", "UNITS", "Job", "areas_table", "jobs_table", "plan_runs", "workdays"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One job: fittings aboard one vessel, and what was specified for them."""

    job_id: str
    vessel: str
    places: tuple[tuple[str, str], ...]
    coating: str
    areas: int
    size_m2: tuple[float, float]
    substrate: str
    surface_profile: str
    minimum_um: float
    nominal_um: float
    maximum_um: float | None
    reverse_minimum_um: float | None
    rule: str
    level: int | None
    wrap_min_pct: float | None
    aim_um: float
    large_m2: float | None = None


VESSELS: tuple[str, ...] = ("MF Vestrelin", "MF Ostrigan", "MF Nordavel")
UNITS: tuple[str, ...] = ("U1", "U2", "U3", "U4")
CREWS: dict[str, tuple[str, ...]] = {
    "MF Vestrelin": ("OP1", "OP2", "OP3"),
    "MF Ostrigan": ("OP4", "OP5"),
    "MF Nordavel": ("OP6", "OP7"),
}
JOBS: tuple[Job, ...] = (
    Job(
        job_id="J1",
        vessel="MF Vestrelin",
        places=(("handrail, port side", "tube"), ("handrail, starboard side", "tube"), ("stair rail", "tube")),
        coating="alkyd finish K",
        areas=38,
        size_m2=(0.8, 5.0),
        substrate="steel",
        surface_profile="unknown",
        minimum_um=60.0,
        nominal_um=75.0,
        maximum_um=105.0,
        reverse_minimum_um=40.0,
        rule="sspc-pa-2",
        level=3,
        wrap_min_pct=70.0,
        aim_um=79.0,
    ),
    Job(
        job_id="J2",
        vessel="MF Vestrelin",
        places=(("locker bank, car deck", "flat"), ("locker door, saloon", "flat")),
        coating="two-pack finish P",
        areas=29,
        size_m2=(1.5, 9.0),
        substrate="galvanised steel",
        surface_profile="smooth",
        minimum_um=50.0,
        nominal_um=60.0,
        maximum_um=80.0,
        reverse_minimum_um=17.0,
        rule="sspc-pa-2",
        level=None,
        wrap_min_pct=None,
        aim_um=66.0,
        large_m2=14.0,
    ),
    Job(
        job_id="J3",
        vessel="MF Vestrelin",
        places=(("vent grille, funnel casing", "mesh"), ("vent grille, bow locker", "mesh")),
        coating="two-pack finish P",
        areas=20,
        size_m2=(0.5, 2.8),
        substrate="steel",
        surface_profile="fine",
        minimum_um=64.0,
        nominal_um=80.0,
        maximum_um=200.0,
        reverse_minimum_um=50.0,
        rule="iso-19840",
        level=None,
        wrap_min_pct=70.0,
        aim_um=103.0,
    ),
    Job(
        job_id="J4",
        vessel="MF Ostrigan",
        places=(("handrail, sun deck", "tube"), ("seat frame, saloon", "tube"), ("seat frame, foredeck", "angle")),
        coating="alkyd finish K",
        areas=38,
        size_m2=(0.8, 5.0),
        substrate="steel",
        surface_profile="unknown",
        minimum_um=60.0,
        nominal_um=75.0,
        maximum_um=110.0,
        reverse_minimum_um=38.0,
        rule="sspc-pa-2",
        level=3,
        wrap_min_pct=70.0,
        aim_um=82.0,
    ),
    Job(
        job_id="J5",
        vessel="MF Ostrigan",
        places=(("locker door, crew mess", "flat"), ("locker bank, car deck", "flat")),
        coating="two-pack finish P",
        areas=24,
        size_m2=(1.5, 9.0),
        substrate="galvanised steel",
        surface_profile="smooth",
        minimum_um=50.0,
        nominal_um=60.0,
        maximum_um=82.0,
        reverse_minimum_um=17.0,
        rule="sspc-pa-2",
        level=2,
        wrap_min_pct=None,
        aim_um=68.0,
        large_m2=24.0,
    ),
    Job(
        job_id="J6",
        vessel="MF Nordavel",
        places=(("seat frame, upper saloon", "tube"), ("seat frame, lower saloon", "angle")),
        coating="alkyd finish K",
        areas=26,
        size_m2=(0.6, 3.5),
        substrate="aluminium",
        surface_profile="unknown",
        minimum_um=54.0,
        nominal_um=60.0,
        maximum_um=120.0,
        reverse_minimum_um=36.0,
        rule="90-10",
        level=None,
        wrap_min_pct=60.0,
        aim_um=77.0,
    ),
    Job(
        job_id="J7",
        vessel="MF Nordavel",
        places=(("cable tray, engine casing", "channel"), ("cable tray, car deck", "channel")),
        coating="alkyd finish K",
        areas=13,
        size_m2=(1.0, 6.0),
        substrate="galvanised steel",
        surface_profile="smooth",
        minimum_um=50.0,
        nominal_um=60.0,
        maximum_um=None,
        reverse_minimum_um=22.0,
        rule="sspc-pa-2",
        level=3,
        wrap_min_pct=50.0,
        aim_um=72.0,
    ),
    Job(
        job_id="J8",
        vessel="MF Nordavel",
        places=(("fine grille, saloon ceiling", "mesh"),),
        coating="two-pack finish P",
        areas=12,
        size_m2=(0.5, 2.0),
        substrate="stainless steel",
        surface_profile="smooth",
        minimum_um=28.0,
        nominal_um=35.0,
        maximum_um=70.0,
        reverse_minimum_um=None,
        rule="iso-19840",
        level=None,
        wrap_min_pct=None,
        aim_um=42.0,
    ),
)


def jobs_table() -> pd.DataFrame:
    """Return the jobs, in contract form; one row a job.

    Examples
    --------
    >>> jobs_table()["job_id"].tolist()
    ['J1', 'J2', 'J3', 'J4', 'J5', 'J6', 'J7', 'J8']
    """
    rows = []
    for job in JOBS:
        coating = COATINGS[job.coating]
        rows.append(
            {
                "job_id": job.job_id,
                "site": job.vessel,
                "coating": job.coating,
                "film_min_um": job.minimum_um,
                "film_nominal_um": job.nominal_um,
                "film_max_um": job.maximum_um,
                "film_reverse_min_um": job.reverse_minimum_um,
                "acceptance_rule": job.rule,
                "restriction_level": job.level,
                "wrap_min_pct": job.wrap_min_pct,
                "volume_solids_pct": coating.solids_pct,
                "thinner": coating.thinner,
                "thinner_pct": coating.thinner_pct,
                "paint_density_kg_m3": coating.density_kg_m3,
            }
        )
    return pd.DataFrame(rows)


def areas_table(rng: np.random.Generator) -> pd.DataFrame:
    """Return the inspection areas, in contract form; one row an area.

    Examples
    --------
    >>> areas_table(np.random.default_rng(1)).shape
    (200, 7)
    """
    rows: list[dict[str, object]] = []
    for job in JOBS:
        sizes = rng.uniform(*job.size_m2, size=job.areas)
        if job.large_m2 is not None:
            sizes[0] = job.large_m2
        for number, size in enumerate(sizes):
            place, geometry = job.places[number % len(job.places)]
            rows.append(
                {
                    "area_id": f"A{len(rows) + 1:03d}",
                    "job_id": job.job_id,
                    "description": f"{place}, section {number // len(job.places) + 1}",
                    "geometry": geometry,
                    "size_m2": size,
                    "substrate": job.substrate,
                    "surface_profile": job.surface_profile,
                }
            )
    frame = pd.DataFrame(rows)
    frame["size_m2"] = recorded(frame["size_m2"].to_numpy(dtype="float64"), "areas", "size_m2")
    return frame


def workdays(truth: Truth, *, days: int | None = None) -> list[date]:
    """Return the working days from the first on, Monday to Friday.

    Examples
    --------
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> workdays(DEFAULT_TRUTH)[-1].isoformat()
    '2027-03-05'
    """
    count = truth.weeks * 5 if days is None else days
    return [truth.first_day + timedelta(days=day // 5 * 7 + day % 5) for day in range(count)]


def plan_runs(areas: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return who sprays what, when and with which unit; one row a run.

    Coats on one area are at least a day apart; units move between the vessels
    every Monday, so that no unit belongs to one vessel.

    Returns
    -------
    DataFrame
        Columns `area_id, job_id, vessel, coats, day, unit_id, operator_id,
        started_at, ended_at, bell_diameter_mm, stroke_pattern`, times local
        without zone, sorted by `started_at, unit_id`.

    Examples
    --------
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> rng = np.random.default_rng(1)
    >>> runs = plan_runs(areas_table(rng), DEFAULT_TRUTH, rng)
    >>> bool((runs["ended_at"] > runs["started_at"]).all())
    True
    """
    vessel_of = {job.job_id: job.vessel for job in JOBS}
    with_vessel = areas.assign(vessel=areas["job_id"].map(vessel_of))
    parts = [_runs_aboard(with_vessel.loc[with_vessel["vessel"] == vessel], vessel, truth, rng) for vessel in VESSELS]
    return pd.concat(parts).sort_values(["started_at", "unit_id"], kind="stable", ignore_index=True)


def _runs_aboard(areas: pd.DataFrame, vessel: str, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    coats = _coats_in_order(areas, rng)
    days = workdays(truth)
    day_of_coat = np.sort(np.arange(len(coats)) * len(days) // len(coats))
    rows: list[dict[str, object]] = []
    for day, date_ in enumerate(days):
        todays = coats.loc[day_of_coat == day]
        units = _units_aboard(vessel, day // 5)
        spacing = 460.0 / max(len(todays), 1)
        for slot, coat in enumerate(todays.to_dict("records")):
            start = 475 + slot * spacing + rng.uniform(0, 0.45 * spacing)
            minutes = int(np.clip(5 + 3.0 * float(coat["size_m2"]) / int(coat["coats"]) * 2 + rng.normal(0, 2), 5, 38))
            midnight = pd.Timestamp(date_)
            started = midnight + pd.Timedelta(minutes=int(start))
            rows.append(
                {
                    "area_id": coat["area_id"],
                    "job_id": coat["job_id"],
                    "vessel": vessel,
                    "coats": coat["coats"],
                    "day": day,
                    "unit_id": units[slot % len(units)],
                    "operator_id": str(rng.choice(CREWS[vessel])),
                    "started_at": started,
                    "ended_at": started + pd.Timedelta(minutes=minutes),
                    "bell_diameter_mm": 50.0 if coat["geometry"] in {"mesh", "angle"} else 70.0,
                    "stroke_pattern": str(rng.choice(["parallel", "circular", "cross"], p=[0.84, 0.09, 0.07])),
                }
            )
    return pd.DataFrame(rows)


def _coats_in_order(areas: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return one row a coat, areas in shuffled order, each next coat some days later.

    Large areas come first, and the last few areas take two coats at most, so
    that no coats crowd together at the end.
    """
    order = np.where(areas["size_m2"] < 10, rng.permutation(len(areas)), 0)
    rows: list[dict[str, object]] = []
    for place, area in zip(order, areas.to_dict("records"), strict=True):
        usual = int(rng.choice([1, 2, 3], p=[0.06, 0.85, 0.09]))
        coats = usual if place < len(areas) - 12 else min(usual, 2)
        if float(area["size_m2"]) >= 10:
            coats = round(float(area["size_m2"]) / 4)
        rows.extend(
            {
                "area_id": area["area_id"],
                "job_id": area["job_id"],
                "geometry": area["geometry"],
                "size_m2": area["size_m2"],
                "coats": coats,
                "key": place + coat * 5.8,
            }
            for coat in range(coats)
        )
    return pd.DataFrame(rows).sort_values(["key", "area_id"], ignore_index=True)


def _units_aboard(vessel: str, week: int) -> tuple[str, ...]:
    slots = {"MF Vestrelin": (0, 1), "MF Ostrigan": (2,), "MF Nordavel": (3,)}[vessel]
    return tuple(UNITS[(slot + week) % len(UNITS)] for slot in slots)
