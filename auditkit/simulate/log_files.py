"""The logger's files: in the contract's unit and UTC, and as the logger exports them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from auditkit.simulate.instruments import LOGGER, number_text

if TYPE_CHECKING:
    from pathlib import Path

    from auditkit.simulate.pressure_log import LoggedPressure

__all__ = ["raw_log_text", "write_clean_log", "write_raw_log"]


def write_clean_log(log: LoggedPressure, folder: Path) -> str:
    """Write the log's readings as CSV (unit, time in UTC, pressure `[kPa]`) and return the file's name.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from auditkit.simulate.audit import simulate_audit
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_clean_log(simulate_audit(seed=1).log, Path(folder))
    'pressure_log_U3.csv'
    """
    readings = log.readings
    cells = zip(
        readings["unit_id"],
        readings["logged_at"].dt.strftime("%Y-%m-%dT%H:%M:%SZ"),
        _texts(readings["pot_kpa"].tolist()),
        strict=True,
    )
    lines = ["unit_id,logged_at,pot_kpa", *(",".join(row) for row in cells)]
    (folder / _name(log)).write_text("\n".join(lines) + "\n", encoding="utf-8", newline="")
    return _name(log)


def raw_log_text(log: LoggedPressure) -> str:
    """Return how the logger's export is declared, as lines of YAML.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> print(raw_log_text(simulate_audit(seed=1).log).splitlines()[1].strip())
    - file: pressure_log_U3.csv
    """
    return f"""\
pressure_logs:
  - file: {_name(log)}
    columns: {{Time: logged_at, Pot psi: pot_kpa}}
    constants: {{unit_id: {log.drawn["unit_id"]}}}
    unit: psi
"""


def write_raw_log(log: LoggedPressure, folder: Path, *, zone: str) -> list[dict[str, object]]:
    """Write the log as the logger exports it, psi and local times between semicolons, and return its bad rows.

    Returns
    -------
    list of dict
        One entry a row that is no reading: file, line, cell and why.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from auditkit.simulate.audit import simulate_audit
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     bad = write_raw_log(simulate_audit(seed=1).log, Path(folder), zone="Europe/Oslo")
    >>> sorted({row["why"] for row in bad})
    ['no number', 'repeated second']
    """
    frames = [
        pd.DataFrame({"at": log.readings["logged_at"], "cell": _given(log.readings["pot_kpa"]), "why": ""}),
        pd.DataFrame({"at": log.unreadable["logged_at"], "cell": log.unreadable["cell"], "why": "no number"}),
        pd.DataFrame(
            {"at": log.repeated["logged_at"], "cell": _given(log.repeated["pot_kpa"]), "why": "repeated second"}
        ),
    ]
    rows = pd.concat(frames, ignore_index=True).sort_values("at", kind="stable", ignore_index=True)
    local = rows["at"].dt.tz_convert(zone).dt.strftime("%Y-%m-%d %H:%M:%S")
    lines = ["Time;Pot psi", *(f"{at};{cell}" for at, cell in zip(local, rows["cell"], strict=True))]
    (folder / _name(log)).write_bytes(("\r\n".join(lines) + "\r\n").encode("utf-8"))
    bad = rows.loc[rows["why"] != ""]
    return [
        {"file": _name(log), "line": int(str(number)) + 2, "cell": cell, "why": why}
        for number, cell, why in zip(bad.index, bad["cell"], bad["why"], strict=True)
    ]


def _name(log: LoggedPressure) -> str:
    return f"pressure_log_{log.drawn['unit_id']}.csv"


def _given(pot_kpa: pd.Series) -> list[str]:
    return _texts(LOGGER.given(pot_kpa.to_numpy(dtype="float64")).tolist())


def _texts(values: list[float]) -> list[str]:
    return ["" if pd.isna(value) else number_text(value) for value in values]
