"""Section of the report on defects and conditions."""

from __future__ import annotations

from auditkit.findings.audit import Findings
from auditkit.findings.causes import READINGS, ranked
from auditkit.report.tables import Columns, Section, table_of
from auditkit.trade.conditions import Condition
from auditkit.views import figures
from auditkit.views.sentences import side_of

__all__ = ["cause_section"]

_POINTS = ("difference", "within_difference", "within_low", "within_high", "operator_difference", "day_difference")


def cause_section(findings: Findings) -> Section:
    """Return the section on what goes with the defects."""
    causes = findings.causes
    table = causes.table
    shown = table.assign(
        window=[_window(findings.conditions[c], s) for c, s in zip(table["condition"], table["side"], strict=True)],
        firmness=table["firm"].map({True: "yes", False: "no"}).where(table["reading"].str.startswith("goes"), ""),
        n_within=table["n_outside_within"] + table["n_inside_within"],
        left_out=table["not_recorded"] + table["not_inspected"],
        **{name: 100 * table[name] for name in _POINTS},
    )
    rows = ranked(table)
    crude = shown[shown["crude_only"]]
    meaning = [f"“{word}” means: {text}." for word, text in READINGS.items()]
    firm = "“Firm” means that the difference also holds within operators and within days of a job."
    caption = f"What goes with more defects: {len(rows)} of {causes.tested} pairs tested"
    return Section(
        id="defects",
        title="Defects beside conditions, as the records stand and within jobs",
        texts=[causes.method, " ".join([*meaning, firm]), _absence(findings)],
        figures=[figures.associations(rows)] if len(rows) else [],
        tables=[
            table_of(shown.loc[rows.index], _COLUMNS, caption=caption),
            table_of(crude, _COLUMNS, caption=f"Clear in the crude table, and not clear within jobs: {len(crude)}"),
            table_of(shown, _COLUMNS, caption="Every pair", folded=True),
        ],
    )


def _absence(findings: Findings) -> str:
    recorded = findings.causes.run_defects.recorded
    declared = findings.dossier.settings["absent_defect_means"]
    said = "as dossier.yaml declares" if declared else "which is assumed, since dossier.yaml does not declare it"
    none = f"{int((~recorded).sum())} of {len(recorded)} runs have no record of any defect"
    if findings.dossier.tables["defects"].empty:
        return "No defect records came in, so nothing can be said of defects."
    if findings.absent_defect_means == "none found":
        return f"{none}. A missing record counts as none found, {said}."
    return f"{none}. A missing record counts as not inspected, {said}, and is left out."


def _window(condition: Condition, side: str) -> str:
    return side_of(condition, side).removeprefix(f"{condition.title[:1].lower()}{condition.title[1:]} ")


_COLUMNS: Columns = {
    "defect": ("defect", None),
    "title": ("condition", None),
    "window": ("outside", None),
    "reading": ("reads as", None),
    "firmness": ("firm", None),
    "n_outside": ("runs outside", ".0f"),
    "found_outside": ("with it", ".0f"),
    "n_inside": ("runs inside", ".0f"),
    "found_inside": ("with it", ".0f"),
    "difference": ("crude difference [points]", ".1f"),
    "within_difference": ("within jobs", ".1f"),
    "within_low": ("from", ".1f"),
    "within_high": ("to", ".1f"),
    "operator_difference": ("within operators", ".1f"),
    "day_difference": ("within days", ".1f"),
    "within_ratio": ("ratio within jobs [-]", ".2f"),
    "q": ("q", ".2g"),
    "n_within": ("runs it rests on", ".0f"),
    "left_out": ("not recorded or inspected", ".0f"),
    "note": ("note", None),
}
