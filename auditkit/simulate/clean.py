"""The audit as clean CSV files, one a contract."""

from __future__ import annotations

import csv
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from auditkit.simulate.declared import settings_text
from auditkit.simulate.instruments import number_text
from auditkit.simulate.log_files import write_clean_log

if TYPE_CHECKING:
    from auditkit.simulate.audit import Simulated

__all__ = ["TITLE", "write_clean"]

TITLE = "Winter refit of three ferries, 2027 (invented)"


def write_clean(simulated: Simulated, folder: Path) -> None:
    """Write one CSV a table, the pressure log and a short `dossier.yaml` into `folder`, which is made if need be.

    Numbers are written so that they read back to the last bit, moments as ISO
    8601 with offset, text as UTF-8, lines ended by a line feed.

    Examples
    --------
    >>> import tempfile
    >>> from auditkit.simulate.audit import simulate_audit
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     write_clean(simulate_audit(seed=1), Path(folder))
    ...     print((Path(folder) / "areas.csv").read_text(encoding="utf-8").splitlines()[0])
    area_id,job_id,description,geometry,size_m2,substrate,surface_profile
    """
    folder.mkdir(parents=True, exist_ok=True)
    zone = str(simulated.truth["time_zone"])
    for name, frame in simulated.tables.items():
        columns = [_texts(frame[column], zone) for column in frame.columns]
        out = StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(frame.columns)
        writer.writerows(zip(*columns, strict=True))
        (folder / f"{name}.csv").write_text(out.getvalue(), encoding="utf-8", newline="")
    log = f"pressure_logs: [{{file: {write_clean_log(simulated.log, folder)}}}]\n"
    declared = f"auditkit: 1\ntitle: {TITLE}\ntime_zone: {zone}\nabsent_defect_means: none found\n"
    declared += settings_text(simulated.truth) + log
    (folder / "dossier.yaml").write_text(declared, encoding="utf-8", newline="")


def _texts(values: pd.Series, zone: str) -> list[str]:
    if isinstance(values.dtype, pd.DatetimeTZDtype):
        local = values.dt.tz_convert(zone)
        return ["" if pd.isna(moment) else moment.isoformat() for moment in local]
    blank = values.isna()
    if values.dtype == "boolean":
        given = values.fillna(False).map({True: "yes", False: "no"})
    elif values.dtype == "float64":
        given = values.map(number_text)
    else:
        given = values.astype("str")
    return ["" if empty else str(value) for empty, value in zip(blank, given, strict=True)]
