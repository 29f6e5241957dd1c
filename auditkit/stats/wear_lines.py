"""Wear lines: how fast a measured wear grows, and when it reaches a limit.

References
----------
[1] N. R. Draper and H. Smith (1998), Applied Regression Analysis, 3rd ed.,
    Wiley, 1.4 (least squares), 3.2 (inverse estimation, Fieller's limits).
[2] G. A. Whitmore (1995), Lifetime Data Analysis 1:307-319: wear that grows
    by independent steps, of mean and variance in proportion to their length.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from auditkit.stats.intervals import Interval
from auditkit.stats.lifetimes import CANNOT_TELL, ESTIMATED
from auditkit.stats.rows import check_confidence, complete_rows

__all__ = ["TimeToLimit", "WearLine", "item_to_limit", "step_line", "time_to_limit", "wear_line"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WearLine:
    """A straight line of wear against age.

    Attributes
    ----------
    rate : Interval
        Wear per unit of age.
    start : float
        Wear at age 0; 0 where the line is held there.
    residual_sd : float
        Spread of a measured wear about the line.
    covariance : tuple of tuple of float
        Of (start, rate).
    df, n, excluded : int
    confidence : float
    method : str
    """

    rate: Interval
    start: float
    residual_sd: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    df: int
    n: int
    excluded: int
    confidence: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TimeToLimit:
    """The age at which mean wear reaches a limit.

    Attributes
    ----------
    verdict, reason : str
        'estimated', or 'cannot tell' and why.
    age : Interval or None
    limit : float
    """

    verdict: str
    reason: str
    age: Interval | None
    limit: float


def wear_line(
    frame: pd.DataFrame,
    *,
    age: str = "age",
    wear: str = "wear",
    through: str = "origin",
    confidence: float = 0.95,
    missing: str = "raise",
) -> WearLine:
    """Return the line of wear against age by least squares.

    Parameters
    ----------
    frame : DataFrame
        One row a measured wear.
    age, wear : str
        Columns.
    through : {'origin', 'free'}
        Whether wear is 0 at age 0, or a starting wear is estimated too.
    confidence : float
    missing : {'raise', 'exclude'}

    Raises
    ------
    ValueError
        Fewer rows than the line needs and one more, or no spread of ages.

    Notes
    -----
    Rows are taken as independent: of one item measured again and again, the
    limits are too narrow.

    References
    ----------
    [1]_ 1.4 of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"age": [10.0, 20.0, 30.0], "wear": [5.0, 11.0, 15.0]})
    >>> line = wear_line(frame)
    >>> round(line.rate.estimate, 4), round(line.rate.low, 4)
    (0.5143, 0.4456)
    """
    from scipy.stats import t as t_distribution

    check_confidence(confidence)
    if through not in ("origin", "free"):
        raise ValueError(f"through must be 'origin' or 'free'; given {through!r}")
    rows, excluded = complete_rows(frame, columns=[age, wear], missing=missing)
    x, y = rows[age].to_numpy(dtype=float), rows[wear].to_numpy(dtype=float)
    terms = 1 if through == "origin" else 2
    if len(x) <= terms or (np.ptp(x) == 0 if terms == 2 else not x.any()):
        raise ValueError(
            f"a line through {through} needs {terms + 1} rows or more"
            f"{' at two ages or more' if terms == 2 else ', not all at age 0'}; given {len(x)} at ages "
            f"{np.unique(x)[:3].tolist()}"
        )
    design = x[:, None] if terms == 1 else np.column_stack([np.ones(len(x)), x])
    fitted, *_ = np.linalg.lstsq(design, y, rcond=None)
    df = len(x) - terms
    variance = float(((y - design @ fitted) ** 2).sum()) / df
    covariance = np.zeros((2, 2))
    covariance[2 - terms :, 2 - terms :] = variance * np.linalg.inv(design.T @ design)
    width = float(t_distribution.isf((1.0 - confidence) / 2.0, df)) * math.sqrt(covariance[1, 1])
    rate = float(fitted[-1])
    method = f"least squares through {'the origin' if terms == 1 else 'a free start'}, t limits"
    return WearLine(
        rate=Interval(
            estimate=rate, low=rate - width, high=rate + width, n=len(x), confidence=confidence, method=method
        ),
        start=float(fitted[0]) if terms == 2 else 0.0,
        residual_sd=math.sqrt(variance),
        covariance=(
            (float(covariance[0, 0]), float(covariance[0, 1])),
            (float(covariance[1, 0]), float(covariance[1, 1])),
        ),
        df=df,
        n=len(x),
        excluded=excluded,
        confidence=confidence,
        method=method,
    )


def time_to_limit(line: WearLine, *, limit: float) -> TimeToLimit:
    """Return the age at which the line reaches a limit, with Fieller's limits.

    The interval is for the line, that is for mean wear; a single item lies
    about it by `residual_sd`.

    Raises
    ------
    ValueError
        The limit is not above the wear at age 0.

    References
    ----------
    [1]_ 3.2 of the module: all ages t for which
    (limit - a - b t)^2 <= t_df^2 * var(a + b t).

    Examples
    --------
    >>> line = wear_line(pd.DataFrame({"age": [10.0, 20.0, 30.0], "wear": [5.0, 11.0, 15.0]}))
    >>> result = time_to_limit(line, limit=50.0)
    >>> round(result.age.estimate, 1), round(result.age.low, 1), round(result.age.high, 1)
    (97.2, 85.8, 112.2)
    """
    from scipy.stats import t as t_distribution

    if not limit > line.start:
        raise ValueError(f"limit must lie above the wear at age 0, {line.start:g}; given {limit:g}")
    if line.rate.low <= 0:
        return TimeToLimit(
            verdict=CANNOT_TELL,
            reason=f"the rate of wear ({line.rate.low:.3g} to {line.rate.high:.3g}) is not told from none",
            age=None,
            limit=float(limit),
        )
    (start_var, both), (_, rate_var) = line.covariance
    t2 = float(t_distribution.isf((1.0 - line.confidence) / 2.0, line.df)) ** 2
    rise, rate = limit - line.start, line.rate.estimate
    # a t^2 - 2 b t + c <= 0, from the inequality above
    a, b, c = rate**2 - t2 * rate_var, rise * rate + t2 * both, rise**2 - t2 * start_var
    root = math.sqrt(max(b**2 - a * c, 0.0))
    return TimeToLimit(
        verdict=ESTIMATED,
        reason="",
        age=Interval(
            estimate=rise / rate,
            low=max((b - root) / a, 0.0),
            high=(b + root) / a,
            n=line.n,
            confidence=line.confidence,
            method="Fieller",
        ),
        limit=float(limit),
    )


def step_line(
    frame: pd.DataFrame,
    *,
    length: str = "length",
    growth: str = "growth",
    confidence: float = 0.95,
    missing: str = "raise",
) -> WearLine:
    """Return the rate of wear from its growth between successive looks at one item or several.

    Unlike wears of one item at several ages, its growths from look to look are
    independent; each counts by the inverse of its variance, which is in
    proportion to its length. The rate is all growth over all length.

    Parameters
    ----------
    frame : DataFrame
        One row a step from one look to the next.
    length, growth : str
        Columns: age gone by (above 0), and wear gained.
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    WearLine
        residual_sd is of the growth over a step of length 1.

    Raises
    ------
    ValueError
        Fewer than two steps, or one without length.

    References
    ----------
    [1]_ 1.4, [2]_ of the module.

    Examples
    --------
    >>> line = step_line(pd.DataFrame({"length": [4.0, 1.0, 4.0], "growth": [10.0, 4.0, 13.0]}))
    >>> round(line.rate.estimate, 3), round(line.residual_sd, 3)
    (3.0, 1.061)
    """
    rows, excluded = complete_rows(frame, columns=[length, growth], missing=missing)
    if not (rows[length] > 0).all():
        raise ValueError(f"{length} must be above 0 in every step; given {rows[length].min():g}. Leave such steps out")
    root = np.sqrt(rows[length].to_numpy(dtype=float))
    scaled = pd.DataFrame({"age": root, "wear": rows[growth].to_numpy(dtype=float) / root})
    line = wear_line(scaled, confidence=confidence)
    method = "all growth over all length, variance in proportion to length, t limits"
    return replace(line, excluded=excluded, method=method, rate=replace(line.rate, method=method))


def item_to_limit(line: WearLine, *, limit: float) -> TimeToLimit:
    """Return the further age at which one item that wears by steps reaches a limit, with limits for that item.

    Parameters
    ----------
    line : WearLine
        Of `step_line`.
    limit : float
        Wear still to come, above 0.

    Raises
    ------
    ValueError
        The limit is not above 0.

    References
    ----------
    [1]_ 3.2 of the module with the variance of [2]_: all t for which
    (limit - b t)^2 <= t_df^2 * (t^2 var(b) + t sd^2).

    Examples
    --------
    >>> line = step_line(pd.DataFrame({"length": [4.0, 1.0, 4.0], "growth": [10.0, 4.0, 13.0]}))
    >>> result = item_to_limit(line, limit=30.0)
    >>> round(result.age.estimate, 1), round(result.age.low, 1), round(result.age.high, 1)
    (10.0, 5.5, 24.6)
    """
    from scipy.stats import t as t_distribution

    mean = time_to_limit(line, limit=limit)
    if mean.age is None:
        return mean
    t2 = float(t_distribution.isf((1.0 - line.confidence) / 2.0, line.df)) ** 2
    rate = line.rate.estimate
    # a t^2 - 2 b t + c <= 0, from the inequality above
    a = rate**2 - t2 * line.covariance[1][1]
    b, c = limit * rate + t2 * line.residual_sd**2 / 2.0, limit**2
    root = math.sqrt(max(b**2 - a * c, 0.0))
    age = replace(mean.age, low=(b - root) / a, high=(b + root) / a, method="Fieller, with the item's own spread")
    return replace(mean, age=age)
