"""Cells that hold numbers: read one way only, or set aside with the reason."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from decimal import Decimal

from auditkit import units
from auditkit.contracts.catalogue import Wording, word
from auditkit.contracts.contract import Column
from auditkit.errors import UnitError
from auditkit.intake.declaration import Reading
from auditkit.intake.word_cells import what_cell_holds

__all__ = ["OPEN_CIRCUIT_OHM", "OPEN_CIRCUIT_WORDS", "number_reader"]

OPEN_CIRCUIT_OHM = 1e18
"""Resistance as which an open circuit is held, the most that a contract admits `[ohm]`."""

OPEN_CIRCUIT_WORDS = ("OL", "O.L", "OVER", ">MAX", "∞", "inf", "open")
"""What a meter shows, or its reader writes, of a resistance over the meter's range; in any letter case."""

_MARKS = {",": ",", ".": r"\.", "space": "[ \u00a0\u202f]"}
_UNIT = re.compile(r"([+-]?[0-9][0-9.,]*)\s*([^0-9\s.,+-].*)")
_GROUPED = re.compile(r"([+-]?)([0-9]+(?:[., \u00a0\u202f][0-9]+)+)")
_THREES = re.compile(r"[1-9][0-9]{0,2}[., \u00a0\u202f][0-9]{3}")
_LARGEST_WHOLE = 10**15
_OPEN = frozenset(word.casefold() for word in OPEN_CIRCUIT_WORDS)


def number_reader(column: Column, reading: Reading) -> Callable[[object], float | int | Wording]:
    """Return a function that reads one cell as a number, or says what is wrong with it.

    A decimal point is read without being declared; every other mark must be
    declared, and a thousands mark must stand before groups of three digits.
    A resistance over the meter's range is read as infinite, and no other
    number is.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> read = number_reader(contract("film_readings").column("dft_um"), Reading(decimal=",", thousands="."))
    >>> read("1.234,5"), read("7,45e1"), read("7.45").rule
    (1234.5, 74.5, 'type')
    """
    decimal = reading.decimal or (None if reading.thousands == "." else ".")
    thousands = reading.thousands if reading.thousands in _MARKS else None
    whole = "[0-9]+" if thousands is None else rf"[0-9]{{1,3}}(?:{_MARKS[thousands]}[0-9]{{3}})+|[0-9]+"
    mark = None if decimal is None else _MARKS[decimal]
    number = rf"(?:{whole})" if mark is None else rf"(?:(?:{whole})(?:{mark}[0-9]*)?|{mark}[0-9]+)"
    pattern = re.compile(rf"[+-]?{number}(?:[eE][+-]?[0-9]+)?")
    grouping = None if thousands is None else re.compile(_MARKS[thousands])
    is_resistance = column.unit is not None and units.quantity_of(column.unit) == "resistance"

    def read(cell: object) -> float | int | Wording:
        if is_resistance and _is_open_circuit(cell):
            return math.inf
        if isinstance(cell, str):
            if pattern.fullmatch(cell) is None:
                return _diagnosis(cell, column, reading)
            plain = cell if grouping is None else grouping.sub("", cell)
            value = float(plain if decimal is None else plain.replace(decimal, "."))
        elif isinstance(cell, (int, float, Decimal)) and not isinstance(cell, bool):
            value = float(cell)
        else:
            return word("number cell", {"what": what_cell_holds(cell)})
        if not math.isfinite(value):
            return word("finite")
        return _whole(value) if column.kind == "integer" else value

    return read


def _is_open_circuit(cell: object) -> bool:
    return cell.casefold() in _OPEN if isinstance(cell, str) else isinstance(cell, float) and cell == math.inf


def _whole(value: float) -> int | Wording:
    if value != int(value):
        return word("integer")
    return int(value) if abs(value) < _LARGEST_WHOLE else word("large integer")


def _diagnosis(text: str, column: Column, reading: Reading) -> Wording:
    """Return why a text is not a number by the marks declared."""
    if text.casefold().lstrip("+-") in ("nan", "inf", "infinity"):
        return word("finite")
    if any(letter.isdecimal() and not letter.isascii() for letter in text):
        return word("digits")
    with_unit = _UNIT.fullmatch(text)
    if with_unit is not None and _is_unit(with_unit[2], column):
        return word("number with unit", {"number": with_unit[1], "column": column.name, "unit": with_unit[2].strip()})
    grouped = _GROUPED.fullmatch(text)
    return word("number") if grouped is None else _mark_diagnosis(grouped[2], grouped[1], reading)


def _is_unit(text: str, column: Column) -> bool:
    """Return whether a text is a unit in which the column could be given."""
    try:
        return column.unit is not None and units.quantity_of(text) == units.quantity_of(column.unit)
    except UnitError:
        return False


def _mark_diagnosis(digits: str, sign: str, reading: Reading) -> Wording:
    """Return what is unclear or wrong about the marks between the digits."""
    marks = ["space" if mark not in ".," else mark for mark in re.findall(r"[^0-9]", digits)]
    if reading.decimal is None and reading.thousands is None:
        if marks == [","] and _THREES.fullmatch(digits):
            left, right = digits.split(",")
            given = {"as_decimal": f"{sign}{left}.{right}", "as_thousand": f"{sign}{left} {right}"}
            return word("number or thousand", given)
        if marks[-1] == "," and marks.count(",") == 1:
            return word("decimal undeclared", {"mark": ","})
        return word("thousands undeclared", {"mark": _quoted(marks[0])})
    if reading.thousands is None and marks[0] != reading.decimal:
        whole = digits.partition(reading.decimal)[0] if reading.decimal else digits
        if re.fullmatch(r"[0-9]{1,3}(?:[., \u00a0\u202f][0-9]{3})+", whole):
            return word("thousands undeclared", {"mark": _quoted(marks[0])})
    return word(
        "number marks", {"decimal": _quoted(reading.decimal or "."), "thousands": _quoted(reading.thousands or "none")}
    )


def _quoted(mark: str) -> str:
    return f"'{mark}'" if mark in ".," else mark
