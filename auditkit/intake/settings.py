"""Settings of an audit that `dossier.yaml` declares beside its tables: their form, and what is wrong with them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from types import MappingProxyType
from typing import Any

from auditkit import units
from auditkit.contracts.contract import Contract
from auditkit.errors import Fault, UnitError
from auditkit.intake.declaration_faults import path_faults, unknown, zone_faults
from auditkit.intake.header_units import unit_for

__all__ = [
    "LOG_COLUMNS",
    "LogEntry",
    "build_log_entries",
    "replacement_costs_of",
    "setting_faults",
    "viscosity_points_of",
]

LOG_COLUMNS = ("unit_id", "logged_at", "pot_kpa")
"""What a row of a pressure log tells, whatever its headers are called."""

_LIMIT_PAIRS = (("spot_min_um", "spot_max_um"), ("area_min_um", "area_max_um"))


@dataclass(frozen=True, slots=True, kw_only=True)
class LogEntry:
    """One entry under `pressure_logs`.

    Parameters
    ----------
    where : str
    file : str
        Pattern relative to the folder.
    columns : mapping of header to column
        Every one of `LOG_COLUMNS` that is not constant.
    constants : mapping of column to str
    unit : str
        Symbol of the unit of pressure.
    time_zone : str or None
        Zone of times without offset; None where none was declared.
    """

    where: str
    file: str
    columns: Mapping[str, str]
    constants: Mapping[str, str]
    unit: str
    time_zone: str | None


def setting_faults(document: Mapping[str, Any], contracts: Mapping[str, Contract], *, where: str) -> list[Fault]:
    """Return what is wrong with the settings of a declaration that its JSON Schema cannot tell.

    Parameters
    ----------
    document : mapping
        All of `dossier.yaml`, in the form its JSON Schema asks for.
    contracts : mapping of record to Contract
    where : str
        Name of the file.

    Examples
    --------
    >>> from auditkit.contracts import load_contracts
    >>> costs = {"currency": "EUR", "parts": {"brush": {"planned": 900, "failure": 40}}}
    >>> print(*setting_faults({"replacement_costs": costs}, load_contracts(), where="dossier.yaml"))
    dossier.yaml, replacement_costs.parts.brush: failure may not be less than planned; given 40 and 900.
    Correct one of them; failure is all that a change costs after the part has failed.
    """
    return [
        *_limit_faults(document.get("film_limits", {}), where),
        *_log_faults(document.get("pressure_logs", []), where),
        *_cost_faults(document.get("replacement_costs", {}), contracts, where),
        *_viscosity_faults(document.get("viscosity_points", {}), where),
        *_arrow_faults(document.get("causal_diagram", {}), f"{where}, causal_diagram"),
    ]


def build_log_entries(
    entries: Sequence[Mapping[str, Any]], *, time_zone: str | None, where: str
) -> tuple[LogEntry, ...]:
    """Return the entries under `pressure_logs`, each of the log's columns filled from one place.

    Examples
    --------
    >>> given = [{"file": "log.csv", "columns": {"psi": "pot_kpa"}, "constants": {"unit_id": "U3"}, "unit": "PSI"}]
    >>> (entry,) = build_log_entries(given, time_zone="Europe/Oslo", where="dossier.yaml")
    >>> dict(entry.columns), dict(entry.constants), entry.unit, entry.time_zone
    ({'psi': 'pot_kpa', 'logged_at': 'logged_at'}, {'unit_id': 'U3'}, 'psi', 'Europe/Oslo')
    """
    built = []
    for number, entry in enumerate(entries, start=1):
        constants = entry.get("constants", {})
        named = entry.get("columns", {})
        own = [name for name in LOG_COLUMNS if name not in constants and name not in named.values()]
        built.append(
            LogEntry(
                where=f"{where}, pressure_logs[{number}]",
                file=entry["file"],
                columns=MappingProxyType({**named, **dict(zip(own, own, strict=True))}),
                constants=MappingProxyType(dict(constants)),
                unit=units.find(entry.get("unit", "kpa")).symbol,
                time_zone=entry.get("time_zone", time_zone),
            )
        )
    return tuple(built)


def replacement_costs_of(declared: Mapping[str, Any]) -> Mapping[str, str | tuple[float, float]]:
    """Return the costs of replacement: `currency`, and by part what a planned change and a failure cost.

    Examples
    --------
    >>> dict(replacement_costs_of({"currency": "EUR", "parts": {"brush": {"planned": 40, "failure": 900}}}))
    {'currency': 'EUR', 'brush': (40.0, 900.0)}
    >>> dict(replacement_costs_of({}))
    {}
    """
    if not declared:
        return MappingProxyType({})
    parts = {part: (float(cost["planned"]), float(cost["failure"])) for part, cost in declared["parts"].items()}
    return MappingProxyType({"currency": declared["currency"], **parts})


def viscosity_points_of(
    declared: Mapping[str, Sequence[Mapping[str, float]]],
) -> Mapping[str, tuple[Mapping[str, float], ...]]:
    """Return the measured viscosities by coating, from the coldest on.

    Examples
    --------
    >>> points = viscosity_points_of({"K": [{"temp_c": 25, "mm2_s": 41}, {"temp_c": 15, "mm2_s": 62}]})
    >>> [dict(point) for point in points["K"]]
    [{'temp_c': 15.0, 'mm2_s': 62.0}, {'temp_c': 25.0, 'mm2_s': 41.0}]
    """
    return MappingProxyType({coating: _by_temperature(points) for coating, points in declared.items()})


def _by_temperature(points: Sequence[Mapping[str, float]]) -> tuple[Mapping[str, float], ...]:
    plain = [{"temp_c": float(point["temp_c"]), "mm2_s": float(point["mm2_s"])} for point in points]
    return tuple(MappingProxyType(point) for point in sorted(plain, key=lambda point: point["temp_c"]))


def _limit_faults(film_limits: Mapping[str, Mapping[str, Any]], where: str) -> list[Fault]:
    """Return faults of limits a job has of its own: a least there must be, and none above a greatest."""
    faults = []
    for job, limits in film_limits.items():
        place = f"{where}, film_limits.{job}"
        if not any(least in limits for least, _ in _LIMIT_PAIRS):
            holds = f"must have at least one of {', '.join(least for least, _ in _LIMIT_PAIRS)}"
            given = f"only {', '.join(limits)}"
            cure = "add the least film the contract asks for; without one a bare surface would conform"
            faults.append(Fault(where=place, holds=holds, given=given, cure=cure))
        crossed = (("spot_min_um", "area_max_um"), ("area_min_um", "spot_max_um"))
        for least, greatest in (*_LIMIT_PAIRS, *crossed):
            if limits.get(least, 0) > limits.get(greatest, float("inf")):
                given = f"{limits[least]} and {limits[greatest]}"
                holds = f"{least} may not exceed {greatest}"
                faults.append(Fault(where=place, holds=holds, given=given, cure="correct one of them"))
    return faults


def _log_faults(entries: Sequence[Mapping[str, Any]], where: str) -> list[Fault]:
    """Return faults of pressure logs: the file, the unit, the zone, and columns filled from two places."""
    faults = []
    for number, entry in enumerate(entries, start=1):
        place = f"{where}, pressure_logs[{number}]"
        faults.extend(path_faults(entry["file"], f"{place}.file"))
        faults.extend(zone_faults(entry.get("time_zone"), place))
        filled = dict.fromkeys(entry.get("constants", {}), "constants")
        for header, column in entry.get("columns", {}).items():
            if column in filled:
                holds = f"column {column} must be filled from one place"
                given = f"also {filled[column]}"
                faults.append(Fault(where=f"{place}.columns.{header}", holds=holds, given=given, cure="remove one"))
            filled[column] = f"columns.{header}"
        unit = entry.get("unit", "kpa")
        try:
            units.convert(1.0, unit, "kpa")
        except UnitError:
            cure = f"use one of {', '.join(units.known('pressure'))}"
            holds = "must be a unit of pressure"
            faults.append(Fault(where=f"{place}.unit", holds=holds, given=repr(unit), cure=cure))
            continue
        for header, column in entry.get("columns", {}).items():
            named = unit_for(header, unit) if column == "pot_kpa" and header != column else None
            if named is not None:
                given = f"{unit} for header {header!r}"
                holds, cure = "must be the unit that the header names", f"write unit: {named}"
                faults.append(Fault(where=f"{place}.unit", holds=holds, given=given, cure=cure))
    return faults


def _cost_faults(costs: Mapping[str, Any], contracts: Mapping[str, Contract], where: str) -> list[Fault]:
    """Return faults of the costs of replacement: parts nobody keeps, and a failure cheaper than a planned change."""
    parts = contracts["maintenance"].column("part").choices
    faults = []
    for part, cost in costs.get("parts", {}).items():
        place = f"{where}, replacement_costs.parts.{part}"
        if part not in parts:
            faults.append(unknown(place, "a part of maintenance", part, parts))
        if cost["failure"] < cost["planned"]:
            cure = "correct one of them; failure is all that a change costs after the part has failed"
            given = f"{cost['failure']} and {cost['planned']}"
            faults.append(Fault(where=place, holds="failure may not be less than planned", given=given, cure=cure))
    return faults


def _viscosity_faults(coatings: Mapping[str, Sequence[Mapping[str, float]]], where: str) -> list[Fault]:
    """Return faults of measured viscosities: two at one temperature, or a paint that thickens as it warms."""
    faults = []
    for coating, points in coatings.items():
        for cold, warm in pairwise(_by_temperature(points)):
            if not (warm["temp_c"] > cold["temp_c"] and warm["mm2_s"] < cold["mm2_s"]):
                given = " and ".join(f"{point['mm2_s']:g} at {point['temp_c']:g} C" for point in (cold, warm))
                holds = "must be of different temperatures, the warmer the thinner"
                place = f"{where}, viscosity_points.{coating}"
                faults.append(Fault(where=place, holds=holds, given=given, cure="correct one of them"))
    return faults


def _arrow_faults(diagram: Mapping[str, Any], where: str) -> list[Fault]:
    """Return faults of amendments of the causal diagram that need no diagram to see."""
    faults = []
    parts = [(where, diagram)]
    names: set[str] = set()
    for number, alternative in enumerate(diagram.get("alternatives", []), start=1):
        place = f"{where}.alternatives[{number}]"
        parts.append((place, alternative))
        if alternative["name"] in names:
            holds, cure = "must have a name of its own", "rename one"
            faults.append(Fault(where=f"{place}.name", holds=holds, given=repr(alternative["name"]), cure=cure))
        names.add(alternative["name"])
    for place, part in parts:
        added = {(arrow["from"], arrow["to"]) for arrow in part.get("add", [])}
        for arrow in part.get("drop", []):
            if (arrow["from"], arrow["to"]) in added:
                given = f"{arrow['from']} to {arrow['to']}"
                holds = "must not drop an arrow that it adds"
                faults.append(Fault(where=f"{place}.drop", holds=holds, given=given, cure="remove one"))
    return faults
