"""The dossier: the tables of one audit, where every row came from, and what was set aside."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

__all__ = ["FILE_COLUMNS", "LEDGER_COLUMNS", "LINEAGE_COLUMNS", "Dossier"]

LEDGER_COLUMNS: Mapping[str, str] = {
    "fault_id": "int64",
    "row_no": "int64",
    "record": "str",
    "file": "str",
    "sheet": "str",
    "line": "int64",
    "column": "str",
    "value": "str",
    "rule": "str",
    "holds": "str",
    "cure": "str",
    "row": "str",
}
LINEAGE_COLUMNS: Mapping[str, str] = {"file": "str", "sheet": "str", "line": "int64", "column": "str"}
FILE_COLUMNS: Mapping[str, str] = {
    "file": "str",
    "sheet": "str",
    "record": "str",
    "encoding": "str",
    "bytes": "int64",
    "sha256": "str",
    "read": "int64",
    "accepted": "int64",
    "set_aside": "int64",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Dossier:
    """The records of one audit.

    Parameters
    ----------
    title : str
    folder : Path
        Where the records were read from.
    time_zone : str
        IANA name of the zone in which days begin; UTC where none was declared.
    tables : mapping of record to DataFrame
        Every kind of record there is a contract for, empty where no file held
        it. Columns in the contract's order and dtypes, rows in the order of
        the key.
    lineage : mapping of record to DataFrame
        For each table, with the same index: `file`, `sheet` (blank but for
        workbooks), `line` (row of a sheet or Parquet file) and `column` (the
        header, where readings were laid out across columns).
    ledger : DataFrame
        The rows set aside, one row a fault, root causes first (records after
        those they link to, faults of a row's own before links to rows that
        were set aside): `fault_id`, `row_no` (numbers the
        rows), `record`, `file`, `sheet`, `line`, `column`, `value` as given,
        `rule` (word of the catalogue), `holds`, `cure`, and `row`, the row as
        received in JSON.
    files : DataFrame
        One row a table that was read: `file`, `sheet`, `record`, `encoding`,
        `bytes`, `sha256`, and the rows `read`, `accepted` and `set_aside`.
    settings : mapping
        What `dossier.yaml` declares, each empty (or None) where it does not:
        `absent_defect_means`; `conditions`; `film_limits`, by job;
        `pressure_logs`, a tuple of `auditkit.intake.LogFile`;
        `replacement_costs`, by part (planned, failure), and their `currency`;
        `viscosity_points`, by coating, points of temp_c and mm2_s from the
        coldest on; `causal_diagram`, its amendments as they stand.
    notes : tuple of str
        What was done that a reader should know.
    contracts : mapping of record to str
        SHA-256 of each contract the rows were held to.
    """

    title: str
    folder: Path
    time_zone: str
    tables: Mapping[str, pd.DataFrame]
    lineage: Mapping[str, pd.DataFrame]
    ledger: pd.DataFrame
    files: pd.DataFrame
    settings: Mapping[str, Any]
    notes: tuple[str, ...]
    contracts: Mapping[str, str]

    @property
    def rows(self) -> dict[str, int]:
        """Return the number of accepted rows by record."""
        return {record: len(table) for record, table in self.tables.items()}

    def digest(self) -> str:
        """Return the SHA-256 of the accepted tables' content and, where there are any, of the pressure logs.

        Logs stay on disk and count by their bytes and how they are read, so
        the same log in another form gives another digest; `tables_digest`
        leaves them out.
        """
        logs = sorted(log.canonical_text() for log in self.settings.get("pressure_logs", ()))
        if not logs:
            return self.tables_digest()
        return hashlib.sha256("".join([self.tables_digest(), "\n", *logs]).encode("utf-8")).hexdigest()

    def tables_digest(self) -> str:
        """Return the SHA-256 of the accepted tables' content.

        The same records give the same digest, whatever kind or number of files
        they came in and whatever was set aside.
        """
        content = hashlib.sha256()
        for record in sorted(self.tables):
            content.update(canonical_text(record, self.tables[record]).encode("utf-8"))
        return content.hexdigest()


def canonical_text(record: str, table: pd.DataFrame) -> str:
    """Return a table as one line of JSON that depends on nothing but its content.

    Numbers are written in the shortest form that reads back to the same number,
    moments as microseconds since 1970 in UTC, blanks as null.

    Examples
    --------
    >>> canonical_text("readings", pd.DataFrame({"dft_um": [74.5, None], "spot": pd.array([1, 2], dtype="Int64")}))
    '["readings",["dft_um",[74.5,null]],["spot",[1,2]]]\\n'
    """
    columns = [[str(name), _plain_values(table[name])] for name in table.columns]
    return json.dumps([record, *columns], ensure_ascii=False, separators=(",", ":"), allow_nan=False) + "\n"


def _plain_values(column: pd.Series[Any]) -> list[Any]:
    blank = column.isna().to_numpy()
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        values: list[Any] = column.astype("int64").to_list()
    elif column.dtype == "float64":
        values = (column + 0.0).to_list()  # -0.0 becomes 0.0
    else:
        values = column.to_list()
    return [None if missing else value for value, missing in zip(values, blank, strict=True)]
