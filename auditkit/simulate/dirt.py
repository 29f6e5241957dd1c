"""Rows as nobody should write them: each breaks its contract in a known way."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["Dirt", "Ledger", "Row", "scatter"]

Row = list[object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Dirt:
    """One bad row of a site file.

    Parameters
    ----------
    rule : str
        Catalogue word of the rule it breaks first.
    cells : list, optional
        Its cells; where left out, the row repeats a good one exactly.
    rows : int
        Rows of the record that it stands for (a line of three readings is three).
    at_end : bool
        Whether it closes the file, as a totals line does.
    """

    rule: str
    cells: Row = field(default_factory=list)
    rows: int = 1
    at_end: bool = False


@dataclass(slots=True)
class Ledger:
    """What was dirtied: one entry a bad line, in the order the files were written."""

    entries: list[dict[str, object]] = field(default_factory=list)

    def add(self, *, file: str, record: str, dirt: Dirt) -> None:
        """Note one bad line of a file.

        Examples
        --------
        >>> ledger = Ledger()
        >>> ledger.add(file="areas.csv", record="areas", dirt=Dirt(rule="range", cells=["A901"]))
        >>> ledger.summary()["rows"]
        1
        """
        self.entries.append({"file": file, "record": record, "rule": dirt.rule, "rows": dirt.rows})

    def summary(self) -> dict[str, object]:
        """Return the bad rows counted by record and rule, and the list of bad lines.

        Examples
        --------
        >>> Ledger().summary()
        {'rows': 0, 'by_record': {}, 'lines': []}
        """
        by_record: dict[str, dict[str, int]] = {}
        for entry in self.entries:
            rules = by_record.setdefault(str(entry["record"]), {})
            rules[str(entry["rule"])] = rules.get(str(entry["rule"]), 0) + int(str(entry["rows"]))
        total = sum(sum(rules.values()) for rules in by_record.values())
        return {"rows": total, "by_record": by_record, "lines": self.entries}


def scatter(
    rows: Sequence[Row], dirt: Sequence[Dirt], *, file: str, record: str, ledger: Ledger, rng: np.random.Generator
) -> list[Row]:
    """Return good rows with bad ones among them; a repeat follows the row it repeats.

    Examples
    --------
    >>> bad = [Dirt(rule="repeated key"), Dirt(rule="missing", cells=["Total"], at_end=True)]
    >>> rng = np.random.default_rng(1)
    >>> scatter([["A1"]], bad, file="areas.csv", record="areas", ledger=Ledger(), rng=rng)
    [['A1'], ['A1'], ['Total']]
    """
    mixed = [list(row) for row in rows]
    for each in dirt:
        ledger.add(file=file, record=record, dirt=each)
        if each.at_end:
            continue
        place = int(rng.integers(0, len(mixed)))
        if each.cells:
            mixed.insert(place, list(each.cells))
        else:
            good = list(rows[int(rng.integers(0, len(rows)))])
            mixed.insert(mixed.index(good) + 1, good)
    return mixed + [list(each.cells) for each in dirt if each.at_end]
