"""Dose-response: how the risk of a defect goes along a condition, drawn only where the records lie."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.findings.cause_rows import (
    CLUSTER,
    CauseRows,
    RunColumns,
    adjustment_plan,
    on_model_scale,
    own_unit,
)
from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.exposure_curve import exposure_curve
from auditkit.stats.splines import harrell_knots
from auditkit.stats.threads import one_thread
from auditkit.stats.windowed_risk import LEAST_OUTCOMES
from auditkit.trade.conditions import Condition

__all__ = ["DRAWN", "LEAST_JOBS_NEAR", "LEAST_RUNS_NEAR", "DoseResponse", "find_dose_response"]

Floats = npt.NDArray[np.float64]

DRAWN = (
    "standoff_mm",
    "pot_kpa",
    "viscosity_mm2_s",
    "delivery_ratio",
    "bell_used_d",
    "filter_used_d",
    "brush_wear_pct",
    "part_ground_ohm",
)
"""Conditions that are drawn unless others are named."""

LEAST_RUNS_NEAR, LEAST_JOBS_NEAR = 10, 2
"""A point of the curve is drawn where at least so many runs, of so many jobs, lie within one bandwidth of it; ours."""

LEAST_APART = 0.05
"""Least share of the condition's variance that must lie within the levels of what is held equal; ours, no source."""

POINTS = 41
"""Points of a curve, evenly over the values."""

_CURVE = {
    "defect": "str",
    "condition": "str",
    "value": "float64",
    "risk": "float64",
    "low": "float64",
    "high": "float64",
    "runs_near": "int64",
    "jobs_near": "int64",
    "supported": "bool",
}
_DENSITY = {"condition": "str", "value": "float64", "density": "float64", "runs": "int64", "bandwidth": "float64"}
_PAIRS = {
    "defect": "str",
    "condition": "str",
    "n": "int64",
    "found": "int64",
    "jobs": "int64",
    "shape": "str",
    "flatness_p": "float64",
    "adjusted_for": "object",
    "not_recorded": "object",
    "why": "str",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class DoseResponse:
    """Curves of risk along conditions.

    Parameters
    ----------
    curve : DataFrame
        One row a defect, condition and value, in the order of the defects and
        conditions: defect, condition, value (in the condition's unit), risk
        (had every run had that value, all else as it was) with low and high,
        runs_near, jobs_near, supported. Risk and limits are missing where
        not supported.
    density : DataFrame
        One row a condition and value: condition, value, density (of the runs
        with the condition recorded, per its unit; of a resistance, per power
        of ten), runs, bandwidth.
    pairs : DataFrame
        One row a defect and condition: defect, condition, n, found (runs with
        the defect), jobs, shape ('natural spline' or 'straight line'),
        flatness_p (of no change along the condition), adjusted_for,
        not_recorded, why (empty where a curve is drawn).
    n, excluded : int
        Runs, and those that serve no curve.
    confidence : float
    method : str
    """

    curve: pd.DataFrame
    density: pd.DataFrame
    pairs: pd.DataFrame
    n: int
    excluded: int
    confidence: float
    method: str


def find_dose_response(
    runs: pd.DataFrame,
    found: pd.DataFrame,
    *,
    conditions: Mapping[str, Condition],
    adjustments: pd.DataFrame,
    drawn: Sequence[str] = DRAWN,
    cluster: Sequence[str] = CLUSTER,
    confidence: float = 0.95,
    on_progress: Callable[[str, int, int], None] | None = None,
) -> DoseResponse:
    """Return how the risk of each defect goes along each condition.

    Parameters
    ----------
    runs, found, conditions, adjustments, cluster, confidence, on_progress
        As in `cause_effects.find_effects`; a window is not needed.
    drawn : sequence of str
        Conditions to draw; those that are unknown here are passed over.

    Returns
    -------
    DoseResponse
    """
    plan = adjustment_plan(adjustments)
    known = [conditions[name] for name in drawn if name in conditions]
    density = [row for condition in known for row in _density_of(runs, condition)]
    todo = [(str(defect), condition) for defect in found.columns for condition in known]
    curve: list[dict[str, object]] = []
    pairs: list[dict[str, object]] = []
    used: set[object] = set()
    columns = RunColumns(runs, conditions=conditions, cluster=cluster)
    for number, (defect, condition) in enumerate(todo, start=1):
        planned = plan.get((defect, condition.name))
        pair: dict[str, object] = {"defect": defect, "condition": condition.name, "n": 0, "found": 0, "jobs": 0}
        if planned is None or condition.name not in runs:
            why = "the condition was not recorded" if planned else "the causal diagram does not say what to hold equal"
            pairs.append(pair | {"shape": "", "adjusted_for": (), "not_recorded": (), "why": why})
        else:
            outcome = runs["run_id"].map(found[defect]).astype("float64").set_axis(runs.index)
            rows = columns.rows(outcome, condition, plan=planned)
            used |= set(rows.frame["run"])
            with one_thread():
                points, said = _curve_of(rows, condition, confidence=confidence)
            pairs.append(pair | said | {"adjusted_for": rows.adjust_for, "not_recorded": rows.not_recorded})
            curve += [{"defect": defect, "condition": condition.name} | point for point in points]
        if on_progress is not None:
            on_progress(f"{defect} along {condition.title}", number, len(todo))
    return DoseResponse(
        curve=typed_frame(curve, _CURVE),
        density=typed_frame(density, _DENSITY),
        pairs=typed_frame(pairs, _PAIRS),
        n=len(runs),
        excluded=len(runs) - len(used),
        confidence=confidence,
        method=_METHOD,
    )


_METHOD = (
    "For each defect and condition, a logistic model of the defect on a natural spline of the condition (three knots, "
    "at its 10th, 50th and 90th percentile; a straight line where it takes few values) and on what the causal diagram "
    "says to hold equal. The risk at a value is that of all runs, had each had that value. Levels of what is held "
    "equal, of each pair of job and operator, and of each day of a job are shrunk as random effects are; the band is "
    f"the posterior's, for one value at a time. A point is drawn only where {LEAST_RUNS_NEAR} runs or more of "
    f"{LEAST_JOBS_NEAR} jobs or more lie within one bandwidth of it (Silverman's, that of the density beneath)."
)


def _curve_of(
    rows: CauseRows, condition: Condition, *, confidence: float
) -> tuple[list[dict[str, object]], dict[str, object]]:
    """Return the points of one curve, and what is said of it."""
    frame = rows.frame
    said: dict[str, object] = {
        "n": len(frame),
        "found": int(frame["found"].sum()),
        "jobs": int(frame["job"].nunique()),
        "shape": "",
    }
    why = _why_not(rows)
    if why:
        return [], said | {"why": why}
    values = frame["value"].to_numpy(dtype=np.float64)
    knots = _knots(values)
    grid, near, jobs_near = _support(values, frame["job"])
    supported = (near >= LEAST_RUNS_NEAR) & (jobs_near >= LEAST_JOBS_NEAR)
    if supported.sum() < 2:
        return [], said | {"why": "nowhere along the condition do enough runs of enough jobs lie"}
    fit = exposure_curve(
        frame,
        outcome="found",
        exposure="value",
        at=grid[supported],
        knots=knots,
        groups=rows.groups,
        numbers=rows.numbers,
        session=["session"],
        confidence=confidence,
    )
    said |= {"shape": "natural spline" if knots else "straight line", "flatness_p": fit.flatness_p}
    drawn = fit.table.set_axis(np.flatnonzero(supported)).reindex(range(len(grid)))
    back = own_unit(grid, condition)
    points: list[dict[str, object]] = [
        {
            "value": float(back[i]),
            "risk": float(drawn["risk"].iloc[i]),
            "low": float(drawn["low"].iloc[i]),
            "high": float(drawn["high"].iloc[i]),
            "runs_near": int(near[i]),
            "jobs_near": int(jobs_near[i]),
            "supported": bool(supported[i]),
        }
        for i in range(len(grid))
    ]
    return points, said | {"why": ""}


def _why_not(rows: CauseRows) -> str:
    frame = rows.frame
    if frame.empty:
        return rows.why_none
    found, values = int(frame["found"].sum()), frame["value"].nunique()
    for count, least, one, what in (
        (found, LEAST_OUTCOMES, "run", "with the defect"),
        (len(frame) - found, LEAST_OUTCOMES, "run", "without the defect"),
        (values, 3, "value", "of the condition"),
    ):
        if count < least:
            return f"{count} {one}{'' if count == 1 else 's'} {what}; {least} are needed"
    if _apart(frame, rows.groups) < LEAST_APART:
        return f"what is held equal ({', '.join(rows.adjust_for)}) all but decides the condition"
    return ""


def _apart(frame: pd.DataFrame, groups: Sequence[str]) -> float:
    """Return the share of the condition's variance that lies within levels of what is held equal, the least of them."""
    value = frame["value"]
    means = [value.groupby(frame[name]).transform("mean").to_numpy(dtype=np.float64) for name in groups]
    values = value.to_numpy(dtype=np.float64)
    least = min(float(np.var(values - mean)) for mean in means)
    return least / float(np.var(values))


def _knots(values: Floats) -> tuple[float, ...]:
    """Return three knots, or none where two would fall together."""
    places = np.quantile(values, [0.10, 0.50, 0.90])
    return harrell_knots(values, count=3) if (np.diff(places) > 0).all() else ()


def _bandwidth(values: Floats) -> float:
    """Return Silverman's bandwidth, 0.9 min(sd, IQR/1.34) n^(-1/5); by the sd alone where the quartiles coincide."""
    spread = float(values.std(ddof=1)) if len(values) > 1 else 0.0
    quartiles = float(np.subtract(*np.quantile(values, [0.75, 0.25]))) / 1.34
    narrow = min(spread, quartiles) if quartiles > 0 else spread
    return 0.9 * narrow * float(len(values) ** -0.2)


def _grid(values: Floats) -> Floats:
    distinct = np.unique(values)
    return distinct if len(distinct) <= 12 else np.linspace(distinct[0], distinct[-1], POINTS)


def _support(values: Floats, job: pd.Series) -> tuple[Floats, npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return the points of a curve, and how many runs and jobs lie within one bandwidth of each."""
    grid = _grid(values)
    near = np.abs(values[None, :] - grid[:, None]) <= _bandwidth(values)
    codes = pd.factorize(job, sort=True)[0]
    jobs = np.array([len(np.unique(codes[row])) for row in near], dtype=np.int64)
    return grid, near.sum(axis=1).astype(np.int64), jobs


def _density_of(runs: pd.DataFrame, condition: Condition) -> list[dict[str, object]]:
    """Return the density of the runs along a condition, by a normal kernel."""
    if condition.name not in runs:
        return []
    values = on_model_scale(runs[condition.name], condition).dropna().to_numpy(dtype=np.float64)
    if len(np.unique(values)) < 3:
        return []
    width, grid = _bandwidth(values), _grid(values)
    kernel = np.exp(-0.5 * ((grid[:, None] - values) / width) ** 2) / np.sqrt(2.0 * np.pi)
    heights = kernel.sum(axis=1) / (len(values) * width)
    return [
        {
            "condition": condition.name,
            "value": float(value),
            "density": float(height),
            "runs": len(values),
            "bandwidth": width,
        }
        for value, height in zip(own_unit(grid, condition), heights, strict=True)
    ]
