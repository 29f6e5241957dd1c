"""What goes with the defects: risk outside against inside each condition's window, within jobs.

This is association, adjusted for job by stratification and for nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from auditkit.findings.cause_checks import check_rows
from auditkit.stats.exact_strata import exact_conditional_test
from auditkit.stats.multiplicity import benjamini_hochberg
from auditkit.stats.proportions import newcombe_difference, score_ratio, wilson
from auditkit.stats.score_difference import stratified_score_difference
from auditkit.stats.strata import StratifiedResult, stratified
from auditkit.trade.conditions import Condition, side_of_window
from auditkit.trade.defects import RunDefects

__all__ = ["READINGS", "CauseFindings", "find_causes", "ranked"]

READINGS: dict[str, str] = {
    "goes with more": "within jobs the defect is more frequent outside the window than inside",
    "goes with fewer": "within jobs the defect is less frequent outside the window than inside",
    "not clear": (
        "within jobs chance alone could give a difference such as the one seen; anything inside the interval fits"
    ),
    "cannot tell": (
        "so few runs or defects on one side of the window, within jobs, that hardly any outcome could have told"
    ),
}
"""How a row reads, and what that means."""

LEAST_OUTSIDE = 5
"""Least number of runs outside the window, in jobs with runs on both sides, for a comparison."""

LEAST_TELLING = 0.01
"""A comparison in which no outcome could have had a p-value this small is not made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseFindings:
    """Defects against conditions.

    Parameters
    ----------
    table : DataFrame
        One row a defect, condition and side of the window, in the order of the
        defects and conditions: defect, condition, title, side, reading,
        n_inside, found_inside, risk_inside with low and high (Wilson), the same
        outside, difference (crude) with low and high (Newcombe), ratio (crude)
        with low and high (score), within_difference with low and high
        (Mantel-Haenszel over jobs, score), within_ratio with low and high,
        n_outside_within and n_inside_within (runs of jobs with runs on both
        sides), strata_used, p, q, other_side, not_recorded, does_not_apply,
        not_inspected (runs left out), crude_only (clear in the crude table, not
        clear within jobs), note; and, for rows that go with more or fewer, what
        `cause_checks.check_rows` adds.
    run_defects : RunDefects
        Which defects were found on which run.
    n, excluded : int
        Runs, and defect records that led to no run.
    tested : int
        Rows that were tested, over which the false-discovery rate is held.
    confidence, false_discovery_rate : float
        Level of each interval; rate held over the rows tested.
    stratum : str
        What the comparison was made within.
    method : str
        What was done, in words.
    """

    table: pd.DataFrame
    run_defects: RunDefects
    n: int
    excluded: int
    tested: int
    confidence: float
    false_discovery_rate: float
    stratum: str
    method: str


def find_causes(
    runs: pd.DataFrame,
    run_defects: RunDefects,
    *,
    conditions: Mapping[str, Condition],
    stratum: str = "job_id",
    confidence: float = 0.95,
    false_discovery_rate: float = 0.05,
) -> CauseFindings:
    """Return which conditions go with which defects, within jobs.

    Runs below and runs above a window are each compared with those inside it,
    since too near and too far do different harm. Runs where the condition was
    not recorded, does not apply, or that were not inspected for the defect are
    left out and counted.

    Parameters
    ----------
    runs : DataFrame
        Timeline, one row a run.
    run_defects : RunDefects
        Which defects were found on which run.
    conditions : mapping of str to Condition
        Conditions and their windows.
    stratum : str
        Column of `runs` within whose values the comparison is made.
    confidence : float
        Level of the intervals.
    false_discovery_rate : float
        Rate held over the rows tested (Benjamini and Hochberg 1995). False
        means no association within strata at all, and the rate is held only as
        far as runs are independent.
    """
    rows = [
        _compare(runs, run_defects.found[defect], condition, side, stratum=stratum, confidence=confidence)
        for defect in run_defects.found.columns
        for condition in conditions.values()
        for side in _sides(condition)
    ]
    table = pd.DataFrame(rows, columns=_COLUMNS).astype(dict.fromkeys(_NUMBERS, "float64"))
    table["q"] = benjamini_hochberg(table["p"].to_numpy(dtype="float64"))
    table["reading"] = _read(table, false_discovery_rate)
    table["crude_only"] = _crude_only(table)
    table = check_rows(table, runs, run_defects.found, conditions=conditions, stratum=stratum, confidence=confidence)
    return CauseFindings(
        table=table,
        run_defects=run_defects,
        n=len(runs),
        excluded=run_defects.not_joined,
        tested=int(table["p"].notna().sum()),
        confidence=confidence,
        false_discovery_rate=false_discovery_rate,
        stratum=stratum,
        method=(
            "For each defect, the share of runs with it is compared between runs outside and inside the condition's "
            "window: Wilson intervals for each share, Newcombe's for their difference, the score interval for their "
            "ratio. The comparison is then made within jobs (Mantel-Haenszel, Miettinen and Nurminen's score "
            "interval), tested exactly given each job's margins, and corrected over the rows tested "
            "(Benjamini-Hochberg). It is adjusted for job and for nothing else. Both the test and q take runs as "
            "independent; runs of one operator or one day seldom are, so each row that goes with a defect is compared "
            "again within operators and within days of a job, and beside conditions that travel with it. Intervals are "
            "for one row at a time. What goes with a defect need not cause it."
        ),
    )


_COLUMNS = [
    "defect",
    "condition",
    "title",
    "side",
    "reading",
    "n_inside",
    "found_inside",
    "risk_inside",
    "risk_inside_low",
    "risk_inside_high",
    "n_outside",
    "found_outside",
    "risk_outside",
    "risk_outside_low",
    "risk_outside_high",
    "difference",
    "low",
    "high",
    "ratio",
    "ratio_low",
    "ratio_high",
    "within_difference",
    "within_low",
    "within_high",
    "within_ratio",
    "within_ratio_low",
    "within_ratio_high",
    "n_inside_within",
    "n_outside_within",
    "strata_used",
    "p",
    "q",
    "other_side",
    "not_recorded",
    "does_not_apply",
    "not_inspected",
    "crude_only",
    "note",
]
_NUMBERS = [
    *(name for name in _COLUMNS if name.startswith(("risk_", "difference", "ratio", "within_"))),
    *("low", "high", "p", "q"),
]


def _sides(condition: Condition) -> list[str]:
    return [side for side, limit in (("below", condition.low), ("above", condition.high)) if limit is not None]


def _compare(
    runs: pd.DataFrame, found: pd.Series, condition: Condition, side: str, *, stratum: str, confidence: float
) -> dict[str, object]:
    place = side_of_window(runs, condition)
    outcome = runs["run_id"].map(found)
    placed = place.isin(["inside", side]) & runs[stratum].notna()
    usable = placed & outcome.notna()
    data = pd.DataFrame(
        {
            "outside": place[usable] == side,
            "found": outcome[usable].astype(bool),
            "stratum": runs.loc[usable, stratum],
        }
    )
    inside, outside = data.loc[~data["outside"], "found"], data.loc[data["outside"], "found"]
    row: dict[str, object] = {
        "defect": found.name,
        "condition": condition.name,
        "title": condition.title,
        "side": side,
        "n_inside": len(inside),
        "found_inside": int(inside.sum()),
        "n_outside": len(outside),
        "found_outside": int(outside.sum()),
        "other_side": int((place == ("above" if side == "below" else "below")).sum()),
        "not_recorded": int((place == "not recorded").sum()),
        "does_not_apply": int((place == "does not apply").sum()),
        "not_inspected": int((placed & outcome.isna()).sum()),
        "n_inside_within": 0,
        "n_outside_within": 0,
        "strata_used": 0,
        "note": "",
    }
    if inside.empty or outside.empty:
        return row | {"note": "no run outside the window" if outside.empty else "no run inside the window"}
    row |= _crude(inside, outside, confidence)
    result = stratified(data, exposure="outside", outcome="found", stratum="stratum", confidence=confidence)
    return row | _within(result, confidence) | _tested(result)


def _crude(inside: pd.Series, outside: pd.Series, confidence: float) -> dict[str, object]:
    x0, n0, x1, n1 = int(inside.sum()), len(inside), int(outside.sum()), len(outside)
    risk0, risk1 = wilson(x0, n0, confidence=confidence), wilson(x1, n1, confidence=confidence)
    difference = newcombe_difference(x1, n1, x0, n0, confidence=confidence)
    ratio = score_ratio(x1, n1, x0, n0, confidence=confidence)
    return {
        "risk_inside": risk0.estimate,
        "risk_inside_low": risk0.low,
        "risk_inside_high": risk0.high,
        "risk_outside": risk1.estimate,
        "risk_outside_low": risk1.low,
        "risk_outside_high": risk1.high,
        "difference": difference.estimate,
        "low": difference.low,
        "high": difference.high,
        "ratio": ratio.estimate,
        "ratio_low": ratio.low,
        "ratio_high": ratio.high,
    }


def _within(result: StratifiedResult, confidence: float) -> dict[str, object]:
    """Return the comparison within strata, and how many rows of each kind it rests on."""
    mixed = result.strata[result.strata["used_for_risk"]]
    row: dict[str, object] = {
        "strata_used": len(mixed),
        "n_outside_within": int(mixed[["exposed_with", "exposed_without"]].to_numpy().sum()),
        "n_inside_within": int(mixed[["unexposed_with", "unexposed_without"]].to_numpy().sum()),
    }
    difference = stratified_score_difference(result.strata, confidence=confidence)
    if difference is not None:
        row |= {"within_difference": difference.estimate, "within_low": difference.low, "within_high": difference.high}
    if result.risk_ratio is not None:
        ratio = result.risk_ratio
        row |= {"within_ratio": ratio.estimate, "within_ratio_low": ratio.low, "within_ratio_high": ratio.high}
    return row


def _tested(result: StratifiedResult) -> dict[str, object]:
    """Return the exact test within strata, or why hardly any outcome could have told."""
    test = exact_conditional_test(result.strata)
    if test is None:
        return {"note": "no job has runs on both sides of the window, with and without the defect"}
    mixed = result.strata[result.strata["used_for_risk"]]
    outside = int(mixed[["exposed_with", "exposed_without"]].to_numpy().sum())
    if outside < LEAST_OUTSIDE:
        return {"note": f"only {outside} runs outside the window in jobs with runs on both sides"}
    if test.least_p_value > LEAST_TELLING:
        return {"note": "with so few runs or defects within jobs, no outcome could have told"}
    return {"p": test.p_value}


def _read(table: pd.DataFrame, rate: float) -> pd.Series:
    found = table["q"] <= rate
    reading = pd.Series("not clear", index=table.index, dtype="str")
    reading = reading.mask(found & (table["within_difference"] > 0), "goes with more")
    reading = reading.mask(found & (table["within_difference"] < 0), "goes with fewer")
    return reading.mask(table["p"].isna(), "cannot tell")


def _crude_only(table: pd.DataFrame) -> pd.Series:
    """Return where the crude difference is clear and the one within strata is not, or points the other way."""
    clear = (table["low"] > 0) | (table["high"] < 0)
    unclear_within = (table["within_low"] <= 0) & (table["within_high"] >= 0)
    turned = table["within_difference"] * table["difference"] < 0
    return clear & (unclear_within | turned) & (table["n_outside"] >= LEAST_OUTSIDE)


def ranked(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that go with more defects: the firm ones first, and of those the ones with most defects.

    A row is firm where it also holds within operators and within days of a
    job. How many defects it goes with is the difference within strata times the
    runs outside the window that it rests on.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({
    ...     "reading": ["goes with more", "not clear", "goes with more"], "within_difference": [0.1, 0.9, 0.2],
    ...     "n_outside_within": [10, 10, 100], "firm": [True, False, True]})
    >>> ranked(table).index.tolist()
    [2, 0]
    """
    rows = table[table["reading"] == "goes with more"]
    order = rows.assign(more=rows["within_difference"] * rows["n_outside_within"])
    order = order.sort_values(["firm", "more"], ascending=[False, False], kind="stable")
    return rows.loc[order.index]
