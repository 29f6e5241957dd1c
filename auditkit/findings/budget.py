"""Where the doubt in a film thickness comes from: gauges, standards, repeats, spots and the correction for profile."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.quantities import Quantity, quantity_from_half_width
from auditkit.stats.uncertainty import combine
from auditkit.stats.variance import nested_components

__all__ = ["BUDGET", "GAUGE_FROM", "TOTALS", "Spread", "film_budgets", "gauge_errors", "side_spreads"]

GAUGE_FROM = ("tolerance", "checks")
_LEAST_DF = 4.0
"""Degrees of freedom of the between-spot spread below which all jobs are pooled."""

BUDGET = {
    "job_id": "str",
    "side": "str",
    "gauge_id": "str",
    "source": "str",
    "standard_uncertainty_um": "float64",
    "df": "float64",
    "contribution_pct": "float64",
    "basis": "str",
}
TOTALS = {
    "job_id": "str",
    "side": "str",
    "gauge_id": "str",
    "n_sides": "int64",
    "spots_per_side": "int64",
    "readings_per_side": "int64",
    "mean_um": "float64",
    "standard_uncertainty_um": "float64",
    "effective_df": "float64",
    "coverage_factor": "float64",
    "expanded_uncertainty_um": "float64",
    "reason": "str",
}
_GAUGE_ERRORS = {
    "gauge_id": "str",
    "n_checks": "int64",
    "gauge_tolerance_pct": "float64",
    "standard_tolerance_pct": "float64",
    "error_pct": "float64",
    "error_df": "float64",
    "repeat_pct": "float64",
    "repeat_df": "float64",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """Spread of film between spots and between readings at a spot.

    Parameters
    ----------
    place_sd_um, reading_sd_um : float
        Standard deviations `[um]`; NaN where they cannot be known.
    place_df : float
        Degrees of freedom between spots within areas.
    reading_df : float
        Degrees of freedom of `reading_sd_um`.
    spot_means_sd_um : float
        Spread of the means of spots: between spots and, from `readings_per_spot`
        readings, within them `[um]`.
    readings_per_spot : float
        Effective number of readings in a spot's mean.
    basis : str
        What they were learnt from, or why they cannot be known.
    """

    place_sd_um: float
    place_df: float
    reading_sd_um: float
    reading_df: float
    spot_means_sd_um: float
    readings_per_spot: float
    basis: str


def gauge_errors(gauge_checks: pd.DataFrame) -> pd.DataFrame:
    """Return what the checks say of each gauge, as a share of the certified value.

    Parameters
    ----------
    gauge_checks : DataFrame
        Grain: one reading of one gauge on one standard at one check. A
        certified value of 0 is left out: it has no shares.

    Returns
    -------
    DataFrame
        gauge_id (sorted), n_checks, gauge_tolerance_pct and
        standard_tolerance_pct (the largest on record), error_pct (root mean
        square of the errors of the check means) with error_df (one a check),
        repeat_pct (spread of repeats on one standard at one check) with
        repeat_df; NaN where nothing was repeated.

    References
    ----------
    JCGM 100:2008, 4.2 (repeats), 4.3.7 (tolerances). The root mean square takes
    a lasting error into the uncertainty, since readings are not corrected for it.

    Examples
    --------
    >>> checks = pd.DataFrame({"gauge_id": "G1", "checked_at": pd.Timestamp("2027-01-13", tz="UTC"),
    ...                        "certified_um": 100.0, "reading_um": [101.0, 103.0], "gauge_tolerance_pct": 3.0,
    ...                        "standard_tolerance_pct": 1.0})
    >>> gauge_errors(checks).loc[0, ["error_pct", "repeat_pct", "repeat_df"]].round(4).tolist()
    [2.0, 1.4142, 1.0]
    """
    checks = gauge_checks[gauge_checks["certified_um"] > 0]
    rows = []
    for gauge, own in checks.groupby("gauge_id", sort=True):
        error = 100.0 * (own["reading_um"] / own["certified_um"] - 1.0)
        group = [own["checked_at"], own["certified_um"]]
        means = error.groupby(group).mean()
        within, freedom = float(((error - error.groupby(group).transform("mean")) ** 2).sum()), len(own) - len(means)
        rows.append(
            {
                "gauge_id": gauge,
                "n_checks": own["checked_at"].nunique(),
                "gauge_tolerance_pct": own["gauge_tolerance_pct"].max(),
                "standard_tolerance_pct": own["standard_tolerance_pct"].max(),
                "error_pct": math.sqrt(float((means**2).mean())),
                "error_df": float(own["checked_at"].nunique()),
                "repeat_pct": math.sqrt(within / freedom) if freedom else math.nan,
                "repeat_df": float(freedom),
            }
        )
    return typed_frame(rows, _GAUGE_ERRORS)


def side_spreads(readings: pd.DataFrame, *, repeat_pct: float) -> dict[tuple[str, str], Spread]:
    """Return the spread of film of each job and side, pooled over its areas.

    Parameters
    ----------
    readings : DataFrame
        Readings: job_id, side, unit (what has a mean of its own), spot, dft_um `[um]`.
    repeat_pct : float
        Repeatability on standards `[pct]`: where no spot of a job was read
        twice it is taken off the spread between spots; NaN takes off nothing.

    Returns
    -------
    dict
        (job_id, side) to Spread. A job and side whose spread between spots has
        fewer than 4 degrees of freedom takes the relative spread of all jobs,
        in which a job and side of mean 0 has no part: it has no shares.

    Examples
    --------
    >>> film = [70.0, 72.0, 80.0, 82.0, 60.0, 62.0, 74.0, 76.0, 66.0, 68.0, 66.0, 68.0]
    >>> readings = pd.DataFrame({"job_id": "J1", "side": "facing", "unit": np.repeat(list("abcdef"), 4),
    ...                          "spot": [1, 1, 2, 2] * 6, "dft_um": film * 2})
    >>> spread = side_spreads(readings, repeat_pct=0.5)["J1", "facing"]
    >>> round(spread.reading_sd_um, 3), spread.reading_df, spread.basis
    (1.414, 12.0, 'the job and side')
    """
    out = {}
    level = readings.groupby(["job_id", "side"])["dft_um"].transform("mean")
    every = readings.assign(unit=readings["job_id"] + " " + readings["side"] + " " + readings["unit"])
    shares = every.assign(dft_um=readings["dft_um"] / level.where(level > 0)).dropna(subset=["dft_um"])
    pooled = _spread(shares, repeat=repeat_pct / 100.0, basis="")
    for (job, side), own in readings.groupby(["job_id", "side"], sort=True):
        mean = float(own["dft_um"].mean())
        spread = _spread(own, repeat=mean * repeat_pct / 100.0, basis="the job and side")
        if spread.place_df < _LEAST_DF:
            basis = "all jobs, as a share of the film: too few spots in the job"
            place_sd = pooled.place_sd_um * mean
            if pooled.place_df < _LEAST_DF:
                place_sd = math.nan
                basis = "not known: fewer than 4 degrees of freedom between spots in all jobs"
            spread = replace(
                pooled,
                place_sd_um=place_sd,
                reading_sd_um=pooled.reading_sd_um * mean,
                spot_means_sd_um=pooled.spot_means_sd_um * mean,
                basis=basis,
            )
        out[str(job), str(side)] = spread
    return out


def _spread(frame: pd.DataFrame, *, repeat: float, basis: str) -> Spread:
    """Return the spread between spots of one unit and between readings of one spot."""
    spots = frame.groupby("unit")["spot"].nunique()
    counts = frame.groupby(["unit", "spot"]).size()
    place_df, reading_df = float((spots - 1).sum()), float((counts - 1).sum())
    if not place_df:
        return Spread(
            place_sd_um=math.nan,
            place_df=0.0,
            reading_sd_um=math.nan,
            reading_df=0.0,
            spot_means_sd_um=math.nan,
            readings_per_spot=1.0,
            basis=basis,
        )
    above = ["unit"] if len(spots) > 1 else []
    if reading_df:
        result = nested_components(frame, response="dft_um", nesting=[*above, "spot"])
        place, reading = result.components.to_dict("records")[-2:]
        squares, totals = counts.pow(2).groupby("unit").sum(), counts.groupby("unit").sum()
        readings_per_spot = float(counts.sum() - (squares / totals).sum()) / place_df
        return Spread(
            place_sd_um=float(place["sd"]),
            place_df=place_df,
            reading_sd_um=float(reading["sd"]),
            reading_df=reading_df,
            spot_means_sd_um=math.sqrt(float(result.table["ms"].iloc[-2]) / readings_per_spot),
            readings_per_spot=readings_per_spot,
            basis=basis,
        )
    total = float(((frame["dft_um"] - frame.groupby("unit")["dft_um"].transform("mean")) ** 2).sum()) / place_df
    known = 0.0 if math.isnan(repeat) else repeat
    how = "spots were read once, repeatability on standards taken off" if known else "spots were read once"
    return Spread(
        place_sd_um=math.sqrt(max(total - known**2, 0.0)),
        place_df=place_df,
        reading_sd_um=known,
        reading_df=math.inf,
        spot_means_sd_um=math.sqrt(total),
        readings_per_spot=1.0,
        basis=f"{basis}; {how}" if basis else how,
    )


def film_budgets(
    places: pd.DataFrame,
    gauges: pd.DataFrame,
    spreads: dict[tuple[str, str], Spread],
    *,
    gauge_from: str,
    confidence: float,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the uncertainty budget of the mean film of one area side, by job, side and gauge.

    Parameters
    ----------
    places : DataFrame
        One row a spot: job_id, side, area_id, gauge_id, n (readings), dft_um
        `[um]`, correction_um `[um]`, correction_half_width_um `[um]`.
    gauges : DataFrame
        See `gauge_errors`.
    spreads : dict
        See `side_spreads`.
    gauge_from : {'tolerance', 'checks'}
    confidence : float

    Returns
    -------
    budget, totals : DataFrame
        Columns `BUDGET` and `TOTALS`. The budget is of a side with the median
        number of spots and readings, at the mean film of the job and side.

    References
    ----------
    JCGM 100:2008, clauses 4, 5 and 8.
    """
    known = {row["gauge_id"]: row for row in gauges.to_dict("records")}
    rows: list[dict[str, object]] = []
    totals: list[dict[str, object]] = []
    for (job, side, gauge), own in places.groupby(["job_id", "side", "gauge_id"], sort=True):
        sides = own.groupby("area_id")["n"].agg(["size", "sum"])
        spots, readings = (max(int(sides[name].median()), 1) for name in ("size", "sum"))
        key = {"job_id": job, "side": side, "gauge_id": gauge}
        correction = float(own["correction_um"].mean())
        mean = float(np.average(own["dft_um"], weights=own["n"]))
        total = key | {"n_sides": len(sides), "spots_per_side": spots, "readings_per_side": readings}
        spread = spreads[str(job), str(side)]
        reason = ""
        if gauge not in known:
            reason = "the gauge has no checks: its tolerance is not on record"
        elif math.isnan(spread.place_sd_um):
            reason = f"spread between spots {spread.basis}"
        if reason:
            totals.append(total | {"mean_um": mean - correction, "reason": reason})
            continue
        inputs = _inputs(mean, known[gauge], spread, spots=spots, readings=readings, gauge_from=gauge_from)
        half_width = float(own["correction_half_width_um"].max())
        if correction or half_width:
            inputs["profile correction"] = quantity_from_half_width(
                correction, half_width=half_width, source="half the step between grades, rectangular"
            )
        signs = {name: -1.0 if name == "profile correction" else 1.0 for name in inputs}
        budget = combine(partial(_added_up, signs), inputs=inputs, coefficients=signs, confidence=confidence)
        shares = budget.contributions.set_index("name")["share_pct"]
        rows.extend(
            key
            | {
                "source": name,
                "standard_uncertainty_um": quantity.standard_uncertainty,
                "df": quantity.df,
                "contribution_pct": float(shares[name]),
                "basis": quantity.source,
            }
            for name, quantity in inputs.items()
            if name != "film as read"
        )
        totals.append(
            total
            | {
                "mean_um": budget.value,
                "standard_uncertainty_um": budget.standard_uncertainty,
                "effective_df": budget.effective_df,
                "coverage_factor": budget.coverage_factor,
                "expanded_uncertainty_um": budget.expanded_uncertainty,
                "reason": "",
            }
        )
    return typed_frame(rows, BUDGET), typed_frame(totals, TOTALS)


def _added_up(signs: Mapping[str, float], **terms: float) -> float:
    """Return the film: what was read with every error added and the correction taken off `[um]`."""
    return sum(signs[name] * value for name, value in terms.items())


def _inputs(
    mean: float, gauge: Mapping[Hashable, Any], spread: Spread, *, spots: int, readings: int, gauge_from: str
) -> dict[str, Quantity]:
    """Return the inputs of a mean film `[um]`, all of them additive."""
    share = mean / 100.0
    tolerance, standard = float(gauge["gauge_tolerance_pct"]), float(gauge["standard_tolerance_pct"])
    if gauge_from == "tolerance":
        own = quantity_from_half_width(
            0.0, half_width=share * tolerance, source=f"tolerance of {tolerance:g} %, rectangular"
        )
    else:
        own = Quantity(
            value=0.0,
            standard_uncertainty=share * float(gauge["error_pct"]),
            df=float(gauge["error_df"]),
            source=f"root mean square error of {int(gauge['n_checks'])} checks",
        )
    inputs = {
        "film as read": Quantity(value=mean, standard_uncertainty=0.0),
        "gauge": own,
        "standard": quantity_from_half_width(
            0.0, half_width=share * standard, source=f"tolerance of {standard:g} %, rectangular"
        ),
    }
    repeat = share * float(gauge["repeat_pct"])
    if not math.isnan(repeat):
        inputs["repeatability"] = Quantity(
            value=0.0,
            standard_uncertainty=repeat / math.sqrt(readings),
            df=float(gauge["repeat_df"]),
            source="repeats on standards / sqrt(readings)",
        )
    rest = math.sqrt(max(spread.reading_sd_um**2 - (0.0 if math.isnan(repeat) else repeat) ** 2, 0.0))
    if rest and math.isfinite(spread.reading_df):
        inputs["readings within a spot"] = Quantity(
            value=0.0,
            standard_uncertainty=rest / math.sqrt(readings),
            df=spread.reading_df,
            source="scatter within spots beyond repeatability / sqrt(readings)",
        )
    inputs["spot placement"] = Quantity(
        value=0.0,
        standard_uncertainty=spread.place_sd_um / math.sqrt(spots),
        df=spread.place_df,
        source=f"between spots / sqrt(spots), from {spread.basis}",
    )
    return inputs
