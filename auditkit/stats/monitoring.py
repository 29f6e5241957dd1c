"""Monitoring: control charts of values, of samples, of counts and of fractions.

Every chart is a frame with one row per point: its value, the centre line, the
limits and whether the point lies beyond them. Limits come from the first
`baseline` points, or from all.

References
----------
[1] NIST/SEMATECH e-Handbook of Statistical Methods, sections 6.3.2 and 6.3.3.
[2] D. J. Wheeler (1995), Advanced Topics in Statistical Process Control,
    chapter 10 (charts with a spread between and within samples).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.chart_constants import chart_constants
from auditkit.stats.rows import complete_rows, finite_values
from auditkit.stats.variance import nested_components

__all__ = ["counts_chart", "fractions_chart", "individuals_chart", "subgroup_charts"]

Floats = npt.NDArray[np.float64]

COLUMNS = ["chart", "point", "value", "centre", "low", "high", "signal"]


def individuals_chart(values: object, *, baseline: int | None = None) -> pd.DataFrame:
    """Return the charts of single values and of their moving ranges.

    Parameters
    ----------
    values : sequence of float
        In the order they were taken, two or more.
    baseline : int, optional
        Points that set the limits, from the first on; left out, all of them.

    Returns
    -------
    DataFrame
        chart ('individual', then 'moving range'), point (1, 2, ...; a moving
        range carries the number of the later value), value, centre, low, high,
        signal.

    Raises
    ------
    ValueError
        A value is not finite, or there are fewer than two.

    Notes
    -----
    Centre plus and minus 3 mean moving ranges over d2. The limits assume that
    neighbours are independent; drift inflates the spread and correlated
    neighbours make it too small.

    References
    ----------
    [1]_ 6.3.2.2.

    Examples
    --------
    >>> chart = individuals_chart([10.0, 12.0, 11.0, 13.0])
    >>> chart.loc[0, ["centre", "low", "high"]].astype(float).round(3).tolist()
    [11.5, 7.069, 15.931]
    """
    data = finite_values(values, at_least=2)
    moving = np.abs(np.diff(data))
    first = _baseline(baseline, len(data), least=2)
    mean_range = float(moving[: first - 1].mean())
    constants = chart_constants(2)
    centre = float(data[:first].mean())
    reach = 3.0 * mean_range / constants.d2  # [1]: the page rounds d2 to 1.128
    return _stack(
        _chart("individual", np.arange(1, len(data) + 1), data, centre=centre, low=centre - reach, high=centre + reach),
        _chart(
            "moving range",
            np.arange(2, len(data) + 1),
            moving,
            centre=mean_range,
            low=0.0,
            high=constants.d_4 * mean_range,
        ),
    )


def subgroup_charts(
    frame: pd.DataFrame,
    *,
    response: str,
    subgroup: str,
    spread: str = "sd",
    limits: str = "within",
    baseline: int | None = None,
    missing: str = "raise",
) -> pd.DataFrame:
    """Return the charts of subgroup means and of the spread inside subgroups.

    Parameters
    ----------
    frame : DataFrame
        One row per observation.
    response : str
        Column of the numbers.
    subgroup : str
        Column whose sorted values give the order of the points. Every
        subgroup holds equally many, two or more.
    spread : {'sd', 'range'}
        What tells the spread inside a subgroup.
    limits : {'within', 'between+within'}
        Whether means may differ by chance only as far as the spread inside
        subgroups allows, or also by the ordinary spread between subgroups.
        Where subgroups are places or parts rather than moments of one stream,
        'within' signals almost everything.
    baseline : int, optional
        Subgroups that set the limits, from the first on.
    missing : {'raise', 'exclude'}

    Returns
    -------
    DataFrame
        chart ('mean', then 'sd' or 'range'), point (the subgroup), value,
        centre, low, high, signal.

    Raises
    ------
    ValueError
        Subgroups differ in size, or an option is unknown.

    References
    ----------
    [1]_ 6.3.2.1; [2]_ for limits with the spread between subgroups.

    Examples
    --------
    >>> frame = pd.DataFrame({"g": [1, 1, 2, 2, 3, 3], "y": [9.0, 11.0, 10.0, 12.0, 8.0, 10.0]})
    >>> chart = subgroup_charts(frame, response="y", subgroup="g", spread="range")
    >>> chart.loc[0, ["centre", "low", "high"]].astype(float).round(2).tolist()
    [10.0, 6.24, 13.76]
    """
    if spread not in ("sd", "range"):
        raise ValueError(f"spread must be 'sd' or 'range'; given {spread!r}")
    if limits not in ("within", "between+within"):
        raise ValueError(f"limits must be 'within' or 'between+within'; given {limits!r}")
    rows, _ = complete_rows(frame, columns=[subgroup, response], missing=missing)
    groups = rows.groupby(subgroup, sort=True)[response]
    sizes = groups.size()
    if int(sizes.min()) != int(sizes.max()) or int(sizes.min()) < 2:
        raise ValueError(
            f"every subgroup must hold equally many observations, two or more; given {sizes.min()} to {sizes.max()}"
        )
    n, constants = int(sizes.iloc[0]), chart_constants(int(sizes.iloc[0]))
    means = groups.mean()
    inside = groups.std(ddof=1) if spread == "sd" else groups.max() - groups.min()
    first = _baseline(baseline, len(means), least=2)
    centre, mean_inside = float(means.iloc[:first].mean()), float(inside.iloc[:first].mean())
    if limits == "within":
        reach = (constants.a3 if spread == "sd" else constants.a2) * mean_inside
    else:
        used = rows.loc[rows[subgroup].isin(means.index[:first])]
        between, within = nested_components(used, response=response, nesting=[subgroup]).components["variance"]
        reach = 3.0 * math.sqrt(between + within / n)
    low, high = (constants.b3, constants.b4) if spread == "sd" else (constants.d_3, constants.d_4)
    points = means.index.to_numpy()
    return _stack(
        _chart("mean", points, np.asarray(means, dtype=float), centre=centre, low=centre - reach, high=centre + reach),
        _chart(
            spread,
            points,
            np.asarray(inside, dtype=float),
            centre=mean_inside,
            low=low * mean_inside,
            high=high * mean_inside,
        ),
    )


def counts_chart(counts: object, *, size: object | None = None, baseline: int | None = None) -> pd.DataFrame:
    """Return the chart of counts, or of counts per unit where sizes are given.

    Parameters
    ----------
    counts : sequence of int
        Events found, in order.
    size : sequence of float, optional
        How much was looked at each time, in units; left out, each time the same.
    baseline : int, optional
        Points that set the centre, from the first on.

    Returns
    -------
    DataFrame
        chart ('count' or 'count per unit'), point, value, centre, low, high, signal.

    Raises
    ------
    ValueError
        A count is not a whole number from 0 on, or a size not above 0.

    Notes
    -----
    Limits are those of Poisson counts by three standard deviations. Events
    that come in clusters spread more, and signal more often than they should.

    References
    ----------
    [1]_ 6.3.3.1.

    Examples
    --------
    >>> counts_chart([4, 5, 3, 4, 14])[["value", "high", "signal"]].round(2).values.tolist()[-1]
    [14.0, 13.35, True]
    """
    data = _whole(counts)
    exposure = np.ones(len(data)) if size is None else _positive(size, len(data))
    first = _baseline(baseline, len(data), least=1)
    centre = float(data[:first].sum() / exposure[:first].sum())
    reach = 3.0 * np.sqrt(centre / exposure)
    name = "count" if size is None else "count per unit"
    return _stack(
        _chart(
            name,
            np.arange(1, len(data) + 1),
            data / exposure,
            centre=centre,
            low=np.maximum(centre - reach, 0.0),
            high=centre + reach,
        )
    )


def fractions_chart(found: object, *, size: object, baseline: int | None = None) -> pd.DataFrame:
    """Return the chart of the fraction found in each sample.

    Parameters
    ----------
    found : sequence of int
        Items with the mark, in order.
    size : sequence of int
        Items looked at.
    baseline : int, optional
        Samples that set the centre, from the first on.

    Returns
    -------
    DataFrame
        chart ('fraction'), point, value, centre, low, high, signal.

    Raises
    ------
    ValueError
        Figures are not whole numbers, or more were found than looked at.

    References
    ----------
    [1]_ 6.3.3.2.

    Examples
    --------
    >>> fractions_chart([5, 4, 20], size=[50, 50, 50])["signal"].tolist()
    [False, False, True]
    """
    data = _whole(found)
    looked = _positive(size, len(data))
    if (data > looked).any() or (looked % 1).any():
        raise ValueError("no more items may be found than were looked at, and sizes must be whole numbers")
    first = _baseline(baseline, len(data), least=1)
    centre = float(data[:first].sum() / looked[:first].sum())
    reach = 3.0 * np.sqrt(centre * (1.0 - centre) / looked)
    low, high = np.maximum(centre - reach, 0.0), np.minimum(centre + reach, 1.0)
    return _stack(_chart("fraction", np.arange(1, len(data) + 1), data / looked, centre=centre, low=low, high=high))


def _baseline(baseline: int | None, points: int, *, least: int) -> int:
    """Return how many points set the limits."""
    if baseline is None:
        return points
    if not least <= baseline <= points:
        raise ValueError(f"baseline must be from {least} to the number of points, {points}; given {baseline}")
    return baseline


def _chart(
    name: str,
    points: npt.NDArray[np.generic],
    values: Floats,
    *,
    centre: float,
    low: Floats | float,
    high: Floats | float,
) -> pd.DataFrame:
    """Return one chart as a frame."""
    frame = pd.DataFrame({"chart": name, "point": points, "value": values, "centre": centre, "low": low, "high": high})
    frame["signal"] = (frame["value"] < frame["low"]) | (frame["value"] > frame["high"])
    return frame


def _stack(*charts: pd.DataFrame) -> pd.DataFrame:
    """Return charts one below the other."""
    return pd.concat(charts, ignore_index=True)[COLUMNS]


def _whole(counts: object) -> Floats:
    """Return counts as floats, refusing what is not a whole number from 0 on."""
    data = finite_values(counts, at_least=1, what="counts")
    if (data < 0).any() or (data % 1).any():
        raise ValueError("counts must be whole numbers, 0 or more")
    return data


def _positive(size: object, points: int) -> Floats:
    """Return sizes as floats, one for each point, above 0."""
    data = finite_values(size, at_least=1, what="sizes")
    if len(data) != points:
        raise ValueError(f"there must be one size for each of the {points} points; given {len(data)}")
    if (data <= 0).any():
        raise ValueError("sizes must be above 0; leave out the points where nothing was looked at")
    return data
