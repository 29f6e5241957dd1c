"""What the gauges are worth: their checks, the readings a failed check puts in doubt, and drift over time.

References
----------
.. [1] SSPC-PA 2 (2012 and later), 5.5: where the check after use fails, every measurement since the last good check
   is suspect.
.. [2] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (EWMA).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from auditkit.findings.standing_readings import standing_readings
from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.chart_constants import chart_constants
from auditkit.stats.drift import ewma_chart
from auditkit.stats.rows import check_confidence
from auditkit.stats.time_slope import time_slope
from auditkit.trade.film import judge_areas
from auditkit.trade.film_rules import FilmRules, load_film_rules
from auditkit.trade.gauges import NOT_COVERED, SUSPECT, judge_checks, suspect_readings

__all__ = ["RULES", "GaugeFindings", "find_gauges"]

RULES = ("root-sum-square", "simple sum")
BASELINE = 10
"""First checks whose mean is the level a gauge is watched against."""
LEAST_WATCHED = 5
WEIGHT = 0.2

_SIDE = ["area_id", "side"]
_READING = ["area_id", "side", "spot", "repeat"]
_SERIES = ["gauge_id", "certified_um", "stage"]
_GAUGES = {
    "gauge_id": "str",
    "n_checks": "int64",
    "n_failed": "int64",
    "n_failed_other_rule": "int64",
    "first_failed_at": "datetime64[us, UTC]",
    "n_readings": "int64",
    "n_suspect": "int64",
    "n_uncovered": "int64",
    "n_suspect_other_rule": "int64",
    "verdicts_changed": "int64",
}
_DRIFT = {
    "gauge_id": "str",
    "certified_um": "float64",
    "stage": "str",
    "n_checks": "int64",
    "first_at": "datetime64[us, UTC]",
    "last_at": "datetime64[us, UTC]",
    "mean_error_um": "float64",
    "mean_error_pct": "float64",
    "slope_um_per_week": "float64",
    "slope_um_low": "float64",
    "slope_um_high": "float64",
    "slope_pct_per_week": "float64",
    "slope_pct_low": "float64",
    "slope_pct_high": "float64",
    "lag1_correlation": "float64",
    "drifts": "boolean",
    "first_failed_at": "datetime64[us, UTC]",
    "first_failed_day": "str",
    "ewma_signal_at": "datetime64[us, UTC]",
    "ewma_signals": "Int64",
    "reason": "str",
}
_WATCH = {
    "gauge_id": "str",
    "certified_um": "float64",
    "stage": "str",
    "checked_at": "datetime64[us, UTC]",
    "error_pct": "float64",
    "average_pct": "float64",
    "low_pct": "float64",
    "high_pct": "float64",
    "signal": "bool",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class GaugeFindings:
    """What the gauges are worth, and what hangs on them.

    Parameters
    ----------
    checks : DataFrame
        One row a gauge, check and standard, sorted by gauge_id, checked_at,
        certified_um: stage, n, mean_um, error_um, error_pct, allowed_um,
        allowed_pct, passed (by the rule used; missing where the certified
        value is 0), allowed_other_um, passed_other (by the other rule), method
        (the rule used).
    gauges : DataFrame
        One row a gauge that was checked or used: n_checks, n_failed and
        n_failed_other_rule (checks with a failed standard), first_failed_at,
        n_readings, n_suspect, n_uncovered, n_suspect_other_rule,
        verdicts_changed (sides it measured whose verdict changes without
        suspect readings).
    readings : DataFrame
        The readings the checks do not vouch for, see
        `trade.gauges.suspect_readings`.
    verdicts : DataFrame
        One row an area and side: area_id, job_id, side, verdict (all
        readings), verdict_without (suspect ones), changed, verdict_covered
        (without suspect and uncovered ones), changed_covered, n_readings,
        n_suspect, n_uncovered, reason, reason_without, reason_covered.
    drift : DataFrame
        One row a gauge, standard and stage: the mean error, its slope a week
        with limits `[um]` and `[pct of the certified value]`, lag-1
        correlation of the residuals, drifts (the limits exclude 0; missing
        without limits), the first failed check and its day, the first EWMA
        signal and how many, reason (what could not be computed).
    watch : DataFrame
        The EWMA chart behind it, one row a check after the first ten.
    method_used : {'root-sum-square', 'simple sum'}
        Rule of combining tolerances that decided.
    n, excluded : int
        Checks of a gauge on a standard that were judged, and that could not be.
    method : str
        What was done, in words.
    settings : mapping
        What it was done with.
    """

    checks: pd.DataFrame
    gauges: pd.DataFrame
    readings: pd.DataFrame
    verdicts: pd.DataFrame
    drift: pd.DataFrame
    watch: pd.DataFrame
    method_used: str
    n: int
    excluded: int
    method: str
    settings: Mapping[str, object]


def find_gauges(
    tables: Mapping[str, pd.DataFrame],
    *,
    combine: str = "root-sum-square",
    time_zone: str = "UTC",
    confidence: float = 0.95,
    rules: FilmRules | None = None,
    own_limits: Mapping[str, Mapping[str, object]] | None = None,
) -> GaugeFindings:
    """Return the gauge checks, what they put in doubt, which verdicts hang on that, and drift.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; jobs, areas, film_readings, spray_runs and
        gauge_checks are used. Readings of a film since sprayed over are left out.
    combine : {'root-sum-square', 'simple sum'}
        How tolerances of gauge and standard are combined; it decides. The
        other is computed beside it.
    time_zone : str
        Zone in which days begin.
    confidence : float
        Of the slopes' limits.
    rules : FilmRules, optional
        Left out, the rules that ship with the package.
    own_limits : mapping, optional
        Limits of jobs judged by a rule of their own, by job_id.

    Raises
    ------
    ValueError
        The rule is unknown, the confidence out of its range, or the checks
        contradict themselves.

    Notes
    -----
    The EWMA of the check means (weight 0.2) is watched against the mean of the
    first ten checks, with the standard deviation from moving ranges. Its limits
    lie at three standard deviations of the average's distance from that mean,
    which is itself uncertain: sqrt(1/10 + weight/(2 - weight)) times the
    standard deviation of a check mean.

    References
    ----------
    [1]_ 5.5, [2]_ of the module.
    """
    check_confidence(confidence)
    if combine not in RULES:
        raise ValueError(f"combine must be one of {list(RULES)}; given {combine!r}")
    other = RULES[1 - RULES.index(combine)]
    gauge_checks, readings = tables["gauge_checks"], standing_readings(tables)
    checks = _both_rules(gauge_checks, combine=combine, other=other)
    doubted = suspect_readings(readings, gauge_checks, combine=combine)
    verdicts = _verdicts(tables, readings, doubted, rules=rules or load_film_rules(), own_limits=own_limits)
    drift, watch = _drift(checks, time_zone=time_zone, confidence=confidence)
    judged = int(checks["passed"].notna().sum())
    return GaugeFindings(
        checks=checks,
        gauges=_gauges(checks, readings, doubted, suspect_readings(readings, gauge_checks, combine=other), verdicts),
        readings=doubted,
        verdicts=verdicts,
        drift=drift,
        watch=watch,
        method_used=combine,
        n=judged,
        excluded=len(checks) - judged,
        method=(
            f"A check passes where the mean reading on every standard is within the {combine} of the gauge's and the "
            "standard's tolerance. A failed check makes suspect every reading since the last good one (SSPC-PA 2, "
            "5.5); each side is judged with all readings, without suspect ones, and with covered ones alone. Drift is "
            "the slope of the check means in time, each standard and stage apart; checks that are like their "
            "neighbours count for fewer in its limits."
        ),
        settings={
            "combine": combine,
            "time_zone": time_zone,
            "confidence": confidence,
            "ewma_weight": WEIGHT,
            "ewma_baseline": BASELINE,
        },
    )


def _both_rules(gauge_checks: pd.DataFrame, *, combine: str, other: str) -> pd.DataFrame:
    """Return the checks judged by the rule used, with what the other rule says beside it."""
    used = judge_checks(gauge_checks, combine=combine)
    beside = judge_checks(gauge_checks, combine=other)
    certified = used["certified_um"].where(used["certified_um"] > 0)
    out = used.assign(
        error_pct=100.0 * used["error_um"] / certified,
        allowed_pct=100.0 * used["allowed_um"] / certified,
        allowed_other_um=beside["allowed_um"],
        passed_other=beside["passed"],
    )
    columns = ["gauge_id", "checked_at", "certified_um", "stage", "n", "mean_um", "error_um", "error_pct"]
    return out[[*columns, "allowed_um", "allowed_pct", "passed", "allowed_other_um", "passed_other", "method"]]


def _verdicts(
    tables: Mapping[str, pd.DataFrame],
    readings: pd.DataFrame,
    doubted: pd.DataFrame,
    *,
    rules: FilmRules,
    own_limits: Mapping[str, Mapping[str, object]] | None,
) -> pd.DataFrame:
    """Return the verdict of each side with and without the readings in doubt."""
    status = readings[_READING].merge(doubted[[*_READING, "status"]], on=_READING, how="left")["status"]
    status = status.fillna("").set_axis(readings.index)
    shown = ["verdict", "reason", "n_readings"]

    def judged(keep: pd.Series, suffix: str) -> pd.DataFrame:
        """Return the verdicts on the readings that are kept."""
        frame = judge_areas(readings[keep], tables["areas"], tables["jobs"], rules=rules, own_limits=own_limits)
        return frame[[*_SIDE, *shown]].rename(columns={name: f"{name}{suffix}" for name in shown})

    out = judged(pd.Series(True, index=readings.index), "")
    out = out.merge(judged(status != SUSPECT, "_without"), on=_SIDE)
    out = out.merge(judged(~status.isin([SUSPECT, NOT_COVERED]), "_covered"), on=_SIDE)
    for name, word in (("n_suspect", SUSPECT), ("n_uncovered", NOT_COVERED)):
        counts = readings[status == word].groupby(_SIDE).size().rename(name).reset_index()
        out = out.merge(counts, on=_SIDE, how="left")
        out[name] = out[name].fillna(0).astype("int64")
    out = out.merge(tables["areas"][["area_id", "job_id"]], on="area_id", how="left")
    out["changed"] = out["verdict"] != out["verdict_without"]
    out["changed_covered"] = out["verdict"] != out["verdict_covered"]
    columns = ["area_id", "job_id", "side", "verdict", "verdict_without", "changed", "verdict_covered"]
    columns += ["changed_covered", "n_readings", "n_suspect", "n_uncovered", "reason", "reason_without"]
    return out[[*columns, "reason_covered"]].sort_values(_SIDE, kind="stable", ignore_index=True)


def _gauges(
    checks: pd.DataFrame,
    readings: pd.DataFrame,
    doubted: pd.DataFrame,
    doubted_other: pd.DataFrame,
    verdicts: pd.DataFrame,
) -> pd.DataFrame:
    """Return one row a gauge that was checked or used."""
    changed = set(zip(*(verdicts.loc[verdicts["changed"], name] for name in _SIDE), strict=True))
    rows = []
    for gauge in sorted({*checks["gauge_id"], *readings["gauge_id"]}):
        own, read = checks[checks["gauge_id"] == gauge], readings[readings["gauge_id"] == gauge]
        failed = own.loc[own["passed"].eq(False).fillna(False), "checked_at"]
        failed_other = own.loc[own["passed_other"].eq(False).fillna(False), "checked_at"]
        in_doubt = doubted.loc[doubted["gauge_id"] == gauge, "status"]
        in_doubt_other = doubted_other.loc[doubted_other["gauge_id"] == gauge, "status"]
        sides = set(zip(read["area_id"], read["side"], strict=True))
        rows.append(
            {
                "gauge_id": gauge,
                "n_checks": own["checked_at"].nunique(),
                "n_failed": failed.nunique(),
                "n_failed_other_rule": failed_other.nunique(),
                "first_failed_at": failed.min(),
                "n_readings": len(read),
                "n_suspect": int((in_doubt == SUSPECT).sum()),
                "n_uncovered": int((in_doubt == NOT_COVERED).sum()),
                "n_suspect_other_rule": int((in_doubt_other == SUSPECT).sum()),
                "verdicts_changed": len(sides & changed),
            }
        )
    return typed_frame(rows, _GAUGES)


def _drift(checks: pd.DataFrame, *, time_zone: str, confidence: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return drift of each gauge on each standard at each stage, and the EWMA behind it."""
    rows, charts = [], []
    for (gauge, certified, stage), own in checks[checks["certified_um"] > 0].groupby(_SERIES, sort=True):
        series = own.sort_values("checked_at", kind="stable").reset_index(drop=True)
        key: dict[str, Any] = {"gauge_id": gauge, "certified_um": certified, "stage": stage}
        failed = series.loc[series["passed"].eq(False).fillna(False), "checked_at"]
        weeks = (series["checked_at"] - series["checked_at"].iloc[0]) / pd.Timedelta(weeks=1)
        slope = time_slope(series["error_um"].to_numpy(), time=weeks.to_numpy(), confidence=confidence)
        chart, reason = _ewma(series)
        signals = series.loc[chart.index[chart["signal"]], "checked_at"] if chart is not None else failed.iloc[:0]
        share = 100.0 / float(key["certified_um"])
        rows.append(
            key
            | {
                "n_checks": len(series),
                "first_at": series["checked_at"].iloc[0],
                "last_at": series["checked_at"].iloc[-1],
                "mean_error_um": float(series["error_um"].mean()),
                "mean_error_pct": float(series["error_pct"].mean()),
                "slope_um_per_week": slope.estimate,
                "slope_um_low": slope.low,
                "slope_um_high": slope.high,
                "slope_pct_per_week": share * slope.estimate,
                "slope_pct_low": share * slope.low,
                "slope_pct_high": share * slope.high,
                "lag1_correlation": slope.lag1_correlation,
                "drifts": pd.NA if math.isnan(slope.low) else bool(slope.low > 0 or slope.high < 0),
                "first_failed_at": failed.min(),
                "first_failed_day": str(failed.min().tz_convert(time_zone).date()) if len(failed) else "",
                "ewma_signal_at": signals.min(),
                "ewma_signals": pd.NA if chart is None else len(signals),
                "reason": "; ".join(text for text in (slope.reason, reason) if text),
            }
        )
        if chart is not None:
            charts.append(chart.assign(**key, checked_at=series.loc[chart.index, "checked_at"]))
    watch = pd.concat(charts, ignore_index=True) if charts else pd.DataFrame()
    return typed_frame(rows, _DRIFT), typed_frame(watch, _WATCH)


def _ewma(series: pd.DataFrame) -> tuple[pd.DataFrame | None, str]:
    """Return the EWMA of the checks after the first ten `[pct]`, or why there is none."""
    error = series["error_pct"].to_numpy(dtype=float)
    if len(error) < BASELINE + LEAST_WATCHED:
        return None, f"too few checks to watch for drift: {len(error)} of {BASELINE + LEAST_WATCHED}"
    sd = float(np.abs(np.diff(error)).mean()) / chart_constants(2).d2
    if not sd > 0:
        return None, "every check read the same: no spread to set limits by"
    steady = WEIGHT / (2.0 - WEIGHT)
    chart = ewma_chart(
        error[BASELINE:],
        target=float(error[:BASELINE].mean()),
        sd=sd,
        weight=WEIGHT,
        width=3.0 * math.sqrt(1.0 + 1.0 / (BASELINE * steady)),
        limits="steady",
    )
    chart = chart.set_axis(series.index[BASELINE:])
    names = {"value": "error_pct", "average": "average_pct", "low": "low_pct", "high": "high_pct"}
    return chart.rename(columns=names)[[*names.values(), "signal"]], ""
