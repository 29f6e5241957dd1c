"""Two reports compared: what changed in records, verdicts and causes, and what may have changed them."""

from __future__ import annotations

import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from auditkit.contracts.collection import load_contracts
from auditkit.errors import SourceError
from auditkit.report.opening import opened
from auditkit.report.outputs import EQUAL, compare_values
from auditkit.report.surroundings import compare_environments

__all__ = ["Issued", "ReportComparison", "compare_reports", "read_issued"]

_RECORD_COLUMNS = ("record", "key", "change", "column", "before", "after")
_VERDICT_COLUMNS = ("topic", "key", "before", "after", "why")
_SETTING_COLUMNS = ("setting", "before", "after")

_JUDGED: Mapping[str, tuple[tuple[str, ...], tuple[str, ...], str]] = {
    "film": (("film", "sides"), ("area_id", "side"), "verdict"),
    "wrap": (("wrap", "areas"), ("area_id",), "verdict"),
    "stop work": (("stop_work",), ("what", "where", "at", "rule"), ""),
    "association": (("causes", "rows"), ("defect", "condition", "side"), "reading"),
    "cause": (("causal", "rows"), ("defect", "condition", "side"), "grade"),
}
"""What is judged: where its rows stand in findings.json, what names them, and their verdict; blank: that they are."""

_LIMITS = ("rule", "level", "minimum_um", "nominal_um", "maximum_um", "correction_um", "required", "required_pct")
_RESTS_ON: Mapping[str, tuple[str, ...]] = {
    "film": ("film_readings", "areas", "jobs", "spray_runs"),
    "wrap": ("wrap_observations", "areas", "jobs", "spray_runs"),
    "stop work": ("spray_runs", "startup_checks"),
}
_METHOD = (
    "Records are compared by their keys, in the accepted tables; verdicts by what they are of. Why a verdict changed "
    "is read off what differs beside it: records of the same area, run or unit, its limits, settings, the program. "
    "Several may have changed at once; which of them did it is then not told."
)
_OF = (("area_id", "where"), ("job_id",))
_NAMING = ("area_id", "job_id", "run_id", "unit_id")


class _Change(NamedTuple):
    """One row of `ReportComparison.records`, and what the record names."""

    row: tuple[str, ...]
    names: frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Issued:
    """A report as issued.

    Parameters
    ----------
    name : str
    document : mapping
        Its findings.
    tables : mapping of record to DataFrame, optional
        The accepted tables as text; None where only the findings are at hand.
    parameters, environment : mapping, optional
    """

    name: str
    document: Mapping[str, Any]
    tables: Mapping[str, pd.DataFrame] | None = None
    parameters: Mapping[str, Any] = field(default_factory=dict)
    environment: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportComparison:
    """What changed from one report to another.

    Parameters
    ----------
    records : DataFrame
        One row a record added or removed, or a cell changed: record, key,
        change (added, removed, changed), column, before, after.
    set_aside : DataFrame
        Rows set aside, where their number changed: record, rule, before, after.
    verdicts : DataFrame
        One row a verdict that is new, gone or another: topic (film, wrap, stop
        work), key, before, after, why.
    causes : DataFrame
        The same of associations and causes.
    settings : DataFrame
        One row a setting or window that differs: setting, before, after.
    environment : DataFrame
        See `surroundings.compare_environments`; empty where either is unknown.
    words : tuple of str
        What changed, in a few sentences.
    n : int
        Changes of records, verdicts, causes and settings together.
    method : str
    """

    records: pd.DataFrame
    set_aside: pd.DataFrame
    verdicts: pd.DataFrame
    causes: pd.DataFrame
    settings: pd.DataFrame
    environment: pd.DataFrame
    words: tuple[str, ...]
    n: int
    method: str = _METHOD


def read_issued(path: Path) -> Issued:
    """Return a report as issued: a sealed folder or archive, or a findings.json or the folder it lies in.

    Raises
    ------
    SourceError
        It is none of these.
    """
    if path.is_dir() and not (path / "data").is_dir():
        path = path / "findings.json"
    if path.suffix == ".json":
        return Issued(name=str(path), document=_json_file(path))
    with opened(path) as folder:
        data = folder / "data"
        found = sorted((data / "tables").glob("*.csv"))
        return Issued(
            name=str(path),
            document=_json_file(data / "findings.json"),
            tables={table.stem: _text_table(table.read_bytes()) for table in found},
            parameters=_json_file(data / "parameters.json"),
            environment=_json_file(data / "environment.json"),
        )


def compare_reports(before: Issued, after: Issued) -> ReportComparison:
    """Return what changed from one report to another.

    Examples
    --------
    >>> def issued(verdict, seed):
    ...     side = {"area_id": "A1", "side": "facing", "verdict": verdict}
    ...     return Issued(name="", document={"film": {"sides": [side]}, "settings": {"seed": seed}})
    >>> told = compare_reports(issued("conforms", 1), issued("does not conform", 2))
    >>> told.verdicts.iloc[0].tolist()
    ['film', 'A1 facing', 'conforms', 'does not conform', 'settings: seed']
    """
    changes = _record_changes(before.tables, after.tables)
    records = _frame([change.row for change in changes], _RECORD_COLUMNS)
    settings = _setting_changes(before, after)
    known = bool(before.environment) and bool(after.environment)
    environment = compare_environments(before.environment if known else {}, after.environment if known else {})
    elsewhere = _elsewhere(settings, environment, before, after)
    judged = {
        topic: _verdict_changes(topic, before.document, after.document, changes=changes, elsewhere=elsewhere)
        for topic in _JUDGED
    }
    verdicts = pd.concat([judged[topic] for topic in ("film", "wrap", "stop work")], ignore_index=True)
    causes = pd.concat([judged[topic] for topic in ("association", "cause")], ignore_index=True)
    set_aside = _set_aside_changes(before.document, after.document)
    told = ReportComparison(
        records=records,
        set_aside=set_aside,
        verdicts=verdicts,
        causes=causes,
        settings=settings,
        environment=environment,
        words=(),
        n=len(records) + len(set_aside) + len(verdicts) + len(causes) + len(settings),
    )
    return _with_words(told, compared_records=before.tables is not None and after.tables is not None)


def _record_changes(
    before: Mapping[str, pd.DataFrame] | None, after: Mapping[str, pd.DataFrame] | None
) -> list[_Change]:
    found: list[_Change] = []
    if before is None or after is None:
        return found
    for record, contract in sorted(load_contracts().items()):
        one, other = (_keyed(tables.get(record), contract.key) for tables in (before, after))
        for key in [*one, *(key for key in other if key not in one)]:
            rows = [told[key] for told in (one, other) if key in told]
            names = frozenset(row[name] for row in rows for name in _NAMING if row.get(name))
            text = " ".join(key)
            if len(rows) < 2:
                change = "removed" if key in one else "added"
                found.append(_Change((record, text, change, "", "", ""), names))
            elif rows[0] != rows[1]:
                found += [_Change(row, names) for row in _cell_changes(record, text, *rows)]
    return found


def _keyed(table: pd.DataFrame | None, key: Sequence[str]) -> dict[tuple[str, ...], dict[str, str]]:
    """Return the rows of a table by their key, as text."""
    if table is None or not set(key) <= set(table.columns):
        return {}
    names = zip(*(table[name] for name in key), strict=True)
    rows = table.to_dict("records")
    return {
        tuple(map(str, name)): {str(k): str(v) for k, v in row.items()} for name, row in zip(names, rows, strict=True)
    }


def _cell_changes(record: str, key: str, before: Mapping[str, str], after: Mapping[str, str]) -> list[tuple[str, ...]]:
    columns = [*before, *(name for name in after if name not in before)]
    pairs = [(name, before.get(name, ""), after.get(name, "")) for name in columns]
    return [(record, key, "changed", name, one, other) for name, one, other in pairs if one != other]


def _verdict_changes(
    topic: str,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    *,
    changes: Sequence[_Change],
    elsewhere: Sequence[str],
) -> pd.DataFrame:
    place, keys, verdict = _JUDGED[topic]
    one, other = (_rows_by_name(document, place, keys) for document in (before, after))
    rows = []
    for name in [*one, *(name for name in other if name not in one)]:
        first, second = one.get(name), other.get(name)
        said = [_said(row, verdict) for row in (first, second)]
        if said[0] != said[1]:
            why = _why(topic, first or {}, second or {}, changes=changes, elsewhere=elsewhere)
            rows.append((topic, " ".join(name), *said, why))
    return _frame(rows, _VERDICT_COLUMNS)


def _rows_by_name(
    document: Mapping[str, Any], place: Sequence[str], keys: Sequence[str]
) -> dict[tuple[str, ...], dict[str, Any]]:
    here: Any = document
    for key in place:
        here = here.get(key, {}) if isinstance(here, Mapping) else {}
    return {tuple(str(row.get(key)) for key in keys): row for row in here} if isinstance(here, list) else {}


def _said(row: Mapping[str, Any] | None, verdict: str) -> str:
    if row is None:
        return "not there"
    return str(row.get(verdict)) if verdict else "found"


def _why(
    topic: str,
    before: Mapping[str, Any],
    after: Mapping[str, Any],
    *,
    changes: Sequence[_Change],
    elsewhere: Sequence[str],
) -> str:
    """Return what differs beside a verdict, in words."""
    rests_on = _RESTS_ON.get(topic)
    of, job = ({str(row[key]) for row in (before, after) for key in keys if row.get(key)} for keys in _OF)
    near: dict[str, dict[str, set[str]]] = {}
    for change in changes:
        record, key, kind = change.row[:3]
        wanted = job if record == "jobs" else of
        if rests_on is None or (record in rests_on and change.names & wanted):
            near.setdefault(record, {}).setdefault(kind, set()).add(key)
    told = [
        f"{record}: {', '.join(f'{len(keys)} {kind}' for kind, keys in sorted(kinds.items()))}"
        for record, kinds in near.items()
    ]
    limits = [
        f"{name} {before[name]} became {after[name]}"
        for name in _LIMITS
        if name in before and name in after and compare_values(before[name], after[name]) != EQUAL
    ]
    return "; ".join([*told, *limits, *elsewhere]) or "cannot tell: nothing else that is compared differs"


def _setting_changes(before: Issued, after: Issued) -> pd.DataFrame:
    one, other = (_flat(issued.document.get("settings", {})) for issued in (before, after))
    one |= _flat(before.document.get("scope", {}).get("contracts", {}), "contract ")
    other |= _flat(after.document.get("scope", {}).get("contracts", {}), "contract ")
    rows = [
        (name, str(one.get(name, "not set")), str(other.get(name, "not set")))
        for name in [*one, *(name for name in other if name not in one)]
        if compare_values(one.get(name, "not set"), other.get(name, "not set")) != EQUAL
    ]
    return _frame(rows, _SETTING_COLUMNS)


def _flat(value: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, item in value.items():
        if isinstance(item, Mapping):
            found |= _flat(item, f"{prefix}{key}.")
        else:
            found[f"{prefix}{key}"] = item
    return found


def _elsewhere(settings: pd.DataFrame, environment: pd.DataFrame, before: Issued, after: Issued) -> list[str]:
    """Return what differs for the whole report, in words."""
    told = []
    if len(settings):
        told.append(f"settings: {', '.join(settings['setting'])}")
    program = environment[environment["what"] == "auditkit"]
    packages = environment[~environment["what"].isin(["auditkit", "python", "platform"])]
    if len(program):
        told.append("the program itself")
    if len(packages):
        told.append(f"{packages['what'].nunique()} packages")
    if before.tables is None or after.tables is None:
        digests = [issued.document.get("scope", {}).get("digest") for issued in (before, after)]
        if digests[0] != digests[1]:
            told.append("the records (which, is told of sealed reports alone)")
    return told


def _set_aside_changes(before: Mapping[str, Any], after: Mapping[str, Any]) -> pd.DataFrame:
    place, keys = ("records", "set_aside_by_rule"), ("record", "rule")
    one, other = (_rows_by_name(document, place, keys) for document in (before, after))
    rows = []
    for name in sorted({*one, *other}):
        counts = [int(told.get(name, {}).get("rows", 0)) for told in (one, other)]
        if counts[0] != counts[1]:
            rows.append((*name, *counts))
    frame = pd.DataFrame(rows, columns=["record", "rule", "before", "after"])
    return frame.astype({"record": "str", "rule": "str", "before": "int64", "after": "int64"})


def _with_words(told: ReportComparison, *, compared_records: bool) -> ReportComparison:
    words = []
    if compared_records:
        counts = told.records.drop_duplicates(["record", "key", "change"])["change"].value_counts()
        parts = [f"{int(counts.get(change, 0))} {change}" for change in ("added", "removed", "changed")]
        words.append(f"Accepted records: {', '.join(parts)}.")
    else:
        words.append("Records are compared only where both reports are sealed.")
    words.append(f"Verdicts that changed: {len(told.verdicts)}; of causes and associations: {len(told.causes)}.")
    words.append(f"Settings that differ: {len(told.settings)}; of the environment: {len(told.environment)}.")
    if not told.n:
        words.append("The two reports say the same.")
    return replace(told, words=tuple(words))


def _frame(rows: Sequence[tuple[str, ...]], columns: Sequence[str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=list(columns)).astype(dict.fromkeys(columns, "str"))


def _text_table(content: bytes) -> pd.DataFrame:
    return pd.read_csv(io.BytesIO(content), dtype="str", keep_default_na=False, encoding="utf-8")


def _json_file(path: Path) -> dict[str, Any]:
    try:
        found = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError) as error:
        raise SourceError(
            f"{path}: must be the findings of an audit, or a sealed report with them; {error}. Correct the path."
        ) from error
    if not isinstance(found, dict):
        raise SourceError(f"{path}: must be a JSON object as auditkit writes it; it is none. Correct the path.")
    return found
