"""Plans by variables on film: one mean an item, and a plain refusal on readings that come in clusters."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from auditkit.stats.sampling_tables import VARIABLES
from auditkit.stats.variables_sampling import VariablesPlan, judge_variables, variables_plan
from auditkit.stats.variance import intraclass_correlation

__all__ = ["NORMALITY_LEVEL", "REFUSED", "VARIABLES_COLUMNS", "judge_readings", "judge_values"]

REFUSED = "refused"

NORMALITY_LEVEL = 0.05
"""A plan is refused where the Shapiro-Wilk test gives a p-value below this."""

VARIABLES_COLUMNS = [
    *("basis", "letter", "n", "n_independent", "aql_pct", "k", "quality_index", "mean_um", "sd_um", "lower_um"),
    *("normality_p", "decision", "reason", "sure"),
]


def judge_values(values: pd.DataFrame, *, item: str, value: str, lower: float, aql: float) -> dict[str, Any]:
    """Return what a plan by variables says of one value an item, or why it is refused.

    The largest plan held is used that the items suffice for, on the first of
    them in the order given. Checked first: one value an item, enough items,
    and no sign against a normal spread.

    Parameters
    ----------
    values : DataFrame
        One row an item, in the order they were measured.
    item, value : str
        Columns.
    lower : float
        Least value that conforms, in the unit of the values.
    aql : {1.0, 1.5, 2.5, 4.0}
        `[pct nonconforming]`

    Returns
    -------
    dict
        The keys of `VARIABLES_COLUMNS`.

    Notes
    -----
    The letter follows from how many items there are, not from the size of the
    lot: the lot sizes of this scheme are not held here.

    References
    ----------
    ANSI/ASQ Z1.9 Table B-1: accept where (mean - lower) / s is at least k.

    Examples
    --------
    >>> means = pd.DataFrame({"area": ["A1", "A2", "A3", "A4"], "um": [62.0, 64.0, 66.0, 68.0]})
    >>> judged = judge_values(means, item="area", value="um", lower=60.0, aql=1.0)
    >>> judged["letter"], round(judged["quality_index"], 2), judged["k"], judged["decision"]
    ('C', 1.94, 1.45, 'accept')
    """
    if values[item].duplicated().any():
        return judge_readings(values, item=item, value=value, lower=lower)
    row = _blank("area means", values[value], lower) | {"n_independent": float(len(values)), "aql_pct": aql}
    plan = _largest_plan(len(values), aql=aql)
    if plan is None:
        return row | {"reason": f"{len(values)} items are too few for any plan held at AQL {aql:g} %"}
    used = values[value].astype("float64").iloc[: plan.n]
    row |= _blank("area means", used, lower) | {"letter": plan.letter, "n_independent": float(plan.n)}
    row |= {"aql_pct": aql, "k": plan.k, "sure": plan.sure}
    if not used.std(ddof=1) > 0:
        return row | {"reason": "the values do not vary; a plan by variables cannot judge them"}
    row["normality_p"] = _normality(used)
    if row["normality_p"] < NORMALITY_LEVEL:
        said = f"the means are not normal (Shapiro-Wilk p = {row['normality_p']:.3f}), which the plan assumes"
        return row | {"reason": said}
    verdict = judge_variables(used.tolist(), plan=plan, lower=lower)
    compared = "at least" if verdict.accepted else "less than"
    return row | {
        "quality_index": verdict.quality_index,
        "decision": "accept" if verdict.accepted else "reject",
        "reason": f"the mean lies {verdict.quality_index:.2f} standard deviations above the limit, {compared} k",
    }


def judge_readings(readings: pd.DataFrame, *, item: str, value: str, lower: float) -> dict[str, Any]:
    """Return why a plan by variables is refused on readings, several an item.

    Parameters
    ----------
    readings : DataFrame
        One row a reading.
    item, value : str
        Columns: what the readings are of, and the reading.
    lower : float
        Least value that conforms.

    Returns
    -------
    dict
        The keys of `VARIABLES_COLUMNS`; `decision` is always 'refused', and
        n_independent says how many independent values the readings are worth:
        n / (1 + (b - 1) r) with b readings an item (their mean weighted by
        size) and r the correlation within one.

    References
    ----------
    Design effect 1 + (b - 1) r: L. Kish (1965), Survey Sampling, 5.4 (from memory).

    Examples
    --------
    >>> readings = pd.DataFrame({"area": list("aabbcc"), "um": [61.0, 62.0, 74.0, 75.0, 69.0, 68.0]})
    >>> judged = judge_readings(readings, item="area", value="um", lower=60.0)
    >>> judged["decision"], round(judged["n_independent"], 2)
    ('refused', 3.02)
    """
    clean = readings.dropna(subset=[value])
    row = _blank("single readings", clean[value], lower)
    sizes = clean.groupby(item).size()
    if len(sizes) < 2 or sizes.max() < 2:
        return row | {"reason": "readings of one area, or one of each, are no sample of items: judge one mean an area"}
    if clean[value].nunique() < 2:
        return row | {"reason": "the readings do not vary; how alike those of one area are cannot be told"}
    correlation = min(max(intraclass_correlation(clean, response=value, group=item).estimate, 0.0), 1.0)
    each = float((sizes**2).sum() / sizes.sum())
    row["n_independent"] = len(clean) / (1.0 + (each - 1.0) * correlation)
    said = (
        f"the {len(clean)} readings lie in {len(sizes)} areas and agree within them (correlation {correlation:.2f}); "
        f"they are worth {row['n_independent']:.0f} independent ones; a plan would promise what it cannot keep. "
        "Judge one mean an area"
    )
    return row | {"reason": said}


def _blank(basis: str, values: pd.Series, lower: float) -> dict[str, Any]:
    """Return a row without a decision: what was given, and nothing judged."""
    given = values.astype("float64")
    return {
        "basis": basis,
        "letter": "",
        "n": len(given),
        "n_independent": math.nan,
        "aql_pct": math.nan,
        "k": math.nan,
        "quality_index": math.nan,
        "mean_um": float(given.mean()) if len(given) else math.nan,
        "sd_um": float(given.std(ddof=1)) if len(given) > 1 else math.nan,
        "lower_um": lower,
        "normality_p": math.nan,
        "decision": REFUSED,
        "reason": "",
        "sure": "",
    }


def _largest_plan(items: int, *, aql: float) -> VariablesPlan | None:
    """Return the largest plan held that so many items suffice for."""
    held = []
    for letter, (_, row) in VARIABLES.items():
        if isinstance(row.get(aql), tuple):
            plan = variables_plan(letter, aql=aql)
            if plan.n <= items:
                held.append(plan)
    return max(held, key=lambda plan: plan.n, default=None)


def _normality(values: pd.Series) -> float:
    """Return the p-value of the Shapiro-Wilk test."""
    from scipy.stats import shapiro

    return float(shapiro(values.to_numpy()).pvalue)
