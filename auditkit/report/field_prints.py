"""Field sheets on paper: the columns of the workbook of a kind of record on one page, to be written on by hand."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date

from auditkit.contracts import Column, Contract
from auditkit.report.field_sheets import OPEN_WORD, carries_cautions, example_of, guide_lines, is_resistance, title_of
from auditkit.report.sheets import SheetColumn, SheetPart, print_sheet
from auditkit.trade.grounding import CAUTIONS
from auditkit.views.dictionary import may_hold
from auditkit.views.sentences import unit_sign

__all__ = ["field_print"]

_MOST_IN_BAND = 10
"""Columns of a page's width; more are set in bands one below the other, whose rows go by number."""
_ROWS = {1: 16, 2: 7}
"""Rows of each band that fit the page, by how many bands there are."""
_LINES_OF_CAUTIONS = 2
"""Rows of a band that make room for the cautions."""
_ROW_MM = 7.5
_MOST_IN_HEADING = 60
"""Letters of the words to choose from that fit a heading; more stand above the table."""
_SHARES = {"moment": 1.5, "text": 1.3, "choice": 1.4, "yes-no": 0.9}


def field_print(contract: Contract, *, dated: date, time_zone: str | None = None) -> bytes:
    """Return the field sheet of one kind of record as a PDF of one page, the same bytes from the same content.

    Parameters
    ----------
    contract : Contract
    dated : date
        Date of issue, which the document bears.
    time_zone : str, optional
        IANA name of the zone in which times are written.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> field_print(contract("areas"), dated=date(2027, 3, 5))[:5]
    b'%PDF-'
    """
    guide = guide_lines(contract, time_zone=time_zone, example="The row e.g.")[:2]
    told = [f"{column.title}: {', '.join(column.choices)}." for column in contract.columns if _is_long(column)]
    count = math.ceil(len(contract.columns) / _MOST_IN_BAND)
    size = math.ceil(len(contract.columns) / count)
    bands = [contract.columns[start : start + size] for start in range(0, len(contract.columns), size)]
    tables = [
        SheetPart(
            heading="" if count == 1 else f"Columns {number * size + 1} to {number * size + len(band)}",
            columns=[SheetColumn(heading="No."), *map(_column, band)],
            rows=_rows(band, n=_ROWS[count] - (_LINES_OF_CAUTIONS if carries_cautions(contract) else 0)),
            row_mm=_ROW_MM,
            pad_em=0.35,
        )
        for number, band in enumerate(bands)
    ]
    return print_sheet(
        [SheetPart(texts=[*guide[1:], *told]), *tables],
        title=f"{contract.title} ({contract.name})",
        subtitle=guide[0],
        signature=["Written by, date", "Typed in by, date"],
        dated=dated,
        cautions=CAUTIONS if carries_cautions(contract) else (),
        flipped=True,
    )


def _column(column: Column) -> SheetColumn:
    sign = f" [{unit_sign(column.unit)}]" if column.unit else ""
    return SheetColumn(
        heading=f"{title_of(column)}{sign}\n{_hint(column)}".rstrip(), share=_SHARES.get(column.kind, 1.0)
    )


def _hint(column: Column) -> str:
    """Return what a cell may hold, as short as it can be said."""
    if _is_long(column):
        return "words above"
    words = " / ".join(column.choices) if column.choices else may_hold(column).removesuffix("; or blank")
    if is_resistance(column):
        words = f"0 or more, or {OPEN_WORD}"
    return "" if words == "text" else words.replace("yes, no", "yes / no")


def _is_long(column: Column) -> bool:
    return len(", ".join(column.choices)) > _MOST_IN_HEADING


def _rows(band: Sequence[Column], *, n: int) -> list[list[str]]:
    """Return the example, marked as one, and rows to be filled in."""
    example = [f"{given:%Y-%m-%d %H:%M}" if isinstance(given, date) else f"{given}" for given in map(example_of, band)]
    return [["e.g.", *example], *([str(number), *[""] * len(band)] for number in range(1, n + 1))]
