"""Figures of an audit; each draws one table of the findings and says its n."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from auditkit.views.style import OKABE_ITO, VERDICT_COLOURS, VERDICT_SYMBOLS, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["associations", "film_by_job", "unit_settings", "windows", "wrap_by_geometry"]

VERDICTS = tuple(VERDICT_COLOURS)
_DASH = {"dash": "dash", "color": "#333333", "width": 1.5}


def _figure(title: str, *, height: int, x: str, y: str) -> go.Figure:
    import plotly.graph_objects as go

    figure = go.Figure()
    figure.update_layout(template=template(), title={"text": title}, height=height)
    figure.update_xaxes(title={"text": x})
    figure.update_yaxes(title={"text": y})
    return figure


def _spread(n: int) -> list[float]:
    """Return offsets that keep n markers on one line apart; the same for the same n."""
    return [((i * 7) % 11 - 5) * 0.055 for i in range(n)]


def film_by_job(areas: pd.DataFrame, jobs: pd.DataFrame, *, side: str = "facing") -> go.Figure:
    """Return each area's mean film as a share of its specified minimum, a line a job.

    Parameters
    ----------
    areas : DataFrame
        One row an area and side: area_id, job_id, side, verdict, mean_um,
        reason.
    jobs : DataFrame
        job_id, film_min_um, film_reverse_min_um, film_max_um.
    side : {"facing", "reverse"}
        Side to draw.
    """
    import plotly.graph_objects as go

    shown = areas[(areas["side"] == side) & areas["mean_um"].notna()].merge(
        jobs[["job_id", "film_min_um", "film_reverse_min_um"]], on="job_id"
    )
    minimum = shown["film_min_um"]
    if side == "reverse":
        minimum = shown["film_reverse_min_um"].fillna(minimum)
    shown = shown.assign(share=shown["mean_um"] / minimum)
    order = sorted(shown["job_id"].unique(), reverse=True)
    figure = _figure(
        f"Mean dry film on the {side} side against the specified minimum ({len(shown)} areas measured)",
        height=120 + 48 * max(len(order), 3),
        x="mean film / specified minimum [-]",
        y="",
    )
    for verdict in VERDICTS:
        part = shown[shown["verdict"] == verdict].sort_values(["job_id", "area_id"])
        if part.empty:
            continue
        place = part["job_id"].map(order.index).to_numpy(dtype="float64")
        figure.add_trace(
            go.Scatter(
                x=part["share"].to_numpy(),
                y=place + pd.Series(_spread(len(part))).to_numpy(),
                mode="markers",
                name=f"{verdict} ({len(part)})",
                marker={
                    "color": VERDICT_COLOURS[verdict],
                    "symbol": VERDICT_SYMBOLS[verdict],
                    "size": 8,
                    "opacity": 0.8,
                },
                text=[
                    f"{a}: {m:.1f} um; {r}"
                    for a, m, r in zip(part["area_id"], part["mean_um"], part["reason"], strict=True)
                ],
                hovertemplate="%{text}<extra></extra>",
            )
        )
    figure.add_vline(x=1.0, line=_DASH, annotation={"text": "specified minimum", "font": {"size": 11}})
    figure.update_yaxes(tickvals=list(range(len(order))), ticktext=order, range=[-0.6, len(order) - 0.4])
    return figure


def wrap_by_geometry(areas: pd.DataFrame) -> go.Figure:
    """Return each area's wrap rating by geometry.

    Parameters
    ----------
    areas : DataFrame
        One row an area: area_id, geometry, verdict, wrap_pct `[%]`,
        required_pct `[%]`.
    """
    import plotly.graph_objects as go

    shown = areas[areas["wrap_pct"].notna()]
    order = sorted(shown["geometry"].unique())
    figure = _figure(
        f"Wrap by geometry ({len(shown)} areas rated)", height=380, x="", y="wrap [% of the reverse covered]"
    )
    for verdict in VERDICTS:
        part = shown[shown["verdict"] == verdict].sort_values(["geometry", "area_id"])
        if part.empty:
            continue
        place = part["geometry"].map(order.index).to_numpy(dtype="float64")
        figure.add_trace(
            go.Scatter(
                x=place + pd.Series(_spread(len(part))).to_numpy(),
                y=part["wrap_pct"].to_numpy(),
                mode="markers",
                name=f"{verdict} ({len(part)})",
                marker={
                    "color": VERDICT_COLOURS[verdict],
                    "symbol": VERDICT_SYMBOLS[verdict],
                    "size": 8,
                    "opacity": 0.8,
                },
                text=part["area_id"].tolist(),
                hovertemplate="%{text}: %{y:.0f} %<extra></extra>",
            )
        )
    figure.update_xaxes(tickvals=list(range(len(order))), ticktext=order, range=[-0.6, len(order) - 0.4])
    figure.update_yaxes(range=[0, 105])
    return figure


def windows(frame: pd.DataFrame) -> go.Figure:
    """Return the share of runs inside and outside each condition's window.

    Parameters
    ----------
    frame : DataFrame
        One row a condition: title, n, inside, below, above, not_recorded.
    """
    import plotly.graph_objects as go

    shown = frame[frame["n"] + frame["not_recorded"] > 0].iloc[::-1]
    total = shown[["inside", "below", "above", "not_recorded"]].sum(axis=1)
    runs = int(total.max()) if len(total) else 0
    title = f"Runs against each condition's window ({runs} runs)"
    figure = _figure(title, height=110 + 34 * len(shown), x="share of runs [%]", y="")
    looks = {
        "below": ("below the window", OKABE_ITO["blue"], "/"),
        "inside": ("inside", "#C9E7DD", ""),
        "above": ("above the window", OKABE_ITO["vermillion"], "\\"),
        "not_recorded": ("not recorded", "#DDDDDD", "."),
    }
    for column, (name, colour, pattern) in looks.items():
        count = shown[column]
        figure.add_trace(
            go.Bar(
                x=(100.0 * count / total).to_numpy(),
                y=shown["title"].tolist(),
                orientation="h",
                name=name,
                marker={"color": colour, "pattern": {"shape": pattern}, "line": {"color": "#ffffff", "width": 1}},
                text=[str(n) if n / t > 0.035 else "" for n, t in zip(count, total, strict=True)],
                textposition="inside",
                insidetextanchor="middle",
                textangle=0,
                hovertemplate="%{y}: %{x:.1f} %<extra>" + name + "</extra>",
            )
        )
    figure.update_layout(barmode="stack", bargap=0.35, legend={"traceorder": "normal"})
    figure.update_xaxes(range=[0, 100])
    return figure


def unit_settings(runs: pd.DataFrame, *, column: str, title: str, unit: str) -> go.Figure:
    """Return one setting over time, a panel a unit: each run, and the median of each day.

    Parameters
    ----------
    runs : DataFrame
        Timeline, one row a run: unit_id, started_at, day and the column.
    column, title, unit : str
        Column to draw, its name and its unit.
    """
    import plotly.graph_objects as go
    from plotly.subplots import make_subplots

    units = sorted(runs["unit_id"].unique())
    figure = make_subplots(rows=len(units), cols=1, shared_xaxes=True, shared_yaxes="all", vertical_spacing=0.03)
    for row, unit_id in enumerate(units, start=1):
        part = runs[(runs["unit_id"] == unit_id) & runs[column].notna()].sort_values(["started_at", "run_id"])
        daily = part.groupby("day")[column].median()
        figure.add_trace(
            go.Scatter(
                x=part["day"].tolist(),
                y=part[column].to_numpy(),
                mode="markers",
                marker={"color": OKABE_ITO["sky blue"], "size": 5},
                name="one run",
                showlegend=row == 1,
                text=part["run_id"].tolist(),
                hovertemplate="%{text}: %{y:.4g} " + unit + "<extra></extra>",
            ),
            row=row,
            col=1,
        )
        figure.add_trace(
            go.Scatter(
                x=daily.index.tolist(),
                y=daily.to_numpy(),
                mode="lines",
                line={"color": OKABE_ITO["blue"], "width": 2},
                name="median of the day",
                showlegend=row == 1,
            ),
            row=row,
            col=1,
        )
        figure.update_yaxes(title={"text": f"{unit_id} [{unit}]<br>(n={len(part)})"}, row=row, col=1)
    figure.update_layout(
        template=template(), title={"text": f"{title} [{unit}] by unit, each run"}, height=110 + 130 * len(units)
    )
    figure.update_xaxes(type="date")
    return figure


def associations(table: pd.DataFrame, *, most: int = 20) -> go.Figure:
    """Return the differences in risk that go with a defect, crude beside within jobs.

    Parameters
    ----------
    table : DataFrame
        Rows of `CauseFindings.table` to draw, best first.
    most : int
        How many rows to draw at most.
    """
    import plotly.graph_objects as go

    shown = table.head(most).iloc[::-1]
    figure = _figure(
        f"Difference in risk, outside against inside the window ({len(shown)} rows)",
        height=130 + 30 * max(len(shown), 3),
        x="difference in risk [percentage points]",
        y="",
    )
    labels = [f"{d}: {t}, {s}" for d, t, s in zip(shown["defect"], shown["title"], shown["side"], strict=True)]
    looks = (
        ("crude", "difference", "low", "high", "circle-open", OKABE_ITO["black"], 0.16),
        ("within jobs", "within_difference", "within_low", "within_high", "square", OKABE_ITO["blue"], -0.16),
    )
    for name, mid, low, high, symbol, colour, shift in looks:
        points = 100.0 * shown[mid].to_numpy(dtype="float64")
        figure.add_trace(
            go.Scatter(
                x=points,
                y=[i + shift for i in range(len(shown))],
                mode="markers",
                name=f"{name}, 95 % interval",
                marker={"symbol": symbol, "color": colour, "size": 9},
                error_x={
                    "type": "data",
                    "array": 100.0 * shown[high].to_numpy(dtype="float64") - points,
                    "arrayminus": points - 100.0 * shown[low].to_numpy(dtype="float64"),
                    "color": colour,
                    "thickness": 1.5,
                    "width": 3,
                },
                text=labels,
                hovertemplate="%{text}: %{x:.1f}<extra>" + name + "</extra>",
            )
        )
    figure.add_vline(x=0.0, line={"color": "#333333", "width": 1})
    figure.update_yaxes(tickvals=list(range(len(shown))), ticktext=labels, range=[-0.6, len(shown) - 0.4])
    return figure
