"""Cause outcomes: what conditions outside their window do to how bad defects are, how many there are, film and wrap.

The comparison is of runs outside with runs inside the window, with what the
causal diagram names held equal; of film and wrap it is made between areas, by
the share of the spraying time on each that lay outside.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.findings.cause_rows import CLUSTER, CauseRows, Plan, RunColumns, adjustment_plan, sides_of
from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.adjusted_mean import adjusted_mean
from auditkit.stats.adjusted_rate import adjusted_rate
from auditkit.stats.graded_odds import graded_odds
from auditkit.stats.threads import one_thread
from auditkit.trade.conditions import Condition

__all__ = ["ALL_KINDS", "AREA_OUTCOMES", "OutcomeFindings", "find_outcomes"]

ALL_KINDS = "kinds of defect per m2"

AREA_OUTCOMES: Mapping[str, str] = {
    "facing_um": "mean film on the facing side [um]",
    "reverse_um": "mean film on the reverse [um]",
    "ratio": "film on the reverse over film on the facing side [-]",
    "wrap_pct": "rated wrap [%]",
}
"""Columns of the areas that are compared, and what they are."""

LEAST_OUTSIDE = 5
"""Least number of runs or areas outside the window, and of those not outside."""

LEAST_TOTAL = 10
"""Least sum of counts for a rate."""

_SAME = {
    "condition": "str",
    "side": "str",
    "n": "int64",
    "n_outside": "int64",
    "clusters": "int64",
}
_END = {"adjusted_for": "object", "not_recorded": "object", "why": "str"}
_SEVERITY = {
    "defect": "str",
    **_SAME,
    **dict.fromkeys(["odds_ratio", "low", "high", "p", "proportional_p"], "float64"),
    "grades": "str",
    **_END,
}
_RATES = {
    "outcome": "str",
    **_SAME,
    **dict.fromkeys(["rate_ratio", "low", "high", "p", "dispersion"], "float64"),
    "total": "int64",
    **_END,
}
_MEANS = {
    "outcome": "str",
    **_SAME,
    **dict.fromkeys(["difference", "low", "high", "p", "df", "share_outside"], "float64"),
    **_END,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OutcomeFindings:
    """What conditions outside their window do to outcomes other than whether a defect was found.

    Parameters
    ----------
    severity : DataFrame
        One row a defect, condition and side: odds_ratio of a higher quantity
        rating (0, none, to 5) outside against inside, with limits and p,
        proportional_p (of the odds ratio being the same at every cut; small
        says that one figure does not tell all), grades (as merged).
    rates : DataFrame
        One row a condition and side: rate_ratio of the kinds of defect found
        on a run per m2 of its area, with limits, p, dispersion, total (kinds
        found).
    means : DataFrame
        One row an outcome of `AREA_OUTCOMES`, condition and side: difference of
        an area sprayed wholly outside from one sprayed wholly inside, with
        limits, p and df; share_outside (mean over areas); n and n_outside
        count areas.
    n, areas : int
        Runs, and areas with an outcome.
    excluded : int
        Runs whose area's size is not known, left out of the rates.
    confidence : float
    method : str

    Every table also has n, n_outside, clusters (pairs of job and operator; of
    means, jobs), adjusted_for, not_recorded, and why (empty where estimated).
    """

    severity: pd.DataFrame
    rates: pd.DataFrame
    means: pd.DataFrame
    n: int
    areas: int
    excluded: int
    confidence: float
    method: str


def find_outcomes(
    runs: pd.DataFrame,
    found: pd.DataFrame,
    *,
    ratings: pd.DataFrame,
    areas: pd.DataFrame,
    conditions: Mapping[str, Condition],
    adjustments: pd.DataFrame,
    cluster: Sequence[str] = CLUSTER,
    confidence: float = 0.95,
    on_progress: Callable[[str, int, int], None] | None = None,
) -> OutcomeFindings:
    """Return what conditions outside their window do to severity, number of defects, film and wrap.

    Parameters
    ----------
    runs : DataFrame
        One row a run: run_id, area_id, minutes, the conditions, what is to be
        held equal, and the columns of `cluster`.
    found : DataFrame
        One row a run (index run_id), one nullable boolean column a defect.
    ratings : DataFrame
        Defect records traced to a run: run_id, defect, quantity.
    areas : DataFrame
        One row an area: area_id, size_m2, and columns of `AREA_OUTCOMES`; one
        that is not there is not compared.
    conditions, adjustments, cluster, confidence, on_progress
        As in `cause_effects.find_effects`. For rates and means, what is held
        equal for a condition is what is held equal for any defect.

    Returns
    -------
    OutcomeFindings
    """
    plan = adjustment_plan(adjustments)
    shared = _shared_plans(plan)
    windowed = [condition for condition in conditions.values() if condition.has_window]
    rated = ratings.groupby(["run_id", "defect"])["quantity"].max()
    size = runs["area_id"].map(areas.drop_duplicates("area_id").set_index("area_id")["size_m2"]).astype("float64")
    severity, rates, means = [], [], []
    columns = RunColumns(runs, conditions=conditions, cluster=cluster)
    for number, condition in enumerate(windowed, start=1):
        ask = _Question(runs=runs, columns=columns, condition=condition, confidence=confidence)
        for defect in map(str, found.columns):
            grade = _grades(runs, found[defect], rated, defect)
            severity += _answers({"defect": defect}, ask, grade, plan.get((defect, condition.name)), _graded)
        counts = runs["run_id"].map(found.astype("Float64").sum(axis=1, skipna=False)).astype("float64")
        asked = shared.get(condition.name)
        rates += _answers({"outcome": ALL_KINDS}, ask, counts.set_axis(runs.index), asked, _rated, size=size)
        for outcome in AREA_OUTCOMES:
            if outcome in areas:
                means += _means_of(outcome, ask, areas, asked)
        if on_progress is not None:
            on_progress(condition.title, number, len(windowed))
    measured = [name for name in AREA_OUTCOMES if name in areas]
    return OutcomeFindings(
        severity=typed_frame(severity, _SEVERITY),
        rates=typed_frame(rates, _RATES),
        means=typed_frame(means, _MEANS),
        n=len(runs),
        areas=int(areas[measured].notna().any(axis=1).sum()) if measured else 0,
        excluded=int(size.isna().sum()),
        confidence=confidence,
        method=_METHOD,
    )


_METHOD = (
    "Severity: proportional odds of a higher quantity rating, runs without the defect counting as 0, ratings with few "
    "runs merged; that one odds ratio serves every cut is tested. Number: Poisson rate of the kinds of defect found on "
    "a run per m2 of its area, limits widened where the counts spread more than chance. Film and wrap: a linear model "
    "over areas of the share of the spraying time outside the window, areas of one job resembling one another. In all "
    "of them what the causal diagram names is held equal."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Question:
    """What is asked of every outcome of one condition."""

    runs: pd.DataFrame
    columns: RunColumns
    condition: Condition
    confidence: float

    def rows(self, outcome: pd.Series, plan: Plan) -> CauseRows:
        """Return the runs that can speak of the outcome."""
        return self.columns.rows(outcome, self.condition, plan=plan)


def _shared_plans(plan: Mapping[tuple[str, str], Plan]) -> dict[str, Plan]:
    """Return what is held equal for a condition whatever the defect: all that is for any."""
    shared: dict[str, Plan] = {}
    for (_, condition), one in plan.items():
        known = shared.get(condition, Plan(adjust_for=()))
        shared[condition] = Plan(
            adjust_for=tuple(dict.fromkeys([*known.adjust_for, *one.adjust_for])),
            not_recorded=tuple(dict.fromkeys([*known.not_recorded, *one.not_recorded])),
        )
    return shared


def _grades(runs: pd.DataFrame, found: pd.Series, rated: pd.Series, defect: str) -> pd.Series:
    """Return each run's quantity rating of one defect: 0 where none was found, missing where it was not looked for."""
    of_defect = rated.xs(defect, level="defect") if defect in rated.index.get_level_values("defect") else None
    quantity = runs["run_id"].map(of_defect) if of_defect is not None else pd.Series(np.nan, index=runs.index)
    looked = runs["run_id"].map(found)
    grade = quantity.astype("float64").fillna(0.0).where(looked.notna().to_numpy())
    return grade.set_axis(runs.index)


Estimate = Callable[[pd.DataFrame, CauseRows, float], dict[str, object]]


def _answers(
    key: dict[str, object],
    ask: _Question,
    outcome: pd.Series,
    plan: Plan | None,
    estimate: Estimate,
    *,
    size: pd.Series | None = None,
) -> list[dict[str, object]]:
    """Return a row a side."""
    name = {"condition": ask.condition.name}
    if plan is None:
        blank = {"n": 0, "n_outside": 0, "clusters": 0, "total": 0, "adjusted_for": (), "not_recorded": ()}
        why = "the causal diagram does not say what to hold equal"
        return [key | name | blank | {"side": side, "why": why} for side in sides_of(ask.condition)]
    rows = ask.rows(outcome if size is None else outcome.where(size > 0), plan)
    frame = rows.frame if size is None else rows.frame.assign(size_m2=size.to_numpy()[rows.frame["run"]])
    result = []
    for side in sides_of(ask.condition):
        part = frame[frame["place"].isin(["inside", side])]
        part = part.assign(outside=part["place"] == side)
        row: dict[str, object] = (
            key
            | name
            | {
                "side": side,
                "n": len(part),
                "n_outside": int(part["outside"].sum()),
                "clusters": int(part["cluster"].nunique()),
                "total": int(part["found"].sum()),
                "adjusted_for": rows.adjust_for,
                "not_recorded": rows.not_recorded,
            }
        )
        why = rows.why_none or _too_few(part["outside"], "runs")
        result.append(row | ({"why": why} if why else _attempt(estimate, part, rows, ask.confidence)))
    return result


def _too_few(outside: pd.Series, what: str) -> str:
    there, elsewhere = int(outside.sum()), int((~outside).sum())
    if min(there, elsewhere) >= LEAST_OUTSIDE:
        return ""
    word = "outside" if there < LEAST_OUTSIDE else "inside"
    return f"{min(there, elsewhere)} {what} {word} the window; {LEAST_OUTSIDE} are needed"


def _attempt(estimate: Estimate, part: pd.DataFrame, rows: CauseRows, confidence: float) -> dict[str, object]:
    """Return the estimate, or why the method refused."""
    try:
        with one_thread():
            return estimate(part, rows, confidence) | {"why": ""}
    except ValueError as refusal:
        return {"why": str(refusal)}


def _graded(part: pd.DataFrame, rows: CauseRows, confidence: float) -> dict[str, object]:
    result = graded_odds(
        part,
        outcome="found",
        exposure="outside",
        groups=rows.groups,
        numbers=rows.numbers,
        confidence=confidence,
    )
    merged = ["-".join(f"{grade:g}" for grade in sorted({part[0], part[-1]})) for part in result.grades]
    return {
        "odds_ratio": result.odds_ratio,
        "low": result.low,
        "high": result.high,
        "p": result.p,
        "proportional_p": result.proportional_p,
        "grades": " | ".join(merged),
    }


def _rated(part: pd.DataFrame, rows: CauseRows, confidence: float) -> dict[str, object]:
    total = int(part["found"].sum())
    if total < LEAST_TOTAL:
        raise ValueError(f"{total} defects; {LEAST_TOTAL} are needed")
    result = adjusted_rate(
        part,
        outcome="found",
        exposure="outside",
        amount="size_m2",
        groups=rows.groups,
        numbers=rows.numbers,
        confidence=confidence,
    )
    return {
        "rate_ratio": result.rate_ratio,
        "low": result.low,
        "high": result.high,
        "p": result.p,
        "dispersion": result.dispersion,
    }


def _means_of(outcome: str, ask: _Question, areas: pd.DataFrame, plan: Plan | None) -> list[dict[str, object]]:
    """Return a row a side of one outcome of areas."""
    values = ask.runs["area_id"].map(areas.drop_duplicates("area_id").set_index("area_id")[outcome]).astype("float64")
    key: dict[str, object] = {"outcome": outcome}
    if plan is None:
        return _answers(key, ask, values, None, _graded)
    rows = ask.rows(values.set_axis(ask.runs.index), plan)
    frame = rows.frame.assign(
        area=ask.runs["area_id"].to_numpy()[rows.frame["run"]],
        run_id=ask.runs["run_id"].to_numpy()[rows.frame["run"]],
        minutes=ask.runs["minutes"].astype("float64").clip(lower=0.01).fillna(1.0).to_numpy()[rows.frame["run"]],
    )
    result = []
    for side in sides_of(ask.condition):
        part = frame[frame["place"].isin(["inside", side])]
        by_area = _by_area(part.assign(share=(part["place"] == side).astype("float64")), rows)
        outside = by_area["share"] > 0
        row: dict[str, object] = key | {
            "condition": ask.condition.name,
            "side": side,
            "n": len(by_area),
            "n_outside": int(outside.sum()),
            "clusters": int(by_area["job"].nunique()),
            "share_outside": float(by_area["share"].mean()) if len(by_area) else np.nan,
            "adjusted_for": rows.adjust_for,
            "not_recorded": rows.not_recorded,
        }
        why = rows.why_none or _too_few(outside, "areas")
        result.append(row | ({"why": why} if why else _attempt(_mean_difference, by_area, rows, ask.confidence)))
    return result


def _mean_difference(by_area: pd.DataFrame, rows: CauseRows, confidence: float) -> dict[str, object]:
    if by_area["job"].nunique() < 2:
        raise ValueError("the areas are of one job; two are needed")
    result = adjusted_mean(
        by_area,
        outcome="found",
        exposure="share",
        adjust=rows.adjust_for,
        cluster="job",
        confidence=confidence,
    )
    return {
        "difference": result.difference,
        "low": result.low,
        "high": result.high,
        "p": result.p,
        "df": result.df,
    }


def _by_area(part: pd.DataFrame, rows: CauseRows) -> pd.DataFrame:
    """Return one row an area: numbers as means over the spraying time, labels as those of the longest run."""
    ordered = part.sort_values(["area", "minutes", "run_id"], ascending=[True, False, True], kind="stable")
    labels = [name for name in rows.groups if name != "cluster"]
    grouped = ordered.groupby("area", sort=True)
    first = grouped[["job", "found", *labels]].first()
    numbers = ["share", *rows.numbers]
    weighted = ordered[numbers].mul(ordered["minutes"], axis=0).groupby(ordered["area"], sort=True).sum()
    means = weighted.div(grouped["minutes"].sum(), axis=0)
    return first.join(means).reset_index()
