"""Overdue: parts not looked at, cleaned or replaced in time, and parts more likely bad than not.

It is as at the end of the records given; for an earlier date give what was on
record by then (`part_states.known_by`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from auditkit.findings.part_states import PartModel, states_at
from auditkit.findings.typed_columns import typed_frame
from auditkit.trade.part_lives import NO_UNITS, PartLives
from auditkit.trade.part_spells import RECORDS_FROM, days_of_use
from auditkit.trade.upkeep_rules import UpkeepRules

__all__ = ["OverdueFindings", "find_overdue"]

_DONE_BY = {
    "inspect": ("inspected", "cleaned", "replaced", "fitted"),
    "clean": ("cleaned", "replaced", "fitted"),
    "replace": ("replaced", "fitted"),
}
_DONE = {"inspect": "looked at", "clean": "cleaned", "replace": "replaced"}
_COLUMNS = {
    "unit_id": "str",
    "part": "str",
    "rule": "str",
    "due": "str",
    "last_at": "datetime64[us, UTC]",
    "days_since": "float64",
    "at_least": "bool",
    "every_d": "float64",
    "days_over": "float64",
    "probability": "float64",
    "low": "float64",
    "high": "float64",
    "overdue": "bool",
    "reason": "str",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class OverdueFindings:
    """What is due on each unit.

    Parameters
    ----------
    table : DataFrame
        One row a unit, part and rule, sorted: unit_id, part, rule ('inspect',
        'clean', 'replace', or 'bad: worn', 'bad: clogged'), due (in words),
        last_at (when it was last done), days_since `[d]` of use, at_least
        (whether it may be longer still: not noted, or before the records), every_d `[d]`,
        days_over `[d]` (below 0 where not yet due), probability that it is bad
        `[-]` with low and high, overdue, reason (why it cannot be told).
    as_at : Timestamp
        End of the records; missing where there are none.
    threshold : float
        Probability over which a part is overdue `[-]`.
    n, excluded : int
        Rows that could be judged, and rows that could not.
    method : str
    """

    table: pd.DataFrame
    as_at: pd.Timestamp
    threshold: float
    n: int
    excluded: int
    method: str

    @property
    def overdue(self) -> pd.DataFrame:
        """The rows that are overdue, the surest and longest first."""
        rows = self.table[self.table["overdue"]]
        return rows.sort_values(
            ["probability", "days_over", "unit_id", "part", "rule"], ascending=[False, False, True, True, True]
        ).reset_index(drop=True)


def find_overdue(
    runs: pd.DataFrame,
    lives: PartLives,
    *,
    models: Mapping[tuple[str, str], PartModel],
    rules: UpkeepRules,
    units: pd.DataFrame = NO_UNITS,
    confidence: float = 0.95,
) -> OverdueFindings:
    """Return what is due on each unit that sprayed, by rule and by probability.

    A rule is overdue once as many days of use have gone by as it allows. What
    no note tells of, or one from before the first run on record, counts from the
    unit's first day of use on record: it is at least that long ago.

    Parameters
    ----------
    runs : DataFrame
        unit_id, started_at, ended_at, day (local).
    lives : PartLives
    models : mapping of (part, mode) to PartModel
    rules : UpkeepRules
    units : DataFrame
        unit_id, in_service_at.
    confidence : float
    """
    notes = lives.conflicts.notes
    notes = notes[notes["action_used"]]
    as_at = pd.concat([runs["ended_at"], notes["done_at"]]).max()
    moments = pd.DataFrame({"unit_id": sorted(runs["unit_id"].unique())}).astype("str")
    moments = moments.assign(at=pd.Series(as_at, index=moments.index, dtype="datetime64[us, UTC]"))
    by_rule = [
        _by_rule(moments, runs, notes, units, part=part, rule=word, every=every)
        for part, entry in rules.parts.items()
        for word, every in (
            ("inspect", entry.inspect_every_d),
            ("clean", entry.clean_every_d),
            ("replace", entry.replace_every_d),
        )
        if every is not None
    ]
    states = states_at(moments, runs, lives, models=models, rules=rules, confidence=confidence)
    likely = states.assign(
        rule="bad: " + states["mode"],
        due=f"put right once more likely than {rules.overdue_probability:g} to be bad",
        at_least=False,
        overdue=states["probability"] > rules.overdue_probability,
    )
    parts = [typed_frame(frame, _COLUMNS) for frame in (*by_rule, likely)]
    table = pd.concat(parts).sort_values(["unit_id", "part", "rule"], ignore_index=True)
    untold = int((table["reason"] != "").sum())
    return OverdueFindings(
        table=table,
        as_at=as_at,
        threshold=rules.overdue_probability,
        n=len(table) - untold,
        excluded=untold,
        method=f"As at the end of the records: days of use since a part was last looked at, cleaned or replaced, held "
        f"against the upkeep rules (our own defaults, no source), and the probability that it is bad by now, held "
        f"against {rules.overdue_probability:g}.",
    )


def _by_rule(
    moments: pd.DataFrame,
    runs: pd.DataFrame,
    notes: pd.DataFrame,
    units: pd.DataFrame,
    *,
    part: str,
    rule: str,
    every: float,
) -> pd.DataFrame:
    done = notes[(notes["part"] == part) & notes["action"].isin(_DONE_BY[rule])]
    done_at = done[["unit_id", "done_at"]].rename(columns={"done_at": "at"})
    served = (
        units[["unit_id", "in_service_at"]].rename(columns={"in_service_at": "at"}).dropna().astype({"unit_id": "str"})
    )
    last = pd.concat([done_at, served]).groupby("unit_id")["at"].max().rename("last_at").reset_index()
    rows = moments.merge(last, on="unit_id", how="left")
    since = days_of_use(runs, rows) - days_of_use(runs, rows.assign(at=rows["last_at"])).fillna(0.0)
    # before the first run on record there may have been use that is not on it
    unnoted = ~(rows["last_at"] >= runs["started_at"].min() - RECORDS_FROM)
    short = unnoted & (since < every)
    overdue = since >= every
    return rows.assign(
        part=part,
        rule=rule,
        due=f"to be {_DONE[rule]} every {every:g} d of use",
        days_since=since,
        at_least=unnoted,
        every_d=every,
        days_over=(since - every).mask(short),
        overdue=overdue,
        reason=pd.Series("", index=rows.index, dtype="str").mask(
            short, f"when it was last {_DONE[rule]} is not noted, or lies before the first run on record"
        ),
    )
