"""Film thickness as measured: readings to spots, spots to parts, and both to the sides of areas."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.trade.columns import require_columns
from auditkit.trade.film_rules import FilmRules

__all__ = ["TIE", "PartMeasure", "SideMeasure", "measure_sides", "spots", "typed_readings"]

TIE = 1e-9
"""Relative distance within which a value ties with its limit.

Limits are products such as 0.8 x 70 and observed values are means, so both
carry rounding; one part in 10^9 is far below the resolution of any gauge.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartMeasure:
    """Spot measurements of one part of about 10 m2 `[um]`.

    Short spots have too few readings to be spot measurements and count in
    nothing else. Mean, lowest and highest are NaN where `n_spots` is 0.
    """

    part: int
    n_spots: int
    n_short_spots: int
    mean_um: float
    lowest_um: float
    highest_um: float
    lowest_reading_um: float
    highest_reading_um: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SideMeasure:
    """Readings of one side of one area, as the gauge read them; the counts are against `counting_limits`."""

    n_readings: int
    n_spots: int
    mean_um: float
    lowest_um: float
    highest_um: float
    lowest_spot_um: float
    highest_spot_um: float
    n_below: int
    n_far_below: int
    parts: tuple[PartMeasure, ...]


def spots(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the mean, lowest and highest reading of each spot.

    Parameters
    ----------
    readings : DataFrame
        Film readings, one a row: area_id, side, spot, dft_um `[um]` and,
        if there, part; a blank part is part 1.

    Returns
    -------
    DataFrame
        Grain (area_id, part, side, spot), in that order: n `[-]`, dft_um
        (mean), low_um, high_um `[um]`.

    Raises
    ------
    ValueError
        A column is not there, or a thickness is missing.

    References
    ----------
    SSPC-PA 2, 3.2: a spot measurement is the mean of at least three gage
    readings; how many there are is left to the caller to judge (`n`).

    Examples
    --------
    >>> readings = pd.DataFrame({"area_id": "A1", "side": "facing", "spot": [1, 1, 1], "dft_um": [70.0, 74.0, 72.0]})
    >>> spots(readings)
      area_id  part    side  spot  n  dft_um  low_um  high_um
    0      A1     1  facing     1  3    72.0    70.0     74.0
    """
    keys = ["area_id", "part", "side", "spot"]
    grouped = typed_readings(readings).groupby(keys, sort=True)["dft_um"]
    return grouped.agg(n="size", dft_um="mean", low_um="min", high_um="max").reset_index()


def typed_readings(readings: pd.DataFrame) -> pd.DataFrame:
    """Return the columns judged by, the part filled in.

    Raises
    ------
    ValueError
        A column is not there, or a thickness is missing.

    Examples
    --------
    >>> readings = pd.DataFrame({"area_id": ["A1"], "side": ["edge"], "spot": [1], "dft_um": [70.0], "note": [""]})
    >>> typed_readings(readings).columns.tolist()
    ['area_id', 'side', 'spot', 'dft_um', 'part']
    """
    require_columns(readings, ["area_id", "side", "spot", "dft_um"], name="readings")
    missing = int(readings["dft_um"].isna().sum())
    if missing:
        raise ValueError(f"dft_um must be there in every reading; {missing} are missing. Leave those rows out")
    part = readings["part"].fillna(1).astype("int64") if "part" in readings.columns else 1
    return readings[["area_id", "side", "spot", "dft_um"]].assign(part=part)


def measure_sides(
    readings: pd.DataFrame,
    *,
    limits: Mapping[tuple[str, str], tuple[float, float]],
    rules: FilmRules,
    readings_per_spot: Mapping[tuple[str, str], int] | None = None,
) -> dict[tuple[str, str], SideMeasure]:
    """Return what was measured on each (area_id, side) that has readings.

    Parameters
    ----------
    readings : DataFrame
        Film readings: area_id, side, spot, dft_um `[um]`, part if there.
    limits : mapping of (area_id, side) to (float, float)
        Readings below the first are counted as below, and below the second as
        far below `[um]`; there must be one for each side with readings.
    rules : FilmRules
        Says how many readings make a spot measurement.
    readings_per_spot : mapping of (area_id, side) to int, optional
        Sides on which another number of readings makes a spot measurement.

    Examples
    --------
    >>> from auditkit.trade.film_rules import load_film_rules
    >>> readings = pd.DataFrame({"area_id": "A1", "side": "facing", "spot": [1, 1, 1], "dft_um": [70.0, 74.0, 60.0]})
    >>> measured = measure_sides(readings, limits={("A1", "facing"): (72.0, 64.0)}, rules=load_film_rules())
    >>> side = measured["A1", "facing"]
    >>> side.n_spots, side.mean_um, side.n_below, side.n_far_below
    (1, 68.0, 2, 1)
    """
    if readings.empty:
        return {}
    frame = typed_readings(readings)
    keys = ["area_id", "side"]
    codes = frame.groupby(keys, sort=False).ngroup().to_numpy()
    sides = frame[keys].drop_duplicates(ignore_index=True)
    # A tie with the limit is not below it.
    below, far_below = np.array([limits[key] for key in sides.itertuples(index=False, name=None)]).T * (1 - TIE)
    frame = frame.assign(
        n_below=frame["dft_um"].to_numpy() < below[codes], n_far_below=frame["dft_um"].to_numpy() < far_below[codes]
    )
    spot_frame = spots(readings)
    summary = frame.groupby(keys).agg(
        n_readings=("dft_um", "size"),
        mean_um=("dft_um", "mean"),
        lowest_um=("dft_um", "min"),
        highest_um=("dft_um", "max"),
        n_below=("n_below", "sum"),
        n_far_below=("n_far_below", "sum"),
    )
    summary = summary.join(
        spot_frame.groupby(keys).agg(
            n_spots=("dft_um", "size"), lowest_spot_um=("dft_um", "min"), highest_spot_um=("dft_um", "max")
        )
    )
    enough = np.array(
        [
            (readings_per_spot or {}).get(key, int(rules.pa2.readings_per_spot.value))
            for key in zip(spot_frame["area_id"], spot_frame["side"], strict=True)
        ]
    )
    parts = _parts(spot_frame, counted=spot_frame["n"] >= enough)
    return {
        (row["area_id"], row["side"]): SideMeasure(
            n_readings=int(row["n_readings"]),
            n_spots=int(row["n_spots"]),
            mean_um=float(row["mean_um"]),
            lowest_um=float(row["lowest_um"]),
            highest_um=float(row["highest_um"]),
            lowest_spot_um=float(row["lowest_spot_um"]),
            highest_spot_um=float(row["highest_spot_um"]),
            n_below=int(row["n_below"]),
            n_far_below=int(row["n_far_below"]),
            parts=tuple(parts[row["area_id"], row["side"]]),
        )
        for row in summary.reset_index().to_dict("records")
    }


def _parts(spot_frame: pd.DataFrame, *, counted: pd.Series[bool]) -> dict[tuple[str, str], list[PartMeasure]]:
    """Return the parts measured on each (area_id, side), in order of their number."""
    counted_um = spot_frame["dft_um"].where(counted)
    summary = (
        spot_frame.assign(counted=counted, short=~counted, counted_um=counted_um)
        .groupby(["area_id", "side", "part"])
        .agg(
            n_spots=("counted", "sum"),
            n_short_spots=("short", "sum"),
            mean_um=("counted_um", "mean"),
            lowest_um=("counted_um", "min"),
            highest_um=("counted_um", "max"),
            lowest_reading_um=("low_um", "min"),
            highest_reading_um=("high_um", "max"),
        )
    )
    parts: dict[tuple[str, str], list[PartMeasure]] = {}
    for row in summary.reset_index().to_dict("records"):
        parts.setdefault((row["area_id"], row["side"]), []).append(
            PartMeasure(
                part=int(row["part"]),
                n_spots=int(row["n_spots"]),
                n_short_spots=int(row["n_short_spots"]),
                mean_um=float(row["mean_um"]),
                lowest_um=float(row["lowest_um"]),
                highest_um=float(row["highest_um"]),
                lowest_reading_um=float(row["lowest_reading_um"]),
                highest_reading_um=float(row["highest_reading_um"]),
            )
        )
    return parts
