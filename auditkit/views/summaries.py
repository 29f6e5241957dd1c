"""What the command line shows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from auditkit.dossier import Dossier
from auditkit.intake.ledger import CONSEQUENCE, ledger_summary

if TYPE_CHECKING:
    from rich.table import Table

    from auditkit.findings.audit import Findings

__all__ = ["finding_lines", "ledger_lines", "records_table"]


def records_table(dossier: Dossier) -> Table:
    """Return the table of what was read, accepted and set aside, a line a record kind."""
    from rich.box import SIMPLE
    from rich.table import Table

    files = dossier.files
    counts = files.groupby("record", sort=True)[["read", "accepted", "set_aside"]].sum()
    table = Table(box=SIMPLE, show_edge=False, show_footer=True)
    total = counts.sum()
    table.add_column("record", footer="in all")
    for column, heading in (("read", "rows read"), ("accepted", "accepted"), ("set_aside", "set aside")):
        table.add_column(heading, justify="right", footer=f"{total[column]:,}")
    table.add_column("from")
    for record, row in counts.iterrows():
        names = files.loc[files["record"] == record, "file"].unique()
        table.add_row(str(record), *(f"{row[c]:,}" for c in ("read", "accepted", "set_aside")), ", ".join(names))
    return table


def ledger_lines(ledger: pd.DataFrame, *, most: int) -> list[str]:
    """Return the kinds of fault in the set-aside ledger as lines, root causes first, and how many more there are."""
    if ledger.empty:
        return ["Every row was accepted."]
    summary = ledger_summary(ledger)
    lines = [f"{ledger['row_no'].nunique():,} rows were set aside, for {len(ledger):,} faults:"]
    for fault in summary.head(most).fillna("").to_dict("records"):
        sheet = f", sheet {fault['sheet']}" if fault["sheet"] else ""
        column = f", {fault['column']}" if fault["column"] else ""
        times = "" if fault["rows"] == 1 else f"{fault['rows']:,} rows, first "
        if fault["holds"] == CONSEQUENCE:
            lines.append(f"  {fault['record']}: {fault['rows']:,} rows: {CONSEQUENCE}")
            continue
        cure = f"{fault['cure'][:1].upper()}{fault['cure'][1:]}"
        where = f"{times}{fault['file']}{sheet} line {fault['line']}{column}"
        lines.append(f"  {where}: {fault['holds']}; given {fault['value']!r}. {cure}.")
    more = len(summary) - most
    if more > 0:
        lines.append(f"  ... and {more:,} more; `auditkit audit` writes them all to set_aside.csv")
    return lines


def finding_lines(findings: Findings) -> list[tuple[str, tuple[str, ...]]]:
    """Return the headings and lines that sum up an audit, stop-work findings first."""
    from auditkit.views.overview import overview

    seen = overview(findings)
    asked = "What goes with the defects (association within jobs, not proof of cause)"
    if findings.causal is not None:
        asked = "What the defects depend on (adjusted by the causal diagram, graded; no proof)"
    sections = [
        ("STOP WORK: records outside safety limits; get a competent person", seen.stop_work),
        ("Is there enough paint, and did it wrap?", seen.conforming),
        ("Which areas do not conform, and why", seen.failing),
        ("How were the units set and kept?", seen.kept),
        (asked, seen.associated or (seen.nothing_associated,)),
        ("What is clear in the crude table, and not clear within jobs", seen.crude_only),
        ("What could not be judged", seen.not_judged),
    ]
    return [(heading, lines) for heading, lines in sections if lines]
