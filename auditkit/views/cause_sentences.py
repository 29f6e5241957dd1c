"""Causes in words: for each row one sentence for the foreman, and one that a statistician accepts."""

from __future__ import annotations

import math
from collections.abc import Mapping

import pandas as pd

from auditkit.trade.conditions import Condition
from auditkit.views.sentences import share, side_of

__all__ = ["foreman_sentence", "grade_words", "statistician_sentence"]

Row = Mapping[str, object] | pd.Series


def foreman_sentence(row: Row, conditions: Mapping[str, Condition], *, titles: Mapping[str, str] | None = None) -> str:
    """Return what one row of graded causes means for the work.

    Parameters
    ----------
    row : mapping
        One row of `findings.grading.grade_causes`.
    conditions : mapping of str to Condition
        Conditions by name.
    titles : mapping of str to str, optional
        What other columns are called, see `findings.causal_diagram`.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> row = {"defect": "dry spray", "condition": "standoff_mm", "side": "above", "n": 413, "n_outside": 88,
    ...        "found_outside": 31, "risk_observed": 0.104, "difference": 0.046, "low": 0.024, "high": 0.063,
    ...        "grade": "supported", "not_separable_from": (), "not_recorded": (), "why": ""}
    >>> print(foreman_sentence(row, load_conditions()))
    Dry spray: 31 of 88 (35 %) runs with standoff above 200 mm had it; kept inside the window, about 19 of the 43 runs
    with it would likely have been free of it (10 to 26). The records support this.
    """
    place = side_of(conditions[str(row["condition"])], str(row["side"]))
    seen = share(_int(row["found_outside"]), _int(row["n_outside"]))
    start = f"{_first(str(row['defect']))}: {seen} runs with {place} had it"
    if str(row["why"]) or math.isnan(_float(row["difference"])):
        return f"{start}. The records cannot tell whether that had to do with it: {_reason(row)}."
    return f"{start}; {_spared(row)}. {_how_firm(row, conditions)}{_hidden(row, titles or {})}"


def _spared(row: Row) -> str:
    """Return how many runs would have been free of the defect, in whole runs."""
    n = _float(row["n"])
    middle, low, high = (n * _float(row[name]) for name in ("difference", "low", "high"))
    total = round(n * _float(row["risk_observed"]))
    if str(row["grade"]) == "cannot tell":
        return (
            f"kept inside the window, anything from {_more_or_fewer(-high)} to {_more_or_fewer(-low)} runs with it fits"
        )
    if middle > 0:
        reach = f"{max(low, 0):.0f} to {min(high, total):.0f}" if low > 0 else f"perhaps none, at most {high:.0f}"
        return (
            f"kept inside the window, about {middle:.0f} of the {total} runs with it would likely have been free of it "
            f"({reach})"
        )
    reach = f"{-high:.0f} to {-low:.0f}" if high < 0 else f"perhaps none, at most {-low:.0f}"
    return f"it is rarer there, and kept inside the window about {-middle:.0f} more runs would have it ({reach})"


def _more_or_fewer(runs: float) -> str:
    count = round(abs(runs))
    return "0 more" if count == 0 else f"{count} {'more' if runs > 0 else 'fewer'}"


def _how_firm(row: Row, conditions: Mapping[str, Condition]) -> str:
    grade = str(row["grade"])
    if grade == "supported":
        return "The records support this."
    if grade == "leaning":
        return "The records lean this way, but not firmly."
    if grade == "cannot tell":
        return "The records cannot tell."
    return f"But {_partners(row, conditions)} moved with it, and the records cannot tell which of them it is."


def grade_words(row: Row, conditions: Mapping[str, Condition]) -> str:
    """Return the grade of a row in full.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> row = {"grade": "not separable from", "not_separable_from": (("pot_kpa", "above"),)}
    >>> grade_words(row, load_conditions())
    'not separable from pot pressure above 48 kPa'
    """
    grade = str(row["grade"])
    return f"{grade} {_partners(row, conditions)}" if grade == "not separable from" else grade


def _partners(row: Row, conditions: Mapping[str, Condition]) -> str:
    pairs = row["not_separable_from"]
    if not isinstance(pairs, tuple):
        raise TypeError(f"not_separable_from must be a tuple of (condition, side); given {pairs!r}")
    return " and ".join(side_of(conditions[name], side) for name, side in pairs)


def _hidden(row: Row, titles: Mapping[str, str]) -> str:
    names = _titled(row["not_recorded"], titles)
    if not names or str(row["grade"]) == "cannot tell":
        return ""
    return f" {_first(names)} could not be held equal and may have a part in it."


def statistician_sentence(
    row: Row, conditions: Mapping[str, Condition], *, titles: Mapping[str, str] | None = None, confidence: float = 0.95
) -> str:
    """Return one row of graded causes with its estimates, what it was adjusted for, and why it has its grade.

    Parameters
    ----------
    row : mapping
        One row of `findings.grading.grade_causes`.
    conditions : mapping of str to Condition
        Conditions by name.
    titles : mapping of str to str, optional
        What other columns are called.
    confidence : float
        Level of the intervals.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> row = {"defect": "dry spray", "condition": "standoff_mm", "side": "above", "n": 413, "n_outside": 88,
    ...        "found_outside": 31, "clusters": 8, "risk_observed": 0.104, "risk_inside": 0.058, "difference": 0.046,
    ...        "low": 0.024, "high": 0.063, "p": 0.0004, "q": 0.01, "ratio": 1.79, "ratio_low": 1.3, "ratio_high": 2.5,
    ...        "attributable_fraction": 0.44, "af_low": 0.23, "af_high": 0.6, "crude_difference": 0.059,
    ...        "adjusted_for": ("operator_id", "geometry"), "not_recorded": (), "why": "", "grade": "supported",
    ...        "not_separable_from": (), "grade_reason": "clear against chance."}
    >>> print(statistician_sentence(row, load_conditions(), titles={"operator_id": "operator"}))
    Dry spray, standoff above 200 mm (n 413 in 8 clusters, 88 outside): risk 10.4 % as observed, 5.8 % with the
    condition held inside; difference 4.6 points (95 % interval 2.4 to 6.3; p 0.0004, q 0.01), ratio 1.79 (1.30 to
    2.50),
    attributable fraction 44 % (23 to 60), crude difference 5.9 points; adjusted for operator, geometry. Supported:
    clear against chance.
    """
    place = side_of(conditions[str(row["condition"])], str(row["side"]))
    start = f"{_first(str(row['defect']))}, {place} (n {_int(row['n'])}"
    if str(row["why"]) or math.isnan(_float(row["difference"])):
        return f"{start}, {_int(row['n_outside'])} outside): cannot tell, {_reason(row)}."
    named = titles or {}
    adjusted = f"adjusted for {_titled(row['adjusted_for'], named, ', ') or 'nothing'}"
    hidden = _titled(row["not_recorded"], named, ", ")
    unheld = f"; not for {hidden}, for want of records" if hidden else ""
    text = (
        f"{start} in {_int(row['clusters'])} clusters, {_int(row['n_outside'])} outside): risk "
        f"{100 * _float(row['risk_observed']):.1f} % as observed, {100 * _float(row['risk_inside']):.1f} % with the "
        f"condition held inside; difference {_points(row, 'difference')} points ({100 * confidence:g} % interval "
        f"{_points(row, 'low')} to {_points(row, 'high')}; p {_chance(row['p'])}, q {_chance(row['q'])})"
        f"{_relative(row)}, crude difference {_points(row, 'crude_difference')} points; {adjusted}{unheld}. "
    )
    return f"{text}{_first(grade_words(row, conditions))}: {_reason(row)}."


def _relative(row: Row) -> str:
    """Return ratio and attributable fraction; the fraction only where there is one."""
    ratio, low, high = (_float(row[name]) for name in ("ratio", "ratio_low", "ratio_high"))
    text = "" if math.isnan(ratio) else f", ratio {ratio:.2f} ({low:.2f} to {high:.2f})"
    fraction, low, high = (100 * _float(row[name]) for name in ("attributable_fraction", "af_low", "af_high"))
    if math.isnan(fraction):
        return text
    return f"{text}, attributable fraction {fraction:.0f} % ({low:.0f} to {high:.0f})".replace("-", "−")


def _points(row: Row, name: str) -> str:
    return f"{100 * _float(row[name]):.1f}".replace("-0.0", "0.0").replace("-", "−")


def _reason(row: Row) -> str:
    said = str(row.get("grade_reason", "") or row["why"] or "not estimated")
    return said.removesuffix(".")


def _titled(names: object, titles: Mapping[str, str], joint: str = " and ") -> str:
    """Return columns by their titles; what a name says in brackets stays."""
    if not isinstance(names, tuple):
        raise TypeError(f"columns held equal or not recorded must be a tuple of names; given {names!r}")
    parted = [str(name).partition(" (") for name in names]
    return joint.join(_small(titles.get(name, name)) + bracket + rest for name, bracket, rest in parted)


def _small(text: str) -> str:
    return f"{text[:1].lower()}{text[1:]}"


def _chance(value: object) -> str:
    number = _float(value)
    return "under 0.0001" if number < 0.0001 else f"{number:.2g}"


def _first(text: str) -> str:
    return f"{text[:1].upper()}{text[1:]}"


def _int(value: object) -> int:
    return int(float(str(value)))


def _float(value: object) -> float:
    return float("nan") if value is None or value is pd.NA else float(str(value))
