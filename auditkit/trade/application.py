"""Application: how the gun was held and moved, and what the bell went through between runs."""

from __future__ import annotations

import numpy as np
import pandas as pd

from auditkit.trade.columns import require_columns

__all__ = ["BELL_TOLERANCE_MM", "bell_matches", "pauses", "standoff_range"]

BELL_TOLERANCE_MM = 1.0
"""Bell and setting this near are of one size `[mm]`: 2.75 in may be noted as 70 mm; ours, no source."""

_RESTORES = ("cleaned", "replaced")


def standoff_range(runs: pd.DataFrame, *, low: float | None, high: float | None) -> pd.DataFrame:
    """Return how the standoff of each run, nearest to farthest, lay against its window.

    Parameters
    ----------
    runs : DataFrame
        run_id, standoff_mm (typical), standoff_min_mm, standoff_max_mm
        (nearest and farthest seen) `[mm]`.
    low, high : float or None
        Window `[mm]`; None leaves that side open, and a value at a limit is
        inside.

    Returns
    -------
    DataFrame
        One row a run, sorted by run_id: run_id, standoff_mm, spread_mm
        (farthest - nearest) `[mm]`, nearer_pct, farther_pct, outside_pct
        (share of the way from nearest to farthest that lies outside) `[%]`,
        whole_inside (nullable bool: nearest, farthest and typical all inside;
        False where any one is outside, missing where none is and one is
        missing).

    Raises
    ------
    ValueError
        A column is not there, or a farthest is below its nearest.

    Notes
    -----
    The share is of the range of distances, not of time: how long the gun was
    held at each is not recorded.

    Examples
    --------
    >>> runs = pd.DataFrame({"run_id": ["R1"], "standoff_mm": [180.0], "standoff_min_mm": [140.0],
    ...                      "standoff_max_mm": [220.0]})
    >>> standoff_range(runs, low=150, high=200).to_numpy().tolist()
    [['R1', 180.0, 80.0, 12.5, 25.0, 37.5, False]]
    """
    columns = ["standoff_mm", "standoff_min_mm", "standoff_max_mm"]
    require_columns(runs, ["run_id", *columns], name="runs")
    rows = runs[["run_id", *columns]].sort_values("run_id", ignore_index=True)
    typical, near, far = (rows[column].astype("float64") for column in columns)
    if (far < near).any():
        first = rows.loc[far < near, "run_id"].iloc[0]
        raise ValueError(f"standoff_max_mm may not be below standoff_min_mm; {first} has it so. Exchange the two")
    least = -np.inf if low is None else low
    most = np.inf if high is None else high
    spread = far - near
    still = spread == 0
    nearer = ((far.clip(upper=least) - near).clip(lower=0) / spread.mask(still)).mask(still, (near < least) * 1.0)
    farther = ((far - near.clip(lower=most)).clip(lower=0) / spread.mask(still)).mask(still, (far > most) * 1.0)
    seen = pd.concat([typical, near, far], axis="columns")
    broken = ((seen < least) | (seen > most)).any(axis="columns")
    inside = pd.Series(~broken, dtype="boolean").mask(~broken & seen.isna().any(axis="columns"))
    return pd.DataFrame(
        {
            "run_id": rows["run_id"],
            "standoff_mm": typical,
            "spread_mm": spread,
            "nearer_pct": 100.0 * nearer,
            "farther_pct": 100.0 * farther,
            "outside_pct": 100.0 * (nearer + farther),
            "whole_inside": inside,
        }
    )


def pauses(runs: pd.DataFrame, maintenance: pd.DataFrame) -> pd.DataFrame:
    """Return how long the bell of each run had stood since the unit's run before, with paint on it.

    Parameters
    ----------
    runs : DataFrame
        run_id, unit_id, day (local, YYYY-MM-DD), started_at, ended_at.
    maintenance : DataFrame
        Maintenance notes: unit_id, part, action, done_at.

    Returns
    -------
    DataFrame
        One row a run, sorted by run_id: run_id, first_of_day (bool: the
        unit's first run of the day), pause_min `[min]` from the end of the
        unit's run before on that day. It is 0 where the bell was noted as
        cleaned or replaced in between, and where the runs overlap, and missing
        for the first run of a day.

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> at = pd.to_datetime(["2027-01-11T08:00Z", "2027-01-11T08:30Z", "2027-01-11T09:00Z", "2027-01-11T09:20Z"])
    >>> runs = pd.DataFrame({"run_id": ["R1", "R2"], "unit_id": "U1", "day": "2027-01-11",
    ...                      "started_at": at[::2], "ended_at": at[1::2]})
    >>> notes = pd.DataFrame({"unit_id": [], "part": [], "action": [], "done_at": at[:0]})
    >>> pauses(runs, notes)["pause_min"].tolist()
    [nan, 30.0]
    """
    require_columns(runs, ["run_id", "unit_id", "day", "started_at", "ended_at"], name="runs")
    require_columns(maintenance, ["unit_id", "part", "action", "done_at"], name="maintenance")
    rows = runs[["run_id", "unit_id", "day", "started_at", "ended_at"]]
    rows = rows.sort_values(["started_at", "run_id"], kind="stable", ignore_index=True)
    # the latest end so far, and not the end of the row before: a long run may outlast one that began after it
    ended = rows.groupby(["unit_id", "day"])["ended_at"]
    before = ended.cummax().groupby([rows["unit_id"], rows["day"]]).shift()
    minutes = ((rows["started_at"] - before).dt.total_seconds() / 60.0).clip(lower=0.0)
    cleaned = _last_cleaned(rows, maintenance)
    result = pd.DataFrame(
        {
            "run_id": rows["run_id"],
            "first_of_day": before.isna(),
            "pause_min": minutes.mask(before.notna() & (cleaned >= before), 0.0),
        }
    )
    return result.sort_values("run_id", ignore_index=True)


def _last_cleaned(rows: pd.DataFrame, maintenance: pd.DataFrame) -> pd.Series:
    """Return when the bell of each run's unit was last cleaned or replaced by its start, on the index of `rows`."""
    of_bell = (maintenance["part"] == "bell") & maintenance["action"].isin(_RESTORES)
    notes = maintenance.loc[of_bell, ["unit_id", "done_at"]]
    notes = notes.astype({"unit_id": rows["unit_id"].dtype, "done_at": rows["started_at"].dtype})
    joined = pd.merge_asof(
        rows[["unit_id", "started_at"]],
        notes.sort_values("done_at"),
        left_on="started_at",
        right_on="done_at",
        by="unit_id",
    )
    return joined["done_at"].set_axis(rows.index)


def bell_matches(bell_diameter_mm: pd.Series, feed_tube_for_mm: pd.Series) -> pd.Series:
    """Return whether the feed tube's position was set for the bell in use, missing where either is not recorded.

    Parameters
    ----------
    bell_diameter_mm : Series
        Bell of the run `[mm]`.
    feed_tube_for_mm : Series
        Diameter of the bell that the feed tube's position was set for `[mm]`.

    Examples
    --------
    >>> bell_matches(pd.Series([70.0, 50.0, 70.0]), pd.Series([69.85, 70.0, None])).tolist()
    [True, False, <NA>]
    """
    apart = (bell_diameter_mm.astype("float64") - feed_tube_for_mm.astype("float64")).abs()
    return pd.Series(apart <= BELL_TOLERANCE_MM, dtype="boolean", index=apart.index).mask(apart.isna())
