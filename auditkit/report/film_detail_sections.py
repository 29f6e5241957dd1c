"""Sections of the report on what stands behind the film verdicts."""

from __future__ import annotations

from auditkit.findings.audit import Findings
from auditkit.report.tables import Columns, Section, table_of
from auditkit.views.doubt_figures import conformance_probabilities
from auditkit.views.extent_figures import suspect_zone
from auditkit.views.gauge_figures import gauge_errors_over_time

__all__ = ["doubt_section", "enough_section", "extent_section", "gauge_section", "odd_section"]


def doubt_section(findings: Findings) -> Section:
    """Return the section on how sure the verdicts are."""
    doubt = findings.doubt
    doubtful = doubt.sides[doubt.sides["doubtful"].eq(True).fillna(False).astype(bool)]
    budget = doubt.uncertainty[doubt.uncertainty["standard_uncertainty_um"].notna()]
    return Section(
        id="doubt",
        title="How sure the film verdicts are",
        texts=[
            doubt.method,
            f"{doubt.n} sides have a probability, {doubt.excluded} do not. Seed of the draws: {findings.seed}.",
        ],
        figures=[conformance_probabilities(doubt.sides)] if len(doubtful) else [],
        tables=[
            table_of(doubtful, _DOUBTFUL, caption="Sides in doubt: probability of conforming between 5 and 95 %"),
            table_of(doubt.risks, _RISKS, caption="Risks by job and side"),
            table_of(budget, _UNCERTAINTY, caption="Uncertainty of a side's mean (GUM)", folded=True),
            table_of(doubt.budget, _BUDGET, caption="Uncertainty budgets, source by source", folded=True),
        ],
    )


def enough_section(findings: Findings) -> Section:
    """Return the section on whether enough was measured."""
    enough = findings.enough
    named = enough.jobs[enough.jobs["named"]]
    missing = enough.required[enough.required["named"] & ~enough.required["enough"]]
    undecided = enough.means[enough.means["decided"] == "doubtful"]
    return Section(
        id="enough",
        title="Was enough measured?",
        texts=[enough.method],
        tables=[
            table_of(named, _NAMED, caption="By job, under the rule it names"),
            table_of(missing, _MISSING, caption="What is missing, and where"),
            table_of(undecided, _FURTHER, caption="Means in doubt, and how many more spots would decide them"),
            table_of(enough.jobs, _NAMED, caption="By job, under every published rule", folded=True),
        ],
    )


def gauge_section(findings: Findings) -> Section:
    """Return the section on the gauges."""
    gauges, zone = findings.gauges, findings.dossier.time_zone
    failed = gauges.checks[gauges.checks["passed"].eq(False).fillna(False).astype(bool)]
    changed = gauges.verdicts[gauges.verdicts["changed"].eq(True).fillna(False).astype(bool)]
    return Section(
        id="gauges",
        title="Gauges",
        texts=[gauges.method, f"Tolerances were combined by {gauges.method_used}."],
        figures=[gauge_errors_over_time(gauges.checks)] if len(gauges.checks) else [],
        tables=[
            table_of(gauges.gauges, _GAUGES, caption="By gauge", time_zone=zone),
            table_of(changed, _CHANGED, caption="Verdicts that change when suspect readings are left out"),
            table_of(gauges.drift, _DRIFT, caption="Drift, standard by standard", time_zone=zone),
            table_of(
                failed, _CHECKS, caption=f"Checks that failed: {len(failed)} of {len(gauges.checks)}", time_zone=zone
            ),
        ],
    )


def extent_section(findings: Findings) -> Section:
    """Return the section on how far nonconforming film reaches."""
    extent = findings.extent
    shown = extent.areas[["area_id", "side"]].itertuples(index=False, name=None)
    return Section(
        id="extent",
        title="How far nonconforming film reaches",
        texts=[extent.method, f"{extent.n} spots were placed; {extent.excluded} readings were not."],
        figures=[suspect_zone(extent, area_id=area_id, side=side) for area_id, side in shown],
        tables=[
            table_of(extent.areas, _EXTENT, caption="By area"),
            table_of(extent.directions, _DIRECTIONS, caption="By direction"),
        ],
    )


def odd_section(findings: Findings) -> Section:
    """Return the section on odd readings."""
    odd, zone = findings.odd, findings.dossier.time_zone
    series = odd.series[odd.series["marked"].astype(bool)]
    digits = odd.digits[odd.digits["marked"].eq(True).fillna(False).astype(bool)]
    return Section(
        id="odd",
        title="Odd readings",
        texts=[
            odd.method,
            "A mark is a question to the person who measured, not an answer: each says how often honest readings give "
            "it, and what innocent reasons there are.",
        ],
        tables=[
            table_of(odd.tested, _TESTED, caption="What was looked for, and how often chance alone would mark"),
            table_of(odd.flags, _FLAGS, caption="Readings and spots marked", time_zone=zone),
            table_of(series, _SERIES, caption="Series marked"),
            table_of(digits, _DIGITS, caption="Last digits marked"),
        ],
    )


_DOUBTFUL: Columns = {
    "area_id": ("area", None),
    "job_id": ("job", None),
    "side": ("side", None),
    "verdict": ("verdict", None),
    "probability_conforms": ("conforms with [-]", ".2f"),
    "probability_right": ("verdict right with [-]", ".2f"),
    "guarded_verdict": ("if 95 % is asked", None),
    "n_spots": ("spots", ".0f"),
    "n_readings": ("readings", ".0f"),
    "suspect_readings": ("of them suspect", ".0f"),
    "prior": ("prior", None),
    "reason": ("note", None),
}

_RISKS: Columns = {
    "job_id": ("job", None),
    "side": ("side", None),
    "n_accepted": ("accepted", ".0f"),
    "accepted_wrongly": ("of them wrongly, expected", ".2f"),
    "consumer_pct": ("consumer's risk [%]", ".1f"),
    "n_rejected": ("rejected", ".0f"),
    "rejected_wrongly": ("of them wrongly, expected", ".2f"),
    "producer_pct": ("producer's risk [%]", ".1f"),
    "consumer_mean_pct": ("global, of the mean: consumer's [%]", ".1f"),
    "producer_mean_pct": ("producer's [%]", ".1f"),
    "reason": ("note", None),
}

_UNCERTAINTY: Columns = {
    "job_id": ("job", None),
    "side": ("side", None),
    "gauge_id": ("gauge", None),
    "mean_um": ("mean film [µm]", ".1f"),
    "standard_uncertainty_um": ("standard uncertainty [µm]", ".2f"),
    "effective_df": ("effective degrees of freedom", ".0f"),
    "coverage_factor": ("coverage factor [-]", ".2f"),
    "expanded_uncertainty_um": ("expanded [µm]", ".2f"),
}

_BUDGET: Columns = {
    "job_id": ("job", None),
    "side": ("side", None),
    "gauge_id": ("gauge", None),
    "source": ("source", None),
    "standard_uncertainty_um": ("standard uncertainty [µm]", ".3f"),
    "df": ("degrees of freedom", ".0f"),
    "contribution_pct": ("share of variance [%]", ".1f"),
    "basis": ("from", None),
}

_NAMED: Columns = {
    "job_id": ("job", None),
    "rule": ("rule", None),
    "sides": ("sides", ".0f"),
    "measured": ("measured", ".0f"),
    "enough": ("enough", ".0f"),
    "spots_missing": ("spots missing", ".0f"),
    "readings_missing": ("readings missing", ".0f"),
}

_MISSING: Columns = {
    "area_id": ("area", None),
    "side": ("side", None),
    "rule": ("rule", None),
    "size_m2": ("size [m²]", ".2f"),
    "spots_required": ("spots required", ".0f"),
    "spots_taken": ("taken", ".0f"),
    "readings_required": ("readings required", ".0f"),
    "readings_taken": ("taken", ".0f"),
    "where": ("where", None),
}

_FURTHER: Columns = {
    "area_id": ("area", None),
    "side": ("side", None),
    "mean_um": ("mean [µm]", ".2f"),
    "holds": ("must be", None),
    "limit_um": ("limit [µm]", ".1f"),
    "se_um": ("standard error [µm]", ".2f"),
    "shared_um": ("gauge, standard, correction [µm]", ".2f"),
    "naive_se_um": ("if readings counted singly [µm]", ".2f"),
    "n_spots": ("spots", ".0f"),
    "further_spots": ("further spots", ".0f"),
    "naive_readings": ("readings, if they counted singly", ".0f"),
    "said": ("in words", None),
}

_GAUGES: Columns = {
    "gauge_id": ("gauge", None),
    "n_checks": ("checks", ".0f"),
    "n_failed": ("failed", ".0f"),
    "n_failed_other_rule": ("failed by the other rule", ".0f"),
    "first_failed_at": ("first failed", None),
    "n_readings": ("film readings", ",.0f"),
    "n_suspect": ("of them suspect", ",.0f"),
    "n_suspect_other_rule": ("by the other rule", ",.0f"),
    "n_uncovered": ("not vouched for", ",.0f"),
    "verdicts_changed": ("verdicts that change", ".0f"),
}

_CHANGED: Columns = {
    "area_id": ("area", None),
    "side": ("side", None),
    "verdict": ("with all readings", None),
    "verdict_without": ("without suspect ones", None),
    "n_readings": ("readings", ".0f"),
    "n_suspect": ("of them suspect", ".0f"),
    "reason": ("why, with all", None),
    "reason_without": ("why, without", None),
}

_DRIFT: Columns = {
    "gauge_id": ("gauge", None),
    "certified_um": ("standard [µm]", ".1f"),
    "stage": ("stage", None),
    "n_checks": ("checks", ".0f"),
    "mean_error_pct": ("mean error [%]", ".2f"),
    "slope_pct_per_week": ("drift [% a week]", ".3f"),
    "slope_pct_low": ("from", ".3f"),
    "slope_pct_high": ("to", ".3f"),
    "drifts": ("drifts", None),
    "first_failed_at": ("first left its tolerance", None),
    "ewma_signal_at": ("first signal of the moving average", None),
    "reason": ("note", None),
}

_CHECKS: Columns = {
    "gauge_id": ("gauge", None),
    "checked_at": ("checked", None),
    "stage": ("stage", None),
    "certified_um": ("certified [µm]", ".1f"),
    "mean_um": ("read [µm]", ".2f"),
    "error_um": ("error [µm]", ".2f"),
    "allowed_um": ("allowed ± [µm]", ".2f"),
}

_EXTENT: Columns = {
    "area_id": ("area", None),
    "side": ("side", None),
    "directions_measured": ("directions measured", ".0f"),
    "closed": ("closed", ".0f"),
    "open": ("open", ".0f"),
    "unclear": ("unclear", ".0f"),
    "suspect_out_m": ("suspect out to [m]", ".1f"),
    "suspect_units": ("suspect units", ".0f"),
    "more_spots": ("more spots needed", ".0f"),
    "reason": ("in words", None),
}

_DIRECTIONS: Columns = {
    "area_id": ("area", None),
    "side": ("side", None),
    "direction": ("direction", ".0f"),
    "basis": ("a step is", None),
    "state": ("state", None),
    "steps_measured": ("steps measured", ".0f"),
    "last_nonconforming_step": ("last nonconforming", ".0f"),
    "suspect_out_m": ("suspect out to [m]", ".1f"),
    "more_spots": ("more spots needed", ".0f"),
    "reason": ("in words", None),
}

_TESTED: Columns = {
    "kind": ("looked for", None),
    "tested": ("tested", ",.0f"),
    "marked": ("marked", ",.0f"),
    "expected_by_chance": ("by chance alone", ".2f"),
    "not_tested": ("not tested", ",.0f"),
    "why_not": ("why not", None),
}

_FLAGS: Columns = {
    "kind": ("mark", None),
    "area_id": ("area", None),
    "side": ("side", None),
    "spot": ("spot", ".0f"),
    "repeat": ("reading", ".0f"),
    "value_um": ("value [µm]", ".1f"),
    "others_um": ("its fellows [µm]", ".1f"),
    "statistic": ("robust z [-]", ".1f"),
    "seen": ("seen", None),
    "chance": ("by chance", None),
    "innocent": ("innocent reasons", None),
}

_SERIES: Columns = {
    "kind": ("mark", None),
    "gauge_id": ("gauge", None),
    "area_id": ("area", None),
    "other_area_id": ("and area", None),
    "length": ("readings", ".0f"),
    "seen": ("seen", None),
    "chance": ("by chance", None),
    "innocent": ("innocent reasons", None),
}

_DIGITS: Columns = {
    "gauge_id": ("gauge", None),
    "step_um": ("step [µm]", ".3f"),
    "n": ("readings", ",.0f"),
    "p_value": ("p", ".2g"),
    "seen": ("seen", None),
    "chance": ("by chance", None),
    "innocent": ("innocent reasons", None),
}
