"""Many tests at once: which of them stand when the share of false ones is to be held down."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["benjamini_hochberg"]


def benjamini_hochberg(p: npt.ArrayLike) -> npt.NDArray[np.float64]:
    """Return the q-value of each p-value: the least false discovery rate at which it stands [-].

    Parameters
    ----------
    p : array_like
        p-values, in any order. NaN is a test that was not made: it stays NaN
        and does not count among the tests.

    Raises
    ------
    ValueError
        A value is not between 0 and 1, or the values are not one row.

    References
    ----------
    Benjamini, Y. and Hochberg, Y. (1995). Controlling the false discovery
    rate. Journal of the Royal Statistical Society B 57, 289. The rate is held
    for independent or positively dependent tests.

    Examples
    --------
    >>> benjamini_hochberg([0.01, 0.04, np.nan, 0.03])
    array([0.03, 0.04,  nan, 0.04])
    """
    values = np.asarray(p, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"p must be one row of numbers; given an array of shape {values.shape}")
    made = ~np.isnan(values)
    tested = values[made]
    wrong = tested[(tested < 0) | (tested > 1)]
    if wrong.size:
        raise ValueError(f"a p-value must lie between 0 and 1; given {wrong[0]}")
    order = np.argsort(tested, kind="stable")
    m = len(tested)
    steps = tested[order] * m / np.arange(1, m + 1)
    q_sorted = np.minimum(1.0, np.minimum.accumulate(steps[::-1])[::-1])
    q_tested = np.empty(m)
    q_tested[order] = q_sorted
    q = np.full(values.shape, np.nan)
    q[made] = q_tested
    return q
