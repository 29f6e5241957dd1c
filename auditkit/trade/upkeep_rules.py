"""Upkeep rules: how often a part is looked at, cleaned and replaced, and what restores it.

The figures stand as data in `schemas/upkeep_rules.yaml`, each with its source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import yaml

from auditkit.errors import DeclarationError, Fault
from auditkit.paths import schemas_folder
from auditkit.trade.upkeep import PARTS

__all__ = ["CLOGGED", "WORN", "PartRule", "UpkeepRules", "load_upkeep_rules"]

WORN = "worn"
"""Worn, leaking, kinked or damaged: undone by a replacement alone."""

CLOGGED = "clogged"
"""Clogged, of a part that cleaning restores: undone by cleaning or replacement."""

_INTERVALS = ("inspect_every_d", "clean_every_d", "replace_every_d")
_NUMBERS = (*_INTERVALS, "wear_limit_pct")
_KEYS = frozenset({*_NUMBERS, "cleaning_restores", "source"})
_FIGURES = ("overdue_probability", "least_failures", "wear_slack_pct", "late_note_d")


@dataclass(frozen=True, slots=True, kw_only=True)
class PartRule:
    """How one part is kept.

    Parameters
    ----------
    part : str
    source : str
        Where the figures come from.
    cleaning_restores : bool
        Whether a cleaning undoes clogging.
    wear_limit_pct : float, optional
        Wear from which it counts as worn `[%]`.
    inspect_every_d, clean_every_d, replace_every_d : float, optional
        Longest time between, in days of use `[d]`; None where there is none.
    """

    part: str
    source: str
    cleaning_restores: bool = False
    wear_limit_pct: float | None = None
    inspect_every_d: float | None = None
    clean_every_d: float | None = None
    replace_every_d: float | None = None

    @property
    def modes(self) -> tuple[str, ...]:
        """In which ways it goes bad."""
        return (WORN, CLOGGED) if self.cleaning_restores else (WORN,)


@dataclass(frozen=True, slots=True, kw_only=True)
class UpkeepRules:
    """How all parts are kept.

    Parameters
    ----------
    parts : mapping of str to PartRule
        Every part, from the pot to the bell.
    overdue_probability : float
        A part more likely bad than this is overdue `[-]`.
    least_failures : int
        With fewer failures the life of a part is not estimated.
    wear_slack_pct : float
        Two readings of one wear may differ by this much `[%]`.
    late_note_d : float
        Calendar days after the last run within which a note is believed `[d]`.
    """

    parts: Mapping[str, PartRule]
    overdue_probability: float
    least_failures: int
    wear_slack_pct: float
    late_note_d: float


def load_upkeep_rules(path: Path | None = None) -> UpkeepRules:
    """Return the rules of `upkeep_rules.yaml`.

    Raises
    ------
    DeclarationError
        A part is unknown or not there, a key is unknown, a source is not
        given, or a figure is not a number above 0.

    Examples
    --------
    >>> rules = load_upkeep_rules()
    >>> rules.parts["brush"].wear_limit_pct, rules.parts["filter"].modes
    (50.0, ('worn', 'clogged'))
    """
    path = path or schemas_folder() / "upkeep_rules.yaml"
    document = yaml.safe_load(path.read_text(encoding="utf-8"))
    entries = document.get("parts", {})
    unlike = sorted(set(entries) ^ set(PARTS))
    if unlike:
        raise _error(f"{path.name}, parts", f"must be {', '.join(PARTS)}", f"also or not {', '.join(unlike)}")
    figures = {name: _figure(document.get(name), f"{path.name}, {name}") for name in _FIGURES}
    if not figures["overdue_probability"] < 1:
        raise _error(
            f"{path.name}, overdue_probability", "must lie between 0 and 1", f"{figures['overdue_probability']:g}"
        )
    return UpkeepRules(
        parts={part: _part_rule(part, entries[part], f"{path.name}, parts.{part}") for part in PARTS},
        overdue_probability=figures["overdue_probability"],
        least_failures=int(figures["least_failures"]),
        wear_slack_pct=figures["wear_slack_pct"],
        late_note_d=figures["late_note_d"],
    )


def _part_rule(part: str, entry: Mapping[str, object], where: str) -> PartRule:
    unknown = sorted(set(entry) - _KEYS)
    if unknown:
        raise _error(where, f"keys must be among {', '.join(sorted(_KEYS))}", ", ".join(unknown))
    if "source" not in entry:
        raise _error(where, "must say where its figures come from", "no source")
    numbers = {name: _number(entry[name], f"{where}.{name}") for name in _NUMBERS if name in entry}
    restores = entry.get("cleaning_restores", False)
    if not isinstance(restores, bool):
        raise _error(f"{where}.cleaning_restores", "must be true or false", repr(restores))
    return PartRule(part=part, source=str(entry["source"]), cleaning_restores=restores, **numbers)


def _figure(entry: object, where: str) -> float:
    if not isinstance(entry, Mapping) or set(entry) != {"value", "source"}:
        raise _error(where, "must be a mapping of value and source", repr(entry))
    return _number(entry["value"], f"{where}.value")


def _number(value: object, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not (math.isfinite(value) and value > 0):
        raise _error(where, "must be a number above 0", repr(value))
    return float(value)


def _error(where: str, holds: str, given: str) -> DeclarationError:
    return DeclarationError(Fault(where=where, holds=holds, given=given, cure="correct the file of upkeep rules"))
