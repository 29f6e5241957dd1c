"""Faults that several parts of `dossier.yaml` can have, worded in one place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from zoneinfo import available_timezones

from auditkit.contracts.strictness import near_match
from auditkit.errors import Fault

__all__ = ["path_faults", "unknown", "zone_faults"]


def unknown(where: str, what: str, given: str, known: Mapping[str, object] | Sequence[str]) -> Fault:
    """Return the fault of a name that is none of those known.

    Examples
    --------
    >>> print(unknown("dossier.yaml, units", "a column of jobs", "film_min", ["film_min_um", "site"]))
    dossier.yaml, units: must be a column of jobs; given 'film_min'. Write 'film_min_um', if that is what is meant.
    """
    near = near_match(given, known)
    cure = f"write {near!r}, if that is what is meant" if near else f"use one of {', '.join(known)}"
    return Fault(where=where, holds=f"must be {what}", given=repr(given), cure=cure)


def zone_faults(zone: str | None, where: str) -> list[Fault]:
    """Return the fault of a time zone that is none, if one is given.

    Examples
    --------
    >>> zone_faults("Europe/Oslo", "dossier.yaml"), zone_faults(None, "dossier.yaml")
    ([], [])
    """
    if zone is None or zone in available_timezones():
        return []
    near = near_match(zone, available_timezones())
    cure = f"write {near!r}, if that is what is meant" if near else "write it as Europe/Oslo"
    holds = "must be an IANA time zone"
    return [Fault(where=f"{where}, time_zone", holds=holds, given=repr(zone), cure=cure)]


def path_faults(pattern: str, where: str) -> list[Fault]:
    r"""Return the fault of a file pattern that leads out of the folder.

    Examples
    --------
    >>> path_faults("gauge/*.csv", "x")
    []
    >>> print(*path_faults("..\\x.csv", "tables[1].file"))
    tables[1].file: must be a path inside the folder, with / between its parts; given '..\\x.csv'.
    Write it relative to the folder.
    """
    if not (Path(pattern).is_absolute() or ".." in Path(pattern).parts or "\\" in pattern):
        return []
    holds = "must be a path inside the folder, with / between its parts"
    return [Fault(where=where, holds=holds, given=repr(pattern), cure="write it relative to the folder")]
