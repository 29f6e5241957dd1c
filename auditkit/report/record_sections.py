"""Sections of the report on the records themselves, and on what they could not carry."""

from __future__ import annotations

from auditkit.findings.audit import Findings
from auditkit.report.tables import Columns, Section, table_of
from auditkit.version import __version__

__all__ = ["records_section", "unjudged_section"]


def unjudged_section(findings: Findings) -> Section:
    """Return the section on what could not be judged."""
    return Section(
        id="unjudged",
        title="What could not be judged",
        texts=["What the records do not carry is listed here; none of it counts as conforming."],
        tables=[
            table_of(findings.not_judged, _UNJUDGED, caption="Not judged, or judged on a doubtful footing"),
            table_of(findings.set_aside, _UNJUDGED, caption="Set aside before it could be judged"),
        ],
    )


def records_section(findings: Findings) -> Section:
    """Return the section on what came in, and what was set aside."""
    dossier = findings.dossier
    return Section(
        id="records",
        title="Records",
        texts=[
            "Every row read was either accepted or set aside; none was changed in the files.",
            f"Read by auditkit {__version__}. SHA-256 over the accepted tables, whatever files they came in: "
            f"{dossier.tables_digest()}; with the pressure logs as they came in: {dossier.digest()}.",
            *dossier.notes,
        ],
        tables=[
            table_of(dossier.files, _FILES, caption="Files"),
            table_of(dossier.ledger, _LEDGER, caption="Set-aside ledger", folded=len(dossier.ledger) > 10),
        ],
    )


_UNJUDGED: Columns = {
    "topic": ("topic", None),
    "what": ("what", None),
    "n": ("n", ",.0f"),
    "of": ("of", ",.0f"),
    "why": ("why", None),
}

_FILES: Columns = {
    "file": ("file", None),
    "sheet": ("sheet", None),
    "record": ("record", None),
    "encoding": ("encoding", None),
    "read": ("rows read", ",.0f"),
    "accepted": ("accepted", ",.0f"),
    "set_aside": ("set aside", ",.0f"),
    "sha256": ("SHA-256", None),
}

_LEDGER: Columns = {
    "file": ("file", None),
    "sheet": ("sheet", None),
    "line": ("line", ".0f"),
    "column": ("column", None),
    "value": ("value", None),
    "rule": ("rule", None),
    "holds": ("what must hold", None),
    "cure": ("cure", None),
    "row": ("row as received", None),
}
