"""Figures of variation: shares of the spread, control charts, and odd readings where they lie."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from auditkit.views.style import OKABE_ITO, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["component_shares", "control_chart", "odd_readings_on_area"]

_INK = "#333333"
_COMPONENTS: dict[str, tuple[str, str]] = {
    "job": (OKABE_ITO["blue"], ""),
    "area": (OKABE_ITO["sky blue"], "/"),
    "spot": (OKABE_ITO["orange"], "x"),
    "repeat": ("#D9D9D9", "."),
    "spot and repeat": ("#F3E3BD", "-"),
}


def component_shares(components: pd.DataFrame) -> go.Figure:
    """Return the shares of the spread that belong to jobs, areas, spots and repeats, a bar a scope and side.

    Parameters
    ----------
    components : DataFrame
        One row a scope, side and component: scope, side, component, share_pct
        `[%]`, sd_um, sd_low_um, sd_high_um `[um]`, n.
    """
    import plotly.graph_objects as go

    figure = go.Figure()
    bars = components[["scope", "side", "n"]].drop_duplicates().reset_index(drop=True)
    labels = [f"{row.scope}, {row.side} (n={row.n})" for row in bars.itertuples()]
    for component, (colour, pattern) in _COMPONENTS.items():
        part = bars.merge(components[components["component"] == component], on=["scope", "side", "n"], how="left")
        if part["share_pct"].isna().all():
            continue
        part["share_pct"] = part["share_pct"].fillna(0.0)  # a gap would break the stack
        look = {"shape": pattern, "fillmode": "overlay", "fgcolor": "#ffffff", "fgopacity": 0.6, "solidity": 0.2}
        figure.add_trace(
            go.Bar(
                x=part["share_pct"].to_numpy(),
                y=labels,
                orientation="h",
                name=component,
                marker={"color": colour, "pattern": look, "line": {"color": "#ffffff", "width": 1}},
                text=[f"<b>{component} {x:.0f}</b>" if x > 12 else "" for x in part["share_pct"]],
                textposition="inside",
                insidetextanchor="middle",
                textangle=0,
                textfont={"color": "#ffffff" if component == "job" else "#000000", "size": 11},
                customdata=np.stack([part["sd_um"], part["sd_low_um"], part["sd_high_um"]], axis=-1),
                hovertemplate=(
                    "%{y}: %{x:.1f} %; sd %{customdata[0]:.2f} um, %{customdata[1]:.2f} to %{customdata[2]:.2f}"
                    f"<extra>{component}</extra>"
                ),
            )
        )
    figure.update_layout(
        template=template(),
        title={"text": "Where the spread of the film comes from"},
        height=150 + 30 * max(len(bars), 3),
        barmode="stack",
        bargap=0.3,
        legend={"traceorder": "normal"},
    )
    figure.update_xaxes(title={"text": "share of the variance [%]"}, range=[0, 100])
    figure.update_yaxes(autorange="reversed")
    return figure


def control_chart(charts: pd.DataFrame, *, kind: str, who: str, side: str, chart: str) -> go.Figure:
    """Return one control chart: points, centre, limits, and signals by shape and word.

    Parameters
    ----------
    charts : DataFrame
        Rows of `VariationFindings.charts`: kind, who, side, chart, point,
        area_id, at, value, centre, low, high, signal, words.
    kind, who, side, chart : str
        Which one, such as 'unit', 'U2', 'facing', 'EWMA'.

    Raises
    ------
    ValueError
        There is no such chart.
    """
    import plotly.graph_objects as go

    wanted = {"kind": kind, "who": who, "side": side, "chart": chart}
    part = charts[(charts[list(wanted)] == pd.Series(wanted)).all(axis=1)].sort_values("point")
    if part.empty:
        raise ValueError(f"there is no chart of {wanted}; see what was refused, and why")
    marked = part["signal"].astype("bool")
    figure = go.Figure()
    for column, name, dash in (("high", "limits", "dash"), ("low", "limits", "dash"), ("centre", "centre", "solid")):
        figure.add_trace(
            go.Scatter(
                x=part["point"].to_numpy(),
                y=part[column].to_numpy(dtype="float64"),
                mode="lines",
                line={"color": _INK, "width": 1.2, "dash": dash},
                name=name,
                showlegend=column != "low",
                hoverinfo="skip",
            )
        )
    figure.add_trace(
        go.Scatter(
            x=part["point"].to_numpy(),
            y=part["value"].to_numpy(dtype="float64"),
            mode="lines",
            line={"color": OKABE_ITO["sky blue"], "width": 1},
            showlegend=False,
            hoverinfo="skip",
        )
    )
    figure.add_trace(_points(part, ~marked, name=f"area ({int((~marked).sum())})", look="usual"))
    if marked.any():
        figure.add_trace(_points(part, marked, name=f"signal ({int(marked.sum())})", look="signal"))
        first = part[marked].drop_duplicates("words")
        for row in first.itertuples():
            figure.add_annotation(
                x=row.point,
                y=row.value,
                text=f"{row.area_id}: {row.words}",
                showarrow=True,
                arrowhead=0,
                font={"size": 11},
            )
    figure.update_layout(
        template=template(),
        title={"text": f"{kind} {who}, {side}: {chart} ({len(part)} points, {int(marked.sum())} signals)"},
        height=380,
    )
    figure.update_xaxes(title={"text": "areas in the order of their last run"})
    unit = "sum of " if chart.startswith("cusum") else ""
    figure.update_yaxes(title={"text": f"{unit}film [% of the job's mean]"})
    return figure


def _points(part: pd.DataFrame, chosen: pd.Series, *, name: str, look: str) -> Any:
    import plotly.graph_objects as go

    looks = {
        "usual": {"color": OKABE_ITO["blue"], "symbol": "circle", "size": 7},
        "signal": {
            "color": OKABE_ITO["vermillion"],
            "symbol": "star-triangle-up",
            "size": 13,
            "line": {"color": "#000000", "width": 1},
        },
    }
    rows = part[chosen]
    return go.Scatter(
        x=rows["point"].to_numpy(),
        y=rows["value"].to_numpy(dtype="float64"),
        mode="markers",
        marker=looks[look],
        name=name,
        text=[
            f"{row.area_id}, {row.at:%Y-%m-%d}: {row.value:.1f}{f', {row.words!s}' if row.words else ''}"
            for row in rows.itertuples()
        ],
        hovertemplate="%{text}<extra></extra>",
    )


def odd_readings_on_area(readings: pd.DataFrame, flags: pd.DataFrame, *, area_id: str) -> go.Figure:
    """Return the readings of an area by side and spot, with the odd ones marked and worded.

    Parameters
    ----------
    readings : DataFrame
        Film readings: area_id, side, spot, repeat, dft_um `[um]`.
    flags : DataFrame
        Rows of `OddReadings.flags`: kind, area_id, side, spot, repeat,
        statistic.
    area_id : str
        Area to draw.

    Raises
    ------
    ValueError
        The area has no readings.
    """
    import plotly.graph_objects as go

    part = readings[readings["area_id"] == area_id].sort_values(["side", "spot", "repeat"])
    if part.empty:
        raise ValueError(f"area {area_id!r} has no film readings")
    odd = flags[flags["area_id"] == area_id]
    places = part[["side", "spot"]].drop_duplicates().reset_index(drop=True)
    place = {key: i for i, key in enumerate(places.itertuples(index=False, name=None))}
    x = np.array([place[key] for key in part[["side", "spot"]].itertuples(index=False, name=None)], dtype="float64")
    turn = part.groupby(["side", "spot"]).cumcount().to_numpy()
    x = x + (turn % 5 - 1) * 0.12
    figure = go.Figure(
        go.Scatter(
            x=x,
            y=part["dft_um"].to_numpy(),
            mode="markers",
            marker={"color": OKABE_ITO["blue"], "symbol": "circle-open", "size": 8},
            name=f"reading ({len(part)})",
        )
    )
    mean = part.groupby(["side", "spot"])["dft_um"].mean().reindex(pd.MultiIndex.from_frame(places))
    keys = pd.MultiIndex.from_frame(part[["side", "spot", "repeat"]])
    marked = odd[odd["repeat"].notna()]
    single = (
        keys.isin(pd.MultiIndex.from_frame(marked[["side", "spot", "repeat"]]))
        if len(marked)
        else np.zeros(len(x), bool)
    )
    whole = odd[odd["repeat"].isna()]
    spots = [place[key] for key in whole[["side", "spot"]].itertuples(index=False, name=None)]
    for name, at, height, symbol, colour, rows in (
        (
            "reading far from its spot",
            x[single],
            part["dft_um"].to_numpy()[single],
            "x",
            OKABE_ITO["vermillion"],
            marked,
        ),
        (
            "spot far from its side (mean)",
            np.array(spots, dtype="float64"),
            mean.to_numpy()[spots],
            "diamond",
            OKABE_ITO["reddish purple"],
            whole,
        ),
    ):
        if len(at) == 0:
            continue
        figure.add_trace(
            go.Scatter(
                x=at,
                y=height,
                mode="markers+text",
                marker={"color": colour, "symbol": symbol, "size": 13, "line": {"color": "#000000", "width": 1}},
                text=[f"{z:+.1f}" for z in rows.sort_values(["side", "spot", "repeat"])["statistic"]],
                textposition="top center",
                name=f"{name} ({len(at)})",
            )
        )
    figure.update_layout(
        template=template(),
        title={"text": f"Odd readings of {area_id} ({len(odd)} marked of {len(part)} readings; figures are robust z)"},
        height=400,
    )
    figure.update_xaxes(
        tickvals=list(range(len(places))),
        ticktext=[f"{str(row.side)[:1].upper()}{row.spot}" for row in places.itertuples()],
        title={"text": "spot (F facing, R reverse, E edge)"},
        range=[-0.6, len(places) - 0.4],
    )
    figure.update_yaxes(title={"text": "dry film [um]"})
    return figure
