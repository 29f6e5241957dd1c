"""The page that leads from each verdict to its rows: file, line, text as received, and what was made of it."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import accumulate, pairwise
from typing import Any

import pandas as pd

from auditkit.dossier import Dossier
from auditkit.report.received import PLACE, cells_as_received
from auditkit.report.short_names import SHORT_NAMES, anchors, findings_at, name_of
from auditkit.report.trace import rule_words, set_aside_beside
from auditkit.report.trace_rows import rows_behind, side_rows
from auditkit.trade.film_verdicts import CONFORMS
from auditkit.trade.standing import is_superseded

__all__ = ["TRACE_FILE", "trace_page"]

TRACE_FILE = "trace.html"

_TRACED = ("stop-work", "film", "wrap")
_MEASURED: Mapping[str, tuple[str, ...]] = {
    "film_readings": ("spot", "repeat", "dft_um"),
    "wrap_observations": ("rating", "scale"),
}
"""Cells shown of a row; of other kinds of record, all."""

_CONTEXT = ("areas", "jobs")
_MOST_IN_CELL = 2000
_METHOD = (
    "Every stop-work finding and every verdict on film and wrap, with its rows in the records as received, the rule, "
    "and what was set aside beside it. Of a side that conforms it is not told which reading decided, since all that "
    "count did. In whole, and for causes, upkeep and windows: auditkit trace."
)


def trace_page(document: Mapping[str, Any], dossier: Dossier) -> bytes:
    """Return the page, in HTML without a script, the same bytes from the same records.

    Each finding stands under the `id` that `trace.anchor` makes of its short
    name, such as `film-A003-facing`. Text of the records is escaped, and cut
    where a cell is longer than 2,000 characters.

    Parameters
    ----------
    document : mapping
        The findings document.
    dossier : Dossier
        The records it rests on; their files are read again.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    of = {kind: findings_at(document, SHORT_NAMES[kind][0]) for kind in _TRACED}
    told = [(kind, row) for kind, rows in of.items() for row in rows]
    places = [place for kind, rows in of.items() for place in anchors(kind, rows)]
    old = is_superseded(dossier.tables["film_readings"], dossier.tables["spray_runs"], time="taken_at")
    behind = [
        side_rows(row, dossier, superseded=old)
        if kind == "film" and (row["verdict"] == CONFORMS or not row["n_readings"])
        else rows_behind([*SHORT_NAMES[kind][0], ""], row, document, dossier)[0]
        for kind, row in told
    ]
    cells = _cells(dossier, behind)
    findings = []
    for (kind, row), place, rows, shown in zip(told, places, behind, _shown(behind), strict=True):
        beside = set_aside_beside(row, rows, dossier)
        findings.append(
            {
                "name": name_of(kind, row),
                "anchor": place,
                "said": _said(row),
                "rule": rule_words(row, []),
                "rows": [_line(each, cells) for each in shown],
                "set_aside": [_beside(each) for each in beside.fillna("").to_dict("records")] if len(beside) else [],
            }
        )
    environment = Environment(
        loader=PackageLoader("auditkit.report", "."), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    page = environment.get_template("trace.html.j2").render(
        title=_cut(document["scope"]["title"]),
        methods=[_METHOD, *(document[topic]["method"] for topic in ("film", "wrap"))],
        findings=findings,
    )
    return page.encode()


def _shown(behind: list[pd.DataFrame]) -> list[list[dict[Any, Any]]]:
    """Return the rows behind each finding as dicts, blanks for what is missing."""
    if not behind:
        return []
    rows = pd.concat(behind, ignore_index=True).fillna("").to_dict("records")
    ends = list(accumulate(map(len, behind), initial=0))
    return [rows[start:end] for start, end in pairwise(ends)]


def _cells(dossier: Dossier, behind: list[pd.DataFrame]) -> dict[tuple[object, ...], list[dict[Any, Any]]]:
    """Return the cells of all rows by the place of the row, read from the files once."""
    places = pd.concat([rows[["record", *PLACE]] for rows in behind] or [pd.DataFrame(columns=["record", *PLACE])])
    if places.empty:
        return {}
    cells = cells_as_received(dossier, places.drop_duplicates(ignore_index=True))
    found: dict[tuple[object, ...], list[dict[Any, Any]]] = {}
    for cell in cells.to_dict("records"):
        found.setdefault((cell["record"], cell["file"], cell["sheet"], cell["line"]), []).append(cell)
    return found


def _line(row: Mapping[Any, Any], cells: Mapping[tuple[object, ...], list[dict[Any, Any]]]) -> list[str]:
    """Return one row of records: where it stands, what it is, its cells as received, and what they were read as."""
    own = cells.get((row["record"], row["file"], row["sheet"], row["line"]), [])
    shown = [cell for cell in own if cell["field"] in _MEASURED.get(row["record"], (cell["field"],))]
    received = "; ".join(f"{cell['header'] or 'dossier.yaml'}: {cell['received']}" for cell in shown)
    read = "; ".join(
        f"{cell['field']} {cell['value']}{' ' if cell['unit'] else ''}{cell['unit']}"
        for cell in shown
        if cell["conversion"] or row["record"] not in _CONTEXT
    )
    where = f"{row['file']}, {row['sheet']}" if row["sheet"] else str(row["file"])
    return [_cut(text) for text in (where, str(row["line"]), row["record"], row["role"], received, read)]


def _said(row: Mapping[str, Any]) -> str:
    if "verdict" in row:
        return _cut(f"{row['verdict']}: {row['reason']}")
    return _cut(f"{row['rule']}: {row['value']} {row['unit']}, at {row['at']}")


def _beside(row: Mapping[Any, Any]) -> str:
    column = f", {row['column']}" if row["column"] else ""
    return _cut(f"{row['file']}, line {row['line']}{column}: {row['holds']}; given {row['value']!r}")


def _cut(text: str) -> str:
    """Return a text no longer than a cell may be, with how much is missing.

    Examples
    --------
    >>> _cut("x" * 2001)[-22:]
    '... (1 character more)'
    """
    left_out = len(text) - _MOST_IN_CELL
    if left_out <= 0:
        return text
    return f"{text[:_MOST_IN_CELL]}... ({left_out:,} character{'s' if left_out > 1 else ''} more)"
