"""Timeline: each spray run with what it met: settings, weather, grounds and upkeep.

Joins are by key or by the last record at or before the run. What could not be
joined is counted, not filled in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from auditkit.trade.climate import dew_point
from auditkit.trade.upkeep import part_states
from auditkit.trade.viscosity import kinematic_viscosity

__all__ = ["Timeline", "build_timeline", "run_settings"]

LEAD = pd.Timedelta(hours=1)
"""A setting made up to this long before the trigger is first pulled belongs to the run."""

STARTUP_WITHIN = pd.Timedelta(hours=12)
"""A start-up list gone through up to this long before a run covers it; our own default."""


NO_STARTUP = "runs without a start-up check in the 12 hours before"

CONDITION_PARTS = ("brush", "bell", "filter")
"""Parts whose state is a condition of the run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Timeline:
    """Every spray run with its surroundings.

    Parameters
    ----------
    runs : DataFrame
        One row a run, sorted by start and run_id: the record of the run, its
        job, geometry and coating, and pot_kpa `[kPa]`, settings (count),
        viscosity_mm2_s `[mm2/s]`, paint_temp_c `[C]`, flow_ml_min `[mL/min]`,
        dew_point_c `[C]`, surface_margin_c `[C]`, brush_wear_pct `[%]`,
        brush_inspected_d `[d]`, bell_used_d `[d]`, filter_used_d `[d]`,
        startup_checked (bool).
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


def build_timeline(tables: Mapping[str, pd.DataFrame], *, time_zone: str = "UTC") -> Timeline:
    """Return the timeline of an audit's runs.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables by contract name; those of runs, areas, jobs,
        pressure settings, maintenance and start-up checks are used.
    time_zone : str
        IANA zone by which a day is a day.

    Returns
    -------
    Timeline
        See there.
    """
    places = tables["areas"].merge(tables["jobs"], on="job_id", how="left")
    places = places[["area_id", "job_id", "site", "coating", "geometry"]]
    runs = tables["spray_runs"].merge(places, on="area_id", how="left")
    runs = runs.sort_values(["started_at", "run_id"], ignore_index=True)
    runs["day"] = runs["started_at"].dt.tz_convert(time_zone).dt.strftime("%Y-%m-%d").astype("str")
    runs["minutes"] = (runs["ended_at"] - runs["started_at"]).dt.total_seconds() / 60
    runs = runs.merge(run_settings(runs, tables["pressure_settings"]), on="run_id", how="left")
    runs["dew_point_c"] = dew_point(runs["air_temp_c"], runs["humidity_pct"])
    runs["surface_margin_c"] = runs["surface_temp_c"] - runs["dew_point_c"]
    parts = part_states(runs, tables["maintenance"])
    runs = runs.merge(_states_across(parts), on="run_id", how="left")
    runs["startup_checked"] = _startup_checked(runs, tables["startup_checks"])
    return Timeline(runs=runs, parts=parts, not_joined=_not_joined(runs, parts))


def _states_across(parts: pd.DataFrame) -> pd.DataFrame:
    """Return the part states that serve as conditions, one row a run."""
    brush, bell, filters = (parts[parts["part"] == part].set_index("run_id") for part in CONDITION_PARTS)
    return pd.DataFrame(
        {
            "brush_wear_pct": brush["wear_pct"],
            "brush_inspected_d": brush["inspected_d"],
            "bell_used_d": bell["used_d"],
            "filter_used_d": filters["used_d"],
        }
    ).reset_index()


def _startup_checked(runs: pd.DataFrame, checks: pd.DataFrame) -> pd.Series:
    """Return whether the unit's start-up list was gone through within the hours before the run's start."""
    joined = pd.merge_asof(
        runs[["unit_id", "started_at"]],
        checks.sort_values("checked_at")[["unit_id", "checked_at"]],
        left_on="started_at",
        right_on="checked_at",
        by="unit_id",
        tolerance=STARTUP_WITHIN,
    )
    return joined["checked_at"].notna().set_axis(runs.index)


def _not_joined(runs: pd.DataFrame, parts: pd.DataFrame) -> pd.DataFrame:
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
    return pd.DataFrame(rows, columns=["what", "n", "of", "why"])
