"""Odd readings: what chance would seldom give, said so that it can be shown to the person measured.

Nothing is deleted and nobody is accused: each finding says what was seen, how
often chance would give it, and what innocent reasons there are.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.findings.odd_series import find_series
from auditkit.stats.oddities import FAR, chance_beyond, far_from_group, fastest_pace, stamp_resolution
from auditkit.stats.recording_grid import recording_step, terminal_digits
from auditkit.units import convert

__all__ = ["OddReadings", "find_odd_readings"]

FLAG_COLUMNS = [
    "kind",
    "area_id",
    "side",
    "spot",
    "repeat",
    "gauge_id",
    "taken_at",
    "value_um",
    "statistic",
    "statistic_name",
    "limit",
    "others_um",
    "seen",
    "chance",
    "innocent",
]
DIGIT_COLUMNS = [
    "gauge_id",
    "range",
    "step_um",
    "n",
    "clusters",
    "statistic",
    "p_value",
    "marked",
    "digit",
    "digit_share_pct",
    "seen",
    "chance",
    "innocent",
    "reason",
]
PACE_COLUMNS = ["gauge_id", "day", "n", "resolution_s", "pace_per_min", "limit_per_min", "marked", "seen", "reason"]
TESTED_COLUMNS = ["kind", "tested", "marked", "expected_by_chance", "not_tested", "why_not"]

READING = "reading far from its spot"
SPOT = "spot far from its area side"
DIGITS = "some last digits are liked"
PACE = "faster than a person reads"

_STEPS_UM = (0.01, 0.1, 0.5, 1.0)
_STEPS_MIL = (0.001, 0.01, 0.1)
_ROUNDED_UM = (2.0, 5.0, 10.0)  # steps no gauge has, but people round to
_ROUNDED_MIL = (0.2, 0.5, 1.0)
_DISPLAY_CHANGE_UM = 100.0  # common practice, no source: many gauges show one digit less from here on
_WIDE_STEPS = 5.0  # levels spread over fewer steps than this have no arbitrary last digit
_POOL = 30
_STRETCH = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class OddReadings:
    """What chance would seldom give, and what was tested.

    Parameters
    ----------
    flags : DataFrame
        One row a marked reading or spot, sorted by kind, area, side, spot and
        repeat: kind, area_id, side, spot, repeat (blank for a spot), gauge_id
        (blank for a spot), taken_at, value_um, statistic, statistic_name,
        limit, others_um (median of the others), seen, chance, innocent.
    series : DataFrame
        One row a stuck or copied series, see `odd_series.find_series`.
    digits : DataFrame
        One row a gauge, or two where it shows a digit less from 100 um on:
        gauge_id, range ('all' or 'under 100 um'), step_um (blank
        where no single grid was found), n, clusters, statistic, p_value,
        marked, digit (the most frequent), digit_share_pct, seen, chance,
        innocent, reason (why not tested).
    pace : DataFrame
        One row a gauge and day: gauge_id, day, n, resolution_s, pace_per_min
        (least pace that is proved), limit_per_min, marked, seen, reason.
    tested : DataFrame
        One row a kind: kind, tested, marked, expected_by_chance, not_tested,
        why_not.
    n, excluded : int
        Readings looked at, and readings without a spot of three or a pool of
        thirty, whose distance from their spot could not be told.
    method : str
    settings : mapping
        threshold, digits_level, series_level, at_least, pace_per_min.
    """

    flags: pd.DataFrame
    series: pd.DataFrame
    digits: pd.DataFrame
    pace: pd.DataFrame
    tested: pd.DataFrame
    n: int
    excluded: int
    method: str
    settings: Mapping[str, float]


def find_odd_readings(
    tables: Mapping[str, pd.DataFrame],
    *,
    rng: np.random.Generator,
    threshold: float = FAR,
    digits_level: float = 0.01,
    series_level: float = 0.05,
    at_least: int = 6,
    pace_per_min: float = 40.0,
    time_zone: str = "UTC",
) -> OddReadings:
    """Return the readings that chance would seldom give, with what was seen and what may lie behind it.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; film readings and areas are used.
    rng : numpy.random.Generator
        For the test of last digits.
    threshold : float
        Robust standard deviations from which a reading or spot is marked.
    digits_level : float
        p at or below which last digits are marked.
    series_level : float
        A stuck or copied series is marked where chance would give fewer than
        this many in all readings of its gauge.
    at_least : int
        Readings a copied series must hold.
    pace_per_min : float
        Readings a minute, over ten in succession, above which a pace is marked. Common practice, no
        source; probes that read continuously go faster.
    time_zone : str
        IANA zone by which a day is a day.

    Returns
    -------
    OddReadings

    Notes
    -----
    In 300 simulated honest audits of one gauge (40 areas of 5 spots of 3, read
    to 0.1 um, 1 um or 0.1 mil) 0.01 to 0.05 % of readings and spots were
    marked, and 1 audit in 300 had a marked series. On records of real work,
    where some areas spread more than others, more spots are marked than that.
    """
    readings = _with_jobs(tables)
    grids = _grids(readings)
    readings = readings.assign(step_um=readings["gauge_id"].map(grids).astype("float64"))
    near = _readings_in_spots(readings, threshold)
    spots = _spots(readings)
    wide = _spots_in_sides(spots, threshold)
    series, series_tested = find_series(readings, grids=grids, level=series_level, at_least=at_least)
    digits = _digits(readings, level=digits_level, rng=rng)
    pace = _pace(readings, limit=pace_per_min, time_zone=time_zone)
    flags = pd.concat([_reading_flags(near, threshold), _spot_flags(wide, threshold)], ignore_index=True)
    order = ["kind", "area_id", "side", "spot", "repeat"]
    flags = flags[FLAG_COLUMNS].sort_values(order, kind="stable", ignore_index=True)
    flags = flags.astype(dict.fromkeys(("kind", "area_id", "side", "gauge_id", "seen", "chance", "innocent"), "str"))
    tested = [
        _tested(READING, near, "fewer than three readings in the spot, or than 30 in its job, side and gauge"),
        _tested(SPOT, wide, "fewer than three spots on the side, or than 30 in its job and side"),
        *series_tested,
        (
            DIGITS,
            int((digits["reason"] == "").sum()),
            int(digits["marked"].sum()),
            digits_level * float((digits["reason"] == "").sum()),
            int((digits["reason"] != "").sum()),
            "; ".join(sorted(set(digits["reason"]) - {""})),
        ),
        (
            PACE,
            int((pace["reason"] == "").sum()),
            int(pace["marked"].sum()),
            0.0,
            int((pace["reason"] != "").sum()),
            "; ".join(sorted(set(pace["reason"]) - {""})),
        ),
    ]
    return OddReadings(
        flags=flags,
        series=series,
        digits=digits,
        pace=pace,
        tested=pd.DataFrame(tested, columns=TESTED_COLUMNS),
        n=len(readings),
        excluded=int(near["z"].isna().sum()),
        method=(
            f"A reading is set against the median of the others of its spot, a spot against the others of its area "
            f"side, in robust standard deviations pooled over job, side and gauge, and marked beyond {threshold:g} "
            f"(Iglewicz and Hoaglin, 1993); series and last digits are set against what honest readings of the same "
            f"spread and resolution would give. Nothing is left out of any verdict for being marked."
        ),
        settings={
            "threshold": threshold,
            "digits_level": digits_level,
            "series_level": series_level,
            "at_least": at_least,
            "pace_per_min": pace_per_min,
        },
    )


def _with_jobs(tables: Mapping[str, pd.DataFrame]) -> pd.DataFrame:
    """Return readings with their job, in the order they were taken."""
    columns = ["area_id", "side", "spot", "repeat", "dft_um", "gauge_id", "taken_at"]
    readings = tables["film_readings"][columns].merge(tables["areas"][["area_id", "job_id"]], on="area_id", how="left")
    order = ["gauge_id", "area_id", "side", "taken_at", "spot", "repeat"]
    return readings.sort_values(order, kind="stable", ignore_index=True)


def _grids(readings: pd.DataFrame) -> dict[str, float]:
    """Return the step each gauge was read to, people's rounding included; a gauge without one grid is not in it."""
    found = {str(gauge): _step(part, rounded=True) for gauge, part in readings.groupby("gauge_id")["dft_um"]}
    return {gauge: step for gauge, step in found.items() if step is not None}


def _step(values: pd.Series, *, rounded: bool = False) -> float | None:
    """Return the step of the gauge's display, or, where rounded, the widest step that fits."""
    mil = convert(1.0, "mil", "um")
    um = (*_STEPS_UM, *_ROUNDED_UM) if rounded else _STEPS_UM
    mils = (*_STEPS_MIL, *_ROUNDED_MIL) if rounded else _STEPS_MIL
    return recording_step(values, steps=[*um, *(step * mil for step in mils)])


def _readings_in_spots(readings: pd.DataFrame, threshold: float) -> pd.DataFrame:
    far = far_from_group(
        readings,
        response="dft_um",
        group=["area_id", "side", "spot", "gauge_id"],
        pool=["job_id", "side", "gauge_id"],
        threshold=threshold,
        at_least=_POOL,
        floor=_rounding(readings["step_um"]),
    )
    return readings.join(far)


def _spots(readings: pd.DataFrame) -> pd.DataFrame:
    grouped = readings.groupby(["job_id", "area_id", "side", "spot"], sort=True)
    return grouped.agg(dft_um=("dft_um", "mean"), taken_at=("taken_at", "min")).reset_index()


def _spots_in_sides(spots: pd.DataFrame, threshold: float) -> pd.DataFrame:
    far = far_from_group(
        spots,
        response="dft_um",
        group=["area_id", "side"],
        pool=["job_id", "side"],
        threshold=threshold,
        at_least=_POOL,
    )
    return spots.join(far)


def _rounding(steps: pd.Series) -> float:
    """Return the standard deviation that reading to a step leaves, for the finest step there is."""
    finest = steps.min()
    return 0.0 if pd.isna(finest) else float(finest) / float(np.sqrt(12.0))


def _reading_flags(near: pd.DataFrame, threshold: float) -> pd.DataFrame:
    marked = near[near["far"]]
    expected = chance_beyond(threshold) * float(near["z"].notna().sum())
    seen = [
        f"{row.dft_um:.1f} um where the others of spot {row.spot} read {row.median:.1f} um, "
        f"{abs(z):.1f} times as far off as readings of a spot usually lie"
        for row, z in zip(marked.itertuples(), marked["z"].tolist(), strict=True)
    ]
    return marked.assign(
        kind=READING,
        value_um=marked["dft_um"],
        statistic=marked["z"],
        statistic_name="robust z",
        limit=threshold,
        others_um=marked["median"],
        seen=seen,
        chance=_by_chance(expected, "readings", float(near["z"].notna().sum())),
        innocent="a run, a sag, dirt or a burr under the probe; the probe tilted or on an edge; a slip of the pen",
    )


def _spot_flags(wide: pd.DataFrame, threshold: float) -> pd.DataFrame:
    marked = wide[wide["far"]]
    tested = float(wide["z"].notna().sum())
    seen = [
        f"spot {row.spot} reads {row.dft_um:.1f} um where the other spots of that side read {row.median:.1f} um, "
        f"{abs(z):.1f} times as far off as spots of a side usually lie"
        for row, z in zip(marked.itertuples(), marked["z"].tolist(), strict=True)
    ]
    return marked.assign(
        kind=SPOT,
        repeat=pd.array([pd.NA] * len(marked), dtype="Int64"),
        gauge_id="",
        value_um=marked["dft_um"],
        statistic=marked["z"],
        statistic_name="robust z",
        limit=threshold,
        others_um=marked["median"],
        seen=seen,
        chance=_by_chance(chance_beyond(threshold) * tested, "spots", tested),
        innocent="film that truly differs there: a corner, a weld, an overlap of two strokes, a place hard to reach",
    )


def _by_chance(expected: float, what: str, tested: float) -> str:
    return f"of {tested:.0f} {what} that spread normally about {expected:.1f} lie so far off by chance alone"


def _tested(kind: str, frame: pd.DataFrame, why: str) -> tuple[str, int, int, float, int, str]:
    tested = int(frame["z"].notna().sum())
    left = len(frame) - tested
    return kind, tested, int(frame["far"].sum()), chance_beyond() * tested, left, why if left else ""


def _digits(readings: pd.DataFrame, *, level: float, rng: np.random.Generator) -> pd.DataFrame:
    """Return the test of last digits of each gauge.

    A gauge that shows one digit less from some thickness on is tested on the
    coarser step over all its readings, and on the finer one below. Cutting the
    coarse readings off there would itself make some digits frequent.
    """
    rows = []
    for gauge, part in readings.groupby("gauge_id", sort=True):
        upper = part["dft_um"] >= _DISPLAY_CHANGE_UM
        step, coarse = _step(part["dft_um"]), _step(part.loc[upper, "dft_um"])
        tests = [("all", part, step)]
        if step is not None and coarse is not None and coarse > step:
            tests = [("all", part, coarse), (f"under {_DISPLAY_CHANGE_UM:g} um", part[~upper], step)]
        rows += [
            {"gauge_id": gauge, "range": name, "n": len(rest), **_digit_row(rest, tried, level, rng)}
            for name, rest, tried in tests
        ]
    frame = pd.DataFrame(rows, columns=DIGIT_COLUMNS)
    return frame.astype({"n": "int64", "clusters": "int64", "marked": "bool", "digit": "Int64"})


def _digit_row(part: pd.DataFrame, step: float | None, level: float, rng: np.random.Generator) -> dict[str, object]:
    blank: dict[str, object] = {
        "clusters": 0,
        "marked": False,
        "digit": pd.NA,
        "seen": "",
        "chance": "",
        "innocent": "",
    }
    if step is None:
        return {**blank, "reason": "too few readings, or no single step fits them"}
    clustered = part.assign(cluster=_clusters(part, step))
    if clustered["cluster"].nunique() < 5:
        return {**blank, "step_um": step, "reason": "fewer than five places whose level is a matter of chance"}
    found = terminal_digits(clustered, response="dft_um", cluster="cluster", step=step, rng=rng)
    most = found.digits.iloc[int(found.digits["n"].to_numpy().argmax())]
    share = 100.0 * float(most["n"]) / found.n
    return {
        "step_um": step,
        "clusters": found.clusters,
        "statistic": found.statistic,
        "p_value": found.p_value,
        "marked": found.p_value <= level,
        "digit": int(most["digit"]),
        "digit_share_pct": share,
        "seen": f"the last digit {int(most['digit'])} in {share:.0f} % of {found.n} readings, where about 10 % are due",
        "chance": f"chance alone gives shares as uneven as these in {100.0 * found.p_value:.2g} % of such audits",
        "innocent": (
            "values rounded when read out or written down; a dial read by eye; a gauge that shows fewer digits "
            "than were recorded; a target thickness the film truly lies close to"
        ),
        "reason": "",
    }


def _clusters(part: pd.DataFrame, step: float) -> pd.Series:
    """Return the cluster of each reading: its area side where those differ by many steps, else its job and side."""
    side = part["job_id"] + " " + part["side"]
    area = part["area_id"] + " " + part["side"]
    levels = part.groupby([side.rename("job_side"), area.rename("area_side")])["dft_um"].mean()
    spread = levels.groupby(level="job_side").std() / step
    wide = side.map(spread).fillna(0.0) >= _WIDE_STEPS
    return area.where(wide, side)


def _pace(readings: pd.DataFrame, *, limit: float, time_zone: str) -> pd.DataFrame:
    timed = readings[readings["taken_at"].notna()]
    day = timed["taken_at"].dt.tz_convert(time_zone).dt.strftime("%Y-%m-%d")
    rows = []
    for (gauge, date), part in timed.groupby(["gauge_id", day], sort=True):
        seconds = (part["taken_at"] - part["taken_at"].min().normalize()).dt.total_seconds().to_numpy()
        fine = stamp_resolution(seconds)
        pace = fastest_pace(seconds, stretch=_STRETCH, resolution=fine)
        fits = 60.0 * (_STRETCH - 1) / (_STRETCH * fine) > limit  # the fastest pace such stamps could show
        marked = bool(fits and pace > limit)
        seen = f"ten time stamps in succession at {pace:.0f} a minute or faster" if marked else ""
        reason = ""
        if not fits:
            reason = "time stamps are too coarse to show a pace; many readings under one stamp are no evidence"
        elif np.isnan(pace):
            reason = "fewer than ten different time stamps"
        rows.append((gauge, date, len(part), fine, pace, limit, marked, seen, reason))
    frame = pd.DataFrame(rows, columns=PACE_COLUMNS)
    return frame.astype({"n": "int64", "marked": "bool"})
