"""Figures of the work: climate through the day, delivery, and how long parts last."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from auditkit.views.style import GREY, OKABE_ITO, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["climate_course", "delivery_patterns", "life_curves"]

_NAMED = {
    "neither": ("neither shows", "circle-open", OKABE_ITO["blue"]),
    "cannot tell": ("cannot tell", "diamond-open", GREY),
    "restriction": ("restriction", "x", OKABE_ITO["vermillion"]),
    "loss ahead of the gauge": ("loss ahead of the gauge", "triangle-down", OKABE_ITO["reddish purple"]),
}


def climate_course(runs: pd.DataFrame, *, low: float | None) -> go.Figure:
    """Return how far the metal was above the dew point by hour of the day, a panel a site.

    Parameters
    ----------
    runs : DataFrame
        `ClimateFindings.runs`: site, hour, started_at, surface_margin_c `[C]`,
        margin (side of its window), run_id.
    low : float or None
        Least margin `[C]`.
    """
    import plotly.graph_objects as go
    from plotly.subplots import make_subplots

    known = runs[runs["surface_margin_c"].notna()]
    sites = sorted(known["site"].unique()) or ["no run with a margin"]
    titles = [f"{site} (n={int((known['site'] == site).sum())})" for site in sites]
    figure = make_subplots(rows=1, cols=len(sites), shared_yaxes=True, subplot_titles=titles, horizontal_spacing=0.03)
    looks = {
        "inside": ("kept", "circle-open", OKABE_ITO["blue"]),
        "no window": ("no limit given", "circle-open", GREY),
        "below": ("nearer than the limit", "x", OKABE_ITO["vermillion"]),
    }
    for column, site in enumerate(sites, start=1):
        for side, (words, symbol, colour) in looks.items():
            some = known[(known["site"] == site) & (known["margin"] == side)]
            if len(some) or (column == 1 and side != "no window"):
                figure.add_trace(
                    go.Scatter(
                        x=some["hour"].tolist() or [None],
                        y=some["surface_margin_c"].tolist() or [None],
                        mode="markers",
                        marker={"symbol": symbol, "color": colour, "size": 7},
                        name=words,
                        legendgroup=words,
                        showlegend=column == 1,
                        text=some["run_id"].tolist(),
                        hovertemplate="%{text}: %{y:.1f} °C<extra>" + words + "</extra>",
                    ),
                    row=1,
                    col=column,
                )
    if low is not None:
        figure.add_hline(y=low, line={"color": GREY, "width": 1, "dash": "dash"})
    figure.update_xaxes(title={"text": "hour of the day [h]"}, dtick=2)
    figure.update_yaxes(title={"text": "metal above dew point [°C]"}, row=1, col=1)
    figure.update_layout(
        template=template(),
        title={"text": f"Metal above the dew point by hour, {len(known)} runs"},
        height=430,
        margin={"t": 78},
    )
    return figure


def delivery_patterns(runs: pd.DataFrame) -> go.Figure:
    """Return each run's flow against its pressure, both as shares of what a clean unit has, a panel a unit.

    Parameters
    ----------
    runs : DataFrame
        `DeliveryFindings.runs`: run_id, unit_id, pressure_ratio, delivery_ratio
        `[-]`, named, reason.
    """
    import plotly.graph_objects as go
    from plotly.subplots import make_subplots

    known = runs[runs["delivery_ratio"].notna() & runs["pressure_ratio"].notna()]
    units = sorted(known["unit_id"].unique()) or ["no run with a ratio"]
    titles = [f"{unit} (n={int((known['unit_id'] == unit).sum())})" for unit in units]
    figure = make_subplots(
        rows=1, cols=len(units), shared_yaxes=True, shared_xaxes="all", subplot_titles=titles, horizontal_spacing=0.02
    )
    for column, unit in enumerate(units, start=1):
        for name, (words, symbol, colour) in _NAMED.items():
            some = known[(known["unit_id"] == unit) & (known["named"] == name)]
            if len(some) or column == 1:
                figure.add_trace(
                    go.Scatter(
                        x=some["pressure_ratio"].tolist() or [None],
                        y=some["delivery_ratio"].tolist() or [None],
                        mode="markers",
                        marker={"symbol": symbol, "color": colour, "size": 7},
                        name=words,
                        legendgroup=words,
                        showlegend=column == 1,
                        text=(some["run_id"] + ": " + some["reason"]).str.wrap(70).str.replace("\n", "<br>").tolist(),
                        hovertemplate="%{text}<extra></extra>",
                    ),
                    row=1,
                    col=column,
                )
    figure.add_hline(y=1.0, line={"color": GREY, "width": 1, "dash": "dash"})
    figure.add_vline(x=1.0, line={"color": GREY, "width": 1, "dash": "dash"})
    figure.update_xaxes(title={"text": "pressure / usual [-]"})
    figure.update_yaxes(title={"text": "flow had / flow when clean [-]"}, row=1, col=1)
    title = f"Pressure and flow together, {len(known)} runs: flow down with pressure up says restriction"
    figure.update_layout(template=template(), title={"text": title}, height=430, margin={"t": 78})
    return figure


def life_curves(curves: pd.DataFrame, parts: pd.DataFrame) -> go.Figure:
    """Return the share of each part still good by age of use, a panel a part that has a curve.

    Parameters
    ----------
    curves : DataFrame
        `ReplacementFindings.curves`: part, mode, age_d `[d]`, good_share, low,
        high, turnbull `[-]`.
    parts : DataFrame
        `ReplacementFindings.parts`: part, mode, lives, failures, best_d `[d]`.
    """
    import plotly.graph_objects as go
    from plotly.subplots import make_subplots

    told = curves[curves["good_share"].notna()].groupby(["part", "mode"], sort=True).size()
    drawn = [(str(part), str(mode)) for part, mode in told.index]
    known = {(str(row["part"]), str(row["mode"])): row for row in parts.to_dict("records")}
    titles = [f"{part}, {mode}: {_lives(known[part, mode])}" for part, mode in drawn]
    figure = make_subplots(rows=1, cols=max(len(drawn), 1), shared_yaxes=True, subplot_titles=titles or ["no curve"])
    band = {"mode": "lines", "line": {"width": 0}, "hoverinfo": "skip"}
    for column, key in enumerate(drawn, start=1):
        rows = curves[(curves["part"] == key[0]) & (curves["mode"] == key[1])].sort_values("age_d")
        age, first = rows["age_d"].tolist(), column == 1
        place = {"row": 1, "col": column}
        figure.add_trace(go.Scatter(x=age, y=rows["high"].tolist(), showlegend=False, **band), **place)
        figure.add_trace(
            go.Scatter(
                x=age,
                y=rows["low"].tolist(),
                fill="tonexty",
                fillcolor="rgba(0, 114, 178, 0.18)",
                name="limits",
                showlegend=first,
                **band,
            ),
            **place,
        )
        line = {"color": OKABE_ITO["blue"], "width": 2}
        figure.add_trace(
            go.Scatter(x=age, y=rows["good_share"].tolist(), mode="lines", line=line, name="Weibull", showlegend=first),
            **place,
        )
        seen = rows[rows["turnbull"].notna()]
        figure.add_trace(
            go.Scatter(
                x=seen["age_d"].tolist(),
                y=seen["turnbull"].tolist(),
                mode="markers",
                marker={"symbol": "circle-open", "color": OKABE_ITO["black"], "size": 6},
                name="without a model",
                showlegend=first,
            ),
            **place,
        )
        best = float(known[key]["best_d"])
        if not math.isnan(best):
            figure.add_vline(x=best, line={"color": OKABE_ITO["vermillion"], "width": 1.5, "dash": "dash"}, **place)
    figure.update_xaxes(title={"text": "days of use since new or cleaned [d]"}, rangemode="tozero")
    figure.update_yaxes(title={"text": "share still good [-]"}, range=[0, 1.02], row=1, col=1)
    figure.update_layout(
        template=template(),
        title={"text": "How long parts last; the dashed line is the age at which a change in time costs least"},
        height=430,
        margin={"t": 78},
    )
    return figure


def _lives(row: Mapping[Hashable, Any]) -> str:
    return f"{int(row['lives'])} lives, {int(row['failures'])} found bad"
