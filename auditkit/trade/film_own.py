"""A job's own limits for film thickness, as its contract states them in place of a published rule."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from auditkit.errors import DeclarationError, Fault

__all__ = ["OwnLimits", "on_the_reverse", "read_own_limits"]

_LIMITS = ("spot_min_um", "spot_max_um", "area_min_um", "area_max_um")
_COUNTS = ("readings_per_spot", "spots_per_part")


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnLimits:
    """Limits a job has of its own.

    Parameters
    ----------
    spot_min_um, spot_max_um : float, optional
        Limits of every spot measurement `[um]`; None is no limit.
    area_min_um, area_max_um : float, optional
        Limits of the mean of the spots of a part `[um]`; None is no limit.
    readings_per_spot, spots_per_part : int
        Least readings of a spot and least spots of a part; fewer leave the
        side without a verdict.
    source : str
        Where the limits stand; it is the clause of the verdict.
    """

    spot_min_um: float | None = None
    spot_max_um: float | None = None
    area_min_um: float | None = None
    area_max_um: float | None = None
    readings_per_spot: int = 1
    spots_per_part: int = 1
    source: str


def read_own_limits(declared: Mapping[str, Mapping[str, object]]) -> dict[str, OwnLimits]:
    """Return the limits of each job, as declared under `film_limits`.

    Parameters
    ----------
    declared : mapping of str to mapping
        By job_id: any of spot_min_um, spot_max_um, area_min_um, area_max_um
        `[um]`, at least one; readings_per_spot, spots_per_part; and source.

    Raises
    ------
    DeclarationError
        A key is unknown, there is no limit or no source, a figure is not a
        number above 0, or a least value lies above its greatest.

    Examples
    --------
    >>> read_own_limits({"J4": {"spot_min_um": 50, "source": "contract 12-7, clause 4"}})["J4"].spot_min_um
    50.0
    """
    return {job: _own_limits(limits, f"film_limits.{job}") for job, limits in declared.items()}


def on_the_reverse(limits: OwnLimits, *, reverse_min_um: float) -> OwnLimits:
    """Return the limits of the reverse side, where the job specifies a minimum for it.

    Each least value above that minimum is lowered to it; no limit is added.

    Examples
    --------
    >>> own = OwnLimits(spot_min_um=30.0, area_min_um=60.0, source="contract 12-7, clause 4")
    >>> reverse = on_the_reverse(own, reverse_min_um=40.0)
    >>> reverse.spot_min_um, reverse.area_min_um
    (30.0, 40.0)
    """
    return replace(
        limits,
        spot_min_um=None if limits.spot_min_um is None else min(limits.spot_min_um, reverse_min_um),
        area_min_um=None if limits.area_min_um is None else min(limits.area_min_um, reverse_min_um),
    )


def _own_limits(given: Mapping[str, object], where: str) -> OwnLimits:
    unknown = sorted(set(given) - {*_LIMITS, *_COUNTS, "source"})
    if unknown:
        raise _fault(where, f"must have no keys but {', '.join((*_LIMITS, *_COUNTS))} and source", ", ".join(unknown))
    source = given.get("source")
    if not isinstance(source, str) or not source.strip():
        raise _fault(f"{where}.source", "must say where the limits stand", repr(source))
    limits = {name: _number(given[name], f"{where}.{name}") for name in _LIMITS if given.get(name) is not None}
    if not limits:
        raise _fault(where, f"must have at least one of {', '.join(_LIMITS)}", ", ".join(given))
    for least, greatest in (_LIMITS[:2], _LIMITS[2:]):
        if limits.get(least, 0.0) > limits.get(greatest, math.inf):
            raise _fault(where, f"{least} may not exceed {greatest}", f"{limits[least]:g} and {limits[greatest]:g}")
    counts = {name: _count(given[name], f"{where}.{name}") for name in _COUNTS if given.get(name) is not None}
    return OwnLimits(
        spot_min_um=limits.get("spot_min_um"),
        spot_max_um=limits.get("spot_max_um"),
        area_min_um=limits.get("area_min_um"),
        area_max_um=limits.get("area_max_um"),
        readings_per_spot=counts.get("readings_per_spot", 1),
        spots_per_part=counts.get("spots_per_part", 1),
        source=source,
    )


def _number(value: object, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0 < value < math.inf:
        raise _fault(where, "must be a number above 0", repr(value))
    return float(value)


def _count(value: object, where: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or value < 1:
        raise _fault(where, "must be a whole number from 1", repr(value))
    return value


def _fault(where: str, holds: str, given: str) -> DeclarationError:
    fault = Fault(where=where, holds=holds, given=given, cure="correct film_limits in dossier.yaml")
    return DeclarationError(str(fault))
