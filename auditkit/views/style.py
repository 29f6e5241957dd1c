"""One look for every figure: print-safe, readable without colour, in the Okabe-Ito palette.

References
----------
.. [1] Okabe M, Ito K (2008). Color universal design: how to make figures and presentations that are friendly to
   colorblind people.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["OKABE_ITO", "VERDICT_COLOURS", "VERDICT_SYMBOLS", "template"]

OKABE_ITO: dict[str, str] = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky blue": "#56B4E9",
    "bluish green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "reddish purple": "#CC79A7",
}

GREY = "#767676"

VERDICT_COLOURS: dict[str, str] = {
    "conforms": OKABE_ITO["bluish green"],
    "does not conform": OKABE_ITO["vermillion"],
    "not assessable": GREY,
}

VERDICT_SYMBOLS: dict[str, str] = {
    "conforms": "circle",
    "does not conform": "x",
    "not assessable": "diamond-open",
}


def template() -> go.layout.Template:
    """Return the plotly template of every figure.

    Examples
    --------
    >>> template().layout.colorway[0]
    '#0072B2'
    """
    import plotly.graph_objects as go

    axis = {
        "showline": True,
        "linecolor": "#333333",
        "gridcolor": "#E3E3E3",
        "zeroline": False,
        "ticks": "outside",
        "title": {"standoff": 8},
        "automargin": True,
    }
    order = ("blue", "vermillion", "bluish green", "orange", "reddish purple", "sky blue", "black", "yellow")
    return go.layout.Template(
        layout={
            "font": {"family": "Georgia, 'DejaVu Serif', serif", "size": 13, "color": "#1a1a1a"},
            "title": {"font": {"size": 15}, "x": 0, "xref": "paper", "xanchor": "left"},
            "paper_bgcolor": "#ffffff",
            "plot_bgcolor": "#ffffff",
            "colorway": [OKABE_ITO[name] for name in order],
            "xaxis": axis,
            "yaxis": axis,
            "legend": {"orientation": "h", "y": -0.18, "x": 0, "title": {"text": ""}},
            "margin": {"l": 70, "r": 20, "t": 48, "b": 60},
            "hoverlabel": {"font": {"family": "Georgia, 'DejaVu Serif', serif"}},
        }
    )
