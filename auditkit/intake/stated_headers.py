"""Headers that state how their column is written: `column [unit]`, or `column [time zone]` over moments."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache
from zoneinfo import available_timezones

from auditkit import units
from auditkit.contracts.contract import Contract
from auditkit.errors import UnitError
from auditkit.intake.declaration import fold

__all__ = ["Stated", "column_of", "stated_fault", "stated_in"]

_STATED = re.compile(r"(?P<name>[^\[\]]+)\[(?P<inside>[^\[\]]+)\]")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """What a header states of its column.

    Parameters
    ----------
    column : str
        Column of the contract.
    unit : str, optional
        Symbol of the unit its numbers are in.
    zone : str, optional
        Time zone of its local times.
    """

    column: str
    unit: str | None = None
    zone: str | None = None


def stated_in(header: str, contract: Contract) -> Stated | None:
    """Return what a header states, or None where it is not a column of the contract with a unit or zone that fits.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> film = contract("film_readings")
    >>> stated_in("dft_um [mil]", film).unit, stated_in("DFT_um [\u00b5m]", film).unit
    ('mil', 'um')
    >>> stated_in("taken_at [Europe/Oslo]", film).zone
    'Europe/Oslo'
    >>> stated_in("dft_um [psi]", film), stated_in("dft_um", film), stated_in("film [mil]", film)
    (None, None, None)
    """
    parts = _parts(header, contract)
    if parts is None:
        return None
    name, inside = parts
    column = contract.column(name)
    if column.kind == "moment":
        return Stated(column=name, zone=inside) if inside in _zones() else None
    try:
        unit = units.find(inside)
    except UnitError:
        return None
    fits = column.unit is not None and unit.quantity == units.quantity_of(column.unit)
    return Stated(column=name, unit=unit.symbol) if fits else None


def column_of(header: str, contract: Contract) -> str:
    """Return the column that a header names, in brackets or not; else the header as headers are compared.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> column_of("DFT_um [mil]", contract("film_readings")), column_of("Film [mil]", contract("film_readings"))
    ('dft_um', 'film [mil]')
    """
    stated = stated_in(header, contract)
    return fold(header) if stated is None else stated.column


def stated_fault(header: str, contract: Contract) -> str | None:
    """Return what must hold of a header that names a column and brackets that do not fit it; None for any other.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> stated_fault("dft_um [psi]", contract("film_readings"))
    "header 'dft_um [psi]' must name a unit of length in its brackets (um, nm, angstrom, mm, cm, m, mil, in, ft)"
    >>> stated_fault("dft_um [mil]", contract("film_readings")) is None
    True
    """
    parts = _parts(header, contract)
    if parts is None or stated_in(header, contract) is not None:
        return None
    column = contract.column(parts[0])
    if column.kind == "moment":
        return f"header {header!r} must name an IANA time zone in its brackets (such as Europe/Oslo)"
    if column.unit is None:
        return f"header {header!r} must have no brackets, since {column.name} has no unit"
    quantity = units.quantity_of(column.unit)
    return f"header {header!r} must name a unit of {quantity} in its brackets ({', '.join(units.known(quantity))})"


def _parts(header: str, contract: Contract) -> tuple[str, str] | None:
    """Return the column that stands before the brackets, and what is in them."""
    found = _STATED.fullmatch(header.strip())
    if found is None or fold(found["name"]) not in contract.names:
        return None
    return fold(found["name"]), found["inside"].strip()


@cache
def _zones() -> frozenset[str]:
    return frozenset(available_timezones())
