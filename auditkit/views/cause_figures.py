"""Figures of causes: the forest plot of what was found, and the causal diagram that it was adjusted by."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from auditkit.findings.causal_diagram import CausalDiagram
from auditkit.stats.diagrams import Diagram, ancestors, check_known, descendants
from auditkit.trade.conditions import Condition
from auditkit.trade.defects import DEFECTS
from auditkit.views.cause_sentences import grade_words
from auditkit.views.diagram_layout import Layout, lay_out
from auditkit.views.sentences import side_of
from auditkit.views.style import GREY, OKABE_ITO, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["GRADE_LOOKS", "causal_diagram", "forest_plot"]

GRADE_LOOKS: dict[str, tuple[str, str]] = {
    "supported": ("square", OKABE_ITO["blue"]),
    "leaning": ("diamond", OKABE_ITO["orange"]),
    "not separable from": ("triangle-up", OKABE_ITO["reddish purple"]),
    "cannot tell": ("x", GREY),
}
"""Marker and colour of each grade."""


def forest_plot(table: pd.DataFrame, conditions: Mapping[str, Condition], *, most: int = 24) -> go.Figure:
    """Return the adjusted differences beside the crude ones, by defect, each with its grade in words.

    Parameters
    ----------
    table : DataFrame
        See `findings.grading.grade_causes`: defect, condition, side, n,
        difference, low, high, crude_difference, grade, not_separable_from,
        rank.
    conditions : mapping of str to Condition
        Conditions by name.
    most : int
        How many rows to draw at most, the first by rank; rows without an
        estimate are not drawn.
    """
    import plotly.graph_objects as go

    known = table[table["difference"].notna()].sort_values("rank", kind="stable")
    shown = known.head(most)
    shown = shown.assign(first=shown.groupby("defect")["rank"].transform("min"))
    shown = shown.sort_values(["first", "rank"], kind="stable").reset_index(drop=True)
    lines, at = _lines(shown, conditions)
    figure = go.Figure()
    for grade, (symbol, colour) in GRADE_LOOKS.items():
        part = shown[shown["grade"] == grade]
        if part.empty:
            continue
        points = 100.0 * part["difference"].to_numpy(dtype="float64")
        figure.add_trace(
            go.Scatter(
                x=points.tolist(),
                y=[at[i] for i in part.index],
                mode="markers",
                name=f"adjusted, {grade} ({len(part)})",
                marker={"symbol": symbol, "color": colour, "size": 10},
                error_x={
                    "type": "data",
                    "array": (100.0 * part["high"].to_numpy(dtype="float64") - points).tolist(),
                    "arrayminus": (points - 100.0 * part["low"].to_numpy(dtype="float64")).tolist(),
                    "color": colour,
                    "thickness": 1.5,
                    "width": 3,
                },
                text=part["defect"].tolist(),
                hovertemplate="%{text}: %{x:.1f} points<extra>" + grade + "</extra>",
            )
        )
    if len(shown):
        figure.add_trace(
            go.Scatter(
                x=(100.0 * shown["crude_difference"].to_numpy(dtype="float64")).tolist(),
                y=[at[i] + 0.28 for i in shown.index],
                mode="markers",
                name="crude",
                marker={"symbol": "circle-open", "color": OKABE_ITO["black"], "size": 7},
                hovertemplate="crude: %{x:.1f} points<extra></extra>",
            )
        )
    _label(figure, shown, conditions, at)
    least, largest = (int(shown["n"].min()), int(shown["n"].max())) if len(shown) else (0, 0)
    runs = f"{least} to {largest}" if least < largest else f"{largest}"
    figure.add_vline(x=0.0, line={"color": "#333333", "width": 1})
    figure.update_layout(
        template=template(),
        title={"text": f"Risk that goes with leaving the window ({len(shown)} of {len(known)} rows, {runs} runs each)"},
        height=150 + 26 * max(len(lines), 4),
        margin={"r": 220},
        legend={"y": -90 / (150 + 26 * max(len(lines), 4)), "yanchor": "top"},
    )
    figure.update_xaxes(title={"text": "difference in risk over all runs [percentage points]"})
    figure.update_yaxes(
        tickvals=[y for y, _ in lines],
        ticktext=[text for _, text in lines],
        range=[-len(lines) + 0.4, 0.6],
        showgrid=False,
    )
    return figure


def _lines(shown: pd.DataFrame, conditions: Mapping[str, Condition]) -> tuple[list[tuple[int, str]], dict[int, int]]:
    """Return the lines of the plot from the top (a heading a defect), and the line of each row."""
    lines: list[tuple[int, str]] = []
    at: dict[int, int] = {}
    before = None
    for i, (defect, condition, side) in enumerate(
        zip(shown["defect"].astype(str), shown["condition"].astype(str), shown["side"].astype(str), strict=True)
    ):
        if defect != before:
            lines.append((-len(lines), f"<b>{defect}</b>"))
            before = defect
        at[i] = -len(lines)
        lines.append((-len(lines), side_of(conditions[condition], side)))
    return lines, at


def _label(figure: go.Figure, shown: pd.DataFrame, conditions: Mapping[str, Condition], at: Mapping[int, int]) -> None:
    """Write each row's grade at the right of the plot."""
    for i, row in shown.iterrows():
        figure.add_annotation(
            x=1.0,
            xref="paper",
            xanchor="left",
            xshift=6,
            y=at[int(str(i))],
            text=_wrapped(grade_words(row, conditions), 34),
            showarrow=False,
            align="left",
            font={"size": 11, "color": "#1a1a1a"},
        )


def _wrapped(text: str, width: int) -> str:
    import textwrap

    return "<br>".join(textwrap.wrap(text, width))


_ROLES: dict[str, tuple[str, str]] = {
    "asked about": ("#DCEBF5", OKABE_ITO["blue"]),
    "held equal": ("#FBEFD5", OKABE_ITO["orange"]),
    "never held equal": ("#F4E3EC", OKABE_ITO["reddish purple"]),
    "not recorded": ("#ffffff", GREY),
    "defect": ("#F9E2D5", OKABE_ITO["vermillion"]),
    "recorded": ("#ffffff", "#333333"),
}
"""Fill and edge of each role; its mark stands in the box as well, so that no role is told by colour alone."""

_WIDEST = 15
"""Most letters of a line in a box."""

_BOX_PX = 98
"""Width of a box, the same for all so that the arrows meet it [px]."""

_HEAD = 0.38
"""Where an arrow ends, ahead of the middle of its box; a layer is 1."""

_MARKS = {"held equal": "= ", "never held equal": "→ ", "not recorded": "? "}


def causal_diagram(
    diagram: CausalDiagram,
    *,
    defect: str | None = None,
    condition: str | None = None,
    adjust_for: tuple[str, ...] = (),
) -> go.Figure:
    """Return the causal diagram: causes left, defects right.

    Boxes marked "?" are in no record. With a condition, those marked "=" are
    held equal when asking what it does, those marked "→" come of it and never
    are, and the arrows that lead from it to the defect are dark.

    Parameters
    ----------
    diagram : CausalDiagram
    defect : str, optional
        Draw only this defect and what acts on it.
    condition : str, optional
        The condition that is asked about; it stays whether or not it acts on
        the defect.
    adjust_for : tuple of str
        What is held equal, from `DiagramFindings.adjustments`.

    Raises
    ------
    ValueError
        The defect, the condition or what is held equal is not in the diagram.
    """
    import plotly.graph_objects as go

    asked = [name for name in (defect, condition, *adjust_for) if name is not None]
    check_known(diagram.diagram, asked)
    drawn = _part(diagram.diagram, defect, condition, adjust_for)
    after = set(descendants(drawn, condition)) if condition else set()
    dark = (after | {condition}) & (set(ancestors(drawn, defect)) | {defect}) if condition and defect else set()
    roles = {name: _role(name, drawn, condition, adjust_for, after) for name in drawn.nodes}
    labels = {name: _wrapped(_MARKS.get(roles[name], "") + diagram.titles[name], _WIDEST) for name in drawn.nodes}
    heights = {name: 0.55 + 0.4 * (text.count("<br>") + 1) for name, text in labels.items()}
    layout = lay_out(drawn, last=DEFECTS, heights=heights)
    figure = go.Figure()
    _add_routes(figure, diagram, layout, dark)
    for name, (x, y) in layout.nodes.items():
        role = roles[name]
        fill, edge = _ROLES[role]
        figure.add_annotation(
            x=x,
            y=y,
            text=labels[name],
            showarrow=False,
            width=_BOX_PX,
            bgcolor=fill,
            bordercolor=edge,
            borderwidth=2 if role in ("asked about", "held equal", "defect") else 1,
            borderpad=3,
            font={"size": 11, "color": "#555555" if role == "not recorded" else "#1a1a1a"},
        )
    what = f"What acts on {defect}" if defect else "What acts on what"
    figure.update_layout(
        template=template(),
        title={"text": f"{what} ({len(drawn.nodes)} nodes, {len(drawn.arrows)} arrows)"},
        height=max(320, int(110 + 40 * layout.height)),
        margin={"l": 10, "r": 10, "t": 48, "b": 40},
        showlegend=False,
    )
    key = ["? not recorded"] + (["= held equal, → comes of it and never is"] if condition else [])
    figure.add_annotation(
        x=0, y=0, xref="paper", yref="paper", yshift=-32, text="; ".join(key), showarrow=False, font={"size": 12}
    )
    figure.update_xaxes(visible=False, range=[-0.5, max(layout.layers, 1) - 0.5])
    figure.update_yaxes(visible=False, range=[-layout.height / 2 - 0.2, layout.height / 2 + 0.2])
    return figure


def _part(diagram: Diagram, defect: str | None, condition: str | None, adjust_for: tuple[str, ...]) -> Diagram:
    """Return what acts on the defect, on the condition, and what is held equal; all of it without either."""
    if defect is None and condition is None:
        return diagram
    kept = {name for name in (defect, condition, *adjust_for) if name is not None}
    kept |= {above for name in tuple(kept) for above in ancestors(diagram, name)}
    return replace(
        diagram,
        nodes=tuple(name for name in diagram.nodes if name in kept),
        recorded=diagram.recorded & kept,
        computed=diagram.computed & kept,
        arrows=tuple(arrow for arrow in diagram.arrows if {arrow.cause, arrow.effect} <= kept),
    )


def _role(name: str, drawn: Diagram, condition: str | None, adjust_for: tuple[str, ...], after: set[str]) -> str:
    if name == condition:
        return "asked about"
    if name in DEFECTS:
        return "defect"
    if name in adjust_for:
        return "held equal"
    if name not in drawn.recorded:
        return "not recorded"
    return "never held equal" if name in after else "recorded"


def _add_routes(figure: go.Figure, diagram: CausalDiagram, layout: Layout, dark: set[str]) -> None:
    """Draw the arrows, the dark ones last, each with its reason where the pointer rests on its head."""
    import plotly.graph_objects as go

    for shade, width, chosen in (("#B5B5B5", 1.0, False), (OKABE_ITO["blue"], 2.2, True)):
        xs: list[float | None] = []
        ys: list[float | None] = []
        heads: list[tuple[float, float, str]] = []
        for arrow, points in layout.routes:
            if ({arrow.cause, arrow.effect} <= dark) is not chosen:
                continue
            ends = [*points[:-1], (points[-1][0] - _HEAD, points[-1][1])]
            xs += [*(x for x, _ in ends), None]
            ys += [*(y for _, y in ends), None]
            said = f"{diagram.titles[arrow.cause]} → {diagram.titles[arrow.effect]}: {arrow.because}"
            heads.append((*ends[-1], said))
        if not heads:
            continue
        line = {"color": shade, "width": width, "shape": "spline", "smoothing": 0.7}
        figure.add_trace(go.Scatter(x=xs, y=ys, mode="lines", line=line, hoverinfo="skip"))
        figure.add_trace(
            go.Scatter(
                x=[x for x, _, _ in heads],
                y=[y for _, y, _ in heads],
                mode="markers",
                marker={"symbol": "triangle-right", "size": 8 if chosen else 6, "color": shade},
                text=[said for _, _, said in heads],
                hovertemplate="%{text}<extra></extra>",
            )
        )
