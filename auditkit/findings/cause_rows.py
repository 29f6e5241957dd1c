"""Cause rows: which runs can speak of a defect and a condition, and what can be held equal among them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.trade.conditions import Condition, side_of_window

__all__ = [
    "CLUSTER",
    "LEAST_RECORDED",
    "CauseRows",
    "Plan",
    "adjustment_plan",
    "cause_rows",
    "cluster_labels",
    "on_model_scale",
    "one_thread",
    "own_unit",
    "sides_of",
]

CLUSTER = ("job_id", "operator_id")
"""Runs that agree in these resemble one another; the job stands first."""

LEAST_RECORDED = 0.8
"""What is to be held equal must be recorded for at least this share of the runs; else it is named as not recorded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is to be held equal for one defect and condition, and what should be and is not recorded."""

    adjust_for: tuple[str, ...]
    not_recorded: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseRows:
    """The runs that can speak of one outcome and one condition.

    Parameters
    ----------
    frame : DataFrame
        One row a run: run (its place in the frame of runs), found (the
        outcome), value (of the condition, as it enters models), place
        ('inside', 'below', 'above', 'no window'), job, cluster, session (a day
        of a job), and what is held equal under its own name.
    adjust_for : tuple of str
        What can be held equal.
    groups, numbers : tuple of str
        The same as labels (with the cluster) and as numbers.
    not_recorded : tuple of str
        What should be held equal and is not, or hardly, recorded.
    why_none : str
        Why no run is left; empty where some are.
    """

    frame: pd.DataFrame
    adjust_for: tuple[str, ...]
    groups: tuple[str, ...]
    numbers: tuple[str, ...]
    not_recorded: tuple[str, ...]
    why_none: str


def cause_rows(
    runs: pd.DataFrame,
    outcome: pd.Series,
    condition: Condition,
    *,
    plan: Plan,
    conditions: Mapping[str, Condition],
    cluster: Sequence[str] = CLUSTER,
) -> CauseRows:
    """Return the runs that can speak of one outcome and one condition.

    Parameters
    ----------
    runs : DataFrame
        One row a run.
    outcome : Series
        Outcome of each run, on the same index; missing where it was not looked for.
    condition : Condition
    plan : Plan
        What to hold equal.
    conditions : mapping of str to Condition
        Says which columns enter on a logarithmic scale.
    cluster : sequence of str
        Columns that together name the cluster, the job first.

    Returns
    -------
    CauseRows

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> runs = pd.DataFrame({"standoff_mm": [180.0, 210.0, None], "job_id": ["J1", "J1", "J2"], "operator_id": "OP1"})
    >>> standoff, plan = load_conditions()["standoff_mm"], Plan(adjust_for=("job_id", "shift"))
    >>> rows = cause_rows(runs, pd.Series([0.0, 1.0, 1.0]), standoff, plan=plan, conditions={})
    >>> rows.frame["place"].tolist(), rows.groups, rows.not_recorded
    (['inside', 'above'], ('job_id', 'cluster'), ('shift',))
    """
    place = side_of_window(runs, condition)
    usable = place.isin(["inside", "below", "above", "no window"])
    base = usable & outcome.notna()
    names = [name for name in dict.fromkeys(plan.adjust_for) if name != condition.name]
    share = {name: float(runs.loc[base, name].notna().mean()) if name in runs and base.any() else 0.0 for name in names}
    kept = [name for name in names if share[name] >= LEAST_RECORDED]
    label = cluster_labels(runs, cluster=cluster)
    job = cluster_labels(runs, cluster=cluster[:1])
    session = job.str.cat(runs["day"].astype("str"), sep=" / ") if "day" in runs else label
    blank = pd.Series(np.nan, index=runs.index)
    frame = pd.DataFrame(
        {
            "run": np.arange(len(runs)),
            "found": outcome.astype("float64"),
            "value": on_model_scale(runs.get(condition.name, blank), condition),
            "place": place,
            "job": job,
            "cluster": label,
            "session": session,
        }
        | {name: on_model_scale(runs[name], conditions.get(name)) for name in kept},
        index=runs.index,
    )[base]
    frame = frame[frame.notna().all(axis="columns")].reset_index(drop=True)
    numbers = tuple(name for name in kept if pd.api.types.is_numeric_dtype(frame[name]))
    return CauseRows(
        frame=frame,
        adjust_for=tuple(kept),
        groups=(*(name for name in kept if name not in numbers), "cluster"),
        numbers=numbers,
        not_recorded=(*plan.not_recorded, *(_gap(name, share[name]) for name in names if name not in kept)),
        why_none="" if len(frame) else _why_none(usable, base),
    )


def _gap(name: str, share: float) -> str:
    return f"{name} (recorded for {100 * share:.0f} % of the runs)" if share > 0 else name


def _why_none(usable: pd.Series, base: pd.Series) -> str:
    if not usable.any():
        return "the condition was not recorded for any run, or applies to none"
    if not base.any():
        return "no run with the condition recorded was inspected for the defect"
    return "no run has its job, its operator and what is to be held equal recorded"


def cluster_labels(runs: pd.DataFrame, *, cluster: Sequence[str]) -> pd.Series:
    """Return the cluster of each run; missing where one of the columns is.

    Examples
    --------
    >>> runs = pd.DataFrame({"job_id": ["J1", "J2"], "operator_id": ["OP1", None]})
    >>> cluster_labels(runs, cluster=["job_id", "operator_id"]).tolist()
    ['J1 / OP1', nan]
    """
    parts = [runs[name].astype("str") if name in runs else pd.Series(np.nan, index=runs.index) for name in cluster]
    known = pd.concat([part.notna() for part in parts], axis=1).all(axis=1)
    label = parts[0].astype("object")
    for part in parts[1:]:
        label = label + " / " + part.astype("object")
    return label.where(known).astype("str").rename("cluster")


def on_model_scale(values: pd.Series, condition: Condition | None) -> pd.Series:
    """Return values as they enter models: resistances as powers of ten, other numbers and labels as they are.

    A resistance under 1 ohm is taken as 1 ohm.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> on_model_scale(pd.Series([1e6, 0.0]), load_conditions()["part_ground_ohm"]).tolist()
    [6.0, 0.0]
    """
    if condition is not None and condition.unit == "ohm":
        return pd.Series(np.log10(values.astype("float64").clip(lower=1.0)), index=values.index)
    if pd.api.types.is_bool_dtype(values) or pd.api.types.is_numeric_dtype(values):
        return values.astype("float64")
    return values


def own_unit(values: npt.NDArray[np.float64], condition: Condition) -> npt.NDArray[np.float64]:
    """Return values as they enter models in the condition's own unit again.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> own_unit(np.array([6.0]), load_conditions()["part_ground_ohm"]).tolist()
    [1000000.0]
    """
    return np.asarray(10.0**values if condition.unit == "ohm" else values, dtype=np.float64)


def one_thread() -> AbstractContextManager[object]:
    """Return a context in which linear algebra runs on one thread.

    The models are many and small: shared between threads, each waits for the others, and on two busy cores the whole
    takes twenty times as long.

    Examples
    --------
    >>> with one_thread():
    ...     round(float(np.linalg.det(np.eye(2))))
    1
    """
    from threadpoolctl import threadpool_limits  # type: ignore[import-untyped]

    limits: AbstractContextManager[object] = threadpool_limits(limits=1, user_api="blas")
    return limits


def sides_of(condition: Condition) -> tuple[str, ...]:
    """Return the sides on which a condition can lie outside its window.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> sides_of(load_conditions()["humidity_pct"])
    ('above',)
    """
    return tuple(side for side, limit in (("below", condition.low), ("above", condition.high)) if limit is not None)


def adjustment_plan(adjustments: pd.DataFrame) -> dict[tuple[str, str], Plan]:
    """Return what to hold equal, by defect and condition.

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> frame = pd.DataFrame({"defect": ["spit"], "condition": ["pot_kpa"], "adjust_for": [("job_id",)]})
    >>> adjustment_plan(frame)
    {('spit', 'pot_kpa'): Plan(adjust_for=('job_id',), not_recorded=())}
    """
    missing = [name for name in ("defect", "condition", "adjust_for") if name not in adjustments]
    if missing:
        raise ValueError(f"adjustments must have the columns defect, condition and adjust_for; {missing} are not there")
    gaps = adjustments["not_recorded"] if "not_recorded" in adjustments else [()] * len(adjustments)
    columns = (adjustments["defect"], adjustments["condition"], adjustments["adjust_for"], gaps)
    return {
        (str(defect), str(condition)): Plan(adjust_for=tuple(adjust), not_recorded=tuple(gap))
        for defect, condition, adjust, gap in zip(*columns, strict=True)
    }
