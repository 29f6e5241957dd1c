"""Run pressures: what the loggers say of each run's pot pressure, beside what was written down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.trade.conditions import Condition
from auditkit.trade.log_rows import LogSource
from auditkit.trade.pressure_log import PressureLog, read_pressure_logs

__all__ = ["DISAGREE_KPA", "LEAST_COVERED_PCT", "RunPressureFindings", "find_run_pressures"]

DISAGREE_KPA = 3.5
"""Written and logged pressures farther apart than this disagree `[kPa]`: half a psi; ours, no source."""

LEAST_COVERED_PCT = 50.0
"""Share of a run the log must cover before the two are compared `[%]`; ours, no source."""

NO_LOG = "no pressure log was declared"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPressureFindings:
    """What the loggers say of each run.

    Parameters
    ----------
    runs : DataFrame
        One row a run with a reading in a log, sorted by run_id: run_id,
        unit_id, started_at, the fields of `trade.run_pressure.RunPressure`,
        covered_pct (share of the run within the log, gaps taken off) `[%]`,
        recorded_kpa (mean of the written settings over the time each was in
        force), difference_kpa (median of the log - recorded) `[kPa]`, agrees
        (nullable bool), why (why the two were not compared, or empty).
    faults : DataFrame
        The first rows set aside of each kind and file, see
        `trade.pressure_log.PressureLog`.
    files : DataFrame
        One row a file, with its rows read, used and set aside, see there.
    n, excluded : int
        Runs with a reading in a log, and runs of the audit without.
    compared, disagree : int
        Runs whose written and logged pressures were compared, and those that
        disagree.
    method : str
    reason : str
        Why no run has a reading; empty otherwise.
    """

    runs: pd.DataFrame
    faults: pd.DataFrame
    files: pd.DataFrame
    n: int
    excluded: int
    compared: int
    disagree: int
    method: str
    reason: str


def find_run_pressures(
    logs: Sequence[LogSource],
    runs: pd.DataFrame,
    *,
    window: Condition | None = None,
    on_progress: Callable[[str, int], None] | None = None,
) -> RunPressureFindings:
    """Return what the pressure logs say of each run.

    Parameters
    ----------
    logs : sequence of LogSource
        Files and how they are read, such as a dossier's `pressure_logs`.
    runs : DataFrame
        The runs of a timeline: run_id, unit_id, started_at, ended_at, pot_kpa.
    window : Condition, optional
        Of the pot pressure.
    on_progress : callable, optional
        Called with a file's name and its rows read so far.

    Examples
    --------
    >>> at = pd.to_datetime(["2027-01-11T08:00Z", "2027-01-11T08:20Z"])
    >>> runs = pd.DataFrame({"run_id": ["R1"], "unit_id": ["U1"], "started_at": at[:1], "ended_at": at[1:],
    ...                      "pot_kpa": [40.0]})
    >>> find_run_pressures([], runs).reason
    'no pressure log was declared'
    """
    low, high = (None, None) if window is None else (window.low, window.high)
    log = read_pressure_logs(logs, runs, low=low, high=high, on_progress=on_progress)
    frame = _beside_settings(log, runs)
    compared = frame["agrees"].notna()
    return RunPressureFindings(
        runs=frame,
        faults=log.faults,
        files=log.files,
        n=len(frame),
        excluded=len(runs) - len(frame),
        compared=int(compared.sum()),
        disagree=int((~frame.loc[compared, "agrees"].astype(bool)).sum()),
        method=(
            f"{log.method}. The median of a run's log is held against the written settings, each weighed by the time "
            f"it was in force; over {DISAGREE_KPA:g} kPa apart they disagree. A log that covers under "
            f"{LEAST_COVERED_PCT:g} % of a run is not compared"
        ),
        reason=_reason(logs, log, frame),
    )


def _beside_settings(log: PressureLog, runs: pd.DataFrame) -> pd.DataFrame:
    """Return the logged runs beside their written settings."""
    about = runs[["run_id", "unit_id", "started_at", "ended_at", "pot_kpa"]]
    logged = log.runs[log.runs[["n", "zeros", "blanks"]].sum(axis="columns") > 0]
    frame = logged.merge(about, on="run_id", how="left").sort_values("run_id", ignore_index=True)
    seconds = (frame["ended_at"] - frame["started_at"]).dt.total_seconds()
    frame["covered_pct"] = (100.0 * (1.0 - frame["gap_s"] / seconds)).clip(lower=0.0)
    frame = frame.rename(columns={"pot_kpa": "recorded_kpa"})
    frame["difference_kpa"] = frame["median_kpa"] - frame["recorded_kpa"]
    lacks = [frame["recorded_kpa"].isna(), frame["covered_pct"] < LEAST_COVERED_PCT, frame["median_kpa"].isna()]
    words = [
        "no setting was written down in the run",
        "the log covers too little of the run",
        "the log shows no pressure",
    ]
    why = np.select(lacks, words, default="")
    agrees = pd.Series(frame["difference_kpa"].abs() <= DISAGREE_KPA, dtype="boolean").mask(why != "")
    frame = frame.assign(agrees=agrees, why=pd.array(why, dtype="str"))
    first = ["run_id", "unit_id", "started_at"]
    summary = [name for name in log.runs.columns if name != "run_id"]
    return frame[[*first, *summary, "covered_pct", "recorded_kpa", "difference_kpa", "agrees", "why"]]


def _reason(logs: Sequence[LogSource], log: PressureLog, frame: pd.DataFrame) -> str:
    if len(frame):
        return ""
    if not logs:
        return NO_LOG
    told = [why for why in log.files["why"] if why]
    return "; ".join(told) or f"none of the {log.n} rows read lies inside a run of its unit"
