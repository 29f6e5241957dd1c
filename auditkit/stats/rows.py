"""Rows: which rows of a frame a method may use, decided at the door."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["check_confidence", "complete_rows", "finite_values", "significant"]


def complete_rows(frame: pd.DataFrame, *, columns: Sequence[str], missing: str = "raise") -> tuple[pd.DataFrame, int]:
    """Return the named columns of the rows without a gap, and how many rows were left out.

    Parameters
    ----------
    frame : DataFrame
        Any frame; not changed.
    columns : sequence of str
        Columns that must be there.
    missing : {'raise', 'exclude'}
        What to do about a row with a missing value in one of them.

    Returns
    -------
    frame : DataFrame
        The named columns, in that order, fresh index.
    excluded : int
        Rows left out.

    Raises
    ------
    ValueError
        A column is not there, a value is missing under 'raise', or nothing is left.

    Examples
    --------
    >>> rows, excluded = complete_rows(pd.DataFrame({"y": [1.0, None]}), columns=["y"], missing="exclude")
    >>> len(rows), excluded
    (1, 1)
    """
    if missing not in ("raise", "exclude"):
        raise ValueError(f"missing must be 'raise' or 'exclude'; given {missing!r}")
    names = list(columns)
    if len(set(names)) != len(names):
        raise ValueError(f"each column must be named once; given {names}")
    absent = [name for name in names if name not in frame.columns]
    if absent:
        raise ValueError(f"the frame must have the columns {absent}; it has {list(frame.columns)}")
    kept = frame[names]
    gaps = kept.isna().any(axis=1)
    excluded = int(gaps.sum())
    if excluded and missing == "raise":
        where = frame.index[gaps].tolist()[:3]
        raise ValueError(
            f"no value may be missing in {names}; {excluded} of {len(frame)} rows have a gap, first at index {where}. "
            "Give missing='exclude' to leave them out and have them counted"
        )
    kept = kept.loc[~gaps].reset_index(drop=True)
    if kept.empty:
        raise ValueError(f"at least one complete row is needed in {names}; given none")
    return kept, excluded


def finite_values(values: object, *, at_least: int, what: str = "values") -> np.ndarray:
    """Return the values as a one-dimensional array of finite floats.

    Raises
    ------
    ValueError
        A value is missing or infinite, or there are fewer than `at_least`.

    Examples
    --------
    >>> finite_values([1, 2], at_least=2)
    array([1., 2.])
    """
    array = np.asarray(values, dtype=float)
    if array.ndim != 1:
        raise ValueError(f"{what} must be one row of numbers; given an array of shape {array.shape}")
    wrong = np.flatnonzero(~np.isfinite(array))
    if len(wrong):
        raise ValueError(
            f"{what} must be finite numbers; {len(wrong)} of {len(array)} are not, first at position {int(wrong[0])}. "
            "Leave them out before, and say how many"
        )
    if len(array) < at_least:
        raise ValueError(f"at least {at_least} {what} are needed; given {len(array)}")
    return array


def check_confidence(confidence: float) -> None:
    """Return nothing; refuse a confidence that is not strictly between 0 and 1.

    Raises
    ------
    ValueError
        The confidence is not a share between 0 and 1.

    Examples
    --------
    >>> check_confidence(95)
    Traceback (most recent call last):
    ...
    ValueError: confidence must lie strictly between 0 and 1; given 95
    """
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie strictly between 0 and 1; given {confidence}")


def significant(values: npt.ArrayLike, *, digits: int = 9) -> npt.NDArray[np.float64]:
    """Return numbers to so many significant digits, so that what differs in the last bit only is equal.

    Parameters
    ----------
    values : array_like, any shape
        A gap, an infinity, and what is beyond 1e200 or within 1e-200 of 0 stay what they are.
    digits : int

    Returns
    -------
    ndarray of float64, of the same shape

    Examples
    --------
    >>> significant([0.1 + 0.2, -123456.789]).tolist()
    [0.3, -123456.789]
    >>> significant([1234.5, np.nan, 0.0], digits=2).tolist()
    [1200.0, nan, 0.0]
    """
    given = np.asarray(values, dtype=np.float64)
    ordinary = (np.abs(given) > 1e-200) & (np.abs(given) < 1e200)
    power = np.zeros(given.shape)
    power[ordinary] = np.floor(np.log10(np.abs(given[ordinary])))
    places = digits - 1 - power
    # Powers of ten are exact up to 22 only upwards: divide where the last digit stands left of the point.
    up, down = 10.0 ** np.maximum(places, 0.0), 10.0 ** np.maximum(-places, 0.0)
    plain = np.where(ordinary, given, 0.0)
    rounded = np.where(places >= 0.0, np.rint(plain * up) / up, np.rint(plain / down) * down)
    return np.where(ordinary, rounded, given)
