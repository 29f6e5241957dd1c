"""What could not be judged: every place where the records do not carry a verdict, with how much and why."""

from __future__ import annotations

import json

import pandas as pd

from auditkit.dossier import Dossier
from auditkit.findings.causes import CauseFindings
from auditkit.findings.film import FilmFindings
from auditkit.findings.gauges import GaugeFindings
from auditkit.findings.process import ProcessFindings
from auditkit.findings.wrap import WrapFindings

__all__ = ["areas_set_aside", "find_set_aside", "find_unjudged", "unlooked_rows"]

_Row = tuple[str, str, int, int, str]


def find_unjudged(
    *,
    film: FilmFindings,
    gauges: GaugeFindings,
    wrap: WrapFindings,
    process: ProcessFindings,
    causes: CauseFindings,
    absent: str | None,
) -> pd.DataFrame:
    """Return what could not be judged, a row a reason, what decides disputes first.

    Parameters
    ----------
    film, gauges, wrap, process, causes
        Findings of each topic.
    absent : str or None
        What the dossier declares the absence of a defect record to mean.

    Returns
    -------
    DataFrame
        topic, what, n, of, why.
    """
    rows = [
        *_film(film, gauges),
        *_wrap(wrap),
        *_defects(causes, absent),
        *_settings(process),
        *_joins(process),
    ]
    return pd.DataFrame(rows, columns=["topic", "what", "n", "of", "why"])


def find_set_aside(dossier: Dossier) -> pd.DataFrame:
    """Return what was set aside before it could be judged: safety rows, and rows of areas that carry a verdict.

    It depends on how the records were delivered, so it is kept apart from what
    the accepted records cannot carry.

    Returns
    -------
    DataFrame
        topic, what, n, of, why.
    """
    rows: list[_Row] = []
    for record, what in (("spray_runs", "rows of spray runs"), ("startup_checks", "rows of start-up checks")):
        n = unlooked_rows(dossier, record)
        if n:
            rows.append(
                ("safety", what, n, n + len(dossier.tables[record]), "set aside; their safety was not looked at")
            )
    film = areas_set_aside(dossier, "film_readings")
    if film:
        why = f"readings of them were set aside and count for nothing ({_named(film)})"
        rows.append(("film", "areas", len(film), len(dossier.tables["areas"]), why))
    runs = areas_set_aside(dossier, "spray_runs")
    if runs:
        why = f"a spray run of them was set aside, so the film judged may have been sprayed over ({_named(runs)})"
        rows.append(("film", "areas", len(runs), len(dossier.tables["areas"]), why))
    return pd.DataFrame(rows, columns=["topic", "what", "n", "of", "why"])


def unlooked_rows(dossier: Dossier, record: str) -> int:
    """Return how many rows of a record were set aside, but for those that repeat another."""
    ledger = dossier.ledger
    rows = ledger[(ledger["record"] == record) & (ledger["rule"] != "repeated key")]
    return int(rows["row_no"].nunique())


def areas_set_aside(dossier: Dossier, record: str) -> list[str]:
    """Return the areas that set-aside rows of a record name, in whatever cell, but for rows that repeat another."""
    ledger = dossier.ledger
    rows = ledger[(ledger["record"] == record) & (ledger["rule"] != "repeated key")].drop_duplicates("row_no")
    known = {str(area_id).casefold(): str(area_id) for area_id in dossier.tables["areas"]["area_id"]}
    named = set()
    for row in rows["row"]:
        cells = json.loads(row)
        values = cells.values() if isinstance(cells, dict) else cells
        named |= {known[text] for value in values if (text := str(value).strip().casefold()) in known}
    return sorted(named)


def _named(areas: list[str]) -> str:
    more = len(areas) - _MOST_NAMED
    return ", ".join(areas[:_MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


_MOST_NAMED = 5


def _film(film: FilmFindings, gauges: GaugeFindings) -> list[_Row]:
    rows: list[_Row] = []
    sides = film.areas[film.areas["verdict"] == "not assessable"]
    for clause, group in sides.groupby("clause", sort=True):
        first = group.iloc[0]
        why = f"{clause} (such as {first['area_id']}, {first['side']}: {first['reason'].split(';')[0]})"
        rows.append(("film", "areas", group["area_id"].nunique(), len(film.by_area), why))
    doubts = (
        ("n_suspect", "film readings suspect", "their gauge failed its next check, or its last"),
        ("n_uncovered", "film readings not vouched for", "no check of their gauge before, or none after"),
    )
    for column, what, why in doubts:
        n = int(gauges.gauges[column].sum())
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
