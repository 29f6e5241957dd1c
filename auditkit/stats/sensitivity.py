"""Sensitivity: how strong something unrecorded would have to be to explain a finding, and whether one group makes it.

References
----------
.. [1] VanderWeele, T. J. and Ding, P. (2017). Sensitivity analysis in observational research: introducing the
   E-value. Annals of Internal Medicine 167, 268, with Table 2 for other measures than the risk ratio.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

__all__ = ["MEASURES", "EValue", "approximate_risk_ratio", "e_value", "leave_one_group_out"]

MEASURES = ("risk ratio", "odds ratio", "hazard ratio", "rate ratio")


@dataclass(frozen=True, slots=True, kw_only=True)
class EValue:
    """Least strength of an unrecorded cause that could explain a ratio.

    Parameters
    ----------
    estimate : float
        Risk ratio with which it would have to go with the exposure as well as
        with the outcome, to bring the estimate to 1 `[-]`.
    limit : float
        The same, to bring the limit nearer 1 to 1; 1 where the limits hold 1.
    method : str
    """

    estimate: float
    limit: float
    method: str


def e_value(
    ratio: float, *, low: float, high: float, measure: str = "risk ratio", common: bool | None = None
) -> EValue:
    """Return the E-value of a ratio and of its limit nearer 1.

    Parameters
    ----------
    ratio, low, high : float
        Estimate and limits `[-]`.
    measure : {'risk ratio', 'odds ratio', 'hazard ratio', 'rate ratio'}
    common : bool, optional
        Whether the outcome is common (above about 15 % at the end); must be
        said for an odds ratio and a hazard ratio.

    Returns
    -------
    EValue

    Raises
    ------
    ValueError
        The figures are not above 0 and in order, or it is not said whether the
        outcome is common where that matters.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> strength = e_value(3.9, low=1.8, high=8.7)
    >>> round(strength.estimate, 2), round(strength.limit, 2)
    (7.26, 3.0)
    """
    if not 0 < low <= ratio <= high:
        raise ValueError(f"0 < low <= ratio <= high must hold; given {low}, {ratio}, {high}")
    risk, near_low, near_high = (
        approximate_risk_ratio(value, measure=measure, common=common) for value in (ratio, low, high)
    )
    nearer = near_low if risk >= 1 else near_high
    crosses = near_low <= 1 <= near_high
    note = "" if measure in ("risk ratio", "rate ratio") else f", {'common' if common else 'rare'} outcome"
    return EValue(
        estimate=_strength(risk), limit=1.0 if crosses else _strength(nearer), method=f"E-value of a {measure}{note}"
    )


def approximate_risk_ratio(ratio: float, *, measure: str, common: bool | None = None) -> float:
    """Return about what risk ratio another ratio stands for [-].

    Parameters
    ----------
    ratio : float
    measure : {'risk ratio', 'odds ratio', 'hazard ratio', 'rate ratio'}
    common : bool, optional
        Whether the outcome is common; must be said for odds and hazard ratios.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        The measure is not known, the ratio not above 0, or `common` is not said.

    References
    ----------
    [1]_ Table 2.

    Examples
    --------
    >>> approximate_risk_ratio(4.0, measure="odds ratio", common=True)
    2.0
    """
    if measure not in MEASURES:
        raise ValueError(f"measure must be one of {list(MEASURES)}; given {measure!r}")
    if not ratio > 0:
        raise ValueError(f"a ratio must be above 0; given {ratio}")
    if measure in ("risk ratio", "rate ratio"):
        return float(ratio)
    if common is None:
        raise ValueError(f"say whether the outcome is common: a {measure} is read otherwise when it is")
    if not common:
        return float(ratio)
    if measure == "odds ratio":
        return math.sqrt(ratio)
    return float((1.0 - 0.5 ** math.sqrt(ratio)) / (1.0 - 0.5 ** math.sqrt(1.0 / ratio)))


def _strength(risk: float) -> float:
    above = max(risk, 1.0 / risk)
    return above + math.sqrt(above * (above - 1.0))  # [1] the formula


def leave_one_group_out(
    frame: pd.DataFrame, *, group: str, estimate: Callable[[pd.DataFrame], pd.DataFrame]
) -> pd.DataFrame:
    """Return estimates without each group in turn, most moved first.

    Parameters
    ----------
    frame : DataFrame
        Rows without a gap in `group`.
    group : str
        Column.
    estimate : callable
        From a frame to one row an estimate: estimate, low, high, with an index
        that names it. A ValueError, an absent row or NaN says that the rows
        do not carry it.

    Returns
    -------
    DataFrame
        One row an estimate and group, the estimates in their order on all
        rows, indexed as they are: group, n (rows of the group), estimate, low,
        high (without them), change (less the estimate on all rows), reverses
        (the sign is another). NaN where there is no estimate, those groups last.

    Raises
    ------
    ValueError
        There are fewer than two groups, a row has none, or all rows together do
        not carry the estimates.

    Examples
    --------
    >>> frame = pd.DataFrame({"crew": ["a", "a", "b", "c"], "y": [1.0, 1.0, 1.0, 9.0]})
    >>> def mean(rows):
    ...     return pd.DataFrame({"estimate": rows["y"].mean(), "low": np.nan, "high": np.nan}, index=["mean"])
    >>> table = leave_one_group_out(frame, group="crew", estimate=mean)
    >>> table["group"].tolist(), table["estimate"].tolist()
    (['a', 'c', 'b'], [5.0, 1.0, 3.6666666666666665])
    """
    if frame[group].isna().any():
        raise ValueError(f"every row must have a {group}; {int(frame[group].isna().sum())} have none")
    labels = sorted(frame[group].unique())
    if len(labels) < 2:
        raise ValueError(f"two groups or more are needed in {group}; given {labels}")
    whole = estimate(frame)["estimate"].astype("float64")
    parts = []
    for label in labels:
        own = frame[group] == label
        left = _or_nothing(estimate, frame.loc[~own], whole.index)
        change = left["estimate"] - whole
        left = left.assign(change=change, reverses=left["estimate"] * whole < 0)
        left.insert(0, "group", label)
        left.insert(1, "n", int(own.sum()))
        parts.append(left.assign(_place=np.arange(len(whole)), _far=-change.abs()))
    table = pd.concat(parts).sort_values(["_place", "_far"], kind="stable")
    return table.drop(columns=["_place", "_far"])


def _or_nothing(estimate: Callable[[pd.DataFrame], pd.DataFrame], rows: pd.DataFrame, index: pd.Index) -> pd.DataFrame:
    try:
        found = estimate(rows)
    except ValueError:
        found = pd.DataFrame(columns=["estimate", "low", "high"], index=index[:0])
    return found.reindex(index)[["estimate", "low", "high"]].astype("float64")
