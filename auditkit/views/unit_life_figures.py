"""A unit's life on one time line: defects, delivery, pressure, and what was looked at, cleaned and changed."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import pandas as pd

from auditkit.trade.conditions import Condition
from auditkit.views.sentences import unit_sign
from auditkit.views.style import GREY, OKABE_ITO, template

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["unit_life"]

_ACTIONS = {
    "inspected": ("looked at", "circle-open", GREY, 8),
    "cleaned": ("cleaned", "diamond", OKABE_ITO["sky blue"], 8),
    "fitted": ("fitted", "square-open", OKABE_ITO["blue"], 9),
    "replaced": ("replaced", "square", OKABE_ITO["blue"], 10),
}
_BAD = "found bad"
_LANE_PX, _TRACE_PX = 19, 105
_ABOUT_D = 3


def unit_life(
    runs: pd.DataFrame,
    maintenance: pd.DataFrame,
    found: pd.DataFrame,
    *,
    unit_id: str,
    pot_window: tuple[float | None, float | None] = (None, None),
    setting: Condition | None = None,
    time_zone: str = "UTC",
) -> go.Figure:
    """Return the life of one unit, four panels on one time line.

    Parameters
    ----------
    runs : DataFrame
        One row a run: run_id, unit_id, started_at, pot_kpa `[kPa]`,
        delivery_ratio `[-]`.
    maintenance : DataFrame
        One row a note: unit_id, part, action, found, done_at.
    found : DataFrame
        One row a run (index run_id), one nullable boolean column a defect.
    unit_id : str
    pot_window : tuple of float or None
        Window of the pot pressure `[kPa]`.
    setting : Condition, optional
        What is drawn in place of the pot pressure, with its window.
    time_zone : str
        IANA zone of the time line.

    Raises
    ------
    ValueError
        The unit made no run and has no note.
    """
    from plotly.subplots import make_subplots

    own = runs[runs["unit_id"] == unit_id].sort_values(["started_at", "run_id"])
    notes = maintenance[maintenance["unit_id"] == unit_id].sort_values(["done_at", "part", "action"])
    if own.empty and notes.empty:
        raise ValueError(f"unit_id must be one of {sorted(runs['unit_id'].unique())}; given {unit_id!r}")
    own = own.assign(at=_local(own["started_at"], time_zone))
    notes = notes.assign(at=_local(notes["done_at"], time_zone))
    defects = [name for name in found.columns if found.loc[own["run_id"], name].eq(True).fillna(False).any()]
    parts = sorted(notes["part"].unique())
    heights = [_lanes_px(len(defects)), _TRACE_PX, _TRACE_PX, _lanes_px(len(parts))]
    figure = make_subplots(
        rows=4, cols=1, shared_xaxes=True, row_heights=heights, vertical_spacing=28 / (sum(heights) + 4 * 28)
    )
    _draw_defects(figure, own, found, defects)
    _draw_trace(figure, own, "delivery_ratio", row=2, window=(None, None), at_one=True)
    column, title = "pot_kpa", "pot [kPa]"
    if setting is not None:
        column, title, pot_window = setting.name, _titled(setting), (setting.low, setting.high)
    _draw_trace(figure, own, column, row=3, window=pot_window, at_one=False)
    _draw_notes(figure, notes, parts)
    titles = ("defects found", "flow had / flow<br>when clean [-]", title, "parts")
    for row, words in enumerate(titles, start=1):
        figure.update_yaxes(title={"text": words, "font": {"size": 12}}, row=row, col=1)
    first, last = _span(own, notes)
    away = int((~notes["at"].between(first, last)).sum())
    beyond = f", {away} of them far from the runs and not shown" if away else ""
    figure.update_layout(
        template=template(),
        title={"text": f"Unit {unit_id}: {len(own)} runs, {len(notes)} notes on its parts{beyond}"},
        height=sum(heights) + 4 * 28 + 110,
        legend={"y": -0.1, "yanchor": "top"},
        margin={"l": 120},
    )
    figure.update_xaxes(type="date", showgrid=True, range=[first, last])
    return figure


def _titled(setting: Condition) -> str:
    """Return a setting and its unit, broken as the narrow panel asks."""
    return "<br>".join(wrap(f"{setting.title.lower()} [{unit_sign(setting.unit) or '-'}]", 17))


def _span(own: pd.DataFrame, notes: pd.DataFrame) -> tuple[str, str]:
    """Return the ends of the time line: a few days about the runs, so that one misdated note does not stretch it."""
    times = pd.to_datetime(own["at"] if len(own) else notes["at"])
    ends = times.min() - pd.Timedelta(days=_ABOUT_D), times.max() + pd.Timedelta(days=_ABOUT_D)
    return ends[0].strftime("%Y-%m-%dT%H:%M:%S"), ends[1].strftime("%Y-%m-%dT%H:%M:%S")


def _local(times: pd.Series, time_zone: str) -> pd.Series:
    local: pd.Series = times.dt.tz_convert(time_zone).dt.strftime("%Y-%m-%dT%H:%M:%S")
    return local


def _lanes_px(count: int) -> int:
    return 24 + _LANE_PX * max(count, 1)


def _draw_defects(figure: go.Figure, own: pd.DataFrame, found: pd.DataFrame, defects: list[str]) -> None:
    import plotly.graph_objects as go

    for lane, defect in enumerate(defects):
        seen = own[found.loc[own["run_id"], defect].eq(True).fillna(False).to_numpy(dtype=bool)]
        marker = {"symbol": "x", "color": OKABE_ITO["vermillion"], "size": 8}
        trace = _markers(go, seen["at"], [lane] * len(seen), marker, seen["run_id"], name="a run with the defect")
        trace.showlegend = lane == 0
        figure.add_trace(trace, row=1, col=1)
    labels = [f"{name} ({int(found.loc[own['run_id'], name].sum())})" for name in defects] or ["none found"]
    _lane_axis(figure, labels, row=1)


def _draw_trace(
    figure: go.Figure,
    own: pd.DataFrame,
    column: str,
    *,
    row: int,
    window: tuple[float | None, float | None],
    at_one: bool,
) -> None:
    import plotly.graph_objects as go

    known = own[own[column].notna()]
    marker = {"symbol": "circle", "color": OKABE_ITO["black"], "size": 4.5}
    trace = _markers(go, known["at"], known[column].tolist(), marker, known["run_id"], name="one run")
    trace.showlegend = row == 2
    figure.add_trace(trace, row=row, col=1)
    for limit in (*window, 1.0 if at_one else None):
        if limit is not None:
            figure.add_hline(y=limit, line={"color": GREY, "width": 1, "dash": "dash"}, row=row, col=1)


def _draw_notes(figure: go.Figure, notes: pd.DataFrame, parts: list[str]) -> None:
    import plotly.graph_objects as go

    lanes = {part: len(parts) - 1 - place for place, part in enumerate(parts)}
    for action, (words, symbol, colour, size) in _ACTIONS.items():
        some = notes[notes["action"] == action]
        if len(some):
            marker = {"symbol": symbol, "color": colour, "size": size, "line": {"width": 1, "color": colour}}
            y = some["part"].map(lanes).tolist()
            figure.add_trace(_markers(go, some["at"], y, marker, some["part"], name=words), row=4, col=1)
    bad = notes[notes["found"].notna() & (notes["found"] != "good")]
    if len(bad):
        marker = {"symbol": "x", "color": OKABE_ITO["vermillion"], "size": 7}
        y = bad["part"].map(lanes).tolist()
        figure.add_trace(_markers(go, bad["at"], y, marker, bad["part"] + ": " + bad["found"], name=_BAD), row=4, col=1)
    _lane_axis(figure, parts[::-1] or ["no notes"], row=4)


def _markers(go: Any, x: pd.Series, y: Sequence[float], marker: dict[str, Any], text: pd.Series, *, name: str) -> Any:
    return go.Scatter(
        x=x.tolist(),
        y=list(y),
        mode="markers",
        marker=marker,
        name=name,
        text=text.tolist(),
        hovertemplate="%{text}, %{x}<extra>" + name + "</extra>",
    )


def _lane_axis(figure: go.Figure, labels: list[str], *, row: int) -> None:
    figure.update_yaxes(
        tickvals=list(range(len(labels))), ticktext=labels, range=[-0.7, len(labels) - 0.3], row=row, col=1
    )
