"""Unit life line: runs, settings against windows, inspections, changes and defects of a unit on one time line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from auditkit.explore.explorer import Control, Explorer, Shown, as_code, check_choice
from auditkit.explore.panels import said_figure
from auditkit.findings.audit import Findings
from auditkit.trade.conditions import Condition, side_of_window
from auditkit.views.sentences import listed, unit_sign
from auditkit.views.unit_life_figures import unit_life as life_line

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["UnitView", "unit_figure", "unit_life", "unit_table"]

_COLUMNS = ["at", "event", "name", "setting", "against_window", "told"]


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitView:
    """What the life line shows.

    Parameters
    ----------
    unit : str, optional
        Left open, the first unit by name.
    first, last : str, optional
        First and last day of the period, as 2027-01-11 in the dossier's time
        zone; left open, all of it.
    setting : str
        The condition that is drawn against its window.
    """

    unit: str | None = None
    first: str | None = None
    last: str | None = None
    setting: str = "pot_kpa"


def unit_life(findings: Findings, view: UnitView | None = None) -> Explorer[UnitView]:
    """Return the explorer of a unit's life: pick a unit, a period and a setting.

    Parameters
    ----------
    findings : Findings
    view : UnitView, optional
        The view to begin with; left out, all of the first unit's life.

    Raises
    ------
    ImportError
        ipywidgets or anywidget is not installed.
    ValueError
        The view names what the records do not have.
    """
    return Explorer(
        _filled(findings, view or UnitView()),
        controls=lambda at: _controls(findings, at),
        settle=lambda at: _settle(findings, at),
        show=lambda at: _show(findings, at),
    )


def unit_figure(findings: Findings, view: UnitView) -> go.Figure:
    """Return defects, delivery, a setting against its window, and notes on parts, on one time line.

    Parameters
    ----------
    findings : Findings
    view : UnitView

    Raises
    ------
    ValueError
        The view names what the records do not have.
    """
    view = _filled(findings, view)
    if view.unit is None:
        return said_figure("Unit life", "no unit made a run or has a note")
    runs, notes = _runs(findings, view), _notes(findings, view)
    if runs.empty and notes.empty:
        return said_figure(f"Unit {view.unit}", "no run and no note in this period")
    return life_line(
        runs,
        notes,
        findings.causes.run_defects.found,
        unit_id=view.unit,
        setting=_settings(findings)[view.setting],
        time_zone=findings.dossier.time_zone,
    )


def unit_table(findings: Findings, view: UnitView) -> pd.DataFrame:
    """Return the events of a unit's life in a period, in order of time.

    Parameters
    ----------
    findings : Findings
    view : UnitView

    Returns
    -------
    DataFrame
        One row a run or note: at (local time), event ('run', or what was done),
        name (of the run or part), setting (in its own unit), against_window
        (of a run), told (defects found; or what was found of the part).

    Raises
    ------
    ValueError
        The view names what the records do not have.
    """
    view = _filled(findings, view)
    if view.unit is None:
        return pd.DataFrame(columns=_COLUMNS)
    runs, notes, zone = _runs(findings, view), _notes(findings, view), findings.dossier.time_zone
    found = findings.causes.run_defects.found
    seen = found.reindex(runs["run_id"]).fillna(False).astype(bool)
    told = [listed([str(name) for name in found.columns[had]]) if had.any() else "" for had in seen.to_numpy()]
    condition = _settings(findings)[view.setting]
    made = pd.DataFrame(
        {
            "at": runs["started_at"],
            "event": "run",
            "name": runs["run_id"],
            "setting": runs[view.setting].astype("float64"),
            "against_window": side_of_window(runs, condition),
            "told": told,
        }
    )
    done = pd.DataFrame(
        {
            "at": notes["done_at"],
            "event": notes["action"],
            "name": notes["part"],
            "setting": float("nan"),
            "against_window": "",
            "told": notes["found"].fillna(""),
        }
    )
    events = pd.concat([made, done], ignore_index=True).sort_values(["at", "event", "name"], ignore_index=True)
    return events.assign(at=events["at"].dt.tz_convert(zone).dt.strftime("%Y-%m-%d %H:%M"))[_COLUMNS]


def _units(findings: Findings) -> list[str]:
    runs, notes = findings.runs["unit_id"], findings.dossier.tables["maintenance"]["unit_id"]
    return sorted({str(unit) for unit in [*runs.dropna().unique(), *notes.dropna().unique()]})


def _settings(findings: Findings) -> Mapping[str, Condition]:
    """Return the conditions that are recorded by run."""
    return {name: one for name, one in findings.conditions.items() if name in findings.runs}


def _days(findings: Findings, unit: str | None) -> list[str]:
    """Return the days on which a unit made a run or was noted, in the dossier's zone."""
    runs, notes = findings.runs, findings.dossier.tables["maintenance"]
    times = pd.concat([runs.loc[runs["unit_id"] == unit, "started_at"], notes.loc[notes["unit_id"] == unit, "done_at"]])
    return sorted(_local_days(times, findings).unique())


def _local_days(times: pd.Series, findings: Findings) -> pd.Series:
    days: pd.Series = times.dt.tz_convert(findings.dossier.time_zone).dt.strftime("%Y-%m-%d")
    return days


def _within(times: pd.Series, findings: Findings, view: UnitView) -> pd.Series:
    days = _local_days(times, findings)
    return (days >= (view.first or "")) & (days <= (view.last or "9999"))


def _runs(findings: Findings, view: UnitView) -> pd.DataFrame:
    runs = findings.runs[findings.runs["unit_id"] == view.unit]
    return runs[_within(runs["started_at"], findings, view)]


def _notes(findings: Findings, view: UnitView) -> pd.DataFrame:
    notes = findings.dossier.tables["maintenance"]
    notes = notes[notes["unit_id"] == view.unit]
    return notes[_within(notes["done_at"], findings, view)]


def _filled(findings: Findings, view: UnitView) -> UnitView:
    units = _units(findings)
    if view.unit is not None:
        check_choice("unit", view.unit, units)
    check_choice("setting", view.setting, list(_settings(findings)))
    for name, day in (("first", view.first), ("last", view.last)):
        if day is not None:
            _check_day(name, day)
    if view.first is not None and view.last is not None and view.first > view.last:
        raise ValueError(f"first may not lie after last; given {view.first} and {view.last}")
    return replace(view, unit=view.unit or next(iter(units), None))


def _check_day(name: str, day: str) -> None:
    from datetime import date

    try:
        date.fromisoformat(day)
    except ValueError:
        raise ValueError(f"{name} must be a day such as 2027-01-11; given {day!r}") from None


def _settle(findings: Findings, view: UnitView) -> UnitView:
    days = _days(findings, view.unit)
    first = view.first if view.first in days else None
    last = view.last if view.last in days else None
    if first is not None and last is not None and first > last:
        last = None
    return _filled(findings, replace(view, first=first, last=last))


def _controls(findings: Findings, view: UnitView) -> tuple[Control, ...]:
    days = tuple((day, day) for day in _days(findings, view.unit))
    units = tuple((unit, unit) for unit in _units(findings))
    settings = tuple((f"{one.title} [{unit_sign(one.unit) or '-'}]", name) for name, one in _settings(findings).items())
    later = tuple(day for day in days if view.first is None or day[1] >= view.first)
    return (
        Control(name="unit", label="Unit", kind="one", value=view.unit, choices=units or (("none recorded", None),)),
        Control(name="first", label="From day", kind="one", value=view.first, choices=(("the first", None), *days)),
        Control(name="last", label="To day", kind="one", value=view.last, choices=(("the last", None), *later)),
        Control(name="setting", label="Setting", kind="one", value=view.setting, choices=settings),
    )


def _show(findings: Findings, view: UnitView) -> Shown:
    events = unit_table(findings, view)
    return Shown(
        figure=unit_figure(findings, view),
        tables={f"Events of unit {view.unit}": events} if view.unit else {},
        caption=_caption(findings, view, events),
        code=as_code("unit_figure", view),
    )


def _caption(findings: Findings, view: UnitView, events: pd.DataFrame) -> str:
    if view.unit is None:
        return "No unit made a run or has a note."
    whole = unit_table(findings, replace(view, first=None, last=None)) if view.first or view.last else events
    runs, condition = events[events["event"] == "run"], _settings(findings)[view.setting]
    places = runs["against_window"].value_counts()
    told = ", ".join(f"{int(places[place])} {place}" for place in _PLACES if place in places)
    hurt = int((runs["told"] != "").sum())
    return (
        f"Unit {view.unit}: {len(runs)} runs and {len(events) - len(runs)} notes; {len(whole) - len(events)} runs and "
        f"notes outside the period are left out. {condition.title} ({_window(condition)}): {told or 'no run'}. {hurt} "
        f"runs with a defect found."
    )


_PLACES = ("inside", "below", "above", "not recorded", "does not apply", "no window")


def _window(condition: Condition) -> str:
    sign, ends = unit_sign(condition.unit), (("at least", condition.low), ("at most", condition.high))
    known = [f"{word} {end:,.10g} {sign}".strip() for word, end in ends if end is not None]
    return " and ".join(known) or "no window is known"
