"""The set-aside ledger, the lineage of what was accepted, and the count that must come out even."""

from __future__ import annotations

import calendar
import re
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.contracts.catalogue import SET_ASIDE, word
from auditkit.dossier import FILE_COLUMNS, LEDGER_COLUMNS, LINEAGE_COLUMNS
from auditkit.intake.folder import SourceFile
from auditkit.intake.layout import LaidTable
from auditkit.intake.raw import Misshapen
from auditkit.intake.records import RecordRows

__all__ = [
    "CONSEQUENCE",
    "SUMMARY_COLUMNS",
    "file_table",
    "ledger_summary",
    "ledger_table",
    "lineage_table",
    "typed_frame",
]

SUMMARY_COLUMNS: Mapping[str, str] = {
    "record": "str",
    "file": "str",
    "sheet": "str",
    "line": "int64",
    "column": "str",
    "value": "str",
    "rule": "str",
    "holds": "str",
    "cure": "str",
    "rows": "int64",
}
CONSEQUENCE = "must link to accepted rows; the rows these link to were set aside"
"""What `ledger_summary` says must hold of rows that fell only because of others."""

_CONSEQUENCE_CURE = "mend those rows first; these then stand by themselves"
_MONTHS = "|".join(calendar.month_name[1:])
# what differs between two tellings of one fault: numbers, moments and months
_VARIES = re.compile(rf"-?[0-9][0-9T.,:+-]*|{_MONTHS}")


def typed_frame(rows: Sequence[tuple[object, ...]], columns: Mapping[str, str]) -> pd.DataFrame:
    """Return rows as a frame with the dtypes named; a text that is not there is blank."""
    return pd.DataFrame(list(rows), columns=list(columns)).astype(dict(columns))


def ledger_table(records: Mapping[str, RecordRows]) -> pd.DataFrame:
    """Return every fault of every row set aside, root causes first.

    Records come in the order of their links, a record after those it links to.
    Within a record, rows with a fault of their own come before rows that fell
    only because a row they link to did; else rows come as they stand in their
    files. The same holds for the faults of one row.

    Returns
    -------
    DataFrame
        As `auditkit.dossier.Dossier` describes its ledger.
    """
    found: list[tuple[object, ...]] = []
    row_no = 0
    for record in _by_dependency(records):
        rows = records[record]
        by_part = rows.part_of(rows.faults["row"].to_numpy())
        told: list[tuple[LaidTable, _Block]] = []
        for number, part in enumerate(rows.parts):
            faults = rows.faults[by_part == number]
            blocks = _row_blocks(part, faults, start=int(rows.starts[number]), names=rows.contract.names)
            blocks += [_misshapen_block(part, row) for row in part.raw.misshapen]
            told += [(part, block) for block in sorted(blocks, key=lambda block: block[0])]
        told.sort(key=lambda entry: all(_follows(rule, holds) for _, _, rule, holds, _ in entry[1][3]))
        for part, (_, line, text, entries) in told:
            row_no += 1
            for entry in entries:
                source = (record, part.raw.file, part.raw.sheet, line)
                found.append((len(found) + 1, row_no, *source, *entry, text))
    return typed_frame(found, LEDGER_COLUMNS)


def _by_dependency(records: Mapping[str, RecordRows]) -> list[str]:
    """Return the records so that each stands after those it links to; else in the order given."""
    order: list[str] = []

    def place(record: str, above: tuple[str, ...]) -> None:
        if record in order or record in above:
            return
        for link in records[record].contract.links:
            place(link.record, (*above, record))
        order.append(record)

    for record in records:
        place(record, ())
    return order


def _follows(rule: str, holds: str) -> bool:
    """Return whether a fault is a mere consequence: a link to a row that was itself set aside."""
    return rule == "link" and SET_ASIDE in holds


def ledger_summary(ledger: pd.DataFrame) -> pd.DataFrame:
    """Return the ledger with equal faults as one row each, root causes first.

    Faults are equal if they are of one record, file and column and say the
    same but for the numbers and dates in them. Links to rows that were set
    aside are one row a record, at the end: they go when the others are mended.

    Parameters
    ----------
    ledger : DataFrame
        As `auditkit.dossier.Dossier` describes it.

    Returns
    -------
    DataFrame
        `record`, then `file`, `sheet`, `line`, `column`, `value`, `rule`,
        `holds` and `cure` of the first such fault, and `rows`, the number of
        rows that have it; in the order of the ledger.

    Examples
    --------
    >>> common = {"record": "film_readings", "file": "film.csv", "column": "dft_um", "rule": "range"}
    >>> text = {"holds": "must be from 0 to 20000 um", "cure": "correct the value"}
    >>> faults = [{"row_no": n, "line": n + 1, "value": f"-{n}"} | common | text for n in (1, 2)]
    >>> ledger = pd.DataFrame(faults).reindex(columns=list(LEDGER_COLUMNS))
    >>> ledger_summary(ledger)[["file", "line", "value", "rows"]].values.tolist()
    [['film.csv', 2, '-1', 2]]
    """
    follows = [_follows(str(rule), str(holds)) for rule, holds in zip(ledger["rule"], ledger["holds"], strict=True)]
    groups: dict[tuple[object, ...], list[dict[str, object]]] = {}
    for fault, mere in zip(ledger.to_dict("records"), follows, strict=True):
        said = () if mere else tuple(_VARIES.sub("#", str(fault[name])) for name in ("holds", "cure"))
        about = (fault["record"],) if mere else tuple(str(fault[name]) for name in ("record", "file", "column", "rule"))
        groups.setdefault((mere, *about, *said), []).append({str(name): value for name, value in fault.items()})
    ordered = sorted(groups.items(), key=lambda group: bool(group[0][0]))
    found = [
        (
            *(faults[0][name] for name in ("record", "file", "sheet", "line", "column", "value", "rule")),
            *((CONSEQUENCE, _CONSEQUENCE_CURE) if key[0] else (faults[0]["holds"], faults[0]["cure"])),
            len({fault["row_no"] for fault in faults}),
        )
        for key, faults in ordered
    ]
    return typed_frame(found, SUMMARY_COLUMNS)


_Block = tuple[tuple[int, int], int, str, list[tuple[str, str, str, str, str]]]
"""Sort key, line, row as JSON, and its faults as column, value, rule, holds, cure."""


def _row_blocks(part: LaidTable, faults: pd.DataFrame, *, start: int, names: Sequence[str]) -> list[_Block]:
    """Return the faults of one part, row by row."""
    order = {name: number for number, name in enumerate(names)}
    entries: dict[int, list[tuple[str, str, str, str, str]]] = {}
    for row, *entry in faults.itertuples(index=False, name=None):
        entries.setdefault(int(row) - start, []).append(tuple(entry))
    blocks: list[_Block] = []
    for row, found in entries.items():
        at = int(part.source[row])
        line = int(part.raw.lines[at])
        shown = None
        if part.headers:
            mine = part.headers[part.header[row]]
            shown = [header for header in part.raw.headers if header not in part.headers or header == mine]
        text = part.raw.row_text(at, headers=shown)
        found.sort(key=lambda entry: (_follows(entry[2], entry[3]), order[entry[0].split(", ")[0]]))
        blocks.append(((line, int(part.header[row])), line, text, found))
    return blocks


def _misshapen_block(part: LaidTable, row: Misshapen) -> _Block:
    expected, given = len(part.raw.headers), len(row.cells)
    span = f"; it runs over lines {row.line} to {row.last_line}" if row.last_line > row.line else ""
    code = "too many cells" if given > expected else "too few cells"
    text = word(code, {"expected": expected, "found": given, "span": span})
    entry = ("", "", text.rule, text.holds, text.cure)
    return (row.line, -1), row.line, part.raw.misshapen_text(row), [entry]


def lineage_table(rows: RecordRows, order: npt.NDArray[np.int64]) -> pd.DataFrame:
    """Return where rows came from, in the order given.

    Returns
    -------
    DataFrame
        `file`, `sheet`, `line`, `column`.
    """
    numbers = rows.part_of(order)
    files = np.array([part.raw.file for part in rows.parts], dtype=object)
    sheets = np.array([part.raw.sheet for part in rows.parts], dtype=object)
    lines = np.concatenate([np.empty(0, np.int64), *(part.raw.lines[part.source] for part in rows.parts)])
    headers = [np.array([*part.headers, None], dtype=object)[part.header] for part in rows.parts]
    across = np.concatenate([np.empty(0, dtype=object), *headers])
    frame = pd.DataFrame(
        {
            "file": files[numbers] if len(order) else [],
            "sheet": sheets[numbers] if len(order) else [],
            "line": lines[order],
            "column": across[order],
        }
    )
    return frame.astype(dict(LINEAGE_COLUMNS))


def file_table(records: Mapping[str, RecordRows], files: Mapping[str, SourceFile]) -> pd.DataFrame:
    """Return what was read from each table, accepted and set aside.

    Raises
    ------
    RuntimeError
        Accepted and set aside do not add up to read: a fault of the program.
    """
    found: list[tuple[object, ...]] = []
    for record, rows in records.items():
        accepted = rows.accepted
        for start, part in zip(rows.starts, rows.parts, strict=True):
            here = accepted[start : start + len(part.source)]
            read = len(part.source) + len(part.raw.misshapen)
            kept, fallen = int(here.sum()), _set_aside(rows, part, int(start))
            if kept + fallen != read:
                raise RuntimeError(f"{part.raw.name}: {kept} rows accepted and {fallen} set aside are not {read} read")
            file = files[part.raw.file]
            about = (part.raw.file, part.raw.sheet, record, part.raw.encoding, file.bytes, file.sha256())
            found.append((*about, read, kept, fallen))
    found.sort(key=lambda row: (str(row[0]), str(row[1] or ""), str(row[2])))
    return typed_frame(found, FILE_COLUMNS)


def _set_aside(rows: RecordRows, part: LaidTable, start: int) -> int:
    """Return the number of rows of one part that have a fault, counted from the faults themselves."""
    at_fault = rows.faults["row"]
    mine = at_fault[(at_fault >= start) & (at_fault < start + len(part.source))]
    return int(mine.nunique()) + len(part.raw.misshapen)
