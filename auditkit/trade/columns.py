"""Columns a frame must have before the trade's arithmetic can use it."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

__all__ = ["require_columns"]


def require_columns(frame: pd.DataFrame, columns: Iterable[str], *, name: str) -> None:
    """Return nothing; refuse a frame that lacks a column.

    Parameters
    ----------
    frame : DataFrame
        Any frame; not changed.
    columns : iterable of str
        Columns that must be there.
    name : str
        What the frame holds, for the message.

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> require_columns(pd.DataFrame({"area_id": []}), ["area_id", "side"], name="readings")
    Traceback (most recent call last):
    ...
    ValueError: readings must have the columns ['side'], which are not there; it has ['area_id']
    """
    absent = [column for column in columns if column not in frame.columns]
    if absent:
        raise ValueError(f"{name} must have the columns {absent}, which are not there; it has {list(frame.columns)}")
