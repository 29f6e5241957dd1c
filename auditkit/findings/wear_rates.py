"""Wear rates: how fast each unit wears a part down, and in how many days of use it reaches its limit.

The rate comes from the wear gained between successive readings of one part, so
that a part whose beginning is unknown counts too.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.lifetimes import CANNOT_TELL, ESTIMATED
from auditkit.stats.rows import check_confidence
from auditkit.stats.wear_lines import item_to_limit, step_line
from auditkit.trade.part_lives import PartLives
from auditkit.trade.part_spells import days_of_use, spell_at
from auditkit.trade.upkeep_rules import WORN, UpkeepRules

__all__ = ["WearFindings", "find_wear_rates"]

LEAST_STEPS = 3
"""With fewer gains of wear no rate is given `[-]`; ours, no source."""

REACHED = "reached"

_COLUMNS = {
    "unit_id": "str",
    "part": "str",
    "steps": "int64",
    "rate_pct_d": "float64",
    "rate_low": "float64",
    "rate_high": "float64",
    "last_wear_pct": "float64",
    "last_at": "datetime64[us, UTC]",
    "since_d": "float64",
    "limit_pct": "float64",
    "days_left": "float64",
    "days_left_low": "float64",
    "days_left_high": "float64",
    "verdict": "str",
    "reason": "str",
}
_KEY = ["unit_id", "part"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WearFindings:
    """How fast parts wear, and when they reach their limit.

    Parameters
    ----------
    table : DataFrame
        One row a unit and part with a limit of wear, sorted: unit_id, part,
        steps (gains of wear the rate rests on), rate_pct_d `[%/d]` of use with
        rate_low and rate_high, last_wear_pct `[%]` of the part now in use and
        last_at, since_d `[d]` of use since, limit_pct `[%]`, days_left `[d]` of
        use from the end of the records with days_left_low and _high for this
        one part, verdict ('estimated', 'reached' or 'cannot tell'), reason.
    n, excluded : int
        Readings of wear used, and readings not used.
    confidence : float
    method : str
    """

    table: pd.DataFrame
    n: int
    excluded: int
    confidence: float
    method: str


def find_wear_rates(
    runs: pd.DataFrame, lives: PartLives, *, rules: UpkeepRules, confidence: float = 0.95
) -> WearFindings:
    """Return how fast each unit wears down the parts that have a limit of wear.

    Parameters
    ----------
    runs : DataFrame
        unit_id, started_at, ended_at, day (local).
    lives : PartLives
    rules : UpkeepRules
    confidence : float
    """
    check_confidence(confidence)
    limits = {part: rule.wear_limit_pct for part, rule in rules.parts.items() if rule.wear_limit_pct is not None}
    notes = lives.conflicts.notes
    figures = notes[notes["part"].isin(limits) & notes["wear_pct"].notna()]
    points = _points(figures[figures["wear_used"]], runs, lives, parts=list(limits))
    units = sorted(runs["unit_id"].unique())
    rows = [
        _row(
            points[(points["unit_id"] == unit) & (points["part"] == part)],
            unit=str(unit),
            part=part,
            limit=limit,
            used=float(days_of_use(runs, pd.DataFrame({"unit_id": [unit], "at": [runs["ended_at"].max()]})).iloc[0]),
            confidence=confidence,
        )
        for unit in units
        for part, limit in limits.items()
    ]
    used = int(figures["wear_used"].sum())
    return WearFindings(
        table=typed_frame(rows, _COLUMNS),
        n=used,
        excluded=len(figures) - used,
        confidence=confidence,
        method="Wear gained from one reading to the next over the days of use between them; limits of the days left "
        "are for the one part in use and hold the doubt about the rate and the spread of its own wear.",
    )


def _points(figures: pd.DataFrame, runs: pd.DataFrame, lives: PartLives, *, parts: list[str]) -> pd.DataFrame:
    """Return the known wears of each part in order: readings, and 0 where a spell began with a new part."""
    read = figures[[*_KEY, "wear_pct", "done_at"]].rename(columns={"done_at": "at"}).assign(mode=WORN)
    read = read.astype({"mode": "str"})
    read["life_no"] = spell_at(read, lives.begins, as_found=True)
    begins = lives.begins[(lives.begins["mode"] == WORN) & lives.begins["part"].isin(parts)]
    begins = begins.assign(life_no=begins.groupby(_KEY).cumcount() + 1)
    new = begins.assign(wear_pct=pd.Series(0.0, begins.index).mask(begins["by"] == "unknown"))
    columns = [*_KEY, "life_no", "at", "wear_pct"]
    points = pd.concat([read.assign(order=1), new.assign(order=0)])[[*columns, "order"]]
    points = points.sort_values([*_KEY, "life_no", "at", "order"], ignore_index=True)
    points["use_d"] = days_of_use(runs, points)
    known = points["wear_pct"].notna()
    steps = points[known].groupby([*_KEY, "life_no"])[["use_d", "wear_pct"]].diff()
    points["length"], points["growth"] = steps["use_d"], steps["wear_pct"]
    return points


def _row(
    points: pd.DataFrame, *, unit: str, part: str, limit: float, used: float, confidence: float
) -> dict[str, object]:
    steps = points[points["length"] > 0]
    now = points[points["life_no"] == points["life_no"].max()].dropna(subset=["wear_pct"]).tail(1)
    row: dict[str, object] = {"unit_id": unit, "part": part, "steps": len(steps), "limit_pct": limit}
    row |= {"verdict": CANNOT_TELL, "reason": ""}
    last, since = np.nan, np.nan
    if len(now):
        last, since = float(now["wear_pct"].iloc[0]), max(used - float(now["use_d"].iloc[0]), 0.0)
        row |= {"last_wear_pct": last, "last_at": now["at"].iloc[0], "since_d": since}
    if last >= limit:
        row |= {"days_left": 0.0, "verdict": REACHED, "reason": "the last reading is at or over the limit"}
    if len(steps) < LEAST_STEPS:
        return row | _unless_reached(row, f"{len(steps)} gains of wear between readings, fewer than {LEAST_STEPS}")
    line = step_line(steps, confidence=confidence)
    if line.residual_sd < 1e-9:
        return row | _unless_reached(row, "every reading lies on one line: how far wear strays from it cannot be told")
    row |= {"rate_pct_d": line.rate.estimate, "rate_low": line.rate.low, "rate_high": line.rate.high}
    if row["verdict"] == REACHED:
        return row
    if not len(now):
        return row | {"reason": "no wear is known of the part now in use"}
    left = item_to_limit(line, limit=limit - last)
    if left.age is None:
        return row | {"reason": left.reason}
    ends = {"": left.age.estimate, "_low": left.age.low, "_high": left.age.high}
    return row | {f"days_left{end}": max(age - since, 0.0) for end, age in ends.items()} | {"verdict": ESTIMATED}


def _unless_reached(row: dict[str, object], reason: str) -> dict[str, object]:
    return {} if row["verdict"] == REACHED else {"reason": reason}
