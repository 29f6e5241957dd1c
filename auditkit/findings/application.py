"""Application: whether the gun was held and moved, and the bell set and kept, as the work asks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from auditkit.findings.typed_columns import typed_frame
from auditkit.trade.application import BELL_TOLERANCE_MM, standoff_range
from auditkit.trade.conditions import Condition, side_of_window

__all__ = ["ApplicationFindings", "find_application"]

_BY_CONDITION = ("standoff_mm", "overlap_pct", "follow_through_s", "pause_min")
_WHOLE_RANGE = "standoff_range"
_BELL = "bell_matches_feed_tube"
_NO_SOURCE = "common practice, no source"
_PRACTICES = {
    "practice": "str",
    "title": "str",
    "n": "int64",
    "kept": "int64",
    "left": "int64",
    "left_pct": "float64",
    "not_recorded": "int64",
    "does_not_apply": "int64",
    "no_window": "int64",
    "source": "str",
}
_OPERATORS = {
    "operator_id": "str",
    "runs": "int64",
    "standoff_mm": "float64",
    "spread_mm": "float64",
    "outside_pct": "float64",
    "overlap_pct": "float64",
    "follow_through_s": "float64",
    "pause_min": "float64",
    "bell_wrong": "int64",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ApplicationFindings:
    """How the runs were sprayed.

    Parameters
    ----------
    practices : DataFrame
        One row a practice: practice, title, n (runs judged), kept, left (runs
        outside), left_pct `[%]` of n, not_recorded, does_not_apply, no_window
        (runs), source. 'standoff_range' holds the nearest and the farthest seen
        in a run to the window of the standoff, not its typical value alone.
    runs : DataFrame
        One row a run, sorted by run_id: run_id, unit_id, operator_id, then the
        columns of `trade.application.standoff_range`, overlap_pct `[%]`,
        follow_through_s `[s]`, first_of_day, pause_min `[min]`,
        bell_diameter_mm `[mm]`, bell_matches_feed_tube.
    operators : DataFrame
        One row an operator: runs, the median of each figure, and bell_wrong
        (runs with a feed tube set for another bell).
    n, excluded : int
        Runs with at least one practice judged, and runs with none.
    method : str
    """

    practices: pd.DataFrame
    runs: pd.DataFrame
    operators: pd.DataFrame
    n: int
    excluded: int
    method: str


def find_application(runs: pd.DataFrame, *, conditions: Mapping[str, Condition]) -> ApplicationFindings:
    """Return how the runs were sprayed, against each practice.

    Parameters
    ----------
    runs : DataFrame
        The runs of a timeline.
    conditions : mapping of str to Condition
        With standoff_mm, overlap_pct, follow_through_s and pause_min.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> runs = pd.DataFrame({
    ...     "run_id": ["R1", "R2"], "unit_id": "U1", "operator_id": "OP1", "standoff_mm": 180.0,
    ...     "standoff_min_mm": [160.0, 140.0], "standoff_max_mm": [195.0, 220.0], "overlap_pct": 50.0,
    ...     "stroke_pattern": "parallel", "follow_through_s": 6.0, "first_of_day": [True, False],
    ...     "pause_min": [None, 12.0], "bell_diameter_mm": 70.0, "bell_matches_feed_tube": True})
    >>> practices = find_application(runs, conditions=load_conditions()).practices
    >>> practices.set_index("practice")["left"].to_dict()
    {'standoff_mm': 0, 'standoff_range': 1, 'overlap_pct': 0, 'follow_through_s': 0, 'pause_min': 1,
    'bell_matches_feed_tube': 0}
    """
    window = conditions["standoff_mm"]
    ranges = standoff_range(runs, low=window.low, high=window.high)
    others = ["unit_id", "operator_id", "overlap_pct", "follow_through_s", "first_of_day", "pause_min"]
    frame = ranges.merge(runs[["run_id", *others, "bell_diameter_mm", _BELL]], on="run_id", how="left")
    frame = frame.assign(**{_BELL: frame[_BELL].astype("boolean")})
    sides = {name: side_of_window(runs, conditions[name]).set_axis(runs["run_id"]) for name in _BY_CONDITION}
    sides[_WHOLE_RANGE] = _kept_or_left(frame["whole_inside"]).set_axis(frame["run_id"])
    if not window.has_window:
        sides[_WHOLE_RANGE][:] = "no window"
    sides[_BELL] = _kept_or_left(frame[_BELL]).set_axis(frame["run_id"])
    judged = pd.DataFrame(sides).isin(["inside", "below", "above"]).any(axis="columns")
    order = ["standoff_mm", _WHOLE_RANGE, "overlap_pct", "follow_through_s", "pause_min", _BELL]
    first = ["run_id", "unit_id", "operator_id"]
    return ApplicationFindings(
        practices=typed_frame([_practice(name, sides[name], conditions) for name in order], _PRACTICES),
        runs=frame[[*first, *[name for name in frame.columns if name not in first]]],
        operators=_operators(frame),
        n=int(judged.sum()),
        excluded=int((~judged).sum()),
        method=(
            "Each figure is held to its window. Shares of a run's standoff are of the range from nearest to farthest, "
            "not of time. A pause runs from the end of the unit's run before on that day; a cleaning of the bell that "
            "was not written down makes it look longer. Bell and feed tube are taken to match within "
            f"{BELL_TOLERANCE_MM:g} mm."
        ),
    )


def _kept_or_left(kept: pd.Series) -> pd.Series:
    """Return 'inside', 'above' for left, or 'not recorded' of a nullable yes or no."""
    return kept.map({True: "inside", False: "above"}).astype("str").mask(kept.isna(), "not recorded")


def _practice(name: str, side: pd.Series, conditions: Mapping[str, Condition]) -> dict[str, object]:
    """Return one practice's row."""
    own = {
        _WHOLE_RANGE: ("Standoff, nearest to farthest in the run", conditions["standoff_mm"].source),
        _BELL: ("Feed tube set for the bell in use", _NO_SOURCE),
    }
    title, source = own[name] if name in own else (conditions[name].title, conditions[name].source)
    counts = side.value_counts()
    kept, left = int(counts.get("inside", 0)), int(counts.get("below", 0) + counts.get("above", 0))
    return {
        "practice": name,
        "title": title,
        "n": kept + left,
        "kept": kept,
        "left": left,
        "left_pct": 100.0 * left / (kept + left) if kept + left else None,
        "not_recorded": int(counts.get("not recorded", 0)),
        "does_not_apply": int(counts.get("does not apply", 0)),
        "no_window": int(counts.get("no window", 0)),
        "source": source,
    }


def _operators(frame: pd.DataFrame) -> pd.DataFrame:
    grouped = frame.assign(bell_wrong=frame[_BELL].eq(False).fillna(False)).groupby("operator_id", sort=True)
    medians = grouped[
        ["standoff_mm", "spread_mm", "outside_pct", "overlap_pct", "follow_through_s", "pause_min"]
    ].median()
    counts = grouped.agg(runs=("run_id", "size"), bell_wrong=("bell_wrong", "sum"))
    return typed_frame(medians.join(counts).reset_index(), _OPERATORS)
