"""Figures of the gauges: what they read on their standards over time, against what they are allowed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from auditkit.views.style import OKABE_ITO, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["gauge_errors_over_time"]

_LOOKS = {
    "before use, passed": ("circle-open", OKABE_ITO["blue"], 7),
    "after use, passed": ("circle", OKABE_ITO["blue"], 7),
    "failed": ("x", OKABE_ITO["vermillion"], 10),
}


def gauge_errors_over_time(checks: pd.DataFrame) -> go.Figure:
    """Return the error of each gauge on its standards over time, a panel a gauge, within its tolerance band.

    Parameters
    ----------
    checks : DataFrame
        See `findings.gauges.GaugeFindings.checks`: gauge_id, checked_at,
        certified_um, stage, error_pct, allowed_pct, passed, method.
    """
    import plotly.graph_objects as go
    from plotly.subplots import make_subplots

    shown = checks[checks["error_pct"].notna()].sort_values(["gauge_id", "checked_at", "certified_um"])
    gauges = sorted(shown["gauge_id"].unique())
    if not gauges:
        figure = go.Figure()
        figure.update_layout(template=template(), title={"text": "No gauge checks on record"}, height=160)
        return figure
    failed = int((~shown["passed"].astype(bool)).sum())
    figure = make_subplots(
        rows=len(gauges), cols=1, shared_xaxes=True, shared_yaxes="all", vertical_spacing=min(0.08, 0.3 / len(gauges))
    )
    for row, gauge in enumerate(gauges, start=1):
        own = shown[shown["gauge_id"] == gauge]
        _band(figure, own, row=row)
        _points(figure, own, row=row)
        bad = int((~own["passed"].astype(bool)).sum())
        figure.update_yaxes(title={"text": f"{gauge} [%]<br>{bad} of {len(own)} failed"}, row=row, col=1)
    figure.update_layout(
        template=template(),
        title={"text": f"Error of each gauge on its standards ({len(shown)} checks of a standard, {failed} failed)"},
        height=140 + 210 * len(gauges),
        legend={"y": -0.12 if len(gauges) > 1 else -0.25},
    )
    figure.update_yaxes(zeroline=True, zerolinecolor="#333333", zerolinewidth=1)
    return figure


def _band(figure: go.Figure, own: pd.DataFrame, *, row: int) -> None:
    """Draw the tolerance at each check as a shaded band; where standards differ, the narrowest."""
    import plotly.graph_objects as go

    allowed = own.groupby("checked_at")["allowed_pct"].min()
    times = allowed.index.tolist()
    figure.add_trace(
        go.Scatter(
            x=[*times, *times[::-1]],
            y=[*allowed, *(-allowed[::-1])],
            mode="lines",
            fill="toself",
            fillcolor="rgba(0,0,0,0.07)",
            line={"dash": "dash", "color": "#333333", "width": 1},
            name=f"within tolerance ({own['method'].iloc[0]})",
            showlegend=row == 1,
            hoverinfo="skip",
        ),
        row=row,
        col=1,
    )


def _points(figure: go.Figure, own: pd.DataFrame, *, row: int) -> None:
    """Draw the checks; a failed one by its shape, its colour and, for the first, the word."""
    import plotly.graph_objects as go

    passed = own["passed"].astype(bool)
    kind = (own["stage"] + ", passed").where(passed, "failed")
    first = own.loc[~passed, "checked_at"].min()
    for name, (symbol, colour, size) in _LOOKS.items():
        part = own[kind == name]
        words = ["" for _ in range(len(part))]
        if name == "failed" and words:
            words[part["checked_at"].tolist().index(first)] = "failed"
        figure.add_trace(
            go.Scatter(
                x=part["checked_at"].tolist() or [None],
                y=part["error_pct"].tolist() or [None],
                mode="markers+text" if name == "failed" else "markers",
                marker={"symbol": symbol, "color": colour, "size": size, "opacity": 0.85},
                text=words or None,
                textposition="top left",
                name=name,
                legendgroup=name,
                showlegend=row == 1,
                customdata=[
                    f"{certified:g} µm standard, {stage}"
                    for certified, stage in zip(part["certified_um"], part["stage"], strict=True)
                ],
                hovertemplate="%{customdata}: %{y:.2f} %<extra>" + name + "</extra>",
            ),
            row=row,
            col=1,
        )
