"""Redacted records held against the records they were made from, and told of in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from auditkit.contracts.collection import load_contracts
from auditkit.errors import AuditError, SourceError
from auditkit.intake import read_dossier
from auditkit.intake.parquet_files import read_parquet_file
from auditkit.intake.word_cells import as_text
from auditkit.intake.workbooks import read_sheets
from auditkit.report.pseudonyms import WordExchange

if TYPE_CHECKING:
    from auditkit.report.redaction import Redaction

__all__ = ["check_tables", "names_left", "redaction_frame", "redaction_text"]

_COLUMNS: Mapping[str, str] = {
    "file": "str",
    "sheet": "str",
    "record": "str",
    "column": "str",
    "kind": "str",
    "values": "int64",
    "cells": "int64",
}
_LEFT: Mapping[str, str] = {"file": "str", "pseudonym": "str", "places": "int64"}


def check_tables(
    folder: Path,
    redacted_folder: Path,
    names: Mapping[str, Mapping[str, str]],
    *,
    redacted: Mapping[str, str],
    prose: Mapping[str, Sequence[str]],
    words: WordExchange,
) -> None:
    """Raise unless redacted records read into the same tables but for the pseudonyms.

    Parameters
    ----------
    folder, redacted_folder : Path
    names : mapping of kind to mapping of name to pseudonym
    redacted : mapping of column to kind
    prose : mapping of record to sequence of columns
        Columns of free text, in which names were exchanged as words.
    words : WordExchange

    Raises
    ------
    SourceError
        A table differs, or other rows are set aside; the message names where.
    """
    before = read_dossier(folder)
    try:
        after = read_dossier(redacted_folder)
    except AuditError as error:
        raise SourceError(f"{folder}: cannot be redacted so that it can still be read. {error}") from error
    faults = []
    for record, contract in load_contracts().items():
        expected = before.tables[record].copy()
        for column, kind in redacted.items():
            if column in expected:
                expected[column] = expected[column].map(dict(names[kind])).astype(before.tables[record][column].dtype)
        for column in prose.get(record, ()):
            expected[column] = (
                expected[column].map(words, na_action="ignore").astype(before.tables[record][column].dtype)
            )
        expected = expected.sort_values(list(contract.key), kind="stable", ignore_index=True)
        found = after.tables[record]
        if len(found) != len(expected):
            faults.append(f"{record}: {len(expected)} rows are accepted before, {len(found)} after")
        else:
            faults += [f"{record}, {name}: differs" for name in expected if not expected[name].equals(found[name])]
    reasons = [Counter(zip(each.ledger["record"], each.ledger["rule"], strict=True)) for each in (before, after)]
    if reasons[0] != reasons[1]:
        differ = sorted((reasons[0] - reasons[1]) + (reasons[1] - reasons[0]))
        faults.append(f"rows set aside differ: {', '.join(f'{record} for {rule}' for record, rule in differ)}")
    if faults:
        raise SourceError(
            f"{folder}: cannot be redacted so that it reads the same; {'; '.join(faults)}. Write the names in these "
            "records in one column of their own, and try again."
        )


def names_left(folder: Path, words: WordExchange) -> pd.DataFrame:
    """Return where names still stand as words in redacted records: `file`, `pseudonym`, number of `places`."""
    found: Counter[tuple[str, str]] = Counter()
    for path in sorted(path for path in folder.rglob("*") if path.is_file()):
        name = path.relative_to(folder).as_posix()
        for text in (name, *_texts(path, name)):
            found.update((name, pseudonym) for pseudonym in words.found(text))
    rows = [(*place, count) for place, count in sorted(found.items())]
    return pd.DataFrame(rows, columns=list(_LEFT)).astype(dict(_LEFT))


def _texts(path: Path, name: str) -> Iterable[str]:
    """Return the texts in a file of records."""
    ending = path.suffix.lower()
    if ending in (".xlsx", ".xlsm"):
        sheets = read_sheets(path, name=name)
        return [sheet.name for sheet in sheets] + [
            as_text(cell) for sheet in sheets for row in sheet.rows for cell in row if isinstance(cell, str)
        ]
    if ending in (".parquet", ".pq"):
        raw = read_parquet_file(path, name=name)
        return [*raw.headers, *(cell for column in raw.columns for cell in column if isinstance(cell, str))]
    content = path.read_bytes()
    for encoding in ("utf-8-sig", "utf-16") if content[:2] not in (b"\xff\xfe", b"\xfe\xff") else ("utf-16",):
        try:
            return [content.decode(encoding)]
        except UnicodeDecodeError:
            continue
    return [content.decode("cp1252", "replace")]


def redaction_frame(rows: Sequence[tuple[str, str, str, str, str, int, int]]) -> pd.DataFrame:
    """Return the columns that were exchanged, one row a table and column, sorted."""
    frame = pd.DataFrame(sorted(rows), columns=list(_COLUMNS))
    return frame.astype(dict(_COLUMNS))


def redaction_text(done: Redaction) -> str:
    """Return what was done as Markdown, to lie among the redacted records.

    Parameters
    ----------
    done : Redaction
    """
    lines = [
        "# Redaction",
        "",
        "Names in these records stand under pseudonyms, made with a key that is kept elsewhere.",
        "",
    ]
    lines += [f"- {count} different names of kind {kind}" for kind, count in sorted(done.n.items())]
    lines += ["", done.method, "", f"The key is the one whose check is {done.key_check}.", ""]
    lines += ["| record | column | file | sheet | values | cells |", "| --- | --- | --- | --- | --- | --- |"]
    for row in done.columns.to_dict("records"):
        told = [str(row[name]).replace("|", "\\|") for name in ("record", "column", "file", "sheet", "values", "cells")]
        lines.append(f"| {' | '.join(told)} |")
    lines += ["", f"Files that are no records did not come along: {', '.join(done.left_out) or 'none'}.", ""]
    places = int(done.remaining["places"].sum())
    lines.append(
        f"Names from these columns still stand as words in {places} other places."
        if places
        else "No name from these columns was found as a word anywhere else."
    )
    lines.append("Names that stand in none of these columns are not known here and were not looked for.")
    return "\n".join(lines) + "\n"
