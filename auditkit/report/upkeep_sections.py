"""Sections of the report on upkeep: state of the parts, what is due, when to change them, and what a change did."""

from __future__ import annotations

import pandas as pd

from auditkit.findings.audit import Findings
from auditkit.report.tables import Columns, Section, table_of
from auditkit.views import work_figures
from auditkit.views.unit_life_figures import unit_life

__all__ = ["replacement_section", "upkeep_section"]


def upkeep_section(findings: Findings) -> Section:
    """Return the section on the state of the parts, with each unit's life on one time line."""
    upkeep, zone = findings.upkeep, findings.dossier.time_zone
    noted = upkeep.parts[upkeep.parts["runs_unknown"] < upkeep.parts["runs"]]
    due = upkeep.overdue.table
    over = due[due["overdue"].eq(True).fillna(False)] if len(due) else due
    conflicts = upkeep.conflicts
    pot = findings.conditions.get("pot_kpa")
    lives = [
        unit_life(
            findings.runs,
            findings.dossier.tables["maintenance"],
            findings.causes.run_defects.found,
            unit_id=str(unit),
            pot_window=(pot.low, pot.high) if pot else (None, None),
            time_zone=zone,
        )
        for unit in sorted(findings.runs["unit_id"].unique())
    ]
    return Section(
        id="upkeep",
        title="How the units were kept",
        texts=[
            upkeep.method,
            f"{upkeep.worn_runs} of {upkeep.n} runs were made with the brush last known at half worn or more; "
            f"for {upkeep.excluded} runs nothing was known.",
            upkeep.states.method,
            upkeep.overdue.method,
            upkeep.wear.method,
        ],
        figures=lives,
        tables=[
            table_of(over, _OVERDUE, caption=f"Overdue at the end of the records: {len(over)}", time_zone=zone),
            table_of(upkeep.wear.table, _WEAR, caption="How fast parts wear, and days of use left", time_zone=zone),
            table_of(upkeep.states.models, _MODELS, caption="How long parts last: what the records can tell"),
            table_of(
                conflicts.table,
                _CONFLICTS,
                caption=f"Maintenance notes that contradict one another: {len(conflicts.table)}; of "
                f"{conflicts.excluded} of {conflicts.n} notes something is not used",
                folded=True,
                time_zone=zone,
            ),
            table_of(
                noted,
                _PARTS,
                caption="As last known at each unit's last run, where any note says anything",
                folded=True,
            ),
        ],
    )


def replacement_section(findings: Findings) -> Section:
    """Return the section on when to change parts, and on what came before and after each time one was put right."""
    replacement, events, zone = findings.replacement, findings.before_after, findings.dossier.time_zone
    parts = replacement.parts
    drawn = len(replacement.curves) > 0
    pooled, single = _named(events.pooled), _named(events.comparisons)
    told = pooled[pooled["reading"] != "cannot tell"]
    clear = single[single["reading"].isin(["rises", "falls"])]
    currency = f" [{replacement.currency}]" if replacement.currency else ""
    return Section(
        id="replacement",
        title="When to change parts, and what changing them did",
        texts=[replacement.method, events.method],
        figures=[work_figures.life_curves(replacement.curves, parts)] if drawn else [],
        tables=[
            table_of(parts, _replaced(currency), caption="Age of use at which changing a part in time costs least"),
            table_of(
                told,
                _POOLED,
                caption=f"Before and after, over all events of a part: {len(told)} of {len(events.pooled)} can be told",
            ),
            table_of(
                clear,
                _EVENTS,
                caption=f"Single events with a clear difference: {len(clear)} of {len(events.comparisons)} comparisons",
            ),
            table_of(events.events, _LOOKED_AT, caption="Every event", folded=True, time_zone=zone),
        ],
    )


def _named(comparisons: pd.DataFrame) -> pd.DataFrame:
    """Return comparisons with each outcome in words."""
    return comparisons.assign(outcome=comparisons["outcome"].replace(_OUTCOMES))


_OUTCOMES = {
    "film_facing": "film facing / nominal [-]",
    "film_reverse": "film behind / nominal [-]",
    "wrap_pct": "wrap [%]",
    "delivery_ratio": "delivery ratio [-]",
}


def _replaced(currency: str) -> Columns:
    return {
        "part": ("part", None),
        "mode": ("goes bad as", None),
        "verdict": ("verdict", None),
        "reason": ("why", None),
        "lives": ("lives", ".0f"),
        "failures": ("found bad", ".0f"),
        "mean_life_d": ("mean life [d of use]", ".1f"),
        "best_d": ("best age [d of use]", ".1f"),
        "best_low_d": ("from", ".1f"),
        "best_high_d": ("to", ".1f"),
        "paid": (f"paid{currency}", ",.0f"),
        "expected": (f"expected at the best age{currency}", ",.0f"),
        "saved": (f"saved{currency}", ",.0f"),
        "saved_low": ("from", ",.0f"),
        "saved_high": ("to", ",.0f"),
    }


_OVERDUE: Columns = {
    "unit_id": ("unit", None),
    "part": ("part", None),
    "due": ("what is due", None),
    "last_at": ("last", None),
    "days_since": ("days of use since", ".1f"),
    "days_over": ("over by [d]", ".1f"),
    "probability": ("probability that it is bad [-]", ".2f"),
    "low": ("from", ".2f"),
    "high": ("to", ".2f"),
}

_WEAR: Columns = {
    "unit_id": ("unit", None),
    "part": ("part", None),
    "verdict": ("verdict", None),
    "rate_pct_d": ("wear [% a day of use]", ".1f"),
    "rate_low": ("from", ".1f"),
    "rate_high": ("to", ".1f"),
    "last_wear_pct": ("last wear [%]", ".0f"),
    "last_at": ("when", None),
    "since_d": ("days of use since", ".0f"),
    "limit_pct": ("limit [%]", ".0f"),
    "days_left": ("days of use left", ".1f"),
    "days_left_low": ("from", ".1f"),
    "days_left_high": ("to", ".1f"),
    "reason": ("why", None),
}

_MODELS: Columns = {
    "part": ("part", None),
    "mode": ("goes bad as", None),
    "verdict": ("verdict", None),
    "method": ("how", None),
    "reason": ("why", None),
    "lives": ("lives", ".0f"),
    "looked_at": ("looked at", ".0f"),
    "failures": ("found bad", ".0f"),
    "scale_d": ("scale [d of use]", ".1f"),
    "shape": ("shape [-]", ".2f"),
}

_CONFLICTS: Columns = {
    "unit_id": ("unit", None),
    "part": ("part", None),
    "action": ("action", None),
    "done_at": ("when", None),
    "kind": ("kind", None),
    "words": ("what contradicts", None),
    "treatment": ("what is done", None),
}

_PARTS: Columns = {
    "unit_id": ("unit", None),
    "part": ("part", None),
    "found": ("last found", None),
    "wear_pct": ("last wear [%]", ".0f"),
    "inspected_d": ("days since a note", ".1f"),
    "clean_h": ("clock hours since cleaned", ".0f"),
    "most_inspected_d": ("longest without a note [d]", ".1f"),
    "runs_unknown": ("runs before any note", ".0f"),
    "runs": ("runs", ".0f"),
}

_POOLED: Columns = {
    "part": ("part", None),
    "action": ("action", None),
    "events": ("events", ".0f"),
    "outcome": ("outcome", None),
    "n_before": ("n before", ".0f"),
    "n_after": ("n after", ".0f"),
    "before": ("before", ".3g"),
    "after": ("after", ".3g"),
    "difference": ("difference", ".3g"),
    "low": ("from", ".3g"),
    "high": ("to", ".3g"),
    "reading": ("reads as", None),
    "q": ("q", ".2g"),
}

_EVENTS: Columns = {
    "event": ("event", ".0f"),
    "unit_id": ("unit", None),
    **{name: shown for name, shown in _POOLED.items() if name != "events"},
}

_LOOKED_AT: Columns = {
    "event": ("event", ".0f"),
    "unit_id": ("unit", None),
    "part": ("part", None),
    "action": ("action", None),
    "done_at": ("when", None),
    "runs_before": ("runs before", ".0f"),
    "runs_after": ("runs after", ".0f"),
    "also": ("also put right", None),
    "reason": ("why not looked at", None),
}
