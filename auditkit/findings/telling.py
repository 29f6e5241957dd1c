"""Can these records tell: how far the conditions varied, which moved together, and what could have been seen at all.

All of it is asked before any cause is named, and none of it needs a cause to be
there: where the records cannot tell, no method can.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.findings.cause_skill import find_skill
from auditkit.stats.power import smallest_rise
from auditkit.stats.resampling import effective_clusters
from auditkit.stats.separability import Separability, exposure_design_effect, residual_of, separability
from auditkit.stats.threads import one_thread
from auditkit.stats.variance import intraclass_correlation
from auditkit.trade.conditions import Condition, side_of_window

__all__ = ["TellingFindings", "condition_sides", "find_telling", "on_side", "recorded_adjusters"]

Floats = npt.NDArray[np.float64]

MOST_INFLATION = 5.0
"""From here on two conditions are inseparable: they share 80 % of what varies. A usual limit, our own default."""

MOVES_TOGETHER = 0.5
"""Partial correlation, of either sign, from which a pair with hardly any run apart is inseparable as well."""

LEAST_APART = 5
"""Least number of runs outside one of two conditions and not the other, for these to be told apart."""

LEAST_LEFT = 0.1
"""Least share of a condition's variation that what is adjusted for must leave; our own default."""

POWER = 0.8
"""Chance with which the smallest difference would have been seen."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TellingFindings:
    """What the records can tell.

    Parameters
    ----------
    overlap : DataFrame
        One row a condition and side of its window: condition, side, n, n_outside, n_inside,
        other_side, not_recorded (or not applying), jobs, jobs_both (jobs with
        runs on that side and inside), operators, operators_both, left (share of
        the variation that what is adjusted for leaves), why ('' where nothing
        stands in the way).
    pairs : DataFrame
        One row an ordered pair of sides of different conditions, both with runs outside:
        condition, side, other, other_side, n, both, either, one_only,
        other_only, jobs_apart, measure (partial correlation given what the
        condition is adjusted for), inflation, inseparable, why.
    detectable : DataFrame
        One row a defect, condition and side: n, n_outside, found_outside,
        risk_base (of runs not on that side), smallest_rise (of the risk of the
        runs outside), smallest_difference (the same over all runs, the scale
        of `difference` among the effects), why.
    skill : DataFrame
        One row a defect: n, found, clusters, score (Brier skill against the base
        rate, jobs left out), low, high, auc (within jobs), predicts, words.
    n, excluded : int
        Runs, and runs left out for want of a job.
    confidence : float
    method : str
    """

    overlap: pd.DataFrame
    pairs: pd.DataFrame
    detectable: pd.DataFrame
    skill: pd.DataFrame
    n: int
    excluded: int
    confidence: float
    method: str


def find_telling(
    runs: pd.DataFrame,
    found: pd.DataFrame,
    *,
    conditions: Mapping[str, Condition],
    adjustments: pd.DataFrame,
    cluster: str = "job_id",
    operator: str = "operator_id",
    confidence: float = 0.95,
) -> TellingFindings:
    """Return how far the records can tell what conditions do.

    Parameters
    ----------
    runs : DataFrame
        One row a run, with the conditions, what they are adjusted for, the
        cluster and the operator.
    found : DataFrame
        One row a run (index run_id), one nullable boolean column a defect.
    conditions : mapping of str to Condition
        Conditions and their windows; those without a column in `runs` are passed over.
    adjustments : DataFrame
        defect, condition, adjust_for (tuple of columns).
    cluster, operator : str
        Columns that name the job and the operator of a run.
    confidence : float

    Returns
    -------
    TellingFindings

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> runs = pd.DataFrame({"run_id": ["R1", "R2"], "standoff_mm": [180.0, 230.0]})
    >>> runs = runs.assign(job_id="J1", operator_id="OP1")
    >>> found = pd.DataFrame({"spit": pd.array([False, True], "boolean")}, index=["R1", "R2"])
    >>> none = pd.DataFrame(columns=["defect", "condition", "adjust_for"])
    >>> telling = find_telling(runs, found, conditions=load_conditions(), adjustments=none)
    >>> telling.skill["words"].tolist()
    ['cannot tell whether spit can be foretold: 1 run has it, and 10 are needed']
    """
    kept = runs[runs[cluster].notna()].sort_values("run_id", ignore_index=True)
    sides = condition_sides(kept, conditions)
    adjust_for = {name: recorded_adjusters(kept, adjustments, condition=name) for name, _ in sides}
    outcomes = pd.DataFrame({defect: kept["run_id"].map(found[defect]).astype("boolean") for defect in found.columns})
    with one_thread():
        overlap = _overlap(kept, conditions, sides, adjust_for, cluster=cluster, operator=operator)
        pairs = _pairs(kept, conditions, sides, adjust_for, cluster=cluster)
        detectable = _detectable(kept, outcomes, conditions, sides, adjust_for, cluster=cluster, alpha=1.0 - confidence)
        skill = find_skill(kept, outcomes, conditions, adjust_for, cluster=cluster, confidence=confidence)
    return TellingFindings(
        overlap=overlap,
        pairs=pairs,
        detectable=detectable,
        skill=skill,
        n=len(kept),
        excluded=len(runs) - len(kept),
        confidence=confidence,
        method=(
            "Overlap: runs, jobs and operators on both sides of each window. Pairs: partial correlation of being "
            "outside one window and another, given what the first is adjusted for; inseparable from a variance "
            f"inflation of {MOST_INFLATION:g}, or where fewer than {LEAST_APART} runs or two jobs have one alone. "
            f"Smallest difference: the rise that a single test at {1.0 - confidence:.2g} would have seen with "
            f"{POWER:.0%} chance (Fleiss, unequal groups), its variance raised by what is adjusted for and by runs of "
            "a job being alike (Moulton), on Student's t by jobs; a table of many rows asks for more. Skill: a ridge "
            "logistic model of all conditions and what they are adjusted for, fitted without each job in turn and "
            "compared there with the base rate (Brier skill score, jackknife over jobs)."
        ),
    )


def condition_sides(runs: pd.DataFrame, conditions: Mapping[str, Condition]) -> list[tuple[str, str]]:
    """Return the sides of each condition's window that can be left, of the conditions that are columns.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> condition_sides(pd.DataFrame({"standoff_mm": [180.0], "humidity_pct": [50.0]}), load_conditions())
    [('standoff_mm', 'below'), ('standoff_mm', 'above'), ('humidity_pct', 'above')]
    """
    return [
        (name, side)
        for name, condition in conditions.items()
        if name in runs.columns
        for side, limit in (("below", condition.low), ("above", condition.high))
        if limit is not None
    ]


def on_side(runs: pd.DataFrame, condition: Condition, *, side: str) -> pd.Series:
    """Return whether each run lay on that side of the window; missing where not recorded or not applying.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> runs = pd.DataFrame({"standoff_mm": [100.0, 230.0, None]})
    >>> on_side(runs, load_conditions()["standoff_mm"], side="above").tolist()
    [False, True, <NA>]
    """
    place = side_of_window(runs, condition)
    return (place == side).astype("boolean").mask(~place.isin(["inside", "below", "above"]))


def recorded_adjusters(runs: pd.DataFrame, adjustments: pd.DataFrame, *, condition: str) -> tuple[str, ...]:
    """Return what a condition is adjusted for with any defect, of the columns that hold a value.

    Examples
    --------
    >>> adjustments = pd.DataFrame({"condition": ["x", "x"], "adjust_for": [("crew", "age"), ("crew", "lost")]})
    >>> recorded_adjusters(pd.DataFrame({"crew": ["a"], "age": [1.0]}), adjustments, condition="x")
    ('crew', 'age')
    """
    rows = adjustments[adjustments["condition"] == condition]
    names = dict.fromkeys(name for row in rows["adjust_for"] for name in row)
    return tuple(name for name in names if name != condition and name in runs.columns and runs[name].notna().any())


def _overlap(
    runs: pd.DataFrame,
    conditions: Mapping[str, Condition],
    sides: list[tuple[str, str]],
    adjust_for: Mapping[str, tuple[str, ...]],
    *,
    cluster: str,
    operator: str,
) -> pd.DataFrame:
    rows = []
    for name, side in sides:
        place = side_of_window(runs, conditions[name])
        outside, inside = place == side, place == "inside"
        there = on_side(runs, conditions[name], side=side)
        known = runs.assign(there=there)[["there", *adjust_for[name]]].dropna().reset_index(drop=True)
        row = {
            "condition": name,
            "side": side,
            "n": int(there.notna().sum()),
            "n_outside": int(outside.sum()),
            "n_inside": int(inside.sum()),
            "other_side": int((there.eq(False) & ~inside).sum()),
            "not_recorded": int(there.isna().sum()),
            "jobs": int(runs.loc[there.notna(), cluster].nunique()),
            "jobs_both": len(set(runs.loc[outside, cluster]) & set(runs.loc[inside, cluster])),
            "operators": int(runs.loc[there.notna(), operator].nunique()),
            "operators_both": len(set(runs.loc[outside, operator].dropna()) & set(runs.loc[inside, operator].dropna())),
            "left": residual_of(known, column="there", given=adjust_for[name])[1] if len(known) else float("nan"),
        }
        rows.append(row | {"why": _why_no_overlap(row, adjust_for[name])})
    return pd.DataFrame(rows, columns=_OVERLAP)


_OVERLAP = [
    *("condition", "side", "n", "n_outside", "n_inside", "other_side", "not_recorded"),
    *("jobs", "jobs_both", "operators", "operators_both", "left", "why"),
]


def _why_no_overlap(row: Mapping[str, object], adjust_for: tuple[str, ...]) -> str:
    barred = {
        "n": "not recorded, or applies to no run",
        "n_outside": "no run outside the window",
        "n_inside": "no run inside the window",
        "jobs_both": "no job has runs on both sides: it cannot be told from what else is particular to these jobs",
        "operators_both": "no operator has runs on both sides: it cannot be told from the operator",
    }
    for count, why in barred.items():
        if not row[count]:
            return why
    left = row["left"]
    if not isinstance(left, float) or not left >= LEAST_LEFT:
        return f"what it is adjusted for ({', '.join(adjust_for)}) leaves hardly any of its variation"
    return ""


def _pairs(
    runs: pd.DataFrame,
    conditions: Mapping[str, Condition],
    sides: list[tuple[str, str]],
    adjust_for: Mapping[str, tuple[str, ...]],
    *,
    cluster: str,
) -> pd.DataFrame:
    there = {key: on_side(runs, conditions[key[0]], side=key[1]) for key in sides}
    used = [key for key in sides if there[key].any()]
    rows = []
    for name, side in used:
        for other, other_side in used:
            if other == name:
                continue
            frame = runs.assign(one_side=there[name, side], other_side=there[other, other_side])
            given = [column for column in adjust_for[name] if column != other]
            seen = separability(frame, one="one_side", other="other_side", cluster=cluster, given=given)
            rows.append((name, side, other, other_side, *_pair(seen)))
    table = pd.DataFrame(rows, columns=_PAIRS)
    return table.astype({"measure": "float64", "inflation": "float64", "inseparable": "bool", "why": "str"})


_PAIRS = [
    *("condition", "side", "other", "other_side", "n", "both", "either", "one_only", "other_only"),
    *("jobs_apart", "measure", "inflation", "inseparable", "why"),
]


def _pair(seen: Separability) -> tuple[object, ...]:
    apart = seen.one_only + seen.other_only
    together = abs(seen.correlation) >= MOVES_TOGETHER
    why = ""
    if seen.inflation >= MOST_INFLATION:
        why = f"of {seen.both + apart} runs outside either, {seen.both} are outside both: they move as one"
        if seen.correlation < 0:
            why = f"where the one lies outside the other does not ({apart} of {seen.n} runs): they move as one"
    elif together and apart < LEAST_APART:
        why = f"only {apart} {'run lies' if apart == 1 else 'runs lie'} outside one and not the other"
    elif together and seen.discordant_clusters < 2:
        why = "all runs outside one and not the other are of one job"
    inseparable = bool(why)
    if not inseparable and np.isnan(seen.correlation):
        why = "one of them does not vary once what it is adjusted for is held equal"
    counts = (seen.n, seen.both, seen.both + apart, seen.one_only, seen.other_only, seen.discordant_clusters)
    return *counts, seen.correlation, seen.inflation, inseparable, why


def _detectable(
    runs: pd.DataFrame,
    outcomes: pd.DataFrame,
    conditions: Mapping[str, Condition],
    sides: list[tuple[str, str]],
    adjust_for: Mapping[str, tuple[str, ...]],
    *,
    cluster: str,
    alpha: float,
) -> pd.DataFrame:
    y = {defect: outcomes[defect].to_numpy(dtype=np.float64, na_value=np.nan) for defect in outcomes.columns}
    alike = {defect: _icc(y[defect], runs[cluster]) for defect in y}
    rows = {}
    for name, side in sides:
        frame = runs[list(dict.fromkeys([cluster, *adjust_for[name]]))]
        frame = frame.assign(there=on_side(runs, conditions[name], side=side).astype("float64"))
        complete = frame.notna().all(axis=1).to_numpy()
        spread: dict[bytes, tuple[Floats, float]] = {}
        for defect, outcome in y.items():
            known = complete & ~np.isnan(outcome)
            kept = frame[known].reset_index(drop=True)
            key = known.tobytes()  # most defects were looked for on the same runs
            if key not in spread:
                spread[key] = residual_of(kept, column="there", given=adjust_for[name])
            least = _least(kept, outcome[known], *spread[key], icc=alike[defect], cluster=cluster, alpha=alpha)
            rows[defect, name, side] = (defect, name, side, *least)
    ordered = [rows[defect, name, side] for defect in y for name, side in sides]
    table = pd.DataFrame(ordered, columns=_DETECTABLE)
    return table.astype(dict.fromkeys(("risk_base", "smallest_rise", "smallest_difference"), "float64"))


_DETECTABLE = [
    *("defect", "condition", "side", "n", "n_outside", "found_outside", "risk_base"),
    *("smallest_rise", "smallest_difference", "why"),
]


def _icc(outcome: Floats, clusters: pd.Series) -> float:
    """Return how alike runs of one job are, from 0 to 1; 0 where that cannot be seen."""
    known = pd.DataFrame({"outcome": outcome, "cluster": clusters.to_numpy()}).dropna()
    groups = known["cluster"].nunique()
    if groups < 2 or len(known) <= groups or known["outcome"].nunique() < 2:
        return 0.0
    return min(max(intraclass_correlation(known, response="outcome", group="cluster").estimate, 0.0), 1.0)


def _least(
    kept: pd.DataFrame, outcome: Floats, residual: Floats, left: float, *, icc: float, cluster: str, alpha: float
) -> tuple[object, ...]:
    outside = kept["there"].to_numpy() == 1
    n, n_outside, found_outside = len(kept), int(outside.sum()), int(outcome[outside].sum())
    counts = (n, n_outside, found_outside)
    nothing = float("nan")
    if not n_outside or n_outside == n:
        return *counts, nothing, nothing, nothing, f"no run {'inside' if n_outside else 'outside'} the window"
    base = (float(outcome[~outside].sum()) + 0.5) / (n - n_outside + 1.0)
    members = pd.factorize(kept[cluster], sort=True)[0]
    clusters = effective_clusters(members)
    if clusters < 2:
        return *counts, base, nothing, nothing, "all runs, or nearly all, are of one job"
    if left < LEAST_LEFT:
        return *counts, base, nothing, nothing, "what it is adjusted for leaves hardly any of its variation"
    inflation = exposure_design_effect(residual, members, icc=icc) / left
    if not inflation > 0:
        return *counts, base, nothing, nothing, "in each job every run had it or none did, so its scatter is not known"
    rise = smallest_rise(
        base, n=n - n_outside, n_exposed=n_outside, inflation=inflation, clusters=clusters, power=POWER, alpha=alpha
    )
    why = "not even if every run outside had it" if np.isnan(rise) else ""
    return *counts, base, rise, rise * n_outside / n, why
