"""Causes: crude against adjusted for one defect and condition, along the condition, and what moves with it."""

from __future__ import annotations

from dataclasses import replace
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import pandas as pd

from auditkit.explore.cause_comparison import (
    STRATA,
    WITHOUT,
    CauseView,
    cause_table,
    conditions_of,
    defects_of,
    filled,
    graded_row,
    moves_with,
    sides_known,
)
from auditkit.explore.explorer import Control, Explorer, Shown, as_code
from auditkit.explore.panels import Parts, figure_of, heading, said_figure
from auditkit.findings.audit import Findings
from auditkit.trade.conditions import Condition
from auditkit.views.cause_figures import GRADE_LOOKS
from auditkit.views.cause_sentences import foreman_sentence
from auditkit.views.sentences import listed, side_of, unit_sign
from auditkit.views.style import GREY, INK, OKABE_ITO

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["cause_figure", "causes"]

NO_WINDOW = "no window is known for this condition, so no run can be called outside"


def causes(findings: Findings, view: CauseView | None = None) -> Explorer[CauseView]:
    """Return the explorer of causes: pick a defect, a condition, a side of its window and strata.

    Parameters
    ----------
    findings : Findings
    view : CauseView, optional
        The view to begin with; left out, the firmest finding.

    Raises
    ------
    ImportError
        ipywidgets or anywidget is not installed.
    ValueError
        The view names what is not known.
    """
    return Explorer(
        filled(findings, view or CauseView()),
        controls=lambda at: _controls(findings, at),
        settle=lambda at: _settle(findings, at),
        show=lambda at: _show(findings, at),
    )


def cause_figure(findings: Findings, view: CauseView) -> go.Figure:
    """Return the crude difference, that within strata and the adjusted one; beneath, the risk along the condition.

    At the foot is where the runs lie; the curve is drawn only where they are
    enough.

    Parameters
    ----------
    findings : Findings
    view : CauseView

    Raises
    ------
    ValueError
        The view names what is not known.
    """
    view = filled(findings, view)
    return _figure(findings, view, cause_table(findings, view))


def _settle(findings: Findings, view: CauseView) -> CauseView:
    if view.side not in sides_known(findings, view.condition):
        view = replace(view, side=None)
    return filled(findings, view)


def _controls(findings: Findings, view: CauseView) -> tuple[Control, ...]:
    conditions = conditions_of(findings)
    sides = sides_known(findings, view.condition)
    named = tuple((side_of(conditions[str(view.condition)], side), side) for side in sides)
    return (
        Control(
            name="defect",
            label="Defect",
            kind="one",
            value=view.defect,
            choices=tuple((name, name) for name in defects_of(findings)),
        ),
        Control(
            name="condition",
            label="Condition",
            kind="one",
            value=view.condition,
            choices=tuple((one.title, name) for name, one in conditions.items()),
        ),
        Control(
            name="side",
            label="Outside the window",
            kind="buttons",
            value=view.side,
            choices=named or (("no window is known", None),),
        ),
        Control(
            name="strata",
            label="Compare within (none: crude only)",
            kind="several",
            value=view.strata,
            choices=tuple((words, name) for name, words in STRATA.items()),
        ),
    )


def _show(findings: Findings, view: CauseView) -> Shown:
    table = cause_table(findings, view)
    return Shown(
        figure=_figure(findings, view, table),
        tables={
            "Difference in risk over all runs [percentage points]": table,
            "What moves with it": moves_with(findings, view),
        },
        caption=_caption(findings, view, table),
        code=as_code("cause_figure", view),
    )


def _caption(findings: Findings, view: CauseView, table: pd.DataFrame) -> str:
    if table.empty:
        return f"{NO_WINDOW[:1].upper()}{NO_WINDOW[1:]}." if view.condition else ""
    used, of = int(table["n"].iloc[0]), len(findings.runs)
    start = f"n={used} of {of} runs; {of - used} left out for what is not recorded or not inspected."
    graded = graded_row(findings, view)
    if graded is None or findings.causal is None:
        return f"{start} {WITHOUT[:1].upper()}{WITHOUT[1:]}."
    titles = findings.causal.diagram.diagram.titles
    text = f"{foreman_sentence(graded, findings.conditions, titles=titles)} {start} Grade: {graded['grade_reason']}"
    gaps = [titles.get(name, name).lower() for name in graded["not_recorded"] if graded["grade"] == "cannot tell"]
    text += f" Not recorded, and so not held equal: {listed(gaps)}." if gaps else ""
    close = moves_with(findings, view)
    near = close[close["inseparable"] | (close["correlation"].abs() >= 0.5)]
    text += f" Moves together with {listed(near['moves_with'].tolist()[:3])}." if len(near) else ""
    return f"{text} Crude and within strata take runs as independent; adjusted holds only if the causal diagram does."


def _figure(findings: Findings, view: CauseView, table: pd.DataFrame) -> go.Figure:
    if view.defect is None or view.condition is None:
        return said_figure("Causes", "no run, defect or condition is recorded")
    condition = findings.conditions[view.condition]
    traces, notes = _differences(table, findings)
    curve, shapes, more, axes = _curve(findings, view, condition)
    place = side_of(condition, view.side) if view.side else condition.title.lower()
    n = int(table["n"].iloc[0]) if len(table) else len(findings.runs)
    levels = [_wrapped(str(words), 16) for words in table["estimate"]]
    return figure_of(
        traces + curve,
        title=f"{view.defect[:1].upper()}{view.defect[1:]} and {place} (n={n} runs)",
        height=620,
        axes={
            "xaxis": {
                "title": {"text": "difference in risk over all runs [percentage points]"},
                "anchor": "y",
                "domain": [0.0, 1.0],
            },
            "yaxis": {
                "domain": [0.76, 1.0],
                "anchor": "x",
                "tickvals": [-float(i) for i in range(len(levels))],
                "ticktext": levels,
                "range": [0.4 - max(len(levels), 1), 0.6],
            },
            **axes,
        },
        shapes=[_zero(), *shapes],
        annotations=[*notes, *more, *([] if len(table) else [heading(NO_WINDOW, 1)])],
        showlegend=False,
        margin={"r": 200, "t": 60},
    )


def _zero() -> dict[str, Any]:
    line = {"color": INK, "width": 1}
    return {"type": "line", "xref": "x", "yref": "y domain", "x0": 0, "x1": 0, "y0": 0, "y1": 1, "line": line}


def _differences(table: pd.DataFrame, findings: Findings) -> tuple[Parts, Parts]:
    """Return the differences with their intervals, and what is said of each at the right."""
    looks = {"crude": ("circle-open", INK), "adjusted": ("x", GREY)}
    traces, notes = [], []
    for place, row in enumerate(table.to_dict("records")):
        symbol, colour = looks.get(row["estimate"], ("square-open", OKABE_ITO["black"]))
        words = row["grade"] or (f"{row['strata']} strata with both" if row["adjusted_for"] else "nothing held equal")
        if row["estimate"] == "adjusted" and findings.causal is not None:
            firm = row["grade"].partition(" from")[0] + (" from" if "separable" in row["grade"] else "")
            symbol, colour = GRADE_LOOKS.get(firm, looks["adjusted"])
        told = pd.notna(row["difference_points"])
        middle = [row["difference_points"]] if told else []
        error = {
            "type": "data",
            "array": [row["high_points"] - row["difference_points"]] if told else [],
            "arrayminus": [row["difference_points"] - row["low_points"]] if told else [],
            "color": colour,
            "thickness": 1.5,
            "width": 4,
        }
        traces.append(
            {
                "type": "scatter",
                "x": middle,
                "y": [-float(place)] if told else [],
                "mode": "markers",
                "name": row["estimate"],
                "marker": {"symbol": symbol, "color": colour, "size": 10},
                "error_x": error,
                "hovertemplate": "%{x:.1f} points<extra>" + row["estimate"] + "</extra>",
            }
        )
        said = words if told else f"not estimated: {row['why']}"
        at = {"x": 1.0, "xref": "x domain", "xanchor": "left", "xshift": 8, "y": -float(place), "yref": "y"}
        notes.append({**at, "text": _wrapped(said), "align": "left", "showarrow": False, "font": {"size": 11}})
    return traces, notes


def _wrapped(text: str, width: int = 30) -> str:
    return "<br>".join(wrap(text, width))


def _curve(findings: Findings, view: CauseView, condition: Condition) -> tuple[Parts, Parts, Parts, dict[str, Any]]:
    """Return the curve along the condition, the window's ends, what is said, and the axes; beneath, where runs lie."""
    sign = unit_sign(condition.unit)
    kind = {"type": "log"} if condition.unit == "ohm" else {}
    name = f"{condition.title.lower()} [{sign or '-'}]"
    per = "runs<br>[a power of ten]" if kind else f"runs<br>[share a {sign}]" if sign else "runs<br>[share]"
    axes: dict[str, Any] = {
        "xaxis2": {"anchor": "y2", "showticklabels": False, "matches": "x3", **kind},
        "yaxis2": {"domain": [0.24, 0.6], "anchor": "x2", "title": {"text": "runs with it [%]"}, "rangemode": "tozero"},
        "xaxis3": {"anchor": "y3", "title": {"text": name}, **kind},
        "yaxis3": {"domain": [0.0, 0.18], "anchor": "x3", "title": {"text": per}, "rangemode": "tozero", "nticks": 3},
    }
    line, hills, why = _dose(findings, view)
    axes["yaxis2"]["showticklabels"] = not line.empty
    axes["xaxis3"]["showticklabels"] = axes["yaxis3"]["showticklabels"] = not hills.empty
    share = {column: (100.0 * line[column]).tolist() for column in ("risk", "low", "high")}
    x = line["value"].tolist()
    edge = {"type": "scatter", "mode": "lines", "line": {"width": 0}, "hoverinfo": "skip", "xaxis": "x2", "yaxis": "y2"}
    blue = {"color": OKABE_ITO["blue"], "width": 2}
    traces: Parts = [
        {**edge, "x": x, "y": share["high"], "name": "upper limit"},
        {
            **edge,
            "x": x,
            "y": share["low"],
            "name": "limits",
            "fill": "tonexty",
            "fillcolor": "rgba(0, 114, 178, 0.18)",
        },
        {
            **edge,
            "x": x,
            "y": share["risk"],
            "name": "risk, all else as it was",
            "line": blue,
            "hoverinfo": "all",
            "hovertemplate": "%{x:.4g}: %{y:.1f} %<extra></extra>",
        },
        {
            **edge,
            "x": hills["value"].tolist(),
            "y": hills["density"].tolist(),
            "name": "where the runs lie",
            "fill": "tozeroy",
            "fillcolor": "#CFCFCF",
            "line": {"color": GREY, "width": 1},
            "xaxis": "x3",
            "yaxis": "y3",
        },
    ]
    runs = int(hills["runs"].iloc[0]) if len(hills) else 0
    notes = [heading(why or "risk had every run had that value, all else as it was, with limits", 2)]
    notes.append(heading(f"where the {runs} runs lie" if runs else "where the runs lie is not known", 3))
    ends = [end for end in (condition.low, condition.high) if end is not None and len(hills)]
    ends = [end for end in ends if hills["value"].min() <= end <= hills["value"].max()]
    dash = {"color": GREY, "width": 1, "dash": "dash"}
    up = {"type": "line", "xref": "x2", "yref": "y2 domain", "y0": 0, "y1": 1, "line": dash}
    shapes = [{**up, "x0": end, "x1": end} for end in ends]
    return traces, shapes, notes, axes


def _dose(findings: Findings, view: CauseView) -> tuple[pd.DataFrame, pd.DataFrame, str]:
    """Return the supported part of the curve, the density, and why there is no curve (empty where there is one)."""
    if findings.causal is None:
        return (
            pd.DataFrame(columns=["value", "risk", "low", "high"]),
            pd.DataFrame(columns=_HILL),
            f"No curve: {WITHOUT}",
        )
    dose = findings.causal.dose
    curve = dose.curve[(dose.curve["defect"] == view.defect) & (dose.curve["condition"] == view.condition)]
    hills = dose.density[dose.density["condition"] == view.condition].sort_values("value", ignore_index=True)
    pair = dose.pairs[(dose.pairs["defect"] == view.defect) & (dose.pairs["condition"] == view.condition)]
    why = "no curve is drawn along this condition" if pair.empty else str(pair["why"].iloc[0])
    line = curve[curve["supported"]].sort_values("value", ignore_index=True)
    return line, hills[_HILL], f"No curve: {why}" if why else ""


_HILL = ["value", "density", "runs"]
