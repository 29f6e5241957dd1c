"""Section of the report on wrap."""

from __future__ import annotations

from auditkit.findings.audit import Findings
from auditkit.report.short_names import anchors
from auditkit.report.tables import Columns, Section, table_of
from auditkit.views import figures

__all__ = ["wrap_section"]


def wrap_section(findings: Findings) -> Section:
    """Return the section on wrap."""
    wrap = findings.wrap
    areas = wrap.areas.assign(rows=anchors("wrap", wrap.areas.to_dict("records")))
    failing = areas[areas["verdict"] == "does not conform"]
    return Section(
        id="wrap",
        title="Wrap",
        texts=[
            wrap.method,
            f"{wrap.n} areas were judged; of the other {wrap.excluded} no wrap is required, or no rating is recorded.",
            findings.wrap_model.method,
        ],
        figures=[figures.wrap_by_geometry(wrap.areas)] if wrap.areas["wrap_pct"].notna().any() else [],
        tables=[
            table_of(wrap.geometries, _GEOMETRIES, caption="By geometry"),
            table_of(
                failing,
                _WRAP,
                caption=f"Areas whose wrap does not conform: {len(failing)} of {wrap.n} judged",
                leads_to=list(failing["rows"]),
            ),
            table_of(areas, _WRAP, caption="Every area", folded=True, leads_to=list(areas["rows"])),
            table_of(findings.wrap_model.terms, _TERMS, caption="What the wrap goes with, all terms at once"),
            table_of(findings.wrap_model.models, _MODELS, caption="What that rests on"),
            table_of(findings.wrap_model.left_out, _LEFT_OUT, caption="What could not be looked at"),
        ],
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

_TERMS: Columns = {
    "outcome": ("outcome", None),
    "title": ("term", None),
    "step": ("step", None),
    "estimate": ("estimate", ".3g"),
    "low": ("from", ".3g"),
    "high": ("to", ".3g"),
    "reading": ("reads as", None),
    "partial_r2": ("share of the rest it goes with [-]", ".2f"),
    "q": ("q", ".2g"),
    "travels_with": ("can hardly be told from", None),
}

_MODELS: Columns = {
    "outcome": ("outcome", None),
    "verdict": ("verdict", None),
    "reason": ("why", None),
    "n": ("areas", ".0f"),
    "excluded": ("left out", ".0f"),
    "bare": ("bare behind", ".0f"),
    "jobs": ("jobs", ".0f"),
    "r2": ("share described [-]", ".2f"),
    "reference": ("geometry held against", None),
}

_LEFT_OUT: Columns = {"outcome": ("outcome", None), "term": ("term", None), "reason": ("why", None)}
