"""Climate beside the work: each run's margin above the dew point and humidity, and how both went through the day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from auditkit.findings.typed_columns import typed_frame
from auditkit.trade.conditions import Condition, side_of_window

__all__ = ["LONGEST_GAP_H", "ClimateFindings", "find_climate"]

LONGEST_GAP_H = 4.0
"""How often the climate is to be measured `[h]`: about every 4 hours, close to the work (MIL-HDBK-1110, seen)."""

_MEASURED = ["air_temp_c", "surface_temp_c", "humidity_pct", "dew_point_c", "surface_margin_c"]
_RUN_COLUMNS = ["run_id", "site", "day", "hour", "started_at", *_MEASURED, "margin", "humidity"]
_DAYS = {
    "site": "str",
    "day": "str",
    "runs": "int64",
    "measured": "int64",
    "below_margin": "int64",
    "below_margin_h": "float64",
    "too_humid": "int64",
    "too_humid_h": "float64",
    "lowest_margin_c": "float64",
    "worst_at": "datetime64[us, UTC]",
    "worst_run_id": "str",
    "highest_humidity_pct": "float64",
    "longest_gap_h": "float64",
    "verdict": "str",
}
_COURSE = {
    "site": "str",
    "day": "str",
    "hour": "int64",
    "runs": "int64",
    "measured": "int64",
    "below_margin": "int64",
    "air_temp_c": "float64",
    "surface_temp_c": "float64",
    "humidity_pct": "float64",
    "dew_point_c": "float64",
    "lowest_margin_c": "float64",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ClimateFindings:
    """Climate by run, through the day, and by day.

    Parameters
    ----------
    runs : DataFrame
        One row a run, sorted by start and run_id: run_id, site, day (local),
        hour (local, of its start), started_at, air_temp_c, surface_temp_c,
        humidity_pct, dew_point_c, surface_margin_c `[C]`, `[%]`, and margin
        and humidity: the side of its window ('inside', 'below', 'above', 'not
        recorded', 'no window').
    days : DataFrame
        One row a site and day, sorted so: runs, measured (with a margin),
        below_margin (runs), below_margin_h (hours those took) `[h]`, too_humid,
        too_humid_h `[h]`, lowest_margin_c with worst_at and worst_run_id,
        highest_humidity_pct, longest_gap_h (longest time of work, from the
        first start to the last end, without a measurement) `[h]`, verdict
        ('kept', 'left', or 'cannot tell' where no run left a window and one was
        not measured).
    course : DataFrame
        One row a site, day and local hour in which a run started: runs,
        measured, below_margin, the medians of what was measured and
        lowest_margin_c.
    n, excluded : int
        Runs with a margin, and runs without.
    method : str
    """

    runs: pd.DataFrame
    days: pd.DataFrame
    course: pd.DataFrame
    n: int
    excluded: int
    method: str


def find_climate(runs: pd.DataFrame, *, conditions: Mapping[str, Condition], time_zone: str = "UTC") -> ClimateFindings:
    """Return how the climate lay against its windows, run by run and through each day.

    Parameters
    ----------
    runs : DataFrame
        The runs of a timeline: run_id, site, day, started_at, ended_at,
        minutes, air_temp_c, surface_temp_c, humidity_pct, dew_point_c,
        surface_margin_c.
    conditions : mapping of str to Condition
        With surface_margin_c and humidity_pct.
    time_zone : str
        IANA zone of the hours.

    References
    ----------
    Dew point: WMO-No. 8, Annex 4.B, see `trade.climate`.

    Examples
    --------
    >>> from auditkit.trade.conditions import load_conditions
    >>> at = pd.to_datetime(["2027-01-11T08:00Z", "2027-01-11T11:00Z", "2027-01-11T08:30Z", "2027-01-11T11:30Z"])
    >>> runs = pd.DataFrame({
    ...     "run_id": ["R1", "R2"], "site": "S", "day": "2027-01-11", "started_at": at[:2], "ended_at": at[2:],
    ...     "minutes": 30.0, "air_temp_c": 10.0, "surface_temp_c": [9.0, 11.0], "humidity_pct": [85.0, 70.0],
    ...     "dew_point_c": [7.6, 4.8], "surface_margin_c": [1.4, 6.2]})
    >>> days = find_climate(runs, conditions=load_conditions()).days
    >>> days[["below_margin", "below_margin_h", "lowest_margin_c", "worst_run_id", "verdict"]].to_numpy().tolist()
    [[1, 0.5, 1.4, 'R1', 'left']]
    """
    margin, humidity = conditions["surface_margin_c"], conditions["humidity_pct"]
    frame = runs.sort_values(["started_at", "run_id"], kind="stable", ignore_index=True)
    frame = frame.assign(
        hour=frame["started_at"].dt.tz_convert(time_zone).dt.hour.astype("int64"),
        margin=side_of_window(frame, margin),
        humidity=side_of_window(frame, humidity),
    )
    frame = frame.assign(
        measured=frame["surface_margin_c"].notna(),
        left_margin=frame["margin"].isin(["below", "above"]),
        left_humidity=frame["humidity"].isin(["below", "above"]),
        unknown=(frame["margin"] == "not recorded") | (frame["humidity"] == "not recorded"),
    )
    days = [_day(site, day, group) for (site, day), group in frame.groupby(["site", "day"], sort=True)]
    n = int(frame["measured"].sum())
    return ClimateFindings(
        runs=frame[_RUN_COLUMNS],
        days=typed_frame(days, _DAYS),
        course=_course(frame),
        n=n,
        excluded=len(frame) - n,
        method=(
            "Dew point from air temperature and relative humidity (WMO-No. 8, Annex 4.B, over water); margin is "
            f"surface temperature less dew point, window {_window(margin)} ({margin.source}); humidity "
            f"{_window(humidity)} ({humidity.source}). One measurement stands for its whole run; nothing is assumed of "
            f"the time between runs. Measure about every {LONGEST_GAP_H:g} h, close to the work (MIL-HDBK-1110)."
        ),
    )


def _window(condition: Condition) -> str:
    sides = (("at least", condition.low), ("at most", condition.high))
    return " and ".join(f"{word} {limit:g}" for word, limit in sides if limit is not None) or "not known"


def _day(site: object, day: object, group: pd.DataFrame) -> dict[str, object]:
    """Return one site's day."""
    measured = group[group["measured"]]
    worst = measured.sort_values(["surface_margin_c", "started_at", "run_id"]).head(1)
    left = group["left_margin"] | group["left_humidity"]
    verdict = "left" if left.any() else "cannot tell" if group["unknown"].any() else "kept"
    return {
        "site": site,
        "day": day,
        "runs": len(group),
        "measured": len(measured),
        "below_margin": int(group["left_margin"].sum()),
        "below_margin_h": float(group.loc[group["left_margin"], "minutes"].sum()) / 60.0,
        "too_humid": int(group["left_humidity"].sum()),
        "too_humid_h": float(group.loc[group["left_humidity"], "minutes"].sum()) / 60.0,
        "lowest_margin_c": worst["surface_margin_c"].min(),
        "worst_at": worst["started_at"].min(),
        "worst_run_id": worst["run_id"].iloc[0] if len(worst) else None,
        "highest_humidity_pct": group["humidity_pct"].max(),
        "longest_gap_h": _longest_gap_h(group, measured),
        "verdict": verdict,
    }


def _longest_gap_h(group: pd.DataFrame, measured: pd.DataFrame) -> float:
    """Return the longest time without a measurement between the first start and the last end of work."""
    ends = [group["started_at"].min(), group["ended_at"].max()]
    moments = pd.Series([ends[0], *measured["started_at"], ends[1]]).sort_values()
    return float(moments.diff().max() / pd.Timedelta(hours=1))


def _course(frame: pd.DataFrame) -> pd.DataFrame:
    grouped = frame.groupby(["site", "day", "hour"], sort=True)
    course = grouped[_MEASURED[:4]].median()
    counts = grouped.agg(
        runs=("run_id", "size"),
        measured=("measured", "sum"),
        below_margin=("left_margin", "sum"),
        lowest_margin_c=("surface_margin_c", "min"),
    )
    return typed_frame(course.join(counts).reset_index(), _COURSE)
