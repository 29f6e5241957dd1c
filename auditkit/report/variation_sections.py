"""Sections of the report on the measuring system, variation, paint and sampling."""

from __future__ import annotations

from auditkit.findings.audit import Findings
from auditkit.report.tables import Columns, Section, table_of
from auditkit.views.sampling_figures import lot_shares
from auditkit.views.variation_figures import component_shares, control_chart

__all__ = ["measuring_section", "paint_section", "sampling_section", "variation_section"]

_MOST_CHARTS = 3


def measuring_section(findings: Findings) -> Section:
    """Return the section on the measuring system."""
    measuring = findings.measuring
    return Section(
        id="measuring",
        title="What the measuring itself adds",
        texts=[measuring.method],
        tables=[
            table_of(measuring.studies, _STUDIES, caption="Studies"),
            table_of(measuring.components, _STUDY_COMPONENTS, caption="Their components"),
            table_of(measuring.agreement, _AGREEMENT, caption="Agreement of wrap ratings"),
        ],
    )


def variation_section(findings: Findings) -> Section:
    """Return the section on variation, capability and stability."""
    variation, zone = findings.variation, findings.dossier.time_zone
    first = variation.signals.head(_MOST_CHARTS)
    charts = [
        control_chart(variation.charts, kind=row["kind"], who=row["who"], side=row["side"], chart=row["chart"])
        for row in first.to_dict("records")
    ]
    shares = [component_shares(variation.components)] if len(variation.components) else []
    return Section(
        id="variation",
        title="Variation and stability",
        texts=[variation.method],
        figures=[*shares, *charts],
        tables=[
            table_of(variation.capability, _CAPABILITY, caption="Capability against each job's limits"),
            table_of(variation.signals, _SIGNALS, caption="Charts, and their signals", time_zone=zone),
            table_of(variation.refused, _REFUSED, caption="What was refused, and why", folded=True),
            table_of(variation.components, _COMPONENTS, caption="Components of variance", folded=True),
        ],
    )


def paint_section(findings: Findings) -> Section:
    """Return the section on paint."""
    paint = findings.paint
    return Section(
        id="paint",
        title="Paint",
        texts=[paint.method, *paint.notes],
        tables=[
            table_of(paint.jobs, _EFFICIENCY, caption="Paint found against paint sprayed, by job"),
            table_of(paint.spreading, _SPREADING, caption="Wet film and spreading rate"),
            table_of(paint.rework, _REWORK, caption="Paint for the rework of what does not conform"),
        ],
    )


def sampling_section(findings: Findings) -> Section:
    """Return the section on sampling of many small items."""
    sampling = findings.sampling
    return Section(
        id="sampling",
        title="Sampling, where a job is a lot of small items",
        texts=[sampling.method, *sampling.notes],
        figures=[lot_shares(sampling.lots)] if len(sampling.lots) else [],
        tables=[
            table_of(sampling.lots, _LOTS, caption="Lots and plans"),
            table_of(sampling.risks, _PLAN_RISKS, caption="What the plans promise"),
            table_of(
                sampling.variables, _VARIABLES, caption="Plans by variables, and why they are refused", folded=True
            ),
        ],
    )


_STUDIES: Columns = {
    "study_id": ("study", None),
    "design": ("design", None),
    "gauge_id": ("gauge", None),
    "n": ("readings", ".0f"),
    "places": ("places", ".0f"),
    "inspectors": ("inspectors", ".0f"),
    "trials": ("trials", ".0f"),
    "gauge_sd_um": ("gauge and persons, sd [µm]", ".2f"),
    "gauge_low_um": ("from", ".2f"),
    "gauge_high_um": ("to", ".2f"),
    "study_variation_pct": ("of study variation [%]", ".1f"),
    "categories": ("distinct categories", ".0f"),
    "notes": ("notes", None),
    "reason": ("why not", None),
}

_STUDY_COMPONENTS: Columns = {
    "study_id": ("study", None),
    "component": ("component", None),
    "sd_um": ("sd [µm]", ".2f"),
    "sd_low_um": ("from", ".2f"),
    "sd_high_um": ("to", ".2f"),
    "contribution_pct": ("share of variance [%]", ".1f"),
    "raw_variance_um2": ("variance before truncation [µm²]", ".2f"),
    "truncated": ("set to zero", None),
}

_AGREEMENT: Columns = {
    "first": ("inspector", None),
    "second": ("and", None),
    "scale": ("scale", None),
    "statistic": ("statistic", None),
    "estimate": ("estimate", ".2f"),
    "low": ("from", ".2f"),
    "high": ("to", ".2f"),
    "n": ("areas", ".0f"),
    "reason": ("why not", None),
}

_CAPABILITY: Columns = {
    "job_id": ("job", None),
    "side": ("side", None),
    "lower_um": ("lower [µm]", ".1f"),
    "upper_um": ("upper [µm]", ".1f"),
    "index": ("index", None),
    "estimate": ("estimate [-]", ".2f"),
    "low": ("from", ".2f"),
    "high": ("to", ".2f"),
    "spread": ("spread", None),
    "distribution": ("distribution", None),
    "areas": ("areas", ".0f"),
    "spots": ("spots", ".0f"),
    "note": ("note", None),
}

_SIGNALS: Columns = {
    "kind": ("by", None),
    "who": ("which", None),
    "side": ("side", None),
    "chart": ("chart", None),
    "points": ("points", ".0f"),
    "signals": ("signals", ".0f"),
    "expected_by_chance": ("by chance alone", ".2f"),
    "first_area": ("first at", None),
    "first_at": ("on", None),
    "words": ("in words", None),
}

_REFUSED: Columns = {
    "topic": ("topic", None),
    "scope": ("scope", None),
    "side": ("side", None),
    "what": ("what", None),
    "n": ("n", ".0f"),
    "reason": ("why", None),
}

_COMPONENTS: Columns = {
    "scope": ("scope", None),
    "side": ("side", None),
    "component": ("component", None),
    "groups": ("groups", ".0f"),
    "sd_um": ("sd [µm]", ".2f"),
    "sd_low_um": ("from", ".2f"),
    "sd_high_um": ("to", ".2f"),
    "share_pct": ("share of variance [%]", ".1f"),
    "notes": ("notes", None),
}

_EFFICIENCY: Columns = {
    "job_id": ("job", None),
    "areas": ("areas", ".0f"),
    "excluded": ("left out", ".0f"),
    "film_l": ("dry film found [L]", ".2f"),
    "solids_l": ("solids sprayed, at most [L]", ".2f"),
    "efficiency_pct": ("transfer efficiency, at least [%]", ".1f"),
    "low_pct": ("from", ".1f"),
    "high_pct": ("to", ".1f"),
    "faced_pct": ("on the faced side [%]", ".1f"),
    "default_pct": ("public default [%]", ".0f"),
    "reason": ("note", None),
}

_SPREADING: Columns = {
    "job_id": ("job", None),
    "nominal_um": ("nominal dry film [µm]", ".0f"),
    "volume_solids_pct": ("volume solids [%]", ".0f"),
    "thinner_pct": ("thinner [%]", ".0f"),
    "wet_nominal_um": ("wet film for it [µm]", ".0f"),
    "wet_minimum_um": ("wet film for the minimum [µm]", ".0f"),
    "theoretical_m2_l": ("spreading rate in theory [m²/L]", ".2f"),
    "at_film_m2_l": ("at the film found [m²/L]", ".2f"),
    "found_m2_l": ("found [m²/L]", ".2f"),
}

_REWORK: Columns = {
    "area_id": ("area", None),
    "side": ("side", None),
    "work": ("work", None),
    "size_m2": ("size [m²]", ".2f"),
    "film_um": ("film to add [µm]", ".1f"),
    "paint_l": ("paint [L]", ".2f"),
    "paint_low_l": ("from", ".2f"),
    "paint_high_l": ("to", ".2f"),
    "paint_default_l": ("at the public default [L]", ".2f"),
    "reason": ("why", None),
}

_LOTS: Columns = {
    "lot": ("lot", None),
    "severity": ("inspection", None),
    "items": ("items", ".0f"),
    "inspected": ("inspected", ".0f"),
    "nonconforming": ("do not conform", ".0f"),
    "letter": ("code letter", None),
    "sample_n": ("sample", ".0f"),
    "accept": ("accept up to", ".0f"),
    "sample_nonconforming": ("found in it", ".0f"),
    "decision": ("decision", None),
    "again_pct": ("another sample would accept [%]", ".0f"),
    "reason": ("why", None),
}

_PLAN_RISKS: Columns = {
    "lot": ("lot", None),
    "severity": ("inspection", None),
    "aql_pct": ("acceptance quality limit [%]", ".1f"),
    "rejected_at_aql_pct": ("rejected at it [%]", ".1f"),
    "pct_accepted_95": ("accepted 95 times in 100 at [%]", ".1f"),
    "pct_accepted_10": ("accepted 10 times in 100 at [%]", ".1f"),
}

_VARIABLES: Columns = {
    "lot": ("lot", None),
    "basis": ("of", None),
    "n": ("values", ".0f"),
    "n_independent": ("independent", ".0f"),
    "k": ("k [-]", ".2f"),
    "quality_index": ("quality index [-]", ".2f"),
    "decision": ("decision", None),
    "reason": ("why", None),
}
