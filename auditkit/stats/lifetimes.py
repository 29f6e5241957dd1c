"""Lifetimes: what records say of how long each item lasted, exactly or only between two looks.

One row is one life, from new (age 0) to its failure. It is given by two ages:
`last_good`, when it was last known to work, and `first_bad`, when it was first
known to have failed. Equal ages are a failure seen as it happened; an infinite
`first_bad` is an item never seen failed (right-censored); a `last_good` of 0
is one already failed at the first look (left-censored).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.rows import complete_rows

__all__ = ["CANNOT_TELL", "ESTIMATED", "Lives", "read_lives", "why_no_estimate"]

ESTIMATED = "estimated"
CANNOT_TELL = "cannot tell"

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Lives:
    """Lives as two rows of ages of equal length.

    Attributes
    ----------
    last_good, first_bad : ndarray
        Ages, first_bad infinite where no failure was seen.
    excluded : int
        Rows left out for a missing age.
    """

    last_good: Floats
    first_bad: Floats
    excluded: int

    @property
    def n(self) -> int:
        """Number of lives."""
        return len(self.last_good)

    @property
    def exact(self) -> npt.NDArray[np.bool_]:
        """Which lives ended at a known age."""
        return np.equal(self.last_good, self.first_bad)

    @property
    def failed(self) -> npt.NDArray[np.bool_]:
        """Which lives are known to have ended."""
        return np.isfinite(self.first_bad)

    @property
    def failures(self) -> int:
        """Number of lives known to have ended."""
        return int(self.failed.sum())


def read_lives(
    frame: pd.DataFrame, *, last_good: str = "last_good", first_bad: str = "first_bad", missing: str = "raise"
) -> Lives:
    """Return the lives of a frame, checked.

    Parameters
    ----------
    frame : DataFrame
        One row a life; not changed.
    last_good, first_bad : str
        Columns of the ages, in one unit of time.
    missing : {'raise', 'exclude'}
        What to do about a missing age. An item never seen failed has an
        infinite first_bad, not a missing one.

    Raises
    ------
    ValueError
        An age is missing under 'raise', below 0, or first_bad lies before
        last_good; a life has no length.

    Examples
    --------
    >>> frame = pd.DataFrame({"last_good": [10.0, 20.0, 30.0], "first_bad": [12.0, 20.0, np.inf]})
    >>> lives = read_lives(frame)
    >>> lives.failures, lives.exact.tolist()
    (2, [False, True, False])
    """
    rows, excluded = complete_rows(frame, columns=[last_good, first_bad], missing=missing)
    good, bad = rows[last_good].to_numpy(dtype=float), rows[first_bad].to_numpy(dtype=float)
    wrong = ~(np.isfinite(good) & (good >= 0) & (bad >= good) & (bad > 0))
    if wrong.any():
        i = int(np.flatnonzero(wrong)[0])
        raise ValueError(
            f"a life needs 0 <= {last_good} <= {first_bad}, {last_good} finite and {first_bad} above 0; "
            f"{int(wrong.sum())} of {len(good)} rows do not, first {last_good} {good[i]:g}, {first_bad} {bad[i]:g}. "
            f"Correct the ages; an item never seen failed has {first_bad} infinite"
        )
    return Lives(last_good=good, first_bad=bad, excluded=excluded)


def why_no_estimate(lives: Lives) -> str:
    """Return why no life can be estimated from these, or nothing where one can.

    A life model has no best fit where one single age would explain every row:
    the fit would shrink to that age and claim no spread at all.

    Examples
    --------
    >>> why_no_estimate(read_lives(pd.DataFrame({"last_good": [5.0, 9.0], "first_bad": [np.inf, np.inf]})))
    'no failure among 2 items, the oldest last seen good at age 9: how long they last cannot be told'
    """
    if lives.failures == 0:
        oldest = float(lives.last_good.max())
        return (
            f"no failure among {lives.n} items, the oldest last seen good at age {oldest:g}: "
            "how long they last cannot be told"
        )
    if float(lives.last_good.max()) <= float(lives.first_bad.min()):
        return (
            f"{lives.failures} of {lives.n} items failed, and one single age (from {lives.last_good.max():g} to "
            f"{lives.first_bad.min():g}) would explain every row: the spread of lives cannot be told"
        )
    return ""
