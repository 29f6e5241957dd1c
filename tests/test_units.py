"""Units: exact factors from their definitions."""

from fractions import Fraction

import numpy as np
import pytest

from auditkit import units
from auditkit.errors import UnitError

# Definitions: inch 25.4 mm and pound 0.45359237 kg (international agreement, 1959); g 9.80665 m/s2 (3rd CGPM, 1901);
# US gallon 231 cubic inches. NIST Special Publication 811, Appendix B, prints the rounded factors below (from memory).
PRINTED = [
    (1, "mil", "um", 25.4, 12),
    (1, "psi", "kPa", 6.894757, 6),
    (1, "bar", "kPa", 100.0, 12),
    (1, "ft2", "m2", 0.09290304, 12),
    (1, "ft", "m", 0.3048, 12),
    (1, "floz", "ml", 29.57353, 5),
    (212, "F", "C", 100.0, 12),
    (-40, "F", "C", -40.0, 12),
    (1, "Mohm", "ohm", 1e6, 0),
    (1, "h", "s", 3600.0, 0),
    (1, "g/cm3", "kg/m3", 1000.0, 12),
    (1250, "kg_m3", "kg/l", 1.25, 12),
]


@pytest.mark.parametrize(("value", "source", "target", "printed", "digits"), PRINTED)
def test_printed_factors(value, source, target, printed, digits):
    assert units.convert(value, source, target) == pytest.approx(printed, abs=0.5 * 10.0**-digits)


def test_arrays_convert_like_numbers_and_are_left_alone():
    given = np.array([2.4, 3.05, 0.1])
    before = given.copy()
    converted = units.convert(given, "mil", "um", decimals=2)
    assert converted.tolist() == [units.convert(float(x), "mil", "um", decimals=2) for x in given]
    assert (given == before).all()


def test_rounding_makes_the_number_a_person_would_write():
    # 2.4 mil is 60.96 um; without rounding the product carries binary dust.
    assert units.convert(np.array([2.4]), "mil", "um", decimals=2)[0] == 60.96


def test_the_same_unit_changes_nothing_not_even_by_rounding():
    assert units.convert(60.9637, "um", "micron", decimals=2) == 60.9637


def test_there_and_back_is_exact_for_fractions():
    assert (
        units.find("psi").factor * 1000
        == Fraction(45359237, 10**8) * Fraction(980665, 10**5) / Fraction(254, 10**4) ** 2
    )


@pytest.mark.parametrize("unit", units.known())
def test_every_unit_goes_there_and_back(unit):
    base = units.known(units.quantity_of(unit))[0]
    assert units.convert(units.convert(7.25, unit, base), base, unit) == pytest.approx(7.25, rel=1e-12)


def test_messages_say_what_must_hold():
    with pytest.raises(UnitError, match=r"'psi' measures pressure and 'um' length; give a unit of length: um, nm"):
        units.convert(1.0, "psi", "um")
    with pytest.raises(UnitError, match=r"'stone' is not a unit known here; known are um"):
        units.find("stone")
