"""Was enough measured: what each published rule asks for against what was taken, and what would decide the rest."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import pandas as pd

from auditkit.findings.mean_decisions import MEANS, mean_components, mean_decisions
from auditkit.findings.shared_uncertainty import shared_uncertainty
from auditkit.findings.standing_readings import standing_readings
from auditkit.trade.film import Limits, verdicts_by_side
from auditkit.trade.film_measures import spots as film_spots
from auditkit.trade.film_own import OwnLimits, read_own_limits
from auditkit.trade.film_rules import FilmRules, load_film_rules
from auditkit.trade.film_sampling import parts_required_pa2, readings_required_90_10, readings_required_iso

__all__ = ["EnoughFindings", "find_enough"]

_PUBLISHED = ("sspc-pa-2", "iso-19840", "90-10")
_REQUIRED = (
    ("area_id", "str"),
    ("job_id", "str"),
    ("side", "str"),
    ("rule", "str"),
    ("named", "bool"),
    ("size_m2", "float64"),
    ("parts_required", "Int64"),
    ("parts_taken", "Int64"),
    ("spots_required", "Int64"),
    ("spots_taken", "Int64"),
    ("spots_missing", "Int64"),
    ("readings_required", "int64"),
    ("readings_taken", "int64"),
    ("readings_missing", "int64"),
    ("enough", "bool"),
    ("where", "str"),
    ("from_memory", "bool"),
)
_JOBS = (
    ("job_id", "str"),
    ("rule", "str"),
    ("named", "bool"),
    ("sides", "int64"),
    ("measured", "int64"),
    ("enough", "int64"),
    ("spots_missing", "Int64"),
    ("readings_missing", "int64"),
)
_Parts = dict[int, dict[int, int]]
"""Readings of each spot, by part."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EnoughFindings:
    """How much was measured, and how much more would decide what is in doubt.

    Parameters
    ----------
    required : DataFrame
        Grain (area_id, side, rule), in that order, for each published rule and
        the limits a job has of its own: job_id, named (whether it is the
        job's rule), size_m2, parts_required, parts_taken, spots_required,
        spots_taken (with enough readings), spots_missing (blank for rules that
        count readings), readings_required, readings_taken, readings_missing,
        enough, where (what is missing), from_memory.
    jobs : DataFrame
        Grain (job_id, rule): named, sides, measured (sides with readings),
        enough, spots_missing, readings_missing.
    components : DataFrame
        See `mean_decisions.mean_components`.
    means : DataFrame
        See `mean_decisions.mean_decisions`.
    left_out : DataFrame
        Sides whose mean is not held against a limit: reason, n.
    n, excluded : int
        Readings counted, and readings that are not.
    superseded : int
        Those of the excluded that were made before the area's last spray run
        ended, of a film that has since been sprayed over; the others lie on
        edges.
    method : str
        What was done, in a few sentences.
    settings : mapping
        confidence, power, most_spots.
    """

    required: pd.DataFrame
    jobs: pd.DataFrame
    components: pd.DataFrame
    means: pd.DataFrame
    left_out: pd.DataFrame
    n: int
    excluded: int
    superseded: int
    method: str
    settings: Mapping[str, float]


def find_enough(
    tables: Mapping[str, pd.DataFrame],
    *,
    rules: FilmRules | None = None,
    own_limits: Limits | None = None,
    confidence: float = 0.95,
    power: float = 0.8,
    most_spots: int = 50,
) -> EnoughFindings:
    """Return whether enough was measured on every side of every area, and what is missing where.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; jobs, areas, film readings and spray runs are used.
    rules : FilmRules, optional
        Left out, the rules that ship with the package.
    own_limits : mapping of str to mapping, optional
        Limits that jobs have of their own, see `trade.film_own`.
    confidence, power : float
        With which a further measurement is to decide a mean in doubt.
    most_spots : int
        More further spots than this are called not feasible.

    Examples
    --------
    >>> jobs = pd.DataFrame({"job_id": ["J1"], "acceptance_rule": ["sspc-pa-2"],
    ...                      "restriction_level": pd.array([3], "Int64"), "film_min_um": [60.0],
    ...                      "film_nominal_um": [80.0], "film_max_um": [160.0], "film_reverse_min_um": [40.0]})
    >>> areas = pd.DataFrame({"area_id": ["A1"], "job_id": ["J1"], "size_m2": [3.6], "surface_profile": ["fine"]})
    >>> film = pd.DataFrame({"area_id": "A1", "side": "facing", "spot": [1, 1, 1, 2, 2], "dft_um": 70.0})
    >>> runs = pd.DataFrame({"area_id": [], "ended_at": []})
    >>> found = find_enough({"jobs": jobs, "areas": areas, "film_readings": film, "spray_runs": runs})
    >>> found.required[["rule", "spots_taken", "readings_missing", "where"]].to_numpy().tolist()[2]
    ['sspc-pa-2', 1, 10, '1 of 5 spots, spot 2 has 2 of 3 readings']
    """
    rules = rules or load_film_rules()
    readings, areas, jobs = standing_readings(tables), tables["areas"], tables["jobs"]
    judged = readings[readings["side"] != "edge"]
    own = read_own_limits(own_limits or {})
    required = _required(judged, areas, jobs, own, rules=rules)
    verdicts = verdicts_by_side(readings, areas, jobs, rules=rules, own_limits=own_limits)
    about = areas[["area_id", "job_id"]].merge(jobs[["job_id", "acceptance_rule"]], on="job_id")
    about = about.rename(columns={"acceptance_rule": "rule"})
    components = mean_components(judged, about)
    shared = shared_uncertainty(judged, about, areas, tables.get("gauge_checks"), rules=rules)
    means = mean_decisions(
        judged,
        verdicts,
        about,
        components,
        rules=rules,
        confidence=confidence,
        power=power,
        most_spots=most_spots,
        shared=shared,
    )
    decided = set(zip(means["area_id"], means["side"], strict=True))
    reasons = pd.Series(
        [_no_mean(verdict.rule, verdict.n_readings) for key, verdict in verdicts.items() if key not in decided],
        dtype="str",
    )
    return EnoughFindings(
        required=required,
        jobs=_by_job(required),
        components=components,
        means=means,
        left_out=reasons.value_counts().sort_index().rename_axis("reason").rename("n").reset_index(),
        n=len(judged),
        excluded=len(tables["film_readings"]) - len(judged),
        superseded=len(tables["film_readings"]) - len(readings),
        method=(
            "Parts, spots and readings each published rule asks for are set against those taken on each side; "
            "readings made before an area's last spray run ended are of a film since sprayed over and are left out. "
            f"{MEANS} The number of further spots is the least with which a true distance as large as the one "
            f"observed would be decided with {100 * confidence:g} % confidence and {100 * power:g} % power; above "
            f"{most_spots} it is called not feasible. It does not lessen what a gauge reads wrong throughout."
        ),
        settings={"confidence": confidence, "power": power, "most_spots": most_spots},
    )


def _no_mean(rule: str, n_readings: int) -> str:
    if not n_readings:
        return "no readings"
    if rule == "90-10":
        return "the 90/10 practice has no test of the mean"
    return "no mean could be tested: too few readings in every spot, outside the rule's scope, or no limit"


def _required(
    readings: pd.DataFrame,
    areas: pd.DataFrame,
    jobs: pd.DataFrame,
    own: Mapping[str, OwnLimits],
    *,
    rules: FilmRules,
) -> pd.DataFrame:
    """Return what each rule asks for on each side, against what was taken."""
    taken = _taken(readings)
    named = dict(zip(jobs["job_id"], jobs["acceptance_rule"], strict=True))
    rows: list[dict[str, object]] = []
    for area in areas.sort_values("area_id").to_dict("records"):
        job, size = str(area["job_id"]), float(area["size_m2"])
        for side in ("facing", "reverse"):
            parts = taken.get((area["area_id"], side), {})
            about = {"area_id": area["area_id"], "job_id": job, "side": side, "size_m2": size}
            asked = {
                "90-10": _by_readings(parts, readings_required_90_10(size, rules=rules)),
                "iso-19840": _by_readings(parts, readings_required_iso(size, rules=rules)),
            }
            if job in own:
                limits = own[job]
                asked["own"] = _by_spots(parts, 1, limits.spots_per_part, limits.readings_per_spot)
            asked["sspc-pa-2"] = _by_spots(
                parts,
                parts_required_pa2(size, rules=rules),
                int(rules.pa2.spots_per_part.value),
                int(rules.pa2.readings_per_spot.value),
            )
            for rule, found in asked.items():
                from_memory = _from_memory(rule, size, rules=rules)
                rows.append({**about, **found, "rule": rule, "named": named[job] == rule, "from_memory": from_memory})
    return _typed(rows, _REQUIRED)


def _taken(readings: pd.DataFrame) -> dict[tuple[str, str], _Parts]:
    """Return the readings of each spot, by part, of each (area_id, side)."""
    taken: dict[tuple[str, str], _Parts] = {}
    if readings.empty:
        return taken
    for row in film_spots(readings).to_dict("records"):
        parts = taken.setdefault((row["area_id"], row["side"]), {})
        parts.setdefault(int(row["part"]), {})[int(row["spot"])] = int(row["n"])
    return taken


def _by_readings(parts: _Parts, required: int) -> dict[str, object]:
    """Return how a rule that counts readings is met."""
    n = sum(sum(spots.values()) for spots in parts.values())
    missing = max(0, required - n)
    return {
        "parts_required": pd.NA,
        "parts_taken": len(parts),
        "spots_required": pd.NA,
        "spots_taken": sum(len(spots) for spots in parts.values()),
        "spots_missing": pd.NA,
        "readings_required": required,
        "readings_taken": n,
        "readings_missing": missing,
        "enough": not missing,
        "where": f"{n} of {required} readings" if missing else "",
    }


def _by_spots(parts: _Parts, parts_required: int, per_part: int, per_spot: int) -> dict[str, object]:
    """Return how a rule that counts spots is met; a spot begun is finished before another is."""
    absent = max(0, parts_required - len(parts))
    spots_missing, readings_missing = absent * per_part, absent * per_part * per_spot
    where = []
    full_spots = 0
    for number, spots in sorted(parts.items()):
        full = sum(n >= per_spot for n in spots.values())
        short = sorted(
            ((spot, n) for spot, n in spots.items() if n < per_spot), key=lambda begun: (-begun[1], begun[0])
        )
        missing = max(0, per_part - full)
        full_spots += full
        spots_missing += missing
        readings_missing += sum(per_spot - n for _, n in short[:missing]) + per_spot * max(0, missing - len(short))
        if missing:
            begun = [f"spot {spot} has {n} of {per_spot} readings" for spot, n in short[:missing]]
            place = f"part {number}: " if len(parts) > 1 else ""
            where.append(place + ", ".join([f"{full} of {per_part} spots", *begun]))
    if absent:
        where.append(f"{len(parts)} of {parts_required} parts")
    return {
        "parts_required": parts_required,
        "parts_taken": len(parts),
        "spots_required": parts_required * per_part,
        "spots_taken": full_spots,
        "spots_missing": spots_missing,
        "readings_required": parts_required * per_part * per_spot,
        "readings_taken": sum(sum(spots.values()) for spots in parts.values()),
        "readings_missing": readings_missing,
        "enough": not spots_missing,
        "where": "; ".join(where),
    }


def _from_memory(rule: str, size_m2: float, *, rules: FilmRules) -> bool:
    """Return whether what a rule asks for rests on a figure that was not seen printed."""
    if rule == "own":
        return False
    if rule == "iso-19840":
        iso = rules.iso19840
        row = next((row for row in iso.measurements if size_m2 <= row.up_to_m2), iso.further_readings)
        return row.from_memory
    if rule == "90-10":
        return rules.ninety_ten.m2_per_reading.from_memory or rules.ninety_ten.least_readings.from_memory
    pa2 = rules.pa2
    figures = (pa2.readings_per_spot, pa2.spots_per_part, pa2.part_size_m2, pa2.every_part_up_to_m2)
    return any(figure.from_memory for figure in (*figures, pa2.sampled_parts, pa2.further_part_per_m2))


def _by_job(required: pd.DataFrame) -> pd.DataFrame:
    rows: list[dict[str, object]] = [
        {
            "job_id": job,
            "rule": rule,
            "named": bool(group["named"].iloc[0]),
            "sides": len(group),
            "measured": int((group["readings_taken"] > 0).sum()),
            "enough": int(group["enough"].sum()),
            "spots_missing": group["spots_missing"].sum() if rule in ("sspc-pa-2", "own") else pd.NA,
            "readings_missing": int(group["readings_missing"].sum()),
        }
        for (job, rule), group in required.groupby(["job_id", "rule"], sort=True)
    ]
    return _typed(rows, _JOBS)


def _typed(rows: list[dict[str, object]], columns: Iterable[tuple[str, str]]) -> pd.DataFrame:
    """Return the rows as a frame whose types do not depend on which values are there."""
    return pd.DataFrame({column: pd.Series([row[column] for row in rows], dtype=kind) for column, kind in columns})
