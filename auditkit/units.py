"""Units: exact factors, and conversion into the unit a contract's column carries.

Factors are exact by definition of the units: the inch is 25.4 mm and the pound
0.45359237 kg (international yard and pound agreement, 1959), standard gravity
9.80665 m/s2 (3rd CGPM, 1901), the US gallon 231 cubic inches. They are held as
fractions, so nothing is lost before the last division.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, overload

from auditkit.errors import UnitError

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

__all__ = ["Unit", "convert", "find", "known", "quantity_of"]


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: `base = value * factor + offset`, in the base unit of its quantity."""

    symbol: str
    quantity: str
    factor: Fraction
    offset: Fraction = Fraction(0)


_PSI_PA = Fraction("0.45359237") * Fraction("9.80665") / Fraction("0.0254") ** 2
_INCH_UM = Fraction(25400)
_FT2_M2 = Fraction("0.3048") ** 2

# (symbol, other spellings, quantity, factor to the base unit, offset)
_TABLE: tuple[tuple[str, tuple[str, ...], str, Fraction, Fraction], ...] = (
    ("um", ("µm", "μm", "micron", "microns"), "length", Fraction(1), Fraction(0)),
    ("nm", (), "length", Fraction(1, 1000), Fraction(0)),
    ("angstrom", ("å",), "length", Fraction(1, 10_000), Fraction(0)),
    ("mm", (), "length", Fraction(1000), Fraction(0)),
    ("cm", (), "length", Fraction(10_000), Fraction(0)),
    ("m", (), "length", Fraction(1_000_000), Fraction(0)),
    ("mil", ("mils", "thou"), "length", _INCH_UM / 1000, Fraction(0)),
    ("in", ("inch", "inches"), "length", _INCH_UM, Fraction(0)),
    ("ft", ("feet", "foot"), "length", _INCH_UM * 12, Fraction(0)),
    ("pa", (), "pressure", Fraction(1, 1000), Fraction(0)),
    ("kpa", (), "pressure", Fraction(1), Fraction(0)),
    ("mbar", ("hpa",), "pressure", Fraction(1, 10), Fraction(0)),
    ("bar", (), "pressure", Fraction(100), Fraction(0)),
    ("psi", ("psig",), "pressure", _PSI_PA / 1000, Fraction(0)),
    ("c", ("°c", "degc", "celsius"), "temperature", Fraction(1), Fraction(0)),
    ("f", ("°f", "degf", "fahrenheit"), "temperature", Fraction(5, 9), Fraction(-160, 9)),
    ("m2", ("m²",), "area", Fraction(1), Fraction(0)),
    ("ft2", ("ft²", "sqft"), "area", _FT2_M2, Fraction(0)),
    ("ml", ("cm3", "cc"), "volume", Fraction(1), Fraction(0)),
    ("l", ("litre", "liter"), "volume", Fraction(1000), Fraction(0)),
    ("floz", ("fl oz",), "volume", Fraction(231) * Fraction("2.54") ** 3 / 128, Fraction(0)),
    ("ohm", ("Ω", "ω"), "resistance", Fraction(1), Fraction(0)),
    ("kohm", ("kΩ", "kω"), "resistance", Fraction(1000), Fraction(0)),
    ("mohm", ("megohm", "MΩ", "mω"), "resistance", Fraction(1_000_000), Fraction(0)),
    ("gohm", ("GΩ", "gω"), "resistance", Fraction(1_000_000_000), Fraction(0)),
    ("s", ("sec", "second", "seconds"), "time", Fraction(1), Fraction(0)),
    ("min", ("minute", "minutes"), "time", Fraction(60), Fraction(0)),
    ("h", ("hour", "hours"), "time", Fraction(3600), Fraction(0)),
    ("pct", ("%", "percent"), "share", Fraction(1), Fraction(0)),
    ("fraction", ("share",), "share", Fraction(100), Fraction(0)),
    ("mm2_s", ("mm2/s", "cst", "mm²/s"), "kinematic viscosity", Fraction(1), Fraction(0)),
    ("kg_m3", ("kg/m3", "kg/m³"), "density", Fraction(1), Fraction(0)),
    ("g_ml", ("g/ml", "g/cm3", "g/cm³", "kg/l"), "density", Fraction(1000), Fraction(0)),
)

_BY_NAME: dict[str, Unit] = {}
for _symbol, _others, _quantity, _factor, _offset in _TABLE:
    _unit = Unit(_symbol, _quantity, _factor, _offset)
    for _name in (_symbol, *_others):
        _BY_NAME[_name.lower()] = _unit


def known(quantity: str | None = None) -> list[str]:
    """Return the symbols known, of one quantity if it is named.

    Examples
    --------
    >>> known("pressure")
    ['pa', 'kpa', 'mbar', 'bar', 'psi']
    """
    return [row[0] for row in _TABLE if quantity is None or row[2] == quantity]


def find(name: str) -> Unit:
    """Return the unit called `name`, in any letter case.

    Raises
    ------
    UnitError
        No unit has this name.

    Examples
    --------
    >>> find("psi").quantity
    'pressure'
    >>> find("furlong")
    Traceback (most recent call last):
    ...
    auditkit.errors.UnitError: 'furlong' is not a unit known here; known are um, nm, angstrom, mm, cm, m, mil, ...
    """
    unit = _BY_NAME.get(name.strip().lower())
    if unit is None:
        shown = ", ".join(known()[:7])
        raise UnitError(f"{name!r} is not a unit known here; known are {shown}, ...")
    return unit


def quantity_of(name: str) -> str:
    """Return the quantity a unit measures.

    Examples
    --------
    >>> quantity_of("mil")
    'length'
    """
    return find(name).quantity


@overload
def convert(value: float, source: str, target: str, *, decimals: int | None = None) -> float: ...
@overload
def convert(
    value: npt.NDArray[np.float64], source: str, target: str, *, decimals: int | None = None
) -> npt.NDArray[np.float64]: ...
def convert(
    value: float | npt.NDArray[np.float64], source: str, target: str, *, decimals: int | None = None
) -> float | npt.NDArray[np.float64]:
    """Convert numbers from one unit to another of the same quantity.

    Parameters
    ----------
    value : float or ndarray
        Number or numbers `[source]`.
    source, target : str
        Units by any spelling `find` knows.
    decimals : int, optional
        Round the result half to even; left out, nothing is rounded. Nothing
        is rounded either where the two units are the same.

    Returns
    -------
    float or ndarray
        `[target]`

    Raises
    ------
    UnitError
        The units measure different quantities.

    Examples
    --------
    >>> convert(2.4, "mil", "um", decimals=2)
    60.96
    >>> round(convert(5, "psi", "kPa"), 4)
    34.4738
    >>> convert(70.0, "F", "C", decimals=1)
    21.1
    >>> convert(1.0, "psi", "um")
    Traceback (most recent call last):
    ...
    auditkit.errors.UnitError: 'psi' measures pressure and 'um' length;
    give a unit of length: um, nm, angstrom, mm, cm, m, mil, in, ft
    """
    here, there = find(source), find(target)
    if here.quantity != there.quantity:
        raise UnitError(
            f"{source!r} measures {here.quantity} and {target!r} {there.quantity}; "
            f"give a unit of {there.quantity}: {', '.join(known(there.quantity))}"
        )
    if here == there:
        return value
    factor = here.factor / there.factor
    offset = (here.offset - there.offset) / there.factor
    if isinstance(value, (int, float)):
        exact = Fraction(value) * factor + offset
        return float(exact) if decimals is None else float(round(exact, decimals))
    result: npt.NDArray[np.float64] = value * (factor.numerator / factor.denominator) + (
        offset.numerator / offset.denominator
    )
    return result if decimals is None else result.round(decimals)
