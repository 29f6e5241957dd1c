"""The exact conditional test of one exposure against one outcome within strata.

References
----------
.. [1] Birch, M. W. (1964). The detection of partial association, I: the 2 x 2 case. Journal of the Royal Statistical
   Society B 26, 313.
.. [2] Agresti, A. (2002). Categorical Data Analysis, 2nd ed., 6.7.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

__all__ = ["ExactTest", "exact_conditional_test"]

_CELLS = ["exposed_with", "exposed_without", "unexposed_with", "unexposed_without"]
_TIE = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class ExactTest:
    """An exact test given every stratum's margins.

    Parameters
    ----------
    p_value : float
        Two-sided: the probability of all outcomes no more likely than the one seen `[-]`.
    least_p_value : float
        The smallest p-value that any outcome with these margins could have given `[-]`.
    n, strata_used : int
        Rows and strata that can inform the test.
    method : str
        How it was computed.
    """

    p_value: float
    least_p_value: float
    n: int
    strata_used: int
    method: str


def exact_conditional_test(strata: pd.DataFrame) -> ExactTest | None:
    """Return the exact test of no association within strata, or None where no stratum can inform it.

    Parameters
    ----------
    strata : DataFrame
        One row a stratum: exposed_with, exposed_without, unexposed_with,
        unexposed_without `[-]`.

    Raises
    ------
    ValueError
        A column is not there, or a count is negative.

    Examples
    --------
    Agresti's rabbits; R's documentation of `mantelhaen.test` prints p = 0.03994 (from memory):

    >>> cells = [(0, 6, 0, 5), (3, 3, 0, 6), (6, 0, 2, 4), (5, 1, 6, 0), (2, 0, 5, 0)]
    >>> test = exact_conditional_test(pd.DataFrame(cells, columns=_CELLS))
    >>> round(test.p_value, 5), test.strata_used
    (0.03994, 3)
    """
    missing = [cell for cell in _CELLS if cell not in strata.columns]
    if missing:
        raise ValueError(f"strata must have the columns {', '.join(_CELLS)}; missing {', '.join(missing)}")
    counts = strata[_CELLS].to_numpy(dtype=np.int64)
    if (counts < 0).any():
        raise ValueError(f"counts must be 0 or more; the least given is {counts.min()}")
    informative = np.array([_informs(*row) for row in counts.tolist()], dtype=bool)
    if not informative.any():
        return None
    return _test(counts[informative])


def _informs(a: int, b: int, c: int, d: int) -> bool:
    return min(a + b, c + d, a + c, b + d) > 0


def _test(counts: np.ndarray[tuple[int, int], np.dtype[np.int64]]) -> ExactTest:
    from scipy.stats import hypergeom

    pmf, least = np.ones(1), 0  # of the number exposed with the outcome, summed over strata [1]
    for a, b, c, d in counts.tolist():
        low, high = max(0, a + c - (c + d)), min(a + b, a + c)
        pmf = np.convolve(pmf, hypergeom.pmf(np.arange(low, high + 1), a + b + c + d, a + c, a + b))
        least += low
    seen = pmf[int(counts[:, 0].sum()) - least]
    return ExactTest(
        p_value=min(1.0, float(pmf[pmf <= seen * (1 + _TIE)].sum())),
        least_p_value=float(pmf[pmf <= pmf.min() * (1 + _TIE)].sum()),
        n=int(counts.sum()),
        strata_used=len(counts),
        method="exact conditional test, two-sided by probability",
    )
