"""The sections of the report, in order."""

from __future__ import annotations

import pandas as pd

from auditkit.findings.audit import Findings
from auditkit.report.causal_sections import causal_sections
from auditkit.report.cause_section import cause_section
from auditkit.report.film_sections import film_sections
from auditkit.report.process_sections import delivery_section, settings_section
from auditkit.report.record_sections import records_section, unjudged_section
from auditkit.report.tables import Section, table_of
from auditkit.report.upkeep_sections import replacement_section, upkeep_section
from auditkit.report.wrap_section import wrap_section
from auditkit.trade.grounding import CAUTIONS
from auditkit.views.glossary import GLOSSARY

__all__ = ["page_sections"]


def page_sections(findings: Findings) -> list[Section]:
    """Return the sections of the report, in order."""
    return [
        *film_sections(findings),
        wrap_section(findings),
        settings_section(findings),
        delivery_section(findings),
        upkeep_section(findings),
        replacement_section(findings),
        *causal_sections(findings),
        cause_section(findings),
        unjudged_section(findings),
        records_section(findings),
        _glossary(),
        Section(id="cautions", title="Cautions", texts=CAUTIONS),
    ]


def _glossary() -> Section:
    frame = pd.DataFrame(list(GLOSSARY.items()), columns=["term", "meaning"])
    columns: dict[str, tuple[str, str | None]] = {"term": ("term", None), "meaning": ("meaning", None)}
    return Section(
        id="glossary", title="Glossary", texts=[], tables=[table_of(frame, columns, caption="Words used here")]
    )
