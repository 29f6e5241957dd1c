"""Did paint wrap round to the back: ratings against the job's requirement, and reverse film against facing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from auditkit.stats.means import mean_interval
from auditkit.trade.wrap import reverse_ratio, wrap_share

__all__ = ["WrapFindings", "find_wrap"]


@dataclass(frozen=True, slots=True, kw_only=True)
class WrapFindings:
    """Wrap by area and by geometry.

    Parameters
    ----------
    areas : DataFrame
        One row an area, sorted by area_id: area_id, job_id, geometry, verdict,
        reason, ratings, inspectors, wrap_pct (mean over inspectors of the mean
        of their ratings) `[%]`, required_pct `[%]`, facing_um, reverse_um
        `[um]`, ratio `[-]`.
    geometries : DataFrame
        One row a geometry: geometry, areas, rated, wrap_pct (mean over areas),
        measured, ratio (mean over areas) `[-]`, ratio_low, ratio_high (95 %
        interval of that mean, areas as the units; Student's t), ratio_q1,
        ratio_q3 (quartiles of the areas).
    n, excluded : int
        Areas judged, and areas not assessable or of which no wrap is required.
    method : str
        What was done, in a sentence.
    """

    areas: pd.DataFrame
    geometries: pd.DataFrame
    n: int
    excluded: int
    method: str


def find_wrap(
    tables: Mapping[str, pd.DataFrame], spots: pd.DataFrame, observations: pd.DataFrame | None = None
) -> WrapFindings:
    """Return the wrap verdict of every area.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; areas, jobs and wrap observations are used.
    spots : DataFrame
        Film spots, see `trade.film.spots`.
    observations : DataFrame, optional
        Wrap observations to judge by; left out, all of them.
    """
    jobs = tables["jobs"][["job_id", "wrap_min_pct"]].rename(columns={"wrap_min_pct": "required_pct"})
    areas = tables["areas"][["area_id", "job_id", "geometry"]].merge(jobs, on="job_id", how="left")
    rated = tables["wrap_observations"] if observations is None else observations
    areas = areas.merge(_ratings(rated), on="area_id", how="left")
    areas = areas.merge(reverse_ratio(spots), on="area_id", how="left").sort_values("area_id", ignore_index=True)
    areas[["ratings", "inspectors"]] = areas[["ratings", "inspectors"]].fillna(0).astype("int64")
    areas = _judge(areas)
    judged = areas["verdict"].isin(["conforms", "does not conform"])
    return WrapFindings(
        areas=areas[_COLUMNS],
        geometries=_by_geometry(areas),
        n=int(judged.sum()),
        excluded=int((~judged).sum()),
        method=(
            "An area's wrap is the mean over inspectors of each one's mean rating, as a share of the full scale; "
            "it conforms when that is at least what the job requires."
        ),
    )


_COLUMNS = [
    "area_id",
    "job_id",
    "geometry",
    "verdict",
    "reason",
    "ratings",
    "inspectors",
    "wrap_pct",
    "required_pct",
    "facing_um",
    "reverse_um",
    "ratio",
]


def _ratings(observations: pd.DataFrame) -> pd.DataFrame:
    rated = observations.assign(wrap_pct=wrap_share(observations["rating"], observations["scale"]))
    by_inspector = rated.groupby(["area_id", "inspector_id"])["wrap_pct"].agg(["mean", "size"]).reset_index()
    grouped = by_inspector.groupby("area_id", sort=True)
    return pd.DataFrame(
        {"ratings": grouped["size"].sum(), "inspectors": grouped.size(), "wrap_pct": grouped["mean"].mean()}
    ).reset_index()


def _judge(areas: pd.DataFrame) -> pd.DataFrame:
    short = areas["wrap_pct"] < areas["required_pct"] * (1 - 1e-9)  # a mean that ties with the requirement meets it
    verdict = pd.Series("conforms", index=areas.index, dtype="str").mask(short, "does not conform")
    reason = pd.Series("wrap is at least what the job requires", index=areas.index, dtype="str")
    reason = reason.mask(short, "wrap is less than the job requires")
    for missing, word, why in (
        (areas["wrap_pct"].isna(), "not assessable", "no wrap rating"),
        (areas["required_pct"].isna(), "not required", "the job requires no wrap"),
    ):
        verdict = verdict.mask(missing, word)
        reason = reason.mask(missing, why)
    return areas.assign(verdict=verdict, reason=reason)


def _by_geometry(areas: pd.DataFrame) -> pd.DataFrame:
    grouped = areas.groupby("geometry", sort=True)
    return pd.DataFrame(
        {
            "areas": grouped.size(),
            "rated": grouped["wrap_pct"].count(),
            "wrap_pct": grouped["wrap_pct"].mean(),
            "measured": grouped["ratio"].count(),
            "ratio": grouped["ratio"].mean(),
            "ratio_low": grouped["ratio"].apply(lambda values: _limits(values)[0]),
            "ratio_high": grouped["ratio"].apply(lambda values: _limits(values)[1]),
            "ratio_q1": grouped["ratio"].quantile(0.25),
            "ratio_q3": grouped["ratio"].quantile(0.75),
        }
    ).reset_index()


def _limits(values: pd.Series) -> tuple[float, float]:
    interval = mean_interval(values)
    return (float("nan"), float("nan")) if interval is None else (interval.low, interval.high)
