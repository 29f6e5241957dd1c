"""Decisions on film thickness: the tests of each published rule, run on what was measured.

References
----------
.. [1] SSPC-PA 2, section 3, section 8 and Table 1.
.. [2] ISO 19840:2012, scope, correction for profile, table of measurements and acceptance.
.. [3] IMO resolution MSC.215(82), definition 2.7 and Annex 3.
"""

from __future__ import annotations

from collections.abc import Iterable

from auditkit.trade.film_measures import PartMeasure, SideMeasure
from auditkit.trade.film_own_decisions import decide_own, over_parts, spots_finding
from auditkit.trade.film_rules import Bound, Figure, FilmRules
from auditkit.trade.film_sampling import parts_required_pa2, readings_required_90_10, readings_required_iso
from auditkit.trade.film_verdicts import (
    NOT_ASSESSABLE,
    FilmSpec,
    Finding,
    Test,
    Verdict,
    counting_limits,
    falls_short,
    limit_finding,
    micrometres,
    sampling_finding,
    share_finding,
    verdict_of,
)

__all__ = ["decide"]


def decide(measured: SideMeasure | None, *, spec: FilmSpec, rules: FilmRules) -> Verdict:
    """Return the verdict on what was measured on one side of one area; None is a side without readings.

    Examples
    --------
    >>> from auditkit.trade.film_rules import load_film_rules
    >>> spec = FilmSpec(rule="90-10", level=None, minimum_um=80, nominal_um=80, maximum_um=None,
    ...                 surface_profile="fine", size_m2=2)
    >>> decide(None, spec=spec, rules=load_film_rules()).reason
    'no readings'
    """
    if spec.rule == "sspc-pa-2":
        return _decide_pa2(measured, spec=spec, rules=rules)
    if spec.rule == "iso-19840":
        return _decide_iso(measured, spec=spec, rules=rules)
    if spec.rule == "own":
        return decide_own(measured, spec=spec)
    return _decide_90_10(measured, spec=spec, rules=rules)


def _decide_pa2(measured: SideMeasure | None, *, spec: FilmSpec, rules: FilmRules) -> Verdict:
    level = int(rules.pa2.default_level.value) if spec.level is None else spec.level
    spots_per_part = int(rules.pa2.spots_per_part.value)
    parts_required = parts_required_pa2(spec.size_m2, rules=rules)
    parts = () if measured is None else measured.parts
    findings: list[Finding] = []
    if measured is not None:
        findings.append(_parts_measured(len(parts), required=parts_required, rules=rules))
    for part in parts:
        where = f"part {part.part}: " if len(parts) > 1 else ""
        findings.append(_spots_measured(part, where=where, rules=rules))
        findings.extend(_part_limits(part, where=where, level=level, spec=spec, rules=rules))
    lacking = sum(max(0, spots_per_part - part.n_spots) for part in parts)
    return verdict_of(
        measured,
        findings,
        spec=spec,
        level=level,
        clause=f"SSPC-PA 2, Table 1, level {level}",
        n_spots=sum(part.n_spots for part in parts),
        n_short_spots=sum(part.n_short_spots for part in parts),
        required=parts_required * spots_per_part,
        required_of="spots",
        short_by=max(0, parts_required - len(parts)) * spots_per_part + lacking,
        values=over_parts(parts),
        correction_um=0.0,
    )


def _parts_measured(n_parts: int, *, required: int, rules: FilmRules) -> Finding:
    pa2 = rules.pa2
    figures = (pa2.part_size_m2, pa2.every_part_up_to_m2, pa2.sampled_parts, pa2.further_part_per_m2)
    return sampling_finding(
        "parts measured",
        n_parts,
        required,
        words=f"{n_parts} of the {required} parts of about {pa2.part_size_m2.value:g} m2 were measured",
        clause="SSPC-PA 2, section 8",
        from_memory=any(figure.from_memory for figure in figures),
    )


def _spots_measured(part: PartMeasure, *, where: str, rules: FilmRules) -> Finding:
    pa2 = rules.pa2
    return spots_finding(
        part,
        int(pa2.spots_per_part.value),
        where=where,
        clause="SSPC-PA 2, 3.2 and 3.3",
        from_memory=pa2.spots_per_part.from_memory or pa2.readings_per_spot.from_memory,
    )


def _part_limits(part: PartMeasure, *, where: str, level: int, spec: FilmSpec, rules: FilmRules) -> Iterable[Finding]:
    limits = rules.pa2.levels[level]
    by_default = spec.level is None and rules.pa2.default_level.from_memory
    enough = part.n_spots >= int(rules.pa2.spots_per_part.value)
    bounds: list[tuple[str, float, Bound, bool]] = [
        ("lowest reading", part.lowest_reading_um, limits.gage_min, True),
        ("highest reading", part.highest_reading_um, limits.gage_max, False),
    ]
    if part.n_spots:
        bounds += [
            ("lowest spot", part.lowest_um, limits.spot_min, True),
            ("highest spot", part.highest_um, limits.spot_max, False),
            ("mean of the spots", part.mean_um, limits.area_min, True),
            ("mean of the spots", part.mean_um, limits.area_max, False),
        ]
    for name, value, bound, least in bounds:
        if bound.value is None:
            continue
        specified = spec.minimum_um if least else spec.maximum_um
        end = "minimum" if least else "maximum"
        yield limit_finding(
            f"{where}{name}",
            value,
            None if specified is None else bound.value * specified,
            least=least,
            basis=_basis(bound.value, f"specified {end}"),
            clause=f"SSPC-PA 2, Table 1, level {level}: {end} for the {name}",
            enough=enough,
            from_memory=bound.from_memory or by_default,
            part=part.part,
        )


def _decide_iso(measured: SideMeasure | None, *, spec: FilmSpec, rules: FilmRules) -> Verdict:
    _, _, correction = counting_limits(spec, rules=rules)
    required = readings_required_iso(spec.size_m2, rules=rules)
    findings: list[Finding] = []
    values = None
    if measured is not None:
        values = (measured.mean_um - correction, measured.lowest_um - correction, measured.highest_um - correction)
        findings = list(_iso_scope(spec, rules=rules))
        if not findings:
            findings = list(_iso_findings(measured, values, required=required, spec=spec, rules=rules))
    return _readings_verdict(
        measured, findings, required, spec=spec, clause="ISO 19840, acceptance", values=values, correction_um=correction
    )


def _iso_scope(spec: FilmSpec, *, rules: FilmRules) -> Iterable[Finding]:
    """Return a finding for each way in which the surface is outside the rule's scope."""
    scope = rules.iso19840.scope_from_um
    if falls_short(spec.nominal_um, scope.value):
        yield Finding(
            test=Test(
                name="nominal film within the scope",
                clause="ISO 19840, scope",
                observed=spec.nominal_um,
                holds="at least",
                limit=scope.value,
                outcome=NOT_ASSESSABLE,
                from_memory=scope.from_memory,
            ),
            words=f"outside the rule's scope: nominal film {micrometres(spec.nominal_um)} is below "
            f"{micrometres(scope.value)}",
        )
    if spec.surface_profile == "smooth":
        yield Finding(
            test=Test(
                name="rough surface",
                clause="ISO 19840, scope",
                observed=None,
                holds="",
                limit=None,
                outcome=NOT_ASSESSABLE,
                from_memory=False,
            ),
            words="outside the rule's scope: it is for rough surfaces and this one is smooth",
        )


def _iso_findings(
    measured: SideMeasure,
    values: tuple[float, float, float],
    *,
    required: int,
    spec: FilmSpec,
    rules: FilmRules,
) -> Iterable[Finding]:
    iso = rules.iso19840
    mean, lowest, highest = values
    enough = measured.n_readings >= required
    corrected_from_memory = iso.profile_correction_um[spec.surface_profile].from_memory
    row = next((row for row in iso.measurements if spec.size_m2 <= row.up_to_m2), iso.further_readings)
    yield _readings_measured(measured, required, clause="ISO 19840, table of measurements", from_memory=row.from_memory)
    least: tuple[tuple[str, float, Figure], ...] = (
        ("mean", mean, iso.mean_min),
        ("lowest reading", lowest, iso.reading_min),
    )
    for name, value, figure in least:
        yield limit_finding(
            name,
            value,
            figure.value * spec.nominal_um,
            least=True,
            basis=_basis(figure.value, "nominal"),
            clause=f"ISO 19840, acceptance: {name}",
            enough=enough,
            from_memory=figure.from_memory or corrected_from_memory,
        )
    share = (measured.n_below - measured.n_far_below) / measured.n_readings
    yield share_finding(
        "share of readings from the least allowed up to the nominal",
        share,
        iso.share_below.value,
        breached=not falls_short(share, iso.share_below.value),
        holds="must be less than",
        clause="ISO 19840, acceptance: share below the nominal",
        enough=enough,
        from_memory=iso.share_below.from_memory or corrected_from_memory,
    )
    specified = spec.maximum_um
    yield limit_finding(
        "highest reading",
        highest,
        iso.reading_max.value * spec.nominal_um if specified is None else specified,
        least=False,
        basis="specified maximum"
        if specified is not None
        else f"{_basis(iso.reading_max.value, 'nominal')}, the usual maximum where none is specified",
        clause="ISO 19840, acceptance: highest reading",
        enough=enough,
        from_memory=corrected_from_memory or (specified is None and iso.reading_max.from_memory),
    )


def _decide_90_10(measured: SideMeasure | None, *, spec: FilmSpec, rules: FilmRules) -> Verdict:
    required = readings_required_90_10(spec.size_m2, rules=rules)
    findings: list[Finding] = []
    values = None
    if measured is not None:
        values = (measured.mean_um, measured.lowest_um, measured.highest_um)
        findings = list(_90_10_findings(measured, required=required, spec=spec, rules=rules))
    return _readings_verdict(
        measured, findings, required, spec=spec, clause="MSC.215(82), definition 2.7", values=values, correction_um=0.0
    )


def _90_10_findings(measured: SideMeasure, *, required: int, spec: FilmSpec, rules: FilmRules) -> Iterable[Finding]:
    rule = rules.ninety_ten
    enough = measured.n_readings >= required
    yield _readings_measured(
        measured,
        required,
        clause="MSC.215(82), Annex 3",
        from_memory=rule.m2_per_reading.from_memory or rule.least_readings.from_memory,
    )
    share = 1 - measured.n_below / measured.n_readings
    yield share_finding(
        "share of readings at or above the nominal",
        share,
        rule.share_reached.value,
        breached=falls_short(share, rule.share_reached.value),
        holds="must be at least",
        clause="MSC.215(82), definition 2.7: share",
        enough=enough,
        from_memory=rule.share_reached.from_memory,
    )
    yield limit_finding(
        "lowest reading",
        measured.lowest_um,
        rule.reading_min.value * spec.nominal_um,
        least=True,
        basis=_basis(rule.reading_min.value, "nominal"),
        clause="MSC.215(82), definition 2.7: lowest reading",
        enough=enough,
        from_memory=rule.reading_min.from_memory,
    )
    if spec.maximum_um is not None:
        yield limit_finding(
            "highest reading",
            measured.highest_um,
            spec.maximum_um,
            least=False,
            basis="specified maximum",
            clause="the job's own maximum; the practice has none",
            enough=enough,
            from_memory=False,
        )


def _readings_verdict(
    measured: SideMeasure | None,
    findings: list[Finding],
    required: int,
    *,
    spec: FilmSpec,
    clause: str,
    values: tuple[float, float, float] | None,
    correction_um: float,
) -> Verdict:
    """Return the verdict of a rule that judges single readings."""
    return verdict_of(
        measured,
        findings,
        spec=spec,
        level=None,
        clause=clause,
        n_spots=0 if measured is None else measured.n_spots,
        n_short_spots=0,
        required=required,
        required_of="readings",
        short_by=required if measured is None else max(0, required - measured.n_readings),
        values=values,
        correction_um=correction_um,
    )


def _readings_measured(measured: SideMeasure, required: int, *, clause: str, from_memory: bool) -> Finding:
    return sampling_finding(
        "readings measured",
        measured.n_readings,
        required,
        words=f"{measured.n_readings} of the {required} readings were taken",
        clause=clause,
        from_memory=from_memory,
    )


def _basis(factor: float, of: str) -> str:
    return of if factor == 1 else f"{100 * factor:g} % of the {of}"
