"""From a number of the report back to the rows it came from, and what was set aside beside them."""

from __future__ import annotations

import difflib
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import pandas as pd

from auditkit.dossier import Dossier
from auditkit.errors import SourceError
from auditkit.findings.audit import Findings
from auditkit.intake import read_dossier
from auditkit.report.opening import RECORDS, opened
from auditkit.report.received import PLACE, cells_as_received
from auditkit.report.short_names import SHORT_NAMES, short_names
from auditkit.report.trace_rows import ROW_COLUMNS, rows_behind

__all__ = ["Trace", "rule_words", "set_aside_beside", "trace", "trace_sealed"]

_NAMING = ("area_id", "run_id", "where", "unit_id", "gauge_id", "last_run_id", "lowest_run_id", "defect_id", "study_id")
_RULES = ("rule", "clause", "holds", "limit", "unit", "required_pct", "low", "high", "source", "grade_reason")
_MOST_LISTED = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """Where a finding comes from.

    Parameters
    ----------
    finding : str
        Its JSON pointer into findings.json.
    told : mapping
        The row of findings it stands in, or the value itself under "value".
    rule : str
        What it was judged by, in words.
    rows : DataFrame
        One row a row of records: record, role (what it is to the finding),
        file, sheet, line, column.
    cells : DataFrame
        Their cells as received, see `received.cells_as_received`.
    set_aside : DataFrame
        The ledger's rows that name the same area, run, unit or gauge; where the
        finding names none, those of the same kinds of record.
    n : int
        Rows of records.
    method : str
        How the rows were found, in words.
    """

    finding: str
    told: Mapping[str, Any]
    rule: str
    rows: pd.DataFrame
    cells: pd.DataFrame
    set_aside: pd.DataFrame
    n: int
    method: str


def trace_sealed(sealed: Path, finding: str) -> Trace:
    """Return where a finding of a sealed report comes from; its fixity is not looked at, see `reproduce`.

    Parameters
    ----------
    sealed : Path
        Folder or archive.
    finding : str
        See `trace`.

    Raises
    ------
    SourceError
        It is no sealed report, or there is no such finding.
    """
    with opened(sealed) as folder:
        path = folder / "data" / "findings.json"
        try:
            document = json.loads(path.read_bytes())
        except (OSError, ValueError, RecursionError) as error:
            raise SourceError(f"{sealed}: must be a sealed report with data/findings.json; {error}.") from error
        return trace(document, read_dossier(folder / "data" / RECORDS), finding)


def trace(document: Mapping[str, Any], dossier: Dossier, finding: str, *, findings: Findings | None = None) -> Trace:
    """Return where a finding comes from.

    Parameters
    ----------
    document : mapping
        The findings document.
    dossier : Dossier
        The records it rests on; their files are read again.
    finding : str
        A JSON pointer into the document (RFC 6901), such as
        `/film/sides/3/mean_um`, or a short name, such as `film A003 facing`,
        `wrap A003`, `stop-work R0383` or `cause dry spray standoff_mm above`.
    findings : Findings, optional
        The audit, if it is at hand; left out, it is done again (without causes)
        where runs must be known as they were.

    Raises
    ------
    SourceError
        There is no such finding; the message says what is there. Or the records
        are not those of the document.
    """
    digest = document["records"]["digest"]
    if digest != dossier.digest():
        raise SourceError(
            f"{dossier.folder}: must hold the records the findings rest on (digest {digest}); it holds others "
            f"({dossier.digest()}). Name the right folder."
        )
    pointer = finding if finding.startswith("/") else _named(document, finding)
    keys = [part.replace("~1", "/").replace("~0", "~") for part in pointer.split("/")[1:]]
    path = _followed(document, keys)
    told = next((row for table, row in _pairs(path) if isinstance(table, list) and isinstance(row, dict)), None)
    known: Mapping[str, Any] = told if told is not None else {"value": path[-1]}
    rows, method = rows_behind(keys, known, document, dossier, findings=findings)
    return Trace(
        finding=pointer,
        told=known,
        rule=rule_words(known, path),
        rows=rows[list(ROW_COLUMNS)],
        cells=cells_as_received(dossier, rows[["record", *PLACE]]),
        set_aside=set_aside_beside(known, rows, dossier),
        n=len(rows),
        method=method,
    )


def _named(document: Mapping[str, Any], finding: str) -> str:
    """Return the pointer of a short name."""
    names = short_names(document)
    wanted = " ".join(finding.split())
    if wanted in names:
        return names[wanted]
    kind = wanted.split(" ")[0]
    there = [name for name in names if name.startswith(f"{kind} ")] or list(names)
    near = difflib.get_close_matches(wanted, there, n=_MOST_LISTED, cutoff=0.5) or there[:_MOST_LISTED]
    kinds = ", ".join(SHORT_NAMES)
    raise SourceError(
        f"{finding!r}: must be a finding of this report; there are, for example, {'; '.join(near) or 'none'}. "
        f"Begin with one of {kinds}, or give a JSON pointer such as /film/sides/0."
    )


def _followed(document: Mapping[str, Any], keys: Sequence[str]) -> list[Any]:
    """Return the values on the way of a pointer, the document first."""
    path: list[Any] = [document]
    for number, key in enumerate(keys):
        here = path[-1]
        if isinstance(here, dict) and key in here:
            path.append(here[key])
        elif isinstance(here, list) and re.fullmatch(r"0|[1-9][0-9]*", key) and int(key) < len(here):
            path.append(here[int(key)])
        else:
            at = "/" + "/".join(keys[:number])
            raise SourceError(
                f"/{'/'.join(keys)}: must point to a finding; at {at} there {_what_is_there(here)}. Correct it."
            )
    return path


def _what_is_there(value: object) -> str:
    if isinstance(value, dict):
        return f"are {', '.join(value)}"
    if isinstance(value, list):
        return f"are the numbers 0 to {len(value) - 1}" if value else "is an empty list"
    return "is nothing further"


def _pairs(path: Sequence[Any]) -> list[tuple[Any, Any]]:
    """Return each value on the way with the one it stands in, the last first."""
    return list(zip(path[-2::-1], path[:0:-1], strict=True))


def rule_words(told: Mapping[str, Any], path: Sequence[Any]) -> str:
    """Return what a finding was judged by: what its row says of that, and the method of its topic.

    Parameters
    ----------
    told : mapping
        The row of findings.
    path : sequence
        The values on the way to it in the document, the document first.
    """
    said = [f"{name}: {told[name]}" for name in _RULES if told.get(name) not in (None, "")]
    methods = [
        value["method"]
        for value in path
        if value is not told and isinstance(value, dict) and isinstance(value.get("method"), str)
    ]
    return "; ".join([*said, *(f"method: {method}" for method in methods[-1:])])


def set_aside_beside(told: Mapping[str, Any], rows: pd.DataFrame, dossier: Dossier) -> pd.DataFrame:
    """Return the rows of the ledger beside a finding: those that name the same area, run, unit or gauge.

    Parameters
    ----------
    told : mapping
        The row of findings.
    rows : DataFrame
        The rows of records behind it.
    dossier : Dossier
    """
    ledger = dossier.ledger
    names = {str(told[key]).strip().casefold() for key in _NAMING if isinstance(told.get(key), str)}
    if not names and isinstance(told.get("job_id"), str):
        names = {told["job_id"].strip().casefold()}
    if names:
        beside = [bool(names & _words(row)) for row in ledger["row"]]
        return ledger[beside].reset_index(drop=True)
    return ledger[ledger["record"].isin(rows["record"])].reset_index(drop=True)


@lru_cache(maxsize=4096)
def _words(row: str) -> frozenset[str]:
    """Return the cells of a row as received, folded."""
    return frozenset(str(cell).strip().casefold() for cell in json.loads(row).values())
