"""Cause rows: which runs can speak of a defect and a condition, and what can be held equal among them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.trade.conditions import Condition, side_of_window

__all__ = [
    "CLUSTER",
    "LEAST_RECORDED",
    "CauseRows",
    "Plan",
    "RunColumns",
    "adjustment_plan",
    "cause_rows",
    "cluster_labels",
    "on_model_scale",
    "own_unit",
    "sides_of",
]

CLUSTER = ("job_id", "operator_id")
"""Runs that agree in these resemble one another; the job stands first."""

LEAST_RECORDED = 0.8
"""What is to be held equal must be recorded for at least this share of the runs; else it is named as not recorded."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What is to be held equal for one defect and condition, what should be and is not recorded, and what is asked.

    Parameters
    ----------
    adjust_for, not_recorded : tuple of str
    sides : tuple of str, optional
        Sides of the window to answer for; left out, all that it has.
    """

    adjust_for: tuple[str, ...]
    not_recorded: tuple[str, ...] = ()
    sides: tuple[str, ...] | None = None

    def sides_of(self, condition: Condition) -> tuple[str, ...]:
        """Return the sides of the condition's window that are asked for."""
        return tuple(side for side in sides_of(condition) if self.sides is None or side in self.sides)


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
    return RunColumns(runs, conditions=conditions, cluster=cluster).rows(outcome, condition, plan=plan)


class RunColumns:
    """The columns of the runs as they enter models, each made once however many questions are asked of them.

    Parameters
    ----------
    runs : DataFrame
        One row a run.
    conditions : mapping of str to Condition
        Says which columns enter on a logarithmic scale.
    cluster : sequence of str
        Columns that together name the cluster, the job first.
    """

    def __init__(
        self, runs: pd.DataFrame, *, conditions: Mapping[str, Condition], cluster: Sequence[str] = CLUSTER
    ) -> None:
        self._runs, self._conditions, self._cluster = runs, conditions, cluster
        self._held = cache(self._make_held)
        self._asked: dict[str, tuple[_Column, _Column]] = {}

    def rows(self, outcome: pd.Series, condition: Condition, *, plan: Plan) -> CauseRows:
        """Return the runs that can speak of one outcome and one condition, as `cause_rows` does."""
        if condition.name not in self._asked:
            self._asked[condition.name] = self._make_asked(condition)
        value, place = self._asked[condition.name]
        base = place.known & outcome.notna().to_numpy()
        names = [name for name in dict.fromkeys(plan.adjust_for) if name != condition.name]
        held = {name: self._held(name) for name in names if name in self._runs}
        share = {name: float(held[name].known[base].mean()) if name in held and base.any() else 0.0 for name in names}
        kept = [name for name in names if share[name] >= LEAST_RECORDED]
        columns = {"value": value, "place": place, **self._labels} | {name: held[name] for name in kept}
        here = np.flatnonzero(np.logical_and.reduce([base, *(column.known for column in columns.values())]))
        frame = pd.DataFrame(
            {"run": here, "found": outcome.to_numpy(dtype=np.float64, na_value=np.nan)[here]}
            | {name: column.values.take(here) for name, column in columns.items()}
        )
        numbers = tuple(name for name in kept if pd.api.types.is_numeric_dtype(frame[name]))
        return CauseRows(
            frame=frame,
            adjust_for=tuple(kept),
            groups=(*(name for name in kept if name not in numbers), "cluster"),
            numbers=numbers,
            not_recorded=(*plan.not_recorded, *(_gap(name, share[name]) for name in names if name not in kept)),
            why_none="" if len(frame) else _why_none(place.known, base),
        )

    @cached_property
    def _labels(self) -> dict[str, _Column]:
        """Return the job, the cluster and the session (a day of a job) of each run."""
        cluster = cluster_labels(self._runs, cluster=self._cluster)
        job = cluster_labels(self._runs, cluster=self._cluster[:1])
        days = self._runs["day"].astype("str") if "day" in self._runs else None
        session = cluster if days is None else job.str.cat(days, sep=" / ")
        return {name: _column(one) for name, one in (("job", job), ("cluster", cluster), ("session", session))}

    def _make_held(self, name: str) -> _Column:
        return _column(on_model_scale(self._runs[name], self._conditions.get(name)))

    def _make_asked(self, condition: Condition) -> tuple[_Column, _Column]:
        """Return the values of a condition, and where they lie; known is where the condition applies."""
        place = side_of_window(self._runs, condition)
        usable = place.isin(["inside", "below", "above", "no window"]).to_numpy()
        blank = pd.Series(np.nan, index=self._runs.index)
        value = on_model_scale(self._runs.get(condition.name, blank), condition)
        return _column(value), _Column(values=place.array, known=usable)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Column:
    values: pd.api.extensions.ExtensionArray
    known: npt.NDArray[np.bool_]


def _column(values: pd.Series) -> _Column:
    return _Column(values=values.array, known=values.notna().to_numpy())


def _gap(name: str, share: float) -> str:
    return f"{name} (recorded for {100 * share:.0f} % of the runs)" if share > 0 else name


def _why_none(usable: npt.NDArray[np.bool_], base: npt.NDArray[np.bool_]) -> str:
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

    Parameters
    ----------
    adjustments : DataFrame
        defect, condition, adjust_for (tuple of columns); and, where there,
        not_recorded (tuple) and sides (tuple of the sides that are asked for).

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> frame = pd.DataFrame({"defect": ["spit"], "condition": ["pot_kpa"], "adjust_for": [("job_id",)]})
    >>> adjustment_plan(frame)
    {('spit', 'pot_kpa'): Plan(adjust_for=('job_id',), not_recorded=(), sides=None)}
    """
    missing = [name for name in ("defect", "condition", "adjust_for") if name not in adjustments]
    if missing:
        raise ValueError(f"adjustments must have the columns defect, condition and adjust_for; {missing} are not there")
    gaps = adjustments["not_recorded"] if "not_recorded" in adjustments else [()] * len(adjustments)
    sides = adjustments["sides"] if "sides" in adjustments else [None] * len(adjustments)
    columns = (adjustments["defect"], adjustments["condition"], adjustments["adjust_for"], gaps, sides)
    return {
        (str(defect), str(condition)): Plan(adjust_for=tuple(adjust), not_recorded=tuple(gap), sides=asked)
        for defect, condition, adjust, gap, asked in zip(*columns, strict=True)
    }
