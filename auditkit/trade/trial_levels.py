"""Trial levels: at which two values of a condition a crew can spray test panels without leaving its window.

No condition that guards against a spark or a shock is ever tried.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from auditkit.trade.conditions import Condition

__all__ = ["SETTINGS", "Setting", "TrialLevels", "trial_levels"]

_OWN = "own default, no source"


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """How a crew sets one condition.

    Parameters
    ----------
    step : float
        Finest step in which it can be set, in the condition's unit.
    guard : float
        How far what is set may stray; levels keep this far inside the window.
    how : str
        What the crew does.
    hard : bool
        Whether it is so much work to change that several panels are sprayed at each setting.
    least : float, optional
        Least value there can be, for a window that is open below.
    source : str
    """

    step: float
    guard: float
    how: str
    hard: bool = False
    least: float | None = None
    source: str = _OWN


SETTINGS: dict[str, Setting] = {
    "standoff_mm": Setting(step=5, guard=10, how="hold the bell at that distance, with a rod cut to length beside it"),
    "overlap_pct": Setting(step=5, guard=5, how="parallel strokes, each laid over the one before by that share"),
    "follow_through_s": Setting(step=0.5, guard=0.5, how="go on with the stroke for that long after letting go"),
    "pause_min": Setting(step=1, guard=1, least=0, how="wait that long before the panel, without cleaning the bell"),
    "pot_kpa": Setting(step=1, guard=2, how="set at the pot, and read again while spraying"),
    "viscosity_mm2_s": Setting(
        step=1, guard=2, hard=True, how="thin a fresh batch within the maker's data sheet, and time it in the cup"
    ),
    "brush_wear_pct": Setting(step=5, guard=5, least=0, hard=True, how="supply locked off: fit a brush of that wear"),
    "bell_used_d": Setting(step=1, guard=0, least=0, hard=True, how="supply locked off: fit a bell used that long"),
    "filter_used_d": Setting(step=1, guard=0, least=0, hard=True, how="supply locked off: fit a filter used that long"),
}
"""How each condition is set; what is not here cannot be set by a crew."""

_NOT_SET: dict[str, str] = {
    "standoff_spread_mm": "it is what the hand does in a run and cannot be set; it is written down beside each panel",
    "delivery_ratio": "it follows from paint, hose and filter and cannot be set by itself",
    "humidity_pct": "the weather cannot be set; panels are blocked by day, and the day's weather is written down",
    "surface_margin_c": "the weather cannot be set; panels are blocked by day, and the day's weather is written down",
    "brush_inspected_d": "looking at a part changes what is known of it, not the paint",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialLevels:
    """Two levels of one condition inside its window, or why there are none.

    Parameters
    ----------
    condition, title, unit : str
    low, high : float
        In the condition's unit; NaN where there are none.
    middle : float
        NaN where the middle is not one a crew can set.
    hard : bool
        Whether it is hard to change.
    how : str
        How it is set.
    source : str
        Where the window comes from, and where step and guard do.
    why : str
        Why there are none; blank where there are.
    """

    condition: str
    title: str
    unit: str
    low: float
    high: float
    middle: float
    hard: bool
    how: str
    source: str
    why: str


def trial_levels(condition: Condition, *, settings: Mapping[str, Setting] = SETTINGS) -> TrialLevels:
    """Return two levels of a condition at which test panels can be sprayed.

    Parameters
    ----------
    condition : Condition
        With its window.
    settings : mapping of str to Setting
        How conditions are set.

    Returns
    -------
    TrialLevels
        Inside the window by the guard, rounded inwards to the step, and at
        least twice the guard apart.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> known = load_conditions()
    >>> found = trial_levels(known["standoff_mm"])
    >>> found.low, found.high, found.middle
    (160.0, 190.0, 175.0)
    >>> trial_levels(known["part_ground_ohm"]).why
    'a limit of safety is never tried: stay inside it in every run'
    """
    setting = settings.get(condition.name)
    if condition.stop_work:
        return _none(condition, setting, "a limit of safety is never tried: stay inside it in every run")
    if setting is None:
        why = _NOT_SET.get(condition.name, "it is not known how a crew would set it")
        return _none(condition, setting, why)
    low = condition.low if condition.low is not None else setting.least
    high = condition.high
    if low is None or high is None:
        why = "no safe window with two sides is known; declare one from the coating maker's data sheet"
        return _none(condition, setting, why)
    guard = setting.guard + (setting.step / 2.0 if condition.limit_is_outside and not setting.guard else 0.0)
    lowest = low + (guard if condition.low is not None else 0.0)
    least = _on_step(lowest, setting.step, up=True)
    most = _on_step(high - guard, setting.step, up=False)
    if most - least < max(2.0 * setting.guard, setting.step) - 1e-9:
        why = f"its window ({_window(condition)}) leaves no room for two levels: one of them would lie outside"
        return _none(condition, setting, why)
    middle = (least + most) / 2.0
    return TrialLevels(
        condition=condition.name,
        title=condition.title,
        unit=condition.unit,
        low=least,
        high=most,
        middle=middle if abs(_on_step(middle, setting.step, up=True) - middle) < 1e-9 else float("nan"),
        hard=setting.hard,
        how=setting.how,
        source=f"window: {condition.source}; step and guard: {setting.source}",
        why="",
    )


def _on_step(value: float, step: float, *, up: bool) -> float:
    """Return the nearest multiple of the step that is not below (up) or not above the value."""
    count = value / step
    return float((math.ceil(count - 1e-9) if up else math.floor(count + 1e-9)) * step)


def _window(condition: Condition) -> str:
    low, high = condition.low, condition.high
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


def _none(condition: Condition, setting: Setting | None, why: str) -> TrialLevels:
    nan = float("nan")
    return TrialLevels(
        condition=condition.name,
        title=condition.title,
        unit=condition.unit,
        low=nan,
        high=nan,
        middle=nan,
        hard=setting is not None and setting.hard,
        how="" if setting is None else setting.how,
        source=condition.source,
        why=why,
    )
