"""Cause effects: how many of a defect's cases go away with a condition held inside its window, adjusted.

What is held equal comes from the causal diagram. The figures say what would
have happened only as far as that diagram is right and what it names was recorded.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.findings.cause_rows import (
    CLUSTER,
    CauseRows,
    Plan,
    RunColumns,
    adjustment_plan,
    cluster_labels,
    on_model_scale,
    sides_of,
)
from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.threads import one_thread
from auditkit.stats.windowed_risk import windowed_risk
from auditkit.trade.conditions import Condition

__all__ = ["LEAST_VALUES", "EffectFindings", "find_effects"]

LEAST_VALUES = 6
"""Of a condition with fewer values than this, nothing is said of the move to the window's end."""

ESTIMATE = windowed_risk
"""The estimator, in one place."""

_ESTIMATES = (
    "risk_inside",
    "difference",
    "low",
    "high",
    "p",
    "ratio",
    "ratio_low",
    "ratio_high",
    "attributable_fraction",
    "af_low",
    "af_high",
)
_KINDS: dict[str, str] = {
    "defect": "str",
    "condition": "str",
    "side": "str",
    "n": "int64",
    "n_outside": "int64",
    "found_outside": "int64",
    "clusters": "int64",
    "clusters_outside": "int64",
    "risk_observed": "float64",
    **dict.fromkeys(_ESTIMATES, "float64"),
    **dict.fromkeys(["edge_difference", "edge_low", "edge_high", "edge_p"], "float64"),
    "crude_difference": "float64",
    "information": "float64",
    "adjusted_for": "object",
    "not_recorded": "object",
    "why": "str",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class EffectFindings:
    """What each condition outside its window does to each defect, as far as the records tell.

    Parameters
    ----------
    table : DataFrame
        One row a defect, condition and side of the window, in the order of the
        defects and conditions: defect, condition, side, n (runs used),
        n_outside, found_outside (those on that side, and of them those with
        the defect), clusters, clusters_outside (jobs with runs used, and with
        runs on that side), risk_observed, risk_inside (had those outside on
        that side been as the runs inside were, all else as it was), difference
        (the first less the second) with low, high and p, ratio and
        attributable_fraction with limits, edge_difference with edge_low,
        edge_high and edge_p (the difference had those runs been at the window's
        nearest end instead: smaller where harm begins inside the window;
        missing where the condition takes few values), crude_difference (share
        of runs outside, times their risk less that of the others; nothing held
        equal), information (what the records tell of
        that side, see `stats.windowed_risk`), adjusted_for, not_recorded
        (tuples of names), why (empty where estimated, else why not; the estimates are then missing).
    n, excluded : int
        Runs, and those of no known job or operator, which serve no row.
    confidence : float
        Level of each interval.
    cluster : tuple of str
    method : str
        What was done, in words.
    """

    table: pd.DataFrame
    n: int
    excluded: int
    confidence: float
    cluster: tuple[str, ...]
    method: str


def find_effects(
    runs: pd.DataFrame,
    found: pd.DataFrame,
    *,
    conditions: Mapping[str, Condition],
    adjustments: pd.DataFrame,
    cluster: Sequence[str] = CLUSTER,
    confidence: float = 0.95,
    edges: bool = True,
    on_progress: Callable[[str, int, int], None] | None = None,
) -> EffectFindings:
    """Return what each condition outside its window does to each defect.

    Parameters
    ----------
    runs : DataFrame
        One row a run: run_id, day, the conditions, what is to be held equal,
        and the columns of `cluster`.
    found : DataFrame
        One row a run (index run_id), one nullable boolean column a defect.
    conditions : mapping of str to Condition
        Conditions by name; one without a window has no row.
    adjustments : DataFrame
        One row a defect and condition: defect, condition, adjust_for (tuple of
        columns), and, where there, not_recorded (tuple of what should be held
        equal and is not recorded) and sides (tuple of the sides of the window
        to answer for; without it, all).
    cluster : sequence of str
        Columns, the job first, that together name the runs that resemble one
        another; runs of one day of a job do so further.
    confidence : float
    edges : bool
        Whether to estimate as well what moving runs to the window's nearest end
        does, which takes most of the time; otherwise edge_difference and its
        limits are missing.
    on_progress : callable, optional
        Called after each defect and condition with its name, its number and
        how many there are.

    Returns
    -------
    EffectFindings

    Raises
    ------
    ValueError
        A column of `adjustments` is not there.
    """
    plan = adjustment_plan(adjustments)
    pairs = [(str(defect), one) for defect in found.columns for one in conditions.values() if one.has_window]
    rows: list[dict[str, object]] = []
    columns = RunColumns(runs, conditions=conditions, cluster=cluster)
    for number, (defect, condition) in enumerate(pairs, start=1):
        outcome = runs["run_id"].map(found[defect]).astype("float64").set_axis(runs.index)
        planned = plan.get((defect, condition.name))
        entries = (
            _unplanned(condition)
            if planned is None
            else _effects_of(
                columns.rows(outcome, condition, plan=planned), condition, planned, confidence=confidence, edges=edges
            )
        )
        with one_thread():
            rows += [{"defect": defect, "condition": condition.name} | entry for entry in entries]
        if on_progress is not None:
            on_progress(f"{defect} and {condition.title}", number, len(pairs))
    return EffectFindings(
        table=typed_frame(rows, _KINDS),
        n=len(runs),
        excluded=int(cluster_labels(runs, cluster=cluster).isna().sum()),
        confidence=confidence,
        cluster=tuple(cluster),
        method=_METHOD,
    )


_METHOD = (
    "For each defect, condition and side of its window, a logistic model of the defect on being outside and on what "
    "the causal diagram says to hold equal; every run outside is then predicted as the runs inside were, all else as "
    "it was: the difference from the observed risk, its ratio, and the attributable fraction. Too near and too far are "
    "two effects. Beside it stands what moving those runs no further than the window's nearest end would do: the "
    "condition then enters by a curve inside the window and a line beyond each end (resistances as powers of ten). "
    "Weak priors (log-F) keep sparse and separated cells finite. Runs of one job and operator, and of one day of a "
    "job, resemble one another: each has a level of its own, shrunk as a random effect is; the limits are those of the "
    "posterior. In simulation these held with few clusters and rare defects, where leaving out or resampling clusters "
    "did not. What is too little to tell is refused, with the reason."
)


def _unplanned(condition: Condition) -> Iterator[dict[str, object]]:
    why = "the causal diagram does not say what to hold equal"
    for side in sides_of(condition):
        yield _NOTHING | {"side": side, "why": why}


_NOTHING: dict[str, object] = {
    **dict.fromkeys(["n", "n_outside", "found_outside", "clusters", "clusters_outside"], 0),
    **dict.fromkeys(["adjusted_for", "not_recorded"], ()),
}


def _effects_of(
    rows: CauseRows, condition: Condition, plan: Plan, *, confidence: float, edges: bool
) -> Iterator[dict[str, object]]:
    frame = rows.frame
    same = {"n": len(frame), "adjusted_for": rows.adjust_for, "not_recorded": rows.not_recorded}
    sides = plan.sides_of(condition)
    if frame.empty:
        for side in sides:
            yield _NOTHING | same | {"side": side, "why": rows.why_none}
        return
    found, job = frame["found"], frame["job"]
    coded, ends = _as_side(frame, condition)
    risks = _risks(rows, coded, ends, sides, confidence)
    edge = _to_the_edge(rows, condition, sides, confidence) if edges else None
    for side in sides:
        outside = frame["place"] == side
        row: dict[str, object] = same | {
            "side": side,
            "n_outside": int(outside.sum()),
            "found_outside": int(found[outside].sum()),
            "clusters": int(job.nunique()),
            "clusters_outside": int(job[outside].nunique()),
            "risk_observed": float(found.mean()),
            "information": risks.loc[side, "information"],
        }
        why = _one_job(job, outside) or str(risks.loc[side, "why"])
        if not why:
            apart = float(found[outside].mean() - found[~outside].mean())
            row |= {name: risks.loc[side, name] for name in _ESTIMATES}
            if edge is not None:
                row |= {f"edge_{name}": edge.loc[side, name] for name in ("difference", "low", "high", "p")}
            row |= {"crude_difference": float(outside.mean()) * apart}
        yield row | {"why": why}


def _risks(
    rows: CauseRows,
    exposure: pd.Series,
    window: tuple[float | None, float | None],
    sides: Sequence[str],
    confidence: float,
) -> pd.DataFrame:
    """Return the estimates, one row a side."""
    return ESTIMATE(
        rows.frame.assign(exposure=exposure),
        outcome="found",
        exposure="exposure",
        window=window,
        groups=rows.groups,
        numbers=rows.numbers,
        session=["session"],
        sides=sides,
        confidence=confidence,
    ).table.set_index("side")


def _one_job(job: pd.Series, outside: pd.Series) -> str:
    jobs = sorted(job[outside].unique())
    return f"all runs on that side of the window are of one job, {jobs[0]}" if len(jobs) == 1 else ""


def _to_the_edge(rows: CauseRows, condition: Condition, sides: Sequence[str], confidence: float) -> pd.DataFrame | None:
    """Return the estimates with runs moved to the window's nearest end; None where only the side can be told.

    That is so where the condition takes few values, or where runs that count as outside lie at the limit itself.
    """
    frame = rows.frame
    low, high = (
        None if limit is None else float(on_model_scale(pd.Series([limit]), condition).iloc[0])
        for limit in (condition.low, condition.high)
    )
    value = frame["value"]
    beyond = value.lt(-np.inf if low is None else low) | value.gt(np.inf if high is None else high)
    if value.nunique() < LEAST_VALUES or (beyond != frame["place"].isin(["below", "above"])).any():
        return None
    return _risks(rows, value, (low, high), sides, confidence)


def _as_side(frame: pd.DataFrame, condition: Condition) -> tuple[pd.Series, tuple[float | None, float | None]]:
    """Return the side of the window as a number, and the window around inside."""
    side = frame["place"].map({"below": -1.0, "inside": 0.0, "above": 1.0}).astype("float64")
    return side, (None if condition.low is None else 0.0, None if condition.high is None else 0.0)
