"""Pressure log: what a once-a-second record of pot pressure says of each run.

A log of millions of rows is read in blocks; only the readings of runs still
going on are held.

References
----------
[1] P. D. Welch (1967), IEEE Trans. Audio Electroacoust. 15:70-73.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.errors import SourceError
from auditkit.trade.columns import require_columns

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["PressureLog", "RunPressure", "read_pressure_log", "summarise_log", "summarise_run"]

GAP_S = 3.0
"""Readings farther apart are a drop-out of the logger `[s]`; the log is of one reading a second."""

LEAST_READINGS = 64
"""Fewer readings show no pulsing `[-]`."""

MOST_FILLED = 0.10
"""Share of a run's seconds that may be filled in before its pulsing is not read `[-]`."""

_SEGMENT_S = 512
_BLOCK_BYTES = 1 << 24
_BLOCK_ROWS = 1 << 18
_LOG_COLUMNS = ["unit_id", "logged_at", "pot_kpa"]
_SUMMARY = [
    "n",
    "median_kpa",
    "low_kpa",
    "high_kpa",
    "outside_pct",
    "pulse_period_s",
    "pulse_share_pct",
    "gaps",
    "gap_s",
    "zeros",
    "blanks",
]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPressure:
    """The log of one run, summed up.

    Attributes
    ----------
    n : int
        Readings used: those neither blank nor 0.
    median_kpa, low_kpa, high_kpa : float
        Median, 5th and 95th percentile `[kPa]`; not a number without readings.
    outside_pct : float
        Share of the readings outside the window `[%]`; not a number without one.
    pulse_period_s : float
        Period that carries most of the swing `[s]`; not a number where it
        cannot be read.
    pulse_share_pct : float
        Share of the variance about a straight line at that period `[%]`. Mere
        noise gives a few per cent in a long run.
    gaps : int
        Stretches over `GAP_S` without a reading used, at either end too.
    gap_s : float
        Their length together `[s]`.
    zeros, blanks : int
        Readings of 0 or less, and readings without a figure.
    """

    n: int
    median_kpa: float
    low_kpa: float
    high_kpa: float
    outside_pct: float
    pulse_period_s: float
    pulse_share_pct: float
    gaps: int
    gap_s: float
    zeros: int
    blanks: int


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureLog:
    """A log, summed up by run.

    Attributes
    ----------
    runs : DataFrame
        One row a run that was asked about, sorted by run_id: run_id and the
        fields of `RunPressure`; a run without a row in the log has n 0.
    n : int
        Rows read.
    excluded : int
        Rows that belong to no run.
    method : str
    """

    runs: pd.DataFrame
    n: int
    excluded: int
    method: str


def summarise_run(
    seconds: npt.ArrayLike,
    pot_kpa: npt.ArrayLike,
    *,
    run_s: float,
    low: float | None = None,
    high: float | None = None,
) -> RunPressure:
    """Return the median, spread, pulsing and drop-outs of one run's readings.

    Parameters
    ----------
    seconds : array_like
        Times of the readings since the run's start, rising `[s]`.
    pot_kpa : array_like
        Readings, NaN where blank `[kPa]`.
    run_s : float
        Length of the run `[s]`.
    low, high : float, optional
        Window `[kPa]`; a reading at a limit is inside.

    Raises
    ------
    ValueError
        The two differ in length, or times do not rise.

    Notes
    -----
    Pulsing is read from Welch's spectrum of the series on a grid of one second
    with its trend taken off, gaps bridged by straight lines. One reading a
    second shows no period under 2 s: a faster pulse shows under a false one.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> t = np.arange(600.0)
    >>> summary = summarise_run(t, 40 + 2 * np.sin(2 * np.pi * t / 16), run_s=600, low=34, high=41)
    >>> round(summary.median_kpa, 1), round(summary.pulse_period_s, 1), round(summary.pulse_share_pct)
    (40.0, 16.0, 100)
    """
    times, values = np.asarray(seconds, dtype=float), np.asarray(pot_kpa, dtype=float)
    if times.shape != values.shape or times.ndim != 1:
        raise ValueError(f"seconds and pot_kpa must be rows of equal length; given {times.shape} and {values.shape}")
    if (np.diff(times) <= 0).any():
        raise ValueError("seconds must rise from reading to reading; sort them, and keep one reading of each time")
    blank = np.isnan(values)
    zero = values <= 0
    times, used = times[~blank & ~zero], values[~blank & ~zero]
    steps = np.diff(np.concatenate([[0.0], times, [run_s]]))
    low_kpa, median, high_kpa = np.percentile(used, [5, 50, 95]) if len(used) else (np.nan, np.nan, np.nan)
    period, share = _pulsing(times, used)
    return RunPressure(
        n=len(used),
        median_kpa=float(median),
        low_kpa=float(low_kpa),
        high_kpa=float(high_kpa),
        outside_pct=_outside_pct(used, low=low, high=high),
        pulse_period_s=period,
        pulse_share_pct=share,
        gaps=int((steps > GAP_S).sum()),
        gap_s=float(steps[steps > GAP_S].sum()),
        zeros=int(zero.sum()),
        blanks=int(blank.sum()),
    )


def summarise_log(
    blocks: Iterable[pd.DataFrame], runs: pd.DataFrame, *, low: float | None = None, high: float | None = None
) -> PressureLog:
    """Return the summary of each run of a log that comes in blocks.

    Parameters
    ----------
    blocks : iterable of DataFrame
        unit_id, logged_at (UTC), pot_kpa `[kPa]`; the times of a unit rise,
        within a block and from block to block. Units may alternate.
    runs : DataFrame
        run_id, unit_id, started_at, ended_at; runs of one unit may not overlap.
    low, high : float, optional
        Window `[kPa]`.

    Raises
    ------
    ValueError
        A column is not there, a run occurs twice, two runs of a unit overlap,
        a time has no zone, or the times of a unit do not rise.

    Examples
    --------
    >>> at = pd.date_range("2027-01-11T08:00Z", periods=4, freq="s")
    >>> log = pd.DataFrame({"unit_id": "U1", "logged_at": at, "pot_kpa": [40.0, 41.0, 42.0, 43.0]})
    >>> runs = pd.DataFrame({"run_id": ["R1"], "unit_id": ["U1"], "started_at": at[:1], "ended_at": at[2:3]})
    >>> summary = summarise_log([log], runs)
    >>> summary.runs[["run_id", "n", "median_kpa"]].to_numpy().tolist(), summary.excluded
    ([['R1', 3, 41.0]], 1)
    """
    calendar = _calendar(runs)
    collected = _Collector(calendar, low=low, high=high)
    n = 0
    for block in blocks:
        require_columns(block, _LOG_COLUMNS, name="the log")
        n += len(block)
        collected.add(block)
    return PressureLog(
        runs=collected.table(),
        n=n,
        excluded=collected.strays,
        method=f"readings of 0 or less and blanks counted apart; gaps over {GAP_S:g} s; pulsing by Welch's spectrum",
    )


def read_pressure_log(
    path: Path,
    runs: pd.DataFrame,
    *,
    low: float | None = None,
    high: float | None = None,
    on_progress: Callable[[int], None] | None = None,
) -> PressureLog:
    """Return the summary of each run of a logger's export, read in blocks.

    Parameters
    ----------
    path : Path
        CSV (times as ISO 8601 with their zone) or Parquet, by its ending, with
        unit_id, logged_at and pot_kpa `[kPa]`; other columns are not read.
    runs : DataFrame
        As in `summarise_log`.
    low, high : float, optional
        Window `[kPa]`.
    on_progress : callable, optional
        Called after each block with the number of rows read so far.

    Raises
    ------
    SourceError
        The file is of another kind, lacks a column, or a cell is no time with
        its zone or no number.
    ValueError
        As in `summarise_log`.

    Examples
    --------
    >>> import tempfile
    >>> at = pd.date_range("2027-01-11T08:00Z", periods=3, freq="s")
    >>> log = pd.DataFrame({"unit_id": "U1", "logged_at": at, "pot_kpa": [40.0, 41.0, 42.0]})
    >>> runs = pd.DataFrame({"run_id": ["R1"], "unit_id": ["U1"], "started_at": at[:1], "ended_at": at[2:3]})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "log.parquet"
    ...     log.to_parquet(path)
    ...     read_pressure_log(path, runs).runs["median_kpa"].tolist()
    [41.0]
    """
    return summarise_log(_counted(_blocks(path), on_progress), runs, low=low, high=high)


def _outside_pct(used: Floats, *, low: float | None, high: float | None) -> float:
    if (low is None and high is None) or not len(used):
        return float("nan")
    below = used < (-np.inf if low is None else low)
    above = used > (np.inf if high is None else high)
    return 100.0 * float((below | above).mean())


def _pulsing(times: Floats, values: Floats) -> tuple[float, float]:
    """Return the period [s] that carries most of the swing, and its share of the variance [%]."""
    from scipy.signal import detrend, welch

    unread = float("nan"), float("nan")
    if len(values) < LEAST_READINGS:
        return unread
    grid = np.arange(times[0], times[-1] + 0.5)
    if len(values) < (1.0 - MOST_FILLED) * len(grid):
        return unread
    series = detrend(np.interp(grid, times, values))
    frequency, power = welch(series, fs=1.0, nperseg=min(len(series), _SEGMENT_S), detrend="linear")
    total = float(power[1:].sum())
    if total <= 1e-12 * float(values.mean()) ** 2:
        return unread
    # a trend taken off leaves nothing to see in the two lowest bins; a Hann window spreads a line over three
    peak = 2 + int(power[2:-1].argmax())
    share = 100.0 * float(power[peak - 1 : peak + 2].sum()) / total
    return 1.0 / _peak_frequency(frequency, power, peak), share


def _peak_frequency(frequency: Floats, power: Floats, peak: int) -> float:
    """Return the frequency of a peak, by the parabola through the logarithms of it and its neighbours."""
    left, centre, right = np.log(np.maximum(power[peak - 1 : peak + 2], 1e-300))
    bend = float(left - 2.0 * centre + right)
    shift = 0.5 * float(left - right) / bend if bend < 0 else 0.0
    return float(frequency[peak]) + shift * float(frequency[1] - frequency[0])


def _calendar(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the runs by unit and start, refusing what would give a reading to two of them."""
    require_columns(runs, ["run_id", "unit_id", "started_at", "ended_at"], name="runs")
    if runs["run_id"].duplicated().any():
        twice = sorted(runs.loc[runs["run_id"].duplicated(), "run_id"])
        raise ValueError(f"run_id must not occur twice; {twice[:3]} do. Keep one row of each")
    rows = runs[["run_id", "unit_id"]].assign(start=_micros(runs["started_at"]), end=_micros(runs["ended_at"]))
    rows = rows.sort_values(["unit_id", "start", "run_id"], ignore_index=True)
    overlap = (rows["unit_id"] == rows["unit_id"].shift(-1)) & (rows["end"] >= rows["start"].shift(-1))
    if overlap.any():
        i = int(overlap.to_numpy().argmax())
        raise ValueError(
            f"runs of one unit may not overlap; {rows.at[i, 'run_id']} and {rows.at[i + 1, 'run_id']} of "
            f"{rows.at[i, 'unit_id']} do. Correct their times"
        )
    return rows


def _micros(times: pd.Series) -> npt.NDArray[np.int64]:
    """Return times as microseconds since 1970 in UTC."""
    if not isinstance(times.dtype, pd.DatetimeTZDtype):
        raise ValueError(f"{times.name} must be times with a zone; given {times.dtype}. Give the zone")
    return times.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy(dtype="datetime64[us]").astype("int64")


class _Collector:
    """Readings of the runs still going on, and the summaries of those that are over."""

    def __init__(self, calendar: pd.DataFrame, *, low: float | None, high: float | None) -> None:
        self._of_unit = {str(unit): frame.reset_index(drop=True) for unit, frame in calendar.groupby("unit_id")}
        self._low, self._high = low, high
        self._open: dict[str, tuple[int, list[tuple[npt.NDArray[np.int64], Floats]]]] = {}
        self._last: dict[str, int] = {}
        self._done: dict[str, RunPressure] = {}
        self._run_ids: list[str] = calendar["run_id"].tolist()
        self.strays = 0

    def add(self, block: pd.DataFrame) -> None:
        """Take in one block."""
        times, values = _micros(block["logged_at"]), block["pot_kpa"].to_numpy(dtype="float64")
        codes, units = pd.factorize(block["unit_id"])
        self.strays += int((codes < 0).sum())
        for code, unit in enumerate(units):
            here = codes == code
            self._add_unit(str(unit), times[here], values[here])

    def _add_unit(self, unit: str, times: npt.NDArray[np.int64], values: Floats) -> None:
        before = self._last.get(unit)
        if (np.diff(times) <= 0).any() or (before is not None and times[0] <= before):
            raise ValueError(
                f"the times of a unit must rise from row to row; those of {unit} do not, after "
                f"{pd.Timestamp(int(times[0]), unit='us', tz='UTC').isoformat()}. Sort the log by unit and time, and keep "
                "one reading of each time"
            )
        self._last[unit] = int(times[-1])
        calendar = self._of_unit.get(unit)
        if calendar is None:
            self.strays += len(times)
            return
        first = np.searchsorted(times, calendar["start"].to_numpy(), side="left")
        past = np.searchsorted(times, calendar["end"].to_numpy(), side="right")
        self.strays += len(times) - int((past - first).sum())
        touched = np.flatnonzero((past > first) | (calendar.index.to_numpy() == self._open.get(unit, (-1, []))[0]))
        for run in touched:
            self._hold(unit, int(run), times[first[run] : past[run]], values[first[run] : past[run]])
            if times[-1] > calendar.at[run, "end"]:
                self._close(unit)

    def _hold(self, unit: str, run: int, times: npt.NDArray[np.int64], values: Floats) -> None:
        if unit not in self._open or self._open[unit][0] != run:
            self._close(unit)
            self._open[unit] = run, []
        self._open[unit][1].append((times.copy(), values.copy()))

    def _close(self, unit: str) -> None:
        """Sum up the unit's run that is going on, if there is one."""
        run, pieces = self._open.pop(unit, (-1, []))
        if not pieces:
            return
        row = self._of_unit[unit].loc[run]
        times = np.concatenate([piece[0] for piece in pieces])
        self._done[row["run_id"]] = summarise_run(
            (times - row["start"]) / 1e6,
            np.concatenate([piece[1] for piece in pieces]),
            run_s=(row["end"] - row["start"]) / 1e6,
            low=self._low,
            high=self._high,
        )

    def table(self) -> pd.DataFrame:
        """Return the summaries of all runs, sorted by run_id."""
        for unit in list(self._open):
            self._close(unit)
        nothing = {name: float("nan") for name in _SUMMARY} | {"n": 0, "gaps": 0, "gap_s": 0.0, "zeros": 0, "blanks": 0}
        rows = [
            {name: getattr(self._done[run], name) for name in _SUMMARY} if run in self._done else nothing
            for run in sorted(self._run_ids)
        ]
        return pd.DataFrame({"run_id": sorted(self._run_ids)}).join(pd.DataFrame(rows, columns=_SUMMARY))


def _counted(blocks: Iterator[pd.DataFrame], on_progress: Callable[[int], None] | None) -> Iterator[pd.DataFrame]:
    read = 0
    for block in blocks:
        read += len(block)
        yield block
        if on_progress is not None:
            on_progress(read)


def _blocks(path: Path) -> Iterator[pd.DataFrame]:
    """Yield the log in blocks of bounded size."""
    import pyarrow as pa

    readers = {".csv": _csv_batches, ".parquet": _parquet_batches}
    reader = readers.get(path.suffix.lower())
    if reader is None:
        raise SourceError(
            f"{path.name}: a pressure log must be .csv or .parquet; given {path.suffix or 'no ending'!r}."
        )
    try:
        for batch in reader(path):
            yield batch.to_pandas()
    except (pa.ArrowInvalid, pa.ArrowKeyError) as error:
        raise SourceError(
            f"{path.name}: unit_id, logged_at (ISO 8601 with its zone) and pot_kpa (a number) must be there; {error}. "
            "Correct the export."
        ) from error


def _csv_batches(path: Path) -> Iterator[pa.RecordBatch]:
    import pyarrow as pa
    from pyarrow import csv

    types = {"unit_id": pa.string(), "logged_at": pa.timestamp("us", tz="UTC"), "pot_kpa": pa.float64()}
    with csv.open_csv(
        path,
        read_options=csv.ReadOptions(block_size=_BLOCK_BYTES),
        convert_options=csv.ConvertOptions(column_types=types, include_columns=_LOG_COLUMNS),
    ) as reader:
        yield from reader


def _parquet_batches(path: Path) -> Iterator[pa.RecordBatch]:
    from pyarrow import parquet

    with parquet.ParquetFile(path) as file:
        absent = [name for name in _LOG_COLUMNS if name not in file.schema_arrow.names]
        if absent:
            raise SourceError(f"{path.name}: the log must have the columns {absent}; it has {file.schema_arrow.names}.")
        yield from file.iter_batches(batch_size=_BLOCK_ROWS, columns=_LOG_COLUMNS)
