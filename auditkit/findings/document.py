"""The findings as one document of plain values, held to `schemas/findings.schema.json`."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields
from functools import cache
from typing import Any

import numpy as np
import pandas as pd

from auditkit.errors import ContractError
from auditkit.findings.audit import Findings
from auditkit.findings.causal import CausalFindings
from auditkit.findings.grading import GRADES
from auditkit.paths import schemas_folder
from auditkit.trade.grounding import CAUTIONS

__all__ = ["as_document", "as_json", "check_document", "rows_of", "topic_of"]

_DIGITS = 12


def as_document(findings: Findings) -> dict[str, Any]:
    """Return the findings as nested dicts, lists and plain values.

    Two deliveries of the same records differ only under "records".

    Raises
    ------
    ValueError
        The findings were made without causes.
    ContractError
        The document breaks its JSON Schema, which is a fault of the program.
    """
    film, wrap = findings.film, findings.wrap
    process, upkeep, causes = findings.process, findings.upkeep, findings.causes
    document = {
        "kind": "auditkit findings",
        "version": 1,
        "scope": _scope(findings),
        "records": _records(findings),
        "settings": {
            "confidence": causes.confidence,
            "false_discovery_rate": causes.false_discovery_rate,
            "stratum": causes.stratum,
            "seed": findings.seed,
            "absent_defect_means": findings.absent_defect_means,
            "conditions": {
                name: {"low": condition.low, "high": condition.high, "source": condition.source}
                for name, condition in findings.conditions.items()
            },
        },
        "summary": {
            "areas": len(film.by_area),
            "film": _verdicts(film.by_area),
            "wrap": _verdicts(wrap.areas),
            "wrap_not_required": int((wrap.areas["verdict"] == "not required").sum()),
            "stop_work": len(process.stop_work),
            "runs": len(findings.timeline.runs),
            "associated": int((causes.table["reading"] == "goes with more").sum()),
            "causes": _grades(findings),
            "from_memory_verdicts": int(film.areas["from_memory"].sum()),
            "doubtful_sides": int(findings.doubt.sides["doubtful"].eq(True).fillna(False).sum()),
            "verdicts_changed_without_suspect_readings": int(
                findings.gauges.verdicts["changed"].eq(True).fillna(False).sum()
            ),
        },
        "stop_work": rows_of(process.stop_work),
        "film": {
            "method": film.method,
            "n": film.n,
            "excluded": film.excluded,
            "on_edges": film.on_edges,
            "superseded": film.superseded,
            "areas": rows_of(film.by_area),
            "sides": rows_of(film.areas),
            "tests": rows_of(film.tests),
            "gauge_checks": rows_of(film.gauge_checks),
        },
        "behind_film": {name: topic_of(getattr(findings, name)) for name in _BEHIND_FILM},
        "behind_work": _behind_work(findings),
        "wrap": {
            "method": wrap.method,
            "n": wrap.n,
            "excluded": wrap.excluded,
            "areas": rows_of(wrap.areas),
            "geometries": rows_of(wrap.geometries),
        },
        "process": {
            "method": process.method,
            "n": process.n,
            "excluded": process.excluded,
            "windows": rows_of(process.windows),
            "units": rows_of(process.units),
            "safety_not_recorded": rows_of(process.safety_not_recorded),
            "startup_lists": rows_of(process.startup_lists),
            "cup_faults": rows_of(process.cup_faults),
            "not_joined": rows_of(process.not_joined),
        },
        "upkeep": {
            "method": upkeep.method,
            "n": upkeep.n,
            "excluded": upkeep.excluded,
            "worn_runs": upkeep.worn_runs,
            "parts": rows_of(upkeep.parts),
            "notes": rows_of(upkeep.notes),
        },
        "causes": {
            "method": causes.method,
            "n": causes.n,
            "excluded": causes.excluded,
            "tested": causes.tested,
            "confidence": causes.confidence,
            "false_discovery_rate": causes.false_discovery_rate,
            "stratum": causes.stratum,
            "defects_joined": causes.run_defects.joined,
            "defects_not_joined": causes.run_defects.not_joined,
            "runs_without_record": int((~causes.run_defects.recorded).sum()),
            "rows": rows_of(causes.table),
        },
        "causal": _causal(findings),
        "not_judged": rows_of(findings.not_judged),
        "cautions": list(CAUTIONS),
    }
    check_document(document)
    return document


_BEHIND_FILM = ("enough", "gauges", "doubt", "odd", "measuring", "variation", "extent", "paint", "sampling")


_BEHIND_WORK = ("delivery", "climate", "application", "replacement", "before_after", "wrap_model")


def _behind_work(findings: Findings) -> dict[str, Any]:
    """Return what stands behind the settings, the upkeep and the wrap, a topic each."""
    upkeep, logs = findings.upkeep, topic_of(findings.pressures)
    del logs["files"], logs["faults"]  # they differ between two deliveries of one log; see "records"
    states = topic_of(upkeep.states)
    del states["states"]  # the inspections behind each run's probabilities: many rows, made again by any re-run
    conflicts = upkeep.conflicts
    return {name: topic_of(getattr(findings, name)) for name in _BEHIND_WORK} | {
        "pressure_logs": logs,
        "part_states": states,
        "overdue": topic_of(upkeep.overdue),
        "wear": topic_of(upkeep.wear),
        "note_conflicts": {
            "rows": rows_of(conflicts.table),
            "n": conflicts.n,
            "excluded": conflicts.excluded,
            "method": conflicts.method,
        },
        "lives": {
            "rows": rows_of(upkeep.lives.lives),
            "n": upkeep.lives.n,
            "excluded": upkeep.lives.excluded,
            "method": upkeep.lives.method,
        },
    }


_BEHIND_CAUSES = ("telling", "sensitivity", "dose", "outcomes", "second_opinion")


def _causal(findings: Findings) -> dict[str, Any]:
    """Return what the defects depend on, by rank, and what the grades rest on."""
    causal = _asked(findings)
    diagram = causal.diagram
    return {
        "method": causal.method,
        "n": causal.n,
        "excluded": causal.excluded,
        "confidence": causal.confidence,
        "false_discovery_rate": causal.false_discovery_rate,
        "rows": rows_of(causal.table),
        "diagram": {
            "source": diagram.diagram.source,
            "method": diagram.method,
            "tested": diagram.tested,
            "arrows": [
                {"from": arrow.cause, "to": arrow.effect, "because": arrow.because}
                for arrow in diagram.diagram.diagram.arrows
            ],
            "unrecorded": list(diagram.unrecorded),
            "adjustments": rows_of(diagram.adjustments),
            "disagreements": rows_of(diagram.disagreements),
        },
        "behind": {name: topic_of(getattr(causal, name)) for name in _BEHIND_CAUSES},
    }


def _grades(findings: Findings) -> dict[str, int]:
    counts = _asked(findings).table["grade"].value_counts()
    return {grade: int(counts.get(grade, 0)) for grade in GRADES}


def _asked(findings: Findings) -> CausalFindings:
    if findings.causal is None:
        raise ValueError("the findings must hold causes; they were made with causes=False. Run the audit with them")
    return findings.causal


def topic_of(result: object) -> dict[str, Any]:
    """Return a result as plain values: its frames as lists of rows, its words and numbers as they are.

    Examples
    --------
    >>> from dataclasses import dataclass
    >>> @dataclass
    ... class Result:
    ...     rows: pd.DataFrame
    ...     n: int
    >>> topic_of(Result(rows=pd.DataFrame({"a": [1.0]}), n=1))
    {'rows': [{'a': 1.0}], 'n': 1}
    """
    return {field.name: _deep(getattr(result, field.name)) for field in fields(result)}  # type: ignore[arg-type]


def _deep(value: object) -> object:
    if isinstance(value, pd.DataFrame):
        return rows_of(value)
    if isinstance(value, Mapping):
        return {str(key): _deep(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [_deep(item) for item in value]
    return _plain(value)


def as_json(document: Mapping[str, Any]) -> str:
    """Return the document as the text of findings.json: two blanks of indent, one line end at the end."""
    return json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"


def check_document(document: Mapping[str, Any]) -> None:
    """Hold a findings document to its JSON Schema.

    Raises
    ------
    ContractError
        Says the first five places where it breaks the schema.

    Examples
    --------
    >>> try:
    ...     check_document({"kind": "auditkit findings"})
    ... except ContractError as error:
    ...     print(str(error)[:82])
    findings.json: 16 faults against findings.schema.json: top: 'version' is a require
    """
    faults = sorted(_validator().iter_errors(document), key=lambda fault: list(map(str, fault.absolute_path)))
    if faults:
        shown = "; ".join(
            f"{'/'.join(map(str, fault.absolute_path)) or 'top'}: {fault.message}" for fault in faults[:5]
        )
        raise ContractError(f"findings.json: {len(faults)} faults against findings.schema.json: {shown}")


@cache
def _validator() -> Any:
    from jsonschema import Draft202012Validator

    return Draft202012Validator(json.loads((schemas_folder() / "findings.schema.json").read_text(encoding="utf-8")))


def rows_of(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a frame as a list of rows of plain values, numbers to twelve significant digits.

    Examples
    --------
    >>> import pandas as pd
    >>> rows_of(pd.DataFrame({"a": [1.0, None], "at": pd.to_datetime(["2027-01-11T08:00Z", None])}))
    [{'a': 1.0, 'at': '2027-01-11T08:00:00+00:00'}, {'a': None, 'at': None}]
    """
    columns = {name: [_plain(value) for value in frame[name]] for name in frame.columns}
    return [dict(zip(columns, values, strict=True)) for values in zip(*columns.values(), strict=True)]


def _plain(value: object) -> object:
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if value is None or value is pd.NA or value is pd.NaT:
        return None
    if isinstance(value, (float, np.floating)):
        return float(f"{value:.{_DIGITS}g}") if math.isfinite(value) else None
    return _as_it_is(value)


def _as_it_is(value: object) -> object:
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    return int(value) if isinstance(value, (int, np.integer)) else str(value)


def _verdicts(frame: pd.DataFrame) -> dict[str, int]:
    counts = frame["verdict"].value_counts()
    return {word: int(counts.get(word, 0)) for word in ("conforms", "does not conform", "not assessable")}


def _scope(findings: Findings) -> dict[str, Any]:
    dossier, days = findings.dossier, findings.timeline.runs["day"]
    return {
        "title": dossier.title,
        "time_zone": dossier.time_zone,
        "sites": sorted(dossier.tables["jobs"]["site"].unique().tolist()),
        "first_day": None if days.empty else str(days.min()),
        "last_day": None if days.empty else str(days.max()),
        "accepted": {name: len(table) for name, table in sorted(dossier.tables.items())},
        "digest": dossier.tables_digest(),
        "contracts": dict(sorted(dossier.contracts.items())),
    }


def _records(findings: Findings) -> dict[str, Any]:
    dossier = findings.dossier
    files, ledger = dossier.files, dossier.ledger
    by_rule = (
        ledger.groupby(["record", "rule"], sort=True)
        .agg(faults=("rule", "size"), rows=("row_no", "nunique"))
        .reset_index()
    )
    return {
        "read": int(files["read"].sum()),
        "accepted": int(files["accepted"].sum()),
        "set_aside": int(files["set_aside"].sum()),
        "files": rows_of(files),
        "set_aside_by_rule": rows_of(by_rule),
        "digest": dossier.digest(),
        "pressure_logs": rows_of(findings.pressures.files),
        "pressure_log_faults": rows_of(findings.pressures.faults),
        "not_judged_for_it": rows_of(findings.set_aside),
        "notes": list(dossier.notes),
    }
