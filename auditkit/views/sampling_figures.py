"""Figures of acceptance sampling: what a plan accepts, and where the lot lies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from auditkit.views.style import OKABE_ITO, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["lot_shares", "operating_curve"]

_LOOKS = {"normal": ("solid", OKABE_ITO["blue"]), "tightened": ("dash", OKABE_ITO["vermillion"])}
_SYMBOLS = {"accept": "circle", "reject": "x", "cannot be decided": "diamond-open", "no plan": "line-ew-open"}
_COLOURS = {
    "accept": OKABE_ITO["bluish green"],
    "reject": OKABE_ITO["vermillion"],
    "cannot be decided": "#767676",
    "no plan": "#767676",
}


def operating_curve(oc: pd.DataFrame, lots: pd.DataFrame, risks: pd.DataFrame, *, lot: str) -> go.Figure:
    """Return one lot's operating characteristic, a curve a severity, and the share found in the lot.

    Parameters
    ----------
    oc, lots, risks : DataFrame
        Of `ItemSamplingFindings`.
    lot : str
        Which lot.

    Raises
    ------
    ValueError
        There is no such lot.
    """
    import plotly.graph_objects as go

    own = lots[lots["lot"] == lot]
    if own.empty:
        raise ValueError(f"lot must be one of {sorted(lots['lot'].unique())}; given {lot!r}")
    first = own.iloc[0]
    figure = go.Figure()
    figure.update_layout(
        template=template(),
        title={
            "text": f"What the plans accept: lot {lot}<br>{first['items']} items, {first['inspected']} inspected, "
            f"{first['nonconforming']} nonconforming"
        },
        margin={"t": 72},
        height=420,
    )
    for row in own[own["letter"] != ""].to_dict("records"):
        curve = oc[(oc["lot"] == lot) & (oc["severity"] == row["severity"])]
        dash, colour = _LOOKS[row["severity"]]
        figure.add_trace(
            go.Scatter(
                x=100.0 * curve["fraction"].to_numpy(dtype="float64"),
                y=100.0 * curve["p_accept"].to_numpy(dtype="float64"),
                mode="lines",
                name=f"{row['severity']}: sample {row['sample_n']}, accept up to {row['accept']}; {row['decision']}",
                line={"dash": dash, "color": colour, "width": 2},
                hovertemplate="%{x:.1f} % nonconforming: accepted in %{y:.0f} %<extra></extra>",
            )
        )
        at = risks[(risks["lot"] == lot) & (risks["severity"] == row["severity"])]["accepted_at_share_pct"]
        if at.notna().all() and len(at):
            figure.add_trace(_found(first, float(at.iloc[0]), colour))
    _mark_aql(figure, risks[risks["lot"] == lot])
    figure.update_xaxes(title={"text": "items nonconforming [%]"}, range=[0, _reach(own)])
    figure.update_yaxes(title={"text": "lots accepted [%]"}, range=[0, 103])
    return figure


def _reach(own: pd.DataFrame) -> float:
    """Return how far the axis must go: 40 %, or to the end of the share's interval."""
    most = float(own["share_high_pct"].fillna(0.0).max())
    return min(max(40.0, 1.05 * most), 100.0)


def _found(row: pd.Series, accepted: float, colour: str) -> go.Scatter:
    """Return the marker of the share found, with its interval lying."""
    import plotly.graph_objects as go

    share, low, high = (float(row[name]) for name in ("share_pct", "share_low_pct", "share_high_pct"))
    return go.Scatter(
        x=[share],
        y=[accepted],
        mode="markers",
        name=f"share found {share:.1f} %: accepted in {accepted:.0f} %",
        marker={"symbol": "diamond", "size": 11, "color": colour, "line": {"color": "#ffffff", "width": 1}},
        error_x={
            "type": "data",
            "symmetric": False,
            "array": [high - share],
            "arrayminus": [share - low],
            "color": colour,
            "thickness": 1.5,
        },
        hovertemplate=f"share found {share:.1f} % ({low:.1f} to {high:.1f} %)<extra></extra>",
    )


def _mark_aql(figure: go.Figure, risks: pd.DataFrame) -> None:
    if len(risks):
        aql = float(risks["aql_pct"].iloc[0])
        figure.add_vline(
            x=aql,
            line={"dash": "dot", "color": "#333333", "width": 1.5},
            annotation={"text": f"AQL {aql:g} %", "font": {"size": 11}},
        )


def lot_shares(lots: pd.DataFrame, *, severity: str = "normal") -> go.Figure:
    """Return the share nonconforming of every lot with its interval, marked by the plan's decision.

    Parameters
    ----------
    lots : DataFrame
        Of `ItemSamplingFindings`.
    severity : {'normal', 'tightened'}
    """
    import plotly.graph_objects as go

    shown = lots[(lots["severity"] == severity) & lots["share_pct"].notna()]
    order = sorted(shown["lot"].unique(), reverse=True)
    figure = go.Figure()
    figure.update_layout(
        template=template(),
        title={"text": f"Items nonconforming by lot ({len(shown)} lots)<br>decided by {severity} inspection"},
        margin={"t": 72},
        height=150 + 34 * max(len(order), 3),
    )
    for decision, symbol in _SYMBOLS.items():
        part = shown[shown["decision"] == decision].sort_values("lot")
        if part.empty:
            continue
        share = part["share_pct"].to_numpy(dtype="float64")
        figure.add_trace(
            go.Scatter(
                x=share,
                y=part["lot"].map(order.index).to_numpy(dtype="float64"),
                mode="markers",
                name=f"{decision} ({len(part)})",
                marker={"symbol": symbol, "size": 10, "color": _COLOURS[decision]},
                error_x={
                    "type": "data",
                    "symmetric": False,
                    "array": part["share_high_pct"].to_numpy(dtype="float64") - share,
                    "arrayminus": share - part["share_low_pct"].to_numpy(dtype="float64"),
                    "color": _COLOURS[decision],
                    "thickness": 1.5,
                },
                text=[f"{lot}: {reason}" for lot, reason in zip(part["lot"], part["reason"], strict=True)],
                hovertemplate="%{text}<extra></extra>",
            )
        )
    figure.update_xaxes(title={"text": "items nonconforming [%]"}, rangemode="tozero")
    figure.update_yaxes(tickvals=list(range(len(order))), ticktext=order, range=[-0.6, len(order) - 0.4])
    return figure
