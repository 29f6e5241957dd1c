"""Cells that hold words: free text, a choice of words, or yes and no."""

from __future__ import annotations

import datetime as dt
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal

from auditkit.contracts.catalogue import Wording, word
from auditkit.contracts.contract import Column
from auditkit.contracts.strictness import near_match

__all__ = ["SheetError", "as_text", "choice_reader", "read_text_cell", "read_yes_no", "trim", "what_cell_holds"]

_YES_NO = {"yes": True, "true": True, "y": True, "1": True, "no": False, "false": False, "n": False, "0": False}
_LAYOUT = "\t\n\r"
# zero-width and direction marks make two texts that look alike differ
_HIDDEN = frozenset("\u200b\u2060\ufeff\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


@dataclass(frozen=True, slots=True)
class SheetError:
    """An error value in a spreadsheet cell, such as #N/A."""

    text: str


def trim(text: str) -> str:
    """Return text without the blanks around it, of whatever width.

    Examples
    --------
    >>> trim("\\u00a0 A1 \\u200b")
    'A1'
    """
    return text.strip().strip("\ufeff\u200b").strip()


def as_text(cell: object) -> str:
    """Return a cell as received, as text for the ledger.

    Examples
    --------
    >>> as_text(3.0), as_text(None), as_text(dt.time(9, 5)), as_text(SheetError("#N/A"))
    ('3', '', '09:05:00', '#N/A')
    """
    if cell is None:
        return ""
    if isinstance(cell, SheetError):
        return cell.text
    if isinstance(cell, float) and cell.is_integer() and abs(cell) < 1e15:
        return str(int(cell))
    if isinstance(cell, (dt.datetime, dt.date, dt.time)):
        return cell.isoformat(sep=" ") if isinstance(cell, dt.datetime) else cell.isoformat()
    return str(cell)


def what_cell_holds(cell: object) -> str:
    """Return what kind of thing a cell holds, in words."""
    if isinstance(cell, bool):
        return "true or false"
    if isinstance(cell, (int, float, Decimal)):
        return "a number"
    if isinstance(cell, dt.timedelta):
        return "a duration"
    if isinstance(cell, (dt.datetime, dt.date, dt.time)):
        return "a date or time"
    return "text" if isinstance(cell, str) else "no single value"


def read_text_cell(cell: object) -> str | Wording:
    """Return the text of a cell, or what is wrong with it.

    A whole number in a spreadsheet cell is taken as it is shown; dates and
    true or false are refused, since a spreadsheet may have made them of text.

    Examples
    --------
    >>> read_text_cell(12.0), read_text_cell("bow\\tport")
    ('12', 'bow\\tport')
    >>> read_text_cell("A\\x07").holds
    'must be plain text; it holds the control character BELL'
    """
    if isinstance(cell, (int, float, Decimal)) and not isinstance(cell, bool):
        return as_text(cell)
    if not isinstance(cell, str):
        return word("text cell", {"what": what_cell_holds(cell)})
    if cell.isprintable():
        return cell
    for letter in cell:
        if (unicodedata.category(letter) in ("Cc", "Cs") and letter not in _LAYOUT) or letter in _HIDDEN:
            code = unicodedata.name(letter, _CONTROL_NAMES.get(letter, f"U+{ord(letter):04X}"))
            return word("control", {"code": code, "point": f"{ord(letter):04X}"})
    return cell


_CONTROL_NAMES = {"\x00": "NULL", "\x07": "BELL", "\x08": "BACKSPACE", "\x1b": "ESCAPE"}


def choice_reader(column: Column) -> Callable[[object], str | Wording]:
    """Return a function that reads one cell as a word of the column's choices, in any letter case.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> read = choice_reader(contract("defects").column("defect"))
    >>> read("Dry Spray")
    'dry spray'
    >>> read("dry-spray").cure
    "did you mean 'dry spray'? correct the word, or give it under values in dossier.yaml"
    """
    by_fold = {choice.casefold(): choice for choice in column.choices}

    def read(cell: object) -> str | Wording:
        text = read_text_cell(cell)
        if isinstance(text, Wording):
            return text
        found = by_fold.get(text.casefold())
        if found is not None:
            return found
        near = near_match(text, column.choices)
        hint = f"did you mean {near!r}? " if near else ""
        return word("choice", {"choices": ", ".join(column.choices), "near": hint})

    return read


def read_yes_no(cell: object) -> bool | Wording:
    """Return the answer a cell gives, or what is wrong with it.

    Examples
    --------
    >>> read_yes_no("Y"), read_yes_no("FALSE"), read_yes_no(1.0), read_yes_no("ok").rule
    (True, False, True, 'type')
    """
    if isinstance(cell, bool):
        return cell
    found = _YES_NO.get(as_text(cell).casefold())
    return word("yes-no") if found is None else found
