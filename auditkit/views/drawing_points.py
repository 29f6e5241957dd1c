"""Scatter traces of a drawn figure: points, lines, filled outlines, whiskers and texts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from auditkit.views.drawing_looks import (
    Face,
    colour,
    dash_of,
    each,
    face_keys,
    face_of,
    fill_outline,
    marker_at,
    marker_of,
    strokes_of,
    text_of,
)
from auditkit.views.drawing_scales import Floats, Reach, Scale, axis_of, lengths, listed

__all__ = ["Points", "draw_points", "points_key", "points_of", "points_reach"]

_POINT = 6.0
_LINE = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Points:
    """One scatter trace, in the units in which it is drawn; whiskers reach from `low` to `high`."""

    trace: Mapping[str, Any]
    number: int
    own: str
    x: Floats
    y: Floats
    whiskers: Mapping[str, tuple[Floats, Floats]]


def points_of(trace: Mapping[str, Any], *, number: int, own: str, scales: Mapping[str, Scale]) -> Points:
    """Return a scatter trace in the units in which it is drawn.

    Parameters
    ----------
    trace : mapping
        As plotly has it.
    number : int
        Its place among the traces.
    own : str
        Its colour, where it names none.
    scales : mapping of str to Scale

    Raises
    ------
    ValueError
        x and y are not of the same length, or whiskers are no plain numbers.
    """
    values = {letter: scales[axis_of(trace, letter)].places(listed(trace.get(letter))) for letter in "xy"}
    for letter, other in ("xy", "yx"):
        if trace.get(letter) is None:
            values[letter] = np.arange(len(values[other]), dtype="float64")
    if len(values["x"]) != len(values["y"]):
        raise ValueError(f"x and y of trace {number} must be of one length; given {[len(v) for v in values.values()]}")
    whiskers = {}
    for letter in "xy":
        errors = trace.get(f"error_{letter}")
        if errors and errors.get("visible", True):
            if errors.get("type", "data") != "data":
                raise ValueError(f"whiskers of trace {number} must be of type 'data'; given {errors['type']!r}")
            up = lengths(errors.get("array"), len(values[letter]))
            even = errors.get("arrayminus") is None or errors.get("symmetric", False)
            down = up if even else lengths(errors.get("arrayminus"), len(values[letter]))
            whiskers[letter] = (values[letter] - down, values[letter] + up)
    return Points(trace=trace, number=number, own=own, x=values["x"], y=values["y"], whiskers=whiskers)


def points_reach(points: Points) -> dict[str, Reach]:
    """Return how far a trace reaches on its two axes, by name of the axis."""
    reaches = {}
    both = np.isfinite(points.x) & np.isfinite(points.y)
    bare = not {"markers", "text"} & set(_mode(points).split("+")) and points.trace.get("fill") != "toself"
    for letter, own in (("x", points.x), ("y", points.y)):
        ends = [own[both], *(end[both] for end in points.whiskers.get(letter, ()))]
        zero = points.trace.get("fill") == f"tozero{letter}"
        reach = Reach(values=np.concatenate(ends), tight=bare and letter == "x", from_zero=zero)
        reaches[axis_of(points.trace, letter)] = reach
    return reaches


def _mode(points: Points) -> str:
    mode = points.trace.get("mode")
    if mode is None:
        return "lines+markers" if len(points.x) < 20 else "lines"
    return str(mode)


def draw_points(ax: Any, points: Points, *, before: Points | None) -> None:
    """Draw a scatter trace.

    Parameters
    ----------
    ax : matplotlib.axes.Axes
        With its limits set; changed in place.
    points : Points
    before : Points or None
        The trace before it on the same axes, up to which it may be filled.

    Raises
    ------
    ValueError
        It is to be filled, or its line bent, in a way that cannot be drawn.
    """
    level = 2.0 + 0.01 * points.number
    if points.trace.get("fill", "none") != "none":
        _draw_fill(ax, points, before, level)
    for letter in points.whiskers:
        _draw_whiskers(ax, points, letter, level + 0.002)
    if "lines" in _mode(points):
        _draw_line(ax, points, level + 0.003)
    if "markers" in _mode(points):
        _draw_markers(ax, points, level + 0.004)
    if "text" in _mode(points):
        _draw_texts(ax, points, level + 0.005)


def _line_colour(points: Points) -> str:
    trace = points.trace
    marker = trace.get("marker", {}).get("color")
    return str(trace.get("line", {}).get("color", marker if isinstance(marker, str) else points.own))


def _draw_line(ax: Any, points: Points, level: float) -> None:
    line = points.trace.get("line", {})
    width = float(line.get("width", _LINE))
    if not width:
        return
    x, y = points.x, points.y
    if points.trace.get("connectgaps"):
        both = np.isfinite(x) & np.isfinite(y)
        x, y = x[both], y[both]
    shape = line.get("shape", "linear")
    if shape == "spline":
        x, y = _bent(x, y, smoothing=float(line.get("smoothing", 1.0)))
    elif shape not in _STEPS:
        raise ValueError(f"a line must be linear, hv, vh, hvh or spline; given {shape!r}")
    look = {"color": colour(_line_colour(points), opacity=float(points.trace.get("opacity", 1.0))), "linewidth": width}
    drawn = ax.plot(x, y, linestyle=dash_of(line), drawstyle=_STEPS.get(shape, "default"), zorder=level, **look)
    drawn[0].set_gid(f"trace-{points.number}-line")


_STEPS = {"linear": "default", "hv": "steps-post", "vh": "steps-pre", "hvh": "steps-mid"}


def _bent(x: Floats, y: Floats, *, smoothing: float, steps: int = 12) -> tuple[Floats, Floats]:
    """Return a line through the points as a cubic spline whose slope at each is that from its neighbour to the next."""
    points = np.column_stack([x, y])
    share = np.linspace(0.0, 1.0, steps + 1)[:, None]
    pieces = []
    for part in _runs(np.isfinite(points).all(axis=1)):
        own = points[part]
        slopes = np.zeros_like(own)
        slopes[1:-1] = smoothing * (own[2:] - own[:-2]) / 2.0
        for a, b, out, into in zip(own, own[1:], slopes, slopes[1:], strict=False):
            first, second = a + out / 3.0, b - into / 3.0
            near, far = (1 - share) ** 2, share**2
            pieces.append(near * ((1 - share) * a + 3 * share * first) + far * (3 * (1 - share) * second + share * b))
        pieces.append(np.full((1, 2), np.nan))
    curve = np.concatenate(pieces) if pieces else np.empty((0, 2))
    return curve[:, 0], curve[:, 1]


def _runs(known: Any) -> list[slice]:
    """Return the stretches without a gap."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], known, [False]]).astype(int)))
    return [slice(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _draw_fill(ax: Any, points: Points, before: Points | None, level: float) -> None:
    """Fill to itself, stretch by stretch, to zero, or to the trace before it."""
    fill = points.trace["fill"]
    own = np.column_stack([points.x, points.y])
    stretches = [own[part] for part in _runs(np.isfinite(own).all(axis=1))]
    known = np.concatenate(stretches) if stretches else own[:0]
    if fill == "tozeroy":
        stretches = [np.concatenate([known, known[::-1] * [1.0, 0.0]])]
    elif fill == "tonexty" and before is not None:
        other = np.column_stack([before.x, before.y])
        stretches = [np.concatenate([known, other[np.isfinite(other).all(axis=1)][::-1]])]
    elif fill != "toself":
        raise ValueError(f"a trace must be filled toself, tozeroy or tonexty after another trace; given {fill!r}")
    for corners in stretches if len(known) else []:
        fill_outline(ax, corners, _fill_face(points), gid=f"trace-{points.number}-fill", level=level)


def _fill_face(points: Points) -> Face:
    trace, line = points.trace, colour(_line_colour(points))
    own = trace.get("fillcolor") or f"rgba({255 * line[0]}, {255 * line[1]}, {255 * line[2]}, 0.5)"
    return face_of(trace.get("fillpattern", {}), own=own, opacity=float(trace.get("opacity", 1.0)))


def _draw_whiskers(ax: Any, points: Points, letter: str, level: float) -> None:
    errors = points.trace[f"error_{letter}"]
    low, high = points.whiskers[letter]
    here = points.y if letter == "x" else points.x
    own = points.x if letter == "x" else points.y
    marker = points.trace.get("marker", {}).get("color")
    ink = colour(errors.get("color", marker if isinstance(marker, str) else _line_colour(points)))
    look = {"color": ink, "linewidth": float(errors.get("thickness", _LINE)), "zorder": level}
    cap = 2.0 * float(errors.get("width", 4.0))
    gap = np.full(len(own), np.nan)
    spans = [np.column_stack([own, end, gap]).ravel() for end in (low, high)]
    along, across = np.concatenate(spans), np.tile(np.column_stack([here, here, gap]).ravel(), 2)
    ends, at = np.concatenate([low, high]), np.concatenate([here, here])
    stroke = "|" if letter == "x" else "_"
    xy, caps = ((along, across), (ends, at)) if letter == "x" else ((across, along), (at, ends))
    ax.plot(*xy, linestyle="-", solid_capstyle="butt", **look)[0].set_gid(f"trace-{points.number}-whiskers-{letter}")
    if cap:
        edges = {"marker": stroke, "markersize": cap, "markeredgewidth": look["linewidth"]}
        drawn = ax.plot(*caps, linestyle="none", color=ink, zorder=level, **edges)
        drawn[0].set_gid(f"trace-{points.number}-caps-{letter}")


def _draw_markers(ax: Any, points: Points, level: float) -> None:
    marker = dict(points.trace.get("marker", {}))
    inside = np.flatnonzero(_inside(ax, points.x, points.y))
    looks: dict[str, list[int]] = {}
    for i in inside.tolist():
        looks.setdefault(repr(marker_at(marker, i)), []).append(i)
    for own in looks.values():
        look = marker_of(marker_at(marker, own[0]), own=points.own, opacity=float(points.trace.get("opacity", 1.0)))
        drawn = ax.plot(points.x[own], points.y[own], linestyle="none", zorder=level, clip_on=False, **strokes_of(look))
        drawn[0].set_gid(f"trace-{points.number}-markers")


def _inside(ax: Any, x: Floats, y: Floats) -> Any:
    """Return which points lie within the axes; those on the edge do."""
    result = np.isfinite(x) & np.isfinite(y)
    for values, ends in ((x, ax.get_xlim()), (y, ax.get_ylim())):
        slack = 1e-9 * (max(ends) - min(ends))
        result &= (values >= min(ends) - slack) & (values <= max(ends) + slack)
    return result


def _draw_texts(ax: Any, points: Points, level: float) -> None:
    trace = points.trace
    texts, font = listed(trace.get("text")), trace.get("textfont", {})
    if isinstance(trace.get("text"), str):
        texts = texts * len(points.x)
    inside = _inside(ax, points.x, points.y)
    for i, (x, y, text) in enumerate(zip(points.x, points.y, texts, strict=False)):
        if not inside[i] or text in (None, ""):
            continue
        place = str(each(trace.get("textposition", "middle center"), i))
        size = float(each(trace.get("marker", {}).get("size", _POINT), i)) if "markers" in _mode(points) else 0.0
        up, side = _UP[place.split(" ", maxsplit=1)[0]], _SIDE[place.split(" ")[1]]
        words, weight = text_of(text)
        ax.annotate(
            words,
            (x, y),
            xytext=(side[0] * (size / 2 + 2), up[0] * (size / 2 + 2)),
            textcoords="offset points",
            ha=side[1],
            va=up[1],
            fontsize=float(each(font.get("size", 12), i)),
            fontweight=weight,
            color=colour(str(each(font.get("color", "#1a1a1a"), i))),
            zorder=level,
            annotation_clip=False,
            gid=f"trace-{points.number}-text",
        )


_UP = {"top": (1, "bottom"), "middle": (0, "center"), "bottom": (-1, "top")}
_SIDE = {"left": (-1, "right"), "center": (0, "center"), "right": (1, "left")}


def points_key(points: Points) -> tuple[Any, ...]:
    """Return what stands for a trace in the legend: matplotlib artists, one over the other."""
    from matplotlib.lines import Line2D

    keys = face_keys(_fill_face(points)) if points.trace.get("fill", "none") != "none" else ()
    line, mode = points.trace.get("line", {}), _mode(points)
    width = float(line.get("width", _LINE)) if "lines" in mode else 0.0
    look: dict[str, Any] = {"color": colour(_line_colour(points)), "linewidth": width}
    look["linestyle"] = dash_of(line) if width else "none"
    if "markers" in mode:
        first = marker_at(points.trace.get("marker", {}), 0)
        look |= strokes_of(marker_of(first, own=points.own, opacity=float(points.trace.get("opacity", 1.0))))
    return (*keys, Line2D([], [], **look))
