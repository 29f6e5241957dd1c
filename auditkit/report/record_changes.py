"""What changes in a dossier when files come into it: its accepted rows, its verdicts, its windows."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd

from auditkit.dossier import Dossier
from auditkit.errors import AuditError
from auditkit.intake import read_dossier
from auditkit.report.comparison import Issued, compare_reports

if TYPE_CHECKING:
    from auditkit.findings.audit import Findings

__all__ = ["RecordChanges", "change_lines", "changes_between"]

_MOST = 20
_METHOD = (
    "Accepted rows are compared by their keys. Film, wrap, stop-work findings and windows are judged of the records "
    "before and after; what the defects depend on is not asked."
)
_WINDOW_COLUMNS = {
    "condition": "str",
    "before": "int64",
    "runs_before": "int64",
    "after": "int64",
    "runs_after": "int64",
}

Step = Callable[[str, int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordChanges:
    """What changed from one state of a dossier to another.

    Parameters
    ----------
    rows : DataFrame
        One row a record: record, and its accepted rows that were added,
        removed (they stood, and are set aside or gone) and changed.
    removed : DataFrame
        One row an accepted row that was removed: record, key.
    verdicts : DataFrame
        One row a verdict that is new, gone or another: topic, key, before,
        after, why. Empty where nothing was judged.
    windows : DataFrame
        One row a condition of which other runs lie outside its window:
        condition, before and after (runs outside), runs_before, runs_after
        (runs judged).
    judged : bool
        Whether verdicts and windows were compared.
    breaches : bool
        Whether anything after breaches its specification or stops the work.
    unread : str
        Why nothing could be compared, if so.
    n : int
        Rows, verdicts and windows that changed.
    excluded : int
        Rows set aside after.
    method : str
    """

    rows: pd.DataFrame
    removed: pd.DataFrame
    verdicts: pd.DataFrame
    windows: pd.DataFrame
    judged: bool
    breaches: bool
    unread: str
    n: int
    excluded: int
    method: str = _METHOD


def changes_between(before: Path, after: Dossier, *, judged: bool, on_progress: Step | None = None) -> RecordChanges:
    """Return what changed from the records in a folder to a dossier.

    Parameters
    ----------
    before : Path
        Folder of records; where it cannot be read, nothing is compared.
    after : Dossier
    judged : bool
        Whether both are audited, which takes most of the time.
    on_progress : callable, optional
        Called with the name of each step, its number and how many there are.
    """
    step: Step = on_progress or (lambda name, number, total: None)
    unread, old = "", None
    step("reading what is there", 0, 1)
    try:
        old = read_dossier(before)
    except AuditError as error:
        unread = str(error).splitlines()[0]
    one = None if old is None else _issued(old, judged=judged, on_progress=step)
    other = _issued(after, judged=judged, on_progress=step)
    compared = compare_reports(one.issued if one else other.issued, other.issued)
    rows = compared.records.drop_duplicates(["record", "key", "change"])
    counts = rows.groupby(["record", "change"]).size().unstack(fill_value=0)
    counts = counts.reindex(columns=["added", "removed", "changed"], fill_value=0).astype("int64").reset_index()
    windows = _windows(one.findings if one else None, other.findings)
    return RecordChanges(
        rows=counts.rename_axis(columns=None),
        removed=rows.loc[rows["change"] == "removed", ["record", "key"]].reset_index(drop=True),
        verdicts=compared.verdicts,
        windows=windows,
        judged=judged and not unread,
        breaches=other.findings is not None and other.findings.breaches,
        unread=unread,
        n=len(rows) + len(compared.verdicts) + len(windows),
        excluded=int(after.ledger["row_no"].nunique()),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _State:
    issued: Issued
    findings: Findings | None


def _issued(dossier: Dossier, *, judged: bool, on_progress: Step) -> _State:
    """Return a state of the dossier as reports are compared, audited but for the causes if it is to be judged."""
    document: dict[str, Any] = {}
    findings = None
    if judged:
        from auditkit.findings.audit import audit
        from auditkit.findings.document import rows_of

        findings = audit(dossier, causes=False, on_progress=on_progress)
        document = {
            "film": {"sides": rows_of(findings.film.areas)},
            "wrap": {"areas": rows_of(findings.wrap.areas)},
            "stop_work": rows_of(findings.process.stop_work),
        }
    return _State(issued=Issued(name="", document=document, tables=dossier.tables), findings=findings)


def _windows(before: Findings | None, after: Findings | None) -> pd.DataFrame:
    """Return the conditions of which other runs lie outside."""
    if before is None or after is None:
        return pd.DataFrame(columns=list(_WINDOW_COLUMNS)).astype(_WINDOW_COLUMNS)
    one, other = (found.process.windows.set_index("condition") for found in (before, after))
    outside = pd.DataFrame(
        {
            "before": one["below"] + one["above"],
            "runs_before": one["n"],
            "after": other["below"] + other["above"],
            "runs_after": other["n"],
        }
    ).reindex(one.index)
    different = (one[["below", "above"]] != other.loc[one.index, ["below", "above"]]).any(axis=1)
    return outside[different].reset_index().astype(_WINDOW_COLUMNS)


def change_lines(changes: RecordChanges, *, most: int = _MOST) -> tuple[str, ...]:
    """Return what changed, in lines.

    Parameters
    ----------
    changes : RecordChanges
    most : int
        Verdicts and rows that are named; the rest are counted.
    """
    if changes.unread:
        return (f"Nothing to compare with, as what is there cannot be read by itself: {changes.unread}",)
    lines = [_counts(row) for row in changes.rows.to_dict("records")] or ["Accepted rows: none changed"]
    for record, keys in changes.removed.groupby("record", sort=False)["key"]:
        named = "; ".join(keys.head(most)) + (f"; and {len(keys) - most:,} more" if len(keys) > most else "")
        lines.append(f"{record}: accepted before, and now gone or set aside: {named}")
    if not changes.judged:
        return (*lines, "Verdicts and windows were not asked for.")
    lines += [
        f"{row['topic']} {row['key']}: {row['before']} became {row['after']}; {row['why']}"
        for row in changes.verdicts.head(most).to_dict("records")
    ]
    if len(changes.verdicts) > most:
        lines.append(f"... and {len(changes.verdicts) - most:,} more verdicts")
    lines += [
        f"{row['condition']}: {row['before']:,} of {row['runs_before']:,} runs outside the window became "
        f"{row['after']:,} of {row['runs_after']:,}"
        for row in changes.windows.to_dict("records")
    ]
    if changes.verdicts.empty:
        lines.append("No verdict changed.")
    return tuple(lines)


def _counts(row: Mapping[Any, Any]) -> str:
    told = ", ".join(f"{row[what]:,} {what}" for what in ("added", "removed", "changed") if row[what])
    return f"{row['record']}: accepted rows: {told}"
