"""What an audit comes to, in the few lines that the command line and the report's first screen show."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd

from auditkit.findings.audit import Findings
from auditkit.findings.causal import CausalFindings
from auditkit.findings.causes import ranked
from auditkit.findings.unjudged import unlooked_rows
from auditkit.trade.timeline import NO_STARTUP
from auditkit.views.cause_sentences import foreman_sentence
from auditkit.views.sentences import association_sentence, group_reasons, listed, share

__all__ = ["Overview", "overview"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Overview:
    """The first screen.

    Parameters
    ----------
    scope : str
        What was looked at.
    conforming : tuple of str
        How many areas conform, in film and in wrap.
    kept : tuple of str
        How the units were set and kept.
    failing : tuple of str
        Which do not, grouped by why.
    associated : tuple of str
        What the defects depend on, the firmest first; where that was not
        asked, what goes with them.
    crude_only : tuple of str
        What is clear in the crude table and not clear within jobs.
    nothing_associated : str
        What to say where nothing goes with the defects.
    stop_work : tuple of str
        Safety breaches, all of them, grouped by rule; and what was set aside
        before its safety could be looked at.
    not_judged : tuple of str
        What could not be judged.
    """

    scope: str
    conforming: tuple[str, ...]
    kept: tuple[str, ...]
    failing: tuple[str, ...]
    associated: tuple[str, ...]
    nothing_associated: str
    crude_only: tuple[str, ...]
    stop_work: tuple[str, ...]
    not_judged: tuple[str, ...]


def overview(findings: Findings, *, most: int = 6, most_areas: int = 4) -> Overview:
    """Return the overview of an audit.

    Parameters
    ----------
    findings : Findings
        The audit.
    most : int
        Lines shown in each list before the rest is counted.
    most_areas : int
        Areas named in a line before the rest is counted.
    """
    return Overview(
        scope=_scope(findings),
        conforming=_conforming(findings),
        kept=_kept(findings),
        failing=_failing(findings, most=most, most_areas=most_areas),
        associated=_associated(findings, most=most),
        nothing_associated=_nothing_associated(findings),
        crude_only=_crude_only(findings, most=most),
        stop_work=_stop_work(findings, most_named=most_areas),
        not_judged=_not_judged(findings, most=most),
    )


def _scope(findings: Findings) -> str:
    tables, runs = findings.dossier.tables, findings.timeline.runs
    sites = tables["jobs"]["site"].nunique()
    span = "" if runs.empty else f", {runs['day'].min()} to {runs['day'].max()}"
    return (
        f"{len(tables['jobs'])} jobs at {sites} sites, {len(tables['areas'])} areas, {len(runs)} spray runs, "
        f"{len(tables['film_readings']):,} film readings{span}"
    )


def _conforming(findings: Findings) -> tuple[str, ...]:
    lines = []
    for topic, areas in (("Film", findings.film.by_area), ("Wrap", findings.wrap.areas)):
        counts = areas["verdict"].value_counts()
        asked = len(areas) - int(counts.get("not required", 0))
        of = "areas" if asked == len(areas) else "areas of which wrap is required"
        lines.append(
            f"{topic}: {share(int(counts.get('conforms', 0)), asked)} {of} conform, "
            f"{counts.get('does not conform', 0)} do not, {counts.get('not assessable', 0)} could not be judged."
        )
    sides = findings.doubt.sides
    judged = sides[sides["probability_conforms"].notna() & (sides["verdict"] != "not assessable")]
    doubtful = int(judged["doubtful"].eq(True).fillna(False).sum())
    if doubtful:
        lines.append(f"In doubt: {share(doubtful, len(judged))} sides judged conform with a probability of 5 to 95 %.")
    checks = findings.film.gauge_checks
    failed = checks[checks["passed"].eq(False).fillna(False).astype(bool)]
    suspect = int(findings.gauges.gauges["n_suspect"].sum())
    if len(failed):
        gauges = ", ".join(sorted(failed["gauge_id"].unique()))
        of_gauge = checks[checks["gauge_id"].isin(failed["gauge_id"])]
        times = ["gauge_id", "checked_at"]
        lines.append(
            f"Gauge {gauges} failed {len(failed.drop_duplicates(times))} of its {len(of_gauge.drop_duplicates(times))} "
            f"checks; {suspect:,} readings are suspect, on {_suspect_areas(findings)} areas called conforming. The "
            f"verdicts count them; without them {_without_suspect(findings)}."
        )
    uncovered = int(findings.gauges.gauges["n_uncovered"].sum())
    if uncovered:
        lines.append(f"No pair of gauge checks vouches for {uncovered:,} film readings.")
    aside = _set_aside(findings)
    counted = ("jobs", "areas", "film_readings", "wrap_observations")
    whole = [f"{aside[record]} of {record.replace('_', ' ')}" for record in counted if aside.get(record)]
    if whole:
        lines.append(f"Rows set aside, and so in none of these counts: {', '.join(whole)}.")
    return tuple(lines)


def _without_suspect(findings: Findings) -> str:
    verdicts = findings.gauges.verdicts
    changed = verdicts[verdicts["changed"].eq(True).fillna(False).astype(bool)]
    lost = int((changed["verdict_without"] == "not assessable").sum())
    return f"{lost} sides can no longer be judged and {len(changed) - lost} turn round"


def _suspect_areas(findings: Findings) -> int:
    conforming = findings.film.by_area.loc[findings.film.by_area["verdict"] == "conforms", "area_id"]
    sides = findings.film.areas[findings.film.areas["suspect_readings"] > 0]
    return int(conforming.isin(sides["area_id"]).sum())


def _kept(findings: Findings) -> tuple[str, ...]:
    windows = findings.process.windows
    left = windows[windows["outside_pct"] > 0].sort_values("outside_pct", ascending=False, kind="stable")
    most = [
        f"{str(row['title']).lower()} {share(row['below'] + row['above'], row['n'])}"
        for row in left.head(3).to_dict("records")
    ]
    lines = [f"Runs most often outside the window: {'; '.join(most)}."] if most else []
    upkeep, joins = findings.upkeep, findings.process.not_joined.set_index("what")["n"]
    lines.append(f"Brush last known at half worn or more: {share(upkeep.worn_runs, upkeep.n)} runs.")
    lines.append(f"No start-up check in the 12 hours before: {share(int(joins[NO_STARTUP]), findings.process.n)} runs.")
    units = findings.delivery.units
    held_back = units[(units["restriction"] > 0) | (units["loss"] > 0)] if len(units) else units
    lines += [
        f"Unit {row['unit_id']}: {_held_back(row)} of {row['read']} runs; the flow fell to "
        f"{100 * row['lowest_ratio']:.0f} % of what it has when clean ({row['lowest_run_id']})."
        for row in held_back.to_dict("records")
    ]
    due = upkeep.overdue.overdue
    if len(due):
        parts = [f"{part} of {unit}" for part, unit in zip(due["part"], due["unit_id"], strict=True)]
        lines.append(f"Overdue at the end of the records: {_some(list(dict.fromkeys(parts)), 4)}.")
    return tuple(lines)


def _held_back(row: Mapping[Hashable, Any]) -> str:
    """Return what pressure and flow said of a unit, in words with counts."""
    said = [("restriction", "a restriction after the gauge"), ("loss", "a loss ahead of the gauge")]
    return " and ".join(f"{words} in {row[name]}" for name, words in said if row[name])


def _failing(findings: Findings, *, most: int, most_areas: int) -> tuple[str, ...]:
    sides = findings.film.areas
    film = sides.assign(reason="film on the " + sides["side"] + " side, " + sides["clause"])
    wrap = findings.wrap.areas.assign(reason="wrap, less than the job requires")
    frames = [group_reasons(frame, verdict="does not conform") for frame in (film, wrap)]
    reasons = pd.concat(frames, ignore_index=True).sort_values(["n", "reason"], ascending=[False, True])
    lines = [
        f"{int(row['n'])} areas: {row['reason']} ({_some(row['areas'], most_areas)})"
        for row in reasons.head(most).to_dict("records")
    ]
    return _with_rest(lines, len(reasons), "reasons", most)


def _associated(findings: Findings, *, most: int) -> tuple[str, ...]:
    if findings.causal is not None:
        return _causes(findings, findings.causal, most=most)
    rows = ranked(findings.causes.table)
    lines = [association_sentence(row, findings.conditions) for _, row in rows.head(most).iterrows()]
    return _with_rest(lines, len(rows), "pairs", most)


def _causes(findings: Findings, causal: CausalFindings, *, most: int) -> tuple[str, ...]:
    """Return first which defects the conditions do not foretell, then the graded causes."""
    skill = causal.telling.skill
    blind = [str(name) for name in skill.loc[~skill["predicts"], "defect"]] if len(skill) else []
    rows = causal.table[causal.table["grade"] != "cannot tell"]
    if not blind and rows.empty:
        return ()
    titles = causal.diagram.diagram.titles
    said = [foreman_sentence(row, findings.conditions, titles=titles) for _, row in rows.head(most).iterrows()]
    lead = (
        [f"In a job left out, what was recorded does not foretell {listed(blind)} better than chance."] if blind else []
    )
    return (*lead, *_with_rest(said, len(rows), "causes", most))


def _nothing_associated(findings: Findings) -> str:
    if findings.dossier.tables["defects"].empty:
        return "No defect records came in, so nothing can be said."
    if findings.causal is not None:
        return f"Of {len(findings.causal.table)} pairs none can be told with these records; each with its reason below."
    if not findings.causes.tested:
        return "There are too few runs or defects for any comparison."
    return f"Of {findings.causes.tested} pairs tested none is clear within jobs."


def _crude_only(findings: Findings, *, most: int) -> tuple[str, ...]:
    table = findings.causes.table
    rows = table[table["crude_only"] & (table["difference"] > 0)].sort_values("difference", ascending=False)
    lines = [association_sentence(row, findings.conditions) for _, row in rows.head(most).iterrows()]
    return _with_rest(lines, len(rows), "pairs", most)


def _stop_work(findings: Findings, *, most_named: int) -> tuple[str, ...]:
    breaches = findings.process.stop_work
    grouped = breaches.groupby("rule", sort=True)["where"].agg(lambda names: sorted(set(names)))
    counts = breaches["rule"].value_counts()
    rules = sorted(grouped.index, key=lambda rule: (-counts[rule], rule))
    lines = [f"Broken {_times(int(counts[rule]))}: {rule} ({_some(grouped[rule], most_named)})" for rule in rules]
    dossier = findings.dossier
    unseen = [f"{n} {words}" for record, words in _SAFETY_RECORDS.items() if (n := unlooked_rows(dossier, record))]
    if unseen:
        lines.append(f"Not looked at, since set aside: {' and '.join(unseen)}")
    return tuple(lines)


def _times(n: int) -> str:
    return "once" if n == 1 else f"{n} times"


_SAFETY_RECORDS = {"spray_runs": "rows of spray runs", "startup_checks": "rows of start-up checks"}


def _set_aside(findings: Findings) -> dict[str, int]:
    counts = findings.dossier.files.groupby("record")["set_aside"].sum()
    return {str(record): int(n) for record, n in counts.items() if n}


def _not_judged(findings: Findings, *, most: int) -> tuple[str, ...]:
    rows = pd.concat([findings.not_judged, findings.set_aside], ignore_index=True)
    lines = [f"{row.n} of {row.of} {row.what}: {row.why}" for row in rows.head(most).itertuples(index=False)]
    return _with_rest(lines, len(rows), "matters", most)


def _some(names: list[str], most: int) -> str:
    more = len(names) - most
    return ", ".join(names[:most]) + (f" and {more} more" if more > 0 else "")


def _with_rest(lines: list[str], total: int, noun: str, most: int) -> tuple[str, ...]:
    more = total - most
    return (
        (*lines, f"... and {more} more {noun if more > 1 else noun[:-1]}, in the tables below")
        if more > 0
        else tuple(lines)
    )
