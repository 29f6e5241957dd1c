"""What if: conditions held inside their windows, and the runs with a defect and the rework to be expected of it."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import pandas as pd

from auditkit.explore.expected import LEVERS, Rework, expected_at, lever_of, rework_for
from auditkit.explore.explorer import Control, Explorer, Shown, as_code, check_choice
from auditkit.explore.panels import Parts, figure_of, said_figure
from auditkit.findings.audit import Findings
from auditkit.trade.grounding import CAUTIONS
from auditkit.views.sentences import unit_sign
from auditkit.views.style import INK, OKABE_ITO

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["WhatIfView", "what_if", "what_if_figure", "what_if_table"]

_COLUMNS = ["condition", "value", "unit", "observed_pct", "expected_pct", "low_pct", "high_pct", "n", "runs_near"]
_COLUMNS += ["rework_m2", "rework_low_m2", "rework_high_m2", "paint_l", "paint_low_l", "paint_high_l", "grade", "why"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WhatIfView:
    """What is held, and for which defect something is expected.

    Parameters
    ----------
    defect : str, optional
        Left open, that of the firmest finding.
    standoff_mm, pot_kpa, viscosity_mm2_s, bell_used_d, filter_used_d, brush_wear_pct : float, optional
        Value of each condition, inside its window; left open, the median of
        the records or the nearest end. Days of use are those since the part was
        cleaned.
    """

    defect: str | None = None
    standoff_mm: float | None = None
    pot_kpa: float | None = None
    viscosity_mm2_s: float | None = None
    bell_used_d: float | None = None
    filter_used_d: float | None = None
    brush_wear_pct: float | None = None


def what_if(findings: Findings, view: WhatIfView | None = None) -> Explorer[WhatIfView]:
    """Return the what-if explorer: pick a defect and move conditions inside their windows.

    Parameters
    ----------
    findings : Findings
    view : WhatIfView, optional
        The view to begin with.

    Raises
    ------
    ImportError
        ipywidgets or anywidget is not installed.
    ValueError
        The view names no kind of defect, or a value lies outside its window.
    """
    view = view or WhatIfView()
    what_if_table(findings, view)
    return Explorer(
        view,
        controls=lambda at: _controls(findings, at),
        settle=lambda at: _settle(findings, at),
        show=lambda at: _show(findings, at),
    )


def what_if_figure(findings: Findings, view: WhatIfView) -> go.Figure:
    """Return the share of runs with the defect, as it was and as expected with each condition held, one at a time.

    Grey, with the reason, where the records have nothing to say.

    Parameters
    ----------
    findings : Findings
    view : WhatIfView

    Raises
    ------
    ValueError
        The view names no kind of defect, or a value lies outside its window.
    """
    return _figure(findings, view, what_if_table(findings, view))


def what_if_table(findings: Findings, view: WhatIfView) -> pd.DataFrame:
    """Return what is expected with each condition held at its value, one at a time.

    Parameters
    ----------
    findings : Findings
    view : WhatIfView

    Returns
    -------
    DataFrame
        One row a condition: condition, value, unit, observed_pct, expected_pct
        with low_pct and high_pct (share of runs with the defect) `[%]`, n,
        runs_near, rework_m2 with limits (faced side of the areas that had it,
        times expected over observed) `[m2]`, paint_l with limits (unthinned,
        for the nominal film; the ends of the share's and of the efficiency's
        intervals together, so that they err on the wide side) `[L]`, grade,
        why (empty where something can be expected).

    Raises
    ------
    ValueError
        The view names no kind of defect, or a value lies outside its window.
    """
    defect = _defect(findings, view)
    if defect is None:
        return pd.DataFrame(columns=_COLUMNS)
    rework = rework_for(findings, defect=defect)
    return pd.DataFrame([_row(findings, view, name, defect, rework) for name in LEVERS], columns=_COLUMNS)


def _row(findings: Findings, view: WhatIfView, name: str, defect: str, rework: Rework) -> dict[str, Any]:
    value = _value(findings, view, name)
    told = expected_at(findings, defect=defect, condition=name, value=value)
    known = findings.conditions.get(name)
    row: dict[str, Any] = {
        "condition": known.title if known else name,
        "value": None if lever_of(findings, name).why else value,
        "unit": unit_sign(known.unit) if known else "",
        "observed_pct": None if told.observed is None else 100.0 * told.observed,
        "n": told.n,
        "runs_near": told.runs_near,
        "grade": told.grade,
        "why": told.why,
    }
    if told.share is None or told.low is None or told.high is None or not told.observed:
        return row
    shares = {"": told.share, "low_": told.low, "high_": told.high}
    return row | {
        **{f"{_PCT[end]}_pct": 100.0 * share for end, share in shares.items()},
        **{f"rework_{end}m2": rework.size_m2 * share / told.observed for end, share in shares.items()},
        **{f"paint_{end}l": getattr(rework, f"paint_{end}l") * share / told.observed for end, share in shares.items()},
    }


_PCT = {"": "expected", "low_": "low", "high_": "high"}


def _defect(findings: Findings, view: WhatIfView) -> str | None:
    known = [str(name) for name in findings.causes.run_defects.found.columns]
    if view.defect is not None:
        check_choice("defect", view.defect, known)
        return view.defect
    if findings.causal is None:
        return next(iter(known), None)
    table = findings.causal.table
    levers = table[table["condition"].isin(list(LEVERS))]["defect"]
    return str(levers.iloc[0]) if len(levers) else next(iter(known), None)


def _value(findings: Findings, view: WhatIfView, name: str) -> float:
    asked: float | None = getattr(view, name)
    return lever_of(findings, name).start if asked is None else float(asked)


def _settle(findings: Findings, view: WhatIfView) -> WhatIfView:
    """Return the view with its defect named."""
    return replace(view, defect=_defect(findings, view))


def _controls(findings: Findings, view: WhatIfView) -> tuple[Control, ...]:
    defects = tuple((str(name), str(name)) for name in findings.causes.run_defects.found.columns)
    controls = [Control(name="defect", label="Defect", kind="one", value=view.defect, choices=defects)]
    for name in (item.name for item in fields(view) if item.name in LEVERS):
        lever, known = lever_of(findings, name), findings.conditions.get(name)
        label = f"{known.title} [{unit_sign(known.unit) or '-'}]" if known else name
        fixed = "the window holds this one value only" if lever.low == lever.high else ""
        controls.append(
            Control(
                name=name,
                label=label,
                kind="number",
                value=_value(findings, view, name),
                low=lever.low,
                high=lever.high,
                step=lever.step,
                locked=lever.why or fixed,
            )
        )
    return tuple(controls)


def _show(findings: Findings, view: WhatIfView) -> Shown:
    table = what_if_table(findings, view)
    return Shown(
        figure=_figure(findings, view, table),
        tables={"Expected, if the causal diagram holds": table},
        caption=_caption(findings, view, table),
        code=as_code("what_if_figure", view),
    )


def _caption(findings: Findings, view: WhatIfView, table: pd.DataFrame) -> str:
    caution = " ".join(CAUTIONS)
    defect = _defect(findings, view)
    if defect is None:
        return f"No defect was looked for. {caution}"
    rework = rework_for(findings, defect=defect)
    told = int((table["why"] == "").sum())
    confidence = 100.0 * findings.causes.confidence
    unpriced = f" ({rework.excluded} of them without paint, for want of an efficiency)" if rework.excluded else ""
    return (
        f"{defect[:1].upper()}{defect[1:]}: expected, if the diagram holds, and no promise. Each row holds one "
        "condition for every run and leaves all else as it was; rows do not add up, since the model carries one "
        f"condition at a time. {told} of {len(table)} conditions can be told of; n={int(table['n'].max())} runs at "
        f"most; {confidence:g} % limits, one value at a time. Rework is coating anew the faced side of the "
        f"{rework.areas} areas that had it, {rework.size_m2:.0f} m²{unpriced}, times expected over observed. {caution}"
    )


def _figure(findings: Findings, view: WhatIfView, table: pd.DataFrame) -> go.Figure:
    defect = _defect(findings, view)
    if defect is None:
        return said_figure("What if", "no defect was looked for")
    rows = table.to_dict("records")
    told = [place for place, row in enumerate(rows) if row["why"] == ""]
    silent = [place for place, row in enumerate(rows) if row["why"] != ""]
    seen = [place for place in told if rows[place]["observed_pct"] is not None]
    n = max((int(row["n"]) for row in rows), default=0)
    ends = [rows[place][end] for place in told for end in ("high_pct", "observed_pct") if rows[place][end] is not None]
    band = {"type": "rect", "xref": "x domain", "yref": "y", "x0": 0, "x1": 1, "layer": "below"}
    shade = {"fillcolor": "#EEEEEE", "line": {"width": 0}}
    return figure_of(
        [_observed_trace(rows, seen), _expected_trace(rows, told)],
        title=f"{defect[:1].upper()}{defect[1:]}: expected with one condition held, if the diagram holds (n={n} runs)",
        height=170 + 62 * len(rows),
        axes={
            "xaxis": {
                "title": {"text": "runs with it [%]"},
                "anchor": "y",
                "domain": [0.0, 1.0],
                "rangemode": "tozero",
                "range": [0.0, 1.15 * max(ends) if ends else 100.0],
            },
            "yaxis": {
                "tickvals": [-float(place) for place in range(len(rows))],
                "ticktext": [_lever_words(row) for row in rows],
                "range": [0.5 - len(rows), 0.5],
                "anchor": "x",
            },
        },
        shapes=[{**band, **shade, "y0": -place - 0.45, "y1": -place + 0.45} for place in silent],
        annotations=_words(rows),
        margin={"r": 210, "l": 200, "t": 60},
        legend={"y": -90 / (170 + 62 * len(rows)), "yanchor": "top"},
    )


def _lever_words(row: dict[Any, Any]) -> str:
    words = "<br>".join(wrap(str(row["condition"]), 26))
    held = "not held" if pd.isna(row["value"]) else f"{row['value']:g} {row['unit']}".strip()
    return f"{words}<br>{held}"


def _observed_trace(rows: list[dict[Any, Any]], places: list[int]) -> dict[str, Any]:
    return {
        "type": "scatter",
        "x": [rows[place]["observed_pct"] for place in places],
        "y": [-float(place) for place in places],
        "mode": "markers",
        "name": "as it was",
        "marker": {"symbol": "circle-open", "color": INK, "size": 10},
        "hovertemplate": "as it was: %{x:.1f} %<extra></extra>",
    }


def _expected_trace(rows: list[dict[Any, Any]], places: list[int]) -> dict[str, Any]:
    blue = OKABE_ITO["blue"]
    return {
        "type": "scatter",
        "x": [rows[place]["expected_pct"] for place in places],
        "y": [-float(place) for place in places],
        "mode": "markers",
        "name": "expected, with limits",
        "marker": {"symbol": "square", "color": blue, "size": 9},
        "error_x": {
            "type": "data",
            "array": [rows[place]["high_pct"] - rows[place]["expected_pct"] for place in places],
            "arrayminus": [rows[place]["expected_pct"] - rows[place]["low_pct"] for place in places],
            "color": blue,
            "thickness": 1.5,
            "width": 4,
        },
        "hovertemplate": "expected: %{x:.1f} %<extra></extra>",
    }


def _words(rows: list[dict[Any, Any]]) -> Parts:
    """Return what stands in or beside each row: the rework, or why the records have nothing to say."""
    notes = []
    for place, row in enumerate(rows):
        at = {
            "y": -float(place),
            "yref": "y",
            "xref": "x domain",
            "align": "left",
            "xanchor": "left",
            "showarrow": False,
        }
        if row["why"]:
            words, look = "<br>".join(wrap(f"cannot tell: {row['why']}", 78)[:4]), {"size": 11, "color": "#555555"}
            notes.append({**at, "x": 0.01, "text": words, "font": look})
            continue
        amounts = (
            f"{row['expected_pct']:.1f} % ({row['low_pct']:.1f} to {row['high_pct']:.1f}); {row['grade']}<br>"
            f"rework {row['rework_m2']:.0f} m² ({row['rework_low_m2']:.0f} to {row['rework_high_m2']:.0f})<br>"
            f"paint {row['paint_l']:.1f} L ({row['paint_low_l']:.1f} to {row['paint_high_l']:.1f})"
        )
        notes.append({**at, "x": 1.0, "xshift": 8, "text": amounts, "font": {"size": 11, "color": INK}})
    return notes
