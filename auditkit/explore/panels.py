"""Panels: a figure made of plain parts in one go, which takes a tenth of the time of adding them one by one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import pandas as pd

from auditkit.views.style import INK, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["Parts", "axis_name", "figure_of", "heading", "limit_lines", "said_figure"]

_CLOSE = 0.12
"""Limits nearer than this share of all they span would have their words in one another."""

Parts = list[dict[str, Any]]
"""Traces, shapes or annotations, as plotly has them."""


def figure_of(
    traces: Sequence[dict[str, Any]],
    *,
    title: str,
    height: int,
    axes: dict[str, Any],
    shapes: Sequence[dict[str, Any]] = (),
    annotations: Sequence[dict[str, Any]] = (),
    **layout: Any,
) -> go.Figure:
    """Return a figure in the look of all figures.

    Parameters
    ----------
    traces, shapes, annotations : sequence of dict
        As plotly has them.
    title : str
    height : int
        `[px]`.
    axes : dict
        Axes by plotly's name.
    layout : dict
        Other parts of the layout.

    Examples
    --------
    >>> figure = figure_of([], title="Film", height=300, axes={"xaxis": {"title": {"text": "film [µm]"}}})
    >>> figure.layout.title.text, figure.layout.xaxis.title.text
    ('Film', 'film [µm]')
    """
    import plotly.graph_objects as go

    parts = {"title": {"text": title}, "height": height, "shapes": list(shapes), "annotations": list(annotations)}
    figure = go.Figure({"data": list(traces), "layout": {**parts, **axes, **layout}})
    figure.layout.template = template()
    return figure


def said_figure(title: str, why: str) -> go.Figure:
    """Return a figure that says why there is nothing to draw.

    Examples
    --------
    >>> said_figure("Film", "no area is recorded").layout.annotations[0].text
    'no area is recorded'
    """
    hidden = {"visible": False}
    note = {"x": 0.5, "y": 0.5, "xref": "paper", "yref": "paper", "text": why, "showarrow": False}
    return figure_of([], title=title, height=200, axes={"xaxis": hidden, "yaxis": hidden}, annotations=[note])


def axis_name(letter: str, number: int) -> str:
    """Return plotly's short name of an axis.

    Examples
    --------
    >>> axis_name("x", 1), axis_name("y", 2)
    ('x', 'y2')
    """
    return letter if number == 1 else f"{letter}{number}"


def heading(text: str, number: int) -> dict[str, Any]:
    """Return what stands above a panel.

    Examples
    --------
    >>> heading("facing", 2)["xref"]
    'x2 domain'
    """
    at = {"x": 0.0, "xref": f"{axis_name('x', number)} domain", "y": 1.0, "yref": f"{axis_name('y', number)} domain"}
    return {**at, "xanchor": "left", "yanchor": "bottom", "yshift": 4, "text": text, "showarrow": False}


def limit_lines(limits: Sequence[tuple[str, float]], *, number: int) -> tuple[Parts, Parts]:
    """Return a dashed line across a panel at each limit, and its words at the right; those of one height share one.

    Parameters
    ----------
    limits : sequence of (str, float)
        Words and height.
    number : int
        Of the panel.

    Examples
    --------
    >>> shapes, notes = limit_lines([("least 40", 40.0), ("nominal 40", 40.0)], number=1)
    >>> len(shapes), notes[0]["text"]
    (1, 'least 40;<br>nominal 40')
    """
    told: dict[float, list[str]] = {}
    for words, value in limits:
        if pd.notna(value):
            told.setdefault(float(value), []).append(words)
    across, up = f"{axis_name('x', number)} domain", axis_name("y", number)
    line = {"color": INK, "width": 1.2, "dash": "dash"}
    shapes = [
        {"type": "line", "xref": across, "yref": up, "x0": 0, "x1": 1, "y0": value, "y1": value, "line": line}
        for value in sorted(told)
    ]
    place = {"xref": across, "yref": up, "x": 1.0, "xanchor": "left", "xshift": 4, "align": "left", "showarrow": False}
    heights = sorted(told)
    close = _CLOSE * (heights[-1] - heights[0]) if heights else 0.0
    notes = []
    for at, value in enumerate(heights):
        over = at > 0 and value - heights[at - 1] < close
        under = at + 1 < len(heights) and heights[at + 1] - value < close
        stands = "middle" if over == under else "bottom" if over else "top"
        look = {"yanchor": stands, "font": {"size": 10, "color": INK}}
        notes.append({**place, "y": value, "text": ";<br>".join(told[value]), **look})
    return shapes, notes
