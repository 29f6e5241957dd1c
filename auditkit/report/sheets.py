"""Sheets to print and fill in by hand: what every one of them carries, and how it is put on paper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from auditkit.report.typeset import typeset
from auditkit.trade.grounding import CAUTIONS
from auditkit.version import __version__

__all__ = ["SheetColumn", "SheetPart", "print_sheet"]

_MOST_TOGETHER = 14
"""A table of more rows may run over to the next page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetColumn:
    """One column of a table to be filled in.

    Parameters
    ----------
    heading : str
    share : float
        Share of the width that the texts leave over; 0 for as wide as its text.
    """

    heading: str
    share: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetPart:
    """One part of a sheet.

    Parameters
    ----------
    heading : str
        Blank for none.
    texts : sequence of str
        Lines above the table.
    columns : sequence of SheetColumn
    rows : sequence of sequence of str
        Blank cells are to be filled in.
    row_mm : float
        Height of a row `[mm]`; 0 for as high as its text.
    pad_em : float
        Above and below each text, in heights of a letter.
    """

    heading: str = ""
    texts: Sequence[str] = ()
    columns: Sequence[SheetColumn] = ()
    rows: Sequence[Sequence[str]] = ()
    row_mm: float = 0.0
    pad_em: float = 0.55


def print_sheet(
    parts: Sequence[SheetPart],
    *,
    title: str,
    subtitle: str = "",
    signature: Sequence[str],
    dated: date,
    cautions: Sequence[str] = CAUTIONS,
    flipped: bool = False,
    one_page: bool = True,
) -> bytes:
    """Return a sheet as a PDF, the same bytes from the same content.

    Parameters
    ----------
    parts : sequence of SheetPart
    title, subtitle : str
    signature : sequence of str
        Who signs, below a line each.
    dated : date
        Date the document bears.
    cautions : sequence of str
        Above everything else; on a sheet of several pages `grounding.CAUTIONS` stand at the foot of each as well.
    flipped : bool
        Landscape.
    one_page : bool
        Set it as large as it fits on one page.

    Examples
    --------
    >>> part = SheetPart(columns=[SheetColumn(heading="What"), SheetColumn(heading="Found", share=1)], rows=[["o", ""]])
    >>> print_sheet([part], title="Sheet", signature=["By"], dated=date(2027, 3, 5))[:5]
    b'%PDF-'
    """
    return typeset(
        "sheet.typ",
        {
            "title": title,
            "subtitle": subtitle,
            "cautions": list(cautions),
            "foot": list(CAUTIONS),
            "flipped": flipped,
            "one_page": one_page,
            "signature": list(signature),
            "footer": f"{title} · auditkit {__version__}",
            "parts": [
                {
                    "heading": part.heading,
                    "texts": list(part.texts),
                    "columns": [{"heading": column.heading, "share": column.share} for column in part.columns],
                    "rows": [list(row) for row in part.rows],
                    "row_mm": part.row_mm,
                    "pad_em": part.pad_em,
                    "breakable": len(part.rows) > _MOST_TOGETHER,
                }
                for part in parts
            ],
        },
        dated=dated,
    )
