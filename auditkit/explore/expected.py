"""What is to be expected with one condition held at a value inside its window: runs with a defect, and rework for it.

It is read off the dose-response curves of the findings, one condition at a
time: the model behind a curve carries no second one. It holds only as far as
the causal diagram does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from auditkit.findings.audit import Findings
from auditkit.findings.dose_response import LEAST_JOBS_NEAR, LEAST_RUNS_NEAR
from auditkit.trade.paint import practical_spreading_rate, spreading_rate_m2_l
from auditkit.views.cause_sentences import grade_words
from auditkit.views.sentences import unit_sign

__all__ = ["CANNOT", "LEVERS", "Expected", "Lever", "Rework", "expected_at", "lever_of", "rework_for"]

LEVERS: Mapping[str, float] = {
    "standoff_mm": 1.0,
    "pot_kpa": 0.5,
    "viscosity_mm2_s": 1.0,
    "bell_used_d": 1.0,
    "filter_used_d": 1.0,
    "brush_wear_pct": 1.0,
}
"""Conditions that a crew can set, with the step of each in its own unit."""

CANNOT = "cannot tell"
WITHOUT = "the findings were made without causes"


@dataclass(frozen=True, slots=True, kw_only=True)
class Lever:
    """How far one condition can be moved: never outside its window.

    Parameters
    ----------
    low, high, step : float
        Ends and step, in the condition's unit; an open end of the window is
        where the records end.
    start : float
        The median of the records, or the nearest end.
    why : str
        Why it cannot be moved at all; empty where it can.
    """

    low: float
    high: float
    step: float
    start: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """Runs with a defect, had every run had one condition at one value and all else as it was.

    Parameters
    ----------
    value : float
        In the condition's unit; of no meaning where the condition cannot be moved.
    share, low, high : float or None
        Expected share of runs with the defect, with limits `[-]`; None where
        the records do not say.
    observed : float or None
        Share of the same runs that had it `[-]`.
    n, runs_near, jobs_near : int
        Runs behind the curve, and runs and jobs near the value.
    grade : str
        How far the records carry that the condition has to do with it.
    why : str
        Why the records do not say; empty where they do.
    """

    value: float
    share: float | None
    low: float | None
    high: float | None
    observed: float | None
    n: int
    runs_near: int
    jobs_near: int
    grade: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Rework:
    """What coating the faced side of each area that had a defect anew takes, as the records stand.

    Parameters
    ----------
    areas : int
        Areas with a run that had the defect.
    size_m2 : float
        Their size `[m2]`.
    paint_l, paint_low_l, paint_high_l : float
        Unthinned paint for the nominal film, at the job's own efficiency and at
        the ends of its interval `[L]`.
    excluded : int
        Areas of jobs whose efficiency or its interval is not known, left out of the paint.
    """

    areas: int
    size_m2: float
    paint_l: float
    paint_low_l: float
    paint_high_l: float
    excluded: int


def lever_of(findings: Findings, condition: str) -> Lever:
    """Return how far a condition can be moved.

    Parameters
    ----------
    findings : Findings
    condition : str
        One of `LEVERS`.

    Raises
    ------
    ValueError
        The condition is none of them.
    """
    if condition not in LEVERS:
        raise ValueError(f"condition must be one of {', '.join(LEVERS)}; given {condition!r}")
    step = LEVERS[condition]
    known = findings.conditions.get(condition)
    values = findings.runs.get(condition, pd.Series(dtype="float64")).dropna().astype("float64")
    why = ""
    if known is None or not known.has_window:
        why = f"no window is known: {known.source if known else 'it is no condition here'}; declare one in dossier.yaml"
    elif values.empty:
        why = "it is recorded for no run"
    if known is None or why:
        return Lever(low=0.0, high=0.0, step=step, start=0.0, why=why)
    inward = step if known.limit_is_outside else 0.0
    low = min(float(values.min()), known.high or 0.0) if known.low is None else known.low + inward
    high = max(float(values.max()), known.low or 0.0) if known.high is None else known.high - inward
    middle = low + round((float(values.median()) - low) / step) * step
    return Lever(low=low, high=high, step=step, start=float(np.clip(middle, low, high)), why="")


def expected_at(findings: Findings, *, defect: str, condition: str, value: float) -> Expected:
    """Return the share of runs expected to have a defect with one condition held at a value.

    Parameters
    ----------
    findings : Findings
    defect : str
    condition : str
        One of `LEVERS`.
    value : float
        In the condition's unit, inside its window.

    Returns
    -------
    Expected
        Between two points of the curve, on a straight line of their log odds.

    Raises
    ------
    ValueError
        The condition is none of the levers, or the value lies outside its window.
    """
    lever = lever_of(findings, condition)
    if not lever.why and not lever.low <= value <= lever.high:
        sign = unit_sign(findings.conditions[condition].unit)
        raise ValueError(
            f"{condition} must lie inside its window, {lever.low:g} to {lever.high:g} {sign}; given {value:g}. "
            "What lies outside is not offered"
        )
    pair, why = _pair(findings, defect, condition, lever)
    n, found = (0, 0) if pair is None else (int(pair["n"]), int(pair["found"]))
    grade, reason = _grade(findings, defect, condition)
    same: dict[str, Any] = {"value": value, "n": n, "observed": found / n if n else None, "grade": grade}
    same |= {"runs_near": 0, "jobs_near": 0}
    nothing: dict[str, Any] = dict.fromkeys(["share", "low", "high"])
    if not why and grade == CANNOT:
        why = reason
    if why:
        return Expected(**same, **nothing, why=why)
    drawn = findings.causal.dose.curve if findings.causal is not None else pd.DataFrame()
    own = drawn[(drawn["defect"] == defect) & (drawn["condition"] == condition)].sort_values("value", ignore_index=True)
    beside = _beside(own, value)
    same |= {name: int(beside[name].min()) if len(beside) else 0 for name in ("runs_near", "jobs_near")}
    if beside.empty or not beside["supported"].all():
        why = f"fewer than {LEAST_RUNS_NEAR} runs of {LEAST_JOBS_NEAR} jobs lie near there"
        return Expected(**same, **nothing, why=why)
    share, low, high = (_between(beside, name, value) for name in ("risk", "low", "high"))
    return Expected(**same, share=share, low=low, high=high, why="")


def rework_for(findings: Findings, *, defect: str) -> Rework:
    """Return what coating anew the areas that had a defect takes.

    Parameters
    ----------
    findings : Findings
    defect : str
        One of the kinds looked for.
    """
    found, tables = findings.causes.run_defects.found, findings.dossier.tables
    hurt = found.index[found[defect].eq(True).fillna(False)]
    areas = findings.runs.loc[findings.runs["run_id"].isin(hurt), "area_id"].unique()
    own = tables["areas"][tables["areas"]["area_id"].isin(areas)][["area_id", "job_id", "size_m2"]]
    own = own.merge(tables["jobs"][["job_id", "film_nominal_um", "volume_solids_pct"]], on="job_id", how="left")
    shares = ["faced_pct", "faced_low_pct", "faced_high_pct"]
    own = own.merge(findings.paint.jobs[["job_id", *shares]], on="job_id", how="left")
    known = own[own[[*shares, "size_m2", "film_nominal_um", "volume_solids_pct"]].notna().all(axis="columns")]
    litres = {
        name: float(sum(_litres(row, row[share]) for row in known.to_dict("records")))
        for name, share in (("paint_l", shares[0]), ("paint_low_l", shares[2]), ("paint_high_l", shares[1]))
    }
    return Rework(areas=len(own), size_m2=float(own["size_m2"].sum()), excluded=len(own) - len(known), **litres)


def _litres(row: Mapping[Any, Any], share_pct: float) -> float:
    theoretical = spreading_rate_m2_l(float(row["film_nominal_um"]), volume_solids_pct=float(row["volume_solids_pct"]))
    rate = practical_spreading_rate(theoretical, transfer_efficiency_pct=min(float(share_pct), 100.0))
    return float(row["size_m2"]) / rate


def _pair(findings: Findings, defect: str, condition: str, lever: Lever) -> tuple[pd.Series | None, str]:
    """Return what is said of a defect and condition, and why nothing can be expected (empty where something can)."""
    if findings.causal is None:
        return None, WITHOUT
    pairs = findings.causal.dose.pairs
    own = pairs[(pairs["defect"] == defect) & (pairs["condition"] == condition)]
    if own.empty:
        return None, lever.why or "no curve is drawn along it"
    return own.iloc[0], lever.why or str(own["why"].iloc[0])


def _grade(findings: Findings, defect: str, condition: str) -> tuple[str, str]:
    """Return the firmest grade of a defect and condition over the sides of its window, and the reason."""
    if findings.causal is None:
        return "", ""
    table = findings.causal.table
    own = table[(table["defect"] == defect) & (table["condition"] == condition)].sort_values("rank")
    if own.empty:
        return CANNOT, "it was not compared with this defect"
    return grade_words(own.iloc[0], findings.conditions), str(own["grade_reason"].iloc[0]).removesuffix(".")


def _beside(curve: pd.DataFrame, value: float) -> pd.DataFrame:
    """Return the point of a curve at a value, or the two that it lies between; empty beyond the ends."""
    exact = curve[np.isclose(curve["value"], value, rtol=1e-9, atol=1e-9)]
    if len(exact):
        return exact.head(1)
    below, above = curve[curve["value"] < value].tail(1), curve[curve["value"] > value].head(1)
    return pd.concat([below, above]) if len(below) and len(above) else curve.head(0)


def _between(beside: pd.DataFrame, name: str, value: float) -> float:
    odds = np.log(beside[name] / (1.0 - beside[name]))
    between = float(np.interp(value, beside["value"], odds))
    return float(1.0 / (1.0 + np.exp(-between)))
