"""Pressure log: what a once-a-second record of pot pressure says of each run.

A log of millions of rows is read in blocks; only the readings of runs still
going on are held.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.errors import SourceError
from auditkit.trade.columns import require_columns
from auditkit.trade.run_pressure import GAP_S, RunPressure, summarise_run

if TYPE_CHECKING:
    import pyarrow as pa

__all__ = ["PressureLog", "read_pressure_log", "summarise_log"]

_BLOCK_BYTES = 1 << 24
_BLOCK_ROWS = 1 << 18
_LOG_COLUMNS = ["unit_id", "logged_at", "pot_kpa"]
_SUMMARY = [field.name for field in fields(RunPressure)]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureLog:
    """A log, summed up by run.

    Attributes
    ----------
    runs : DataFrame
        One row a run that was asked about, sorted by run_id: run_id and the
        fields of `RunPressure`; a run without a row in the log has n 0 and is one gap.
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
    collected = _Collector(_calendars(runs), low=low, high=high)
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Calendar:
    """Runs of one unit, by start; times in microseconds since 1970."""

    run_ids: list[str]
    starts: npt.NDArray[np.int64]
    ends: npt.NDArray[np.int64]


def _calendars(runs: pd.DataFrame) -> dict[str, _Calendar]:
    """Return the runs of each unit, refusing what would give a reading to two of them."""
    require_columns(runs, ["run_id", "unit_id", "started_at", "ended_at"], name="runs")
    if runs["run_id"].duplicated().any():
        twice = sorted(runs.loc[runs["run_id"].duplicated(), "run_id"])
        raise ValueError(f"run_id must not occur twice; {twice[:3]} do. Keep one row of each")
    rows = runs[["run_id", "unit_id"]].assign(start=_micros(runs["started_at"]), end=_micros(runs["ended_at"]))
    rows = rows.sort_values(["unit_id", "start", "run_id"], ignore_index=True)
    overlap = (rows["unit_id"] == rows["unit_id"].shift(-1)) & (rows["end"] >= rows["start"].shift(-1))
    if overlap.any():
        pair = rows["run_id"].iloc[int(overlap.to_numpy().argmax()) :][:2].tolist()
        raise ValueError(f"runs of one unit may not overlap; {pair[0]} and {pair[1]} do. Correct their times")
    return {
        str(unit): _Calendar(
            run_ids=frame["run_id"].tolist(), starts=frame["start"].to_numpy(), ends=frame["end"].to_numpy()
        )
        for unit, frame in rows.groupby("unit_id")
    }


def _micros(times: pd.Series) -> npt.NDArray[np.int64]:
    """Return times as microseconds since 1970 in UTC."""
    if not isinstance(times.dtype, pd.DatetimeTZDtype):
        raise ValueError(f"{times.name} must be times with a zone; given {times.dtype}. Give the zone")
    plain = times.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    return np.asarray(plain.astype("int64"))


class _Collector:
    """Readings of the runs still going on, and the summaries of those that are over."""

    def __init__(self, calendars: dict[str, _Calendar], *, low: float | None, high: float | None) -> None:
        self._calendars = calendars
        self._low, self._high = low, high
        self._open: dict[str, tuple[int, list[tuple[npt.NDArray[np.int64], Floats]]]] = {}
        self._last: dict[str, int] = {}
        self._done: dict[str, RunPressure] = {}
        self.strays = 0

    def add(self, block: pd.DataFrame) -> None:
        """Take in one block."""
        times, values = _micros(block["logged_at"]), block["pot_kpa"].to_numpy(dtype="float64", na_value=np.nan)
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
                f"{pd.Timestamp(int(times[0]), unit='us', tz='UTC').isoformat()}. Sort the log by unit and time, "
                "and keep one reading of each time"
            )
        self._last[unit] = int(times[-1])
        calendar = self._calendars.get(unit)
        if calendar is None:
            self.strays += len(times)
            return
        first = np.searchsorted(times, calendar.starts, side="left")
        past = np.searchsorted(times, calendar.ends, side="right")
        self.strays += len(times) - int((past - first).sum())
        for run in np.flatnonzero(past > first):
            self._hold(unit, int(run), times[first[run] : past[run]], values[first[run] : past[run]])

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
        calendar = self._calendars[unit]
        times = np.concatenate([piece[0] for piece in pieces])
        self._done[calendar.run_ids[run]] = summarise_run(
            (times - calendar.starts[run]) / 1e6,
            np.concatenate([piece[1] for piece in pieces]),
            run_s=float(calendar.ends[run] - calendar.starts[run]) / 1e6,
            low=self._low,
            high=self._high,
        )

    def table(self) -> pd.DataFrame:
        """Return the summaries of all runs, sorted by run_id."""
        for unit in list(self._open):
            self._close(unit)
        run_s = {
            run: float(end - start) / 1e6
            for calendar in self._calendars.values()
            for run, start, end in zip(calendar.run_ids, calendar.starts, calendar.ends, strict=True)
        }
        rows = [asdict(self._done.get(run) or summarise_run([], [], run_s=run_s[run])) for run in sorted(run_s)]
        return pd.DataFrame({"run_id": sorted(run_s)}).join(pd.DataFrame(rows, columns=_SUMMARY))


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
