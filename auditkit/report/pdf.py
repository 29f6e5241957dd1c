"""The report as a PDF to sign and file: searchable, with real tables, vector figures, page numbers and bookmarks.

The first page says what was looked at, what to stop, the verdicts, the causes
and what could not be judged, with the cautions and the lines to sign on. Tables
that the page on a screen keeps folded stand in an appendix, each under a
bookmark of its own.

A table of more than 100 rows is set as several, each with its header: the
typesetter's time grows with the square of a table's length. Texts in figures are
outlines and cannot be searched; their captions can, and each figure's caption is
also its alternative text. A text too long for a cell is cut, and says so.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from datetime import date
from typing import TYPE_CHECKING, Any

from auditkit.findings.audit import Findings
from auditkit.report.sections import page_sections
from auditkit.report.tables import Cell, Section, Table
from auditkit.report.typeset import typeset
from auditkit.trade.grounding import CAUTIONS
from auditkit.version import __version__
from auditkit.views.overview import Overview, overview

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["SIGNED_BY", "render_pdf"]

SIGNED_BY = ("Made by, date", "Checked by, date")
"""Where the report is signed by hand."""

_MOST_LINES, _MOST_AREAS = 4, 3
_MOST_ROWS = 100
_MOST_IN_CELL, _MOST_IN_TEXT = 400, 3000
"""Characters; what goes beyond is cut."""

_SMALLEST, _LARGEST = 6.0, 8.0
"""Sizes of type in tables `[pt]`."""

_AT_LARGEST = 210
"""Characters that a line of a table holds at the largest size."""

_LONG = 40
"""Characters beyond which a cell is expected to wrap."""

_UNBROKEN = 20
"""Characters after which a word may be broken, as the typesetting has it."""

_WIDTH_PT, _HEIGHT_PT = 762.0, 430.0
"""Room for a figure on a page, with its caption and a heading."""

_FIGURE_PCT = 70.0


def render_pdf(findings: Findings, document: Mapping[str, Any], *, sections: Sequence[Section] | None = None) -> bytes:
    """Return the report as a PDF, the same bytes from the same findings.

    It bears the last day of the records as its date, and asks no clock.

    Parameters
    ----------
    findings : Findings
        The audit.
    document : mapping
        Its findings document, from which the first page takes its counts.
    sections : sequence of Section, optional
        Left out, those of the page.

    Raises
    ------
    ValueError
        A figure holds something that cannot be drawn without a browser.
    """
    scope, records = document["scope"], document["records"]
    seen = overview(findings, most=_MOST_LINES, most_areas=_MOST_AREAS)
    last = scope["last_day"]
    dated = date.fromisoformat(last) if last else date(2000, 1, 1)
    sections = page_sections(findings) if sections is None else sections
    long = {id(table): table for section in sections for table in section.tables if table.folded and table.rows}
    folded = list(long.values())
    return typeset(
        "report.typ",
        {
            "title": _cut(scope["title"], most=200),
            "scope": _cut(
                f"{seen.scope}. {records['accepted']:,} of {records['read']:,} rows accepted, "
                f"{records['set_aside']:,} set aside."
            ),
            "footer": f"{_cut(scope['title'], most=80)} · records {scope['digest'][:16]} · auditkit {__version__}",
            "stop_work": [_cut(line) for line in seen.stop_work],
            "panels": _panels(seen),
            "cautions": list(CAUTIONS),
            "signature": list(SIGNED_BY),
            "sections": [_section(section, folded) for section in sections],
            "appendix": [_table(table) for table in folded],
        },
        dated=dated,
    )


def _panels(seen: Overview) -> list[list[dict[str, Any]]]:
    """Return what the first page answers, left column and right."""
    left = (
        ("Is there enough paint, and did it wrap?", seen.conforming, ""),
        ("Which areas do not conform, and why", seen.failing, "None was found that does not conform."),
        ("How were the units set and kept?", seen.kept, "Nothing is recorded."),
    )
    right = (
        ("What the defects depend on", seen.associated, seen.nothing_associated),
        ("What could not be judged", seen.not_judged, "Nothing was left unjudged."),
    )
    return [
        [
            {"title": title, "lines": [_cut(line) for line in lines], "otherwise": otherwise}
            for title, lines, otherwise in side
        ]
        for side in (left, right)
    ]


def _section(section: Section, folded: Sequence[Table]) -> dict[str, Any]:
    places = {id(table): place for place, table in enumerate(folded)}
    return {
        "title": _cut(section.title, most=200),
        "texts": [_cut(text, most=_MOST_IN_TEXT) for text in section.texts],
        "figures": [_figure(figure) for figure in section.figures],
        "tables": [_table(table) for table in section.tables if id(table) not in places],
        "elsewhere": [
            {"caption": _cut(table.caption), "rows": f"{len(table.rows):,}", "place": places[id(table)]}
            for table in section.tables
            if id(table) in places
        ],
    }


def _figure(figure: go.Figure) -> dict[str, Any]:
    """Return a figure as a drawing, with its title as a caption, and the share of the page's width that it takes."""
    import plotly.graph_objects as go

    from auditkit.views.drawing import as_svg

    caption = re.sub(r"<br\s*/?>", "; ", figure.layout.title.text or "")
    bare = go.Figure(figure)
    room = float(bare.layout.margin.t or 60) - _NO_TITLE
    bare.update_layout(title={"text": ""}, margin={"t": _NO_TITLE}, height=float(bare.layout.height or 450) - room)
    svg = as_svg(bare)
    wide, high = map(float, _SVG_SIZE.findall(svg)[0])
    width = min(_FIGURE_PCT, 100.0 * _HEIGHT_PT / (_WIDTH_PT * high / wide))
    return {"svg": svg.encode(), "caption": _cut(caption), "width": round(width, 2)}


_NO_TITLE = 10.0
_SVG_SIZE = re.compile(r'<svg [^>]*?width="([\d.]+)pt" height="([\d.]+)pt"')


def _table(table: Table) -> dict[str, Any]:
    rows = [[_cell(cell) for cell in row] for row in table.rows]
    headings = [_cut(column.heading, most=200) for column in table.columns]
    size, widths = _sized([[heading, *(row[i]["text"] for row in rows)] for i, heading in enumerate(headings)])
    starts = range(0, len(rows), _MOST_ROWS)
    return {
        "caption": _cut(table.caption),
        "size": size,
        "share": min(100.0, round(100.0 * sum(widths) * size / (_AT_LARGEST * _LARGEST), 1)),
        "columns": [
            {"heading": heading, "numeric": column.numeric, "width": width}
            for heading, column, width in zip(headings, table.columns, widths, strict=True)
        ],
        "parts": [
            {
                "rows": rows[start : start + _MOST_ROWS],
                "which": f"rows {start + 1:,} to {min(start + _MOST_ROWS, len(rows)):,} of {len(rows):,}",
            }
            for start in starts
        ],
    }


def _sized(columns: Sequence[Sequence[str]]) -> tuple[float, list[int]]:
    """Return the size of type of a table, and how many characters wide each column is.

    A column is as wide as its longest cell where all fit, and its heading may
    break; else the widest columns wrap, down to their longest word.

    Parameters
    ----------
    columns : sequence of sequence of str
        The heading and the cells of each column.

    Examples
    --------
    >>> _sized([["area", "A001"], ["why", "word " * 100]])
    (8.0, [7, 203])
    """
    wanted = [
        max(len(heading) * 2 // 3, *map(len, cells), 3)
        for heading, *cells in (c if c[1:] else [*c, ""] for c in columns)
    ]
    least = [min(max(len(word) for text in column for word in [*text.split(), ""]), _UNBROKEN) for column in columns]
    wanted = [max(pair) for pair in zip(wanted, least, strict=True)]
    taken = sum(min(width, _LONG) + _BETWEEN for width in wanted)
    size = round(max(_SMALLEST, min(_LARGEST, _LARGEST * _AT_LARGEST / max(taken, 1))), 2)
    room = _AT_LARGEST * _LARGEST / size
    widest = max(wanted, default=0)
    while widest > 1 and sum(_widths(wanted, least, widest)) > room:
        widest -= 1
    return size, _widths(wanted, least, widest)


_BETWEEN = 3
"""Characters that the space between two columns takes."""


def _widths(wanted: Sequence[int], least: Sequence[int], widest: int) -> list[int]:
    return [max(min(want, widest), need) + _BETWEEN for want, need in zip(wanted, least, strict=True)]


def _cell(cell: Cell) -> dict[str, str]:
    return {"text": _cut(cell.text), "tone": cell.style}


def _cut(text: str, *, most: int = _MOST_IN_CELL) -> str:
    """Return a text no longer than fits, with how much is missing and where it is.

    Examples
    --------
    >>> _cut("abcdef", most=4)
    'abcd... (2 characters more, in findings.json or set_aside.csv)'
    """
    if len(text) <= most:
        return text
    return f"{text[:most]}... ({len(text) - most:,} characters more, in findings.json or set_aside.csv)"
