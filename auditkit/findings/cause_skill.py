"""Skill of the conditions: whether they foretell a defect in a job that has not been seen.

A cause can be real and foretell little, where it is rare. But where nothing is
foretold, no model of these records should be trusted beyond them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.skill import grouped_predictions, skill_score
from auditkit.trade.conditions import Condition

__all__ = ["find_skill", "why_no_skill"]

Floats = npt.NDArray[np.float64]

LEAST_FOUND, LEAST_JOBS_FOUND = 10, 3
"""Least number of runs with a defect, and of jobs that hold one, to ask whether it can be foretold."""

LOG_ODDS_SD = 1.0
"""How much runs are held to differ, before any is seen, by all terms of the model that foretells: the standard
deviation of their log odds. Each of p standardised terms is penalised as a normal prior of variance 1/p would."""


def find_skill(
    runs: pd.DataFrame,
    outcomes: pd.DataFrame,
    conditions: Mapping[str, Condition],
    adjust_for: Mapping[str, tuple[str, ...]],
    *,
    cluster: str,
    confidence: float,
) -> pd.DataFrame:
    """Return whether the conditions foretell each defect in jobs left out, better than its base rate.

    Parameters
    ----------
    runs : DataFrame
        One row a run.
    outcomes : DataFrame
        One nullable boolean column a defect, on the index of `runs`.
    conditions : mapping of str to Condition
        Those without a column in `runs` are passed over.
    adjust_for : mapping of str to tuple of str
        Columns that each condition is adjusted for; they foretell as well, but for the cluster.
    cluster : str
        Column of the job.
    confidence : float

    Returns
    -------
    DataFrame
        One row a defect: defect, n, found, clusters, score (Brier skill), low,
        high, auc (within jobs), predicts (the whole interval is above 0), words.

    Examples
    --------
    >>> runs = pd.DataFrame({"job_id": ["J1", "J2"]})
    >>> outcomes = pd.DataFrame({"spit": pd.array([False, None], "boolean")})
    >>> find_skill(runs, outcomes, {}, {}, cluster="job_id", confidence=0.95)["words"].tolist()
    ['cannot tell whether spit can be foretold: 0 runs have it, and 10 are needed']
    """
    terms = _terms(runs, conditions, [name for names in adjust_for.values() for name in names if name != cluster])
    rows = []
    for defect in outcomes.columns:
        known = outcomes[defect].notna().to_numpy(dtype=bool)
        y, jobs = outcomes.loc[known, defect].to_numpy(dtype=np.float64), runs.loc[known, cluster].to_numpy()
        counts = (defect, len(y), int(y.sum()), len(set(jobs)))
        why = why_no_skill(y, jobs)
        if why:
            words = f"cannot tell whether {defect} can be foretold: {why}"
            rows.append((*counts, *[float("nan")] * 4, False, words))
            continue
        made = grouped_predictions(terms[known], y, groups=jobs, fit=_ridge_fit)
        skill = skill_score(y, made.risk, reference=made.base, clusters=jobs, confidence=confidence)
        predicts = bool(skill.low > 0)
        does = "foretell" if predicts else "do not foretell"
        words = (
            f"in jobs left out, the recorded conditions {does} {defect} better than its base rate "
            f"(skill {skill.score:.2f}, {confidence:.0%} interval {skill.low:.2f} to {skill.high:.2f})"
        )
        rows.append((*counts, skill.score, skill.low, skill.high, skill.auc, predicts, words))
    table = pd.DataFrame(rows, columns=_SKILL)
    return table.astype({"predicts": "bool"} | dict.fromkeys(("score", "low", "high", "auc"), "float64"))


_SKILL = ["defect", "n", "found", "clusters", "score", "low", "high", "auc", "predicts", "words"]


def why_no_skill(y: Floats, jobs: npt.NDArray[np.object_]) -> str:
    """Return why it cannot be asked whether an outcome can be foretold, or ''.

    Parameters
    ----------
    y : ndarray of 0 and 1, shape (runs,)
    jobs : ndarray, shape (runs,)

    Examples
    --------
    >>> why_no_skill(np.array([0.0, 1.0]), np.array(["J1", "J2"], dtype=object))
    '1 run has it, and 10 are needed'
    """
    with_it = len(set(jobs[y == 1]))
    if y.sum() < LEAST_FOUND:
        return f"{int(y.sum())} {'run has' if y.sum() == 1 else 'runs have'} it, and {LEAST_FOUND} are needed"
    if len(y) - y.sum() < LEAST_FOUND:
        return f"{int(len(y) - y.sum())} runs are free of it, and {LEAST_FOUND} are needed"
    if with_it < LEAST_JOBS_FOUND:
        return f"{with_it} {'job has' if with_it == 1 else 'jobs have'} it, and {LEAST_JOBS_FOUND} are needed"
    return ""


def _terms(runs: pd.DataFrame, conditions: Mapping[str, Condition], others: list[str]) -> pd.DataFrame:
    """Return each condition's value and how far it lay beyond its window, and the other columns as numbers."""
    columns: dict[str, pd.Series] = {}
    for name, condition in conditions.items():
        if name not in runs.columns:
            continue
        scale = _decades if condition.unit == "ohm" else _plain
        columns[name] = value = scale(runs[name].astype("float64"))
        if condition.low is not None:
            columns[f"{name} below"] = (float(scale(condition.low)) - value).clip(lower=0.0)
        if condition.high is not None:
            columns[f"{name} above"] = (value - float(scale(condition.high))).clip(lower=0.0)
    for name in dict.fromkeys(others):
        if name in columns:
            continue
        if pd.api.types.is_numeric_dtype(runs[name]):
            columns[name] = runs[name].astype("float64")
            continue
        columns |= {
            f"{name}={level}": runs[name].eq(level).astype("float64") for level in sorted(runs[name].dropna().unique())
        }
    return pd.DataFrame(columns, index=runs.index)


def _plain(values: Any) -> Any:
    return values


def _decades(ohm: Any) -> Any:
    """Return the decade of a resistance, not below that of 1 ohm, which grounds are not told apart under."""
    return np.log10(np.maximum(ohm, 1.0))


def _ridge_fit(terms: pd.DataFrame, y: Floats) -> Callable[[pd.DataFrame], Floats]:
    """Return the risk by a ridge logistic model; a gap counts as the middle value of the rows fitted to."""
    from sklearn.linear_model import LogisticRegression

    middle = terms.median().fillna(0.0).to_numpy()

    def filled(rows: pd.DataFrame) -> Floats:
        values = rows.to_numpy(dtype=np.float64)
        return np.where(np.isnan(values), middle, values)

    seen = filled(terms)
    centre, scale = seen.mean(axis=0), seen.std(axis=0)
    varies = scale > 1e-12 * (1.0 + np.abs(centre))
    if not varies.any():
        return lambda rows: np.full(len(rows), y.mean())
    scale = np.where(varies, scale, np.inf)
    model = LogisticRegression(C=LOG_ODDS_SD**2 / int(varies.sum()), solver="newton-cholesky")
    model.fit((seen - centre) / scale, y)
    return lambda rows: np.asarray(model.predict_proba((filled(rows) - centre) / scale)[:, 1], dtype=np.float64)
