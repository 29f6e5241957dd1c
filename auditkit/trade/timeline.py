"""Timeline: each spray run with what it met: settings, weather, grounds and upkeep.

Joins are by key or by the last record at or before the run. What could not be
joined is counted, not filled in.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pandas as pd

from auditkit.errors import DeclarationError, Fault
from auditkit.trade.application import bell_matches, pauses
from auditkit.trade.climate import dew_point
from auditkit.trade.upkeep import part_states
from auditkit.trade.viscosity import kinematic_viscosity
from auditkit.trade.viscosity_temperature import FARTHEST_K, REFERENCE_C, ViscosityLine, viscosity_at, viscosity_line

__all__ = ["Timeline", "build_timeline", "run_settings"]

LEAD = pd.Timedelta(hours=1)
"""A setting made up to this long before the trigger is first pulled belongs to the run."""

STARTUP_WITHIN = pd.Timedelta(hours=12)
"""A start-up list gone through up to this long before a run covers it; our own default."""


NO_STARTUP = "runs without a start-up check in the 12 hours before"

CONDITION_PARTS = ("brush", "bell", "filter")
"""Parts whose state is a condition of the run."""

ViscosityPoints = Mapping[str, Sequence[Mapping[str, float]]]
"""Measured points by coating, see `viscosity_temperature.viscosity_line`."""

_NO_POINTS: ViscosityPoints = MappingProxyType({})
_HOSE = ["hose_length_m", "hose_bore_mm", "rise_m"]
_STANDOFFS = ["standoff_min_mm", "standoff_max_mm"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """Every spray run with its surroundings.

    Parameters
    ----------
    runs : DataFrame
        One row a run, sorted by start and run_id: the record of the run, its
        job, geometry and coating, and pot_kpa `[kPa]`, settings (count),
        viscosity_mm2_s `[mm2/s]`, paint_temp_c `[C]`, flow_ml_min `[mL/min]`,
        viscosity_20c_mm2_s (brought to 20 C where the coating has measured
        points) `[mm2/s]`, paint_density_kg_m3 (of the job) `[kg/m3]`,
        hose_length_m, hose_bore_mm, rise_m (of the unit) `[m]`, `[mm]`,
        standoff_spread_mm (farthest - nearest) `[mm]`, first_of_day (bool) and
        pause_min `[min]` (see `application.pauses`), dew_point_c `[C]`,
        surface_margin_c `[C]`, brush_wear_pct `[%]`, brush_inspected_d `[d]`,
        bell_used_d `[d]`, filter_used_d `[d]`, filter_clean_h `[h]`,
        startup_checked (bool), and of that start-up shift and
        bell_matches_feed_tube (nullable bool).
    parts : DataFrame
        One row a run and part, see `upkeep.part_states`.
    not_joined : DataFrame
        What could not be joined: what, n, of, why.
    """

    runs: pd.DataFrame
    parts: pd.DataFrame
    not_joined: pd.DataFrame


def run_settings(runs: pd.DataFrame, settings: pd.DataFrame, *, lead: pd.Timedelta = LEAD) -> pd.DataFrame:
    """Return each run's settings, taken from the settings inside the run.

    Parameters
    ----------
    runs : DataFrame
        run_id, started_at, ended_at.
    settings : DataFrame
        Pressure settings: run_id, set_at, pot_kpa, cup, cup_s, paint_temp_c,
        catch_ml, catch_s.
    lead : Timedelta
        How long before its start a setting still belongs to the run.

    Returns
    -------
    DataFrame
        One row a run of `runs`, sorted by run_id: run_id, settings (how many
        lay inside), settings_outside (named the run but lay outside its time),
        cups_out_of_range, pot_kpa (mean over the time it was in force; the
        last setting before the start is in force from the start),
        viscosity_mm2_s (median), paint_temp_c (median), flow_ml_min (all paint
        caught / all time, of catches with both).

    Examples
    --------
    >>> import pandas as pd
    >>> at = pd.to_datetime(["2027-01-11T08:00Z", "2027-01-11T08:20Z", "2027-01-11T07:55Z", "2027-01-12T08:00Z"])
    >>> runs = pd.DataFrame({"run_id": ["R1"], "started_at": at[:1], "ended_at": at[1:2]})
    >>> settings = pd.DataFrame({
    ...     "run_id": "R1", "set_at": at[2:], "pot_kpa": [40.0, 90.0], "cup": [None, None], "cup_s": [None, None],
    ...     "paint_temp_c": [None, None], "catch_ml": [30.0, None], "catch_s": [20.0, None]})
    >>> run_settings(runs, settings)[["settings", "settings_outside", "pot_kpa", "flow_ml_min"]].to_numpy().tolist()
    [[1.0, 1.0, 40.0, 90.0]]
    """
    known = settings.merge(runs[["run_id", "started_at", "ended_at"]], on="run_id", how="inner")
    within = known["set_at"].between(known["started_at"] - lead, known["ended_at"])
    inside = _in_force(known[within])
    viscosity, readable = kinematic_viscosity(inside["cup_s"], inside["cup"])
    inside = inside.assign(viscosity_mm2_s=viscosity, out_of_range=inside["cup_s"].notna() & ~readable).sort_values(
        ["run_id", "set_at"]
    )
    grouped = inside.groupby("run_id", sort=True)
    complete = inside[inside["catch_ml"].notna() & inside["catch_s"].notna()].groupby("run_id", sort=True)
    caught = complete[["catch_ml", "catch_s"]].sum()
    weighted = grouped[["kpa_seconds", "seconds"]].sum()
    summary = pd.DataFrame(
        {
            "settings": grouped.size(),
            "cups_out_of_range": grouped["out_of_range"].sum(),
            "pot_kpa": weighted["kpa_seconds"] / weighted["seconds"],
            "viscosity_mm2_s": grouped["viscosity_mm2_s"].median(),
            "paint_temp_c": grouped["paint_temp_c"].median(),
            "flow_ml_min": caught["catch_ml"] / caught["catch_s"] * 60.0,
        }
    )
    outside = known[~within].groupby("run_id").size()
    result = summary.reindex(runs["run_id"].sort_values()).rename_axis("run_id").reset_index()
    result.insert(2, "settings_outside", result["run_id"].map(outside))
    counts = ["settings", "settings_outside", "cups_out_of_range"]
    result[counts] = result[counts].fillna(0).astype("int64")
    return result


def _in_force(settings: pd.DataFrame) -> pd.DataFrame:
    """Return settings with the seconds each was in force during its run, and its pressure times those seconds."""
    ordered = settings.sort_values(["run_id", "set_at"], kind="stable")
    begins = ordered["set_at"].clip(lower=ordered["started_at"])
    following = begins.groupby(ordered["run_id"]).shift(-1).fillna(ordered["ended_at"])
    seconds = (following - begins).dt.total_seconds()
    # A reading at the very end was in force for no time; alone in its run, it still is what is known.
    only_moments = seconds.groupby(ordered["run_id"]).transform("sum") == 0
    seconds = seconds.mask(only_moments, 1.0)
    return ordered.assign(seconds=seconds, kpa_seconds=ordered["pot_kpa"] * seconds)


def build_timeline(
    tables: Mapping[str, pd.DataFrame], *, time_zone: str = "UTC", viscosity_points: ViscosityPoints = _NO_POINTS
) -> Timeline:
    """Return the timeline of an audit's runs.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables by contract name; those of runs, areas, jobs,
        pressure settings, maintenance, start-up checks and, where there is
        one, units are used.
    time_zone : str
        IANA zone by which a day is a day.
    viscosity_points : mapping of str to sequence
        Measured points by coating: temp_c `[C]` and mm2_s `[mm2/s]` of each.
        The viscosity of a coating without any is not brought to 20 C.

    Returns
    -------
    Timeline
        See there.

    Raises
    ------
    DeclarationError
        The points of a coating give no line.
    """
    lines = _viscosity_lines(viscosity_points)
    runs = _with_numbers(tables["spray_runs"], _STANDOFFS).merge(_places(tables), on="area_id", how="left")
    runs = runs.merge(_hoses(tables), on="unit_id", how="left")
    runs = runs.sort_values(["started_at", "run_id"], ignore_index=True)
    runs["day"] = runs["started_at"].dt.tz_convert(time_zone).dt.strftime("%Y-%m-%d").astype("str")
    runs["minutes"] = (runs["ended_at"] - runs["started_at"]).dt.total_seconds() / 60
    runs = runs.merge(run_settings(runs, tables["pressure_settings"]), on="run_id", how="left")
    runs["viscosity_20c_mm2_s"] = _at_reference(runs, lines)
    runs["dew_point_c"] = dew_point(runs["air_temp_c"], runs["humidity_pct"])
    runs["surface_margin_c"] = runs["surface_temp_c"] - runs["dew_point_c"]
    nearest, farthest = (runs[name] for name in _STANDOFFS)
    runs["standoff_spread_mm"] = farthest - nearest
    runs = runs.merge(pauses(runs, tables["maintenance"]), on="run_id", how="left")
    parts = part_states(runs, tables["maintenance"])
    runs = runs.merge(_states_across(parts), on="run_id", how="left")
    runs = runs.join(_startups(runs, tables["startup_checks"]))
    return Timeline(runs=runs, parts=parts, not_joined=_not_joined(runs, parts, lines))


def _with_numbers(frame: pd.DataFrame, names: Sequence[str]) -> pd.DataFrame:
    """Return the frame with those columns as numbers, blank where they were not there."""
    blank = pd.Series(np.nan, index=frame.index)
    return frame.assign(**{name: frame.get(name, blank).astype("float64") for name in names})


def _places(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return what a run's area and its job say, one row an area."""
    places = tables["areas"].merge(_with_numbers(tables["jobs"], ["paint_density_kg_m3"]), on="job_id", how="left")
    return places[["area_id", "job_id", "site", "coating", "geometry", "paint_density_kg_m3"]]


def _hoses(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return the hose of each unit that has a record of one."""
    units = tables.get("units", pd.DataFrame({"unit_id": pd.Series(dtype="str")}))
    return _with_numbers(units, _HOSE)[["unit_id", *_HOSE]]


def _viscosity_lines(points: ViscosityPoints) -> dict[str, ViscosityLine]:
    """Return the line of each coating with measured points."""
    lines = {}
    for coating, measured in points.items():
        try:
            lines[coating] = viscosity_line(measured)
        except ValueError as error:
            given = ", ".join(f"{point['mm2_s']} mm2/s at {point['temp_c']} C" for point in measured) or "none"
            where = f"dossier.yaml, viscosity_points.{coating}"
            cure = "correct the points, or leave the coating out"
            raise DeclarationError(Fault(where=where, holds=str(error), given=given, cure=cure)) from error
    return lines


def _at_reference(runs: pd.DataFrame, lines: Mapping[str, ViscosityLine]) -> pd.Series:
    """Return the viscosity of each run brought to one temperature, blank where its coating has no line."""
    result = pd.Series(np.nan, index=runs.index)
    for coating, line in lines.items():
        here = runs["coating"] == coating
        result[here] = viscosity_at(runs.loc[here, "viscosity_mm2_s"], runs.loc[here, "paint_temp_c"], line=line)
    return result


def _states_across(parts: pd.DataFrame) -> pd.DataFrame:
    """Return the part states that serve as conditions, one row a run."""
    brush, bell, filters = (parts[parts["part"] == part].set_index("run_id") for part in CONDITION_PARTS)
    return pd.DataFrame(
        {
            "brush_wear_pct": brush["wear_pct"],
            "brush_inspected_d": brush["inspected_d"],
            "bell_used_d": bell["used_d"],
            "filter_used_d": filters["used_d"],
            "filter_clean_h": filters["clean_h"],
        }
    ).reset_index()


def _startups(runs: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Return what the unit's last start-up list within the hours before each run's start says, on the index of runs."""
    known = _with_numbers(checks, ["feed_tube_for_mm"]).sort_values(["checked_at", "unit_id"])
    joined = pd.merge_asof(
        runs[["unit_id", "started_at"]],
        known[["unit_id", "checked_at", "shift", "feed_tube_for_mm"]],
        left_on="started_at",
        right_on="checked_at",
        by="unit_id",
        tolerance=STARTUP_WITHIN,
    ).set_axis(runs.index)
    return pd.DataFrame(
        {
            "startup_checked": joined["checked_at"].notna(),
            "shift": joined["shift"],
            "bell_matches_feed_tube": bell_matches(runs["bell_diameter_mm"], joined["feed_tube_for_mm"]),
        }
    )


def _not_joined(runs: pd.DataFrame, parts: pd.DataFrame, lines: Mapping[str, ViscosityLine]) -> pd.DataFrame:
    total = len(runs)
    rows: list[tuple[str, int, int, str]] = [
        ("runs without a pressure setting", int((runs["settings"] == 0).sum()), total, "no setting inside the run"),
        (
            "settings outside their run's time",
            int(runs["settings_outside"].sum()),
            int((runs["settings"] + runs["settings_outside"]).sum()),
            f"set more than {LEAD / pd.Timedelta(minutes=1):.0f} min before the start, or after the end",
        ),
        (
            "cup times outside their cup's valid range",
            int(runs["cups_out_of_range"].sum()),
            int(runs["settings"].sum()),
            "no viscosity was computed from them",
        ),
        ("runs without a viscosity", int(runs["viscosity_mm2_s"].isna().sum()), total, "no valid cup time in the run"),
        (
            "runs without a dew-point margin",
            int(runs["surface_margin_c"].isna().sum()),
            total,
            "air or surface temperature or humidity not recorded",
        ),
        (
            NO_STARTUP,
            int((~runs["startup_checked"]).sum()),
            total,
            "no start-up list of that unit was gone through; one that was may still hold a breach",
        ),
    ]
    unknown = parts[parts["inspected_d"].isna() & parts["part"].isin(CONDITION_PARTS)].groupby("part").size()
    rows += [
        (f"runs before the first note on the {part}", int(n), total, "no maintenance note of that unit before the run")
        for part, n in unknown.items()
    ]
    if lines:
        could = runs["coating"].isin(list(lines)) & runs["viscosity_mm2_s"].notna()
        rows.append(
            (
                f"runs whose viscosity could not be brought to {REFERENCE_C:g} C",
                int((could & runs["viscosity_20c_mm2_s"].isna()).sum()),
                int(could.sum()),
                f"paint temperature not recorded, or it or {REFERENCE_C:g} C over {FARTHEST_K:g} K outside the "
                "coating's measured points",
            )
        )
    return pd.DataFrame(rows, columns=["what", "n", "of", "why"])
