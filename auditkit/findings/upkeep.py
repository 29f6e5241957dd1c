"""How the units were kept: what was last known of each part, how probably it was bad, and what is due."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from auditkit.findings.overdue import OverdueFindings, find_overdue
from auditkit.findings.part_states import PartStateFindings, find_part_states, fit_part_models
from auditkit.findings.wear_rates import WearFindings, find_wear_rates
from auditkit.trade.note_conflicts import NoteConflicts
from auditkit.trade.part_lives import NO_UNITS, PartLives, find_part_lives
from auditkit.trade.timeline import Timeline
from auditkit.trade.upkeep_rules import UpkeepRules, load_upkeep_rules

__all__ = ["UpkeepFindings", "find_upkeep"]


@dataclass(frozen=True, slots=True, kw_only=True)
class UpkeepFindings:
    """What was known of each part, how probably it was bad at each run, and what is due.

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
    lives : PartLives
        Every life of every part, and the looks that bracket its end.
    states : PartStateFindings
        For every run and part what was last and next known, and how probably
        it was bad.
    overdue : OverdueFindings
        What is due as at the end of the records.
    wear : WearFindings
        Rates of wear and days left to the limit.
    n, excluded : int
        Runs with a known brush wear, and runs without.
    method : str
        What was done, in a sentence.
    """

    parts: pd.DataFrame
    notes: pd.DataFrame
    worn_runs: int
    lives: PartLives
    states: PartStateFindings
    overdue: OverdueFindings
    wear: WearFindings
    n: int
    excluded: int
    method: str

    @property
    def conflicts(self) -> NoteConflicts:
        """What in the maintenance notes contradicts what."""
        return self.lives.conflicts


def find_upkeep(
    timeline: Timeline,
    maintenance: pd.DataFrame,
    *,
    units: pd.DataFrame = NO_UNITS,
    rules: UpkeepRules | None = None,
    confidence: float = 0.95,
) -> UpkeepFindings:
    """Return how the units were kept.

    Parameters
    ----------
    timeline : Timeline
        One row a run, and one a run and part.
    maintenance : DataFrame
        Maintenance notes.
    units : DataFrame, optional
        unit_id, in_service_at.
    rules : UpkeepRules, optional
        Those of `schemas/upkeep_rules.yaml` unless given.
    confidence : float
        Level of every interval.
    """
    rules = rules or load_upkeep_rules()
    runs = timeline.runs
    lives = find_part_lives(maintenance, runs, rules=rules, units=units)
    models = fit_part_models(lives.lives, rules=rules, confidence=confidence)
    wear = runs["brush_wear_pct"]
    return UpkeepFindings(
        parts=_last_known(timeline),
        notes=maintenance.groupby(["unit_id", "part", "action"], sort=True).size().rename("n").reset_index(),
        worn_runs=int((wear >= rules.parts["brush"].wear_limit_pct).sum()),
        lives=lives,
        states=find_part_states(runs, lives, models=models, rules=rules, confidence=confidence),
        overdue=find_overdue(runs, lives, models=models, rules=rules, units=units, confidence=confidence),
        wear=find_wear_rates(runs, lives, rules=rules, confidence=confidence),
        n=int(wear.notna().sum()),
        excluded=int(wear.isna().sum()),
        method="The last note before each run is carried forward; nothing is assumed of the time since.",
    )


def _last_known(timeline: Timeline) -> pd.DataFrame:
    """Return what was last known of each part of each unit, as at the unit's last run."""
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
    return parts.sort_index().reset_index()
