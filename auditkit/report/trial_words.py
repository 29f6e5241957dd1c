"""What a trial told, from its filled run sheet, in the lines that the command line shows."""

from __future__ import annotations

from pathlib import Path

from auditkit.errors import SourceError
from auditkit.findings.audit import Findings
from auditkit.findings.trial_results import analyse_trial
from auditkit.report.run_sheet import read_run_sheet

__all__ = ["trial_lines"]


def trial_lines(findings: Findings, results: Path) -> list[tuple[str, tuple[str, ...]]]:
    """Return headings and lines on what a filled run sheet says of the trial these records asked for.

    Parameters
    ----------
    findings : Findings
        The audit whose trial it was, made again from the same records and seed.
    results : Path
        The filled workbook.

    Raises
    ------
    SourceError
        No trial could be planned from the records, or the workbook is not its run sheet.
    """
    plan = findings.trial
    if plan is None or plan.why:
        raise SourceError(
            f"{results.name}: the records must call for a trial; {plan.why if plan else 'no causes were asked for'}. "
            "Give the folder of records that the run sheet was printed from."
        )
    filled = read_run_sheet(results, plan)
    told = analyse_trial(plan, filled.results)
    read = [
        f"{filled.n} of {filled.n + filled.excluded} runs have a result; {filled.missing} cells are blank.",
        *(str(fault) for fault in filled.faults),
        *(f"Not used, {row.run_id}: {row.why}" for row in told.not_used.itertuples()),
    ]
    sections = [
        ("How the sheet was read", tuple(read)),
        ("What was asked", tuple(str(words) for words in told.answers["answer"])),
        ("Every effect", tuple(str(words) for words in told.effects["words"])),
        ("Does the middle lie off the line?", tuple(str(words) for words in told.curvature["words"])),
    ]
    return [(heading, lines) for heading, lines in sections if lines]
