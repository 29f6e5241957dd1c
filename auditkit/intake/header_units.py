"""Units that headers name, held against the units the cells would be read in."""

from __future__ import annotations

import re

from auditkit import units
from auditkit.errors import UnitError

__all__ = ["unit_for", "units_in_header"]

_TOKEN = re.compile(r"[^\W_]+(?:/[^\W_]+)?|%|°\s?[a-z]\b")
# spellings of several words, written as the one word that is known
_SPELLINGS = (
    (re.compile(r"\bsq(?:uare)?\.?\s*(?:ft|feet|foot)\b"), "ft2"),
    (re.compile(r"\b(k|m|g)\s+(?:ohms?|ω)(?!\w)"), r"\1ohm"),
    (re.compile(r"\bkilo\s?ohms?\b"), "kohm"),
    (re.compile(r"\bmega\s?ohms?\b"), "mohm"),
    (re.compile(r"\bgiga\s?ohms?\b"), "gohm"),
    (re.compile(r"\bfl\.?\s+oz\b"), "floz"),
    (re.compile(r"\b(m|ft)\s?\^\s?2"), r"\g<1>2"),
)
# words of plain language that happen to be the name of a unit
_PLAIN_WORDS = frozenset({"foot", "second", "share", "thou"})
# these may as well be a word or a letter of another meaning, so they count only where units stand
_SHORT = frozenset({"in", "m", "c", "f", "l", "s", "h", "å"})
_LONE_LETTERS = frozenset({"m", "l", "s", "h"})
_BRACKETS = re.compile(r"[(\[<{]([^)\]>}]*)[)\]>}]")


def units_in_header(header: str, quantity: str) -> list[str]:
    """Return the units of one quantity that a header names, by symbol, in the order they stand.

    Only units of the quantity count, so `Min` is no minute of a thickness. One
    letter and `in` count only at the end of a header or of what is in brackets.

    Examples
    --------
    >>> units_in_header("Min mil", "length"), units_in_header("Min", "length")
    (['mil'], [])
    >>> units_in_header("Caught in s", "time"), units_in_header("Distance in", "length")
    (['s'], ['in'])
    >>> units_in_header("Temp (F) of metal", "temperature"), units_in_header("F stop", "temperature")
    (['f'], [])
    """
    text = header.casefold()
    for pattern, spelling in _SPELLINGS:
        text = pattern.sub(spelling, text)
    tokens = _TOKEN.findall(text)
    marked = set(tokens[-1:]) if len(tokens) > 1 else set(tokens) - _LONE_LETTERS
    marked |= {token for inside in _BRACKETS.findall(text) for token in _TOKEN.findall(inside)[-1:]}
    found = []
    for token in tokens:
        if token in _PLAIN_WORDS or (token in _SHORT and token not in marked):
            continue
        symbol = _symbol(token, quantity)
        if symbol is not None and symbol not in found:
            found.append(symbol)
    return found


def _symbol(token: str, quantity: str) -> str | None:
    """Return the symbol of the unit a token names, in the singular or plural, if it is one of the quantity."""
    plain = token.replace(" ", "")
    for name in (plain, plain[:-1] if len(plain) > 3 and plain.endswith("s") else plain):
        try:
            unit = units.find(name)
        except UnitError:
            continue
        if unit.quantity == quantity:
            return unit.symbol
    return None


def unit_for(header: str, unit: str) -> str | None:
    """Return the unit a header names where cells would be read in another, or None where the two agree.

    Parameters
    ----------
    header : str
    unit : str
        Unit the cells under it would be read in.

    Examples
    --------
    >>> unit_for("Pot psi", "kPa"), unit_for("Pot psi", "psi"), unit_for("Pot", "kPa")
    ('psi', None, None)
    >>> unit_for("Part Mohm", "ohm"), unit_for("Thickness in um", "um")
    ('mohm', None)
    """
    held = units.find(unit)
    named = units_in_header(header, held.quantity)
    return None if not named or held.symbol in named else named[-1]
