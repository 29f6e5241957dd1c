"""What it takes to put right the sides that do not conform: film to add, and litres of paint for it."""

from __future__ import annotations

from typing import Any

import pandas as pd

from auditkit.trade.film_verdicts import falls_short
from auditkit.trade.paint import practical_spreading_rate, spreading_rate_m2_l

__all__ = ["ADD", "STRIP", "rework_by_job", "rework_sides"]

ADD = "add film"
STRIP = "strip and recoat"

_BY_READING = ("iso-19840", "90-10")
_KEY = ["area_id", "side"]
_LITRES = ["paint_l", "paint_low_l", "paint_high_l", "paint_default_l"]
_COLUMNS = ["area_id", "side", "job_id", "size_m2", "reason", "work", "film_um", *_LITRES, "thinned_l"]


def rework_sides(
    sides: pd.DataFrame, areas: pd.DataFrame, jobs: pd.DataFrame, efficiency: pd.DataFrame, *, tests: pd.DataFrame
) -> pd.DataFrame:
    """Return the film and paint that each side needs which does not conform.

    A side that is too thin is given an even coat that brings its mean to the
    nominal and its lowest place to what is asked of it: under SSPC-PA 2 the
    lowest spot to the minimum, under the rules that count readings the lowest
    reading to the nominal. Where any value the rule limits from above (mean,
    highest spot, highest reading; the contract's own limits too) is above its
    limit or would come above it, and where nothing is too thin, the side is
    stripped and given the nominal film anew. Under a contract's own limits a
    mean below the nominal is taken as too thin. Whether a side then conforms
    must be measured.

    Parameters
    ----------
    sides : DataFrame
        `FilmFindings.areas`.
    areas : DataFrame
        area_id, size_m2 `[m2]`.
    jobs : DataFrame
        job_id, volume_solids_pct, thinner_pct `[%]`.
    efficiency : DataFrame
        job_id, faced_pct, faced_low_pct, faced_high_pct (share that lands on
        the side the bell faces, since a single side is put right by facing
        it), default_pct `[%]`.
    tests : DataFrame
        `FilmFindings.tests`: area_id, side, holds, observed, limit `[um]`; those
        that hold "at most" are used.

    Returns
    -------
    DataFrame
        One row an area and side, sorted: area_id, side, job_id, size_m2,
        reason, work, film_um (dry film to put on) `[um]`, paint_l (unthinned,
        at the estimate), paint_low_l and paint_high_l (at the ends of its
        interval), paint_default_l (at the default), thinned_l (paint_l with
        thinner) `[L]`. Paint is blank where the efficiency is not known.

    Examples
    --------
    >>> sides = pd.DataFrame({
    ...     "area_id": ["A1"], "side": ["facing"], "job_id": ["J1"], "verdict": ["does not conform"],
    ...     "reason": ["thin"], "rule": ["sspc-pa-2"], "minimum_um": [60.0], "nominal_um": [75.0],
    ...     "mean_um": [55.0], "lowest_spot_um": [50.0], "lowest_reading_um": [48.0]})
    >>> areas = pd.DataFrame({"area_id": ["A1"], "size_m2": [4.0]})
    >>> jobs = pd.DataFrame({"job_id": ["J1"], "volume_solids_pct": [50.0], "thinner_pct": [10.0]})
    >>> efficiency = pd.DataFrame({"job_id": ["J1"], "faced_pct": [40.0], "faced_low_pct": [32.0],
    ...                            "faced_high_pct": [50.0], "default_pct": [80.0]})
    >>> tests = pd.DataFrame({"area_id": ["A1"], "side": ["facing"], "holds": ["at most"], "observed": [61.0],
    ...                       "limit": [132.0]})
    >>> rework_sides(sides, areas, jobs, efficiency, tests=tests).iloc[:, 5:].round(2).values.tolist()
    [['add film', 20.0, 0.4, 0.32, 0.5, 0.2, 0.44]]
    """
    bad = sides[sides["verdict"] == "does not conform"].sort_values(["area_id", "side"], ignore_index=True)
    bad = bad.merge(areas[["area_id", "size_m2"]], on="area_id", how="left")
    bad = bad.merge(jobs[["job_id", "volume_solids_pct", "thinner_pct"]], on="job_id", how="left")
    shares = ["faced_pct", "faced_low_pct", "faced_high_pct", "default_pct"]
    bad = bad.merge(efficiency[["job_id", *shares]], on="job_id", how="left")
    above = tests[tests["holds"] == "at most"].dropna(subset=["observed", "limit"])
    capped = {key: list(zip(own["observed"], own["limit"], strict=True)) for key, own in above.groupby(_KEY)}
    rows = []
    for side in bad.to_dict("records"):
        work, film_um = _needed(side, capped.get((side["area_id"], side["side"]), []))
        row = {name: side[name] for name in ("area_id", "side", "job_id", "size_m2", "reason")}
        row |= {"work": work, "film_um": film_um}
        row["paint_l"] = _litres(side, film_um, side["faced_pct"])
        row["paint_low_l"] = _litres(side, film_um, side["faced_high_pct"])
        row["paint_high_l"] = _litres(side, film_um, side["faced_low_pct"])
        row["paint_default_l"] = _litres(side, film_um, side["default_pct"])
        row["thinned_l"] = row["paint_l"] * (1.0 + side["thinner_pct"] / 100.0)
        rows.append(row)
    return pd.DataFrame(rows, columns=_COLUMNS)


def rework_by_job(rework: pd.DataFrame) -> pd.DataFrame:
    """Return the paint that rework needs, by job.

    The efficiency of a job is common to its areas, so that the ends of their
    intervals add up.

    Parameters
    ----------
    rework : DataFrame
        As `rework_sides` returns.

    Returns
    -------
    DataFrame
        One row a job with such sides, sorted: job_id, sides, stripped,
        size_m2 `[m2]`, paint_l, paint_low_l, paint_high_l, paint_default_l
        `[L]`, blank where any of its sides is.

    Examples
    --------
    >>> rework = pd.DataFrame({
    ...     "job_id": ["J1", "J1"], "work": ["add film", "strip and recoat"], "size_m2": [4.0, 2.0],
    ...     "paint_l": [0.4, 0.6], "paint_low_l": [0.3, 0.5], "paint_high_l": [0.5, 0.7],
    ...     "paint_default_l": [0.2, 0.3]})
    >>> rework_by_job(rework).values.tolist()
    [['J1', 2, 1, 6.0, 1.0, 0.8, 1.2, 0.5]]
    """
    rows = [
        {
            "job_id": job_id,
            "sides": len(own),
            "stripped": int((own["work"] == STRIP).sum()),
            "size_m2": float(own["size_m2"].sum()),
            **{name: float(own[name].sum(skipna=False)) for name in _LITRES},
        }
        for job_id, own in rework.groupby("job_id", sort=True)
    ]
    return pd.DataFrame(rows, columns=["job_id", "sides", "stripped", "size_m2", *_LITRES])


def _needed(side: dict[Any, Any], capped: list[tuple[float, float]]) -> tuple[str, float]:
    """Return what must be done to a side and the dry film to put on `[um]`; `capped`: values, upper limits."""
    nominal, mean = float(side["nominal_um"]), float(side["mean_um"])
    if side["rule"] in _BY_READING:
        asked, lowest = nominal, float(side["lowest_reading_um"])
    else:
        asked, lowest = float(side["minimum_um"]), float(side["lowest_spot_um"])
    thin = lowest < asked or mean < (nominal if side["rule"] == "own" else asked)
    lacking = max(nominal - mean, asked - lowest)
    if not thin or any(falls_short(limit, observed + lacking) for observed, limit in capped):
        return STRIP, nominal
    return ADD, lacking


def _litres(side: dict[Any, Any], film_um: float, share_pct: float) -> float:
    """Return unthinned paint for a dry film at an efficiency `[L]`, nan where that is not known."""
    if not share_pct > 0:
        return float("nan")
    theoretical = spreading_rate_m2_l(film_um, volume_solids_pct=float(side["volume_solids_pct"]))
    rate = practical_spreading_rate(theoretical, transfer_efficiency_pct=min(float(share_pct), 100.0))
    return float(side["size_m2"]) / rate
