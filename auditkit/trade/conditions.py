"""Conditions: what may cause a defect, and the window each should lie in.

The windows stand as data in `schemas/conditions.yaml`, each with its source; a
dossier may override them.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd
import yaml

from auditkit.errors import DeclarationError, Fault
from auditkit.paths import schemas_folder

__all__ = ["Condition", "load_conditions", "override_windows", "side_of_window"]

_KNOWN_KEYS = frozenset({"title", "unit", "low", "high", "source", "sense", "at_limit", "not_for", "stop_work"})
_OVERRIDABLE = ("low", "high")


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """One condition and its window.

    Parameters
    ----------
    name : str
        Column of the timeline that holds it.
    title, unit, source, sense : str
        What it is called, its unit, where the window comes from, and what
        lies outside it does.
    low, high : float, optional
        Window `[unit]`; None leaves that side open, and both None means that
        no window is known, so that nothing can be called outside.
    limit_is_outside : bool
        Whether a value exactly at a limit counts as outside.
    not_for : mapping of str to list of str
        Runs that it does not apply to, as column to values.
    stop_work : bool
        Whether leaving the window is a safety breach.
    """

    name: str
    title: str
    unit: str
    source: str
    sense: str
    low: float | None = None
    high: float | None = None
    limit_is_outside: bool = False
    not_for: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    stop_work: bool = False

    @property
    def has_window(self) -> bool:
        """Whether at least one side of the window is known."""
        return self.low is not None or self.high is not None


def load_conditions(path: Path | None = None) -> dict[str, Condition]:
    """Return the conditions of `conditions.yaml`, by name, in the file's order.

    Raises
    ------
    DeclarationError
        An entry has an unknown key, or lacks a title, unit, source or sense.

    Examples
    --------
    >>> load_conditions()["standoff_mm"].high
    200.0
    """
    path = path or schemas_folder() / "conditions.yaml"
    document = yaml.safe_load(path.read_text(encoding="utf-8"))
    return {name: _condition(name, entry, path) for name, entry in document["conditions"].items()}


def _condition(name: str, entry: dict[str, object], path: Path) -> Condition:
    where = f"{path.name}, conditions.{name}"
    unknown = sorted(set(entry) - _KNOWN_KEYS)
    if unknown:
        known = ", ".join(sorted(_KNOWN_KEYS))
        raise _error(where, f"keys must be among {known}", ", ".join(unknown), "correct the spelling or remove the key")
    missing = [key for key in ("title", "unit", "source", "sense") if key not in entry]
    if missing:
        raise _error(where, "title, unit, source and sense must be given", f"no {', '.join(missing)}", "add them")
    not_for = entry.get("not_for", {})
    if not isinstance(not_for, dict):
        raise _error(f"{where}.not_for", "must map columns to lists of values", repr(not_for), "write it as a mapping")
    return Condition(
        name=name,
        title=str(entry["title"]),
        unit=str(entry["unit"]),
        source=str(entry["source"]),
        sense=str(entry["sense"]),
        low=_limit(entry.get("low"), f"{where}.low"),
        high=_limit(entry.get("high"), f"{where}.high"),
        limit_is_outside=entry.get("at_limit") == "outside",
        not_for={column: tuple(values) for column, values in not_for.items()},
        stop_work=bool(entry.get("stop_work", False)),
    )


def _error(where: str, holds: str, given: str, cure: str) -> DeclarationError:
    return DeclarationError(Fault(where=where, holds=holds, given=given, cure=cure))


def _limit(value: object, where: str) -> float | None:
    if value is None:
        return None
    try:
        return float(str(value))
    except ValueError:
        raise _error(where, "must be a number", repr(value), "give a number, or leave it out") from None


def override_windows(
    conditions: Mapping[str, Condition], overrides: Mapping[str, Mapping[str, object]]
) -> dict[str, Condition]:
    """Return the conditions with the windows that a dossier declares put in place.

    Raises
    ------
    DeclarationError
        An override names no known condition, has a key other than low and
        high, or puts low above high.

    Examples
    --------
    >>> known = load_conditions()
    >>> override_windows(known, {"standoff_mm": {"high": 220}})["standoff_mm"].source
    'declared in dossier.yaml (low 150, high 220)'
    """
    result = dict(conditions)
    for name, limits in overrides.items():
        where = f"dossier.yaml, conditions.{name}"
        if name not in conditions:
            raise _error(where, f"must be a known condition: {', '.join(conditions)}", name, "correct the name")
        if not isinstance(limits, Mapping):
            raise _error(where, "must be a mapping such as {low: 1, high: 2}", repr(limits), "write it as one")
        unknown = sorted(map(str, set(limits) - set(_OVERRIDABLE)))
        if unknown:
            raise _error(where, "only low and high can be set", ", ".join(unknown), "remove it")
        low = _limit(limits.get("low", conditions[name].low), f"{where}.low")
        high = _limit(limits.get("high", conditions[name].high), f"{where}.high")
        if low is not None and high is not None and low > high:
            raise _error(where, "low may not exceed high", f"{low:g} > {high:g}", "swap them")
        said = ", ".join(f"{word} {value:g}" for word, value in (("low", low), ("high", high)) if value is not None)
        result[name] = replace(
            conditions[name], low=low, high=high, source=f"declared in dossier.yaml ({said or 'no window'})"
        )
    return result


def side_of_window(runs: pd.DataFrame, condition: Condition) -> pd.Series:
    """Return on which side of a condition's window each run lay.

    Parameters
    ----------
    runs : DataFrame
        One row a run, with the condition's column and those named in its
        `not_for`. Where the condition's column is not there, as that of a
        finding that has not been joined, it is recorded for no run; a column of
        `not_for` that is not there leaves no run out.

    Returns
    -------
    Series of str
        "inside", "below", "above", "not recorded", or "does not apply"; "no
        window" for every value of a condition that has none.

    Examples
    --------
    >>> import pandas as pd
    >>> runs = pd.DataFrame({"standoff_mm": [149.0, 150.0, 230.0, None]})
    >>> side_of_window(runs, load_conditions()["standoff_mm"]).tolist()
    ['below', 'inside', 'above', 'not recorded']
    """
    blank = pd.Series(float("nan"), index=runs.index)
    values = runs.get(condition.name, blank).astype("float64")
    word = "inside" if condition.has_window else "no window"
    side = pd.Series(word, index=runs.index, name=condition.name, dtype="str")
    if condition.low is not None:
        below = values <= condition.low if condition.limit_is_outside else values < condition.low
        side = side.mask(below, "below")
    if condition.high is not None:
        above = values >= condition.high if condition.limit_is_outside else values > condition.high
        side = side.mask(above, "above")
    side = side.mask(values.isna(), "not recorded")
    for column, excluded in condition.not_for.items():
        if column in runs.columns:
            side = side.mask(runs[column].isin(excluded), "does not apply")
    return side
