"""The accepted tables as CSV with a descriptor that other people's tools read: a Tabular Data Package.

References
----------
.. [1] Data Package, Tabular Data Package and Table Schema, version 1, specs.frictionlessdata.io.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Mapping
from typing import Any

import pandas as pd

from auditkit.contracts.collection import load_contracts
from auditkit.contracts.contract import Column, Contract
from auditkit.dossier import Dossier
from auditkit.report.files import safe_cells

__all__ = ["data_package", "table_csv"]

_TYPES = {
    "text": "string",
    "choice": "string",
    "number": "number",
    "integer": "integer",
    "yes-no": "boolean",
    "moment": "datetime",
}
_FRACTION = "%Y-%m-%dT%H:%M:%S.%fZ"
_ABOUT_TEXT = (
    "Rows that were accepted, in the units named; what was set aside is in set_aside.csv. A text that a spreadsheet "
    "would run as a formula has an apostrophe before it."
)


def data_package(dossier: Dossier, *, created: str) -> tuple[dict[str, Any], dict[str, bytes]]:
    """Return the descriptor of a dossier's accepted tables, and the tables as CSV by path.

    Types, units, limits, words, keys and links are those of the contracts. A
    kind of record without an accepted row has a table of headers alone.

    Parameters
    ----------
    dossier : Dossier
    created : str
        Date and time of the report, ISO 8601, as given to the report.

    Examples
    --------
    >>> from auditkit import read_dossier, sample_folder
    >>> descriptor, tables = data_package(read_dossier(sample_folder() / "clean"), created="2027-04-01T12:00:00Z")
    >>> areas = descriptor["resources"][0]
    >>> areas["path"], areas["schema"]["primaryKey"], areas["schema"]["fields"][4]["unit"]
    ('tables/areas.csv', ['area_id'], 'm2')
    >>> tables["tables/areas.csv"].splitlines()[1]
    b'A001,J1,"handrail, port side, section 1",tube,1.1613,steel,unknown'
    """
    contracts = load_contracts()
    tables = {f"tables/{record}.csv": table_csv(table) for record, table in sorted(dossier.tables.items())}
    descriptor = {
        "profile": "tabular-data-package",
        "name": _slug(dossier.title),
        "title": dossier.title,
        "description": _ABOUT_TEXT,
        "created": created,
        "resources": [
            _resource(contracts[record], table, tables[f"tables/{record}.csv"])
            for record, table in sorted(dossier.tables.items())
        ],
    }
    return descriptor, tables


def table_csv(table: pd.DataFrame) -> bytes:
    """Return an accepted table as CSV in UTF-8: moments in UTC, true and false, blanks empty.

    Numbers are written in the shortest form that reads back to the same number.

    Examples
    --------
    >>> frame = pd.DataFrame({
    ...     "area_id": ["=A1"],
    ...     "dft_um": [74.5],
    ...     "passed": pd.array([True], dtype="boolean"),
    ...     "taken_at": pd.to_datetime(["2027-01-13T09:05:00+01:00"], utc=True),
    ... })
    >>> print(table_csv(frame).decode(), end="")
    area_id,dft_um,passed,taken_at
    '=A1,74.5,true,2027-01-13T08:05:00Z
    """
    shown = safe_cells(table)
    for name in shown.columns:
        column = table[name]
        if isinstance(column.dtype, pd.DatetimeTZDtype):
            shown[name] = column.dt.tz_convert("UTC").dt.strftime("%Y-%m-%dT%H:%M:%SZ" if _whole(column) else _FRACTION)
        elif column.dtype == "boolean":
            shown[name] = column.map({True: "true", False: "false"}, na_action="ignore")
    return shown.to_csv(index=False, lineterminator="\n").encode()


def _whole(column: pd.Series[Any]) -> bool:
    """Return whether all moments of a column are whole seconds."""
    return bool((column.dropna().dt.microsecond == 0).all())


def _resource(contract: Contract, table: pd.DataFrame, content: bytes) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(column, table[column.name]) for column in contract.columns],
        "missingValues": [""],
        "primaryKey": list(contract.key),
    }
    if contract.links:
        schema["foreignKeys"] = [
            {"fields": link.column, "reference": {"resource": link.record, "fields": link.to_column}}
            for link in contract.links
        ]
    return {
        "profile": "tabular-data-resource",
        "name": contract.name,
        "path": f"tables/{contract.name}.csv",
        "title": contract.title,
        "description": f"{contract.description} One row is {contract.grain}.",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "bytes": len(content),
        "hash": f"sha256:{hashlib.sha256(content).hexdigest()}",
        "schema": schema,
    }


def _field(column: Column, values: pd.Series[Any]) -> dict[str, Any]:
    """Return one column as a field of Table Schema; `unit` is ours, as the standard has none."""
    field: dict[str, Any] = {
        "name": column.name,
        "type": _TYPES[column.kind],
        "title": column.title,
        "description": column.description,
    }
    if column.kind == "moment" and not _whole(values):
        field["format"] = _FRACTION
    if column.unit is not None:
        field["unit"] = column.unit
    constraints: dict[str, Any] = {} if column.nullable else {"required": True}
    limits: Mapping[str, float | None] = {
        "minimum": column.minimum,
        "maximum": column.maximum,
        "minLength": column.shortest,
        "maxLength": column.longest,
    }
    constraints |= {name: limit for name, limit in limits.items() if limit is not None}
    if column.choices:
        constraints["enum"] = list(column.choices)
    if constraints:
        field["constraints"] = constraints
    return field


def _slug(title: str) -> str:
    """Return a title as a name of a Data Package: lower case letters, digits and hyphens."""
    plain = unicodedata.normalize("NFKD", title).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-") or "dossier"
