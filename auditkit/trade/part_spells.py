"""Part spells: from one restoring of a part to the next, and what was seen of it in between.

Age is counted in days of use: every local day on which the unit sprayed counts
one, spread over its runs by their length. A part that stands still does not age.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.trade.upkeep_rules import CLOGGED, UpkeepRules

__all__ = ["BAD", "GOOD", "RECORDS_FROM", "begins_of", "days_of_use", "looks_of", "modes_of", "spell_at"]

GOOD = "good"
BAD = "bad"

RECORDS_FROM = pd.Timedelta(days=1)
"""How long before the first run on record no use is taken to have gone unrecorded; ours, no source."""

_WORN_WORDS = frozenset({"worn", "leaking", "kinked", "damaged"})
_KEY = ["unit_id", "part", "mode"]


def days_of_use(runs: pd.DataFrame, moments: pd.DataFrame) -> pd.Series:
    """Return how many days of use each unit had behind it at each moment, on the index of `moments`.

    Parameters
    ----------
    runs : DataFrame
        One row a run: unit_id, started_at, ended_at, day (local).
    moments : DataFrame
        unit_id, at.

    Returns
    -------
    Series of float
        `[d]` since the unit's first run; halfway through the spraying of its
        third day 2.5. Missing where the moment is.

    Examples
    --------
    >>> at = pd.to_datetime(["2027-01-11T08:00Z", "2027-01-11T09:00Z", "2027-01-12T08:00Z", "2027-01-12T10:00Z"])
    >>> runs = pd.DataFrame({"unit_id": "U1", "started_at": at[::2], "ended_at": at[1::2], "day": ["11", "12"]})
    >>> asked = pd.to_datetime(["2027-01-11T20:00Z", "2027-01-12T09:00Z"])
    >>> days_of_use(runs, pd.DataFrame({"unit_id": "U1", "at": asked})).tolist()
    [1.0, 1.5]
    """
    used = pd.Series(0.0, index=moments.index, name="use_d").mask(moments["at"].isna())
    seconds = (runs["ended_at"] - runs["started_at"]).dt.total_seconds().clip(lower=1.0)
    share = seconds / seconds.groupby([runs["unit_id"], runs["day"]]).transform("sum")
    begun, length, rise = _seconds(runs["started_at"]), _floats(seconds), _floats(share)
    for unit, rows in moments.dropna(subset=["at"]).groupby("unit_id", sort=True):
        of_unit = (runs["unit_id"] == unit).to_numpy()
        if of_unit.any():
            used.loc[rows.index] = _ramps(begun[of_unit], length[of_unit], rise[of_unit], _seconds(rows["at"]))
    return used


def _floats(values: pd.Series) -> npt.NDArray[np.float64]:
    return np.asarray(values, dtype=np.float64)


def _seconds(at: pd.Series) -> npt.NDArray[np.float64]:
    """Return moments as seconds since 1970, exact to the microsecond."""
    moments = at.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    return np.asarray(moments.astype("int64") / 1e6, dtype=float)


def _ramps(
    begun: npt.NDArray[np.float64],
    length: npt.NDArray[np.float64],
    share: npt.NDArray[np.float64],
    at: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Return the sum of ramps, each rising by its share from its beginning over its length; runs may overlap."""
    times = np.concatenate([begun, begun + length])
    turns = np.concatenate([share / length, -share / length])
    order = np.argsort(times, kind="stable")
    times, slope = times[order], np.cumsum(turns[order])
    heights = np.concatenate([[0.0], np.cumsum(slope[:-1] * np.diff(times))])
    result: npt.NDArray[np.float64] = np.round(np.interp(at, times, heights), 9)
    return result


def modes_of(rules: UpkeepRules) -> pd.DataFrame:
    """Return in which ways each part goes bad: part, mode."""
    rows = [(part, mode) for part, rule in rules.parts.items() for mode in rule.modes]
    return pd.DataFrame(rows, columns=["part", "mode"]).astype("str")


def looks_of(notes: pd.DataFrame, *, rules: UpkeepRules) -> pd.DataFrame:
    """Return what each note says of the state of its part as found.

    'good' says that a part is neither worn nor clogged; 'worn' says nothing of
    clogging, nor 'clogged' of wear, where cleaning restores the part. A wear at
    or over the part's limit is bad; one below it is good unless found worn.

    Parameters
    ----------
    notes : DataFrame
        unit_id, part, wear_pct `[%]`, found, done_at; index of your choice.

    Returns
    -------
    DataFrame
        One row a note and mode of which it says something: note (its index),
        unit_id, part, mode, at, state ('good' or 'bad').
    """
    known = notes[["unit_id", "part", "wear_pct", "found", "done_at"]].rename(columns={"done_at": "at"})
    rows = known.rename_axis("note").reset_index().merge(modes_of(rules), on="part", how="inner")
    limit = rows["part"].map({part: rule.wear_limit_pct for part, rule in rules.parts.items()}).astype("float64")
    cleanable = rows["part"].map({part: rule.cleaning_restores for part, rule in rules.parts.items()}).astype(bool)
    clogging, found = rows["mode"] == CLOGGED, rows["found"]
    bad = (found.isin(_WORN_WORDS) & ~clogging) | ((found == "clogged") & (clogging | ~cleanable))
    good = (found == "good") | (~clogging & (rows["wear_pct"] < limit))
    bad |= ~clogging & (rows["wear_pct"] >= limit)
    state = pd.Series(pd.NA, index=rows.index, dtype="str").mask(good, GOOD).mask(bad, BAD)
    looks = rows.assign(state=state)[state.notna()]
    return looks[["note", *_KEY, "at", "state"]].sort_values([*_KEY, "at", "note"], ignore_index=True)


def begins_of(notes: pd.DataFrame, runs: pd.DataFrame, *, rules: UpkeepRules, units: pd.DataFrame) -> pd.DataFrame:
    """Return every restoring of every part, in order.

    What began more than a day before the first run on record had been used, for
    all we know, when the records set in: its age is unknown.

    Parameters
    ----------
    notes : DataFrame
        unit_id, part, action, done_at, action_used (False where a note
        contradicts others, so that what it begins is not known).
    runs : DataFrame
        started_at.
    units : DataFrame
        unit_id, in_service_at.

    Returns
    -------
    DataFrame
        One row a unit, part, mode and moment, sorted: unit_id, part, mode, at,
        by ('fitted', 'replaced', 'cleaned', 'in service' or 'unknown').
    """
    restoring = notes[notes["action"].isin(["fitted", "replaced", "cleaned"])]
    by = restoring["action"].where(restoring["action_used"], "unknown")
    noted = restoring.assign(at=restoring["done_at"], by=by)[["unit_id", "part", "at", "by", "action"]]
    noted = noted.merge(modes_of(rules), on="part", how="inner")
    noted = noted[(noted["action"] != "cleaned") | (noted["mode"] == CLOGGED)]
    served = units.dropna(subset=["in_service_at"]).rename(columns={"in_service_at": "at"})[["unit_id", "at"]]
    first_fitted = noted[noted["by"] == "fitted"].groupby(["unit_id", "part"])["at"].min().rename("fitted_at")
    whole = served.astype({"unit_id": "str"}).merge(modes_of(rules), how="cross")
    whole = whole.merge(first_fitted.reset_index(), on=["unit_id", "part"], how="left")
    whole = whole[~(whole["fitted_at"] <= whole["at"])].assign(by="in service")
    rows = pd.concat([noted, whole])[[*_KEY, "at", "by"]].astype({"by": "str"})
    rows["by"] = rows["by"].mask(rows["at"] < runs["started_at"].min() - RECORDS_FROM, "unknown")
    # of two restorings at one moment the greater is the one that counts
    order = rows["by"].map({"unknown": 0, "replaced": 1, "fitted": 2, "in service": 3, "cleaned": 4})
    rows = rows.assign(order=order).sort_values([*_KEY, "at", "order"], kind="stable")
    return rows.drop_duplicates([*_KEY, "at"])[[*_KEY, "at", "by"]].reset_index(drop=True)


def spell_at(moments: pd.DataFrame, begins: pd.DataFrame, *, as_found: bool) -> pd.Series:
    """Return the number of the spell each moment lies in: 0 before any beginning, on the index of `moments`.

    Parameters
    ----------
    moments : DataFrame
        unit_id, part, mode, at.
    begins : DataFrame
        See `begins_of`.
    as_found : bool
        Whether a moment at a beginning still belongs to the spell before it,
        as a state found before anything was done does.
    """
    numbered = begins.assign(life_no=begins.groupby(_KEY).cumcount() + 1).sort_values("at", kind="stable")
    asked = moments[[*_KEY, "at"]].assign(place=np.arange(len(moments))).sort_values("at", kind="stable")
    if asked.empty or numbered.empty:
        return pd.Series(0, index=moments.index, name="life_no", dtype="int64")
    joined = pd.merge_asof(
        asked, numbered[[*_KEY, "at", "life_no"]], on="at", by=_KEY, allow_exact_matches=not as_found
    ).sort_values("place")
    return joined["life_no"].fillna(0).astype("int64").set_axis(moments.index)
