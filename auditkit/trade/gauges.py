"""Gauges: whether a thickness gauge read true on its standards, and which readings that puts in doubt.

References
----------
[1] SSPC-PA 2 (2012 and later), section 5: record of checks; 5.5, where the
    check after use fails, every measurement since the last good check is suspect.
[2] ASTM D7091: check of accuracy by the user at least at the start and the end
    of each shift (from memory, check against your copy).
[3] Root-sum-square of gauge and standard tolerance: SSPC-PA 2 (2004) and note of
    ASTM D7091 (from memory, check against your copy); +-5 % and +-5 % give +-7 %.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from auditkit.errors import RecordError

__all__ = ["NOT_COVERED", "SUSPECT", "combined_tolerance_pct", "judge_checks", "suspect_readings"]

SUSPECT = "suspect"
NOT_COVERED = "not covered by a check"

_COMBINE = ("root-sum-square", "simple sum")
_CHECK = ["gauge_id", "checked_at", "certified_um"]
_CONSTANT = ["stage", "gauge_tolerance_pct", "standard_tolerance_pct"]
_READING = ["area_id", "side", "spot", "repeat", "gauge_id", "taken_at"]


def combined_tolerance_pct(
    gauge_tolerance_pct: float, standard_tolerance_pct: float, *, combine: str = "root-sum-square"
) -> float:
    """Return the tolerance of a gauge on a standard `[pct of the certified value]`.

    Parameters
    ----------
    gauge_tolerance_pct : float
        Stated accuracy of the gauge `[pct]`.
    standard_tolerance_pct : float
        Uncertainty of the certified value `[pct]`.
    combine : {'root-sum-square', 'simple sum'}
        The simple sum is the worst case; no standard was seen to ask for it.

    Returns
    -------
    float
        `[pct]`

    Raises
    ------
    ValueError
        The rule is unknown or a tolerance below 0.

    References
    ----------
    [3]_ of the module.

    Examples
    --------
    >>> round(combined_tolerance_pct(5.0, 5.0), 2)
    7.07
    >>> combined_tolerance_pct(5.0, 5.0, combine="simple sum")
    10.0
    """
    if combine not in _COMBINE:
        raise ValueError(f"combine must be one of {list(_COMBINE)}; given {combine!r}")
    if gauge_tolerance_pct < 0 or standard_tolerance_pct < 0:
        raise ValueError(f"tolerances must be 0 or more; given {gauge_tolerance_pct} and {standard_tolerance_pct}")
    if combine == "simple sum":
        return float(gauge_tolerance_pct + standard_tolerance_pct)
    return float(np.hypot(gauge_tolerance_pct, standard_tolerance_pct))


def judge_checks(gauge_checks: pd.DataFrame, *, combine: str = "root-sum-square") -> pd.DataFrame:
    """Return one row per gauge, check and standard: whether the mean reading was within tolerance.

    Parameters
    ----------
    gauge_checks : DataFrame
        Grain: one reading of one gauge on one standard at one check. Columns
        gauge_id, checked_at, stage, certified_um `[um]`, reading_um `[um]`,
        gauge_tolerance_pct `[pct]`, standard_tolerance_pct `[pct]`.
    combine : {'root-sum-square', 'simple sum'}

    Returns
    -------
    DataFrame
        gauge_id, checked_at, certified_um, stage, n, mean_um, error_um (mean
        minus certified), allowed_um, passed, method; sorted by the first
        three. `passed` is missing where the certified value is 0, since a
        share of nothing allows nothing to be judged.

    Raises
    ------
    ValueError
        A column or value is missing.
    RecordError
        One check has two stages or tolerances.

    References
    ----------
    [3]_ of the module.

    Examples
    --------
    >>> checks = pd.DataFrame(
    ...     {
    ...         "gauge_id": "G1",
    ...         "checked_at": pd.Timestamp("2027-01-13 07:00", tz="UTC"),
    ...         "stage": "before use",
    ...         "certified_um": 254.0,
    ...         "reading_um": [270.0, 272.0],
    ...         "gauge_tolerance_pct": 5.0,
    ...         "standard_tolerance_pct": 5.0,
    ...     }
    ... )
    >>> judge_checks(checks)[["mean_um", "error_um", "allowed_um", "passed"]].round(2).values.tolist()
    [[271.0, 17.0, 17.96, True]]
    """
    columns = [*_CHECK, *_CONSTANT, "reading_um"]
    _require(gauge_checks, columns, "gauge_checks")
    _no_gaps(gauge_checks, columns, "gauge_checks")
    if combine not in _COMBINE:
        raise ValueError(f"combine must be one of {list(_COMBINE)}; given {combine!r}")
    groups = gauge_checks.groupby(_CHECK, sort=True)
    for column in _CONSTANT:
        differing = groups[column].nunique()
        differing = differing[differing > 1]
        if len(differing):
            gauge, when, certified = differing.index[0]
            raise RecordError(
                f"one check on one standard must have one {column}; gauge {gauge} at {when} on {certified:g} um has "
                f"{int(differing.iloc[0])} ({len(differing)} such in all). Correct the record"
            )
    out = groups.agg(
        stage=("stage", "first"),
        n=("reading_um", "size"),
        mean_um=("reading_um", "mean"),
        gauge_pct=("gauge_tolerance_pct", "first"),
        standard_pct=("standard_tolerance_pct", "first"),
    ).reset_index()
    if combine == "root-sum-square":
        share = np.hypot(out["gauge_pct"], out["standard_pct"]) / 100.0
    else:
        share = (out["gauge_pct"] + out["standard_pct"]) / 100.0
    out["error_um"] = out["mean_um"] - out["certified_um"]
    out["allowed_um"] = share * out["certified_um"]
    # a mean that lies on the limit passes, whatever the last binary digit says
    slack = 1e-9 * out["certified_um"]
    passed = (out["error_um"].abs() <= out["allowed_um"] + slack).astype("boolean")
    out["passed"] = passed.mask(out["certified_um"] == 0)
    out["method"] = combine
    return out[[*_CHECK, "stage", "n", "mean_um", "error_um", "allowed_um", "passed", "method"]]


def suspect_readings(
    film_readings: pd.DataFrame, gauge_checks: pd.DataFrame, *, combine: str = "root-sum-square"
) -> pd.DataFrame:
    """Return the film readings that the gauge checks do not vouch for, one row each.

    A reading is vouched for where the nearest check of its gauge before it and
    the nearest one after it both passed on every standard that can be judged.
    Where either failed it is suspect: a failed check after use puts in doubt
    every reading since the last good one, and a gauge that failed is in doubt
    until it passes again. Where no check lies before or none after, the
    reading is not covered.

    Parameters
    ----------
    film_readings : DataFrame
        Columns area_id, side, spot, repeat, gauge_id, taken_at; a reading
        without a time is not covered.
    gauge_checks : DataFrame
        As in `judge_checks`. A check at the very time of a reading counts as
        before it if its stage is 'before use', as after it otherwise.
    combine : {'root-sum-square', 'simple sum'}

    Returns
    -------
    DataFrame
        area_id, side, spot, repeat, gauge_id, taken_at, status ('suspect' or
        'not covered by a check'), reason, last_good_at (last check passed
        before the reading), next_check_at (first check after it); sorted by
        the first four. Readings that are vouched for are not in it.

    Raises
    ------
    ValueError
        As in `judge_checks`.

    References
    ----------
    [1]_ 5.5, [2]_ of the module.

    Examples
    --------
    >>> at = lambda hour: pd.Timestamp(f"2027-01-13 {hour:02d}:00", tz="UTC")
    >>> checks = pd.DataFrame(
    ...     {
    ...         "gauge_id": "G1",
    ...         "checked_at": [at(7), at(15)],
    ...         "stage": ["before use", "after use"],
    ...         "certified_um": 100.0,
    ...         "reading_um": [101.0, 120.0],
    ...         "gauge_tolerance_pct": 3.0,
    ...         "standard_tolerance_pct": 1.0,
    ...     }
    ... )
    >>> readings = pd.DataFrame(
    ...     {
    ...         "area_id": "A1",
    ...         "side": "facing",
    ...         "spot": 1,
    ...         "repeat": [1],
    ...         "dft_um": 80.0,
    ...         "gauge_id": "G1",
    ...         "taken_at": [at(9)],
    ...     }
    ... )
    >>> suspect_readings(readings, checks)[["status", "reason"]].values.tolist()
    [['suspect', 'the check after it failed']]
    """
    _require(film_readings, _READING, "film_readings")
    _no_gaps(film_readings, ["gauge_id"], "film_readings")
    checks = _checks(judge_checks(gauge_checks, combine=combine))
    readings = film_readings[_READING].reset_index(drop=True)
    timed = readings.loc[readings["taken_at"].notna()]
    line = pd.concat(
        [
            pd.DataFrame(
                {"gauge_id": timed["gauge_id"], "when": timed["taken_at"], "order": 1, "reading": timed.index}
            ),
            checks,
        ],
        ignore_index=True,
    )
    line = line.sort_values(["gauge_id", "when", "order"], kind="stable")
    line["check_at"] = line["when"].where(line["reading"].isna())
    line["good_at"] = line["when"].where(line["passed"].eq(True).fillna(False).astype(bool))
    gauges = line.groupby("gauge_id", sort=False)
    nearest = pd.DataFrame(
        {
            "reading": line["reading"],
            "passed_before": gauges["passed"].ffill(),
            "passed_after": gauges["passed"].bfill(),
            "last_good_at": gauges["good_at"].ffill(),
            "next_check_at": gauges["check_at"].bfill(),
        }
    )
    nearest = nearest.loc[nearest["reading"].notna()]
    nearest = nearest.set_index(nearest["reading"].astype("int64")).drop(columns="reading")
    readings = readings.join(nearest)
    readings["status"], readings["reason"] = _verdicts(readings)
    out = readings.loc[readings["status"] != "", [*_READING, "status", "reason", "last_good_at", "next_check_at"]]
    return out.sort_values(["area_id", "side", "spot", "repeat"], kind="stable").reset_index(drop=True)


def _checks(judged: pd.DataFrame) -> pd.DataFrame:
    """Return one row per gauge and check: passed only where every standard that can be judged passed."""
    judged = judged.loc[judged["passed"].notna()]
    out = judged.groupby(["gauge_id", "checked_at"], as_index=False).agg(
        stage=("stage", "first"), passed=("passed", "min")
    )
    return pd.DataFrame(
        {
            "gauge_id": out["gauge_id"],
            "when": out["checked_at"],
            "order": np.where(out["stage"] == "before use", 0, 2),
            "passed": out["passed"].astype("boolean"),
        }
    )


def _verdicts(readings: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Return status and reason of each reading, blank where the checks vouch for it."""
    before, after = readings["passed_before"], readings["passed_after"]
    failed_before = before.eq(False).fillna(False).astype(bool)
    failed_after = after.eq(False).fillna(False).astype(bool)
    untimed = readings["taken_at"].isna()
    none_before, none_after = before.isna() & ~untimed, after.isna() & ~untimed
    cases = [
        untimed,
        failed_before & failed_after,
        failed_after,
        failed_before,
        none_before & none_after,
        none_before,
        none_after,
    ]
    reasons = [
        "its time was not recorded",
        "the checks before and after it failed",
        "the check after it failed",
        "the check before it failed and none has passed since",
        "its gauge has no check before or after it",
        "its gauge has no check before it",
        "its gauge has no check after it",
    ]
    statuses = [NOT_COVERED, SUSPECT, SUSPECT, SUSPECT, NOT_COVERED, NOT_COVERED, NOT_COVERED]
    return (
        pd.Series(np.select(cases, statuses, default=""), index=readings.index),
        pd.Series(np.select(cases, reasons, default=""), index=readings.index),
    )


def _require(frame: pd.DataFrame, columns: list[str], what: str) -> None:
    """Refuse a frame without one of the columns."""
    absent = [column for column in columns if column not in frame.columns]
    if absent:
        raise ValueError(f"{what} must have the columns {absent}; it has {list(frame.columns)}")


def _no_gaps(frame: pd.DataFrame, columns: list[str], what: str) -> None:
    """Refuse a missing value in one of the columns."""
    for column in columns:
        gaps = frame[column].isna()
        if gaps.any():
            raise ValueError(
                f"{what} must have a value for {column} in every row; {int(gaps.sum())} of {len(frame)} are missing, "
                f"first at index {frame.index[gaps][0]}"
            )
