"""Upkeep: what was known of each part of a unit at the moment of each run.

Inspections only bracket when a part went wrong. This module says what the
notes *last said* before a run; it does not guess what happened since.
"""

from __future__ import annotations

import pandas as pd

__all__ = ["PARTS", "part_states"]

PARTS: tuple[str, ...] = (
    "lid gasket",
    "fluid hose",
    "pickup stem",
    "elbow",
    "filter",
    "feed tube",
    "o-rings",
    "brush",
    "bell",
    "cable end",
    "set screw",
)
"""Parts of a unit that the notes follow, from the pot to the bell."""

_COLUMNS = ["run_id", "part", "clean_h", "used_d", "inspected_d", "wear_pct", "found"]


def part_states(runs: pd.DataFrame, maintenance: pd.DataFrame) -> pd.DataFrame:
    """Return what was last known of every part at the start of every run.

    A part counts as cleaned when it was cleaned, replaced or fitted, and as
    inspected at any note. Wear is the last figure noted (as found, before anything
    was done), and 0 from a replacement or fitting until the next figure. A note at the very
    moment a run starts counts as known.

    Parameters
    ----------
    runs : DataFrame
        One row a run: run_id, unit_id, started_at, day (local, YYYY-MM-DD).
    maintenance : DataFrame
        One row a note: unit_id, part, action, wear_pct `[%]`, found, done_at.

    Returns
    -------
    DataFrame
        One row a run and part, sorted by run_id and part: run_id, part,
        clean_h `[h]` of the clock since cleaned, replaced or fitted, used_d `[d]`
        (earlier days on which the unit sprayed since then; 0 where it was
        cleaned at each end of use), inspected_d `[d]` since any note,
        wear_pct `[%]`, found (condition at the last note that gave one).
        Missing where no note before the run says it.

    Examples
    --------
    >>> import pandas as pd
    >>> runs = pd.DataFrame({"run_id": ["R1"], "unit_id": ["U1"], "day": ["2027-01-11"],
    ...                      "started_at": pd.to_datetime(["2027-01-11T08:00Z"])})
    >>> notes = pd.DataFrame({
    ...     "unit_id": ["U1"], "part": ["brush"], "action": ["inspected"], "wear_pct": [35.0], "found": ["good"],
    ...     "done_at": pd.to_datetime(["2027-01-09T08:00Z"])})
    >>> states = part_states(runs, notes)
    >>> states.loc[states["part"] == "brush", ["inspected_d", "wear_pct"]].to_numpy().tolist()
    [[2.0, 35.0]]
    """
    starts = runs[["run_id", "unit_id", "started_at", "day"]].sort_values(["started_at", "run_id"], kind="stable")
    starts["use_day"] = starts.groupby("unit_id")["day"].rank(method="dense")
    states = [_states_of_part(starts, maintenance, part) for part in PARTS]
    return pd.concat(states, ignore_index=True).sort_values(["run_id", "part"], ignore_index=True)[_COLUMNS]


def _states_of_part(starts: pd.DataFrame, maintenance: pd.DataFrame, part: str) -> pd.DataFrame:
    notes = maintenance[maintenance["part"] == part].sort_values("done_at", kind="stable")
    cleaned = notes[notes["action"].isin(["cleaned", "replaced", "fitted"])]
    state = starts.assign(part=part)
    state["clean_h"] = _elapsed_s(starts, cleaned) / 3600
    state["used_d"] = starts["use_day"] - _first_use_day(starts, cleaned)
    state["inspected_d"] = _elapsed_s(starts, notes) / 86_400
    state["wear_pct"] = _last(starts, _wear_after(notes), "wear_pct")
    state["found"] = _last(starts, notes[notes["found"].notna()], "found")
    return state


def _wear_after(notes: pd.DataFrame) -> pd.DataFrame:
    """Return the wear known from each note on; of notes at one moment, a new part is the last word."""
    replaced = notes["action"].isin(["replaced", "fitted"])
    wear = notes.assign(wear_pct=notes["wear_pct"].mask(replaced, 0.0), replaced=replaced)
    return wear[wear["wear_pct"].notna()].sort_values(["done_at", "replaced"], kind="stable")


def _last(starts: pd.DataFrame, notes: pd.DataFrame, column: str) -> pd.Series:
    """Return the column's value at the unit's last note at or before each start, on the index of `starts`."""
    joined = pd.merge_asof(
        starts[["unit_id", "started_at"]],
        notes[["unit_id", "done_at", column]],
        left_on="started_at",
        right_on="done_at",
        by="unit_id",
    )
    return joined[column].set_axis(starts.index)


def _first_use_day(starts: pd.DataFrame, cleaned: pd.DataFrame) -> pd.Series:
    """Return the number of the unit's first day of use since the last cleaning before each start."""
    since = cleaned[["unit_id", "done_at"]].drop_duplicates()
    first = pd.merge_asof(
        since.sort_values("done_at"),
        starts[["unit_id", "started_at", "use_day"]],
        left_on="done_at",
        right_on="started_at",
        by="unit_id",
        direction="forward",
    )
    return _last(starts, first[["unit_id", "done_at", "use_day"]], "use_day")


def _elapsed_s(starts: pd.DataFrame, notes: pd.DataFrame) -> pd.Series:
    """Return the seconds from the unit's last note to each start."""
    noted_at = _last(starts, notes.assign(noted_at=notes["done_at"]), "noted_at")
    return (starts["started_at"] - noted_at).dt.total_seconds()
