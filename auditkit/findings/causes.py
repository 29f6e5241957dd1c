"""What goes with the defects: risk outside against inside each condition's window, within jobs.

This is association, adjusted for job by stratification and for nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from auditkit.stats.exact_strata import exact_conditional_test
from auditkit.stats.multiplicity import benjamini_hochberg
from auditkit.stats.proportions import newcombe_difference, score_ratio, wilson
from auditkit.stats.strata import StratifiedResult, stratified
from auditkit.trade.conditions import Condition, side_of_window
from auditkit.trade.defects import RunDefects

__all__ = ["READINGS", "CauseFindings", "find_causes", "ranked"]

READINGS: dict[str, str] = {
    "goes with more": "within jobs the defect is more frequent outside the window than inside",
    "goes with fewer": "within jobs the defect is less frequent outside the window than inside",
    "not seen": "within jobs no difference was seen that chance would not give",
    "cannot tell": "so few runs or defects on one side of the window, within jobs, that no outcome could have told",
}
"""How a row reads, and what that means."""

LEAST_TELLING = 0.05
"""A comparison in which no outcome could have had a p-value this small is not made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CauseFindings:
    """Defects against conditions.

    Parameters
    ----------
    table : DataFrame
        One row a defect, condition and side of the window, in the order of the
        defects and conditions: defect, condition, title, side, reading, n_inside, found_inside, risk_inside,
        risk_inside_low, risk_inside_high, the same outside, difference (crude)
        with low and high (Newcombe), ratio (crude) with low and high (score),
        within_difference and within_ratio (Mantel-Haenszel over jobs) with low
        and high, p, q, strata_used, excluded, crude_only (a clear crude
        difference that is more than half gone within strata), note.
    run_defects : RunDefects
        Which defects were found on which run.
    n, excluded : int
        Runs, and defect records that led to no run.
    confidence, false_discovery_rate : float
        Level of the intervals; rate held over the whole table.
    stratum : str
        What the comparison was made within.
    method : str
        What was done, in words.
    """

    table: pd.DataFrame
    run_defects: RunDefects
    n: int
    excluded: int
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
        Share of false ones tolerated among the rows that read as going with a
        defect (Benjamini and Hochberg 1995), over the whole table.
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
    return CauseFindings(
        table=table,
        run_defects=run_defects,
        n=len(runs),
        excluded=run_defects.not_joined,
        confidence=confidence,
        false_discovery_rate=false_discovery_rate,
        stratum=stratum,
        method=(
            "For each defect, the share of runs with it is compared between runs outside and inside the condition's "
            "window: Wilson intervals for each share, Newcombe's for their difference, the score interval for their "
            "ratio. The comparison is then made within jobs (Mantel-Haenszel, Sato's and Greenland and Robins's "
            "intervals), tested exactly given each job's margins, and corrected over the whole table "
            "(Benjamini-Hochberg). Runs by one operator are treated as independent. "
            "What goes with a defect need not cause it."
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
    "p",
    "q",
    "strata_used",
    "excluded",
    "crude_only",
    "note",
]


_NUMBERS = [name for name in _COLUMNS if name.startswith(("risk_", "difference", "ratio", "within_"))] + [
    "low",
    "high",
    "p",
    "q",
]


def _sides(condition: Condition) -> list[str]:
    return [side for side, limit in (("below", condition.low), ("above", condition.high)) if limit is not None]


def _compare(
    runs: pd.DataFrame, found: pd.Series, condition: Condition, side: str, *, stratum: str, confidence: float
) -> dict[str, object]:
    place = side_of_window(runs, condition)
    outcome = runs["run_id"].map(found)
    usable = place.isin(["inside", side]) & outcome.notna() & runs[stratum].notna()
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
        "excluded": len(runs) - len(data),
        "strata_used": 0,
        "note": "",
    }
    if inside.empty or outside.empty:
        return row | {"note": "no run outside the window" if outside.empty else "no run inside the window"}
    row |= _crude(inside, outside, confidence)
    result = stratified(data, exposure="outside", outcome="found", stratum="stratum", confidence=confidence)
    return row | _within(result) | _tested(result)


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


def _within(result: StratifiedResult) -> dict[str, object]:
    """Return the comparison within strata."""
    row: dict[str, object] = {"strata_used": result.strata_used}
    for name, interval in (("difference", result.risk_difference), ("ratio", result.risk_ratio)):
        if interval is not None:
            row[f"within_{name}"] = interval.estimate
    if result.risk_difference is not None:
        row |= {"within_low": result.risk_difference.low, "within_high": result.risk_difference.high}
    if result.risk_ratio is not None:
        row |= {"within_ratio_low": result.risk_ratio.low, "within_ratio_high": result.risk_ratio.high}
    return row


def _tested(result: StratifiedResult) -> dict[str, object]:
    """Return the exact test within strata, or why no outcome could have told."""
    test = exact_conditional_test(result.strata)
    if test is None:
        return {"note": "no job has runs on both sides of the window, with and without the defect"}
    if test.least_p_value > LEAST_TELLING:
        return {"note": "with so few runs or defects within jobs, no outcome could have told"}
    return {"p": test.p_value}


def _read(table: pd.DataFrame, rate: float) -> pd.Series:
    found = table["q"] <= rate
    reading = pd.Series("not seen", index=table.index, dtype="str")
    reading = reading.mask(found & (table["within_difference"] > 0), "goes with more")
    reading = reading.mask(found & (table["within_difference"] < 0), "goes with fewer")
    return reading.mask(table["p"].isna(), "cannot tell")


def _crude_only(table: pd.DataFrame) -> pd.Series:
    """Return where a clear crude difference is more than half gone, and no longer clear, within strata."""
    clear = (table["low"] > 0) | (table["high"] < 0)
    unclear_within = (table["within_low"] <= 0) & (table["within_high"] >= 0)
    shrunk = table["within_difference"].abs() < table["difference"].abs() / 2
    return clear & unclear_within & shrunk


def ranked(table: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that go with more defects, those that go with the most defective runs first.

    The number of runs is the difference within strata times the runs outside
    the window: how many more had the defect than would have been expected.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({
    ...     "reading": ["goes with more", "not seen", "goes with more"], "within_difference": [0.1, 0.9, 0.2],
    ...     "n_outside": [10, 10, 100]})
    >>> ranked(table).index.tolist()
    [2, 0]
    """
    rows = table[table["reading"] == "goes with more"]
    more = rows["within_difference"] * rows["n_outside"]
    return rows.loc[more.sort_values(ascending=False, kind="stable").index]
