"""Part lives: how long each part lasted, as far as the looks at it bracket the change.

A life begins when a part is fitted, replaced, or (where it clogs) cleaned, and
goes on until the next of these. In between, looks say that it was good at one
age and bad at another; when it changed they do not say.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.trade.note_conflicts import NoteConflicts, find_note_conflicts
from auditkit.trade.part_spells import BAD, GOOD, begins_of, days_of_use, modes_of, spell_at
from auditkit.trade.upkeep_rules import UpkeepRules

__all__ = ["NO_UNITS", "PartLives", "find_part_lives", "moments_with_spells"]

NO_UNITS = pd.DataFrame({"unit_id": pd.Series(dtype="str"), "in_service_at": pd.to_datetime(pd.Series([]), utc=True)})
"""A table of units without rows."""

UNKNOWN = "unknown"
STILL = "still in use"

_KEY = ["unit_id", "part", "mode"]
_SPELL = [*_KEY, "life_no"]
_LIVES = [
    *_SPELL,
    "began_at",
    "began_by",
    "last_good",
    "first_bad",
    "last_good_at",
    "first_bad_at",
    "looks",
    "ended_at",
    "ended_by",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class PartLives:
    """Lives of parts, and the looks behind them.

    Parameters
    ----------
    lives : DataFrame
        One row a life of known age, sorted by unit, part, mode and
        number: unit_id, part, mode ('worn' or 'clogged'), life_no, began_at,
        began_by ('fitted', 'replaced', 'cleaned', 'in service'), last_good
        `[d]` and first_bad `[d]` (days of use since it began; 0 where never
        seen good, infinite where never seen bad), last_good_at, first_bad_at,
        looks (count), ended_at, ended_by ('fitted', 'replaced', 'cleaned',
        'unknown' or 'still in use').
    unknown : DataFrame
        The same of lives whose age is not known: last_good and
        first_bad are missing.
    begins : DataFrame
        One row a beginning: unit_id, part, mode, at, by, use_d `[d]` of the
        unit at that moment.
    looks : DataFrame
        One row a look: unit_id, part, mode, life_no, at, state, use_d `[d]`.
    conflicts : NoteConflicts
        What in the notes contradicts what.
    n, excluded : int
        Lives of known age, and lives without.
    method : str
    """

    lives: pd.DataFrame
    unknown: pd.DataFrame
    begins: pd.DataFrame
    looks: pd.DataFrame
    conflicts: NoteConflicts
    n: int
    excluded: int
    method: str


def find_part_lives(
    maintenance: pd.DataFrame, runs: pd.DataFrame, *, rules: UpkeepRules, units: pd.DataFrame = NO_UNITS
) -> PartLives:
    """Return the lives of every part of every unit.

    Parameters
    ----------
    maintenance : DataFrame
        One row a note: unit_id, part, action, wear_pct `[%]`, found, done_at.
    runs : DataFrame
        One row a run: unit_id, started_at, ended_at, day (local).
    rules : UpkeepRules
        Which parts a cleaning restores, and from which wear a part is worn.
    units : DataFrame, optional
        unit_id, in_service_at (all parts fitted; missing where not known).

    Examples
    --------
    >>> from auditkit.trade.upkeep_rules import load_upkeep_rules
    >>> days = [f"2027-01-{day}" for day in (11, 12, 13, 14)]
    >>> starts = pd.to_datetime([f"{day}T08:00Z" for day in days])
    >>> runs = pd.DataFrame({
    ...     "unit_id": "U1", "started_at": starts, "ended_at": starts + pd.Timedelta(hours=1), "day": days})
    >>> notes = pd.DataFrame({
    ...     "unit_id": "U1", "part": "brush", "action": ["replaced", "inspected", "inspected"],
    ...     "wear_pct": [80.0, 20.0, 55.0], "found": ["worn", "good", "worn"],
    ...     "done_at": pd.to_datetime(["2027-01-11T07:00Z", "2027-01-12T18:00Z", "2027-01-14T18:00Z"])})
    >>> lives = find_part_lives(notes, runs, rules=load_upkeep_rules()).lives
    >>> lives[["began_by", "last_good", "first_bad", "ended_by"]].to_numpy().tolist()
    [['replaced', 2.0, 4.0, 'still in use']]
    """
    conflicts = find_note_conflicts(maintenance, runs, rules=rules, units=units)
    begins = begins_of(conflicts.notes, runs, rules=rules, units=units)
    begins = begins.assign(use_d=days_of_use(runs, begins))
    looks = conflicts.looks.assign(use_d=days_of_use(runs, conflicts.looks))[[*_SPELL, "at", "state", "use_d"]]
    spells = _spells(begins, looks)
    known = ~spells["began_by"].eq(UNKNOWN)
    aged = spells.assign(
        last_good=spells["last_good_d"].sub(spells["begun_d"]).fillna(0.0).clip(lower=0.0),
        first_bad=spells["first_bad_d"].sub(spells["begun_d"]).fillna(np.inf),
    )
    lives, unknown = aged[known], spells.assign(last_good=np.nan, first_bad=np.nan)[~known]
    return PartLives(
        lives=lives[_LIVES].reset_index(drop=True),
        unknown=unknown[_LIVES].reset_index(drop=True),
        begins=begins,
        looks=looks,
        conflicts=conflicts,
        n=len(lives),
        excluded=len(unknown),
        method="Age is counted in days of use since the part was fitted or replaced, or (for clogging) cleaned; "
        "lives whose beginning is not recorded, or lies before the first run on record, are left out.",
    )


def _spells(begins: pd.DataFrame, looks: pd.DataFrame) -> pd.DataFrame:
    """Return one row a spell: its beginning and end, and the last good and first bad look in it."""
    numbered = begins.assign(life_no=begins.groupby(_KEY).cumcount() + 1)
    numbered = numbered.rename(columns={"at": "began_at", "by": "began_by", "use_d": "begun_d"})
    before = looks.loc[looks["life_no"] == 0, _SPELL].drop_duplicates()
    # a part first replaced or cleaned was there before; of one first fitted there is nothing before
    first = numbered[numbered["life_no"].eq(1) & numbered["began_by"].isin(["replaced", "cleaned"])]
    nothing_known = pd.concat([before, first[_KEY].assign(life_no=0)]).drop_duplicates().assign(began_by=UNKNOWN)
    spells = pd.concat([nothing_known, numbered]).astype({"began_by": "str", "life_no": "int64"})
    spells = spells.sort_values(_SPELL, ignore_index=True)
    following = spells.groupby(_KEY)
    spells["ended_at"] = following["began_at"].shift(-1)
    spells["ended_by"] = following["began_by"].shift(-1).fillna(STILL).astype("str")
    for state, last, name in ((GOOD, "max", "last_good"), (BAD, "min", "first_bad")):
        seen = looks[looks["state"] == state].groupby(_SPELL).agg(at=("at", last), use_d=("use_d", last))
        spells = spells.merge(
            seen.rename(columns={"at": f"{name}_at", "use_d": f"{name}_d"}).reset_index(), on=_SPELL, how="left"
        )
    counted = looks.groupby(_SPELL).size().rename("looks").reset_index()
    return spells.merge(counted, on=_SPELL, how="left").fillna({"looks": 0}).astype({"looks": "int64"})


def moments_with_spells(
    moments: pd.DataFrame, runs: pd.DataFrame, lives: PartLives, *, rules: UpkeepRules
) -> pd.DataFrame:
    """Return every part and mode of a unit at given moments, each with the spell it lay in.

    Parameters
    ----------
    moments : DataFrame
        unit_id and at, and whatever names the moment.
    runs : DataFrame
        As given to `find_part_lives`.
    lives : PartLives
    rules : UpkeepRules

    Returns
    -------
    DataFrame
        One row a moment, part and mode: the columns of `moments`, part, mode,
        use_d `[d]` of the unit, life_no, age_d `[d]` (missing where the
        beginning is not known), and of the spell: began_by, last_good `[d]`,
        first_bad `[d]`, last_good_at, first_bad_at.
    """
    asked = moments.assign(use_d=days_of_use(runs, moments)).merge(modes_of(rules), how="cross")
    asked["life_no"] = spell_at(asked, lives.begins, as_found=False)
    spells = pd.concat([frame for frame in (lives.lives, lives.unknown) if len(frame)] or [lives.lives])
    columns = [*_SPELL, "began_by", "last_good", "first_bad", "last_good_at", "first_bad_at"]
    asked = asked.merge(spells[columns], on=_SPELL, how="left")
    begun = lives.begins.assign(life_no=lives.begins.groupby(_KEY).cumcount() + 1).rename(columns={"use_d": "begun_d"})
    asked = asked.merge(begun[[*_SPELL, "begun_d"]], on=_SPELL, how="left")
    asked["began_by"] = asked["began_by"].fillna(UNKNOWN)
    asked["age_d"] = (asked["use_d"] - asked["begun_d"]).where(asked["began_by"] != UNKNOWN)
    return asked.drop(columns="begun_d")
