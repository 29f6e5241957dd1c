"""Stability of the film: whether what a unit or an operator puts on holds over time."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from auditkit.stats.drift import cusum_chart, ewma_chart
from auditkit.stats.monitoring import individuals_chart, subgroup_charts
from auditkit.stats.variance import NestedComponents, nested_components

__all__ = ["FALSE_ALARMS_PCT", "LEAST_POINTS", "Stability", "find_stability"]

LEAST_POINTS = 20
"""Fewer points than this set no control limits worth having. Common practice, no source."""

CHART_COLUMNS = [
    "kind",
    "who",
    "side",
    "chart",
    "point",
    "area_id",
    "job_id",
    "at",
    "value",
    "centre",
    "low",
    "high",
    "signal",
    "words",
]
SIGNAL_COLUMNS = [
    "kind",
    "who",
    "side",
    "chart",
    "points",
    "signals",
    "expected_by_chance",
    "first_area",
    "first_at",
    "words",
]
LEFT_OUT_COLUMNS = ["kind", "side", "areas", "charted", "several", "no_run"]
KINDS: Mapping[str, str] = {"unit": "unit_id", "operator": "operator_id"}

_WEIGHT = 0.2  # of the newest area in the moving average
_REFERENCE, _DECISION = 0.5, 5.0  # of the cusum, in standard deviations of an area mean
_MISLEADS = 0.05

FALSE_ALARMS_PCT: Mapping[str, float] = {
    "individual": 0.25,
    "moving range": 0.80,
    "mean": 0.13,
    "sd": 0.33,
    "EWMA": 0.05,
    "cusum above": 0.02,
    "cusum below": 0.02,
}
"""Share of points that signal by chance where nothing changes `[pct]`.

From 48,000 areas simulated once: units of 40 areas with 5 spots each, spread 3
between areas and 5 between spots, normal. Each chart sets its limits from its
own points, so EWMA and cusum, held against their own mean, signal less than
they would against a known one. It is a guide, not a limit: with 20 areas a
chart single values signalled in 0.2 %, moving ranges in 0.6 %, means in 0.03 %;
with 100 areas in 0.4, 1.0 and 0.3 %, EWMA and cusum in about 0.1 %.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stability:
    """Charts, their signals, what was left out and what was refused; see `find_stability`."""

    charts: pd.DataFrame
    signals: pd.DataFrame
    left_out: pd.DataFrame
    refused: list[tuple[Any, ...]]


def find_stability(readings: pd.DataFrame, runs: pd.DataFrame, *, least_points: int = LEAST_POINTS) -> Stability:
    """Return control charts of area means for each unit and operator, in the order of the areas' last runs.

    Parameters
    ----------
    readings : DataFrame
        One row a reading: job_id, area_id, side ('facing' or 'reverse'), spot,
        dft_um `[um]`.
    runs : DataFrame
        One row a run: area_id, unit_id, operator_id, started_at.
    least_points : int
        Areas a chart needs.

    Returns
    -------
    Stability
        charts : kind ('unit' or 'operator'), who, side, chart ('individual',
        'moving range', 'mean', 'sd', 'EWMA', 'cusum above', 'cusum below'),
        point, area_id, job_id, at (start of the area's last run), value,
        centre, low, high, signal, words (what a signal says). Values and
        limits are percentages of the job's mean for that side; cusums are sums
        of them, with the decision as their upper limit.
        signals : one row a chart, with how many points signal, how many would
        by chance where nothing changes (points times `FALSE_ALARMS_PCT`), and
        the first.
        left_out : areas measured, charted, sprayed by several, without a run.
        refused : tuples of topic, scope, side, what, n, reason.

    Notes
    -----
    Jobs ask for different films, so an area is charted as a percentage of the
    mean of its job's areas on that side; a shift that lasts a whole job and
    touches every unit is not seen. All points set the limits: a few points
    far off widen them. Limits of single values come from moving ranges of area
    means, which hold both what areas and what spots differ by; those of means,
    EWMA and cusum from the component between areas plus that within over the
    spots of an area. Limits from the spread within areas alone are refused
    where areas differ beyond it: they would call most areas a signal. EWMA
    weighs the newest area 0.2 and has limits at three standard deviations,
    cusum a reference of 0.5 and a decision of 5.
    """
    spots = _spots(readings)
    charts, refused, left = [], [], []
    for kind, column in KINDS.items():
        for side in ("facing", "reverse"):
            part = spots[spots["side"] == side]
            if part.empty:
                continue
            owned, counts = _owned(part, runs, column)
            left.append((kind, side, *counts))
            for who, own in owned.groupby("who", sort=True):
                found, no = _charts(own, least_points)
                charts += [frame.assign(kind=kind, who=str(who), side=side) for frame in found]
                refused += [("monitoring", f"{kind} {who}", side, *row) for row in no]
    frame = pd.concat(charts, ignore_index=True)[CHART_COLUMNS] if charts else pd.DataFrame(columns=CHART_COLUMNS)
    return Stability(
        charts=frame,
        signals=_signals(frame),
        left_out=pd.DataFrame(left, columns=LEFT_OUT_COLUMNS),
        refused=refused,
    )


def _spots(readings: pd.DataFrame) -> pd.DataFrame:
    """Return spots as percentages of the mean of their job's area means on that side."""
    keys = ["job_id", "side", "area_id"]
    spots = readings.groupby([*keys, "spot"], sort=True)["dft_um"].mean().reset_index()
    areas = spots.groupby(keys)["dft_um"].mean().reset_index()
    job = areas.groupby(["job_id", "side"])["dft_um"].mean().rename("job_um").reset_index()
    spots = spots.merge(job, on=["job_id", "side"])
    spots["pct"] = 100.0 * spots["dft_um"] / spots["job_um"].where(spots["job_um"] > 0)
    return spots.dropna(subset=["pct"])


def _owned(spots: pd.DataFrame, runs: pd.DataFrame, column: str) -> tuple[pd.DataFrame, tuple[int, int, int, int]]:
    """Return the spots of areas that one unit or operator sprayed, with who and when, and the counts."""
    summary = runs.groupby("area_id").agg(who=(column, "first"), several=(column, "nunique"), at=("started_at", "max"))
    joined = spots.merge(summary.reset_index(), on="area_id", how="left")
    measured = joined.drop_duplicates("area_id")
    no_run = int(measured["several"].isna().sum())
    several = int((measured["several"] > 1).sum())
    owned = joined[joined["several"] == 1]
    return owned, (len(measured), int(owned["area_id"].nunique()), several, no_run)


def _charts(own: pd.DataFrame, least: int) -> tuple[list[pd.DataFrame], list[tuple[str, int, str]]]:
    """Return the charts of one unit or operator on one side, and what was refused."""
    areas = own.groupby("area_id").agg(
        job_id=("job_id", "first"), at=("at", "first"), pct=("pct", "mean"), spots=("pct", "size")
    )
    areas = areas.reset_index().sort_values(["at", "area_id"], kind="stable", ignore_index=True)
    n = len(areas)
    if n < least:
        reason = f"{n} areas, {least} are needed: limits from fewer would be more guess than limit"
        return [], [("all charts", n, reason)]
    if areas["pct"].nunique() < 2:
        return [], [("all charts", n, "all areas read the same: there is no spread to set limits by")]
    single = individuals_chart(areas["pct"].to_numpy())
    out = [_placed(part, areas) for _, part in single.groupby("chart", sort=False)]
    refused: list[tuple[str, int, str]] = []
    try:
        found = nested_components(own, response="pct", nesting=["area_id"])
    except ValueError:
        reason = "no area has two spots: what areas differ by cannot be told from what spots differ by"
        return out, [("mean, spread, EWMA and cusum", n, reason)]
    sd = _sd_of_mean(found, areas["spots"])
    refused += _against_within(found, areas, sd)
    out += _memory(areas, sd)
    subgroups, reason = _subgroups(own, areas, least)
    if reason:
        refused.append(("mean and spread", n, reason))
    return out + subgroups, refused


def _sd_of_mean(found: NestedComponents, spots: pd.Series) -> float:
    """Return the standard deviation of an area mean, from the component between and that within."""
    between, within = (float(x) for x in found.components["variance"])
    return math.sqrt(between + within * float((1.0 / spots).mean()))


def _against_within(found: NestedComponents, areas: pd.DataFrame, sd: float) -> list[tuple[str, int, str]]:
    """Return why limits from the spread within areas are refused, where areas differ beyond it."""
    p = float(found.table["p"].iloc[0])
    if not p < _MISLEADS:
        return []
    within = float(found.components["variance"].iloc[1])
    reach = 3.0 * (within / areas["spots"]).map(math.sqrt)
    beyond = int(((areas["pct"] - areas["pct"].mean()).abs() > reach).sum())
    reason = (
        f"areas differ by more than the spots within them explain (p {p:.2g}): limits from the spread within areas "
        f"would call {beyond} of {len(areas)} areas a signal, three standard deviations of an area mean being "
        f"{3.0 * sd:.1f} % of the job's mean and not {float(reach.mean()):.1f} %"
    )
    return [("mean, limits from within areas", len(areas), reason)]


def _memory(areas: pd.DataFrame, sd: float) -> list[pd.DataFrame]:
    """Return the EWMA and the two cusums of area means."""
    values, target = areas["pct"].to_numpy(dtype=float), float(areas["pct"].mean())
    moving = ewma_chart(values, target=target, sd=sd, weight=_WEIGHT).drop(columns="value")
    out = [_placed(moving.rename(columns={"average": "value"}).assign(chart="EWMA"), areas)]
    sums = cusum_chart(values, target=target, reference=_REFERENCE * sd, decision=_DECISION * sd)
    for name, column in (("cusum above", "upper_sum"), ("cusum below", "lower_sum")):
        one = pd.DataFrame(
            {
                "chart": name,
                "point": sums["point"],
                "value": sums[column],
                "centre": 0.0,
                "low": 0.0,
                "high": sums["decision"],
                "signal": sums[column] > sums["decision"],
            }
        )
        out.append(_placed(one, areas))
    return out


def _subgroups(own: pd.DataFrame, areas: pd.DataFrame, least: int) -> tuple[list[pd.DataFrame], str]:
    """Return the charts of means and spreads of areas with equally many spots, or why not."""
    size = int(areas["spots"].mode().iloc[-1])
    equal = areas[areas["spots"] == size].reset_index(drop=True)
    if size < 2 or len(equal) < least:
        return [], (
            f"{len(equal)} areas have equally many spots ({size}), {least} are needed with two or more each: means of "
            "unequal areas have unequal limits"
        )
    order = pd.DataFrame({"area_id": equal["area_id"], "order": range(1, len(equal) + 1)})
    rows = own.merge(order, on="area_id")
    charts = subgroup_charts(rows, response="pct", subgroup="order", limits="between+within")
    return [_placed(part, equal) for _, part in charts.groupby("chart", sort=False)], ""


def _placed(chart: pd.DataFrame, areas: pd.DataFrame) -> pd.DataFrame:
    """Return a chart with the area of each point and what a signal says."""
    at = chart["point"].to_numpy(dtype="int64") - 1
    out = chart.reset_index(drop=True).copy()
    for column in ("area_id", "job_id", "at"):
        out[column] = areas[column].iloc[at].to_numpy() if column != "at" else areas[column].iloc[at].array
    out["words"] = [_words(row) if row.signal else "" for row in out.itertuples()]
    return out


def _words(row: Any) -> str:
    if row.chart == "cusum above":
        return "areas may have run thicker than usual"
    if row.chart == "cusum below":
        return "areas may have run thinner than usual"
    above = row.value > row.high
    return {
        "individual": ("may be thicker than usual", "may be thinner than usual"),
        "moving range": ("may be a jump from the area before", ""),
        "mean": ("may be thicker than usual", "may be thinner than usual"),
        "sd": ("may be less even than usual", "may be more even than usual"),
        "EWMA": ("areas may have run thicker than usual", "areas may have run thinner than usual"),
    }[row.chart][0 if above else 1]


def _signals(charts: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for (kind, who, side, chart), part in charts.groupby(["kind", "who", "side", "chart"], sort=False):
        marked = part[part["signal"].astype("bool")]
        first = marked.iloc[0] if len(marked) else None
        rows.append(
            (
                kind,
                who,
                side,
                chart,
                len(part),
                len(marked),
                len(part) * FALSE_ALARMS_PCT[str(chart)] / 100.0,
                "" if first is None else first["area_id"],
                pd.NaT if first is None else first["at"],
                "; ".join(dict.fromkeys(marked["words"])),
            )
        )
    return pd.DataFrame(rows, columns=SIGNAL_COLUMNS)
