"""Dose and response: the risk of each defect along a condition, with how many runs lie where."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from auditkit.trade.conditions import Condition
from auditkit.views.sentences import unit_sign
from auditkit.views.style import GREY, OKABE_ITO, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["dose_response"]

_ACROSS = 4
_DENSITY_SHARE = 0.25


def dose_response(curve: pd.DataFrame, density: pd.DataFrame, pairs: pd.DataFrame, condition: Condition) -> go.Figure:
    """Return the risk of each defect along one condition, a panel a defect that has a curve.

    The grey hills at the foot are where the runs lie; no curve is drawn where
    they are too few.

    Parameters
    ----------
    curve, density, pairs : DataFrame
        Of `findings.dose_response.DoseResponse`.
    condition : Condition
        The condition to draw.
    """
    import plotly.graph_objects as go
    from plotly.subplots import make_subplots

    own = curve[(curve["condition"] == condition.name) & curve["supported"]]
    told = pairs[(pairs["condition"] == condition.name) & (pairs["why"] == "")]
    defects = [str(name) for name in told["defect"] if (own["defect"] == name).any()]
    counts = {str(row.defect): f"{row.found} of {row.n}" for row in told.itertuples()}
    titles = [f"{name} ({counts[name]})" for name in defects]
    rows = max(-(-len(defects) // _ACROSS), 1)
    columns = min(max(len(defects), 1), _ACROSS)
    figure = make_subplots(
        rows=rows,
        cols=columns,
        subplot_titles=titles or ["no curve: the runs are too few"],
        shared_xaxes="all",
        horizontal_spacing=0.05,
        vertical_spacing=0.16 if rows > 1 else 0.0,
    )
    hills = density[density["condition"] == condition.name].sort_values("value")
    resistance = condition.unit == "ohm"
    for place, defect in enumerate(defects):
        at = {"row": place // _ACROSS + 1, "col": place % _ACROSS + 1}
        line = own[own["defect"] == defect].sort_values("value")
        percent = {name: (100.0 * line[name]).tolist() for name in ("risk", "low", "high")}
        top = max(percent["high"], default=1.0) * 1.05
        tall = hills["density"] / hills["density"].max() * top * _DENSITY_SHARE
        hill = {"mode": "lines", "line": {"width": 0}, "fill": "tozeroy", "fillcolor": "#CFCFCF", "hoverinfo": "skip"}
        figure.add_trace(
            go.Scatter(
                x=hills["value"].tolist(), y=tall.tolist(), name="where the runs lie", showlegend=place == 0, **hill
            ),
            **at,
        )
        edge = {"mode": "lines", "line": {"width": 0}, "hoverinfo": "skip"}
        x = line["value"].tolist()
        figure.add_trace(go.Scatter(x=x, y=percent["high"], showlegend=False, **edge), **at)
        band = {"fill": "tonexty", "fillcolor": "rgba(0, 114, 178, 0.18)"}
        figure.add_trace(go.Scatter(x=x, y=percent["low"], name="limits", showlegend=place == 0, **band, **edge), **at)
        figure.add_trace(
            go.Scatter(
                x=x,
                y=percent["risk"],
                mode="lines",
                line={"color": OKABE_ITO["blue"], "width": 2},
                name="risk, all else as it was",
                showlegend=place == 0,
                hovertemplate="%{x:.4g}: %{y:.1f} %<extra>" + defect + "</extra>",
            ),
            **at,
        )
        for limit in (condition.low, condition.high):
            if limit is not None and len(hills) and hills["value"].min() <= limit <= hills["value"].max():
                figure.add_vline(x=limit, line={"color": GREY, "width": 1, "dash": "dash"}, **at)
        figure.update_yaxes(range=[0, top], title={"text": "runs with it [%]" if at["col"] == 1 else ""}, **at)
    sign = unit_sign(condition.unit)
    figure.update_xaxes(type="log" if resistance else "linear")
    figure.update_xaxes(title={"text": f"{condition.title.lower()} [{sign or '-'}]"}, row=rows)
    figure.update_layout(
        template=template(),
        title={"text": f"{condition.title}: risk of each defect, adjusted; the window between the dashed lines"},
        height=130 + 220 * rows,
        margin={"t": 84},
        legend={"y": -0.18 if rows > 1 else -0.3},
    )
    return figure
