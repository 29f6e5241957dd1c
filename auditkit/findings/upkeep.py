"""How the units were kept: what was last known of each part, and how long ago."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from auditkit.trade.timeline import Timeline

__all__ = ["UpkeepFindings", "find_upkeep"]

BRUSH_LIMIT_PCT = 50.0
"""Wear at which a contact brush is replaced `[%]`; common practice, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UpkeepFindings:
    """What was last known of each part.

    Parameters
    ----------
    parts : DataFrame
        One row a unit and part, as at the unit's last run: unit_id, part,
        last_run_id, inspected_d `[d]`, clean_h `[h]`, wear_pct `[%]`, found,
        runs (of the unit), runs_unknown (before any note on the part),
        most_inspected_d `[d]` (longest any run went since a note).
    notes : DataFrame
        One row a unit, part and action: how many notes.
    worn_runs : int
        Runs made with the brush last known at or over its limit.
    n, excluded : int
        Runs with a known brush wear, and runs without.
    method : str
        What was done, in a sentence.
    """

    parts: pd.DataFrame
    notes: pd.DataFrame
    worn_runs: int
    n: int
    excluded: int
    method: str


def find_upkeep(timeline: Timeline, maintenance: pd.DataFrame) -> UpkeepFindings:
    """Return what was last known of each part of each unit.

    Parameters
    ----------
    timeline : Timeline
        One row a run, and one a run and part.
    maintenance : DataFrame
        Maintenance notes.
    """
    runs = timeline.runs[["run_id", "unit_id", "started_at"]]
    states = timeline.parts.merge(runs, on="run_id").sort_values(["unit_id", "part", "started_at", "run_id"])
    grouped = states.groupby(["unit_id", "part"], sort=True)
    last = states.drop_duplicates(["unit_id", "part"], keep="last").set_index(["unit_id", "part"])
    parts = last[["run_id", "inspected_d", "clean_h", "wear_pct", "found"]].rename(columns={"run_id": "last_run_id"})
    parts = parts.assign(
        runs=grouped.size(),
        runs_unknown=grouped["inspected_d"].apply(lambda days: int(days.isna().sum())),
        most_inspected_d=grouped["inspected_d"].max(),
    )
    wear = timeline.runs["brush_wear_pct"]
    notes = maintenance.groupby(["unit_id", "part", "action"], sort=True).size().rename("n").reset_index()
    return UpkeepFindings(
        parts=parts.sort_index().reset_index(),
        notes=notes,
        worn_runs=int((wear >= BRUSH_LIMIT_PCT).sum()),
        n=int(wear.notna().sum()),
        excluded=int(wear.isna().sum()),
        method="The last note before each run is carried forward; nothing is assumed of the time since.",
    )
