"""Standing records: what was measured on the film that is on the metal now, not on one since sprayed over."""

from __future__ import annotations

import pandas as pd

__all__ = ["is_superseded"]


def is_superseded(records: pd.DataFrame, runs: pd.DataFrame, *, time: str) -> pd.Series:
    """Return which records of an area were made before its last spray run ended.

    Such a record is of a film that has since been sprayed over. A record
    without a time, or of an area without runs, is taken to stand.

    Parameters
    ----------
    records : DataFrame
        area_id and the column named by `time`.
    runs : DataFrame
        area_id, ended_at.
    time : str
        Column of `records` that says when it was made.

    Returns
    -------
    Series of bool
        On the index of `records`.

    Examples
    --------
    >>> import pandas as pd
    >>> at = pd.to_datetime(["2027-01-11T08:00Z", "2027-01-13T08:00Z"])
    >>> records = pd.DataFrame({"area_id": ["A1", "A1"], "taken_at": at})
    >>> runs = pd.DataFrame({"area_id": ["A1"], "ended_at": pd.to_datetime(["2027-01-12T08:00Z"])})
    >>> is_superseded(records, runs, time="taken_at").tolist()
    [True, False]
    """
    last = runs.groupby("area_id", as_index=False)["ended_at"].max()
    ended = records[["area_id"]].merge(last, on="area_id", how="left")["ended_at"].set_axis(records.index)
    return records[time] < ended
