"""What could not be judged: every place where the records do not carry a verdict, with how much and why."""

from __future__ import annotations

import pandas as pd

from auditkit.findings.causes import CauseFindings
from auditkit.findings.film import FilmFindings
from auditkit.findings.process import ProcessFindings
from auditkit.findings.wrap import WrapFindings

__all__ = ["find_unjudged"]

_Row = tuple[str, str, int, int, str]


def find_unjudged(
    film: FilmFindings, wrap: WrapFindings, process: ProcessFindings, causes: CauseFindings, *, absent: str | None
) -> pd.DataFrame:
    """Return what could not be judged, a row a reason, what decides disputes first.

    Parameters
    ----------
    film, wrap, process, causes
        Findings of each topic.
    absent : str or None
        What the dossier declares the absence of a defect record to mean.

    Returns
    -------
    DataFrame
        topic, what, n, of, why.
    """
    rows = [*_film(film), *_wrap(wrap), *_defects(causes, absent), *_settings(process), *_joins(process)]
    return pd.DataFrame(rows, columns=["topic", "what", "n", "of", "why"])


def _film(film: FilmFindings) -> list[_Row]:
    rows: list[_Row] = []
    sides = film.areas[film.areas["verdict"] == "not assessable"]
    for clause, group in sides.groupby("clause", sort=True):
        first = group.iloc[0]
        why = f"{clause} (such as {first['area_id']}, {first['side']}: {first['reason'].split(';')[0]})"
        rows.append(("film", "areas", group["area_id"].nunique(), len(film.by_area), why))
    doubts = (
        ("suspect_readings", "film readings suspect", "their gauge failed its next check, or its last"),
        ("uncovered_readings", "film readings not vouched for", "no check of their gauge before, or none after"),
    )
    for column, what, why in doubts:
        n = int(film.areas[column].sum())
        if n:
            rows.append(("film", what, n, film.n + film.excluded, why))
    if film.superseded:
        why = "made before the area's last spray run ended: of a film since sprayed over"
        rows.append(("film", "film readings", film.superseded, film.n + film.excluded, why))
    checks = film.gauge_checks
    unread = int(checks["passed"].isna().sum())
    if unread:
        rows.append(("film", "gauge checks", unread, len(checks), "a tolerance in percent says nothing at 0 um"))
    return rows


def _wrap(wrap: WrapFindings) -> list[_Row]:
    counts = wrap.areas.loc[wrap.areas["verdict"] == "not assessable", "reason"].value_counts().sort_index()
    return [("wrap", "areas", int(n), len(wrap.areas), str(reason)) for reason, n in counts.items()]


def _defects(causes: CauseFindings, absent: str | None) -> list[_Row]:
    total = causes.run_defects.joined + causes.run_defects.not_joined
    unrecorded = int((~causes.run_defects.recorded).sum())
    meaning = "counted as free of all" if absent != "not inspected" else "left out as not inspected"
    said = "as dossier.yaml declares" if absent else "dossier.yaml does not declare what that means"
    first: list[_Row] = [("defects", "runs without any defect record", unrecorded, causes.n, f"{meaning}; {said}")]
    rows: list[_Row] = [
        ("defects", "defect records not traced to a run", n, total, reason)
        for reason, n in causes.run_defects.reasons.items()
    ]
    rows = (first if unrecorded else []) + rows
    unread = int((causes.table["reading"] == "cannot tell").sum())
    if unread:
        why = "too few runs on one side of the window, or too few defects, within jobs, to be tested"
        rows.append(("defects", "pairs of defect and condition", unread, len(causes.table), why))
    return rows


def _settings(process: ProcessFindings) -> list[_Row]:
    unbounded = process.windows[process.windows["no_window"] > 0]
    rows: list[_Row] = [
        ("settings", f"runs, for {str(row['title']).lower()}", int(row["no_window"]), process.n, "no window is known")
        for row in unbounded.to_dict("records")
    ]
    unrecorded = process.safety_not_recorded
    for (kind, rule), group in unrecorded.groupby(["what", "rule"], sort=True):
        of = process.n if kind == "run" else process.startups
        rows.append(("safety", f"{kind}: safety value not recorded", len(group), of, f"{rule}; it is no pass"))
    return rows


def _joins(process: ProcessFindings) -> list[_Row]:
    joins = process.not_joined[process.not_joined["n"] > 0]
    return [
        ("timeline", str(row["what"]), int(row["n"]), int(row["of"]), str(row["why"]))
        for row in joins.to_dict("records")
    ]
