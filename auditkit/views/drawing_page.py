"""The page of a drawn figure: axes within their margins, ticks, titles, and the legend under the plot."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from auditkit.views.drawing_bars import Bars, bars_key
from auditkit.views.drawing_looks import text_of
from auditkit.views.drawing_points import Points, points_key
from auditkit.views.drawing_scales import Scale, set_ticks

__all__ = ["Page", "add_axes", "blank_page", "finish_page"]

_WIDTH, _HEIGHT = 900, 450
_EDGE = 6.0
"""Least distance of anything drawn from the edge of the page `[px]`."""

_GAP = 10.0
"""Between the plot's labels and the legend `[px]`."""

_SETTLED = 0.5
_MOST_ROUNDS = 5


@dataclass(slots=True, kw_only=True)
class Page:
    """What is being drawn: the page, its plot within the margins `[px]`, and the axes by name.

    `below` is the height of the legend, `domains` the share of the plot that
    each axis spans, and `beside` the y axis of each x axis.
    """

    canvas: Any
    layout: Mapping[str, Any]
    margin: dict[str, float]
    width: float
    high: float
    plot: Any
    paper: Any
    below: float = 0.0
    axes: dict[str, Any] = field(default_factory=dict)
    domains: dict[str, tuple[float, float]] = field(default_factory=dict)
    beside: dict[str, str] = field(default_factory=dict)


def blank_page(layout: Mapping[str, Any]) -> Page:
    """Return a page of the size that a layout asks for, with nothing on it.

    The margin below is not taken from the layout: it becomes what labels need.
    """
    from matplotlib.figure import Figure
    from matplotlib.transforms import Bbox, BboxTransformTo, TransformedBbox

    given = {side: float(layout.get("margin", {}).get(side, 60)) for side in "lrtb"}
    width, height = float(layout.get("width") or _WIDTH), float(layout.get("height") or _HEIGHT)
    canvas = Figure(figsize=(width / 72, height / 72), dpi=72, facecolor=layout.get("paper_bgcolor", "#ffffff"))
    plot = Bbox.unit()
    return Page(
        canvas=canvas,
        layout=layout,
        margin={**given, "b": 0.0},
        width=width,
        high=max(height - given["t"] - given["b"], 40.0),
        plot=plot,
        paper=BboxTransformTo(TransformedBbox(plot, canvas.transFigure)),
    )


def add_axes(page: Page, x: str, y: str, *, axes: Mapping[str, Mapping[str, Any]], scales: Mapping[str, Scale]) -> None:
    """Add the axes of one plot to the page, with their limits, lines and titles.

    Parameters
    ----------
    page : Page
        Changed in place.
    x, y : str
        Names of the axes.
    axes : mapping of str to mapping
        Axes as plotly has them, by name.
    scales : mapping of str to Scale
        With their limits.
    """
    ax = page.canvas.add_axes((0, 0, 1, 1), facecolor=page.layout.get("plot_bgcolor", "#ffffff"), label=f"{x} {y}")
    ax.set_axisbelow(True)
    ax.spines[["top", "right"]].set_visible(False)
    page.axes |= {x: ax, y: ax}
    page.beside[x] = y
    for name, side, limits, scale in (
        (x, "bottom", ax.set_xlim, ax.set_xscale),
        (y, "left", ax.set_ylim, ax.set_yscale),
    ):
        given = axes[name]
        start, end = given.get("domain", (0.0, 1.0))
        page.domains[name] = (float(start), float(end))
        if scales[name].kind == "log":
            scale("log")
        limits(scales[name].low, scales[name].high)
        _dress(ax, getattr(ax, f"{name[0]}axis"), ax.spines[side], given, page.layout.get("font", {}))
    if "scaleanchor" in axes[x] or "scaleanchor" in axes[y]:
        ax.set_aspect("equal", adjustable="box", anchor="C")


def _dress(ax: Any, axis: Any, spine: Any, given: Mapping[str, Any], font: Mapping[str, Any]) -> None:
    """Give an axis its line, its grid, its title and the look of its labels."""
    if given.get("visible", True) is False:
        axis.set_visible(False)
        spine.set_visible(False)
        return
    ink = given.get("linecolor", "#333333")
    spine.set(visible=bool(given.get("showline", True)), color=ink, linewidth=float(given.get("linewidth", 1.0)))
    grid = {"color": given.get("gridcolor", "#E3E3E3"), "linewidth": float(given.get("gridwidth", 1.0))}
    axis.grid(**grid) if given.get("showgrid", True) else axis.grid(visible=False)
    if given.get("zeroline"):
        line = ax.axhline if axis.axis_name == "y" else ax.axvline
        line(0.0, color=given.get("zerolinecolor", "#444444"), linewidth=given.get("zerolinewidth", 1.0), zorder=0.8)
    labels = given.get("tickfont", {})
    size = float(labels.get("size", font.get("size", 12)))
    outside = given.get("ticks", "") == "outside"
    axis.set_tick_params(
        length=5.0 if outside else 0.0,
        width=1.0,
        color=ink,
        labelsize=size,
        labelcolor=labels.get("color", font.get("color", "#1a1a1a")),
        labelrotation=-float(given.get("tickangle", 0)) if given.get("tickangle") != "auto" else 0.0,
    )
    title = given.get("title", {})
    words, weight = text_of(title.get("text", ""))
    own = {"size": 14 if not font else float(font.get("size", 12)) + 1, "color": "#1a1a1a", **title.get("font", {})}
    axis.set_label_text(words, fontsize=float(own["size"]), color=own["color"], fontweight=weight)
    axis.labelpad = float(title.get("standoff", 8.0))


def finish_page(
    page: Page, marks: Sequence[Points | Bars], axes: Mapping[str, Mapping[str, Any]], scales: Mapping[str, Scale]
) -> None:
    """Set title, ticks and legend, and widen the margins until everything drawn lies on the page.

    Parameters
    ----------
    page : Page
        With all that is drawn on its axes; changed in place.
    marks : sequence of Points and Bars
        Traces that are named in the legend.
    axes, scales : mapping
        As for `add_axes`.

    Raises
    ------
    ValueError
        The legend is to stand elsewhere than under the plot, or the format of
        ticks cannot be drawn.
    """
    title = _title(page)
    for _ in range(_MOST_ROUNDS):
        _place(page)
        for name, ax in page.axes.items():
            shares = page.domains[name]
            whole = page.width - page.margin["l"] - page.margin["r"] if name[0] == "x" else page.high
            axis = getattr(ax, f"{name[0]}axis")
            set_ticks(axis, scales[name], axes[name], length=whole * (shares[1] - shares[0]), texts=text_of)
            if axes[name].get("showticklabels", True) is False:
                axis.set_tick_params(**{"labelbottom" if name[0] == "x" else "labelleft": False})
        more = _outside(page)
        if max(more.values()) < _SETTLED:
            break
        for side, px in more.items():
            page.margin[side] += px
    _add_legend(page, marks)
    _place(page)
    if title is not None:
        left = min(page.margin["l"], page.width - _EDGE - title.get_window_extent().width)
        title.set_position((left / page.width, 1.0 - _EDGE / _height(page)))


def _key(mark: Points | Bars) -> tuple[Any, ...]:
    return bars_key(mark) if isinstance(mark, Bars) else points_key(mark)


def _label(text: object) -> str:
    return text_of(text)[0]


def _height(page: Page) -> float:
    return page.margin["t"] + page.high + page.margin["b"] + page.below


def _place(page: Page) -> None:
    """Put the axes where the margins leave room, on a page as high as it takes."""
    height = _height(page)
    page.canvas.set_size_inches(page.width / 72, height / 72)
    left, low = page.margin["l"] / page.width, (page.below + page.margin["b"]) / height
    wide = max(page.width - page.margin["l"] - page.margin["r"], 40.0) / page.width
    high = page.high / height
    page.plot.set_points(np.array([[left, low], [left + wide, low + high]]))
    for name, ax in page.axes.items():
        if name[0] == "x":
            (x0, x1), (y0, y1) = page.domains[name], page.domains[page.beside[name]]
            ax.set_position((left + wide * x0, low + high * y0, wide * (x1 - x0), high * (y1 - y0)))


def _outside(page: Page) -> dict[str, float]:
    """Return how far what is drawn reaches over the edge of the page on each side `[px]`."""
    box = page.canvas.get_tightbbox()
    height = _height(page)
    return {
        "l": max(_EDGE - 72 * box.x0, 0.0),
        "r": max(72 * box.x1 - page.width + _EDGE, 0.0),
        "t": max(72 * box.y1 - height + _EDGE, 0.0),
        "b": max(_EDGE - 72 * box.y0, 0.0),
    }


def _title(page: Page) -> Any:
    """Write the title over the plot, and make room for it."""
    given = page.layout.get("title", {})
    words, weight = text_of(given.get("text", ""))
    if not words:
        return None
    font = {"size": 17, "color": "#1a1a1a", **given.get("font", {})}
    title = page.canvas.text(
        0, 1, words, ha="left", va="top", fontsize=font["size"], color=font["color"], fontweight=weight, gid="title"
    )
    title.set_in_layout(False)
    over = title.get_window_extent().width / (page.width - 2 * _EDGE)
    if over > 1:
        longest = max(len(line) for line in words.split("\n"))
        title.set_text("\n".join(textwrap.fill(line, int(longest / over)) for line in words.split("\n")))
    page.margin["t"] = max(page.margin["t"], title.get_window_extent().height + 3 * _EDGE)
    return title


def _add_legend(page: Page, marks: Sequence[Points | Bars]) -> None:
    """Write the legend under the plot, in as many columns as there is room for.

    Raises
    ------
    ValueError
        It is to stand elsewhere.
    """
    from matplotlib.legend_handler import HandlerTuple

    shown = [mark for mark in marks if mark.trace.get("showlegend", True)]
    asked = page.layout.get("showlegend", len(shown) > 1 or any(mark.trace.get("showlegend") for mark in shown))
    if not shown or not asked:
        return
    given = page.layout.get("legend", {})
    if given.get("orientation", "v") != "h" or float(given.get("y", -0.1)) > 0:
        raise ValueError("a legend must lie under the plot (orientation 'h', y below 0); this one does not")
    keys = [_key(mark) for mark in shown]
    names = [_label(mark.trace.get("name", f"trace {mark.number}")) for mark in shown]
    size = float(given.get("font", {}).get("size", page.layout.get("font", {}).get("size", 12)))
    room = page.width - page.margin["l"] - _EDGE
    for columns in range(len(shown), 0, -1):
        legend = page.canvas.legend(
            keys,
            names,
            ncols=columns,
            handler_map={tuple: HandlerTuple(ndivide=1, pad=0)},
            loc="upper left",
            fontsize=size,
            frameon=False,
            borderpad=0.0,
            borderaxespad=0.0,
            columnspacing=1.6,
        )
        legend.set_gid("legend")
        box = legend.get_window_extent()
        if box.width <= room or columns == 1:
            break
        legend.remove()
    page.below = box.height + _GAP + _EDGE
    left = max(min(page.margin["l"], page.width - _EDGE - box.width), 0.0)
    legend.set_bbox_to_anchor(
        (left / page.width, (page.below - _GAP) / _height(page)), transform=page.canvas.transFigure
    )
