"""Separability: whether the records can tell two things apart that may act on the same outcome.

It looks at what varies with what, never at the outcome: two things that always
occur together share whatever is found of either.

References
----------
.. [1] Belsley, D. A., Kuh, E. and Welsch, R. E. (1980). Regression Diagnostics, section 3.3 (variance inflation).
.. [2] Fox, J. and Monette, G. (1992). Generalized collinearity diagnostics. Journal of the American Statistical
   Association 87, 178.
.. [3] Moulton, B. R. (1986). Random group effects and the precision of regression estimates. Journal of
   Econometrics 32, 385.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.coding import code_terms, design_matrix

__all__ = ["Separability", "exposure_design_effect", "residual_of", "separability"]

Floats = npt.NDArray[np.float64]

_NOTHING_LEFT = 1e-9
"""Share of its variation below which a column is held to follow from others: rounding leaves that much."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Separability:
    """How far two indicators vary apart.

    Parameters
    ----------
    n, excluded : int
        Records used, and records with a gap.
    both, one_only, other_only : int
        Records with both, and with the one alone.
    discordant_clusters : int
        Clusters that hold a record with one alone.
    correlation : float
        Partial correlation, given what is adjusted for `[-]`; NaN where one
        does not vary then.
    inflation : float
        How many times the variance of the effect of either grows when the
        other stands beside it in the model `[-]`: 1/(1 - correlation^2);
        infinite where they cannot be told apart at all.
    one_left, other_left : float
        Share of its variation that is left by what is adjusted for `[-]`.
    method : str
    """

    n: int
    excluded: int
    both: int
    one_only: int
    other_only: int
    discordant_clusters: int
    correlation: float
    inflation: float
    one_left: float
    other_left: float
    method: str


def separability(frame: pd.DataFrame, *, one: str, other: str, cluster: str, given: Sequence[str] = ()) -> Separability:
    """Return how far two indicators vary apart, given columns that are adjusted for.

    Parameters
    ----------
    frame : DataFrame
        One row a record; rows with a gap in a column named are left out.
    one, other : str
        Columns of False and True.
    cluster : str
        Column that names the cluster of each record.
    given : sequence of str
        Columns adjusted for, numbers as straight lines and labels by level.

    Returns
    -------
    Separability

    References
    ----------
    [1]_ of the module; for one column each it is the generalised factor of [2]_.

    Examples
    --------
    >>> frame = pd.DataFrame({"wet": [True, True, False, False], "cold": [True, True, False, True]})
    >>> frame["day"] = list("aabb")
    >>> found = separability(frame, one="wet", other="cold", cluster="day")
    >>> found.both, found.one_only, found.other_only, round(found.inflation, 3)
    (2, 0, 1, 1.5)
    """
    names = list(dict.fromkeys([one, other, cluster, *given]))
    kept = frame[names].dropna().reset_index(drop=True)
    first, second = kept[one].astype(bool), kept[other].astype(bool)
    apart = first != second
    rest, left = _residuals(kept, columns=[one, other], given=given)
    (rest_one, rest_other), (one_left, other_left) = rest.T, left
    correlation = inflation = float("nan")
    if one_left > 0 and other_left > 0:
        product = float(np.sqrt((rest_one**2).sum() * (rest_other**2).sum()))
        correlation = float(np.clip((rest_one * rest_other).sum() / product, -1.0, 1.0))
        alone = 1.0 - correlation**2
        inflation = 1.0 / alone if alone > _NOTHING_LEFT else float("inf")
    return Separability(
        n=len(kept),
        excluded=len(frame) - len(kept),
        both=int((first & second).sum()),
        one_only=int((first & ~second).sum()),
        other_only=int((~first & second).sum()),
        discordant_clusters=int(kept.loc[apart, cluster].nunique()),
        correlation=correlation,
        inflation=inflation,
        one_left=one_left,
        other_left=other_left,
        method=f"partial correlation given {', '.join(given) or 'nothing'}",
    )


def residual_of(frame: pd.DataFrame, *, column: str, given: Sequence[str] = ()) -> tuple[Floats, float]:
    """Return what other columns leave of a column (least squares), and the share of its variation that is [-].

    Parameters
    ----------
    frame : DataFrame
        Rows without a gap in the columns named.
    column : str
        Column of numbers, or of False and True.
    given : sequence of str
        Columns; one that does not vary, or repeats others, changes nothing.

    Returns
    -------
    residual : ndarray, shape (rows,)
    left : float
        1 less R squared; 0 where the column does not vary or follows from the others.

    Examples
    --------
    >>> frame = pd.DataFrame({"x": [0.0, 1.0, 2.0, 3.0], "crew": ["a", "a", "b", "b"]})
    >>> residual, left = residual_of(frame, column="x", given=["crew"])
    >>> residual.round(6).tolist(), round(left, 6)
    ([-0.5, 0.5, -0.5, 0.5], 0.2)
    """
    residual, left = _residuals(frame, columns=[column], given=[name for name in given if name != column])
    return residual[:, 0], left[0]


def exposure_design_effect(exposure: npt.ArrayLike, clusters: npt.ArrayLike, *, icc: float) -> float:
    """Return how many times clusters multiply the variance of the slope on an exposure [-].

    Parameters
    ----------
    exposure : array_like, shape (rows,)
        What is left of it after adjustment, so that it has the mean 0.
    clusters : array_like, shape (rows,)
    icc : float
        Intraclass correlation of what the slope does not explain `[-]`.

    Returns
    -------
    float
        Below 1 where the exposure varies within clusters only; 1 where it does not vary.

    Raises
    ------
    ValueError
        The correlation is not between 0 and 1.

    References
    ----------
    [3]_ of the module, for least squares with errors that are equally correlated within clusters.

    Examples
    --------
    >>> exposure_design_effect([1, 1, -1, -1], ["a", "a", "b", "b"], icc=0.1)  # as a trial with clusters of two
    1.1
    >>> exposure_design_effect([1, -1, 1, -1], ["a", "a", "b", "b"], icc=0.1)
    0.9
    """
    if not 0 <= icc <= 1:
        raise ValueError(f"a correlation within clusters lies between 0 and 1; given {icc}")
    x = np.asarray(exposure, dtype=np.float64)
    total = float((x**2).sum())
    if total == 0:
        return 1.0
    members = np.unique(np.asarray(clusters), return_inverse=True)[1]
    between = float((np.bincount(members, weights=x) ** 2).sum())
    return 1.0 + icc * (between / total - 1.0)


def _residuals(frame: pd.DataFrame, *, columns: Sequence[str], given: Sequence[str]) -> tuple[Floats, list[float]]:
    """Return what is left of each column, shape (rows, columns), and which share of its variation that is."""
    y = frame[list(columns)].to_numpy(dtype=np.float64)
    if not len(y):
        return y, [0.0] * len(columns)
    varying = [name for name in given if len(frame[name].unique()) > 1]
    x = design_matrix(frame, coding=code_terms(frame, terms=varying)).to_numpy(dtype=np.float64)
    x = x / np.maximum(np.sqrt((x**2).sum(axis=0)), 1e-300)
    residual = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    total, rest = ((y - y.mean(axis=0)) ** 2).sum(axis=0), (residual**2).sum(axis=0)
    varies = (total > 0) & (rest > _NOTHING_LEFT * total)
    left = np.where(varies, rest / np.where(total > 0, total, 1.0), 0.0)
    return np.asarray(np.where(varies, residual, 0.0), dtype=np.float64), [float(share) for share in left]
