"""Crude against adjusted: the differences of one defect and condition, of the same runs, and what moves with them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from auditkit.explore.explorer import check_choice
from auditkit.findings.audit import Findings
from auditkit.findings.cause_rows import CauseRows, Plan, adjustment_plan, cause_rows, sides_of
from auditkit.stats.score_difference import stratified_score_difference
from auditkit.stats.strata import stratified
from auditkit.trade.conditions import Condition
from auditkit.views.cause_sentences import grade_words
from auditkit.views.sentences import listed, side_of

__all__ = [
    "STRATA",
    "WITHOUT",
    "CauseView",
    "cause_table",
    "conditions_of",
    "defects_of",
    "filled",
    "graded_row",
    "moves_with",
    "sides_known",
]

STRATA: Mapping[str, str] = {"job_id": "job", "operator_id": "operator", "unit_id": "unit"}
"""Columns within which runs can be compared, and what they are called."""

WITHOUT = "the findings were made without causes: nothing is adjusted and no grade is given"

_COLUMNS = ["estimate", "difference_points", "low_points", "high_points", "n", "n_outside", "found_outside", "strata"]
_COLUMNS += ["adjusted_for", "grade", "why"]
_PAIRS = ["moves_with", "n", "both", "one_only", "other_only", "jobs_apart", "correlation", "inseparable", "why"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseView:
    """What the explorer of causes shows.

    Parameters
    ----------
    defect, condition, side : str, optional
        Left open, those of the firmest finding.
    strata : tuple of str
        Columns of `STRATA` within which runs are compared; none for no strata.
    """

    defect: str | None = None
    condition: str | None = None
    side: str | None = None
    strata: tuple[str, ...] = ("job_id",)


def cause_table(findings: Findings, view: CauseView) -> pd.DataFrame:
    """Return the differences that the figure draws, of the same runs.

    Parameters
    ----------
    findings : Findings
    view : CauseView

    Returns
    -------
    DataFrame
        One row an estimate (crude, within the strata, adjusted): estimate,
        difference_points with low_points and high_points (risk of all runs as
        they were, less had those outside been as the others) `[percentage
        points]`, n, n_outside, found_outside, strata (with runs on both
        sides), adjusted_for, grade, why (empty where estimated). Crude and
        within strata: the Mantel-Haenszel difference in risk times the share
        of runs outside, with Miettinen and Nurminen's interval, which takes
        runs as independent.

    Raises
    ------
    ValueError
        The view names what is not known.
    """
    view = filled(findings, view)
    if view.defect is None or view.condition is None or view.side is None:
        return pd.DataFrame(columns=_COLUMNS)
    rows = _rows(findings, view)
    told = [_within(findings, rows, view, strata=())]
    if view.strata:
        told.append(_within(findings, rows, view, strata=view.strata))
    return pd.DataFrame([*told, _adjusted(findings, view)], columns=_COLUMNS)


def moves_with(findings: Findings, view: CauseView) -> pd.DataFrame:
    """Return which conditions lie outside their windows together with the one that is picked.

    Parameters
    ----------
    findings : Findings
    view : CauseView

    Returns
    -------
    DataFrame
        One row another condition and side, the closest first: moves_with, n,
        both, one_only, other_only (runs), jobs_apart, correlation (partial,
        given what is held equal) `[-]`, inseparable, why.

    Raises
    ------
    ValueError
        The view names what is not known.
    """
    view = filled(findings, view)
    if findings.causal is None:
        return pd.DataFrame(columns=_PAIRS)
    pairs = findings.causal.telling.pairs
    own = pairs[(pairs["condition"] == view.condition) & (pairs["side"] == view.side)]
    words = [
        side_of(findings.conditions[str(name)], str(side))
        for name, side in zip(own["other"], own["other_side"], strict=True)
    ]
    own = own.assign(moves_with=pd.Series(words, index=own.index, dtype="str"), close=own["measure"].abs())
    own = own.sort_values(["inseparable", "close", "moves_with"], ascending=[False, False, True], ignore_index=True)
    return own.rename(columns={"measure": "correlation"})[_PAIRS]


def defects_of(findings: Findings) -> list[str]:
    """Return the kinds of defect that were looked for."""
    return [str(name) for name in findings.causes.run_defects.found.columns]


def conditions_of(findings: Findings) -> dict[str, Condition]:
    """Return the conditions with a window, and those with a curve."""
    drawn = set() if findings.causal is None else set(findings.causal.dose.pairs["condition"])
    return {name: one for name, one in findings.conditions.items() if one.has_window or name in drawn}


def sides_known(findings: Findings, condition: str | None) -> tuple[str, ...]:
    """Return the sides on which a condition can lie outside its window; none of an unknown one."""
    return () if condition is None else sides_of(findings.conditions[condition])


def filled(findings: Findings, view: CauseView) -> CauseView:
    """Return the view with what it leaves open taken from the firmest finding that agrees with the rest."""
    defects, conditions = defects_of(findings), conditions_of(findings)
    for name, value, known in (("defect", view.defect, defects), ("condition", view.condition, list(conditions))):
        if value is not None:
            check_choice(name, value, known)
    for stratum in view.strata:
        check_choice("strata", stratum, list(STRATA))
    table = findings.causes.table if findings.causal is None else findings.causal.table
    for name in ("defect", "condition", "side"):
        value = getattr(view, name)
        some = table[table[name] == value] if value is not None else table
        table = some if len(some) else table
    first = table.iloc[0] if len(table) else {"defect": next(iter(defects), None), "condition": None, "side": None}
    condition = view.condition or first["condition"]
    sides = sides_known(findings, condition)
    if view.side is not None:
        check_choice("side", view.side, list(sides))
    side = view.side or (first["side"] if first["side"] in sides else next(iter(sides), None))
    return replace(view, defect=view.defect or first["defect"], condition=condition, side=side)


def _rows(findings: Findings, view: CauseView) -> CauseRows:
    """Return the runs that the adjusted estimate rests on."""
    plans = {} if findings.causal is None else adjustment_plan(findings.causal.diagram.adjustments)
    plan = plans.get((str(view.defect), str(view.condition)), Plan(adjust_for=()))
    runs, found = findings.runs, findings.causes.run_defects.found[str(view.defect)]
    outcome = runs["run_id"].map(found).astype("float64").set_axis(runs.index)
    condition = findings.conditions[str(view.condition)]
    return cause_rows(runs, outcome, condition, plan=plan, conditions=findings.conditions)


def _within(findings: Findings, rows: CauseRows, view: CauseView, *, strata: tuple[str, ...]) -> dict[str, Any]:
    """Return the difference within strata, over all runs; without strata, the crude one."""
    frame = rows.frame
    outside = frame["place"] == view.side
    named = "within " + listed([STRATA[name] for name in strata]) if strata else "crude"
    row: dict[str, Any] = {
        "estimate": named,
        "n": len(frame),
        "n_outside": int(outside.sum()),
        "found_outside": int(frame.loc[outside, "found"].sum()),
        "strata": 0,
        "adjusted_for": ", ".join(STRATA[name] for name in strata),
        "grade": "",
        "why": rows.why_none,
    }
    if frame.empty or not outside.any() or outside.all():
        return row | {"why": rows.why_none or f"{'every' if len(frame) and outside.all() else 'no'} run lies outside"}
    labels = {name: findings.runs[name].iloc[frame["run"]].to_numpy() for name in strata}
    data = pd.DataFrame({"outside": outside, "found": frame["found"], "every": "all", **labels})
    if strata and data[list(strata)].isna().any(axis="columns").all():
        return row | {"why": "no run has them recorded"}
    counted = stratified(data, exposure="outside", outcome="found", stratum=list(strata) or ["every"]).strata
    both = counted[counted["used_for_risk"]]
    interval = stratified_score_difference(both, confidence=findings.causes.confidence)
    if interval is None:
        return row | {"why": "no stratum has runs on both sides"}
    scale = 100.0 * float(outside.mean())
    points = {"difference_points": interval.estimate, "low_points": interval.low, "high_points": interval.high}
    return row | {name: scale * value for name, value in points.items()} | {"strata": len(both)}


def _adjusted(findings: Findings, view: CauseView) -> dict[str, Any]:
    row: dict[str, Any] = {"estimate": "adjusted", "grade": "", "adjusted_for": "", "why": WITHOUT}
    graded = graded_row(findings, view)
    if graded is None:
        return row | dict.fromkeys(["n", "n_outside", "found_outside", "strata"], 0)
    titles = {} if findings.causal is None else findings.causal.diagram.diagram.titles
    return row | {
        **{f"{name}_points": 100.0 * graded[name] for name in ("difference", "low", "high")},
        **{name: int(graded[name]) for name in ("n", "n_outside", "found_outside")},
        "strata": int(graded["clusters"]),
        "adjusted_for": ", ".join(titles.get(name, name).lower() for name in graded["adjusted_for"]),
        "grade": grade_words(graded, findings.conditions),
        "why": str(graded["why"]),
    }


def graded_row(findings: Findings, view: CauseView) -> pd.Series | None:
    """Return the graded row of the view, or None where there is none."""
    if findings.causal is None:
        return None
    table = findings.causal.table
    own = (table["defect"] == view.defect) & (table["condition"] == view.condition) & (table["side"] == view.side)
    return table[own].iloc[0] if own.any() else None
