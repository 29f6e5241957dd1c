"""Scales of a drawn figure: what kind each axis is, where a value lies on it, how far it reaches, and its ticks."""

from __future__ import annotations

import base64
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["Reach", "Scale", "axis_of", "lengths", "limits_of", "listed", "scales_of", "set_ticks"]

Floats = npt.NDArray[np.float64]

_DAY = re.compile(r"\d{4}-\d\d-\d\d([T ].*)?")
_PAD = 0.05
"""Share of the reach that is left free at either end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """One axis: its kind, and its categories by place."""

    kind: str
    categories: tuple[str, ...] = ()
    low: float = 0.0
    high: float = 1.0

    def places(self, values: Iterable[Any]) -> Floats:
        """Return where values lie, in the units in which they are drawn; missing ones are not-a-number.

        Moments lie at days since 1970 by the clock on the wall, whatever their zone.

        Examples
        --------
        >>> Scale(kind="category", categories=("a", "b")).places(["b", None]).tolist()
        [1.0, nan]
        >>> Scale(kind="date").places(["1970-01-02T12:00:00+05:00"]).tolist()
        [1.5]
        """
        return np.array([self._place(value) for value in values], dtype="float64")

    def _place(self, value: Any) -> float:
        if value is None or (not isinstance(value, str) and bool(pd.isna(value))):
            return float("nan")
        if self.kind == "date":
            moment = pd.Timestamp(value)
            return float((moment.tz_localize(None) - pd.Timestamp(0)) / pd.Timedelta(days=1))
        if self.kind == "category" and (isinstance(value, str) or str(value) in self.categories):
            return float(self.categories.index(str(value)))
        number = float(value)
        return float("nan") if self.kind == "log" and number <= 0 else number


@dataclass(frozen=True, slots=True, kw_only=True)
class Reach:
    """How far the marks on one axis go, and whether they may touch its ends."""

    values: Floats
    from_zero: bool = False
    tight: bool = False


def listed(values: Any) -> list[Any]:
    """Return values as a list, also those that plotly keeps as bytes.

    Examples
    --------
    >>> listed({"dtype": "f8", "bdata": "AAAAAAAA8D8="})
    [1.0]
    >>> listed(None), listed("one")
    ([], ['one'])
    """
    if values is None:
        return []
    if isinstance(values, Mapping):
        return list(np.frombuffer(base64.b64decode(values["bdata"]), dtype=np.dtype(values["dtype"])).tolist())
    if isinstance(values, (str, int, float)):
        return [values]
    return list(values)


def lengths(given: Any, n: int) -> Floats:
    """Return n numbers, not-a-number where none is given.

    Examples
    --------
    >>> lengths([1.0, None], 3).tolist()
    [1.0, nan, nan]
    """
    known = [float("nan") if value is None else float(value) for value in listed(given)[:n]]
    return np.array(known + [float("nan")] * (n - len(known)), dtype="float64")


def axis_of(trace: Mapping[str, Any], letter: str) -> str:
    """Return the name of a trace's axis, such as 'x' or 'y2'."""
    return str(trace.get(f"{letter}axis", letter))


def scales_of(data: Sequence[Mapping[str, Any]], axes: Mapping[str, Mapping[str, Any]]) -> dict[str, Scale]:
    """Return the kind of every axis, from what it says and else from the values on it; limits are not yet set.

    Parameters
    ----------
    data : sequence of mapping
        Traces.
    axes : mapping of str to mapping
        Axes by name, such as 'x' or 'y2'. Those that match have one scale.

    Raises
    ------
    ValueError
        An axis is of a kind that cannot be drawn.
    """
    values: dict[str, list[Any]] = {}
    for trace in data:
        for letter in "xy":
            root = _root(axis_of(trace, letter), axes)
            values.setdefault(root, []).extend(v for v in listed(trace.get(letter)) if v is not None)
    scales = {}
    for name, axis in axes.items():
        root = _root(name, axes)
        kind = axis.get("type", axes[root].get("type", "-"))
        kind = _kind(values.get(root, [])) if kind == "-" else kind
        if kind not in ("linear", "log", "date", "category"):
            raise ValueError(f"an axis must be linear, log, date or category; axis {name} is given as {kind!r}")
        order = [str(value) for value in (*listed(axis.get("categoryarray")), *values.get(root, []))]
        scales[name] = Scale(kind=kind, categories=tuple(dict.fromkeys(order)) if kind == "category" else ())
    return scales


def _root(name: str, axes: Mapping[str, Mapping[str, Any]]) -> str:
    """Return the axis that an axis matches in the end."""
    seen = []
    while "matches" in axes.get(name, {}) and name not in seen:
        seen.append(name)
        name = str(axes[name]["matches"])
    return name


def _kind(values: Sequence[Any]) -> str:
    if any(isinstance(value, (date, datetime, np.datetime64)) for value in values):
        return "date"
    texts = [value for value in values if isinstance(value, str)]
    if not texts:
        return "linear"
    return "date" if all(_DAY.fullmatch(text) for text in texts) else "category"


def limits_of(
    scales: Mapping[str, Scale], axes: Mapping[str, Mapping[str, Any]], reaches: Mapping[str, Sequence[Reach]]
) -> dict[str, Scale]:
    """Return the scales with their limits: those given, else so far as the marks go and a little more.

    Parameters
    ----------
    scales, axes : mapping
        By name of the axis.
    reaches : mapping of str to sequence of Reach
        What lies on each axis.
    """
    result = {}
    for name, scale in scales.items():
        root = _root(name, axes)
        axis = {**axes[root], **axes[name]}
        together = [reach for other in scales if _root(other, axes) == root for reach in reaches.get(other, ())]
        given = axis.get("range")
        low, high = _given(scale, listed(given)) if given is not None else _free(scale, axis, together)
        turned = given is None and axis.get("autorange") == "reversed"
        result[name] = replace(scale, low=high if turned else low, high=low if turned else high)
    return result


def _given(scale: Scale, ends: Sequence[Any]) -> tuple[float, float]:
    if scale.kind == "log":
        return 10.0 ** float(ends[0]), 10.0 ** float(ends[1])
    low, high = scale.places(ends) if scale.kind == "date" else (float(end) for end in ends)
    return float(low), float(high)


def _free(scale: Scale, axis: Mapping[str, Any], reaches: Sequence[Reach]) -> tuple[float, float]:
    values = np.concatenate([reach.values for reach in reaches]) if reaches else np.array([])
    values = values[np.isfinite(values)]
    if scale.kind == "category":
        values = np.append(values, [-0.5, len(scale.categories) - 0.5])
        return float(values.min()), float(values.max())
    if not len(values):
        return (1.0, 10.0) if scale.kind == "log" else (0.0, 1.0)
    if scale.kind == "log":
        values = np.log10(values[values > 0])
    low, high = float(values.min()), float(values.max())
    pad = 0.0 if all(reach.tight for reach in reaches) else _PAD * (high - low)
    zero = any(reach.from_zero for reach in reaches) or axis.get("rangemode") in ("tozero", "nonnegative")
    start = low if zero and low >= 0 else low - pad
    end = high if zero and high <= 0 else high + pad
    if zero and scale.kind == "linear":
        start, end = min(start, 0.0) if low >= 0 else start, max(end, 0.0) if high <= 0 else end
    if start == end:
        start, end = start - 0.5, end + 0.5
    return (10.0**start, 10.0**end) if scale.kind == "log" else (start, end)


def set_ticks(axis: Any, scale: Scale, given: Mapping[str, Any], *, length: float, texts: Any) -> None:
    """Set the ticks and their labels.

    Parameters
    ----------
    axis : matplotlib.axis.Axis
        Changed in place.
    scale : Scale
    given : mapping
        The axis as plotly has it.
    length : float
        How long it is drawn `[px]`.
    texts : callable
        Turns a label into what is drawn and its weight.

    Raises
    ------
    ValueError
        The format of the labels cannot be drawn.
    """
    from matplotlib import ticker

    apart = 90.0 if axis.axis_name == "x" else 32.0
    most = int(given.get("nticks", 0)) or max(2, int(length / apart))
    pattern = str(given.get("tickformat", ""))
    if given.get("tickvals") is not None:
        places = scale.places(listed(given["tickvals"]))
        labels = listed(given["ticktext"]) if given.get("ticktext") is not None else listed(given["tickvals"])
        _set_labels(axis, places, [texts(label) for label in labels])
    elif scale.kind == "category":
        _set_labels(axis, range(len(scale.categories)), [texts(label) for label in scale.categories])
    elif scale.kind == "date":
        axis.set_major_locator(_date_locator(abs(scale.high - scale.low), most))
        axis.set_major_formatter(_date_format(abs(scale.high - scale.low), pattern))
    elif scale.kind == "log":
        axis.set_major_locator(ticker.LogLocator(numticks=max(most, 3)))
        axis.set_major_formatter(ticker.FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_locator(ticker.NullLocator())
    else:
        step = given.get("dtick")
        own = ticker.MultipleLocator(float(step), offset=float(given.get("tick0", 0.0))) if step is not None else None
        axis.set_major_locator(own or ticker.MaxNLocator(nbins=most, steps=[1, 2, 5, 10]))
        axis.set_major_formatter(_number_format(pattern, ticker))


def _set_labels(axis: Any, places: Iterable[float], labels: Sequence[tuple[str, str]]) -> None:
    axis.set_ticks(list(places), [words for words, _ in labels])
    for tick, (_, weight) in zip(axis.get_major_ticks(), labels, strict=False):
        tick.label1.set_fontweight(weight)


def _date_locator(days: float, most: int) -> Any:
    """Return what places ticks: on Mondays where some weeks are shown."""
    from matplotlib import dates

    own: Any = dates
    if 14 <= days <= 300:
        return own.WeekdayLocator(byweekday=own.MO, interval=max(1, math.ceil(days / 7 / most)))
    return own.AutoDateLocator(minticks=2, maxticks=max(most, 3))


def _date_format(days: float, pattern: str) -> Any:
    """Return what writes moments: the day with its month, or the hour on a short axis; the year under the first."""
    from matplotlib import dates, ticker

    own: Any = dates
    short = pattern or ("%d %b" if days > 3 else "%d %b %H:%M")
    if days > 300:
        short = pattern or "%b %Y"

    def words(value: float, place: int | None) -> str:
        moment = own.num2date(value)
        year = f"\n{moment:%Y}" if place == 0 and not pattern and days <= 300 else ""
        return f"{moment.strftime(short)}{year}"

    return ticker.FuncFormatter(words)


def _number_format(pattern: str, ticker: Any) -> Any:
    if not pattern:
        plain = ticker.ScalarFormatter(useOffset=False, useMathText=False)
        plain.set_scientific(False)
        return plain
    if not re.fullmatch(r",?(\.\d+)?[f%de]?", pattern):
        raise ValueError(f"the format of ticks must be one such as '.1f', ',d' or '.0%'; given {pattern!r}")
    kind = pattern if pattern[-1] in "f%e," else f"{pattern.removesuffix('d')}.0f"
    return ticker.FuncFormatter(lambda value, _: format(value, kind).replace("-", "−"))
