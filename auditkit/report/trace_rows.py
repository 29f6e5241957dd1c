"""Which rows of the records stand behind a finding, and what each is to it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import pandas as pd

from auditkit.dossier import Dossier
from auditkit.findings.audit import Findings, audit
from auditkit.findings.behind import readings_behind
from auditkit.trade.conditions import side_of_window
from auditkit.trade.standing import is_superseded

__all__ = ["ROW_COLUMNS", "rows_behind", "side_rows"]

ROW_COLUMNS = ("record", "role", "file", "sheet", "line", "column")

_SIDES = ("facing", "reverse")
_SUPERSEDED = "superseded: made before the area's last run ended"
_TOPICS: Mapping[str, tuple[str, ...]] = {
    "film": ("film_readings", "areas", "jobs"),
    "behind_film": ("film_readings", "gauge_checks", "areas", "jobs"),
    "wrap": ("wrap_observations", "film_readings", "areas", "jobs"),
    "process": ("spray_runs", "pressure_settings", "startup_checks"),
    "stop_work": ("spray_runs", "startup_checks"),
    "upkeep": ("maintenance", "spray_runs", "units"),
    "behind_work": ("spray_runs", "pressure_settings", "maintenance", "units"),
    "causes": ("spray_runs", "pressure_settings", "maintenance", "defects"),
    "causal": ("spray_runs", "pressure_settings", "maintenance", "defects"),
}
_KEYS = ("area_id", "side", "run_id", "unit_id", "part", "gauge_id", "study_id", "job_id", "checked_at", "action")


def rows_behind(
    keys: Sequence[str],
    told: Mapping[str, Any],
    document: Mapping[str, Any],
    dossier: Dossier,
    *,
    findings: Findings | None = None,
) -> tuple[pd.DataFrame, str]:
    """Return the rows of records behind a finding, and how they were found, in words.

    Parameters
    ----------
    keys : sequence of str
        Its place in the findings document.
    told : mapping
        The row of findings it stands in.
    document : mapping
        The findings document, for its settings.
    dossier : Dossier
    findings : Findings, optional
        See `trace.trace`.

    Returns
    -------
    DataFrame
        `ROW_COLUMNS`; role says what the row is to the finding.
    str
    """
    topic = keys[0] if keys else ""
    if topic == "film" and "area_id" in told:
        return _film(told, dossier), "The readings of the side, those the verdict turned on marked; its area and job."
    if topic == "wrap" and "area_id" in told:
        return _wrap(told, dossier, leaf=keys[-1]), "The ratings of the area, its film where asked for, and its job."
    if "where" in told and (topic == "stop_work" or keys[:2] == ["process", "safety_not_recorded"]):
        return _stop_work(told, dossier), "The row whose value broke the rule, or was not recorded."
    if "condition" in told and (topic in ("causes", "causal") or keys[:2] == ["process", "windows"]):
        return _of_condition(told, findings if findings is not None else _again(document, dossier))
    rows = _of_same_keys(told, dossier, records=_TOPICS.get(topic, tuple(dossier.tables)))
    if len(rows):
        return rows, "The rows of the records that bear the same keys; not every one of them need have counted."
    return _whole(topic, dossier), "The finding is of all records of these kinds; every row is listed."


def _of_condition(told: Mapping[str, Any], findings: Findings) -> tuple[pd.DataFrame, str]:
    if "defect" in told and "side" in told:
        return _cause(told, findings), "The runs compared, with their settings, and the records of the defect on them."
    return _window(told, findings), "Every run with the side of the window it lay on, and its settings."


def _again(document: Mapping[str, Any], dossier: Dossier) -> Findings:
    """Audit the records again as the document says it was done, without the causes."""
    settings = document["settings"]
    names = ("confidence", "false_discovery_rate", "seed")
    return audit(dossier, causes=False, **{name: settings[name] for name in names})


def _film(told: Mapping[str, Any], dossier: Dossier) -> pd.DataFrame:
    area = told["area_id"]
    sides = [told["side"]] if told.get("side") in _SIDES else _SIDES
    readings, runs = (_of_area(dossier.tables[record], area) for record in ("film_readings", "spray_runs"))
    old = is_superseded(readings, runs, time="taken_at")
    standing = replace(dossier, tables={**dossier.tables, "film_readings": readings[~old]})
    pieces = []
    for side in sides:
        behind = readings_behind(standing, area, side)
        role = pd.Series("counts", index=behind.index, dtype="str").mask(~behind["counts"], "in a spot with too few")
        role = role.mask(behind["decided"], "decided: " + behind["decided_by"])
        pieces.append(behind.assign(record="film_readings", role=side + ", " + role))
    stale = readings[old & readings["side"].isin(sides)]
    here = pd.Series(dossier.tables["film_readings"].index.isin(stale.index))
    pieces.append(_picked(dossier, "film_readings", here, _SUPERSEDED))
    return _stacked([*pieces, *_area_and_job(area, dossier)])


def _of_area(table: pd.DataFrame, area: str) -> pd.DataFrame:
    return table[table["area_id"] == area]


def side_rows(told: Mapping[str, Any], dossier: Dossier, *, superseded: pd.Series[bool]) -> pd.DataFrame:
    """Return the rows behind one side as `rows_behind` does, without telling which readings the verdict turned on.

    Parameters
    ----------
    told : mapping
        The row of findings: area_id, side.
    dossier : Dossier
    superseded : Series of bool
        Of every film reading, from `trade.standing.is_superseded`.
    """
    readings, area = dossier.tables["film_readings"], told["area_id"]
    here = (readings["area_id"] == area) & (readings["side"] == told["side"])
    pieces = [
        _picked(dossier, "film_readings", here & ~superseded, f"{told['side']}, of the side"),
        _picked(dossier, "film_readings", here & superseded, _SUPERSEDED),
    ]
    return _stacked([*pieces, *_area_and_job(area, dossier)])


def _wrap(told: Mapping[str, Any], dossier: Dossier, *, leaf: str) -> pd.DataFrame:
    area, tables = told["area_id"], dossier.tables
    ratings, film = tables["wrap_observations"], tables["film_readings"]
    here = ratings["area_id"] == area
    old = is_superseded(ratings[here], _of_area(tables["spray_runs"], area), time="observed_at")
    old = old.reindex(ratings.index, fill_value=False)
    pieces = [
        _picked(dossier, "wrap_observations", here & ~old, "counts"),
        _picked(dossier, "wrap_observations", here & old, _SUPERSEDED),
    ]
    if leaf in ("facing_um", "reverse_um", "ratio"):
        stale = is_superseded(film, tables["spray_runs"], time="taken_at")
        for side in _SIDES:
            of_side = (film["area_id"] == area) & (film["side"] == side)
            pieces.append(_picked(dossier, "film_readings", of_side & ~stale, f"film on the {side} side"))
    return _stacked([*pieces, *_area_and_job(area, dossier)])


def _area_and_job(area: str, dossier: Dossier) -> list[pd.DataFrame]:
    areas, jobs = dossier.tables["areas"], dossier.tables["jobs"]
    job = areas.loc[areas["area_id"] == area, "job_id"]
    return [
        _picked(dossier, "areas", areas["area_id"] == area, "the area"),
        _picked(dossier, "jobs", jobs["job_id"].isin(job), "the job, with what it requires"),
    ]


def _stop_work(told: Mapping[str, Any], dossier: Dossier) -> pd.DataFrame:
    if told["what"] == "run":
        runs = dossier.tables["spray_runs"]
        return _picked(dossier, "spray_runs", runs["run_id"] == told["where"], "broke the rule")
    checks = dossier.tables["startup_checks"]
    here = (checks["unit_id"] == told["where"]) & (checks["checked_at"] == pd.Timestamp(told["at"]))
    return _picked(dossier, "startup_checks", here, "broke the rule")


def _window(told: Mapping[str, Any], findings: Findings) -> pd.DataFrame:
    condition = findings.conditions[told["condition"]]
    side = side_of_window(findings.runs, condition)
    return _of_runs(pd.Series(side.to_numpy(), index=findings.runs["run_id"]), findings.dossier)


def _cause(told: Mapping[str, Any], findings: Findings) -> pd.DataFrame:
    condition, defect = findings.conditions[told["condition"]], told["defect"]
    place = pd.Series(side_of_window(findings.runs, condition).to_numpy(), index=findings.runs["run_id"])
    compared = place[place.isin(["inside", told["side"]])]
    found = findings.causes.run_defects.found[defect].reindex(compared.index)
    words = found.astype("object").map({True: f"with {defect}", False: f"without {defect}"}).fillna("not known")
    role = (compared + ", " + words).astype("str")
    dossier, defects = findings.dossier, findings.dossier.tables["defects"]
    areas = findings.runs.set_index("run_id")["area_id"].reindex(compared.index)
    by_run = defects["run_id"].isin(compared.index) | (defects["run_id"].isna() & defects["area_id"].isin(areas))
    records = _picked(dossier, "defects", (defects["defect"] == defect) & by_run, f"record of {defect}")
    return _stacked([_of_runs(role, dossier), records])


def _of_runs(role: pd.Series, dossier: Dossier) -> pd.DataFrame:
    """Return the rows of runs and of their settings, in the order of the runs' roles."""
    pieces = []
    for record, what in (("spray_runs", "run"), ("pressure_settings", "setting of a run")):
        table = dossier.tables[record]
        for name in sorted(role.unique()):
            here = table["run_id"].isin(role.index[role == name])
            pieces.append(_picked(dossier, record, here, f"{what} {name}"))
    return _stacked(pieces)


def _of_same_keys(told: Mapping[str, Any], dossier: Dossier, *, records: Sequence[str]) -> pd.DataFrame:
    """Return the rows of records that have in common with a finding all keys that both have."""
    pieces = []
    for record in records:
        table = dossier.tables[record]
        shared = [key for key in _KEYS if isinstance(told.get(key), str) and key in table.columns]
        if not shared or shared == ["side"]:
            continue
        here = pd.Series(True, index=table.index)
        for key in shared:
            moment = isinstance(table[key].dtype, pd.DatetimeTZDtype)
            here &= (table[key] == (pd.Timestamp(told[key]) if moment else told[key])).fillna(False)
        pieces.append(_picked(dossier, record, here, f"the same {', '.join(shared)}"))
    return _stacked(pieces)


def _whole(topic: str, dossier: Dossier) -> pd.DataFrame:
    records = _TOPICS.get(topic, tuple(sorted(dossier.tables)))
    everything = [
        _picked(dossier, record, pd.Series(True, index=dossier.tables[record].index), "one of all")
        for record in records
    ]
    return _stacked(everything)


def _picked(dossier: Dossier, record: str, here: pd.Series[bool], role: str) -> pd.DataFrame:
    rows: pd.DataFrame = dossier.lineage[record][here.to_numpy(dtype=bool, na_value=False)]
    return rows.assign(record=record, role=role)


def _stacked(pieces: Sequence[pd.DataFrame]) -> pd.DataFrame:
    kept = [piece[list(ROW_COLUMNS)] for piece in pieces if len(piece)]
    if not kept:
        return pd.DataFrame(columns=list(ROW_COLUMNS)).astype(dict.fromkeys(ROW_COLUMNS, "str") | {"line": "int64"})
    return pd.concat(kept, ignore_index=True)
