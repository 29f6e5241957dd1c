"""Second looks at what goes with a defect: within operators, within days, and beside conditions that travel with it."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

from auditkit.stats.intervals import Interval
from auditkit.stats.score_difference import stratified_score_difference
from auditkit.stats.strata import stratified
from auditkit.trade.conditions import Condition, side_of_window

__all__ = ["check_rows"]

TRAVELS_FROM = 0.6
"""Two conditions travel together where this share of the runs outside one is outside the other as well."""

_FINER = {"operator": "operator_id", "day": "day"}


def check_rows(
    table: pd.DataFrame,
    runs: pd.DataFrame,
    found: pd.DataFrame,
    *,
    conditions: Mapping[str, Condition],
    stratum: str,
    confidence: float,
) -> pd.DataFrame:
    """Return the table of causes with second looks at the rows that go with more or fewer defects.

    Parameters
    ----------
    table : DataFrame
        Rows of `CauseFindings.table`, with their reading.
    runs : DataFrame
        Timeline, one row a run: run_id, operator_id, day, the stratum and the
        conditions.
    found : DataFrame
        One row a run, one nullable boolean column a defect.
    conditions : mapping of str to Condition
        Conditions by name.
    stratum : str
        Column within which the table was made.
    confidence : float
        Level of the intervals.

    Returns
    -------
    DataFrame
        The table with operator_difference, operator_low, operator_high (the
        difference within operators of a job), the same for day; firm (both
        intervals lie on the side of the difference within jobs); travels_with
        (condition and side of the row for the same defect whose runs overlap
        most), travels_n (runs outside both), apart_difference, apart_low,
        apart_high (the difference within jobs and sides of that other
        condition). Missing in all other rows; firm is False there.
    """
    seen = table[table["reading"].isin(["goes with more", "goes with fewer"])]
    outside = {
        (condition, side): _outside(runs, conditions[condition], side)
        for condition, side in zip(seen["condition"].astype(str), seen["side"].astype(str), strict=True)
    }
    extra = {
        index: _second_looks(row, seen, runs, found, outside, stratum=stratum, confidence=confidence)
        for index, row in seen.iterrows()
    }
    columns = pd.DataFrame.from_dict(extra, orient="index").reindex(columns=_COLUMNS).reindex(table.index)
    numbers = [name for name in _COLUMNS if name.endswith(("_difference", "_low", "_high"))]
    columns = columns.astype(dict.fromkeys(numbers, "float64") | {"travels_n": "Int64"})
    columns["firm"] = columns["firm"].eq(True).fillna(False).astype(bool)
    columns[["travels_with", "travels_side"]] = columns[["travels_with", "travels_side"]].astype("str").fillna("")
    return table.join(columns)


_COLUMNS = [
    *(f"{name}_{part}" for name in _FINER for part in ("difference", "low", "high")),
    "firm",
    "travels_with",
    "travels_side",
    "travels_n",
    "apart_difference",
    "apart_low",
    "apart_high",
]


def _outside(runs: pd.DataFrame, condition: Condition, side: str) -> pd.Series:
    """Return True outside on that side, False inside, missing elsewhere."""
    place = side_of_window(runs, condition)
    return (place == side).astype("boolean").mask(~place.isin(["inside", side]))


def _second_looks(
    row: pd.Series,
    seen: pd.DataFrame,
    runs: pd.DataFrame,
    found: pd.DataFrame,
    outside: Mapping[tuple[str, str], pd.Series],
    *,
    stratum: str,
    confidence: float,
) -> dict[str, object]:
    here = outside[row["condition"], row["side"]]
    outcome = runs["run_id"].map(found[row["defect"]])
    extra: dict[str, object] = {}
    firm = True
    for name, column in _FINER.items():
        interval = _difference(here, outcome, [runs[stratum], runs[column]], confidence)
        if interval is None:
            firm = False
            continue
        extra |= {f"{name}_difference": interval.estimate, f"{name}_low": interval.low, f"{name}_high": interval.high}
        firm = firm and (interval.low > 0 if row["within_difference"] > 0 else interval.high < 0)
    extra["firm"] = firm
    other = _companion(row, seen, here, outside)
    if other is None:
        return extra
    there = outside[other]
    extra |= {"travels_with": other[0], "travels_side": other[1], "travels_n": int((here & there).sum())}
    interval = _difference(here, outcome, [runs[stratum], there.astype("Int64")], confidence)
    if interval is not None:
        extra |= {"apart_difference": interval.estimate, "apart_low": interval.low, "apart_high": interval.high}
    return extra


def _companion(
    row: pd.Series,
    seen: pd.DataFrame,
    here: pd.Series,
    outside: Mapping[tuple[str, str], pd.Series],
) -> tuple[str, str] | None:
    """Return the other condition and side, seen with the same defect, whose runs overlap most, if that is much."""
    best, share = None, TRAVELS_FROM
    for other in seen[(seen["defect"] == row["defect"]) & (seen["condition"] != row["condition"])].itertuples():
        there = outside[other.condition, other.side]
        both = float((here & there).sum())
        overlap = max(both / max(float(here.sum()), 1.0), both / max(float(there.sum()), 1.0))
        if overlap >= share:
            best, share = (other.condition, other.side), overlap
    return best


def _difference(here: pd.Series, outcome: pd.Series, strata: list[pd.Series], confidence: float) -> Interval | None:
    """Return the difference in risk outside against inside, within combinations of the strata."""
    names = [f"stratum_{number}" for number in range(len(strata))]
    data = pd.DataFrame({"outside": here, "found": outcome} | dict(zip(names, strata, strict=True))).dropna()
    if data.empty:
        return None
    data = data.astype({"outside": bool, "found": bool})
    counted = stratified(data, exposure="outside", outcome="found", stratum=names, confidence=confidence)
    return stratified_score_difference(counted.strata, confidence=confidence)
