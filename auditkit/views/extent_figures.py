"""Figure of the suspect zone round an area, in plan: every spot outward, and how far coating is suspect."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING

import pandas as pd

from auditkit.trade.extent import CLOSED, OPEN, ExtentMap
from auditkit.views.style import VERDICT_COLOURS, VERDICT_SYMBOLS, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["suspect_zone"]

_AREA = 1.0  # radius at which the area itself is drawn, in steps
_DIRECTIONS = 8
_LEVEL = (3, 7)  # directions whose ray is level
_WORDS = {
    "conforms": "conforms",
    "does not conform": "does not conform",
    "not assessable": "too few readings",
}
_SHADES = {CLOSED: ("#F3D9C8", "/", "solid"), OPEN: ("#F8E9DF", "x", "dash")}
_EDGE = "#8A3A00"


def suspect_zone(extent: ExtentMap, *, area_id: str, side: str) -> go.Figure:
    """Return the plan of one area's suspect zone: a ray a direction, a marker a spot, the zone shaded.

    The area is drawn as a disc, not to scale; rings outward are steps. Hatched
    sectors are suspect: closed ones have a full edge, open ones a dashed edge
    and reach at least that far. Readable without colour: spots differ by shape
    and word.

    Parameters
    ----------
    extent : ExtentMap
        See `trade.extent.map_extent`.
    area_id, side : str
        Area and side to draw.

    Raises
    ------
    ValueError
        No extra spots are recorded for that side of that area.
    """
    directions = _chosen(extent.directions, area_id, side)
    spots = _chosen(extent.spots, area_id, side)
    if directions.empty:
        known = sorted(set(extent.areas["area_id"] + " " + extent.areas["side"]))
        raise ValueError(
            f"extra spots must be recorded for the area and side drawn; given {area_id} {side}, "
            f"and there are {', '.join(known) or 'none'}"
        )
    steps = max(int(directions["last_step"].max()), int(directions["suspect_steps"].max()))
    figure = _plan(f"Suspect zone round {area_id}, {side} side ({len(spots)} spots)", steps=steps)
    _add_sectors(figure, directions)
    _add_rings(figure, directions, steps=steps, step_m=extent.step_m)
    _add_area(figure, area_id)
    _add_spots(figure, spots)
    _add_labels(figure, directions, steps=steps)
    return figure


def _chosen(frame: pd.DataFrame, area_id: str, side: str) -> pd.DataFrame:
    return frame[(frame["area_id"] == area_id) & (frame["side"] == side)]


def _plan(title: str, *, steps: int) -> go.Figure:
    import plotly.graph_objects as go

    figure = go.Figure()
    figure.update_layout(
        template=template(),
        title={"text": title},
        height=620,
        margin={"l": 10, "r": 10, "t": 48, "b": 80},
        legend={"y": -0.02, "yanchor": "top"},
    )
    reach = _AREA + steps + 1.9
    hidden = {"visible": False, "range": [-reach, reach], "constrain": "domain"}
    figure.update_xaxes(**hidden)
    figure.update_yaxes(**hidden, scaleanchor="x")
    return figure


def _place(direction: float, radius: float) -> tuple[float, float]:
    """Return x and y of a point; direction 1 is up, the others follow clockwise."""
    angle = 2 * math.pi * (direction - 1) / _DIRECTIONS
    return radius * math.sin(angle), radius * math.cos(angle)


def _sector(direction: int, inner: float, outer: float) -> tuple[list[float], list[float]]:
    """Return the outline of a ring's piece, half a direction to either side."""
    turns = [direction - 0.5 + step / 12 for step in range(13)]
    outline = [_place(turn, outer) for turn in turns] + [_place(turn, inner) for turn in reversed(turns)]
    xs, ys = zip(*[*outline, outline[0]], strict=True)
    return list(xs), list(ys)


def _add_sectors(figure: go.Figure, directions: pd.DataFrame) -> None:
    import plotly.graph_objects as go

    named: set[str] = set()
    for row in directions.to_dict("records"):
        state = CLOSED if row["state"] == CLOSED else OPEN
        colour, hatch, dash = _SHADES[state]
        reach = row["suspect_steps"] + (0.5 if row["basis"] == "unit" else 0.0)
        xs, ys = _sector(row["direction"], _AREA, _AREA + reach)
        figure.add_trace(
            go.Scatter(
                x=xs,
                y=ys,
                mode="lines",
                fill="toself",
                fillcolor=colour,
                fillpattern={"shape": hatch, "fgcolor": "#B06A3B", "bgcolor": colour, "size": 9, "solidity": 0.12},
                line={"color": _EDGE, "width": 1.5, "dash": dash},
                name="suspect" if state == CLOSED else "suspect, at least so far (open)",
                legendgroup=state,
                showlegend=state not in named,
                hoverinfo="skip",
            )
        )
        named.add(state)


def _add_rings(figure: go.Figure, directions: pd.DataFrame, *, steps: int, step_m: float) -> None:
    """Add a ring a step, labelled between directions 1 and 2, where no ray runs."""
    bases = set(directions["basis"])
    for step in range(1, steps + 1):
        radius = _AREA + step
        figure.add_shape(
            type="circle",
            x0=-radius,
            y0=-radius,
            x1=radius,
            y1=radius,
            line={"color": "#BBBBBB", "width": 1},
            layer="below",
        )
        label = f"{step_m * step:g} m" if bases == {"distance"} else f"{'unit' if bases == {'unit'} else 'step'} {step}"
        x, y = _place(1.5, radius)
        figure.add_annotation(
            x=x,
            y=y,
            text=label,
            showarrow=False,
            font={"size": 11, "color": "#333333"},
            bgcolor="rgba(255,255,255,0.8)",
        )


def _add_area(figure: go.Figure, area_id: str) -> None:
    figure.add_shape(
        type="circle",
        x0=-_AREA,
        y0=-_AREA,
        x1=_AREA,
        y1=_AREA,
        line={"color": "#1a1a1a", "width": 2},
        fillcolor="#FFFFFF",
    )
    figure.add_annotation(x=0, y=0, text=f"{area_id}<br>does not<br>conform", showarrow=False, font={"size": 11})


def _add_spots(figure: go.Figure, spots: pd.DataFrame) -> None:
    import plotly.graph_objects as go

    for outcome, word in _WORDS.items():
        part = spots[spots["outcome"] == outcome]
        if part.empty:
            continue
        places = [_place(d, _AREA + s) for d, s in zip(part["direction"], part["step"], strict=True)]
        figure.add_trace(
            go.Scatter(
                x=[x for x, _ in places],
                y=[y for _, y in places],
                mode="markers+text",
                name=f"{word} ({len(part)})",
                marker={
                    "color": VERDICT_COLOURS[outcome],
                    "symbol": VERDICT_SYMBOLS[outcome],
                    "size": 13,
                    "line": {"color": "#1a1a1a", "width": 1},
                },
                text=[f"{value:.0f}" for value in part["dft_um"]],
                textposition="bottom center",
                textfont={"size": 11, "color": "#1a1a1a"},
                customdata=[
                    f"direction {d}, step {s}: {value:.1f} µm ({n} readings); {reason}"
                    for d, s, value, n, reason in zip(
                        part["direction"], part["step"], part["dft_um"], part["n"], part["reason"], strict=True
                    )
                ],
                hovertemplate="%{customdata}<extra></extra>",
            )
        )


def _add_labels(figure: go.Figure, directions: pd.DataFrame, *, steps: int) -> None:
    """Add what is known at the end of each direction, in words."""
    known = {row["direction"]: row for row in directions.to_dict("records")}
    for direction in range(1, _DIRECTIONS + 1):
        x, y = _place(direction, _AREA + steps + 1.1)
        row = known.get(direction)
        level = direction in _LEVEL
        figure.add_annotation(
            x=x,
            y=y,
            text=f"<b>{direction}</b> {'not measured' if row is None else _label(row)}",
            showarrow=False,
            yshift=38 if level else 0,  # clear of the markers on a level ray
            font={"size": 11, "color": "#1a1a1a"},
        )


def _label(row: Mapping[Hashable, object]) -> str:
    """Return one direction in words.

    Examples
    --------
    >>> _label({"state": "open", "basis": "distance", "suspect_out_m": 3.0, "suspect_steps": 2, "more_spots": 1})
    'open<br>1 more spot<br>≥ 3 m suspect'
    """
    if row["basis"] == "distance":
        reach = f"{row['suspect_out_m']:g} m"
    else:
        reach = "1 unit" if row["suspect_steps"] == 1 else f"{row['suspect_steps']} units"
    if row["state"] == CLOSED:
        return f"closed<br>{reach} suspect"
    if row["state"] == OPEN:
        several = "" if row["more_spots"] == 1 else "s"
        return f"open<br>{row['more_spots']} more spot{several}<br>≥ {reach} suspect"
    return "not assessable"
