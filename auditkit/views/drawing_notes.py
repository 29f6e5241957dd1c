"""Shapes and annotations of a drawn figure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from auditkit.views.drawing_looks import colour, dash_of, text_of
from auditkit.views.drawing_scales import Scale

__all__ = ["add_annotation", "add_shape"]


def add_shape(
    shape: Mapping[str, Any], *, number: int, axes: Mapping[str, Any], scales: Mapping[str, Scale], paper: Any
) -> None:
    """Draw a line, a rectangle or an ellipse.

    Parameters
    ----------
    shape : mapping
        As plotly has it.
    number : int
        Its place among the shapes.
    axes : mapping of str to matplotlib.axes.Axes
        By name of their x and by name of their y axis; changed in place.
    scales : mapping of str to Scale
    paper : matplotlib.transforms.Transform
        From shares of the plot to the page.

    Raises
    ------
    ValueError
        The shape is of a kind, or its line has dashes, that cannot be drawn.
    """
    from matplotlib.lines import Line2D
    from matplotlib.patches import Ellipse, Rectangle
    from matplotlib.transforms import blended_transform_factory

    if shape.get("visible", True) is not True:
        return
    refs = {letter: str(shape.get(f"{letter}ref", letter)) for letter in "xy"}
    ax = _axes_of(refs, axes)
    place = blended_transform_factory(*(_transform(refs[letter], axes, paper) for letter in "xy"))
    x0, x1, y0, y1 = (_value(shape.get(name), refs[name[0]], scales) for name in ("x0", "x1", "y0", "y1"))
    line, opacity = shape.get("line", {}), float(shape.get("opacity", 1.0))
    edge: dict[str, Any] = {
        "linewidth": float(line.get("width", 2.0)),
        "linestyle": dash_of(line),
        "zorder": 0.7 if shape.get("layer") == "below" else 4.0,
        "transform": place,
        "gid": f"shape-{number}",
    }
    ink = colour(line.get("color", "#444444"), opacity=opacity)
    kind = shape.get("type", "rect")
    if kind == "line":
        ax.add_line(Line2D([x0, x1], [y0, y1], color=ink, **edge))
    elif kind in ("rect", "circle"):
        fill = colour(shape.get("fillcolor", "rgba(0,0,0,0)"), opacity=opacity)
        face: dict[str, Any] = {"facecolor": fill, "edgecolor": ink if edge["linewidth"] else "none"}
        if kind == "rect":
            ax.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, **face, **edge))
        else:
            middle = ((x0 + x1) / 2, (y0 + y1) / 2)
            ax.add_patch(Ellipse(middle, abs(x1 - x0), abs(y1 - y0), **face, **edge))
    else:
        raise ValueError(f"a shape must be a line, a rect or a circle; given {kind!r}")


def add_annotation(
    note: Mapping[str, Any],
    *,
    number: int,
    axes: Mapping[str, Any],
    scales: Mapping[str, Scale],
    paper: Any,
    font: Mapping[str, Any],
) -> None:
    """Write an annotation, in its box and with its arrow where it has them.

    Parameters
    ----------
    note : mapping
        As plotly has it.
    number : int
        Its place among the annotations.
    axes, scales, paper
        As for `add_shape`.
    font : mapping
        Size and colour where the annotation names none.

    Raises
    ------
    ValueError
        Its arrow cannot be drawn.
    """
    if note.get("visible", True) is False:
        return
    refs = {letter: str(note.get(f"{letter}ref", letter)) for letter in "xy"}
    point = tuple(_value(note.get(letter, 0.5), refs[letter], scales, logged=True) for letter in "xy")
    own = {**font, **note.get("font", {})}
    size = float(own.get("size", 12))
    words, weight = text_of(note.get("text", ""))
    shift = [float(note.get("xshift", 0)), float(note.get("yshift", 0))]
    arrow = None
    if note.get("showarrow", True):
        shift = [float(note.get("ax", -10)), -float(note.get("ay", -30))]
        arrow = _arrow(note)
        across, up = ("center" if note.get(f"{k}anchor", "auto") == "auto" else note[f"{k}anchor"] for k in "xy")
    else:
        across = _anchor(note.get("xanchor", "auto"), refs["x"], point[0], ("left", "center", "right"))
        up = _anchor(note.get("yanchor", "auto"), refs["y"], point[1], ("bottom", "center", "top"))
    drawn = _axes_of(refs, axes).annotate(
        words,
        point,
        xycoords=tuple(_transform(refs[letter], axes, paper) for letter in "xy"),
        xytext=shift,
        textcoords="offset points",
        ha=across,
        va=_UP.get(up, up),
        multialignment=note.get("align", "center"),
        fontsize=size,
        fontweight=weight,
        color=colour(own.get("color", "#1a1a1a")),
        rotation=-float(note.get("textangle", 0)),
        bbox=_box(note, size),
        arrowprops=arrow,
        annotation_clip=False,
        zorder=6.0,
        gid=f"annotation-{number}",
    )
    if drawn.arrow_patch is not None:
        drawn.arrow_patch.set_gid(f"annotation-{number}-arrow")
    drawn.set_alpha(float(note["opacity"]) if "opacity" in note else None)


_UP = {"middle": "center"}


def _anchor(given: Any, ref: str, place: float, sides: tuple[str, str, str]) -> str:
    """Return where a text is held: as told, else by the third of the page in which it stands."""
    if given != "auto":
        return str(given)
    if ref != "paper":
        return sides[1]
    return sides[0] if place < 1 / 3 else sides[2] if place > 2 / 3 else sides[1]


def _arrow(note: Mapping[str, Any]) -> dict[str, Any]:
    head = int(note.get("arrowhead", 1))
    return {
        "arrowstyle": "-" if head == 0 else "-|>",
        "color": colour(note.get("arrowcolor", "#444444")),
        "linewidth": float(note.get("arrowwidth", 1.0)),
        "shrinkA": 1.0,
        "shrinkB": float(note.get("standoff", 0.0)),
    }


def _box(note: Mapping[str, Any], size: float) -> dict[str, Any] | None:
    """Return the box behind a text, of a width of its own where the annotation gives one."""
    if not {"bgcolor", "bordercolor", "width"} & set(note):
        return None
    pad = float(note.get("borderpad", 1.0))
    width = float(note["width"]) if "width" in note else None
    return {
        "boxstyle": _outline(pad, size, width),
        "facecolor": colour(note.get("bgcolor", "rgba(0,0,0,0)")),
        "edgecolor": colour(note.get("bordercolor", "rgba(0,0,0,0)")),
        "linewidth": float(note.get("borderwidth", 1.0)) if "bordercolor" in note else 0.0,
    }


def _outline(pad: float, size: float, width: float | None) -> Callable[..., Any]:
    """Return what draws the outline of a box round a text, in the units of the page."""

    def outline(x: float, y: float, wide: float, high: float, now: float) -> Any:
        from matplotlib.path import Path

        scale = now / size
        half = (wide if width is None else width * scale) / 2 + pad * scale
        middle, low, top = x + wide / 2, y - pad * scale, y + high + pad * scale
        corners = [(middle - half, low), (middle + half, low), (middle + half, top), (middle - half, top)]
        return Path([*corners, corners[0]], closed=True)

    return outline


def _axes_of(refs: Mapping[str, str], axes: Mapping[str, Any]) -> Any:
    """Return the axes that hold a note, the first where it refers to none."""
    for ref in refs.values():
        if (name := ref.removesuffix(" domain")) in axes:
            return axes[name]
    return next(iter(axes.values()))


def _transform(ref: str, axes: Mapping[str, Any], paper: Any) -> Any:
    if ref == "paper":
        return paper
    ax = axes[ref.removesuffix(" domain")]
    return ax.transAxes if ref.endswith(" domain") else ax.transData


def _value(given: Any, ref: str, scales: Mapping[str, Scale], *, logged: bool = False) -> float:
    """Return where a value lies: a share of the page or of an axis, or a place on its scale."""
    if ref not in scales:
        return float(given)
    scale = scales[ref]
    return 10.0 ** float(given) if logged and scale.kind == "log" else float(scale.places([given])[0])
