"""What of a plotly figure can be drawn without a browser; anything else is refused rather than left out in silence."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

__all__ = ["check_drawable"]


def check_drawable(data: list[dict[str, Any]], layout: Mapping[str, Any]) -> None:
    """Raise where a figure asks for something that would not be drawn.

    Parameters
    ----------
    data : list of dict
        Traces, as in the JSON of a figure.
    layout : mapping
        Layout, without its template.

    Raises
    ------
    ValueError
        A kind of trace or an attribute is not among those that can be drawn;
        the message names all of them.

    Examples
    --------
    >>> check_drawable([{"type": "pie", "values": [1]}], {"images": [{"x": 0}]})
    Traceback (most recent call last):
    ...
    ValueError: a figure must hold only what can be drawn without a browser; given pie, layout.images.x. Draw it with
    scatter or bar traces, shapes and annotations, or add it to views.drawing.
    """
    unknown: list[str] = []
    for trace in data:
        kind = str(trace.get("type", "scatter"))
        if kind not in _TRACES:
            unknown.append(kind)
            continue
        known = _TRACES[kind]
        unknown += [f"{kind}.{path}" for path in _paths(trace) if path not in known and not _unseen(path)]
    unknown += [f"layout.{path}" for path in _paths(layout) if not _layout_knows(path)]
    if unknown:
        raise ValueError(
            f"a figure must hold only what can be drawn without a browser; given {', '.join(dict.fromkeys(unknown))}. "
            "Draw it with scatter or bar traces, shapes and annotations, or add it to views.drawing."
        )


def _paths(value: Mapping[str, Any], before: str = "") -> Iterator[str]:
    """Return the dotted names of everything that is set; members of a list of mappings share theirs."""
    for name, item in value.items():
        path = f"{before}{name}"
        if isinstance(item, Mapping) and "bdata" not in item:
            yield from _paths(item, f"{path}.")
        elif isinstance(item, (list, tuple)) and item and all(isinstance(part, Mapping) for part in item):
            for part in item:
                yield from _paths(part, f"{path}.")
        elif item is not None:
            yield path


def _unseen(path: str) -> bool:
    """Return whether it only says what a pointer brings up."""
    return path.partition(".")[0] in _POINTER


def _layout_knows(path: str) -> bool:
    first, _, rest = path.partition(".")
    if first[:5] in ("xaxis", "yaxis") and (first[5:] == "" or first[5:].isdigit()):
        return rest in _AXIS or _unseen(rest)
    return path in _LAYOUT or _unseen(path) or (first == "annotations" and _unseen(rest))


def _names(text: str) -> frozenset[str]:
    return frozenset(text.split())


def _under(name: str, parts: str) -> frozenset[str]:
    return frozenset(f"{name}.{part}" for part in parts.split())


_POINTER = _names(
    "customdata hoverinfo hoverlabel hovermode hoveron hovertemplate hovertext ids meta uid uirevision dragmode "
    "captureevents clickmode spikedistance hoverdistance showspikes fixedrange"
)
_BOTH = (
    _names("type name x y xaxis yaxis visible showlegend legendgroup opacity text textposition")
    | _under("textfont", "size color")
    | _under("marker", "color opacity line.color line.width")
)
_PATTERN = "shape fgcolor bgcolor size solidity fillmode fgopacity"
_ERRORS = "type array arrayminus symmetric color thickness width visible"
_TRACES: dict[str, frozenset[str]] = {
    "scatter": _BOTH
    | _names("mode fill fillcolor connectgaps cliponaxis marker.symbol marker.size")
    | _under("line", "color width dash shape smoothing")
    | _under("fillpattern", _PATTERN)
    | _under("error_x", _ERRORS)
    | _under("error_y", _ERRORS),
    "bar": _BOTH | _names("orientation insidetextanchor textangle width base") | _under("marker.pattern", _PATTERN),
}
_AXIS = _names(
    "anchor automargin autorange categoryarray categoryorder color constrain domain dtick gridcolor gridwidth "
    "linecolor linewidth matches range rangemode scaleanchor showgrid showline showticklabels tick0 tickangle "
    "tickformat tickfont.size tickfont.color ticks ticktext tickvals title.font.size title.font.color title.standoff "
    "title.text type visible zeroline zerolinecolor zerolinewidth nticks"
)
_LAYOUT = (
    _names("width height showlegend barmode bargap plot_bgcolor paper_bgcolor colorway autosize")
    | _under("title", "text x xref xanchor y yanchor font.size font.color")
    | _under("font", "family size color")
    | _under("margin", "l r t b pad autoexpand")
    | _under("legend", "orientation x y xanchor yanchor traceorder title.text font.size")
    | _under(
        "shapes", "type x0 x1 y0 y1 xref yref layer opacity fillcolor line.color line.width line.dash visible name"
    )
    | _under(
        "annotations",
        "x y xref yref text showarrow ax ay arrowhead arrowcolor arrowwidth standoff align xanchor yanchor xshift "
        "yshift bgcolor bordercolor borderwidth borderpad width textangle opacity visible font.size font.color name",
    )
)
