"""Films that might be true: drawn under the readings of one job and side, and put to the tests of its rule.

References
----------
.. [1] JCGM 106:2012, Evaluation of measurement data - The role of measurement uncertainty in conformity assessment.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.findings.budget import Spread
from auditkit.stats.conformity import conformance_probability
from auditkit.stats.posterior_draws import NestedDraws, draw_excess_variance, draw_nested, draw_sd
from auditkit.trade.film_limits import (
    FilmLimits,
    conforming_films,
    correction_half_width_um,
    film_limits,
    own_film_limits,
)
from auditkit.trade.film_measures import typed_readings
from auditkit.trade.film_own import OwnLimits, on_the_reverse
from auditkit.trade.film_rules import FilmRules

__all__ = [
    "ENOUGH_AREAS",
    "LEAST_AREAS",
    "Limits",
    "area_variance",
    "draw_film",
    "film_places",
    "gauge_biases",
    "judged_readings",
    "side_limits",
    "side_probabilities",
    "spot_probabilities",
    "typical_repeat_pct",
]

Floats = npt.NDArray[np.float64]
Limits = Mapping[tuple[str, str], FilmLimits]
"""Limits by area_id and side."""

ENOUGH_AREAS = 5
"""Areas of one job and side from which their population is fitted to them alone."""
LEAST_AREAS = 3
"""Areas of one job and side from which it is fitted to them where the other jobs do not tell how areas differ."""
_LEAST_DF = 4.0
"""Degrees of freedom from which the jobs together tell how areas differ."""

_KEY = ["area_id", "side"]


def side_limits(
    tables: Mapping[str, pd.DataFrame], judged: pd.DataFrame, *, rules: FilmRules, own: Mapping[str, OwnLimits]
) -> tuple[dict[tuple[str, str], FilmLimits], dict[tuple[str, str], float]]:
    """Return the limits of each side, and how far the correction of its profile may be wrong `[um]`."""
    areas, jobs = tables["areas"], tables["jobs"]
    profile = dict(zip(areas["area_id"], areas["surface_profile"], strict=True))
    reverse_min = dict(zip(jobs["job_id"], jobs["film_reverse_min_um"], strict=True))
    limits, half_widths = {}, {}
    for row in judged.to_dict("records"):
        key, job = (row["area_id"], row["side"]), row["job_id"]
        grade = profile[row["area_id"]]
        half_widths[key] = correction_half_width_um(grade, rules=rules) if row["rule"] == "iso-19840" else 0.0
        if row["rule"] == "own":
            reverse = reverse_min[job] if row["side"] == "reverse" else math.nan
            limits[key] = _own_limits(own.get(job), reverse)
            continue
        limits[key] = film_limits(
            rule=row["rule"],
            level=None if pd.isna(row["level"]) else int(row["level"]),
            minimum_um=row["minimum_um"],
            nominal_um=row["nominal_um"],
            maximum_um=None if pd.isna(row["maximum_um"]) else row["maximum_um"],
            surface_profile=grade,
            rules=rules,
        )
    return limits, half_widths


def _own_limits(own: OwnLimits | None, reverse_min_um: float) -> FilmLimits:
    """Return a job's own limits for one side; `reverse_min_um` is missing where the side is held to no other."""
    if own is None:
        return FilmLimits(by_part=True, readings_per_place=1, unjudged="no limits are declared for the job")
    if not pd.isna(reverse_min_um):
        own = on_the_reverse(own, reverse_min_um=float(reverse_min_um))
    return own_film_limits(own)


def judged_readings(film_readings: pd.DataFrame, judged: pd.DataFrame, limits: Limits) -> pd.DataFrame:
    """Return the readings that are judged, with job_id and the unit (part or side) that has a mean."""
    frame = typed_readings(film_readings).assign(
        gauge_id=film_readings["gauge_id"], repeat=film_readings["repeat"], spot=film_readings["spot"].astype("int64")
    )
    frame = frame.merge(judged[[*_KEY, "job_id"]], on=_KEY, how="inner")
    by_part = [limits[key].by_part for key in zip(frame["area_id"], frame["side"], strict=True)]
    part = frame["part"].where(pd.Series(by_part, index=frame.index, dtype=bool), 0)
    # a spot number may be used again in another part; without parts it is still another spot
    spot = "part " + frame["part"].astype("str") + " spot " + frame["spot"].astype("str")
    frame = frame.assign(unit=frame["area_id"] + " " + part.astype("str"), place=spot, number=frame["spot"])
    frame = frame.sort_values(["job_id", "side", "area_id", "part", "number", "repeat"], kind="stable")
    return frame.assign(spot=frame["place"]).reset_index(drop=True)


def film_places(
    readings: pd.DataFrame, judged: pd.DataFrame, half_widths: Mapping[tuple[str, str], float]
) -> pd.DataFrame:
    """Return one row a spot; a spot read with two gauges goes to the first."""
    keys = ["job_id", "side", "area_id", "unit", "part", "number"]
    frame = readings.groupby(keys, sort=True).agg(
        n=("dft_um", "size"), dft_um=("dft_um", "mean"), gauge_id=("gauge_id", "first")
    )
    frame = frame.reset_index().merge(judged[[*_KEY, "correction_um"]], on=_KEY, how="left")
    width = [half_widths.get(key, 0.0) for key in zip(frame["area_id"], frame["side"], strict=True)]
    return frame.assign(correction_half_width_um=np.array(width, dtype=float))


def typical_repeat_pct(gauges: pd.DataFrame) -> float:
    """Return the repeatability of all gauges together `[pct]`, NaN where nothing was repeated."""
    rows = gauges[gauges["repeat_df"] > 0]
    if rows.empty:
        return math.nan
    return math.sqrt(float(np.average(rows["repeat_pct"] ** 2, weights=rows["repeat_df"])))


def gauge_biases(gauges: pd.DataFrame, *, gauge_from: str, draws: int, rng: np.random.Generator) -> dict[str, Floats]:
    """Return draws of the relative error of each gauge, its standard's included `[-]`."""
    out = {}
    for row in gauges.to_dict("records"):
        if gauge_from == "tolerance":
            own = rng.uniform(-row["gauge_tolerance_pct"], row["gauge_tolerance_pct"], draws)
        else:
            own = draw_sd(row["error_pct"], df=row["error_df"], draws=draws, rng=rng) * rng.standard_normal(draws)
        standard = rng.uniform(-row["standard_tolerance_pct"], row["standard_tolerance_pct"], draws)
        out[row["gauge_id"]] = (own + standard) / 100.0
    return out


def area_variance(
    places: pd.DataFrame, spreads: Mapping[tuple[str, str], Spread], *, draws: int, rng: np.random.Generator
) -> Floats | None:
    """Return draws of the variance between true means of areas, all jobs together, as a share of the film squared.

    None where the jobs together have fewer than 4 degrees of freedom between
    areas. What an area's mean is uncertain by is taken off, spots and readings
    at the estimates of their job and side.
    """
    squares, freedom, noise = 0.0, 0, 0.0
    for (job, side), own in places.groupby(["job_id", "side"], sort=True):
        spread, level = spreads[str(job), str(side)], float(own["dft_um"].mean())
        units = own.groupby("unit").agg(um=("dft_um", "mean"), spots=("n", "size"), shares=("n", _inverse_sum))
        more = len(units) - 1
        if more < 1 or math.isnan(spread.place_sd_um) or not level > 0:
            continue
        squares += float(((units["um"] - units["um"].mean()) ** 2).sum()) / level**2
        known = spread.place_sd_um**2 / units["spots"] + spread.reading_sd_um**2 * units["shares"] / units["spots"] ** 2
        noise += more * float(known.mean()) / level**2
        freedom += more
    if freedom < _LEAST_DF:
        return None
    return draw_excess_variance(squares, df=freedom, noise=np.full(draws, noise / freedom), rng=rng)


def _inverse_sum(counts: pd.Series) -> float:
    return float((1.0 / counts).sum())


def draw_film(
    places: pd.DataFrame,
    spread: Spread,
    biases: Mapping[str, Floats],
    *,
    between_areas: Floats | None,
    draws: int,
    rng: np.random.Generator,
) -> NestedDraws:
    """Return draws of the true film of one job and side, a column a part or side and a column a spot.

    Below five areas their population takes its spread from `between_areas`
    (see `area_variance`); where that is None, from three areas or more alone.
    """
    n_areas = places["area_id"].nunique()
    grades, grade = np.unique(places["correction_half_width_um"].to_numpy(), return_inverse=True)
    correction = rng.uniform(-1.0, 1.0, (draws, len(grades))) * grades
    bias = np.stack([biases[gauge] for gauge in places["gauge_id"]], axis=1)
    film = places["dft_um"].to_numpy() / (1.0 + bias) - places["correction_um"].to_numpy() - correction[:, grade]
    reading_sd = draw_sd(spread.reading_sd_um, df=spread.reading_df, draws=draws, rng=rng)
    place_variance = draw_excess_variance(
        spread.place_df * spread.spot_means_sd_um**2,
        df=spread.place_df,
        noise=reading_sd**2 / spread.readings_per_spot,
        rng=rng,
    )
    return draw_nested(
        film,
        group=_codes(places),
        readings=places["n"].to_numpy(),
        place_sd=np.sqrt(place_variance),
        reading_sd=reading_sd,
        fit_population=n_areas >= LEAST_AREAS,
        rng=rng,
        group_variance=_borrowed(places, between_areas),
    )


def _borrowed(places: pd.DataFrame, between_areas: Floats | None) -> Floats | None:
    """Return draws of the variance between areas taken from all jobs `[um2]`, or None where it is not needed."""
    # a lone area has no others to be held against: borrowing would change nothing
    if between_areas is None or not 2 <= places["area_id"].nunique() < ENOUGH_AREAS:
        return None
    return np.asarray(between_areas * float(places["dft_um"].mean()) ** 2)


def _codes(places: pd.DataFrame) -> npt.NDArray[np.int64]:
    """Return the number of the unit of each place."""
    return np.asarray(np.unique(places["unit"].to_numpy(dtype=str), return_inverse=True)[1], dtype=np.int64)


def side_probabilities(places: pd.DataFrame, drawn: NestedDraws, limits: Limits) -> dict[tuple[str, str], float]:
    """Return the share of drawn films that meet the limits, a side each."""
    codes, counts = _codes(places), places["n"].to_numpy()
    out = {}
    for key, own in places.groupby(_KEY, sort=True):
        area, side = (str(name) for name in key)
        rows = own.index.to_numpy()
        units, part = np.unique(codes[rows], return_inverse=True)
        passed = conforming_films(
            limits[area, side],
            means_um=drawn.group_means[:, units],
            places_um=drawn.places[:, rows],
            part=part,
            readings=counts[rows],
        )
        out[area, side] = float(passed.mean())
    return out


def spot_probabilities(
    places: pd.DataFrame,
    drawn: NestedDraws,
    limits: Limits,
    gauges: pd.DataFrame,
    spread: Spread,
    *,
    gauge_from: str,
) -> pd.DataFrame:
    """Return each spot with the probability that its film lies within the limits on spots.

    Where the least value allowed is not below the greatest, no film conforms: the probability is 0.
    """
    known = gauges.set_index("gauge_id").loc[places["gauge_id"]]
    own = [limits[key] for key in zip(places["area_id"], places["side"], strict=True)]
    low, high = np.array([x.place_low_um for x in own]), np.array([x.place_high_um for x in own])
    reading = places["dft_um"].to_numpy()
    film = reading - places["correction_um"].to_numpy()
    error = known["gauge_tolerance_pct"] / math.sqrt(3.0) if gauge_from == "tolerance" else known["error_pct"]
    relative = np.hypot(error.to_numpy(), known["standard_tolerance_pct"].to_numpy() / math.sqrt(3.0)) / 100.0
    variance = (relative * reading) ** 2 + spread.reading_sd_um**2 / places["n"].to_numpy()
    uncertainty = np.sqrt(variance + places["correction_half_width_um"].to_numpy() ** 2 / 3.0)
    given_area = ((drawn.places >= low) & (drawn.places <= high)).mean(axis=0)
    alone = np.full(len(places), np.nan)
    counts = places["n"].to_numpy() >= np.array([x.readings_per_place for x in own])
    limited = counts & (np.isfinite(low) | np.isfinite(high)) & (uncertainty > 0)
    for pair in sorted(set(zip(low[limited], high[limited], strict=True))):
        rows = limited & (low == pair[0]) & (high == pair[1])
        if pair[0] >= pair[1]:
            alone[rows] = 0.0
            continue
        alone[rows] = conformance_probability(
            film[rows], standard_uncertainty=uncertainty[rows], lower=pair[0], upper=pair[1]
        )
    return pd.DataFrame(
        {
            **{name: places[name] for name in ("area_id", "job_id", "side", "part")},
            "spot": places["number"],
            "n": places["n"],
            "film_um": film,
            "standard_uncertainty_um": uncertainty,
            "low_um": low,
            "high_um": high,
            "probability_conforms": alone,
            "probability_given_area": np.where(limited, given_area, np.nan),
        }
    )
