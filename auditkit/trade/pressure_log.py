"""Pressure log: what a once-a-second record of pot pressure says of each run.

Logs of millions of rows are read in blocks; only the readings inside runs are
held, 22 bytes each. A row that cannot be used is set aside and counted, and the
first of each kind are told with file, line and reason.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict, dataclass, field, fields

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.errors import SourceError
from auditkit.trade.columns import require_columns
from auditkit.trade.log_rows import LOG_COLUMNS, LogBlock, LogSource, read_rows
from auditkit.trade.run_pressure import GAP_S, RunPressure, summarise_run

__all__ = ["MOST_FAULTS", "PressureLog", "read_pressure_logs", "summarise_log"]

MOST_FAULTS = 20
"""Faults of one kind and file that are told one by one; all are counted."""

_RUN_COLUMNS = ["run_id", "unit_id", "started_at", "ended_at"]
_SUMMARY = [field.name for field in fields(RunPressure)]
_KINDS = ("cells", "unit", "time", "pressure", "order", "duplicate")
_COUNTS = ("n", "used", "outside_runs", *_KINDS)
_FAULTS = ["file", "line", "column", "value", "kind", "why"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureLog:
    """Logs, summed up by run.

    Attributes
    ----------
    runs : DataFrame
        One row a run that was asked about, sorted by run_id: run_id and the
        fields of `RunPressure`; a run without a row in a log has n 0 and is one gap.
    files : DataFrame
        One row a file: file, n (rows read), used (inside a run), outside_runs,
        and what was set aside: cells (another number of cells than the
        header), unit (none named), time, pressure (not to be read), order
        (earlier than the row of the unit before), duplicate (a time of the
        unit that has a reading already); why (why nothing was read, or empty).
    faults : DataFrame
        The first `MOST_FAULTS` of each kind and file: file, line (row of a
        Parquet file), column, value, kind, why.
    n : int
        Rows read.
    excluded : int
        Rows that belong to no run.
    set_aside : int
        Rows that could not be used.
    method : str
    """

    runs: pd.DataFrame
    files: pd.DataFrame
    faults: pd.DataFrame
    n: int
    excluded: int
    set_aside: int
    method: str


def summarise_log(
    blocks: Iterable[pd.DataFrame], runs: pd.DataFrame, *, low: float | None = None, high: float | None = None
) -> PressureLog:
    """Return the summary of each run of a log that comes in blocks.

    Parameters
    ----------
    blocks : iterable of DataFrame
        unit_id, logged_at (with a zone), pot_kpa `[kPa]`. Units may alternate.
    runs : DataFrame
        run_id, unit_id, started_at, ended_at. A reading counts for every run
        of its unit that was on at the time.
    low, high : float, optional
        Window `[kPa]`.

    Raises
    ------
    ValueError
        A column is not there, a run occurs twice, or a time has no zone.

    Examples
    --------
    >>> at = pd.date_range("2027-01-11T08:00Z", periods=4, freq="s")
    >>> log = pd.DataFrame({"unit_id": "U1", "logged_at": at, "pot_kpa": [40.0, 41.0, 42.0, 43.0]})
    >>> runs = pd.DataFrame({"run_id": ["R1"], "unit_id": ["U1"], "started_at": at[:1], "ended_at": at[2:3]})
    >>> summary = summarise_log([log], runs)
    >>> summary.runs[["run_id", "n", "median_kpa"]].to_numpy().tolist(), summary.excluded
    ([['R1', 3, 41.0]], 1)
    """
    collected = _Collector(runs)
    collected.begin("log", dict(zip(LOG_COLUMNS, LOG_COLUMNS, strict=True)))
    line = 1
    for block in blocks:
        require_columns(block, LOG_COLUMNS, name="the log")
        lines = np.arange(line, line + len(block), dtype=np.int64)
        rows = block[list(LOG_COLUMNS)].reset_index(drop=True).assign(line=lines)
        collected.add(LogBlock(rows=rows, faults=pd.DataFrame(columns=_FAULTS[1:]), n=len(block)))
        line += len(block)
    return collected.result(low=low, high=high)


def read_pressure_logs(
    sources: Sequence[LogSource],
    runs: pd.DataFrame,
    *,
    low: float | None = None,
    high: float | None = None,
    on_progress: Callable[[str, int], None] | None = None,
) -> PressureLog:
    """Return the summary of each run from loggers' exports, read in blocks; a run may be spread over files.

    Parameters
    ----------
    sources : sequence of LogSource
        Files and how they are read, in order: of two readings of a unit at one
        time the first is kept. A file that cannot be read at all is told, and
        stops nothing.
    runs : DataFrame
        As in `summarise_log`.
    low, high : float, optional
        Window `[kPa]`.
    on_progress : callable, optional
        Called after each block with the file's name and its rows read so far.

    Raises
    ------
    ValueError
        As in `summarise_log`.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from types import SimpleNamespace
    >>> at = pd.date_range("2027-01-11T08:00Z", periods=3, freq="s")
    >>> log = pd.DataFrame({"unit_id": "U1", "logged_at": at, "pot_kpa": [40.0, 41.0, 42.0]})
    >>> runs = pd.DataFrame({"run_id": ["R1"], "unit_id": ["U1"], "started_at": at[:1], "ended_at": at[2:3]})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "log.parquet"
    ...     log.to_parquet(path)
    ...     source = SimpleNamespace(path=path, name="log.parquet", columns={name: name for name in log},
    ...                              constants={}, unit="kpa", time_zone=None)
    ...     read_pressure_logs([source], runs).runs["median_kpa"].tolist()
    [41.0]
    """
    collected = _Collector(runs)
    for source in sources:
        collected.begin(source.name, {column: header for header, column in source.columns.items()})
        read = 0
        try:
            for block in read_rows(source):
                collected.add(block)
                read += block.n
                if on_progress is not None:
                    on_progress(source.name, read)
        except SourceError as error:
            collected.give_up(str(error))
    return collected.result(low=low, high=high)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Calendar:
    """Runs of one unit; times in microseconds since 1970."""

    run_ids: list[str]
    starts: Ints
    ends: Ints


@dataclass(slots=True, kw_only=True)
class _Pieces:
    """Readings of one unit inside its runs, piece by piece."""

    times: list[Ints] = field(default_factory=list)
    values: list[Floats] = field(default_factory=list)
    lines: list[npt.NDArray[np.int32]] = field(default_factory=list)
    files: list[npt.NDArray[np.int16]] = field(default_factory=list)


def _calendars(runs: pd.DataFrame) -> dict[str, _Calendar]:
    """Return the runs of each unit."""
    require_columns(runs, _RUN_COLUMNS, name="runs")
    if runs["run_id"].duplicated().any():
        twice = sorted(runs.loc[runs["run_id"].duplicated(), "run_id"])
        raise ValueError(f"run_id must not occur twice; {twice[:3]} do. Keep one row of each")
    rows = runs[["run_id", "unit_id"]].assign(start=_micros(runs["started_at"]), end=_micros(runs["ended_at"]))
    rows = rows.sort_values(["unit_id", "start", "run_id"], ignore_index=True)
    return {
        str(unit): _Calendar(
            run_ids=frame["run_id"].tolist(), starts=frame["start"].to_numpy(), ends=frame["end"].to_numpy()
        )
        for unit, frame in rows.groupby("unit_id")
    }


def _micros(times: pd.Series) -> Ints:
    """Return times as microseconds since 1970 in UTC."""
    if not isinstance(times.dtype, pd.DatetimeTZDtype):
        raise ValueError(f"{times.name} must be times with a zone; given {times.dtype}. Give the zone")
    plain = times.dt.tz_convert("UTC").dt.tz_localize(None).to_numpy(dtype="datetime64[us]")
    return np.asarray(plain.astype("int64"))


class _Collector:
    """Readings inside runs as they come in, and the count of all that did not."""

    def __init__(self, runs: pd.DataFrame) -> None:
        self._calendars = _calendars(runs)
        self._held: dict[str, _Pieces] = {unit: _Pieces() for unit in self._calendars}
        self._last: dict[str, int] = {}
        self._names: list[str] = []
        self._headers: list[dict[str, str]] = []
        self._counts: list[dict[str, int]] = []
        self._whys: list[str] = []
        self._faults: list[tuple[int, int, str, str, str, str]] = []

    def begin(self, name: str, headers: dict[str, str]) -> None:
        """Start with the next file."""
        self._names.append(name)
        self._headers.append(headers)
        self._counts.append(dict.fromkeys(_COUNTS, 0))
        self._whys.append("")
        self._last = {}

    def give_up(self, why: str) -> None:
        """Note why the file, or the rest of it, was not read."""
        self._whys[-1] = why

    def add(self, block: LogBlock) -> None:
        """Take in one block of the file."""
        counts = self._counts[-1]
        counts["n"] += block.n
        for kind, faults in block.faults.groupby("kind", sort=False):
            self._note(str(kind), faults["line"], faults["column"], faults["value"], faults["why"])
        rows = block.rows
        times = _micros(rows["logged_at"])
        values = rows["pot_kpa"].to_numpy(dtype="float64", na_value=np.nan)
        lines = rows["line"].to_numpy()
        codes, units = pd.factorize(rows["unit_id"])
        nameless = codes < 0
        column = self._headers[-1].get("unit_id", "")
        self._note("unit", lines[nameless], column, "", "a reading must name its unit")
        for code, unit in enumerate(units):
            here = codes == code
            self._add_unit(str(unit), times[here], values[here], lines[here])

    def _add_unit(self, unit: str, times: Ints, values: Floats, lines: Ints) -> None:
        before = np.concatenate([[self._last.get(unit, times[0])], times[:-1]])
        self._last[unit] = int(times[-1])
        back = times < before
        if back.any():
            said = f"the time lies before that of the row of {unit} above it"
            self._note("order", lines[back], self._headers[-1].get("logged_at", ""), _moments(times[back]), said)
        inside = ~back & self._inside(unit, times)
        self._counts[-1]["outside_runs"] += int((~back & ~inside).sum())
        if inside.any():
            held = self._held[unit]
            held.times.append(times[inside])
            held.values.append(values[inside])
            held.lines.append(lines[inside].astype(np.int32))
            held.files.append(np.full(int(inside.sum()), len(self._names) - 1, dtype=np.int16))

    def _inside(self, unit: str, times: Ints) -> npt.NDArray[np.bool_]:
        """Return which times lie in a run of the unit."""
        inside = np.zeros(len(times), dtype=bool)
        calendar = self._calendars.get(unit)
        if calendar is None:
            return inside
        near = (calendar.ends >= times.min()) & (calendar.starts <= times.max())
        for start, end in zip(calendar.starts[near], calendar.ends[near], strict=True):
            inside |= (times >= start) & (times <= end)
        return inside

    def _note(
        self, kind: str, lines: Iterable[int], columns: object, values: object, whys: object, *, file: int = -1
    ) -> None:
        """Count faults of one kind, and keep the first."""
        numbers = np.asarray(list(lines), dtype=np.int64)
        file = file % len(self._names)
        room = max(MOST_FAULTS - self._counts[file][kind], 0)
        self._counts[file][kind] += len(numbers)
        cells = zip(
            *(
                np.broadcast_to(np.asarray(part, dtype=object), numbers.shape)[:room]
                for part in (columns, values, whys)
            ),
            strict=True,
        )
        self._faults += [
            (file, int(line), str(column), str(value), kind, str(why))
            for line, (column, value, why) in zip(numbers[:room], cells, strict=True)
        ]

    def _settled(self, unit: str) -> tuple[Ints, Floats]:
        """Return the unit's readings in order of time, one a time: the first that came in."""
        held = self._held.pop(unit)
        if not held.times:
            return np.empty(0, np.int64), np.empty(0)
        times, values = np.concatenate(held.times), np.concatenate(held.values)
        lines, files = np.concatenate(held.lines), np.concatenate(held.files)
        del held
        if (np.diff(times) <= 0).any():
            order = np.argsort(times, kind="stable")
            times, values, lines, files = times[order], values[order], lines[order], files[order]
            again = np.concatenate([[False], np.diff(times) == 0])
            said = f"{unit} has a reading of that time already; the first is kept"
            for file in np.unique(files[again]):
                here = again & (files == file)
                place = np.argsort(lines[here], kind="stable")
                column = self._headers[file].get("logged_at", "")
                self._note("duplicate", lines[here][place], column, _moments(times[here][place]), said, file=int(file))
            times, values, files = times[~again], values[~again], files[~again]
        for file, n in zip(*np.unique(files, return_counts=True), strict=True):
            self._counts[file]["used"] += int(n)
        return times, values

    def result(self, *, low: float | None, high: float | None) -> PressureLog:
        """Return the summaries of all runs, sorted by run_id, and what was set aside."""
        rows: dict[str, RunPressure] = {}
        for unit, calendar in self._calendars.items():
            times, values = self._settled(unit)
            for run_id, start, end in zip(calendar.run_ids, calendar.starts, calendar.ends, strict=True):
                first, past = np.searchsorted(times, start, side="left"), np.searchsorted(times, end, side="right")
                rows[run_id] = summarise_run(
                    (times[first:past] - start) / 1e6,
                    values[first:past],
                    run_s=float(end - start) / 1e6,
                    low=low,
                    high=high,
                )
        names = sorted(rows)
        files = pd.DataFrame(self._counts, columns=list(_COUNTS)).astype("int64")
        files = pd.DataFrame({"file": pd.array(self._names, dtype="str")}).join(files)
        faults = pd.DataFrame(
            [(self._names[file], *rest) for file, *rest in sorted(self._faults)], columns=_FAULTS
        ).astype({"line": "int64"} | dict.fromkeys(("file", "column", "value", "kind", "why"), "str"))
        return PressureLog(
            runs=pd.DataFrame({"run_id": pd.array(names, dtype="str")}).join(
                pd.DataFrame([asdict(rows[name]) for name in names], columns=_SUMMARY)
            ),
            files=files.assign(why=pd.array(self._whys, dtype="str")),
            faults=faults,
            n=int(files["n"].sum()),
            excluded=int(files["outside_runs"].sum()),
            set_aside=int(files[list(_KINDS)].to_numpy().sum()),
            method=(
                "rows that cannot be read, run backwards or repeat a time set aside; readings of 0 or less and blanks "
                f"counted apart; gaps over {GAP_S:g} s; pulsing by Welch's spectrum"
            ),
        )


def _moments(times: Ints) -> npt.NDArray[np.object_]:
    """Return moments in words, UTC; no more than are told."""
    words = [f"{np.datetime64(int(time), 'us')}Z" for time in times[:MOST_FAULTS]]
    return np.array(words + [""] * (len(times) - len(words)), dtype=object)
