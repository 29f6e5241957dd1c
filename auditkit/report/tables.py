"""Tables and sections of the report, ready to be shown."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["Cell", "Column", "Columns", "Section", "Table", "table_of"]

Columns = Mapping[str, tuple[str, str | None]]
"""Columns to show, in order: name to heading and number format; None for text."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell: its text, how it looks, and the anchor on the page of rows that it leads to."""

    text: str
    style: str = ""
    leads_to: str = ""


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
    anchor: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One section of the page."""

    id: str
    title: str
    texts: Sequence[str]
    figures: Sequence[go.Figure] = field(default_factory=tuple)
    tables: Sequence[Table] = field(default_factory=tuple)


_LONG = 40

_STYLES = {
    "does not conform": "bad",
    "conforms": "good",
    "not assessable": "open",
    "not required": "open",
    "goes with more": "bad",
    "cannot tell": "open",
}


def table_of(
    frame: pd.DataFrame,
    columns: Columns,
    *,
    caption: str,
    folded: bool = False,
    anchor: str = "",
    time_zone: str = "UTC",
    leads_to: Sequence[str] = (),
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
    anchor : str
        Name that a link can lead to.
    time_zone : str
        IANA zone in which moments are shown, with their offset.
    leads_to : sequence of str
        Anchor on the page of rows, of each row; its first cell leads there. Left out, none does.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"x": [1.26, None], "at": pd.to_datetime(["2027-01-11T08:00Z", None])})
    >>> table = table_of(frame, {"x": ("X [mm]", ".1f"), "at": ("when", None)}, caption="two", time_zone="Europe/Oslo")
    >>> [[cell.text for cell in row] for row in table.rows]
    [['1.3', '2027-01-11 09:00 +01:00'], ['–', '–']]
    >>> answers = table_of(pd.DataFrame({"drifts": [True, False]}), {"drifts": ("", None)}, caption="")
    >>> [row[0].text for row in answers.rows]
    ['yes', 'no']
    """
    headings = [Column(heading, pattern is not None) for heading, pattern in columns.values()]
    cells = {
        name: [_cell(value, pattern, time_zone) for value in frame[name]] for name, (_, pattern) in columns.items()
    }
    if leads_to:
        first = next(iter(cells))
        cells[first] = [replace(cell, leads_to=place) for cell, place in zip(cells[first], leads_to, strict=True)]
    rows = list(zip(*cells.values(), strict=True))
    return Table(caption=caption, columns=headings, rows=rows, folded=folded and bool(rows), anchor=anchor)


def _cell(value: object, pattern: str | None, time_zone: str) -> Cell:
    style = "n" if pattern is not None else ""
    if pd.isna(value):  # type: ignore[call-overload]
        return Cell("–", style)
    if isinstance(value, pd.Timestamp):
        local = value.tz_convert(time_zone)
        offset = local.strftime("%z")
        return Cell(f"{local:%Y-%m-%d %H:%M} {offset[:3]}:{offset[3:]}", style)
    if pattern is not None:
        return Cell(format(float(str(value)), pattern).replace("-", "−"), style)
    text = ("yes" if value else "no") if isinstance(value, (bool, np.bool_)) else str(value)
    return Cell(text, "long" if len(text) > _LONG else _STYLES.get(text, ""))
