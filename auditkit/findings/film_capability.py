"""Capability of the film: how the spread of spots compares with the limits of the job."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.capability import capability
from auditkit.stats.capability_indices import quantile_capability
from auditkit.stats.variance import nested_components

__all__ = ["LEAST_AREAS", "find_capability"]

CAPABILITY_COLUMNS = [
    "job_id",
    "side",
    "lower_um",
    "upper_um",
    "index",
    "estimate",
    "low",
    "high",
    "spread",
    "distribution",
    "mean_um",
    "sd_um",
    "areas",
    "spots",
    "n_effective",
    "spots_below",
    "spots_above",
    "p_normal_between",
    "p_normal_within",
    "method",
    "note",
]
LEAST_AREAS = 10
"""Below about ten groups the limits of an index do not hold, see `stats.capability`."""

_NOT_NORMAL = 0.01
_DRAWS = 4000
_FAMILIES = ("lognormal", "gamma", "weibull")
Floats = npt.NDArray[np.float64]


def find_capability(
    readings: pd.DataFrame,
    jobs: pd.DataFrame,
    *,
    rng: np.random.Generator,
    confidence: float = 0.95,
    resamples: int = 200,
) -> tuple[pd.DataFrame, list[tuple[Any, ...]]]:
    """Return the capability of each job and side, and where it was refused.

    Parameters
    ----------
    readings : DataFrame
        One row a reading: job_id, area_id, side, spot, dft_um, correction_um
        (what the job's rule takes off each reading for the profile, see
        `trade.film_verdicts.counting_limits`) `[um]`.
    jobs : DataFrame
        job_id, film_min_um, film_max_um, film_reverse_min_um `[um]`.
    rng : numpy.random.Generator
        For the limits of indices by quantiles.
    confidence : float
    resamples : int
        Draws of whole areas behind such limits.

    Returns
    -------
    capability : DataFrame
        One row a job, side and index: job_id, side, lower_um, upper_um (the
        job's minimum for that side and its maximum, without any allowance of
        a rule), index ('Pp', 'Ppl', 'Ppu', 'Ppk'), estimate, low, high,
        spread ('between+within'), distribution ('normal', 'lognormal',
        'gamma', 'weibull'), mean_um, sd_um (of one spot of a new area), areas,
        spots, n_effective, spots_below, spots_above (spots seen beyond the
        limits), p_normal_between, p_normal_within (Shapiro-Wilk, of area means
        and of spots about them), method, note. All of the film less the
        correction, which the method names where there is one.
    refused : list of tuple
        topic, scope, side, what, n, reason.

    Notes
    -----
    A spot is the mean of its readings. In 2 000 simulated normal data sets of
    20 areas of 5 spots, 95 % limits of Ppk on the spread between and within
    areas covered 93 to 97 %, the plain standard deviation of the same spots 83
    % (of Pp). A spread that is not normal (p below 0.01 for area means or for
    spots about them) is handled by quantiles: as lognormal where logarithms
    pass the same look, with limits that covered 93 to 95 % in 1 000 simulated
    sets of 30 areas of 5 spots; else as the likeliest of lognormal, gamma and
    weibull, with limits from draws of whole areas that are too narrow (about
    80 % in 200 simulated sets), which the method says.

    References
    ----------
    As in `stats.capability` and `stats.capability_indices`.
    """
    readings = readings.assign(dft_um=readings["dft_um"] - readings["correction_um"])
    spots = readings.groupby(["job_id", "side", "area_id", "spot"], sort=True)["dft_um"].agg(["mean", "size"])
    spots = spots.reset_index().rename(columns={"mean": "dft_um", "size": "readings"})
    limits = {str(row["job_id"]): row for _, row in jobs.iterrows()}
    frames, refused = [], []
    for (job, side), part in spots.groupby(["job_id", "side"], sort=True):
        lower, upper = _limits(limits[str(job)], str(side))
        reason = _cannot(part, lower, upper)
        if reason:
            refused.append(("capability", str(job), str(side), "all", int(part["area_id"].nunique()), reason))
            continue
        rows = _one(part, lower=lower, upper=upper, rng=rng, confidence=confidence, resamples=resamples)
        whole = readings[(readings["job_id"] == job) & (readings["side"] == side)]
        naive = _naive(whole, lower=lower, upper=upper, confidence=confidence)
        rows = rows.assign(
            method=rows["method"] + _less(whole["correction_um"]),
            note=[naive if name == "Ppk" else "" for name in rows["index"]],
        )
        frames.append(
            rows.assign(job_id=str(job), side=str(side), lower_um=lower, upper_um=math.nan if upper is None else upper)
        )
    if not frames:
        return pd.DataFrame(columns=CAPABILITY_COLUMNS), refused
    return pd.concat(frames, ignore_index=True)[CAPABILITY_COLUMNS], refused


def _less(correction: pd.Series) -> str:
    """Return what was taken off the readings, in words; blank where nothing was."""
    least, most = float(correction.min()), float(correction.max())
    if not most > 0:
        return ""
    taken = f"{most:g} um" if least == most else f"{least:g} to {most:g} um"
    return f"; of the film less the rule's correction for the profile, {taken}"


def _limits(job: pd.Series, side: str) -> tuple[float, float | None]:
    """Return the minimum and maximum of a side; no maximum where none was specified."""
    lower = float(job["film_min_um"])
    if side == "reverse" and pd.notna(job["film_reverse_min_um"]):
        lower = float(job["film_reverse_min_um"])
    return lower, float(job["film_max_um"]) if pd.notna(job["film_max_um"]) else None


def _cannot(part: pd.DataFrame, lower: float, upper: float | None) -> str:
    areas = int(part["area_id"].nunique())
    if areas < LEAST_AREAS:
        return (
            f"{areas} areas, {LEAST_AREAS} are needed: what areas differ by is hardly known from so few, and an index "
            "from the spots alone would claim too much"
        )
    if int(part.groupby("area_id").size().max()) < 2:
        return "no area has two spots: the spread within areas cannot be told from that between them"
    if upper is not None and upper <= lower:
        return f"the maximum {upper:g} um is not above the side's minimum {lower:g} um"
    if part["dft_um"].nunique() < 2:
        return "all spots read the same: there is no spread to compare"
    return ""


def _one(
    part: pd.DataFrame,
    *,
    lower: float,
    upper: float | None,
    rng: np.random.Generator,
    confidence: float,
    resamples: int,
) -> pd.DataFrame:
    """Return the indices of one job and side, normal or by quantiles."""
    found = capability(
        part,
        response="dft_um",
        spread="between+within",
        group="area_id",
        lower=lower,
        upper=upper,
        confidence=confidence,
    )
    p_between, p_within = _normality(part)
    known: dict[str, Any] = {
        "spread": found.spread,
        "mean_um": found.mean,
        "sd_um": found.sd,
        "areas": found.groups,
        "spots": found.n,
        "n_effective": found.n_effective,
        "spots_below": int((part["dft_um"] < lower).sum()),
        "spots_above": 0 if upper is None else int((part["dft_um"] > upper).sum()),
        "p_normal_between": p_between,
        "p_normal_within": p_within,
    }
    if min(p_between, p_within) >= _NOT_NORMAL or part["dft_um"].min() <= 0:
        table = found.indices[["index", "estimate", "low", "high", "method"]]
        return table.assign(distribution="normal", method=found.method + "; " + table["method"], **known)
    logs = part.assign(dft_um=np.log(part["dft_um"]))
    if min(_normality(logs)) >= _NOT_NORMAL:
        table = _lognormal(logs, lower=lower, upper=upper, rng=rng, confidence=confidence)
        method = (
            f"quantiles of a lognormal spread between and within areas; {_DRAWS} draws of the mean and standard "
            "deviation of logarithms"
        )
        return table.assign(distribution="lognormal", method=method, **known)
    table, family = _by_quantiles(part, lower=lower, upper=upper, rng=rng, confidence=confidence, resamples=resamples)
    return table.assign(
        distribution=family,
        method=f"quantiles of a fitted {family} spread; percentiles of {resamples} draws of whole areas, too narrow",
        **known,
    )


def _lognormal(
    logs: pd.DataFrame, *, lower: float, upper: float | None, rng: np.random.Generator, confidence: float
) -> pd.DataFrame:
    """Return indices by quantiles where logarithms are normal, on their spread between and within areas.

    Limits are percentiles of fiducial draws of both mean squares and of the
    mean (Weerahandi 1995, Exact Statistical Methods for Data Analysis).
    """
    found = nested_components(logs, response="dft_um", nesting=["area_id"], confidence=confidence)
    mean, total = float(logs["dft_um"].mean()), float(found.components["variance"].sum())
    sizes = logs.groupby("area_id").size().to_numpy(dtype=float)
    size = (sizes.sum() - (sizes**2).sum() / sizes.sum()) / (len(sizes) - 1)
    ms, df = (found.table[column].to_numpy(dtype=float) for column in ("ms", "df"))
    among, inside = (ms[i] * df[i] / rng.chisquare(df[i], _DRAWS) for i in (0, 1))
    between = np.maximum(among - inside, 0.0) / size
    of_mean = np.sqrt(between * (sizes**2).sum() / sizes.sum() ** 2 + inside / sizes.sum())
    means, sds = mean + of_mean * rng.standard_normal(_DRAWS), np.sqrt(between + inside)
    point = _lognormal_indices(np.array([mean]), np.array([math.sqrt(total)]), lower, upper)
    drawn = _lognormal_indices(means, sds, lower, upper)
    tail = 50.0 * (1.0 - confidence)
    rows = [
        (name, float(point[name][0]), *(float(x) for x in np.percentile(drawn[name], [tail, 100.0 - tail])))
        for name in point
    ]
    return pd.DataFrame(rows, columns=["index", "estimate", "low", "high"])


def _lognormal_indices(mean: Floats, sd: Floats, lower: float, upper: float | None) -> dict[str, Floats]:
    """Return indices from the quantiles of lognormal spreads: median, and exp(mean -+ 3 sd) for 0.135 and 99.865 %."""
    median, least, most = np.exp(mean), np.exp(mean - 3.0 * sd), np.exp(mean + 3.0 * sd)
    below = (median - lower) / (median - least)
    if upper is None:
        return {"Ppl": below, "Ppk": below}
    above = (upper - median) / (most - median)
    return {"Pp": (upper - lower) / (most - least), "Ppl": below, "Ppu": above, "Ppk": np.minimum(below, above)}


def _normality(part: pd.DataFrame) -> tuple[float, float]:
    """Return Shapiro-Wilk p of the area means, and of the spots about them on a common scale."""
    from scipy.stats import shapiro

    groups = part.groupby("area_id")["dft_um"]
    size = groups.transform("size")
    inside = (part["dft_um"] - groups.transform("mean")) / np.sqrt((1.0 - 1.0 / size).where(size > 1))
    inside = inside.dropna()
    p_within = float(shapiro(inside).pvalue) if len(inside) >= 3 and inside.std() > 0 else 1.0
    means = groups.mean()
    return (float(shapiro(means).pvalue) if means.std() > 0 else 1.0), p_within


def _by_quantiles(
    part: pd.DataFrame,
    *,
    lower: float,
    upper: float | None,
    rng: np.random.Generator,
    confidence: float,
    resamples: int,
) -> tuple[pd.DataFrame, str]:
    values = part["dft_um"].to_numpy(dtype=float)
    family = _likeliest(values)
    areas = [group.to_numpy(dtype=float) for _, group in part.groupby("area_id", sort=True)["dft_um"]]
    point = _indices(values, lower, upper, family)
    drawn = []
    for _ in range(resamples):
        chosen = rng.integers(0, len(areas), len(areas))
        drawn.append(list(_indices(np.concatenate([areas[i] for i in chosen]), lower, upper, family).values()))
    tail = 50.0 * (1.0 - confidence)
    low, high = np.percentile(np.array(drawn), [tail, 100.0 - tail], axis=0)
    return pd.DataFrame({"index": list(point), "estimate": list(point.values()), "low": low, "high": high}), family


def _indices(values: Floats, lower: float, upper: float | None, family: str) -> dict[str, float]:
    found = quantile_capability(values, lower=lower, upper=upper, distribution=family)
    named = {"Pp": found.cp, "Ppl": found.cpl, "Ppu": found.cpu, "Ppk": found.cpk}
    return {name: value for name, value in named.items() if not math.isnan(value)}


def _likeliest(values: Floats) -> str:
    """Return the family with the greatest likelihood; each has two parameters."""
    from scipy import stats

    families = {"lognormal": stats.lognorm, "gamma": stats.gamma, "weibull": stats.weibull_min}
    heights = {
        name: float(families[name].logpdf(values, *families[name].fit(values, floc=0)).sum()) for name in _FAMILIES
    }
    return max(heights, key=lambda name: heights[name])


def _naive(readings: pd.DataFrame, *, lower: float, upper: float | None, confidence: float) -> str:
    """Return what readings taken as independent would have claimed."""
    found = capability(readings, response="dft_um", spread="overall", lower=lower, upper=upper, confidence=confidence)
    row = found.indices.set_index("index").loc["Ppk"]
    return (
        f"misleading, not to be used: the {found.n} readings taken as independent would have given Ppk "
        f"{row['estimate']:.2f} ({row['low']:.2f} to {row['high']:.2f}), too sure of itself, since readings of one "
        "spot and spots of one area are alike"
    )
