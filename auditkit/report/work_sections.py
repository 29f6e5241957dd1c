"""Sections of the report on the work: wrap, how the units were set, how they were kept."""

from __future__ import annotations

from auditkit.findings.audit import Findings
from auditkit.report.tables import Columns, Section, table_of
from auditkit.views import figures
from auditkit.views.sentences import unit_sign

__all__ = ["settings_section", "upkeep_section", "wrap_section"]


def wrap_section(findings: Findings) -> Section:
    """Return the section on wrap."""
    wrap = findings.wrap
    failing = wrap.areas[wrap.areas["verdict"] == "does not conform"]
    return Section(
        id="wrap",
        title="Wrap",
        texts=[
            wrap.method,
            f"{wrap.n} areas were judged; of the other {wrap.excluded} no wrap is required, or no rating is recorded.",
        ],
        figures=[figures.wrap_by_geometry(wrap.areas)] if wrap.areas["wrap_pct"].notna().any() else [],
        tables=[
            table_of(wrap.geometries, _GEOMETRIES, caption="By geometry"),
            table_of(failing, _WRAP, caption=f"Areas whose wrap does not conform: {len(failing)} of {wrap.n} judged"),
            table_of(wrap.areas, _WRAP, caption="Every area", folded=True),
        ],
    )


def settings_section(findings: Findings) -> Section:
    """Return the section on settings and safety, safety first."""
    process, zone = findings.process, findings.dossier.time_zone
    windows = process.windows.assign(unit=process.windows["unit"].map(unit_sign))
    unrecorded = process.safety_not_recorded
    return Section(
        id="settings",
        title="How the units were set",
        texts=[process.method, f"{process.n} runs."],
        figures=[figures.windows(process.windows)] if process.n else [],
        tables=[
            table_of(process.stop_work, _SAFETY, caption="Stop-work findings", anchor="stop-work", time_zone=zone),
            table_of(
                unrecorded, _SAFETY, caption="Safety values that were not recorded; that is no pass", time_zone=zone
            ),
            table_of(windows, _WINDOWS, caption="Runs against each condition's window"),
            table_of(process.units, _UNITS, caption="Median of the runs, by unit"),
        ],
    )


def upkeep_section(findings: Findings) -> Section:
    """Return the section on upkeep."""
    upkeep = findings.upkeep
    noted = upkeep.parts[upkeep.parts["runs_unknown"] < upkeep.parts["runs"]]
    return Section(
        id="upkeep",
        title="How the units were kept",
        texts=[
            upkeep.method,
            f"{upkeep.worn_runs} of {upkeep.n} runs were made with the brush last known at half worn or more; "
            f"for {upkeep.excluded} runs nothing was known.",
        ],
        tables=[table_of(noted, _PARTS, caption="As last known at each unit's last run, where any note says anything")],
    )


_GEOMETRIES: Columns = {
    "geometry": ("geometry", None),
    "areas": ("areas", ".0f"),
    "rated": ("rated", ".0f"),
    "wrap_pct": ("mean wrap [%]", ".0f"),
    "measured": ("measured both sides", ".0f"),
    "ratio": ("mean reverse / facing [-]", ".2f"),
    "ratio_low": ("from", ".2f"),
    "ratio_high": ("to", ".2f"),
    "ratio_q1": ("quartiles of the areas", ".2f"),
    "ratio_q3": ("", ".2f"),
}

_WRAP: Columns = {
    "area_id": ("area", None),
    "geometry": ("geometry", None),
    "verdict": ("verdict", None),
    "reason": ("why", None),
    "wrap_pct": ("wrap [%]", ".0f"),
    "required_pct": ("required [%]", ".0f"),
    "ratings": ("ratings", ".0f"),
    "ratio": ("reverse / facing [-]", ".2f"),
}

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
    "source": ("window from", None),
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

_PARTS: Columns = {
    "unit_id": ("unit", None),
    "part": ("part", None),
    "found": ("last found", None),
    "wear_pct": ("last wear [%]", ".0f"),
    "inspected_d": ("days since a note", ".1f"),
    "clean_h": ("clock hours since cleaned", ".0f"),
    "most_inspected_d": ("longest without a note [d]", ".1f"),
    "runs_unknown": ("runs before any note", ".0f"),
    "runs": ("runs", ".0f"),
}
