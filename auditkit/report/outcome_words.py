"""What came of sealing, reproducing, tracing and comparing, in the lines that the command line shows."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from auditkit.report.outputs import DIFFERENT, Comparison

if TYPE_CHECKING:
    import pandas as pd

    from auditkit.report.comparison import ReportComparison
    from auditkit.report.reproduction import Reproduction
    from auditkit.report.sealed import SealedReport
    from auditkit.report.trace import Trace

__all__ = ["Told", "comparison_lines", "reproduction_lines", "sealed_lines", "trace_lines"]

Told = list[tuple[str, tuple[str, ...]]]
"""Headings, each with its lines."""

_Row = Mapping[Hashable, Any]

_MOST = 20
_MOST_IN_VALUE, _MOST_IN_LINE = 200, 2000


def sealed_lines(report: SealedReport) -> Told:
    """Return what a sealed report found, and the seal to keep.

    Parameters
    ----------
    report : SealedReport
    """
    summary = report.document["summary"]
    counts = [
        f"{what}: {', '.join(f'{count} {word}' for word, count in summary[key].items())}"
        for what, key in (("Film, areas", "film"), ("Wrap, areas", "wrap"), ("Causes", "causes"))
    ]
    stops = f"Stop work: {summary['stop_work']} findings outside safety limits"
    signed = (
        "signed" if report.signature is not None else "not signed; whoever can rewrite it can rewrite its statement"
    )
    told: Told = [
        ("What was found", (stops, *counts)),
        (
            "Seal",
            (
                f"SHA-256 {report.seal.sha256}",
                f"The report is {signed}. Keep the seal elsewhere: by it alone a report that was made anew is told.",
            ),
        ),
    ]
    return _safe(told)


def reproduction_lines(result: Reproduction, *, most: int = _MOST) -> Told:
    """Return what came of reproducing a sealed report.

    Parameters
    ----------
    result : Reproduction
    most : int
        Lines of each kind that are shown; the rest are counted.
    """
    heading = {0: "Reproduced", 1: "Differs", 2: "Cannot be used, or was touched"}[result.code]
    told: Told = [
        (heading, tuple(_first(result.reasons, most)) or ("Every number is the same within printed digits.",))
    ]
    fixity = f"{result.fixity.n} files looked at, {len(result.fixity.faults)} faults"
    told.append(("Fixity and signature", (fixity, result.signed)))
    for name, compared in (("findings.json", result.findings), ("report.ipynb", result.notebook)):
        if compared is not None:
            told.append((name, tuple(_compared(compared, most))))
    if len(result.files):
        counts = result.files["verdict"].value_counts()
        lines = [f"{count} {verdict}" for verdict, count in sorted(counts.items())]
        others = result.files[result.files["note"] != "the same bytes"]
        told.append(
            ("Files made again", (", ".join(lines), *_rows(others, lambda row: f"{row['file']}: {row['note']}", most)))
        )
    if len(result.environment):
        told.append(
            (
                "Environment that differs",
                tuple(
                    _rows(
                        result.environment,
                        lambda row: f"{row['what']}: {row['recorded'] or 'none'} then, {row['present'] or 'none'} now",
                        most,
                    )
                ),
            )
        )
    return _safe(told)


def trace_lines(found: Trace, *, most: int = _MOST) -> Told:
    """Return where a finding comes from.

    Parameters
    ----------
    found : Trace
    most : int
        Rows of records that are shown; the rest are counted.
    """
    said = tuple(f"{name}: {_value(value)}" for name, value in found.told.items() if value not in (None, ""))
    cells = dict(list(found.cells.groupby(["record", "file", "sheet", "line"], sort=False)))
    lines = []
    for row in found.rows.fillna("").head(most).to_dict("records"):
        place = ", ".join(str(part) for part in (row["file"], row["sheet"], f"line {row['line']}") if part)
        lines.append(f"{place}: {row['record']}; {row['role']}")
        key = (row["record"], row["file"], row["sheet"], row["line"])
        lines += [f"  {_cell(cell)}" for cell in cells[key].to_dict("records")] if key in cells else []
    told: Told = [(found.finding, said)]
    if found.rule:
        told.append(("Judged by", (found.rule,)))
    told.append((f"Rows it comes from: {found.n:,}", (found.method, *lines, *_more(found.n, most))))
    told.append(
        (
            f"Set aside beside it: {len(found.set_aside):,}",
            tuple(
                _rows(
                    found.set_aside,
                    lambda row: (
                        f"{row['file']}, line {row['line']}, {row['column']}: {row['holds']}; "
                        f"given {_value(row['value'])}"
                    ),
                    most,
                )
            ),
        )
    )
    return _safe(told)


def comparison_lines(result: ReportComparison, *, most: int = _MOST) -> Told:
    """Return what changed from one report to another.

    Parameters
    ----------
    result : ReportComparison
    most : int
        Lines of each kind that are shown; the rest are counted.
    """

    def changed(row: _Row) -> str:
        if row["change"] != "changed":
            return f"{row['record']} {row['key']}: {row['change']}"
        return f"{row['record']} {row['key']}, {row['column']}: {_pair(row)}"

    def judged(row: _Row) -> str:
        return f"{row['topic']} {row['key']}: {_pair(row)}; {row['why']}"

    parts: Sequence[tuple[str, pd.DataFrame, Callable[[_Row], str]]] = (
        ("Records", result.records, changed),
        ("Rows set aside", result.set_aside, lambda row: f"{row['record']}, {row['rule']}: {_pair(row)}"),
        ("Verdicts", result.verdicts, judged),
        ("Causes", result.causes, judged),
        ("Settings", result.settings, lambda row: f"{row['setting']}: {_pair(row)}"),
        (
            "Environment",
            result.environment,
            lambda row: f"{row['what']}: {row['recorded'] or 'none'} became {row['present'] or 'none'}",
        ),
    )
    told: Told = [("What changed", result.words)]
    told += [(heading, tuple(_rows(frame, words, most))) for heading, frame, words in parts if len(frame)]
    return _safe(told)


def _compared(compared: Comparison, most: int) -> list[str]:
    wrong = compared.rows[compared.rows["verdict"] == DIFFERENT]
    counts = (
        f"{compared.n:,} values: {compared.equal:,} equal, {compared.within:,} equal within printed digits, "
        f"{compared.different:,} different"
    )
    return [counts, *_rows(wrong, lambda row: f"{row['place']}: sealed {row['sealed']}, here {row['here']}", most)]


def _rows(frame: pd.DataFrame, words: Callable[[_Row], str], most: int) -> list[str]:
    """Return the first rows of a frame in words, and how many more there are."""
    shown = [words(row) for row in frame.head(most).astype("object").fillna("").to_dict("records")]
    return [*shown, *_more(len(frame), most)]


def _first(lines: Iterable[str], most: int) -> list[str]:
    listed = list(lines)
    return [*listed[:most], *_more(len(listed), most)]


def _more(n: int, most: int) -> list[str]:
    return [f"... and {n - most:,} more"] if n > most else []


def _pair(row: _Row) -> str:
    return f"{_value(row['before'])} became {_value(row['after'])}"


def _cell(cell: _Row) -> str:
    header = cell["header"] or "dossier.yaml"
    unit = f" {cell['unit']}" if cell["unit"] else ""
    how = f" ({cell['conversion']})" if cell["conversion"] else ""
    return f"{header}: {_value(cell['received'])} -> {cell['field']} {cell['value']}{unit}{how}"


def _value(value: object) -> str:
    """Return a value as Python writes it, cut where it is long.

    Examples
    --------
    >>> _value("A1"), _value(3.5)
    ("'A1'", '3.5')
    """
    shown = repr(value)
    left_out = len(shown) - _MOST_IN_VALUE
    return shown if left_out <= 0 else f"{shown[:_MOST_IN_VALUE]}... ({left_out:,} characters more)"


def _safe(told: Told) -> Told:
    """Return lines without characters that steer a terminal, each cut where it is very long.

    Examples
    --------
    >>> _safe([("a\\x1b[2J", ("b\\u202ec",))])
    [('a\\\\x1b[2J', ('b\\\\u202ec',))]
    """
    return [(_printable(heading), tuple(_printable(line) for line in lines)) for heading, lines in told]


def _printable(text: str) -> str:
    left_out = len(text) - _MOST_IN_LINE
    shown = "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in text[:_MOST_IN_LINE])
    return shown if left_out <= 0 else f"{shown}... ({left_out:,} characters more)"
