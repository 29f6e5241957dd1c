"""Bar traces of a drawn figure, and the texts in the bars."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from auditkit.views.drawing_looks import (
    Face,
    colour,
    contrast,
    each,
    face_keys,
    face_of,
    fill_outline,
    marker_at,
    text_of,
)
from auditkit.views.drawing_scales import Floats, Reach, Scale, axis_of, lengths, listed

__all__ = ["Bars", "bars_key", "bars_of", "bars_reach", "draw_bars"]

_LEVEL = 1.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Bars:
    """One bar trace: the corner and the size of each bar, not-a-number where there is none."""

    trace: Mapping[str, Any]
    number: int
    own: str
    left: Floats
    bottom: Floats
    width: Floats
    height: Floats


def bars_of(
    traces: Sequence[tuple[int, str, Mapping[str, Any]]], *, layout: Mapping[str, Any], scales: Mapping[str, Scale]
) -> list[Bars]:
    """Return bar traces as boxes: stacked, or side by side, or one over the other.

    Parameters
    ----------
    traces : sequence of (int, str, mapping)
        Place among the traces, colour where it names none, and the trace.
    layout : mapping
        Of it, `barmode` and `bargap` are used.
    scales : mapping of str to Scale

    Raises
    ------
    ValueError
        The mode is not one of those that can be drawn.
    """
    mode = layout.get("barmode", "group")
    if mode not in ("stack", "relative", "group", "overlay"):
        raise ValueError(f"barmode must be 'stack', 'relative', 'group' or 'overlay'; given {mode!r}")
    room = 1.0 - float(layout.get("bargap", 0.2))
    tops: dict[tuple[str, str, float, bool], float] = {}
    result = []
    for turn, (number, own, trace) in enumerate(traces):
        lying = trace.get("orientation", "v") == "h"
        along, across = ("y", "x") if lying else ("x", "y")
        names = axis_of(trace, "x"), axis_of(trace, "y")
        places = scales[axis_of(trace, along)].places(listed(trace.get(along)))
        long = scales[axis_of(trace, across)].places(listed(trace.get(across)))
        thick = room * _apart(places) if trace.get("width") is None else float(trace["width"])
        middle = places
        if mode == "group":
            thick /= len(traces)
            middle = places + (turn - (len(traces) - 1) / 2) * thick
        base = lengths(trace.get("base"), len(places))
        starts = np.where(np.isnan(base), 0.0, base)
        if mode in ("stack", "relative"):
            for i, (place, length) in enumerate(zip(places, long, strict=True)):
                key = (*names, float(place), bool(length < 0))
                starts[i] = tops.get(key, 0.0)
                tops[key] = starts[i] + (length if np.isfinite(length) else 0.0)
        low = np.minimum(starts, starts + long)
        box = (low, middle - thick / 2, np.abs(long), np.full(len(places), thick))
        left, bottom, width, height = box if lying else (box[1], box[0], box[3], box[2])
        result.append(Bars(trace=trace, number=number, own=own, left=left, bottom=bottom, width=width, height=height))
    return result


def _apart(places: Floats) -> float:
    """Return the least distance between bars, 1 where there is only one."""
    steps = np.diff(np.unique(places[np.isfinite(places)]))
    return float(steps.min()) if len(steps) else 1.0


def bars_reach(bars: Bars) -> dict[str, Reach]:
    """Return how far a trace reaches on its two axes, by name of the axis."""
    lying = bars.trace.get("orientation", "v") == "h"
    x = Reach(values=np.concatenate([bars.left, bars.left + bars.width]), from_zero=lying)
    y = Reach(values=np.concatenate([bars.bottom, bars.bottom + bars.height]), from_zero=not lying)
    return {axis_of(bars.trace, "x"): x, axis_of(bars.trace, "y"): y}


def draw_bars(ax: Any, bars: Bars) -> None:
    """Draw a bar trace.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        With its limits set; changed in place.
    bars : Bars

    Raises
    ------
    ValueError
        A text is to stand where it cannot be drawn.
    """
    trace, marker = bars.trace, dict(bars.trace.get("marker", {}))
    texts = listed(trace.get("text"))
    place = trace.get("textposition", "inside")
    if texts and place not in ("inside", "none"):
        raise ValueError(f"the text of a bar must stand inside or not at all; given {place!r}")
    for i, (left, bottom, width, height) in enumerate(
        zip(bars.left, bars.bottom, bars.width, bars.height, strict=True)
    ):
        if not np.isfinite([left, bottom, width, height]).all():
            continue
        look = marker_at(marker, i)
        face = _bar_face(look, bars)
        right, top = left + width, bottom + height
        corners = np.array([[left, bottom], [right, bottom], [right, top], [left, top]])
        fill_outline(ax, corners, face, gid=f"trace-{bars.number}-bar", level=_LEVEL, line=look["line"])
        if place == "inside" and i < len(texts) and texts[i] not in (None, ""):
            font = trace.get("textfont", {})
            words, weight = text_of(texts[i])
            ax.text(
                left + width / 2,
                bottom + height / 2,
                words,
                ha="center",
                va="center",
                fontsize=float(each(font.get("size", 12), i)),
                fontweight=weight,
                color=colour(str(each(font["color"], i))) if "color" in font else contrast(face.fill),
                zorder=_LEVEL + 0.05,
                bbox={"boxstyle": "square,pad=0.1", "facecolor": face.fill, "linewidth": 0} if face.hatch else None,
                gid=f"trace-{bars.number}-text",
            )


def _bar_face(look: Mapping[str, Any], bars: Bars) -> Face:
    opacity = float(bars.trace.get("opacity", 1.0)) * float(look.get("opacity", 1.0))
    return face_of(look.get("pattern", {}), own=str(look.get("color", bars.own)), opacity=opacity)


def bars_key(bars: Bars) -> tuple[Any, ...]:
    """Return what stands for a trace in the legend: matplotlib artists, one over the other."""
    return face_keys(_bar_face(marker_at(bars.trace.get("marker", {}), 0), bars))
