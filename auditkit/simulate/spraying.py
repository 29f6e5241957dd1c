"""What was true and what was written down at each run: habits, weather, grounds, pressure and paint."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from auditkit.simulate.coatings import COATINGS, THINS_PER_C
from auditkit.simulate.instruments import recorded
from auditkit.simulate.plan import JOBS, VESSELS

if TYPE_CHECKING:
    import numpy.typing as npt

    from auditkit.simulate.truth import Truth

__all__ = ["add_conditions", "dew_point_c", "pressure_settings", "standoff_range"]

# Cup equations v = slope * (t - offset), v in mm2/s and t in s: Zahn 2 ASTM D4212, Ford 4 ASTM D1200.
_CUPS = {"zahn-2": (3.5, 14.0), "ford-4": (3.85, 4.49)}
_CATCH_S = 30.0


def dew_point_c(air_c: npt.NDArray[np.float64], humidity_pct: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Return the dew point [C] of air.

    References
    ----------
    WMO-No. 8 (CIMO Guide), Annex 4.B.

    Examples
    --------
    >>> dew_point_c(np.array([20.0]), np.array([50.0])).round(1).tolist()
    [9.3]
    """
    g = np.log(humidity_pct / 100) + 17.62 * air_c / (243.12 + air_c)
    result: npt.NDArray[np.float64] = 243.12 * g / (17.62 - g)
    return result


def add_conditions(runs: pd.DataFrame, states: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return the planned runs with every condition at the run, as the instruments showed it.

    Parameters
    ----------
    runs : DataFrame
        Planned runs, from `plan_runs`.
    states : DataFrame
        States of the units, from `states_at`.

    Returns
    -------
    DataFrame
        `runs` and `states` and the columns `run_id, standoff_mm, overlap_pct,
        follow_through_s, air_temp_c, surface_temp_c, humidity_pct,
        part_ground_ohm, operator_ground_ohm, dew_margin_c,
        part_ground_log10_ohm, paint_temp_c, viscosity_mm2_s, asked_kpa`.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> simulate_audit(seed=1).tables["spray_runs"]["standoff_mm"].quantile([0.5]).tolist()
    [177.8]
    """
    n = len(runs)
    frame = runs.join(states)
    frame.insert(0, "run_id", [f"R{number:04d}" for number in range(1, n + 1)])
    operator = frame["operator_id"]

    def habit(values: tuple[tuple[str, float], ...]) -> npt.NDArray[np.float64]:
        return np.asarray(operator.map(dict(values)), dtype="float64")

    standoff = habit(truth.operator_standoff_mm) + rng.normal(0, 16, n)
    frame["standoff_mm"] = recorded(np.clip(standoff, 90, 300), "spray_runs", "standoff_mm")
    overlap = np.clip(habit(truth.operator_overlap_pct) + rng.normal(0, 6, n), 5, 70)
    frame["overlap_pct"] = np.where(frame["stroke_pattern"] == "circular", np.nan, np.round(overlap / 5) * 5)
    follow = np.clip(habit(truth.operator_follow_through_s) + rng.normal(0, 1.1, n), 1.5, 12)
    frame["follow_through_s"] = recorded(follow, "spray_runs", "follow_through_s")
    frame = _add_weather(frame, truth, rng)
    ground = 10 ** np.where(rng.random(n) < 0.025, rng.uniform(6.05, 6.7, n), rng.normal(4.8, 0.3, n))
    frame["part_ground_ohm"] = recorded(ground, "spray_runs", "part_ground_ohm")
    frame["part_ground_log10_ohm"] = np.log10(frame["part_ground_ohm"].to_numpy(dtype="float64"))
    person = 10 ** np.where(rng.random(n) < 0.012, rng.uniform(8.05, 8.6, n), rng.normal(7.1, 0.3, n))
    frame["operator_ground_ohm"] = recorded(np.clip(person, 1.1e6, 9e8), "spray_runs", "operator_ground_ohm")
    coating = frame["job_id"].map({job.job_id: job.coating for job in JOBS})
    at_25 = coating.map({name: coat.mm2_s_at_25 for name, coat in COATINGS.items()}).to_numpy(dtype="float64")
    paint = np.clip(frame["air_temp_c"].to_numpy(dtype="float64") * 0.4 + 10.5 + rng.normal(0, 0.8, n), 12, 19)
    frame["paint_temp_c"] = recorded(paint, "pressure_settings", "paint_temp_c")
    warmer = np.exp(THINS_PER_C * (25 - frame["paint_temp_c"].to_numpy(dtype="float64")))
    frame["viscosity_mm2_s"] = at_25 * warmer * np.exp(rng.normal(0, 0.03, n))
    thick = (frame["viscosity_mm2_s"] / truth.reference_mm2_s) ** 0.4
    weak = frame["filter_open_share"] ** -0.5
    frame["asked_kpa"] = (
        truth.pressure_at_reference_kpa
        * thick
        * weak
        * habit(truth.operator_pressure)
        * np.exp(rng.normal(0, truth.pressure_sd, n))
    )
    return frame


def standoff_range(runs: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return the runs with the nearest and the farthest standoff seen, which cause nothing of their own.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> runs = simulate_audit(seed=1).tables["spray_runs"].dropna(subset=["standoff_min_mm"])
    >>> bool((runs["standoff_min_mm"] <= runs["standoff_mm"]).all())
    True
    """
    n = len(runs)
    half = runs["operator_id"].map(dict(truth.operator_standoff_range_mm)).to_numpy(dtype="float64") / 2
    standoff = runs["standoff_mm"].to_numpy(dtype="float64")
    nearest = recorded(standoff - half * rng.lognormal(0, 0.3, n), "spray_runs", "standoff_min_mm")
    farthest = recorded(standoff + half * rng.lognormal(0, 0.3, n), "spray_runs", "standoff_max_mm")
    seen = rng.random(n)
    return runs.assign(
        standoff_min_mm=np.where(seen < 0.10, np.nan, nearest), standoff_max_mm=np.where(seen < 0.12, np.nan, farthest)
    )


def pressure_settings(runs: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return the pressure settings of every run, two or three each, in contract form.

    Flow follows `constant * kPa / (mm2/s) * filter share`; the catch tests
    read it, more often on the day after a filter was cleaned.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> settings = simulate_audit(seed=1).tables["pressure_settings"]
    >>> bool(settings.groupby("run_id").size().between(2, 3).all())
    True
    """
    cup_of = {job.job_id: COATINGS[job.coating].cup for job in JOBS}
    constants = dict(truth.unit_flow_constant)
    rows: list[dict[str, object]] = []
    for run in runs.to_dict("records"):
        cup = cup_of[str(run["job_id"])]
        slope, offset = _CUPS[cup]
        viscosity = float(run["viscosity_mm2_s"])
        minutes = (run["ended_at"] - run["started_at"]) / pd.Timedelta(minutes=1)
        offsets = [-4, max(1, round(minutes / 3)), max(3, round(minutes * 0.7))][: int(rng.integers(2, 4))]
        clean_state = float(run["filter_open_share"]) > 0.985
        for number, minute in enumerate(offsets):
            pot = float(run["asked_kpa"]) * float(np.exp(rng.normal(0, 0.02)))
            takes_cup = number == 0 or rng.random() < 0.25
            catches = number == 0 and rng.random() < (0.85 if clean_state else 0.3)
            pot_shown = float(recorded(np.array([pot]), "pressure_settings", "pot_kpa")[0])
            flow = constants[str(run["unit_id"])] * pot_shown / viscosity * float(run["filter_open_share"])
            rows.append(
                {
                    "run_id": run["run_id"],
                    "set_at": run["started_at"] + pd.Timedelta(minutes=minute),
                    "pot_kpa": pot_shown,
                    "cup": cup if takes_cup else None,
                    "cup_s": viscosity / slope + offset + rng.normal(0, 0.25) if takes_cup else np.nan,
                    "paint_temp_c": run["paint_temp_c"] if takes_cup else np.nan,
                    "catch_ml": flow * _CATCH_S / 60 * np.exp(rng.normal(0, 0.02)) if catches else np.nan,
                    "catch_s": _CATCH_S if catches else np.nan,
                }
            )
    frame = pd.DataFrame(rows)
    for column in ("cup_s", "catch_ml"):
        frame[column] = recorded(frame[column].to_numpy(dtype="float64"), "pressure_settings", column)
    return frame


def _add_weather(frame: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    n = len(frame)
    days = int(frame["day"].max()) + 1
    by_day = np.empty((len(VESSELS), days, 2))
    for number, vessel in enumerate(VESSELS):
        humidity = dict(truth.vessel_humidity_pct)[vessel] + rng.normal(0, truth.humidity_day_sd_pct, days)
        by_day[number, :, 0] = humidity
        by_day[number, :, 1] = dict(truth.vessel_air_temp_c)[vessel] + rng.normal(0, 1.5, days)
    raw_mornings = rng.choice(days, size=5, replace=False)  # cold damp mornings aboard the first vessel
    vessel_no = frame["vessel"].map({vessel: number for number, vessel in enumerate(VESSELS)}).to_numpy(dtype="int64")
    day = frame["day"].to_numpy(dtype="int64")
    hour = frame["started_at"].dt.hour.to_numpy(dtype="float64") + frame["started_at"].dt.minute.to_numpy() / 60
    raw = np.isin(day, raw_mornings) & (vessel_no == 0) & (hour < 10.5)
    humidity = by_day[vessel_no, day, 0] - 1.0 * (hour - 11.5) + 25.0 * raw + rng.normal(0, 2.0, n)
    air = by_day[vessel_no, day, 1] + 0.4 * (hour - 11.5) - 4.0 * raw + rng.normal(0, 0.6, n)
    surface = air + 0.5 + rng.normal(0, 0.9, n)
    result = frame.assign(
        air_temp_c=recorded(air, "spray_runs", "air_temp_c"),
        surface_temp_c=recorded(surface, "spray_runs", "surface_temp_c"),
        humidity_pct=recorded(np.clip(humidity, 35, 98), "spray_runs", "humidity_pct"),
    )
    dew = dew_point_c(result["air_temp_c"].to_numpy(dtype="float64"), result["humidity_pct"].to_numpy(dtype="float64"))
    return result.assign(dew_margin_c=result["surface_temp_c"] - dew)
