"""Remarks on a sheet: rows above the headers, and whole sheets, that say of themselves that they are no records."""

from __future__ import annotations

from collections.abc import Sequence

from auditkit.intake.word_cells import as_text

__all__ = ["NO_RECORDS", "REMARK", "holds_no_records", "is_remark"]

REMARK = "##"
"""A row above the headers whose first filled cell begins so is a remark."""

NO_RECORDS = f"{REMARK} no records"
"""A sheet whose first filled cell begins so, in any letter case, holds no records."""


def is_remark(cells: Sequence[object]) -> bool:
    """Return whether a row is a remark, by its first filled cell; a blank row is none.

    Examples
    --------
    >>> is_remark([None, "## Film readings", 3.0]), is_remark(["# spots", "##"]), is_remark([None, ""])
    (True, False, False)
    """
    return _first(cells).startswith(REMARK)


def holds_no_records(rows: Sequence[Sequence[object]]) -> bool:
    """Return whether a sheet says in its first filled cell that it holds no records.

    Examples
    --------
    >>> holds_no_records([[None], ["## No records: what the words mean"], ["area_id"]])
    True
    >>> holds_no_records([["## Film readings"], ["area_id"]]), holds_no_records([])
    (False, False)
    """
    first = next((text for cells in rows if (text := _first(cells))), "")
    return first.casefold().startswith(NO_RECORDS)


def _first(cells: Sequence[object]) -> str:
    """Return the text of the first filled cell of a row; empty where there is none."""
    return next((text for cell in cells if (text := as_text(cell).strip())), "")
