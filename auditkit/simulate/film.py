"""Film on the areas from the runs, and how two gauges and two inspectors saw it."""

from __future__ import annotations

from datetime import date
from math import ceil
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from auditkit.simulate.instruments import GAUGES
from auditkit.simulate.plan import JOBS, workdays

if TYPE_CHECKING:
    import numpy.typing as npt

    from auditkit.simulate.truth import Truth

__all__ = ["film_readings", "gauge_bias", "gauge_checks", "true_film", "wrap_observations"]

_NORMAL_STANDOFF_MM = 178.0
_FINE_PROFILE_UM = 10.0  # ISO 19840, correction for a fine profile, from memory
_GAUGE_TOLERANCE_PCT = 3.0
_STANDARD_TOLERANCE_PCT = 1.0
_INSPECTOR_OF = {"G1": "IN1", "G2": "IN2"}
_LENIENCE = {"IN1": 0.15, "IN2": -0.2}


def true_film(runs: pd.DataFrame, areas: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return the true mean film of each area, facing and reverse.

    Parameters
    ----------
    runs : DataFrame
        Runs with their conditions and a boolean column `thin back`.
    areas : DataFrame
        Inspection areas.

    Returns
    -------
    DataFrame
        One row an area: `area_id, facing_um, reverse_um, last_day`, in the order of `areas`.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> film = simulate_audit(seed=1).truth["areas"]["A001"]
    >>> film["facing_um"] > film["reverse_um"]
    True
    """
    aim = runs["job_id"].map({job.job_id: job.aim_um for job in JOBS}).to_numpy(dtype="float64")
    profile = areas.set_index("area_id")["surface_profile"].eq("fine") * _FINE_PROFILE_UM
    geometry = runs["area_id"].map(areas.set_index("area_id")["geometry"])
    farther = runs["standoff_mm"].to_numpy(dtype="float64") - _NORMAL_STANDOFF_MM
    facing = (
        aim
        / runs["coats"].to_numpy(dtype="float64")
        * np.exp(-truth.facing_loss_per_mm * farther)
        * (runs["asked_kpa"] / truth.pressure_at_reference_kpa).to_numpy(dtype="float64") ** 0.25
        * runs["filter_open_share"].to_numpy(dtype="float64") ** 0.45
        * np.exp(
            0.002 * (runs["overlap_pct"].fillna(45) - 45).to_numpy(dtype="float64") + rng.normal(0, 0.04, len(runs))
        )
    )
    wrap = (
        geometry.map(dict(truth.wrap_ratio)).to_numpy(dtype="float64")
        * np.exp(-truth.wrap_loss_per_mm * farther + rng.normal(0, 0.05, len(runs)))
        * (1 - 0.004 * np.maximum(runs["brush_wear_pct"].to_numpy(dtype="float64") - 40, 0))
        / (1 + runs["part_ground_ohm"].to_numpy(dtype="float64") / 4e6)
        * np.where(runs["thin back"], 0.72, 1.0)
    )
    deposits = pd.DataFrame(
        {"area_id": runs["area_id"], "facing_um": facing, "reverse_um": facing * wrap, "last_day": runs["day"]}
    )
    totals = deposits.groupby("area_id").agg({"facing_um": "sum", "reverse_um": "sum", "last_day": "max"})
    totals = totals.reindex(areas["area_id"])
    own = np.exp(rng.normal(0, truth.area_sd, len(totals)))
    ground_profile = profile.reindex(totals.index)
    return totals.assign(
        facing_um=totals["facing_um"] * own + ground_profile, reverse_um=totals["reverse_um"] * own + ground_profile
    ).reset_index()


def gauge_bias(gauge: str, day: date, hour: npt.NDArray[np.float64], truth: Truth) -> npt.NDArray[np.float64]:
    """Return the relative error [-] of a gauge at hours of one day.

    Examples
    --------
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> gauge_bias("G2", date(2027, 2, 12), np.array([16.0]), DEFAULT_TRUTH).round(4).tolist()
    [0.011]
    >>> gauge_bias("G1", date(2027, 2, 12), np.array([16.0]), DEFAULT_TRUTH).tolist()
    [0.0]
    """
    gathered = max(int(np.busday_count(truth.drift_from, day)) + 1, 0) if gauge == truth.drifting_gauge else 0
    evening = gathered * truth.drift_pct_per_day / 100
    through_the_day = np.clip((hour - 8) / 8, 0, 1)
    return evening * (truth.morning_share_of_drift + (1 - truth.morning_share_of_drift) * through_the_day)


def film_readings(film: pd.DataFrame, areas: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return the gauge readings, in contract form, times local; five spots of three a side and part, or by ISO 19840.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> sorted(simulate_audit(seed=1).tables["film_readings"]["gauge_id"].unique().tolist())
    ['G1', 'G2']
    """
    days = workdays(truth, days=truth.weeks * 5 + 6)
    rule_of = {job.job_id: job.rule for job in JOBS}
    too_few = set(rng.choice(areas["area_id"].to_numpy(dtype=str), size=5, replace=False))
    rows: list[dict[str, object]] = []
    for area, at in zip(areas.to_dict("records"), film.to_dict("records"), strict=True):
        day = days[int(at["last_day"]) + int(rng.integers(2, 5))]
        gauge = str(rng.choice(list(GAUGES), p=[0.55, 0.45]))
        hour = float(rng.uniform(8.2, 15.2))
        iso = rule_of[str(area["job_id"])] == "iso-19840"
        layout = _iso_layout(float(area["size_m2"])) if iso else _pa2_layout(float(area["size_m2"]))
        for side in ("facing", "reverse", "edge"):
            spots: list[tuple[int | None, int]] = (
                layout if side != "edge" else ([(None, 1), (None, 2)] if rng.random() < 0.06 else [])
            )
            if area["area_id"] in too_few and side != "edge":
                spots = spots[:-1] if side == "facing" else spots[:-2]
            if not spots:
                continue
            repeats = 1 if iso else 3
            mean = float(at["reverse_um"] if side == "reverse" else at["facing_um"]) * (0.8 if side == "edge" else 1.0)
            at_spot = mean * np.exp(rng.normal(0, truth.spot_sd, len(spots)))
            film_um = np.repeat(at_spot, repeats) * np.exp(rng.normal(0, truth.reading_sd, len(spots) * repeats))
            spot_hour = hour + np.arange(len(spots)) / 60 + {"facing": 0, "reverse": 0.3, "edge": 0.6}[side]
            hours = np.repeat(spot_hour, repeats)
            seen = film_um * (1 + gauge_bias(gauge, day, hours, truth))
            shown = GAUGES[gauge].read(np.clip(seen + rng.normal(0, 0.5, len(seen)), 3, None))
            rows.extend(
                {
                    "area_id": area["area_id"],
                    "part": spots[number // repeats][0],
                    "side": side,
                    "spot": spots[number // repeats][1],
                    "repeat": number % repeats + 1,
                    "dft_um": float(value),
                    "gauge_id": gauge,
                    "day": day,
                    "minute": int(hours[number] * 60),
                }
                for number, value in enumerate(shown)
            )
    frame = pd.DataFrame(rows)
    taken = pd.to_datetime(frame["day"]) + pd.to_timedelta(frame["minute"], unit="min")
    return frame.drop(columns=["day", "minute"]).assign(part=frame["part"].astype("Int64"), taken_at=taken)


def wrap_observations(film: pd.DataFrame, areas: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return the wrap ratings, in contract form, times local; some areas rated by both inspectors.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> sorted(simulate_audit(seed=1).tables["wrap_observations"]["scale"].unique().tolist())
    ['five-best', 'percent']
    """
    days = workdays(truth, days=truth.weeks * 5 + 6)
    ratios = dict(truth.wrap_ratio)
    rows: list[dict[str, object]] = []
    for area, at in zip(areas.to_dict("records"), film.to_dict("records"), strict=True):
        usual = ratios[str(area["geometry"])]
        shortfall = (float(at["reverse_um"]) / float(at["facing_um"]) - usual) / usual
        log_odds = 2.3 + 7.0 * shortfall
        seen_by = ["IN1", "IN2"] if rng.random() < 0.22 else [str(rng.choice(["IN1", "IN2"]))]
        day = days[int(at["last_day"]) + 2]
        for inspector in seen_by:
            covered = 1 / (1 + np.exp(-(log_odds + _LENIENCE[inspector] + rng.normal(0, 0.35))))
            in_percent = rng.random() < 0.15
            rows.append(
                {
                    "area_id": area["area_id"],
                    "inspector_id": inspector,
                    "observed_at": pd.Timestamp(day) + pd.Timedelta(minutes=int(rng.integers(485, 940))),
                    "rating": float(np.round(covered * 20) * 5 if in_percent else np.round(covered * 10) / 2),
                    "scale": "percent" if in_percent else "five-best",
                    "method": str(rng.choice(["eye", "mirror", "camera"], p=[0.25, 0.55, 0.20])),
                }
            )
    return pd.DataFrame(rows)


def gauge_checks(readings: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return the checks of each gauge on two standards before and after each day's use, times local.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> checks = simulate_audit(seed=1).tables["gauge_checks"]
    >>> checks.groupby(["gauge_id", "checked_at", "certified_um"]).size().unique().tolist()
    [3]
    """
    standards = {"G1": (74.6, 149.2), "G2": (127.0, 254.0)}
    used = readings.assign(day=readings["taken_at"].dt.normalize())[["gauge_id", "day"]].drop_duplicates()
    rows: list[dict[str, object]] = []
    for gauge, day in used.sort_values(["gauge_id", "day"]).itertuples(index=False):
        for stage, minute, hour in (("before use", 472, 8.0), ("after use", 985, 16.0)):
            checked = pd.Timestamp(day) + pd.Timedelta(minutes=minute + int(rng.integers(0, 12)))
            bias = float(gauge_bias(str(gauge), pd.Timestamp(day).date(), np.array([hour]), truth)[0])
            for certified in standards[str(gauge)]:
                shown = certified * (1 + bias) + rng.normal(0, 0.004 * certified, 3)
                rows.extend(
                    {
                        "gauge_id": gauge,
                        "checked_at": checked,
                        "stage": stage,
                        "certified_um": certified,
                        "repeat": repeat,
                        "reading_um": reading,
                        "gauge_tolerance_pct": _GAUGE_TOLERANCE_PCT,
                        "standard_tolerance_pct": _STANDARD_TOLERANCE_PCT,
                    }
                    for repeat, reading in enumerate(GAUGES[str(gauge)].read(shown), start=1)
                )
    return pd.DataFrame(rows)


def _pa2_layout(size_m2: float) -> list[tuple[int | None, int]]:
    """Return part and number of every spot: five in each 10 m2 or part of it (SSPC-PA 2, section 8)."""
    parts = ceil(size_m2 / 10)
    return [
        (None if parts == 1 else part, (part - 1) * 5 + spot) for part in range(1, parts + 1) for spot in range(1, 6)
    ]


def _iso_layout(size_m2: float) -> list[tuple[int | None, int]]:
    """Return the measuring points of ISO 19840 up to 10 m2; the table is from memory."""
    points = 5 if size_m2 <= 1 else 10 if size_m2 <= 3 else 15
    return [(None, spot) for spot in range(1, points + 1)]
