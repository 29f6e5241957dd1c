"""A second opinion by machine learning: boosted trees, to see what the adjusted model may have missed.

Trees find steps, curves and products that nobody wrote down, and know nothing
of causes. They grade nothing; where they disagree it is shown.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.findings.cause_skill import why_no_skill
from auditkit.stats.boosted_trees import (
    TREES,
    TreeScore,
    fit_trees,
    interaction_strength,
    partial_dependence,
    risks,
    shuffled_losses,
)
from auditkit.stats.multiplicity import benjamini_hochberg
from auditkit.stats.resampling import effective_clusters, leave_out_weights
from auditkit.stats.rows import significant
from auditkit.stats.skill import grouped_predictions, losses, skill_score
from auditkit.trade.conditions import Condition

__all__ = ["KINDS", "SecondOpinion", "find_second_opinion"]

Floats = npt.NDArray[np.float64]

KINDS: dict[str, str] = {
    "missed by adjusted model": "the trees need the condition to foretell the defect; no side of it is clear adjusted",
    "not seen by the trees": "a side of the condition is clear adjusted; the trees foretell as well without it",
    "interaction": "the trees foretell better where conditions may act together than where each acts alone",
}
"""How the trees and the adjusted model can disagree."""

LABELS = ("operator_id", "unit_id", "coating", "geometry")
"""Columns of labels that the trees see beside the conditions, so that a condition need not stand for them."""

REPEATS = 5
"""How often each condition is shuffled."""

MOST_PAIRS_OF = 4
"""Pairs are looked for among so many conditions, those that matter most."""

GRID = 15
"""Points of a partial dependence, at quantiles of the condition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SecondOpinion:
    """What boosted trees see.

    Parameters
    ----------
    skill : DataFrame
        One row a defect: defect, n, found, clusters, score (of the logarithmic loss
        against the base rate, jobs left out), low, high, auc (within jobs), speaks
        (the whole interval is above 0), words.
    importance : DataFrame
        One row a defect and condition, where the trees could be asked: defect,
        condition, importance (how much the loss grows in jobs left out when the
        condition is shuffled, as a share of the loss of the base rate), low, high,
        p, q, steepest_at (where the risk changes most), seen (q within the rate,
        and the trees speak).
    partial : DataFrame
        One row a defect, condition and grid point: value, risk (mean over all
        runs, had the condition been that).
    interactions : DataFrame
        One row a defect: gain (skill beyond trees whose conditions act one by
        one), low, high, present, condition and other (the pair that acts together
        most), strength (Friedman and Popescu's H squared of that pair).
    disagreements : DataFrame
        defect, condition, kind (see `KINDS`), words.
    n, excluded : int
        Runs, and runs left out for want of a job.
    confidence : float
    method : str
    """

    skill: pd.DataFrame
    importance: pd.DataFrame
    partial: pd.DataFrame
    interactions: pd.DataFrame
    disagreements: pd.DataFrame
    n: int
    excluded: int
    confidence: float
    method: str


def find_second_opinion(
    effects: pd.DataFrame,
    runs: pd.DataFrame,
    found: pd.DataFrame,
    *,
    conditions: Mapping[str, Condition],
    rng: np.random.Generator,
    cluster: str = "job_id",
    confidence: float = 0.95,
    false_discovery_rate: float = 0.05,
    on_progress: Callable[[int, int], None] | None = None,
) -> SecondOpinion:
    """Return what boosted trees see in the records, and where they disagree with the adjusted model.

    Parameters
    ----------
    effects : DataFrame
        The adjusted model's rows: defect, condition, side, low, high, why.
    runs : DataFrame
        One row a run.
    found : DataFrame
        One row a run (index run_id), one nullable boolean column a defect.
    conditions : mapping of str to Condition
        Those without a value in `runs` are passed over.
    rng : Generator
        Shuffles the conditions; the trees themselves draw nothing.
    cluster : str
        Column of the job; no job is split between fitting and asking.
    confidence : float
    false_discovery_rate : float
        Held over all conditions and defects asked.
    on_progress : callable, optional
        Called with the number of defects done, and of all.

    Returns
    -------
    SecondOpinion

    Notes
    -----
    `tests/benchmarks/second_opinion_null.py`: in 42 invented audits in which no
    condition did anything and jobs and operators differed, 10 had a condition
    with q within .05; with trees that had to foretell first it was 1.

    References
    ----------
    Friedman, J. H. (2001). Greedy function approximation: a gradient boosting
    machine. Annals of Statistics 29, 1189 (partial dependence). Breiman, L.
    (2001). Random forests. Machine Learning 45, 5 (shuffling). Friedman, J. H.
    and Popescu, B. E. (2008). Predictive learning via rule ensembles. Annals of
    Applied Statistics 2, 916 (H squared).

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> runs = pd.DataFrame({"run_id": ["R1", "R2"], "job_id": "J1", "standoff_mm": [180.0, 230.0]})
    >>> found = pd.DataFrame({"spit": pd.array([False, True], "boolean")}, index=["R1", "R2"])
    >>> effects = pd.DataFrame(columns=["defect", "condition", "side", "low", "high", "why"])
    >>> opinion = find_second_opinion(effects, runs, found, conditions=load_conditions(), rng=np.random.default_rng(1))
    >>> opinion.skill["words"].tolist()
    ['the trees say nothing of spit: 1 run has it, and 10 are needed']
    """
    kept = runs[runs[cluster].notna()].sort_values("run_id", ignore_index=True)
    names = [name for name in conditions if name in kept.columns and kept[name].notna().any()]
    terms = _terms(kept, names)
    views = []
    for number, defect in enumerate(found.columns, start=1):
        outcome = kept["run_id"].map(found[defect]).astype("boolean")
        views.append(_view(defect, terms, outcome, kept[cluster], names, rng=rng, confidence=confidence))
        if on_progress is not None:
            on_progress(number, len(found.columns))
    skill = _stack(views, "skill", _SKILL)
    importance = _judged(_stack(views, "importance", _IMPORTANCE), skill, rate=false_discovery_rate)
    interactions = _stack(views, "interactions", _INTERACTIONS)
    return SecondOpinion(
        skill=skill,
        importance=importance,
        partial=_stack(views, "partial", ["defect", "condition", "value", "risk"]),
        interactions=interactions,
        disagreements=_disagreements(
            effects, importance, interactions, skill=skill, conditions=conditions, confidence=confidence
        ),
        n=len(kept),
        excluded=len(runs) - len(kept),
        confidence=confidence,
        method=(
            f"Histogram gradient boosting ({TREES['max_iter']} trees of {TREES['max_leaf_nodes']} leaves, rate "
            f"{TREES['learning_rate']:g}, {TREES['min_samples_leaf']} runs or more a leaf) on the conditions, "
            "operator, unit, coating and geometry, fitted without each job in turn. A condition counts as seen where "
            f"shuffling it ({REPEATS} times) makes the risks foretold for the jobs left out worse (t over jobs, "
            "Benjamini-Hochberg over all conditions and defects) and the trees foretell better than the base rate. "
            "Interaction: skill beyond the same trees held to one condition each. Without skill the trees say nothing, "
            "since shuffling alone names too many conditions. What trees see is association; it grades no cause."
        ),
    )


_SKILL = ["defect", "n", "found", "clusters", "score", "low", "high", "auc", "speaks", "words"]
_IMPORTANCE = ["defect", "condition", "importance", "low", "high", "p", "steepest_at"]
_INTERACTIONS = ["defect", "gain", "low", "high", "present", "condition", "other", "strength"]
_KINDS_OF_COLUMN = {
    **dict.fromkeys(("speaks", "present"), "bool"),
    **dict.fromkeys(("score", "low", "high", "auc", "importance", "p", "steepest_at", "gain", "strength"), "float64"),
    **dict.fromkeys(("value", "risk"), "float64"),
}


def _stack(views: Sequence[Mapping[str, list[dict[str, Any]]]], name: str, columns: list[str]) -> pd.DataFrame:
    table = pd.DataFrame([row for view in views for row in view[name]], columns=columns)
    return table.astype({column: kind for column, kind in _KINDS_OF_COLUMN.items() if column in columns})


def _terms(runs: pd.DataFrame, names: list[str]) -> pd.DataFrame:
    """Return the conditions as numbers and the labels as categories; the trees bear gaps."""
    labels = [name for name in LABELS if name in runs.columns and runs[name].notna().any()]
    columns: dict[str, Any] = {name: significant(runs[name].astype("float64")) for name in names}
    columns |= {name: runs[name].astype("category") for name in labels}
    return pd.DataFrame(columns, index=runs.index)


def _view(
    defect: str,
    terms: pd.DataFrame,
    outcome: pd.Series,
    clusters: pd.Series,
    names: list[str],
    *,
    rng: np.random.Generator,
    confidence: float,
) -> dict[str, list[dict[str, Any]]]:
    """Return what the trees see of one defect: rows of each frame."""
    known = outcome.notna().to_numpy(dtype=bool)
    y, jobs = outcome[known].to_numpy(dtype=np.float64), clusters[known].to_numpy()
    rows = terms[known].reset_index(drop=True)
    view: dict[str, list[dict[str, Any]]] = {"skill": [], "importance": [], "partial": [], "interactions": []}
    first = {"defect": defect, "n": len(y), "found": int(y.sum()), "clusters": len(set(jobs))}
    why = why_no_skill(y, jobs) or ("" if names else "no condition is recorded")
    if why:
        view["skill"].append(first | {"speaks": False, "words": f"the trees say nothing of {defect}: {why}"})
        return view
    free = grouped_predictions(rows, y, groups=jobs, fit=_fit)
    alone = grouped_predictions(rows, y, groups=jobs, fit=_fit_alone)
    skill = skill_score(y, free.risk, reference=free.base, clusters=jobs, loss="log", confidence=confidence)
    gain = skill_score(y, free.risk, reference=alone.risk, clusters=jobs, loss="log", confidence=confidence)
    speaks = bool(skill.low > 0)
    does = "foretell" if speaks else "do not foretell, and so say nothing of,"
    words = (
        f"the trees {does} {defect}: skill {skill.score:.2f} in jobs left out, {confidence:.0%} interval "
        f"{skill.low:.2f} to {skill.high:.2f}"
    )
    score = {name: getattr(skill, name) for name in ("score", "low", "high", "auc")}
    view["skill"].append(first | score | {"speaks": speaks, "words": words})
    own, base = losses(y, free.risk, loss="log"), losses(y, free.base, loss="log")
    whole = fit_trees(rows, y)
    shuffled = shuffled_losses(rows, y, free, shuffled=names, repeats=REPEATS, rng=rng)
    for name in names:
        worse = shuffled[name] - own
        grid, risk = _curve(whole, rows, name)
        importance = _share_over_jobs(worse, base, jobs, confidence=confidence)
        one = {"defect": defect, "condition": name}
        view["importance"].append(one | importance | {"steepest_at": _steepest(grid, risk)})
        points = zip(grid.tolist(), risk.tolist(), strict=True)
        view["partial"] += [one | {"value": value, "risk": at} for value, at in points]
    ranked = sorted(view["importance"], key=lambda row: -row["importance"])
    together = {"gain": gain.score, "low": gain.low, "high": gain.high, "present": speaks and bool(gain.low > 0)}
    pair = _strongest_pair(whole, rows, [row["condition"] for row in ranked[:MOST_PAIRS_OF] if row["importance"] > 0])
    view["interactions"].append({"defect": defect} | together | pair)
    return view


def _fit(terms: pd.DataFrame, y: Floats) -> Callable[[pd.DataFrame], Floats]:
    score = fit_trees(terms, y)
    return lambda rows: risks(score, rows)


def _fit_alone(terms: pd.DataFrame, y: Floats) -> Callable[[pd.DataFrame], Floats]:
    score = fit_trees(terms, y, additive=True)
    return lambda rows: risks(score, rows)


def _curve(score: TreeScore, rows: pd.DataFrame, name: str) -> tuple[Floats, Floats]:
    """Return points of a condition, and the mean risk had it been that."""
    values = rows[name].dropna()
    if values.empty:
        return np.empty(0), np.empty(0)
    grid = np.unique(significant(np.quantile(values, np.linspace(0.02, 0.98, GRID))))
    return grid, partial_dependence(lambda many: risks(score, many), rows, at={name: grid})


def _steepest(grid: Floats, risk: Floats) -> float:
    """Return the middle of the step between two points across which the risk changes most; NaN where it is flat."""
    if len(grid) < 2 or np.ptp(risk) < 1e-9:
        return float("nan")
    step = int(np.argmax(np.abs(np.diff(risk))))
    return float((grid[step] + grid[step + 1]) / 2.0)


def _share_over_jobs(
    worse: Floats, base: Floats, jobs: npt.NDArray[np.object_], *, confidence: float
) -> dict[str, float]:
    """Return the sum of the one over that of the other, with limits and one-sided p by leaving out jobs."""
    from scipy.stats import t

    members = pd.factorize(jobs, sort=True)[0]
    weights = leave_out_weights(members)
    share = float(worse.sum() / base.sum())
    left = (weights @ worse) / (weights @ base)
    error = float(np.sqrt((len(left) - 1) / len(left) * ((left - share) ** 2).sum()))
    law = t(max(1.0, effective_clusters(members) - 1.0))
    reach = float(law.isf((1.0 - confidence) / 2.0)) * error
    # Without any spread nothing was ever made worse: the trees do not use the condition.
    p = float(law.sf(share / error)) if error > 0 else 1.0
    return {"importance": share, "low": share - reach, "high": share + reach, "p": p}


def _strongest_pair(score: TreeScore, rows: pd.DataFrame, names: list[str]) -> dict[str, Any]:
    strengths = {
        pair: strength
        for pair in combinations(names, 2)
        if not np.isnan(strength := interaction_strength(score, rows, one=pair[0], other=pair[1]))
    }
    if not strengths:
        return {"condition": "", "other": "", "strength": float("nan")}
    condition, other = max(strengths, key=lambda pair: strengths[pair])
    return {"condition": condition, "other": other, "strength": strengths[condition, other]}


def _judged(importance: pd.DataFrame, skill: pd.DataFrame, *, rate: float) -> pd.DataFrame:
    """Return the table with q and seen, before steepest_at."""
    q = benjamini_hochberg(importance["p"].to_numpy(dtype=np.float64))
    speaking = set(skill.loc[skill["speaks"], "defect"])
    table = importance.assign(q=q, seen=(q <= rate) & importance["defect"].isin(speaking))
    return table[["defect", "condition", "importance", "low", "high", "p", "q", "steepest_at", "seen"]]


def _disagreements(
    effects: pd.DataFrame,
    importance: pd.DataFrame,
    interactions: pd.DataFrame,
    *,
    skill: pd.DataFrame,
    conditions: Mapping[str, Condition],
    confidence: float,
) -> pd.DataFrame:
    estimated = effects[effects["why"] == ""]
    clear = estimated[(estimated["low"] > 0) | (estimated["high"] < 0)]
    sides = clear.groupby(["defect", "condition"], sort=False)["side"].agg(" and ".join).to_dict()
    speaking = set(skill.loc[skill["speaks"], "defect"])
    rows: list[tuple[str, str, str, str]] = []
    for row in importance[importance["defect"].isin(speaking)].to_dict("records"):
        defect, name = str(row["defect"]), str(row["condition"])
        title = conditions[name].title
        side = sides.get((defect, name))
        if row["seen"] and side is None:
            near = "" if np.isnan(row["steepest_at"]) else f"; the risk changes most near {row['steepest_at']:.3g}"
            words = f"without {title} the trees foretell {defect} worse, but no side of it is clear adjusted{near}"
            rows.append((defect, name, "missed by adjusted model", words))
        elif side is not None and not row["p"] <= 1.0 - confidence:
            words = (
                f"{title} ({side}) is clear adjusted, but the trees foretell {defect} about as well without it: they "
                "are too blunt, or another column stands in for it"
            )
            rows.append((defect, name, "not seen by the trees", words))
    for row in interactions[interactions["present"]].to_dict("records"):
        name, other = str(row["condition"]), str(row["other"])
        pair = "no one pair stands out"
        if name:
            pair = (
                f"most of all {conditions[name].title} with {conditions[other].title} (H squared {row['strength']:.2f})"
            )
        words = f"conditions act together on {row['defect']}, which the adjusted model leaves out: {pair}"
        rows.append((str(row["defect"]), name, "interaction", words))
    return pd.DataFrame(rows, columns=["defect", "condition", "kind", "words"]).astype("str")
