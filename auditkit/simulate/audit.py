"""One invented audit put together: the tables and the truth behind them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from auditkit.simulate.extent import extent_spots
from auditkit.simulate.film import film_readings, gauge_checks, true_film, wrap_observations
from auditkit.simulate.finish import defects_table, draw_defects
from auditkit.simulate.machines import extra_notes, units_table
from auditkit.simulate.plan import areas_table, jobs_table, plan_runs
from auditkit.simulate.pressure_log import LoggedPressure, log_pressure
from auditkit.simulate.spraying import add_conditions, pressure_settings, standoff_range
from auditkit.simulate.startup import after_bell_changes, feed_tube_set_for, startup_checks
from auditkit.simulate.study import study_readings
from auditkit.simulate.truth import DEFAULT_TRUTH, Truth, as_json
from auditkit.simulate.upkeep import bell_wipes, simulate_upkeep, states_at

__all__ = ["COLUMNS", "KEYS", "Simulated", "simulate_audit"]

COLUMNS: dict[str, dict[str, str]] = {
    "jobs": {
        "job_id": "str",
        "site": "str",
        "coating": "str",
        "film_min_um": "float64",
        "film_nominal_um": "float64",
        "film_max_um": "float64",
        "film_reverse_min_um": "float64",
        "acceptance_rule": "str",
        "restriction_level": "Int64",
        "wrap_min_pct": "float64",
        "volume_solids_pct": "float64",
        "thinner": "str",
        "thinner_pct": "float64",
        "paint_density_kg_m3": "float64",
    },
    "areas": {
        "area_id": "str",
        "job_id": "str",
        "description": "str",
        "geometry": "str",
        "size_m2": "float64",
        "substrate": "str",
        "surface_profile": "str",
    },
    "spray_runs": {
        "run_id": "str",
        "area_id": "str",
        "unit_id": "str",
        "operator_id": "str",
        "started_at": "moment",
        "ended_at": "moment",
        "bell_diameter_mm": "float64",
        "standoff_mm": "float64",
        "stroke_pattern": "str",
        "overlap_pct": "float64",
        "follow_through_s": "float64",
        "air_temp_c": "float64",
        "surface_temp_c": "float64",
        "humidity_pct": "float64",
        "part_ground_ohm": "float64",
        "operator_ground_ohm": "float64",
        "standoff_min_mm": "float64",
        "standoff_max_mm": "float64",
    },
    "pressure_settings": {
        "run_id": "str",
        "set_at": "moment",
        "pot_kpa": "float64",
        "cup": "str",
        "cup_s": "float64",
        "paint_temp_c": "float64",
        "catch_ml": "float64",
        "catch_s": "float64",
    },
    "film_readings": {
        "area_id": "str",
        "part": "Int64",
        "side": "str",
        "spot": "Int64",
        "repeat": "Int64",
        "dft_um": "float64",
        "gauge_id": "str",
        "taken_at": "moment",
    },
    "wrap_observations": {
        "area_id": "str",
        "inspector_id": "str",
        "observed_at": "moment",
        "rating": "float64",
        "scale": "str",
        "method": "str",
    },
    "defects": {
        "defect_id": "str",
        "run_id": "str",
        "area_id": "str",
        "defect": "str",
        "quantity": "float64",
        "size": "float64",
        "seen_at": "moment",
        "inspector_id": "str",
    },
    "maintenance": {
        "unit_id": "str",
        "part": "str",
        "action": "str",
        "wear_pct": "float64",
        "found": "str",
        "done_at": "moment",
    },
    "gauge_checks": {
        "gauge_id": "str",
        "checked_at": "moment",
        "stage": "str",
        "certified_um": "float64",
        "repeat": "Int64",
        "reading_um": "float64",
        "gauge_tolerance_pct": "float64",
        "standard_tolerance_pct": "float64",
    },
    "startup_checks": {
        "unit_id": "str",
        "checked_at": "moment",
        "shift": "str",
        "operator_id": "str",
        "grounds_separate": "boolean",
        "supply_distance_m": "float64",
        "circuit_test_passed": "boolean",
        "ventilation_running": "boolean",
        "gloves_conductive": "boolean",
        "warm_up_s": "float64",
        "feed_tube_for_mm": "float64",
    },
    "extent_spots": {
        "area_id": "str",
        "side": "str",
        "direction": "Int64",
        "basis": "str",
        "step": "Int64",
        "repeat": "Int64",
        "dft_um": "float64",
        "gauge_id": "str",
        "taken_at": "moment",
    },
    "study_readings": {
        "study_id": "str",
        "design": "str",
        "place_id": "str",
        "inspector_id": "str",
        "trial": "Int64",
        "reading_um": "float64",
        "gauge_id": "str",
        "measured_at": "moment",
    },
    "units": {
        "unit_id": "str",
        "in_service_at": "moment",
        "hose_length_m": "float64",
        "hose_bore_mm": "float64",
        "rise_m": "float64",
    },
}

KEYS: dict[str, list[str]] = {
    "jobs": ["job_id"],
    "areas": ["area_id"],
    "spray_runs": ["run_id"],
    "pressure_settings": ["run_id", "set_at"],
    "film_readings": ["area_id", "side", "spot", "repeat"],
    "wrap_observations": ["area_id", "inspector_id", "observed_at"],
    "defects": ["defect_id"],
    "maintenance": ["unit_id", "part", "action", "done_at"],
    "gauge_checks": ["gauge_id", "checked_at", "certified_um", "repeat"],
    "startup_checks": ["unit_id", "checked_at"],
    "extent_spots": ["area_id", "side", "direction", "step", "repeat"],
    "study_readings": ["study_id", "place_id", "inspector_id", "trial"],
    "units": ["unit_id"],
}

_LATENT = ("brush_wear_pct", "filter_open_share", "bell_hours", "dew_margin_c", "pot_kpa")


@dataclass(frozen=True, slots=True, kw_only=True)
class Simulated:
    """An invented audit and the truth behind it.

    Parameters
    ----------
    tables : dict of str to DataFrame
        A table a contract, in its form: columns, types and
        order, sorted by key.
    log : LoggedPressure
        Pot pressure of one unit over a week, times in UTC.
    truth : dict
        Seed, causes, states of the units and true film, as plain JSON values.
    """

    tables: dict[str, pd.DataFrame]
    log: LoggedPressure
    truth: dict[str, object]


def simulate_audit(*, seed: int, truth: Truth = DEFAULT_TRUTH) -> Simulated:
    """Return an invented audit of a winter refit aboard three ferries.

    Parameters
    ----------
    seed : int
        Seed of every draw; the same seed and truth give the same audit.
    truth : Truth
        What is true in it.

    Returns
    -------
    Simulated

    Examples
    --------
    >>> audit = simulate_audit(seed=20270104)
    >>> {name: len(audit.tables[name]) for name in ("jobs", "areas", "spray_runs")}
    {'jobs': 8, 'areas': 200, 'spray_runs': 413}
    """
    streams = [np.random.default_rng([seed, topic]) for topic in range(17)]
    areas = areas_table(streams[0])
    planned = plan_runs(areas, truth, streams[1])
    upkeep = simulate_upkeep(truth, streams[2])
    asked = add_conditions(planned, states_at(planned, upkeep), truth, streams[3])
    settings = pressure_settings(asked, truth, streams[4])
    runs = asked.join(settings.groupby("run_id")["pot_kpa"].mean(), on="run_id")
    had = draw_defects(runs, truth, streams[5])
    film = true_film(runs.join(had[["thin back"]]), areas, truth, streams[6])
    readings = film_readings(film, areas, truth, streams[6])
    defects = defects_table(runs, had, streams[5])
    defects.insert(0, "defect_id", [f"D{number:03d}" for number in range(1, len(defects) + 1)])
    extent = extent_spots(readings, film, areas, truth, streams[9])
    study = study_readings(truth, streams[10])
    notes = extra_notes(upkeep.records, truth, streams[11])
    log = log_pressure(runs, settings, truth, streams[14])
    wipes = bell_wipes(runs, upkeep.records, truth, streams[15])
    noted = standoff_range(_with_gaps(runs, streams[8]), truth, streams[12])
    lists = after_bell_changes(startup_checks(runs, streams[8]), runs, truth, streams[16])
    drawn: dict[str, object] = {
        "extent": extent.zones,
        "studies": study.drawn,
        "note_conflicts": notes.conflicts,
        "pressure_log": log.drawn,
    }
    made = {
        "jobs": jobs_table(),
        "areas": areas,
        "spray_runs": noted,
        "pressure_settings": settings,
        "film_readings": readings,
        "wrap_observations": wrap_observations(film, areas, truth, streams[7]),
        "defects": defects,
        "maintenance": pd.concat([upkeep.records, wipes, notes.records], ignore_index=True),
        "gauge_checks": gauge_checks(readings, truth, streams[7]),
        "startup_checks": feed_tube_set_for(lists, runs, truth, streams[13]),
        "extent_spots": extent.spots,
        "study_readings": study.readings,
        "units": units_table(upkeep, truth),
    }
    tables = {name: _in_contract_form(frame, name, truth.time_zone) for name, frame in made.items()}
    return Simulated(
        tables=tables, log=_in_utc(log, truth.time_zone), truth=_written_truth(seed, truth, runs, film) | drawn
    )


def _with_gaps(runs: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the runs with a few values nobody wrote down."""
    gaps = {"follow_through_s": 0.015, "surface_temp_c": 0.01, "humidity_pct": 0.01, "operator_ground_ohm": 0.03}
    blanked = {column: runs[column].mask(rng.random(len(runs)) < share) for column, share in gaps.items()}
    return runs.assign(**blanked)


def _in_contract_form(frame: pd.DataFrame, name: str, time_zone: str) -> pd.DataFrame:
    columns = {}
    for column, kind in COLUMNS[name].items():
        values = frame[column]
        if kind == "moment":
            columns[column] = _utc(values, time_zone)
        else:
            columns[column] = values.astype(pd.api.types.pandas_dtype(kind))
    return pd.DataFrame(columns).sort_values(KEYS[name], kind="stable", ignore_index=True)


def _in_utc(log: LoggedPressure, time_zone: str) -> LoggedPressure:
    def moved(frame: pd.DataFrame) -> pd.DataFrame:
        return frame.assign(logged_at=_utc(frame["logged_at"], time_zone))

    return replace(log, readings=moved(log.readings), unreadable=moved(log.unreadable), repeated=moved(log.repeated))


def _utc(local: pd.Series, time_zone: str) -> pd.Series:
    moments: pd.Series = local.dt.tz_localize(time_zone).dt.tz_convert("UTC").dt.as_unit("us")
    return moments


def _written_truth(seed: int, truth: Truth, runs: pd.DataFrame, film: pd.DataFrame) -> dict[str, object]:
    at_runs = runs.set_index("run_id")[list(_LATENT)].astype("float64").round(3)
    on_areas = film.set_index("area_id")[["facing_um", "reverse_um"]].astype("float64").round(2)
    return {
        "seed": seed,
        "time_zone": truth.time_zone,
        "knobs": as_json(truth),
        "runs": at_runs.to_dict(orient="index"),
        "areas": on_areas.to_dict(orient="index"),
    }
