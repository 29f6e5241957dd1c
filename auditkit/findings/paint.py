"""Where the paint went: what was sprayed, what film is found of it, and what rework would take."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.findings.film import FilmFindings
from auditkit.findings.rework import rework_by_job, rework_sides
from auditkit.stats.resampling import bca_limits, bootstrap_weights, leave_out_weights, percentile_limits
from auditkit.trade.paint import (
    MANUAL_ROTARY_TRANSFER_EFFICIENCY,
    spreading_rate_m2_l,
    transfer_efficiency_pct,
    wet_film_um,
)
from auditkit.trade.timeline import Timeline

Floats = npt.NDArray[np.float64]

__all__ = ["FEWEST_AREAS", "PaintFindings", "find_paint"]

FEWEST_AREAS = 5
"""Areas a job must have before its efficiency is given with an interval."""

OWN_CATCH = "catch test of the run"
UNIT_MEDIAN = "median of the unit's catch tests"
NO_CATCH = "no catch test of the unit"

_NOTES = (
    "The efficiency is an estimate, and a low one: a catch is made with the bell at rest, and the trigger's own time "
    "is not recorded, so the whole run counts as spraying. Paint used is an upper bound, efficiency a lower bound.",
    "Film that lay there before the work, if it was not removed, counts as paint that arrived and raises the estimate.",
    "A job that names no thinner and no share of it is taken to have none.",
    "The recorded size of an area is taken as the size of each of its two sides.",
    "Intervals hold for the areas as they were drawn; an error that all areas share, such as that of the catch, is not "
    "in them.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PaintFindings:
    """Paint by run, area and job.

    Parameters
    ----------
    runs : DataFrame
        One row a run, sorted by run_id: run_id, area_id, job_id, unit_id,
        minutes, flow_ml_min `[mL/min]`, flow_from (where the flow is from, or
        why there is none), sprayed_l (as sprayed, thinner in it) `[L]`.
    areas : DataFrame
        One row an area, sorted by area_id: area_id, job_id, size_m2, runs,
        runs_borrowed (with the unit's median flow), borrowed_l (paint of
        those), sprayed_l, solids_l, paint_l (unthinned) `[L]`, facing_um, reverse_um (mean dry film, the
        rule's correction for profile taken off) `[um]`, film_l (dry film on
        both sides) `[L]`, efficiency_pct `[%]`, why (why there is none, or
        empty).
    jobs : DataFrame
        One row a job, sorted by job_id: job_id, areas, excluded, film_l,
        solids_l, borrowed_pct (share of paint from borrowed flow),
        efficiency_pct, low_pct, high_pct (interval), area_low_pct,
        area_high_pct (quartiles of the areas), faced_pct, faced_low_pct,
        faced_high_pct (paint on the faced side alone), default_pct (public
        default), reason.
    spreading : DataFrame
        One row a job: job_id, nominal_um, volume_solids_pct, thinner_pct,
        wet_nominal_um, wet_minimum_um (wet film needed, thinned),
        theoretical_m2_l (at the nominal, one side), at_film_m2_l (without
        loss, at the film found on both sides), found_m2_l (area per litre of
        unthinned paint sprayed).
    rework : DataFrame
        One row an area and side that does not conform, see
        `findings.rework.rework_sides`.
    rework_jobs : DataFrame
        The same by job, see `findings.rework.rework_by_job`.
    n, excluded : int
        Areas with both paint and film, and areas without.
    confidence : float
    method : str
    settings : mapping
        resamples, default_efficiency_pct.
    notes : tuple of str
        What the reader must know.
    """

    runs: pd.DataFrame
    areas: pd.DataFrame
    jobs: pd.DataFrame
    spreading: pd.DataFrame
    rework: pd.DataFrame
    rework_jobs: pd.DataFrame
    n: int
    excluded: int
    confidence: float
    method: str
    settings: Mapping[str, Any]
    notes: tuple[str, ...]


def find_paint(
    tables: Mapping[str, pd.DataFrame],
    timeline: Timeline,
    film: FilmFindings,
    *,
    rng: np.random.Generator,
    confidence: float = 0.95,
    resamples: int = 2000,
    default_efficiency: float = MANUAL_ROTARY_TRANSFER_EFFICIENCY,
) -> PaintFindings:
    """Return the paint sprayed against the film found, by area and job, and the paint that rework needs.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; jobs and areas are used.
    timeline : Timeline
        For the minutes and flow of each run.
    film : FilmFindings
        For the film on each side, and which sides do not conform.
    rng : Generator
        For the resampling of areas.
    confidence : float
        Of the intervals.
    resamples : int
    default_efficiency : float
        Public default to show beside the estimate `[-]`.

    References
    ----------
    ASTM D5286 (transfer efficiency); 40 CFR 60.313 (the default); sources of
    the other arithmetic in `trade.paint`.
    """
    jobs = tables["jobs"].sort_values("job_id", ignore_index=True)
    jobs = jobs.assign(thinner_pct=jobs["thinner_pct"].mask(jobs["thinner"].isna() & jobs["thinner_pct"].isna(), 0.0))
    runs = _sprayed(timeline.runs)
    areas = _areas(tables["areas"], jobs, runs, film)
    by_job = _efficiencies(areas, jobs, rng=rng, confidence=confidence, resamples=resamples)
    by_job.insert(len(by_job.columns) - 1, "default_pct", 100.0 * default_efficiency)
    rework = rework_sides(film.areas, tables["areas"], jobs, by_job, tests=film.tests)
    known = int((areas["why"] == "").sum())
    return PaintFindings(
        runs=runs,
        areas=areas,
        jobs=by_job,
        spreading=_spreading(areas, jobs),
        rework=rework,
        rework_jobs=rework_by_job(rework),
        n=known,
        excluded=len(areas) - known,
        confidence=confidence,
        method=(
            "Paint sprayed is flow x minutes, the flow from the run's own catch tests, else the median of its unit's. "
            "Film found is mean dry film x size on both sides. Efficiency is solids found / solids sprayed, summed "
            f"over a job's areas; intervals by bias-corrected bootstrap of areas, {resamples} resamples."
        ),
        settings=MappingProxyType({"resamples": resamples, "default_efficiency_pct": 100.0 * default_efficiency}),
        notes=_NOTES,
    )


def _sprayed(runs: pd.DataFrame) -> pd.DataFrame:
    """Return each run's paint as sprayed, and where its flow is from."""
    frame = runs[["run_id", "area_id", "job_id", "unit_id", "minutes", "flow_ml_min"]]
    frame = frame.sort_values("run_id", ignore_index=True)
    own = frame["flow_ml_min"].astype("float64")
    usual = frame["unit_id"].map(own.groupby(frame["unit_id"]).median()).astype("float64")
    source = pd.Series(UNIT_MEDIAN, index=frame.index, dtype="str").mask(own.notna(), OWN_CATCH)
    flow = own.fillna(usual)
    return frame.assign(
        flow_ml_min=flow,
        flow_from=source.mask(flow.isna(), NO_CATCH),
        sprayed_l=flow * frame["minutes"].astype("float64") / 1000.0,
    )


def _areas(places: pd.DataFrame, jobs: pd.DataFrame, runs: pd.DataFrame, film: FilmFindings) -> pd.DataFrame:
    """Return paint and film of each area."""
    grouped = runs.groupby("area_id", sort=True)
    sprayed = pd.DataFrame(
        {
            "runs": grouped.size(),
            "runs_borrowed": (runs["flow_from"] == UNIT_MEDIAN).groupby(runs["area_id"]).sum(),
            "borrowed_l": runs["sprayed_l"].where(runs["flow_from"] == UNIT_MEDIAN, 0.0).groupby(runs["area_id"]).sum(),
            "sprayed_l": grouped["sprayed_l"].sum().mask(grouped["sprayed_l"].count() < grouped.size()),
        }
    ).rename_axis("area_id")
    areas = places[["area_id", "job_id", "size_m2"]].sort_values("area_id", ignore_index=True)
    areas = areas.merge(sprayed.reset_index(), on="area_id", how="left")
    areas[["runs", "runs_borrowed"]] = areas[["runs", "runs_borrowed"]].fillna(0).astype("int64")
    recipe = areas[["job_id"]].merge(jobs[["job_id", "volume_solids_pct", "thinner_pct"]], on="job_id", how="left")
    paint = areas["sprayed_l"].astype("float64") / (1.0 + recipe["thinner_pct"].astype("float64") / 100.0)
    areas["paint_l"] = paint
    areas["solids_l"] = paint * recipe["volume_solids_pct"].astype("float64") / 100.0
    areas = areas.merge(_mean_film(film), on="area_id", how="left")
    areas["film_l"] = (areas["facing_um"] + areas["reverse_um"]) * areas["size_m2"] / 1000.0  # um x m2 = mL
    areas["efficiency_pct"] = 100.0 * areas["film_l"] / areas["solids_l"]
    why = pd.Series("", index=areas.index, dtype="str")
    for missing, said in (
        (areas["film_l"].isna(), "film was not measured on both sides"),
        (recipe["thinner_pct"].isna(), "the thinner's share is not recorded"),
        (areas["sprayed_l"].isna(), "a run on it has a unit without any catch test"),
        (areas["runs"] == 0, "no spray run is recorded"),
    ):
        why = why.mask(missing, said)
    columns = [
        "area_id",
        "job_id",
        "size_m2",
        "runs",
        "runs_borrowed",
        "borrowed_l",
        "sprayed_l",
        "solids_l",
        "paint_l",
    ]
    return areas.assign(why=why)[[*columns, "facing_um", "reverse_um", "film_l", "efficiency_pct", "why"]]


def _mean_film(film: FilmFindings) -> pd.DataFrame:
    """Return the mean film of each area by side: mean over its spots, less the rule's correction."""
    spots = film.spots[film.spots["side"] != "edge"]
    means = spots.groupby(["area_id", "side"])["dft_um"].mean().unstack("side")
    means = means.reindex(columns=["facing", "reverse"]).astype("float64")
    correction = film.areas.set_index(["area_id", "side"])["correction_um"].unstack("side")
    correction = correction.reindex(index=means.index, columns=means.columns).astype("float64").fillna(0.0)
    return (means - correction).add_suffix("_um").rename_axis(index="area_id", columns=None).reset_index()


def _efficiencies(
    areas: pd.DataFrame, jobs: pd.DataFrame, *, rng: np.random.Generator, confidence: float, resamples: int
) -> pd.DataFrame:
    """Return each job's efficiency, on both sides and on the faced side alone, with intervals."""
    rows = []
    for job_id in jobs["job_id"]:
        own = areas[areas["job_id"] == job_id]
        used = own[own["why"] == ""]
        solids = used["solids_l"].to_numpy(dtype="float64")
        faced = (used["facing_um"] * used["size_m2"] / 1000.0).to_numpy(dtype="float64")
        found = used["film_l"].to_numpy(dtype="float64")
        total, reason = _efficiency(found, solids)
        row: dict[str, Any] = {
            "job_id": job_id,
            "areas": len(used),
            "excluded": len(own) - len(used),
            "film_l": float(found.sum()),
            "solids_l": float(solids.sum()),
            "borrowed_pct": _percent_of(float(used["borrowed_l"].sum()), float(used["sprayed_l"].sum())),
            "efficiency_pct": total,
        }
        seed = rng.spawn(1)[0]
        weights = bootstrap_weights(np.arange(len(used)), resamples=resamples, rng=seed) if len(used) else None
        can_tell = weights is not None and len(used) >= FEWEST_AREAS and np.isfinite(total)
        row["low_pct"], row["high_pct"] = _limits(found, solids, weights if can_tell else None, confidence)
        quartiles = used["efficiency_pct"].quantile([0.25, 0.75]).tolist() if len(used) else [np.nan, np.nan]
        row["area_low_pct"], row["area_high_pct"] = quartiles
        row["faced_pct"] = _efficiency(faced, solids)[0]
        row["faced_low_pct"], row["faced_high_pct"] = _limits(faced, solids, weights if can_tell else None, confidence)
        if not reason and not can_tell:
            reason = f"fewer than {FEWEST_AREAS} areas: no interval"
        rows.append(row | {"reason": reason})
    return pd.DataFrame(rows, columns=_JOB_COLUMNS)


_JOB_COLUMNS = [
    *("job_id", "areas", "excluded", "film_l", "solids_l", "borrowed_pct", "efficiency_pct", "low_pct", "high_pct"),
    *("area_low_pct", "area_high_pct", "faced_pct", "faced_low_pct", "faced_high_pct", "reason"),
]


def _efficiency(found: Floats, solids: Floats) -> tuple[float, str]:
    """Return found over sprayed `[%]`, or nan and why."""
    if not len(found):
        return float("nan"), "no area with both paint and film recorded"
    try:
        return transfer_efficiency_pct(float(found.sum()), sprayed=float(solids.sum())), ""
    except ValueError:
        more = "more film is found than paint is recorded as sprayed: a run, a flow or an old coating is not recorded"
        return float("nan"), more


def _limits(found: Floats, solids: Floats, weights: Floats | None, confidence: float) -> tuple[float, float]:
    """Return bootstrap limits of a ratio of sums `[%]`, nan where there are no weights."""
    if weights is None:
        return float("nan"), float("nan")
    left = leave_out_weights(np.arange(len(found)))
    resampled = 100.0 * (weights @ found) / (weights @ solids)
    without = 100.0 * (left @ found) / (left @ solids)
    estimate = 100.0 * float(found.sum() / solids.sum())
    try:
        return bca_limits(estimate, resampled=resampled, left_out=without, confidence=confidence)
    except ValueError:  # areas that do not differ
        return percentile_limits(resampled, confidence=confidence)


def _percent_of(part: float, whole: float) -> float:
    return 100.0 * part / whole if whole > 0 else float("nan")


def _spreading(areas: pd.DataFrame, jobs: pd.DataFrame) -> pd.DataFrame:
    """Return wet films needed and spreading rates, theoretical and found."""
    used = areas[areas["why"] == ""]
    sums = used.groupby("job_id")[["size_m2", "film_l", "paint_l"]].sum()
    rows = []
    for job in jobs.to_dict("records"):
        solids, thinner = float(job["volume_solids_pct"]), float(job["thinner_pct"])
        nominal, minimum = float(job["film_nominal_um"]), float(job["film_min_um"])
        known = not np.isnan(thinner)
        has_film = job["job_id"] in sums.index and sums.loc[job["job_id"], "film_l"] > 0
        size, film_l, paint_l = sums.loc[job["job_id"]].tolist() if has_film else [float("nan")] * 3
        rows.append(
            {
                "job_id": job["job_id"],
                "nominal_um": nominal,
                "volume_solids_pct": solids,
                "thinner_pct": thinner,
                "wet_nominal_um": _wet(nominal, solids, thinner) if known else np.nan,
                "wet_minimum_um": _wet(minimum, solids, thinner) if known else np.nan,
                "theoretical_m2_l": spreading_rate_m2_l(nominal, volume_solids_pct=solids),
                "at_film_m2_l": spreading_rate_m2_l(1000.0 * film_l / size, volume_solids_pct=solids)
                if has_film
                else np.nan,
                "found_m2_l": size / paint_l if has_film else np.nan,
            }
        )
    return pd.DataFrame(rows, columns=_SPREADING_COLUMNS)


_SPREADING_COLUMNS = [
    *("job_id", "nominal_um", "volume_solids_pct", "thinner_pct", "wet_nominal_um", "wet_minimum_um"),
    *("theoretical_m2_l", "at_film_m2_l", "found_m2_l"),
]


def _wet(dry_um: float, solids_pct: float, thinner_pct: float) -> float:
    return wet_film_um(dry_um, volume_solids_pct=solids_pct, thinner_pct=thinner_pct)
