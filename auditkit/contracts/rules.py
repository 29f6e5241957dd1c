"""Row rules: what must hold between the columns of one row.

Each rule takes a frame and returns a boolean Series, True where the rule holds.
A blank cell breaks no rule that compares; `together` and `any_of` are about
blanks themselves.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, pairwise

import pandas as pd

from auditkit.contracts.contract import RowRule

__all__ = ["after", "any_of", "at_most_by", "holds", "ordered", "together"]


def ordered(frame: pd.DataFrame, columns: Sequence[str]) -> pd.Series[bool]:
    """Return where the values given do not fall from left to right.

    Blank cells are passed over, so the neighbours of a blank are still compared.

    Examples
    --------
    >>> ordered(pd.DataFrame({"low": [60.0, 60.0], "mid": [80.0, None], "high": [None, 50.0]}), ["low", "mid", "high"])
    0     True
    1    False
    dtype: bool
    """
    held = _all_true(frame)
    for left, right in combinations(columns, 2):
        held &= (frame[left] <= frame[right]).fillna(False).astype(bool) | _any_blank(frame, [left, right])
    return held


def after(frame: pd.DataFrame, columns: Sequence[str]) -> pd.Series[bool]:
    """Return where each moment given is later than the one before it.

    Examples
    --------
    >>> times = pd.to_datetime(["2027-01-11T08:40Z", "2027-01-11T08:52Z"])
    >>> after(pd.DataFrame({"start": times, "end": times[::-1]}), ["start", "end"]).tolist()
    [True, False]
    """
    held = _all_true(frame)
    for left, right in pairwise(columns):
        held &= (frame[left] < frame[right]).fillna(False).astype(bool) | _any_blank(frame, [left, right])
    return held


def together(frame: pd.DataFrame, columns: Sequence[str]) -> pd.Series[bool]:
    """Return where all of the columns are given, or none.

    Examples
    --------
    >>> together(pd.DataFrame({"cup": ["zahn-2", None], "cup_s": [28.0, 30.0]}), ["cup", "cup_s"]).tolist()
    [True, False]
    """
    given = frame[list(columns)].notna()
    return given.all(axis=1) | ~given.any(axis=1)


def any_of(frame: pd.DataFrame, columns: Sequence[str]) -> pd.Series[bool]:
    """Return where at least one of the columns is given.

    Examples
    --------
    >>> any_of(pd.DataFrame({"run_id": ["R1", None], "area_id": [None, None]}), ["run_id", "area_id"]).tolist()
    [True, False]
    """
    return frame[list(columns)].notna().any(axis=1)


def at_most_by(frame: pd.DataFrame, columns: Sequence[str], *, limits: dict[str, float]) -> pd.Series[bool]:
    """Return where the number does not exceed the limit of the word beside it.

    Examples
    --------
    >>> ratings = pd.DataFrame({"rating": [5.0, 7.0, 7.0], "scale": ["five-best", "five-best", "percent"]})
    >>> at_most_by(ratings, ["rating", "scale"], limits={"five-best": 5, "percent": 100}).tolist()
    [True, False, True]
    """
    number, word = columns
    limit = frame[word].astype(object).map(limits).astype("float64")
    return (frame[number] <= limit).fillna(False).astype(bool) | _any_blank(frame, [number, word])


def holds(frame: pd.DataFrame, rule: RowRule) -> pd.Series[bool]:
    """Return where a contract's row rule holds.

    Examples
    --------
    >>> rule = RowRule(rule="any_of", columns=("a", "b"), holds="one must be given", cure="give one")
    >>> holds(pd.DataFrame({"a": [None, 1.0], "b": [None, None]}), rule).tolist()
    [False, True]
    """
    if rule.rule == "at_most_by":
        return at_most_by(frame, rule.columns, limits=dict(rule.limits))
    plain = {"ordered": ordered, "after": after, "together": together, "any_of": any_of}
    return plain[rule.rule](frame, rule.columns)


def _all_true(frame: pd.DataFrame) -> pd.Series[bool]:
    return pd.Series(True, index=frame.index)


def _any_blank(frame: pd.DataFrame, columns: Sequence[str]) -> pd.Series[bool]:
    return frame[list(columns)].isna().any(axis=1)
