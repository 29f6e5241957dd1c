"""How the units were set and what the runs met: windows kept and left, and what stops the work."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from auditkit.trade.conditions import Condition, side_of_window
from auditkit.trade.grounding import BREACH, ground_breaches, startup_breaches, startup_lists
from auditkit.trade.timeline import Timeline
from auditkit.trade.viscosity import cup_faults

__all__ = ["ProcessFindings", "find_process"]

_SIDES = ("inside", "below", "above", "not recorded", "does not apply", "no window")
_SETTINGS = ("standoff_mm", "pot_kpa", "viscosity_mm2_s", "flow_ml_min", "surface_margin_c", "brush_wear_pct")


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessFindings:
    """Windows kept and left.

    Parameters
    ----------
    windows : DataFrame
        One row a condition: condition, title, unit, low, high, n (runs
        judged), inside, below, above, outside_pct `[%]` of n, not_recorded,
        does_not_apply, source.
    units : DataFrame
        One row a unit: unit_id, runs, operators, first_day, last_day, and the
        median of each setting.
    stop_work, safety_not_recorded : DataFrame
        One row a safety breach, or a safety value that was not recorded: what
        ("run" or "start-up of a unit"), where, at, rule, value, limit, unit,
        source, from_memory.
    startup_lists : DataFrame
        One row a start-up, see `trade.grounding.startup_lists`.
    cup_faults : DataFrame
        One row a cup time that gives no viscosity, see
        `trade.viscosity.cup_faults`.
    not_joined : DataFrame
        What the timeline could not join.
    n, excluded, startups : int
        Runs counted, runs left out (none here), and start-up checks.
    method : str
        What was done, in a sentence.
    """

    windows: pd.DataFrame
    units: pd.DataFrame
    stop_work: pd.DataFrame
    safety_not_recorded: pd.DataFrame
    startup_lists: pd.DataFrame
    cup_faults: pd.DataFrame
    not_joined: pd.DataFrame
    n: int
    excluded: int
    startups: int
    method: str


def find_process(
    timeline: Timeline, tables: Mapping[str, pd.DataFrame], *, conditions: Mapping[str, Condition]
) -> ProcessFindings:
    """Return how the runs lay against each condition's window, and the safety breaches.

    Parameters
    ----------
    timeline : Timeline
        One row a run.
    tables : mapping of str to DataFrame
        The accepted tables; start-up checks and pressure settings are used.
    conditions : mapping of str to Condition
        Conditions and their windows.
    """
    runs = timeline.runs
    safety = _safety(runs, tables["startup_checks"])
    stop_work = safety["category"] == BREACH
    return ProcessFindings(
        windows=_windows(runs, conditions),
        units=_units(runs),
        stop_work=safety[stop_work].drop(columns="category").reset_index(drop=True),
        safety_not_recorded=safety[~stop_work].drop(columns="category").reset_index(drop=True),
        startup_lists=startup_lists(tables["startup_checks"]),
        cup_faults=cup_faults(tables["pressure_settings"]),
        not_joined=timeline.not_joined,
        n=len(runs),
        excluded=0,
        startups=len(tables["startup_checks"]),
        method=(
            "Each run's value is compared with the condition's window; runs where it was not recorded are counted "
            "apart."
        ),
    )


def _safety(runs: pd.DataFrame, startup_checks: pd.DataFrame) -> pd.DataFrame:
    """Return every safety value that broke its limit or was not recorded, runs first."""
    on_runs = ground_breaches(runs).merge(runs[["run_id", "started_at"]], on="run_id")
    on_runs = on_runs.rename(columns={"run_id": "where", "started_at": "at"}).assign(what="run")
    on_units = startup_breaches(startup_checks)
    on_units = on_units.rename(columns={"unit_id": "where", "checked_at": "at"}).assign(what="start-up of a unit")
    return pd.concat([on_runs, on_units], ignore_index=True)[_SAFETY]


_SAFETY = ["what", "where", "at", "category", "rule", "value", "limit", "unit", "source", "from_memory"]


def _windows(runs: pd.DataFrame, conditions: Mapping[str, Condition]) -> pd.DataFrame:
    rows = []
    for condition in conditions.values():
        counts = side_of_window(runs, condition).value_counts()
        inside, below, above, unknown, aside, unbounded = (int(counts.get(side, 0)) for side in _SIDES)
        judged = inside + below + above
        rows.append(
            {
                "condition": condition.name,
                "title": condition.title,
                "unit": condition.unit,
                "low": condition.low,
                "high": condition.high,
                "n": judged,
                "inside": inside,
                "below": below,
                "above": above,
                "outside_pct": 100.0 * (below + above) / judged if judged else None,
                "not_recorded": unknown,
                "does_not_apply": aside,
                "no_window": unbounded,
                "source": condition.source,
            }
        )
    frame = pd.DataFrame(rows)
    numbers = ["low", "high", "outside_pct"]
    frame[numbers] = frame[numbers].astype("float64")
    return frame


def _units(runs: pd.DataFrame) -> pd.DataFrame:
    grouped = runs.groupby("unit_id", sort=True)
    settings = grouped[list(_SETTINGS)].median()
    counts = pd.DataFrame(
        {
            "runs": grouped.size(),
            "operators": grouped["operator_id"].nunique(),
            "first_day": grouped["day"].min(),
            "last_day": grouped["day"].max(),
        }
    )
    return counts.join(settings).reset_index()
