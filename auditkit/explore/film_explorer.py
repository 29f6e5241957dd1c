"""Film map: areas by verdict, facing beside reverse, down to the spots and readings of one area."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pandas as pd

from auditkit.explore.explorer import Control, Explorer, Shown, as_code
from auditkit.explore.film_rows import (
    SIDES,
    WORST_FIRST,
    FilmView,
    areas_of,
    check_view,
    film_table,
    jobs_of,
    readings_of,
    spots_of,
)
from auditkit.explore.panels import Parts, axis_name, figure_of, heading, limit_lines, said_figure
from auditkit.findings.audit import Findings
from auditkit.views.style import GREY, INK, OKABE_ITO, VERDICT_COLOURS, VERDICT_SYMBOLS

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["film_figure", "film_map"]


MOST_WHISKERS = 60
"""Areas of a panel up to which the lowest and the highest spot of each are drawn."""

_IN_UM = re.compile(r"^(part \d+: )?(lowest|highest|mean)")


def film_map(findings: Findings, view: FilmView | None = None) -> Explorer[FilmView]:
    """Return the film map: pick a job, an area, a side and a spot.

    Parameters
    ----------
    findings : Findings
    view : FilmView, optional
        The view to begin with; left out, the first job.

    Raises
    ------
    ImportError
        ipywidgets or anywidget is not installed.
    ValueError
        The view names what the records do not have.
    """
    if view is not None:
        check_view(findings, view)
    return Explorer(
        view or FilmView(job=next(iter(jobs_of(findings)), None)),
        controls=lambda at: _controls(findings, at),
        settle=lambda at: _settle(findings, at),
        show=lambda at: _show(findings, at),
    )


def film_figure(findings: Findings, view: FilmView) -> go.Figure:
    """Return the areas of a job by verdict, or the spots and readings of one area; facing beside reverse on one axis.

    Parameters
    ----------
    findings : Findings
    view : FilmView

    Raises
    ------
    ValueError
        The view names what the records do not have.
    """
    check_view(findings, view)
    if view.area is not None:
        return _area_figure(findings, view)
    areas = areas_of(findings, view.job)
    if areas["mean_um"].notna().any():
        return _areas_figure(areas, view.job)
    why = "no film was measured on any area" if len(areas) else "no area is recorded"
    return said_figure(f"Film of {_of_job(view.job)}", why)


def _settle(findings: Findings, view: FilmView) -> FilmView:
    if view.area is not None and view.area not in set(areas_of(findings, view.job)["area_id"]):
        view = replace(view, area=None)
    if view.spot is not None and view.spot not in spots_of(findings, view):
        view = replace(view, spot=None)
    return view


def _controls(findings: Findings, view: FilmView) -> tuple[Control, ...]:
    by_area = findings.film.by_area
    by_area = by_area if view.job is None else by_area[by_area["job_id"] == view.job]
    order = by_area.assign(rank=by_area["verdict"].map(WORST_FIRST.index)).sort_values(["rank", "area_id"])
    areas = [(f"{area}: {verdict}", area) for area, verdict in zip(order["area_id"], order["verdict"], strict=True)]
    every: tuple[tuple[str, Any], ...] = (("all", None),)
    spots = tuple((f"spot {spot}", spot) for spot in spots_of(findings, view))
    jobs = tuple((job, job) for job in jobs_of(findings))
    sides = tuple((side, side) for side in SIDES)
    return (
        Control(name="job", label="Job", kind="one", value=view.job, choices=every + jobs),
        Control(name="area", label="Area", kind="one", value=view.area, choices=(*every, *areas)),
        Control(name="side", label="Side of the tables", kind="buttons", value=view.side, choices=sides),
        Control(
            name="spot",
            label="Spot",
            kind="one",
            value=view.spot,
            choices=every + spots,
            locked="" if spots else "pick an area with readings on this side first",
        ),
    )


def _show(findings: Findings, view: FilmView) -> Shown:
    table = film_table(findings, view)
    if view.area is None:
        heading = f"Areas and sides of {_of_job(view.job)}, the worst first"
    elif view.spot is None:
        heading = f"Spots of {view.area}, {view.side}"
    else:
        heading = f"Readings of {view.area}, {view.side}, spot {view.spot}"
    return Shown(
        figure=film_figure(findings, view),
        tables={heading: table},
        caption=_caption(findings, view),
        code=as_code("film_figure", view),
    )


def _caption(findings: Findings, view: FilmView) -> str:
    areas = areas_of(findings, view.job)
    if view.area is None:
        counts = areas["verdict"].value_counts()
        told = ", ".join(f"{int(counts.get(word, 0))} {word}" for word in WORST_FIRST)
        bare = int(areas["mean_um"].isna().sum())
        return (
            f"{len(areas)} sides of {areas['area_id'].nunique()} areas: {told}; {int(areas['n_readings'].sum())} "
            f"readings. Not drawn: {bare} sides without a mean that is judged. Left out of the verdicts: "
            f"{int(areas['n_edge_readings'].sum())} readings on edges, {int(areas['superseded_readings'].sum())} of a "
            "film since sprayed over. Means are less the rule's correction."
        )
    parts = []
    for row in areas[areas["area_id"] == view.area].sort_values("side").to_dict("records"):
        more = [f"{row[f'{name}_readings']} {words}" for name, words in _DOUBTS.items() if row[f"{name}_readings"]]
        also = f" ({'; '.join(more)})" if more else ""
        parts.append(f"{row['side']}: {row['verdict']}, {row['reason']}; n={row['n_readings']} readings{also}")
    return f"{view.area}. {'. '.join(parts)}."


_DOUBTS = {
    "superseded": "of a film since sprayed over, not judged",
    "suspect": "by a gauge that failed its check",
    "uncovered": "not covered by a gauge check",
}


def _of_job(job: str | None) -> str:
    return "all jobs" if job is None else f"job {job}"


def _beside(x: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """Return the axes of two panels that share one upward axis."""
    return {
        "xaxis": {**x[0], "domain": [0.0, 0.41], "anchor": "y"},
        "xaxis2": {**x[1], "domain": [0.56, 0.97], "anchor": "y2"},
        "yaxis": {"title": {"text": "dry film [µm]"}, "anchor": "x"},
        "yaxis2": {"matches": "y", "anchor": "x2", "showticklabels": False},
    }


_ROOM: dict[str, Any] = {"margin": {"t": 72, "r": 90}, "legend": {"y": -0.24}}
_BROKEN = {"does not conform": "does not<br>conform", "not assessable": "not<br>assessable", "conforms": "conforms<br>"}


def _areas_figure(areas: pd.DataFrame, job: str | None) -> go.Figure:
    """Return the mean film of each area, by verdict in words and marks."""
    drawn = areas[areas["mean_um"].notna()]
    shapes: Parts = []
    traces, notes, x = [], [], []
    for number, side in enumerate(SIDES, start=1):
        own = drawn[drawn["side"] == side]
        counts = own["verdict"].value_counts()
        traces += [_areas_trace(own, verdict, number=number) for verdict in WORST_FIRST]
        words = [f"{_BROKEN[verdict]}<br>({int(counts.get(verdict, 0))})" for verdict in WORST_FIRST]
        x.append({"tickvals": [0, 1, 2], "ticktext": words, "range": [-0.6, 2.6]})
        notes.append(heading(f"{side} ({len(own)} areas)", number))
        if job is not None and len(own):
            named = (("least", "minimum_um"), ("nominal", "nominal_um"), ("most", "maximum_um"))
            limits = [(f"{word} {own[column].iloc[0]:g}", float(own[column].iloc[0])) for word, column in named]
            lines, texts = limit_lines(limits, number=number)
            shapes, notes = shapes + lines, notes + texts
    title = f"Mean dry film by verdict, {_of_job(job)} ({len(drawn)} sides measured)"
    return figure_of(traces, title=title, height=430, axes=_beside(x), shapes=shapes, annotations=notes, **_ROOM)


def _areas_trace(own: pd.DataFrame, verdict: str, *, number: int) -> dict[str, Any]:
    part = own[own["verdict"] == verdict].sort_values(["mean_um", "area_id"])
    mean, colour = part["mean_um"], VERDICT_COLOURS[verdict]
    whiskers = part if len(own) <= MOST_WHISKERS else part.iloc[:0]
    return {
        "type": "scatter",
        "x": [WORST_FIRST.index(verdict) + ((i * 7) % 11 - 5) * 0.07 for i in range(len(part))],
        "y": mean.tolist(),
        "mode": "markers",
        "name": verdict,
        "legendgroup": verdict,
        "showlegend": number == 1,
        "marker": {"color": colour, "symbol": VERDICT_SYMBOLS[verdict], "size": 7},
        "error_y": {
            "type": "data",
            "array": (whiskers["highest_spot_um"] - whiskers["mean_um"]).fillna(0.0).tolist(),
            "arrayminus": (whiskers["mean_um"] - whiskers["lowest_spot_um"]).fillna(0.0).tolist(),
            "color": colour,
            "thickness": 1,
            "width": 0,
        },
        "text": part["area_id"].tolist(),
        "hovertemplate": "%{text}: %{y:.1f} µm<extra>" + verdict + "</extra>",
        "xaxis": axis_name("x", number),
        "yaxis": axis_name("y", number),
    }


def _area_figure(findings: Findings, view: FilmView) -> go.Figure:
    """Return the readings and the spots of one area, with the limits that its rule tests."""
    area = str(view.area)
    judged = findings.film.areas
    judged = judged[judged["area_id"] == area].set_index("side")
    readings, spots, tests = readings_of(findings, area), findings.film.spots, findings.film.tests
    spots, tests = spots[spots["area_id"] == area], tests[tests["area_id"] == area]
    corrections = judged["correction_um"].fillna(0.0)
    shapes: Parts = []
    traces, notes, x = [], [], []
    for number, side in enumerate(SIDES, start=1):
        own, its_spots = readings[readings["side"] == side], spots[spots["side"] == side]
        order = sorted(int(spot) for spot in own["spot"].unique())
        place = {spot: float(at) for at, spot in enumerate(order)}
        less = float(corrections[side])
        picked = view.spot if side == view.side else None
        traces += [
            {**trace, "xaxis": axis_name("x", number), "yaxis": axis_name("y", number), "showlegend": number == 1}
            for trace in _readings_traces(own, place, picked=picked, less=less)
        ]
        traces.append(_spots_trace(its_spots, place, less=less, number=number))
        step = max(-(-len(order) // 20), 1)
        ticks = {"tickvals": list(range(0, len(order), step)), "ticktext": [str(spot) for spot in order[::step]]}
        x.append({**ticks, "range": [-0.6, max(len(order), 1) - 0.4], "title": {"text": "spot"}})
        n = f"n={int(own['counts'].sum())} readings" if len(own) else "not measured"
        notes.append(heading(f"{side}: {judged.loc[side, 'verdict']!s} ({n})", number))
        lines, texts = limit_lines(_limits(tests[tests["side"] == side]), number=number)
        shapes, notes = shapes + lines, notes + texts
    drawn = {name for trace in traces if trace["x"] for name in [trace["name"]]}
    traces = [{**trace, "showlegend": trace["showlegend"] and trace["name"] in drawn} for trace in traces]
    most = float(corrections.max())
    also = f", less the rule's correction of {most:g} µm" if most > 0 else ""
    title = f"Film of {area}, job {judged['job_id'].iloc[0]}{also}"
    return figure_of(traces, title=title, height=460, axes=_beside(x), shapes=shapes, annotations=notes, **_ROOM)


def _limits(tests: pd.DataFrame) -> list[tuple[str, float]]:
    """Return what the tests in micrometres ask for, in words, with the height of each."""
    known = tests[tests["limit"].notna() & tests["name"].str.match(_IN_UM)]
    parts = zip(known["name"].astype("str"), known["holds"], known["limit"], strict=True)
    said = {(re.sub(r"^part \d+: ", "", str(name)), str(holds), float(limit)) for name, holds, limit in parts}
    return [(f"{name}<br>{holds} {limit:g}", limit) for name, holds, limit in sorted(said)]


def _readings_traces(
    readings: pd.DataFrame, place: Mapping[int, float], *, picked: int | None, less: float
) -> list[dict[str, Any]]:
    """Return the readings that count, those of the picked spot, and those of a film since sprayed over."""
    own = (readings["spot"] == picked) if picked is not None else pd.Series(False, index=readings.index)
    looks: tuple[tuple[str, pd.Series, str, str, float], ...] = (
        ("one reading", readings["counts"] & ~own, "circle-open", INK, 6),
        ("of the picked spot", readings["counts"] & own, "square", OKABE_ITO["blue"], 8),
        ("of a film since sprayed over", ~readings["counts"], "x", GREY, 6),
    )
    traces = []
    for name, chosen, symbol, colour, size in looks:
        some = readings[chosen]
        traces.append(
            {
                "type": "scatter",
                "x": some["spot"].map(place).tolist(),
                "y": (some["dft_um"] - less).tolist(),
                "mode": "markers",
                "name": name,
                "legendgroup": name,
                "marker": {"symbol": symbol, "color": colour, "size": size, "line": {"color": colour, "width": 1.2}},
                "text": [f"{file}, line {line}" for file, line in zip(some["file"], some["line"], strict=True)],
                "hovertemplate": "%{y:.1f} µm; %{text}<extra>" + name + "</extra>",
            }
        )
    return traces


def _spots_trace(spots: pd.DataFrame, place: Mapping[int, float], *, less: float, number: int) -> dict[str, Any]:
    name, look = "mean of the spot", {"symbol": "diamond", "color": OKABE_ITO["orange"], "size": 9}
    return {
        "type": "scatter",
        "x": spots["spot"].map(place).tolist(),
        "y": (spots["dft_um"] - less).tolist(),
        "mode": "markers",
        "name": name,
        "legendgroup": name,
        "showlegend": number == 1,
        "marker": {**look, "line": {"color": INK, "width": 1}},
        "hovertemplate": "%{y:.1f} µm<extra>" + name + "</extra>",
        "xaxis": axis_name("x", number),
        "yaxis": axis_name("y", number),
    }
