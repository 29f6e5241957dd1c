"""Sentences that say a finding in words a foreman and a statistician both accept."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import pandas as pd

from auditkit.trade.conditions import Condition

__all__ = ["association_sentence", "group_reasons", "listed", "share", "side_of", "unit_sign"]


def share(found: int, n: int) -> str:
    """Return a share as counts and percent.

    Examples
    --------
    >>> share(31, 88)
    '31 of 88 (35 %)'
    >>> share(0, 0)
    '0 of 0'
    """
    if n == 0:
        return f"{found} of {n}"
    percent = 100 * found / n
    return f"{found} of {n} ({percent:.0f} %)" if percent >= 1 or found == 0 else f"{found} of {n} ({percent:.1f} %)"


def listed(names: Sequence[str]) -> str:
    """Return names as they are listed in a sentence.

    Examples
    --------
    >>> listed(["crater"]), listed(["crater", "spit", "pinhole"])
    ('crater', 'crater, spit and pinhole')
    """
    *first, last = names
    return f"{', '.join(first)} and {last}" if first else last


def side_of(condition: Condition, side: str) -> str:
    """Return one side of a condition's window in words.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> side_of(load_conditions()["standoff_mm"], "above")
    'standoff above 200 mm'
    >>> side_of(load_conditions()["brush_wear_pct"], "above")
    'brush wear when last known at or above 50 %'
    """
    limit = condition.low if side == "below" else condition.high
    if limit is None:
        raise ValueError(f"{condition.name} has no limit {side} which a run could lie; its window is open there")
    word = f"at or {side}" if condition.limit_is_outside else side
    return f"{condition.title[:1].lower()}{condition.title[1:]} {word} {limit:,.10g} {unit_sign(condition.unit)}"


def unit_sign(unit: str) -> str:
    """Return a unit as it is printed.

    Examples
    --------
    >>> unit_sign("pct"), unit_sign("mm")
    ('%', 'mm')
    """
    return _SIGNS.get(unit, unit)


_SIGNS = {
    "pct": "%",
    "kpa": "kPa",
    "c": "°C",
    "mm2_s": "mm²/s",
    "um": "µm",
    "ohm": "Ω",
    "kg_m3": "kg/m³",
    "fraction": "",
}


def association_sentence(row: Mapping[str, object] | pd.Series, conditions: Mapping[str, Condition]) -> str:
    """Return one row of defects against conditions as a sentence.

    Parameters
    ----------
    row : mapping
        One row of `CauseFindings.table`.
    conditions : mapping of str to Condition
        Conditions by name.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> row = {"defect": "dry spray", "condition": "standoff_mm", "side": "above", "found_outside": 31, "n_outside": 88,
    ...        "found_inside": 12, "n_inside": 300, "within_difference": 0.30, "within_low": 0.21, "within_high": 0.38}
    >>> print(association_sentence(row, load_conditions()))
    Dry spray: 31 of 88 (35 %) runs with standoff above 200 mm, against 12 of 300 (4 %) inside the window;
    within jobs +30 points (21 to 38).
    """
    defect = str(row["defect"])
    text = (
        f"{defect[:1].upper()}{defect[1:]}: {share(_int(row['found_outside']), _int(row['n_outside']))} runs with "
        f"{side_of(conditions[str(row['condition'])], str(row['side']))}, against "
        f"{share(_int(row['found_inside']), _int(row['n_inside']))} inside the window"
    )
    points = [100 * _float(row[name]) for name in ("within_difference", "within_low", "within_high")]
    if any(math.isnan(value) for value in points):
        return f"{text}; no comparison within jobs."
    return f"{text}; within jobs {_points(*points)}{_second_looks(row, conditions)}."


def _points(difference: float, low: float, high: float) -> str:
    return f"{difference:+.0f} points ({low:.0f} to {high:.0f})".replace("-", "−")


def _second_looks(row: Mapping[str, object] | pd.Series, conditions: Mapping[str, Condition]) -> str:
    """Return what a second look at a row found, as the end of its sentence."""
    text = ""
    if "firm" in row and not row["firm"] and row["reading"] in ("goes with more", "goes with fewer"):
        text += "; not clear within operators and days of a job"
    if row.get("travels_with"):
        other = side_of(conditions[str(row["travels_with"])], str(row["travels_side"]))
        text += f"; travels with {other} ({_int(row['travels_n'])} runs)"
        apart = [100 * _float(row[f"apart_{name}"]) for name in ("difference", "low", "high")]
        if not any(math.isnan(value) for value in apart):
            text += f", apart from which {_points(*apart)}"
    return text


def _int(value: object) -> int:
    return int(str(value))


def _float(value: object) -> float:
    return float("nan") if value is None else float(str(value))


def group_reasons(areas: pd.DataFrame, *, verdict: str) -> pd.DataFrame:
    """Return the reasons for one verdict, the most frequent first.

    Parameters
    ----------
    areas : DataFrame
        One row an area: area_id, verdict, reason.
    verdict : str
        Verdict to group.

    Returns
    -------
    DataFrame
        One row a reason: reason, n, areas (list of area_id, sorted).

    Examples
    --------
    >>> import pandas as pd
    >>> areas = pd.DataFrame({
    ...     "area_id": ["A1", "A2"], "verdict": ["conforms", "does not conform"], "reason": ["", "thin"]})
    >>> group_reasons(areas, verdict="does not conform").to_numpy().tolist()
    [['thin', 1, ['A2']]]
    """
    chosen = areas[areas["verdict"] == verdict].sort_values("area_id")
    grouped = chosen.groupby("reason", sort=True)["area_id"].agg(list)
    frame = pd.DataFrame({"reason": grouped.index, "n": [len(ids) for ids in grouped], "areas": grouped.to_numpy()})
    return frame.sort_values(["n", "reason"], ascending=[False, True], ignore_index=True)
