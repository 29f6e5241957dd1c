"""Sections of the report on the process as it was: settings, application, climate, delivery."""

from __future__ import annotations

from auditkit.findings.audit import Findings
from auditkit.report.short_names import anchors
from auditkit.report.tables import Columns, Section, table_of
from auditkit.views import figures, work_figures
from auditkit.views.sentences import unit_sign

__all__ = ["delivery_section", "settings_section"]


def settings_section(findings: Findings) -> Section:
    """Return the section on settings, application, weather and safety, safety first."""
    process, zone = findings.process, findings.dossier.time_zone
    application, climate = findings.application, findings.climate
    windows = process.windows.assign(unit=process.windows["unit"].map(unit_sign))
    lists = process.startup_lists
    incomplete = lists[~lists["complete"]] if len(lists) else lists
    margin = findings.conditions.get("surface_margin_c")
    left = climate.days[climate.days["verdict"] != "kept"]
    return Section(
        id="settings",
        title="How the units were set",
        texts=[process.method, f"{process.n} runs.", application.method, climate.method],
        figures=[
            *([figures.windows(process.windows)] if process.n else []),
            *([work_figures.climate_course(climate.runs, low=margin.low if margin else None)] if climate.n else []),
        ],
        tables=[
            table_of(
                process.stop_work,
                _SAFETY,
                caption="Stop-work findings",
                anchor="stop-work",
                time_zone=zone,
                leads_to=anchors("stop-work", process.stop_work.to_dict("records")),
            ),
            table_of(
                process.safety_not_recorded,
                _SAFETY,
                caption="Safety values that were not recorded; that is no pass",
                time_zone=zone,
            ),
            table_of(
                incomplete,
                _LISTS,
                caption=f"Start-up lists that were not complete: {len(incomplete)} of {len(lists)}",
                folded=True,
                time_zone=zone,
            ),
            table_of(windows, _WINDOWS, caption="Runs against each condition's window"),
            table_of(application.practices, _PRACTICES, caption="How the gun was held and moved, and the bell set"),
            table_of(application.operators, _OPERATORS, caption="Median of the runs, by operator"),
            table_of(process.units, _UNITS, caption="Median of the runs, by unit"),
            table_of(
                left,
                _DAYS,
                caption=f"Days on which the weather left its window, or that cannot be told: {len(left)} of "
                f"{len(climate.days)}",
                folded=True,
                time_zone=zone,
            ),
            table_of(
                process.cup_faults,
                _CUPS,
                caption="Cup times outside their cup's range, from which no viscosity was computed",
                time_zone=zone,
            ),
        ],
    )


def delivery_section(findings: Findings) -> Section:
    """Return the section on delivery: flow against pressure, and the pressure logs."""
    delivery, pressures, zone = findings.delivery, findings.pressures, findings.dossier.time_zone
    named = delivery.runs[delivery.runs["named"].isin(["restriction", "loss ahead of the gauge"])]
    named = named.merge(findings.runs[["run_id", "started_at", "pot_kpa", "flow_ml_min"]], on="run_id")
    named = named.sort_values(["started_at", "run_id"])
    return Section(
        id="delivery",
        title="Did the paint come through?",
        texts=[
            f"{delivery.n} runs have a delivery ratio; {delivery.excluded} have none.",
            *([delivery.reason] if delivery.reason else []),
            delivery.method,
            pressures.reason or pressures.method,
        ],
        figures=[work_figures.delivery_patterns(delivery.runs)] if delivery.n else [],
        tables=[
            table_of(delivery.units, _DELIVERY, caption="By unit"),
            table_of(
                named,
                _NAMED,
                caption=f"Runs in which a restriction or a loss is named: {len(named)} of {delivery.n}",
                time_zone=zone,
            ),
            table_of(
                pressures.runs,
                _LOGGED,
                caption=f"Pressure as logged, beside what was written down: {pressures.disagree} of "
                f"{pressures.compared} disagree",
                time_zone=zone,
            ),
            table_of(pressures.files, _LOG_FILES, caption="Pressure logs"),
            table_of(
                pressures.faults, _LOG_FAULTS, caption="Rows of the logs that were set aside, the first of a kind"
            ),
        ],
    )


_SAFETY: Columns = {
    "what": ("what", None),
    "where": ("which", None),
    "at": ("when", None),
    "rule": ("what must hold", None),
    "value": ("recorded", ",.10g"),
    "limit": ("limit", ",.10g"),
    "unit": ("unit", None),
    "source": ("source", None),
}

_WINDOWS: Columns = {
    "title": ("condition", None),
    "unit": ("unit", None),
    "low": ("from", ",.10g"),
    "high": ("to", ",.10g"),
    "inside": ("inside", ".0f"),
    "below": ("below", ".0f"),
    "above": ("above", ".0f"),
    "outside_pct": ("outside [%]", ".1f"),
    "not_recorded": ("not recorded", ".0f"),
    "does_not_apply": ("does not apply", ".0f"),
    "source": ("window from", None),
}

_PRACTICES: Columns = {
    "title": ("practice", None),
    "n": ("runs judged", ".0f"),
    "kept": ("kept", ".0f"),
    "left": ("left", ".0f"),
    "left_pct": ("left [%]", ".1f"),
    "not_recorded": ("not recorded", ".0f"),
    "does_not_apply": ("does not apply", ".0f"),
    "source": ("source", None),
}

_OPERATORS: Columns = {
    "operator_id": ("operator", None),
    "runs": ("runs", ".0f"),
    "standoff_mm": ("standoff [mm]", ".0f"),
    "spread_mm": ("nearest to farthest [mm]", ".0f"),
    "outside_pct": ("of that outside [%]", ".0f"),
    "overlap_pct": ("overlap [%]", ".0f"),
    "follow_through_s": ("follow-through [s]", ".1f"),
    "pause_min": ("pause [min]", ".0f"),
    "bell_wrong": ("runs with a feed tube set for another bell", ".0f"),
}

_UNITS: Columns = {
    "unit_id": ("unit", None),
    "runs": ("runs", ".0f"),
    "operators": ("operators", ".0f"),
    "standoff_mm": ("standoff [mm]", ".0f"),
    "pot_kpa": ("pot [kPa]", ".1f"),
    "viscosity_mm2_s": ("viscosity [mm²/s]", ".1f"),
    "flow_ml_min": ("flow [mL/min]", ".1f"),
    "surface_margin_c": ("above dew point [°C]", ".1f"),
    "brush_wear_pct": ("brush wear [%]", ".0f"),
}

_DAYS: Columns = {
    "site": ("site", None),
    "day": ("day", None),
    "verdict": ("windows", None),
    "runs": ("runs", ".0f"),
    "measured": ("with a margin", ".0f"),
    "below_margin": ("too near the dew point", ".0f"),
    "below_margin_h": ("hours", ".1f"),
    "too_humid": ("too humid", ".0f"),
    "lowest_margin_c": ("least margin [°C]", ".1f"),
    "worst_at": ("at", None),
    "highest_humidity_pct": ("highest humidity [%]", ".0f"),
    "longest_gap_h": ("longest without a reading [h]", ".1f"),
}

_DELIVERY: Columns = {
    "unit_id": ("unit", None),
    "runs": ("runs", ".0f"),
    "read": ("with a ratio", ".0f"),
    "neither": ("neither shows", ".0f"),
    "restriction": ("restriction", ".0f"),
    "loss": ("loss ahead of the gauge", ".0f"),
    "cannot_tell": ("cannot tell", ".0f"),
    "lowest_ratio": ("lowest ratio [-]", ".2f"),
    "lowest_run_id": ("in", None),
    "hose_share": ("clean flow / flow of the hose alone [-]", ".2f"),
    "note": ("note", None),
}

_NAMED: Columns = {
    "run_id": ("run", None),
    "unit_id": ("unit", None),
    "started_at": ("when", None),
    "pot_kpa": ("pot [kPa]", ".1f"),
    "flow_ml_min": ("flow had [mL/min]", ".1f"),
    "expected_ml_min": ("expected [mL/min]", ".1f"),
    "delivery_ratio": ("ratio [-]", ".2f"),
    "u_delivery_ratio": ("u [-]", ".2f"),
    "hose_reynolds": ("Reynolds number [-]", ".0f"),
    "reason": ("what it says", None),
}

_LOGGED: Columns = {
    "run_id": ("run", None),
    "unit_id": ("unit", None),
    "started_at": ("when", None),
    "n": ("readings", ",.0f"),
    "covered_pct": ("covered [%]", ".0f"),
    "median_kpa": ("median [kPa]", ".1f"),
    "low_kpa": ("5 % [kPa]", ".1f"),
    "high_kpa": ("95 % [kPa]", ".1f"),
    "outside_pct": ("outside window [%]", ".0f"),
    "recorded_kpa": ("written [kPa]", ".1f"),
    "difference_kpa": ("log less written", ".1f"),
    "agrees": ("agree", None),
    "pulse_period_s": ("pulse period [s]", ".0f"),
    "pulse_share_pct": ("share of the swing [%]", ".0f"),
    "gaps": ("drop-outs", ".0f"),
    "gap_s": ("their length [s]", ".0f"),
}

_LOG_FILES: Columns = {
    "file": ("file", None),
    "n": ("rows", ",.0f"),
    "used": ("used", ",.0f"),
    "outside_runs": ("outside any run", ",.0f"),
    "cells": ("wrong number of cells", ",.0f"),
    "unit": ("no unit", ",.0f"),
    "time": ("no time", ",.0f"),
    "pressure": ("no pressure", ",.0f"),
    "order": ("out of order", ",.0f"),
    "duplicate": ("time twice", ",.0f"),
    "why": ("why", None),
}

_LOG_FAULTS: Columns = {
    "file": ("file", None),
    "line": ("line", ".0f"),
    "column": ("column", None),
    "value": ("value", None),
    "why": ("what must hold", None),
}

_LISTS: Columns = {
    "unit_id": ("unit", None),
    "checked_at": ("when", None),
    "items": ("items", ".0f"),
    "answered": ("answered", ".0f"),
    "breaches": ("breaches", ".0f"),
}

_CUPS: Columns = {
    "run_id": ("run", None),
    "set_at": ("when", None),
    "cup": ("cup", None),
    "cup_s": ("time [s]", ".1f"),
    "least_s": ("from [s]", ".1f"),
    "most_s": ("to [s]", ".1f"),
    "why": ("why", None),
}
