"""Figures drawn without a browser, for print: plotly's own description of a figure, drawn by matplotlib.

The same figure gives the same bytes: the look comes from here and from no
setting of the machine, the font is one that matplotlib brings along, and texts
are outlines. One pixel of plotly is one point of the drawing.

A label that is bold in part is drawn without bold. The height of a figure grows
by what its legend takes, so that the plot itself is as high as on the screen.
"""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from auditkit.views.drawing_bars import Bars, bars_of, bars_reach, draw_bars
from auditkit.views.drawing_known import check_drawable
from auditkit.views.drawing_looks import FONT
from auditkit.views.drawing_notes import add_annotation, add_shape
from auditkit.views.drawing_page import add_axes, blank_page, finish_page
from auditkit.views.drawing_points import Points, draw_points, points_of, points_reach
from auditkit.views.drawing_scales import Reach, Scale, axis_of, limits_of, listed, scales_of

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["as_png", "as_svg"]

_LOOK: dict[str, Any] = {
    "font.family": FONT,
    "text.parse_math": False,
    "text.hinting": "none",
    "svg.fonttype": "path",
    "svg.hashsalt": "auditkit",
    "hatch.linewidth": 0.8,
    "path.simplify": False,
    "axes.unicode_minus": True,
}


def as_svg(figure: go.Figure) -> str:
    """Return a figure as SVG, the same text from the same figure.

    Parameters
    ----------
    figure : Figure
        Of scatter and bar traces, shapes and annotations, on linear, logarithmic,
        date or categorical axes.

    Raises
    ------
    ValueError
        The figure holds something that cannot be drawn; nothing is left out in
        silence.

    Examples
    --------
    >>> import plotly.graph_objects as go
    >>> svg = as_svg(go.Figure(go.Scatter(x=[1, 2], y=[3, 1], mode="markers")))
    >>> svg[:5], svg.count('id="trace-0-markers"')
    ('<?xml', 1)
    """
    return _saved(figure, format="svg", metadata={"Date": None, "Creator": None}).decode()


def as_png(figure: go.Figure, *, dpi: float = 192.0) -> bytes:
    """Return a figure as PNG.

    Parameters
    ----------
    figure : Figure
        As for `as_svg`.
    dpi : float
        Dots to an inch, of which a figure 900 px wide measures 9.4.

    Raises
    ------
    ValueError
        The figure holds something that cannot be drawn.

    Examples
    --------
    >>> import plotly.graph_objects as go
    >>> as_png(go.Figure(go.Scatter(x=[1, 2], y=[3, 1])), dpi=96)[1:4]
    b'PNG'
    """
    return _saved(figure, format="png", dpi=dpi * 72.0 / 96.0, metadata={"Software": None})


def _saved(figure: go.Figure, **how: Any) -> bytes:
    plain = figure.to_plotly_json()
    layout = {name: value for name, value in plain.get("layout", {}).items() if name != "template"}
    data = [dict(trace) for trace in plain.get("data", [])]
    check_drawable(data, layout)
    style = plain.get("layout", {}).get("template", {}).get("layout", {})
    with _own_look():
        page = _drawn(data, layout, style)
        written = io.BytesIO()
        page.savefig(written, **how)
    return written.getvalue()


@contextmanager
def _own_look() -> Iterator[None]:
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        own: Any = matplotlib.rcParams
        own.update(_LOOK)
        yield


def _drawn(data: list[dict[str, Any]], layout: Mapping[str, Any], style: Mapping[str, Any]) -> Any:
    """Return the figure as matplotlib has it."""
    whole = _over(style, layout)
    axes = _axes(data, layout, style)
    scales = scales_of([trace for trace in data if trace.get("visible", True) is True], axes)
    marks = _marks(data, whole, scales)
    scales = limits_of(scales, axes, _reaches(marks, whole, scales))
    page = blank_page(whole)
    for x, y in _pairs(data, axes):
        add_axes(page, x, y, axes=axes, scales=scales)
    before: dict[int, Points] = {}
    for mark in marks:
        ax = page.axes[axis_of(mark.trace, "x")]
        if isinstance(mark, Bars):
            draw_bars(ax, mark)
        else:
            draw_points(ax, mark, before=before.get(id(ax)))
            before[id(ax)] = mark
    notes = {"axes": page.axes, "scales": scales, "paper": page.paper}
    for number, shape in enumerate(listed(whole.get("shapes"))):
        add_shape(shape, number=number, **notes)
    for number, note in enumerate(listed(whole.get("annotations"))):
        add_annotation(note, number=number, font=whole.get("font", {}), **notes)
    finish_page(page, marks, axes, scales)
    return page.canvas


def _over(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    """Return one description over another: what the upper one leaves open is taken from the lower one."""
    result = dict(below)
    for name, value in above.items():
        under = result.get(name)
        result[name] = _over(under, value) if isinstance(value, Mapping) and isinstance(under, Mapping) else value
    return result


def _axes(data: list[dict[str, Any]], layout: Mapping[str, Any], style: Mapping[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the axes by short name, over the style of all."""
    names = {axis_of(trace, letter) for trace in data for letter in "xy"} | {"x", "y"}
    names |= {name.replace("axis", "") for name in layout if name[1:5] == "axis"}
    return {
        name: _over(style.get(f"{name[0]}axis", {}), layout.get(f"{name[0]}axis{name[1:]}", {}))
        for name in sorted(names, key=lambda name: (name[0], int(name[1:] or 1)))
    }


def _pairs(data: list[dict[str, Any]], axes: Mapping[str, Mapping[str, Any]]) -> list[tuple[str, str]]:
    """Return which x and y axes belong together.

    Raises
    ------
    ValueError
        An axis crosses two others, which one drawing in one place cannot show.
    """
    pairs = {(axis_of(trace, "x"), axis_of(trace, "y")) for trace in data}
    seen = {name for pair in pairs for name in pair}
    pairs |= {
        (x, str(axes[x].get("anchor", "y")))
        for x in axes
        if x[0] == "x" and x not in seen and (x != "x" or "domain" in axes[x] or not pairs)
    }
    crossed = sorted(name for name in axes if sum(name in pair for pair in pairs) > 1)
    if crossed:
        raise ValueError(f"each axis must belong to one other; given {crossed[0]}, which crosses more")
    return sorted(pairs, key=lambda pair: int(pair[0][1:] or 1))


def _marks(data: list[dict[str, Any]], layout: Mapping[str, Any], scales: Mapping[str, Scale]) -> list[Points | Bars]:
    """Return the traces in the units in which they are drawn, in order; those that are not visible are left out."""
    colours = listed(layout.get("colorway")) or ["#0072B2"]
    numbered = [
        (number, str(colours[number % len(colours)]), trace)
        for number, trace in enumerate(data)
        if trace.get("visible", True) is True
    ]
    marks: dict[int, Points | Bars] = {}
    together: dict[tuple[str, str], list[tuple[int, str, dict[str, Any]]]] = {}
    for number, own, trace in numbered:
        if trace.get("type", "scatter") == "bar":
            together.setdefault((axis_of(trace, "x"), axis_of(trace, "y")), []).append((number, own, trace))
        else:
            marks[number] = points_of(trace, number=number, own=own, scales=scales)
    for traces in together.values():
        marks |= {bars.number: bars for bars in bars_of(traces, layout=layout, scales=scales)}
    return [marks[number] for number, _, _ in numbered]


def _reaches(
    marks: list[Points | Bars], layout: Mapping[str, Any], scales: Mapping[str, Scale]
) -> dict[str, list[Reach]]:
    """Return what lies on each axis: traces, and shapes and annotations placed by value."""
    result: dict[str, list[Reach]] = {}
    for mark in marks:
        for name, reach in (bars_reach(mark) if isinstance(mark, Bars) else points_reach(mark)).items():
            result.setdefault(name, []).append(reach)
    for item in (*listed(layout.get("shapes")), *listed(layout.get("annotations"))):
        for name in {"x", "y", "x0", "x1", "y0", "y1"} & set(item):
            ref = str(item.get(f"{name[0]}ref", name[0]))
            if ref in result and scales[ref].kind != "log":
                result[ref].append(Reach(values=scales[ref].places([item.get(name)]), tight=True))
    return result
