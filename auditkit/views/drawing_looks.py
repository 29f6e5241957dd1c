"""Looks of a drawn figure: colours, dashes, marker shapes, hatching, and text that a font can print."""

from __future__ import annotations

import html
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from auditkit.views.drawing_scales import Floats, listed

__all__ = [
    "FONT",
    "RGBA",
    "Face",
    "Marker",
    "colour",
    "contrast",
    "dash_of",
    "each",
    "face_keys",
    "face_of",
    "fill_outline",
    "marker_at",
    "marker_of",
    "strokes_of",
    "text_of",
]

FONT = "DejaVu Serif"
"""Comes with the drawing library, so that the same figure gives the same bytes everywhere."""

RGBA = tuple[float, float, float, float]

_DASHES: dict[str, Any] = {
    "solid": "-",
    "dash": (0, (6, 4)),
    "dot": (0, (1.5, 3)),
    "dashdot": (0, (6, 3, 1.5, 3)),
    "longdash": (0, (10, 5)),
}
"""Dash patterns by plotly's name, in widths of the line."""

_CONCAVE_TRIANGLE = ((0.0, 1.0), (0.3, 0.17), (0.87, -0.5), (0.0, -0.35), (-0.87, -0.5), (-0.3, 0.17), (0.0, 1.0))

_SYMBOLS: dict[str, tuple[Any, float]] = {
    "circle": ("o", 1.0),
    "square": ("s", 1.0),
    "diamond": ("D", 0.92),
    "cross": ("P", 1.0),
    "x": ("X", 1.1),
    "triangle-up": ("^", 1.15),
    "triangle-down": ("v", 1.15),
    "triangle-left": ("<", 1.15),
    "triangle-right": (">", 1.15),
    "pentagon": ("p", 1.0),
    "hexagon": ("h", 1.0),
    "star": ("*", 1.4),
    "star-triangle-up": (_CONCAVE_TRIANGLE, 1.3),
    "x-thin": ("x", 1.0),
    "cross-thin": ("+", 1.4),
    "line-ew": ("_", 1.4),
    "line-ns": ("|", 1.4),
}
"""Shape by plotly's name, and its size as a share of that of a circle."""

_STROKES = ("x-thin", "cross-thin", "line-ew", "line-ns")
_HATCHES = {"": "", "/": "//", "\\": "\\\\", "x": "xx", ".": "..", "-": "--", "|": "||", "+": "++"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Marker:
    """How a marker is drawn; size and width in pixels."""

    shape: Any
    size: float
    fill: RGBA | str
    edge: RGBA
    edge_width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Face:
    """How an area is filled: its colour, and lines or dots over it."""

    fill: RGBA
    hatch: str
    ink: RGBA


def colour(name: object, *, opacity: float = 1.0) -> RGBA:
    """Return red, green, blue and opacity, each from 0 to 1.

    Parameters
    ----------
    name : str
        As in CSS: '#0072B2', 'rgb(0, 114, 178)', 'rgba(0, 114, 178, 0.5)', or a
        name.
    opacity : float
        By which that of the colour is multiplied.

    Raises
    ------
    ValueError
        It is no colour.

    Examples
    --------
    >>> colour("rgba(255, 0, 51, 0.5)", opacity=0.5)
    (1.0, 0.0, 0.2, 0.25)
    >>> colour("#00ff00")
    (0.0, 1.0, 0.0, 1.0)
    """
    from matplotlib.colors import is_color_like, to_rgba

    text = name.strip().lower() if isinstance(name, str) else ""
    if match := re.fullmatch(r"rgba?\((\s*[\d.]+\s*(?:,\s*[\d.]+\s*){2,3})\)", text):
        parts = [float(part) for part in match[1].split(",")]
        red, green, blue = (part / 255.0 for part in parts[:3])
        return red, green, blue, opacity * (parts[3] if len(parts) == 4 else 1.0)
    if not re.fullmatch(r"#[0-9a-f]+|[a-z]+", text) or not is_color_like(text):
        raise ValueError(f"a colour must be one of CSS, such as '#0072B2'; given {name!r}")
    red, green, blue, own = to_rgba(text)
    return red, green, blue, opacity * own


def dash_of(line: Mapping[str, Any]) -> Any:
    """Return the dashes of a line in the words of matplotlib.

    Raises
    ------
    ValueError
        They are none of those that can be drawn.

    Examples
    --------
    >>> dash_of({"dash": "dash"}), dash_of({})
    ((0, (6, 4)), '-')
    """
    name = line.get("dash", "solid")
    if name not in _DASHES:
        raise ValueError(f"a dash must be one of {list(_DASHES)}; given {name!r}")
    return _DASHES[name]


def contrast(background: RGBA) -> RGBA:
    """Return white or dark grey, whichever is read more easily on a colour.

    The brightness is that of W3C's techniques for accessibility evaluation
    (2000): red, green and blue weighted 299, 587 and 114.

    Examples
    --------
    >>> contrast(colour("#0072B2")), contrast(colour("#F0E442"))[0] < 0.3
    ((1.0, 1.0, 1.0, 1.0), True)
    """
    red, green, blue, _ = background
    dark = 0.299 * red + 0.587 * green + 0.114 * blue < 0.5
    return colour("#ffffff" if dark else "#444444")


def face_of(marker: Mapping[str, Any], *, own: object, opacity: float = 1.0) -> Face:
    """Return how a bar or an outline is filled.

    Parameters
    ----------
    marker : mapping
        A pattern as plotly has it: shape, fillmode, fgcolor, bgcolor,
        fgopacity.
    own : str
        Colour without a pattern.
    opacity : float

    Raises
    ------
    ValueError
        The pattern is none of those that can be drawn.
    """
    shape = marker.get("shape", "")
    if not isinstance(shape, str) or shape not in _HATCHES:
        raise ValueError(f"the shape of a pattern must be one of {list(_HATCHES)}; given {shape!r}")
    base = colour(own, opacity=opacity)
    if not shape:
        return Face(fill=base, hatch="", ink=base)
    replaced = marker.get("fillmode", "replace") == "replace"
    behind = colour(marker.get("bgcolor", "#ffffff" if replaced else own), opacity=opacity)
    front = colour(marker["fgcolor"]) if "fgcolor" in marker else base if replaced else contrast(base)
    share = float(marker.get("fgopacity", 1.0 if replaced else 0.5))
    return Face(fill=behind, hatch=_HATCHES[shape], ink=(*front[:3], front[3] * share))


def marker_of(marker: Mapping[str, Any], *, own: str, opacity: float = 1.0) -> Marker:
    """Return how one marker is drawn.

    Parameters
    ----------
    marker : mapping
        As plotly has it, of one point: symbol, color, size, opacity, line.
    own : str
        Colour of the trace, where the marker has none.
    opacity : float
        Of the trace.

    Raises
    ------
    ValueError
        The symbol is none of those that can be drawn.

    Examples
    --------
    >>> look = marker_of({"symbol": "circle-open", "color": "#000000", "size": 8}, own="#ffffff")
    >>> look.shape, look.size, look.fill, look.edge_width
    ('o', 8.0, 'none', 1.0)
    """
    symbol = str(marker.get("symbol", "circle"))
    name = symbol.removesuffix("-open")
    if name not in _SYMBOLS:
        raise ValueError(f"a symbol must be one of {list(_SYMBOLS)}, or one of them with '-open'; given {symbol!r}")
    shape, share = _SYMBOLS[name]
    drawn = colour(marker.get("color", own), opacity=opacity * float(marker.get("opacity", 1.0)))
    line = marker.get("line", {})
    width = float(line.get("width", 0.0))
    size = share * float(marker.get("size", 6.0))
    if symbol != name or name in _STROKES:
        return Marker(shape=shape, size=size, fill="none", edge=drawn, edge_width=width or 1.0)
    edge = colour(line.get("color", "#444444"), opacity=drawn[3])
    return Marker(shape=shape, size=size, fill=drawn, edge=edge if width else drawn, edge_width=width)


_BREAK = re.compile(r"<br\s*/?>", re.IGNORECASE)
_STYLED = re.compile(r"</?(?:b|i|em|strong|sub|sup)>", re.IGNORECASE)
_ALL_BOLD = re.compile(r"<b>((?:(?!</?b>).)*)</b>", re.IGNORECASE | re.DOTALL)
_MOST = 400
"""More characters than this are cut from a label."""


def text_of(text: object) -> tuple[str, str]:
    """Return a label as it is drawn and its weight.

    plotly's own marks of style are taken out: a line break breaks the line, a
    label bold from end to end is bold, and any other is not. All else stands as
    it is. A character that steers the direction of writing, or that the font
    lacks, is drawn as its code point.

    Examples
    --------
    >>> text_of("<b>J1</b>"), text_of("open<br><b>1</b> more &lt; 3")
    (('J1', 'bold'), ('open\\n1 more < 3', 'normal'))
    >>> text_of("<script>\\u202e")[0]
    '<script>[U+202E]'
    """
    given = str(text)
    bold = _ALL_BOLD.fullmatch(given.strip())
    plain = html.unescape(_STYLED.sub("", _BREAK.sub("\n", bold[1] if bold else given)))
    if len(plain) > _MOST:
        plain = f"{plain[:_MOST]}... ({len(plain) - _MOST:,} characters more)"
    return "".join(map(_printable, plain)), "bold" if bold else "normal"


@cache
def _printable(character: str) -> str:
    if character == "\n":
        return character
    known = ord(character) in _characters() and unicodedata.category(character) not in ("Cc", "Cf", "Cs", "Zl", "Zp")
    return character if known else f"[U+{ord(character):04X}]"


@cache
def _characters() -> frozenset[int]:
    """Return the code points that the font holds, upright and bold."""
    from matplotlib.font_manager import FontProperties, findfont, get_font

    fonts = (FontProperties(family=FONT, weight=weight) for weight in ("normal", "bold"))
    upright, bold = (get_font(findfont(font)).get_charmap() for font in fonts)
    return frozenset(upright) & frozenset(bold)


def each(value: Any, i: int) -> Any:
    """Return a property of one point, where it may be one for all or one for each; None beyond the last."""
    if isinstance(value, (list, tuple, np.ndarray)) or (isinstance(value, Mapping) and "bdata" in value):
        values = listed(value)
        return values[i] if i < len(values) else None
    return value


def marker_at(marker: Mapping[str, Any], i: int) -> dict[str, Any]:
    """Return the marker of one point, without what it leaves open.

    Examples
    --------
    >>> marker_at({"color": ["red", "blue"], "size": 8, "line": {"width": [1, 2]}}, 1)
    {'color': 'blue', 'size': 8, 'line': {'width': 2}}
    """
    line = {name: one for name, value in marker.get("line", {}).items() if (one := each(value, i)) is not None}
    own = {name: one for name, value in marker.items() if name != "line" and (one := each(value, i)) is not None}
    return own | {"line": line}


def strokes_of(look: Marker) -> dict[str, Any]:
    """Return a marker in the words of matplotlib."""
    return {
        "marker": look.shape,
        "markersize": look.size,
        "markerfacecolor": look.fill,
        "markeredgecolor": look.edge,
        "markeredgewidth": look.edge_width,
    }


def fill_outline(
    ax: Any, corners: Floats, face: Face, *, gid: str, level: float, line: Mapping[str, Any] | None = None
) -> None:
    """Fill an outline, and lay its hatching over it as a second one, which alone can have a colour of its own."""
    from matplotlib.patches import Polygon

    width = float((line or {}).get("width", 0.0))
    edge = colour((line or {}).get("color", "#444444")) if width else "none"
    ax.add_patch(Polygon(corners, facecolor=face.fill, edgecolor=edge, linewidth=width, zorder=level, gid=gid))
    if face.hatch:
        over: dict[str, Any] = {"facecolor": "none", "edgecolor": face.ink, "hatch": face.hatch, "linewidth": 0.0}
        ax.add_patch(Polygon(corners, zorder=level + 0.001, gid=f"{gid}-hatch", **over))


def face_keys(face: Face) -> tuple[Any, ...]:
    """Return what stands for a filled area in a legend."""
    from matplotlib.patches import Patch

    plain = Patch(facecolor=face.fill, edgecolor="none", linewidth=0.0)
    over = Patch(facecolor="none", edgecolor=face.ink, hatch=face.hatch, linewidth=0.0)
    return (plain, over) if face.hatch else (plain,)
