"""Blanks that stand for the value above them: filled down where declared, found in merged cells where not."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from auditkit.errors import SourceError
from auditkit.intake.cells import ObjectArray
from auditkit.intake.declaration import TableEntry, fold
from auditkit.intake.raw import RawTable
from auditkit.intake.word_cells import trim

__all__ = ["fill_down", "merged_blanks"]


def fill_down(raw: RawTable, entry: TableEntry, places: Mapping[str, int]) -> tuple[RawTable, list[str]]:
    """Return a table with the blanks of the columns under `fill_down` taking the value above them, and notes.

    A row of another width breaks the run, since nobody knows what it holds:
    blanks after it stay blank until the next value.

    Parameters
    ----------
    raw : RawTable
    entry : TableEntry
    places : mapping of column to int
        Which raw column fills which column of the contract.

    Raises
    ------
    SourceError
        A name under `fill_down` is neither a column that a header fills, nor a header.
    """
    if not entry.fill_down:
        return raw, []
    by_fold = {fold(header): number for number, header in enumerate(raw.headers)}
    numbers = {name: places.get(name, by_fold.get(fold(name), -1)) for name in entry.fill_down}
    unknown = [name for name, number in numbers.items() if number < 0]
    if unknown:
        raise SourceError(
            f"{raw.name}: {entry.where}.fill_down must name columns that a header fills, or headers; "
            f"given {', '.join(unknown)}. Correct the name; of joined columns name the header."
        )
    columns = list(raw.columns)
    breaks = np.array([row.line for row in raw.misshapen], dtype=np.int64)
    section = np.searchsorted(np.sort(breaks), raw.lines)
    notes = []
    for name, number in numbers.items():
        blank = _is_blank(columns[number])
        above = np.maximum.accumulate(np.where(blank, -1, np.arange(len(blank)))) if len(blank) else np.empty(0, int)
        known = blank & (above >= 0)
        known[known] = section[above[known]] == section[known]
        columns[number] = columns[number].copy()
        columns[number][known] = columns[number][above[known]]
        notes.append(f"{raw.name}: {name} filled from above in {int(known.sum())} {raw.row_word}s, as declared")
        left = int((blank & ~known).sum())
        if left:
            notes.append(
                f"{raw.name}: {name} left blank in {left} {raw.row_word}s, with nothing above them that can be read"
            )
    return replace(raw, columns=tuple(columns)), notes


def merged_blanks(raw: RawTable, fed_by: Mapping[str, Sequence[int]]) -> dict[str, ObjectArray]:
    """Return for every row the merged range in which a blank cell of a column lies, None where there is none.

    Parameters
    ----------
    raw : RawTable
    fed_by : mapping of column to sequence of int
        The raw columns that fill each column of the contract.

    Returns
    -------
    dict of column to ndarray of object
        Only the columns that have such cells; each entry a `MergedRange` or None.
    """
    found: dict[str, ObjectArray] = {}
    for target, numbers in fed_by.items():
        ranges = np.full(len(raw.lines), None, dtype=object)
        for number in numbers:
            over = [merged for merged in raw.merged if merged.left <= number + 1 <= merged.right]
            blank = _is_blank(raw.columns[number]) if over else np.empty(0, dtype=bool)
            for merged in over:
                first, last = np.searchsorted(raw.lines, [merged.top, merged.bottom + 1])
                ranges[first:last][blank[first:last]] = merged
        if any(merged is not None for merged in ranges):
            found[target] = ranges
    return found


def _is_blank(cells: ObjectArray) -> npt.NDArray[np.bool_]:
    """Return which cells are empty; a word that is declared to mean no value is not."""
    return np.array([cell is None or (isinstance(cell, str) and not trim(cell)) for cell in cells], dtype=bool)
