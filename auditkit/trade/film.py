"""Film thickness: readings to spots, and spots to a verdict on each side of each area by a published rule.

The rules themselves are data (`film_rules`), limits a job has of its own are in
`film_own`, what the rules ask to be measured is in `film_sampling`, their tests
in `film_decisions` and `film_verdicts`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import pandas as pd

from auditkit.errors import AuditError
from auditkit.trade.columns import require_columns
from auditkit.trade.film_decisions import decide
from auditkit.trade.film_frames import film_tests, judged_areas
from auditkit.trade.film_measures import measure_sides, spots, typed_readings
from auditkit.trade.film_own import OwnLimits, on_the_reverse, read_own_limits
from auditkit.trade.film_rules import FilmRules, load_film_rules
from auditkit.trade.film_sampling import (
    parts_required_pa2,
    readings_required_90_10,
    readings_required_iso,
    repeats_allowed_iso,
)
from auditkit.trade.film_verdicts import FilmSpec, Test, Verdict, counting_limits

__all__ = [
    "FilmRules",
    "FilmSpec",
    "OwnLimits",
    "Test",
    "Verdict",
    "film_tests",
    "judge",
    "judge_areas",
    "judged_areas",
    "load_film_rules",
    "parts_required_pa2",
    "readings_required_90_10",
    "readings_required_iso",
    "repeats_allowed_iso",
    "spots",
    "verdicts_by_side",
]

Limits = Mapping[str, Mapping[str, object]]
"""Limits of their own by job_id, as declared under `film_limits`."""

_JUDGED_SIDES = ("facing", "reverse")
_SIDES = (*_JUDGED_SIDES, "edge")


def judge(readings: pd.DataFrame, *, spec: FilmSpec, rules: FilmRules | None = None) -> Verdict:
    """Return the verdict on the readings of one side of one area.

    Under SSPC-PA 2 each part of about 10 m2 is judged and the worst decides; a
    spot with too few readings is no spot measurement. Too few parts, spots or
    readings are "not assessable", never "conforms". Under ISO 19840 and the
    90/10 practice every single reading is judged, whatever spot it is of.

    Parameters
    ----------
    readings : DataFrame
        Film readings of one side of one area: spot, dft_um `[um]` and, if
        there, part, area_id and side.
    spec : FilmSpec
        What was specified.
    rules : FilmRules, optional
        Left out, the rules that ship with the package.

    Raises
    ------
    ValueError
        The readings are of several areas or sides, or a thickness is missing.

    References
    ----------
    SSPC-PA 2; ISO 19840:2012; IMO resolution MSC.215(82). Figures and their
    sources are in `film_rules.yaml`.

    Examples
    --------
    Appendix 1 of SSPC-PA 2 (spot values from memory), as five spots of three equal readings:

    >>> readings = pd.DataFrame({"spot": [1, 2, 3, 4, 5] * 3, "dft_um": [64.0, 76.0, 53.0, 76.0, 56.0] * 3})
    >>> spec = FilmSpec(rule="sspc-pa-2", level=3, minimum_um=64, nominal_um=64, maximum_um=110,
    ...                 surface_profile="fine", size_m2=9)
    >>> verdict = judge(readings, spec=spec)
    >>> verdict.verdict, verdict.mean_um, verdict.lowest_um
    ('conforms', 65.0, 53.0)
    >>> judge(readings[:-1], spec=spec).reason
    '4 of the 5 spots were measured; 1 more had too few readings'
    """
    rules = rules or load_film_rules()
    for column in ("area_id", "side"):
        if column in readings.columns and len(readings[column].unique()) > 1:
            several = sorted(map(str, readings[column].unique()))
            raise ValueError(
                f"judge() takes the readings of one side of one area; {column} holds {several[:4]}. "
                "Select one, or use judge_areas()"
            )
    frame = readings.assign(area_id="", side="facing")
    return _decide_sides(frame, {("", "facing"): spec}, rules=rules)["", "facing"]


def judge_areas(
    readings: pd.DataFrame,
    areas: pd.DataFrame,
    jobs: pd.DataFrame,
    *,
    rules: FilmRules | None = None,
    own_limits: Limits | None = None,
) -> pd.DataFrame:
    """Return the verdict on the facing and the reverse side of every area, by the rule of its job.

    The reverse is held to film_reverse_min_um, as minimum and as nominal,
    where the job gives it; of limits a job has of its own, a least value above
    it is lowered to it. Edge readings are counted and kept out of the
    verdicts: SSPC-PA 2 treats edges in an appendix that is not mandatory. An
    area without readings is "not assessable".

    Parameters
    ----------
    readings : DataFrame
        Film readings: area_id, side, spot, dft_um `[um]`, part if there.
    areas : DataFrame
        Areas: area_id, job_id, size_m2 `[m2]`, surface_profile.
    jobs : DataFrame
        Jobs: job_id, acceptance_rule, restriction_level, film_min_um,
        film_nominal_um, film_max_um, film_reverse_min_um `[um]`.
    rules : FilmRules, optional
        Left out, the rules that ship with the package.
    own_limits : mapping of str to mapping, optional
        Limits of jobs whose rule is 'own', see `film_own.read_own_limits`; a
        job without is not assessable.

    Returns
    -------
    DataFrame
        Grain (area_id, side), in that order: verdict, rule, level, clause,
        reason, minimum_um, nominal_um, maximum_um (as specified for the
        side), correction_um (taken off each reading by the rule), mean_um (of
        what the rule judges), lowest_spot_um, highest_spot_um,
        lowest_reading_um, highest_reading_um (all less the correction)
        `[um]`, share_below_pct `[%]`, n_parts, n_spots, n_short_spots,
        n_readings, n_edge_readings, required, required_of, short_by, from_memory.
        Under SSPC-PA 2 and own limits, lowest and highest spot are of spots
        with enough readings.

    Raises
    ------
    ValueError
        A column is not there, a thickness is missing, a side is unknown, or an
        area or job occurs twice.
    AuditError
        A reading is of an area that is not in `areas`, an area of a job that
        is not in `jobs`, or there are own limits of a job judged by a
        published rule.

    References
    ----------
    SSPC-PA 2; ISO 19840:2012; IMO resolution MSC.215(82). Figures and their
    sources are in `film_rules.yaml`.

    Examples
    --------
    >>> jobs = pd.DataFrame({"job_id": ["J1"], "acceptance_rule": ["90-10"],
    ...                      "restriction_level": pd.array([None], "Int64"), "film_min_um": [60.0],
    ...                      "film_nominal_um": [80.0], "film_max_um": [160.0], "film_reverse_min_um": [40.0]})
    >>> areas = pd.DataFrame({"area_id": ["A1"], "job_id": ["J1"], "size_m2": [3.6], "surface_profile": ["fine"]})
    >>> readings = pd.DataFrame({"area_id": "A1", "side": "facing", "spot": [1, 2, 3], "dft_um": [82.0, 85.0, 79.0]})
    >>> judged = judge_areas(readings, areas, jobs)
    >>> judged[["area_id", "side", "verdict", "reason"]].to_dict("records")[0]["reason"]
    'share of readings at or above the nominal is 66.7 %, and must be at least 90 %'
    """
    verdicts = verdicts_by_side(readings, areas, jobs, rules=rules, own_limits=own_limits)
    return judged_areas(verdicts, readings)


def verdicts_by_side(
    readings: pd.DataFrame,
    areas: pd.DataFrame,
    jobs: pd.DataFrame,
    *,
    rules: FilmRules | None = None,
    own_limits: Limits | None = None,
) -> dict[tuple[str, str], Verdict]:
    """Return the verdict on each (area_id, side), with every test that was run.

    Parameters and errors are those of `judge_areas`; see there.

    Returns
    -------
    dict of (area_id, side) to Verdict
        The facing and the reverse side of every area, in that order.

    Examples
    --------
    >>> jobs = pd.DataFrame({"job_id": ["J4"], "acceptance_rule": ["own"],
    ...                      "restriction_level": pd.array([None], "Int64"), "film_min_um": [60.0],
    ...                      "film_nominal_um": [80.0], "film_max_um": [160.0], "film_reverse_min_um": [None]})
    >>> areas = pd.DataFrame({"area_id": ["A1"], "job_id": ["J4"], "size_m2": [3.6], "surface_profile": ["fine"]})
    >>> readings = pd.DataFrame({"area_id": "A1", "side": "facing", "spot": [1, 2, 3], "dft_um": [82.0, 45.0, 79.0]})
    >>> own = {"J4": {"spot_min_um": 50, "source": "contract 12-7, clause 4"}}
    >>> verdict = verdicts_by_side(readings, areas, jobs, own_limits=own)["A1", "facing"]
    >>> verdict.verdict, verdict.clause
    ('does not conform', 'contract 12-7, clause 4')
    >>> [(test.name, test.observed, test.holds, test.limit) for test in verdict.tests]
    [('spots measured', 3.0, 'at least', 1.0), ('lowest spot', 45.0, 'at least', 50.0)]
    """
    rules = rules or load_film_rules()
    specs = _specs(areas, jobs, own=read_own_limits(own_limits or {}))
    frame = typed_readings(readings)
    _check_readings(frame, known=set(areas["area_id"]))
    return _decide_sides(frame[frame["side"] != "edge"], specs, rules=rules)


def _decide_sides(
    readings: pd.DataFrame, specs: Mapping[tuple[str, str], FilmSpec], *, rules: FilmRules
) -> dict[tuple[str, str], Verdict]:
    """Return the verdict on each side there is a specification for."""
    measured = measure_sides(
        readings,
        limits={key: counting_limits(spec, rules=rules)[:2] for key, spec in specs.items()},
        rules=rules,
        readings_per_spot={key: spec.own.readings_per_spot for key, spec in specs.items() if spec.own is not None},
    )
    return {key: decide(measured.get(key), spec=spec, rules=rules) for key, spec in specs.items()}


def _check_readings(frame: pd.DataFrame, *, known: set[str]) -> None:
    unknown_sides = sorted(set(frame["side"]) - set(_SIDES))
    if unknown_sides:
        raise ValueError(f"side must be one of {', '.join(_SIDES)}; given {unknown_sides}")
    strays = sorted(set(frame["area_id"]) - known)
    if strays:
        raise AuditError(
            f"Every reading must be of an area in `areas`; {len(strays)} area_id are not, first {strays[:3]}. "
            "Add the areas, or correct area_id."
        )


def _specs(areas: pd.DataFrame, jobs: pd.DataFrame, *, own: Mapping[str, OwnLimits]) -> dict[tuple[str, str], FilmSpec]:
    """Return what was specified for each (area_id, side), in that order."""
    require_columns(areas, ["area_id", "job_id", "size_m2", "surface_profile"], name="areas")
    job_columns = ["job_id", "acceptance_rule", "restriction_level", "film_min_um", "film_nominal_um"]
    job_columns += ["film_max_um", "film_reverse_min_um"]
    require_columns(jobs, job_columns, name="jobs")
    for frame, key in ((areas, "area_id"), (jobs, "job_id")):
        if frame[key].duplicated().any():
            twice = sorted(frame.loc[frame[key].duplicated(), key])
            raise ValueError(f"{key} must not occur twice; {twice[:3]} do. Keep one row of each")
    orphans = sorted(set(areas["job_id"]) - set(jobs["job_id"]))
    if orphans:
        raise AuditError(f"Every area must be of a job in `jobs`; {orphans[:3]} are not there. Add the jobs.")
    _check_own(jobs, own)
    merged = areas[["area_id", "job_id", "size_m2", "surface_profile"]].merge(jobs[job_columns], on="job_id")
    specs = {}
    for row in merged.sort_values("area_id").to_dict("records"):
        level, maximum, reverse = row["restriction_level"], row["film_max_um"], row["film_reverse_min_um"]
        facing = FilmSpec(
            rule=row["acceptance_rule"],
            level=None if pd.isna(level) else int(level),
            minimum_um=float(row["film_min_um"]),
            nominal_um=float(row["film_nominal_um"]),
            maximum_um=None if pd.isna(maximum) else float(maximum),
            surface_profile=row["surface_profile"],
            size_m2=float(row["size_m2"]),
            own=own.get(row["job_id"]),
        )
        specs[row["area_id"], "facing"] = facing
        specs[row["area_id"], "reverse"] = facing if pd.isna(reverse) else _reverse_of(facing, float(reverse))
    return specs


def _reverse_of(facing: FilmSpec, reverse_min_um: float) -> FilmSpec:
    limits = None if facing.own is None else on_the_reverse(facing.own, reverse_min_um=reverse_min_um)
    return replace(facing, minimum_um=reverse_min_um, nominal_um=reverse_min_um, own=limits)


def _check_own(jobs: pd.DataFrame, own: Mapping[str, OwnLimits]) -> None:
    rules = dict(zip(jobs["job_id"], jobs["acceptance_rule"], strict=True))
    published = {job: rules[job] for job in sorted(own) if rules.get(job, "own") != "own"}
    if published:
        job, rule = next(iter(published.items()))
        raise AuditError(
            f"Limits of its own go with a job whose acceptance_rule is own; {job} is judged by {rule}. "
            f"Correct its rule, or remove film_limits.{job} from dossier.yaml."
        )
