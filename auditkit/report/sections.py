"""The sections of the report, below its first screen: words, figures and tables with their n."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from auditkit.findings.audit import Findings
from auditkit.findings.causes import READINGS, ranked
from auditkit.trade.conditions import Condition
from auditkit.trade.grounding import CAUTIONS
from auditkit.views import figures
from auditkit.views.glossary import GLOSSARY
from auditkit.views.sentences import side_of, unit_sign

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["Cell", "Column", "Section", "Table", "page_sections", "table_of"]


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its text and how it looks."""

    text: str
    style: str = ""


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its heading and whether it holds numbers."""

    heading: str
    numeric: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table ready to be shown; a folded one is opened by its reader."""

    caption: str
    columns: Sequence[Column]
    rows: Sequence[Sequence[Cell]]
    folded: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One section of the page."""

    id: str
    title: str
    texts: Sequence[str]
    figures: Sequence[go.Figure] = field(default_factory=tuple)
    tables: Sequence[Table] = field(default_factory=tuple)


_STYLES = {
    "does not conform": "bad",
    "conforms": "good",
    "not assessable": "open",
    "goes with more": "bad",
    "cannot tell": "open",
}


def table_of(
    frame: pd.DataFrame, columns: Mapping[str, tuple[str, str | None]], *, caption: str, folded: bool = False
) -> Table:
    """Return a frame as a table.

    Parameters
    ----------
    frame : DataFrame
        Any grain.
    columns : mapping of str to (heading, format)
        Columns to show, in order; the format is that of a number, None for text.
    caption : str
        What the table holds.
    folded : bool
        Whether it is shown folded.

    Examples
    --------
    >>> import pandas as pd
    >>> table = table_of(pd.DataFrame({"x": [1.26, None]}), {"x": ("X [mm]", ".1f")}, caption="two")
    >>> [[cell.text for cell in row] for row in table.rows]
    [['1.3'], ['–']]
    """
    headings = [Column(heading, pattern is not None) for heading, pattern in columns.values()]
    cells = {name: [_cell(value, pattern) for value in frame[name]] for name, (_, pattern) in columns.items()}
    return Table(caption=caption, columns=headings, rows=list(zip(*cells.values(), strict=True)), folded=folded)


def _cell(value: object, pattern: str | None) -> Cell:
    style = "n" if pattern is not None else ""
    if pd.isna(value):  # type: ignore[call-overload]
        return Cell("–", style)
    if pattern is not None:
        return Cell(format(float(str(value)), pattern).replace("-", "−"), style)
    text = str(value)
    return Cell(text, _STYLES.get(text, ""))


def page_sections(findings: Findings) -> list[Section]:
    """Return the sections of the report, in order."""
    return [
        _film(findings),
        _wrap(findings),
        _settings(findings),
        _upkeep(findings),
        _defects(findings),
        _unjudged(findings),
        _records(findings),
        _glossary(),
        Section(id="cautions", title="Cautions", texts=CAUTIONS),
    ]


def _film(findings: Findings) -> Section:
    film, jobs = findings.film, findings.dossier.tables["jobs"]
    memory = int(film.areas["from_memory"].sum())
    texts = [
        film.method,
        f"{film.n:,} readings are on sides that got a verdict; {film.excluded:,} are not, of them {film.on_edges:,} on "
        f"edges and {film.superseded:,} of a film since sprayed over.",
    ]
    if memory:
        texts.append(
            f"{memory} of {len(film.areas)} verdicts rest on a figure of a standard recalled from memory (marked): "
            "check those against your copy."
        )
    columns = {
        "area_id": ("area", None),
        "side": ("side", None),
        "job_id": ("job", None),
        "verdict": ("verdict", None),
        "reason": ("why", None),
        "clause": ("clause", None),
        "mean_um": ("mean [µm]", ".1f"),
        "lowest_um": ("lowest [µm]", ".1f"),
        "highest_um": ("highest [µm]", ".1f"),
        "n_spots": ("spots", ".0f"),
        "n_readings": ("readings", ".0f"),
        "suspect_readings": ("of them suspect", ".0f"),
        "memory": ("", None),
    }
    sides = film.areas.assign(
        lowest_um=film.areas["lowest_spot_um"],
        highest_um=film.areas["highest_spot_um"],
        memory=film.areas["from_memory"].map({True: "from memory", False: ""}),
    )
    failing = sides[sides["verdict"] == "does not conform"]
    checks = film.gauge_checks
    failed = checks[checks["passed"].eq(False).fillna(False).astype(bool)]
    gauge_columns = {
        "gauge_id": ("gauge", None),
        "checked_at": ("checked", None),
        "stage": ("stage", None),
        "certified_um": ("certified [µm]", ".1f"),
        "mean_um": ("read [µm]", ".2f"),
        "error_um": ("error [µm]", ".2f"),
        "allowed_um": ("allowed ± [µm]", ".2f"),
    }
    return Section(
        id="film",
        title="Film thickness",
        texts=texts,
        figures=[figures.film_by_job(film.areas, jobs, side=side) for side in ("facing", "reverse")],
        tables=[
            table_of(failing, columns, caption=f"Sides that do not conform: {len(failing)} of {len(sides)}"),
            table_of(sides, columns, caption="Every side of every area", folded=True),
            table_of(failed, gauge_columns, caption=f"Gauge checks that failed: {len(failed)} of {len(checks)}"),
        ],
    )


def _wrap(findings: Findings) -> Section:
    wrap = findings.wrap
    columns = {
        "area_id": ("area", None),
        "geometry": ("geometry", None),
        "verdict": ("verdict", None),
        "reason": ("why", None),
        "wrap_pct": ("wrap [%]", ".0f"),
        "required_pct": ("required [%]", ".0f"),
        "ratings": ("ratings", ".0f"),
        "ratio": ("reverse / facing [-]", ".2f"),
    }
    by_geometry = {
        "geometry": ("geometry", None),
        "areas": ("areas", ".0f"),
        "rated": ("rated", ".0f"),
        "wrap_pct": ("mean wrap [%]", ".0f"),
        "measured": ("measured both sides", ".0f"),
        "ratio": ("mean reverse / facing [-]", ".2f"),
        "ratio_low": ("lower quartile", ".2f"),
        "ratio_high": ("upper quartile", ".2f"),
    }
    failing = wrap.areas[wrap.areas["verdict"] == "does not conform"]
    return Section(
        id="wrap",
        title="Wrap",
        texts=[
            wrap.method,
            f"{wrap.n} areas were judged; of the other {wrap.excluded} no wrap is required, or no rating is recorded.",
        ],
        figures=[figures.wrap_by_geometry(wrap.areas)],
        tables=[
            table_of(wrap.geometries, by_geometry, caption="By geometry"),
            table_of(
                failing, columns, caption=f"Areas whose wrap does not conform: {len(failing)} of {len(wrap.areas)}"
            ),
            table_of(wrap.areas, columns, caption="Every area", folded=True),
        ],
    )


def _settings(findings: Findings) -> Section:
    process = findings.process
    columns = {
        "title": ("condition", None),
        "unit": ("unit", None),
        "low": ("from", ",.10g"),
        "high": ("to", ",.10g"),
        "inside": ("inside", ".0f"),
        "below": ("below", ".0f"),
        "above": ("above", ".0f"),
        "outside_pct": ("outside [%]", ".1f"),
        "not_recorded": ("not recorded", ".0f"),
        "source": ("window from", None),
    }
    units = {
        "unit_id": ("unit", None),
        "runs": ("runs", ".0f"),
        "operators": ("operators", ".0f"),
        "standoff_mm": ("standoff [mm]", ".0f"),
        "pot_kpa": ("pot [kPa]", ".1f"),
        "viscosity_mm2_s": ("viscosity [mm²/s]", ".1f"),
        "flow_ml_min": ("flow [mL/min]", ".1f"),
        "surface_margin_c": ("above dew point [°C]", ".1f"),
        "brush_wear_pct": ("brush wear [%]", ".0f"),
    }
    stop = {
        "what": ("what", None),
        "where": ("where", None),
        "at": ("when (UTC)", None),
        "rule": ("what must hold", None),
        "value": ("recorded", ",.6g"),
        "limit": ("limit", ",.6g"),
        "unit": ("unit", None),
        "source": ("source", None),
    }
    windows = process.windows.assign(unit=process.windows["unit"].map(unit_sign))
    return Section(
        id="settings",
        title="How the units were set",
        texts=[process.method, f"{process.n} runs."],
        figures=[figures.windows(process.windows)],
        tables=[
            table_of(windows, columns, caption="Runs against each condition's window"),
            table_of(process.units, units, caption="Median of the runs, by unit"),
            table_of(process.stop_work, stop, caption="Stop-work findings", folded=len(process.stop_work) > 12),
        ],
    )


def _upkeep(findings: Findings) -> Section:
    upkeep = findings.upkeep
    columns = {
        "unit_id": ("unit", None),
        "part": ("part", None),
        "found": ("last found", None),
        "wear_pct": ("last wear [%]", ".0f"),
        "inspected_d": ("days since a note", ".1f"),
        "clean_h": ("hours since cleaned", ".0f"),
        "most_inspected_d": ("longest without a note [d]", ".1f"),
        "runs_unknown": ("runs before any note", ".0f"),
        "runs": ("runs", ".0f"),
    }
    return Section(
        id="upkeep",
        title="How the units were kept",
        texts=[
            upkeep.method,
            f"{upkeep.worn_runs} of {upkeep.n} runs were made with the brush last known at half worn or more; "
            f"for {upkeep.excluded} runs nothing was known.",
        ],
        tables=[table_of(upkeep.parts, columns, caption="As last known at each unit's last run")],
    )


def _defects(findings: Findings) -> Section:
    causes = findings.causes
    shown = causes.table.assign(
        window=[
            _window(findings.conditions[c], s)
            for c, s in zip(causes.table["condition"], causes.table["side"], strict=True)
        ],
        n_within=causes.table["n_outside_within"] + causes.table["n_inside_within"],
        left_out=causes.table["not_recorded"] + causes.table["not_inspected"],
        **{name: 100 * causes.table[name] for name in _POINTS},
    )
    columns = {
        "defect": ("defect", None),
        "title": ("condition", None),
        "window": ("outside", None),
        "reading": ("reads as", None),
        "n_outside": ("runs outside", ".0f"),
        "found_outside": ("with it", ".0f"),
        "n_inside": ("runs inside", ".0f"),
        "found_inside": ("with it", ".0f"),
        "difference": ("crude difference [points]", ".1f"),
        "within_difference": ("within jobs", ".1f"),
        "within_low": ("from", ".1f"),
        "within_high": ("to", ".1f"),
        "ratio": ("crude ratio [-]", ".2f"),
        "within_ratio": ("within jobs", ".2f"),
        "q": ("q", ".2g"),
        "operator_difference": ("within operators", ".1f"),
        "day_difference": ("within days", ".1f"),
        "n_within": ("runs it rests on", ".0f"),
        "left_out": ("not recorded or inspected", ".0f"),
        "note": ("note", None),
    }
    rows = ranked(causes.table)
    crude = shown[shown["crude_only"]]
    meaning = [f"“{word}” means that {text}." for word, text in READINGS.items()]
    return Section(
        id="defects",
        title="Defects and conditions",
        texts=[causes.method, " ".join(meaning), _absence(findings)],
        figures=[figures.associations(rows)] if len(rows) else [],
        tables=[
            table_of(
                shown.loc[rows.index],
                columns,
                caption=f"What goes with more defects: {len(rows)} of {causes.tested} pairs tested",
            ),
            table_of(crude, columns, caption=f"Clear in the crude table, and not clear within jobs: {len(crude)}"),
            table_of(shown, columns, caption="Every pair", folded=True),
        ],
    )


_POINTS = ("difference", "within_difference", "within_low", "within_high", "operator_difference", "day_difference")


def _absence(findings: Findings) -> str:
    recorded = findings.causes.run_defects.recorded
    declared = findings.dossier.settings["absent_defect_means"]
    said = "as dossier.yaml declares" if declared else "which is assumed, since dossier.yaml does not declare it"
    none = f"{int((~recorded).sum())} of {len(recorded)} runs have no record of any defect"
    if findings.absent_defect_means == "none found":
        return f"{none}. A missing record counts as none found, {said}."
    return f"{none}. A missing record counts as not inspected, {said}, and is left out."


def _window(condition: Condition, side: str) -> str:
    return side_of(condition, side).removeprefix(f"{condition.title[:1].lower()}{condition.title[1:]} ")


def _unjudged(findings: Findings) -> Section:
    columns = {
        "topic": ("topic", None),
        "what": ("what", None),
        "n": ("n", ".0f"),
        "of": ("of", ".0f"),
        "why": ("why", None),
    }
    return Section(
        id="unjudged",
        title="What could not be judged",
        texts=["What the records do not carry is listed here; none of it counts as conforming."],
        tables=[table_of(findings.not_judged, columns, caption="Not judged")],
    )


def _records(findings: Findings) -> Section:
    dossier = findings.dossier
    files = {
        "file": ("file", None),
        "sheet": ("sheet", None),
        "record": ("record", None),
        "encoding": ("encoding", None),
        "read": ("rows read", ",.0f"),
        "accepted": ("accepted", ",.0f"),
        "set_aside": ("set aside", ",.0f"),
        "sha256": ("SHA-256", None),
    }
    ledger = {
        "file": ("file", None),
        "line": ("line", ".0f"),
        "column": ("column", None),
        "value": ("value", None),
        "rule": ("rule", None),
        "holds": ("what must hold", None),
        "cure": ("cure", None),
    }
    return Section(
        id="records",
        title="Records",
        texts=["Every row read was either accepted or set aside; none was changed in the files.", *dossier.notes],
        tables=[
            table_of(dossier.files, files, caption="Files"),
            table_of(dossier.ledger, ledger, caption="Set-aside ledger", folded=len(dossier.ledger) > 10),
        ],
    )


def _glossary() -> Section:
    frame = pd.DataFrame(list(GLOSSARY.items()), columns=["term", "meaning"])
    columns: dict[str, tuple[str, str | None]] = {"term": ("term", None), "meaning": ("meaning", None)}
    return Section(
        id="glossary", title="Glossary", texts=[], tables=[table_of(frame, columns, caption="Words used here")]
    )
