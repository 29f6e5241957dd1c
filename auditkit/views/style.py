"""One look for every figure: print-safe, readable without colour, in the Okabe-Ito palette.

It is plotly's template `TEMPLATE_NAME`, known to plotly from the first figure on.

References
----------
.. [1] Okabe M, Ito K (2008). Color universal design: how to make figures and presentations that are friendly to
   colorblind people.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["GREY", "INK", "OKABE_ITO", "TEMPLATE_NAME", "VERDICT_COLOURS", "VERDICT_SYMBOLS", "template"]

TEMPLATE_NAME = "auditkit"
"""Name under which plotly knows the look, once `template` was called."""

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
INK = "#333333"

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


@cache
def template() -> go.layout.Template:
    """Return the plotly template of every figure, and register it as `TEMPLATE_NAME`.

    Plotly's default template stays what it is.

    Examples
    --------
    >>> template().layout.colorway[0]
    '#0072B2'
    >>> import plotly.io
    >>> "auditkit" in plotly.io.templates, plotly.io.templates.default == "auditkit"
    (True, False)
    """
    import plotly.graph_objects as go
    import plotly.io

    axis = {
        "showline": True,
        "linecolor": INK,
        "gridcolor": "#E3E3E3",
        "zeroline": False,
        "ticks": "outside",
        "title": {"standoff": 8},
        "automargin": True,
    }
    order = ("blue", "vermillion", "bluish green", "orange", "reddish purple", "sky blue", "black", "yellow")
    made = go.layout.Template(
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
            # records stay where they are: no button that would send a figure to somebody else's server
            "modebar": {"remove": ["sendChartToCloud", "sendDataToCloud", "editInChartStudio"]},
        }
    )
    plotly.io.templates[TEMPLATE_NAME] = made
    return made
