"""Notes on how tables were read that can only be told of all of them together."""

from __future__ import annotations

from collections.abc import Sequence

from auditkit.intake.declaration import fold
from auditkit.intake.layout import LaidTable
from auditkit.intake.word_cells import as_text

__all__ = ["unit_notes", "word_notes"]


def unit_notes(tables: Sequence[LaidTable]) -> list[str]:
    """Return one note a file on the units in which columns with headers of its own were read.

    Sheets are named only where two read one header in different units.
    """
    by_file: dict[str, dict[tuple[str, str], dict[str, list[str]]]] = {}
    for table in tables:
        for column, unit, headers in table.read_as:
            read = by_file.setdefault(table.raw.file, {}).setdefault((column, headers), {})
            read.setdefault(unit, []).append(table.raw.sheet or "")
    notes = []
    for file, read_as in by_file.items():
        parts = [
            f"{column} read as {unit} from {headers}" + (f" (sheet {', '.join(sheets)})" if len(read) > 1 else "")
            for (column, headers), read in read_as.items()
            for unit, sheets in read.items()
        ]
        notes.append(f"{file}: {'; '.join(parts)}")
    return notes


def word_notes(tables: Sequence[LaidTable]) -> list[str]:
    """Return notes on words under `values` that occur in no table of their entry."""
    by_entry: dict[str, list[LaidTable]] = {}
    for table in tables:
        if table.values:
            by_entry.setdefault(table.where, []).append(table)
    notes = []
    for where, same in by_entry.items():
        files = ", ".join(dict.fromkeys(table.raw.name for table in same))
        for column, words in same[0].values.items():
            occurring = {fold(as_text(cell)) for table in same for cell in _different(table, column)}
            never = [word for word in words if word not in occurring]
            if never:
                notes.append(f"{where}.values.{column}: never found in {files}: {', '.join(map(repr, never))}")
    return notes


def _different(table: LaidTable, column: str) -> Sequence[object]:
    cells = table.cells.get(column)
    # 1, 1.0 and True are equal but not the same word
    return [] if cells is None else [cell for _, cell in {(type(cell), cell) for cell in cells}]
