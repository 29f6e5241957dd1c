"""Records with persons and sites under pseudonyms, in the form in which they were received.

What is exchanged: every value of the columns named in `REDACTED`, in whatever
file, header or declaration it stands; and the same names where they stand as
words in titles, names of sheets and files, lines above the headers, rows of
another width, columns that are no part of the record, and the description of
an area. What is not: names that stand nowhere in those columns, and names in
any other column of a record; those that are still found are counted.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import yaml

from auditkit.contracts.collection import load_contracts
from auditkit.contracts.contract import Column, Contract
from auditkit.contracts.strict_yaml import read_plain_yaml
from auditkit.errors import SourceError
from auditkit.intake.assembly import read_files
from auditkit.intake.cells import type_column
from auditkit.intake.declaration import DECLARATION_FILE, Declaration, TableEntry, fold, read_declaration
from auditkit.intake.folder import SourceFile, check_folder, file_kind, find_files, find_logs
from auditkit.intake.layout import LaidTable
from auditkit.intake.word_cells import SheetError, as_text, read_text_cell, trim
from auditkit.report.placing import new_folder, write_durably
from auditkit.report.pseudonyms import Order, WordExchange, in_words, key_check, pseudonyms, read_key
from auditkit.report.redacted_declaration import new_header, redacted_document
from auditkit.report.redacted_files import TableEdit, exchange_parquet, exchange_text, exchange_workbook, new_title
from auditkit.report.redaction_check import check_tables, names_left, redaction_frame, redaction_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["NOTE_FILE", "REDACTED", "Redaction", "redact_records"]

REDACTED: Mapping[str, str] = {"operator_id": "person", "inspector_id": "person", "site": "site"}
"""Columns whose values are exchanged, and what they are names of."""

NOTE_FILE = "redaction.md"
"""What was done, in words; it lies among the redacted records and is passed over when they are read."""

_PROSE = {"areas": ("description",)}
_ORDERS: Mapping[Order, str] = {
    "kept": (
        "Pseudonyms sort as the names do, so that no number of the audit depends on the redaction; the number in a "
        "pseudonym tells the place of the name in the alphabet, and one who knows all the names can tell who is who."
    ),
    "hidden": (
        "Pseudonyms sort by the key and tell nothing of the alphabet; numbers that are drawn at random, such as "
        "intervals from resampling, may differ from those of the unredacted records within their own uncertainty."
    ),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Redaction:
    """What was exchanged in the records of a dossier; no name stands in it.

    Parameters
    ----------
    columns : DataFrame
        One row a table and column: `file`, `sheet`, `record`, `column`, `kind`,
        the different `values` in it, and the `cells` that were exchanged.
    n : mapping of kind to int
        Different names of each kind.
    left_out : tuple of str
        Files (`file#sheet` of sheets) that are no records and did not come along.
    remaining : DataFrame
        Where names still stand: `file`, `pseudonym` and how many `places`.
    order : {"kept", "hidden"}
    key_check : str
        By which the owner of the key finds it.
    method : str
    """

    columns: pd.DataFrame
    n: Mapping[str, int]
    left_out: tuple[str, ...]
    remaining: pd.DataFrame
    order: Order
    key_check: str
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Names:
    """The names of a dossier: what each cell means, and its pseudonym."""

    meant: Sequence[Mapping[str, Mapping[str, str]]]  # for each table: column, text in the file, name
    by_kind: Mapping[str, Mapping[str, str]]
    words: WordExchange

    def cells(self, number: int, contract: Contract) -> dict[str, dict[str, str]]:
        """Return for one table, by column, what each text in the file is exchanged for."""
        return {
            target: {text: self._cell(text, name, contract.column(target)) for text, name in told.items()}
            for target, told in self.meant[number].items()
        }

    def _cell(self, text: str, name: str, column: Column) -> str:
        """Return a pseudonym that is as right or as wrong a cell as the name was."""
        made = self.by_kind[REDACTED[column.name]][name]
        if column.longest is not None and len(name) > column.longest:
            made = made.ljust(column.longest + 1, "-")
        if isinstance(read_text_cell(text), str):
            return made
        return made + "".join(letter for letter in text if not isinstance(read_text_cell(letter), str))


def redact_records(folder: Path, out: Path, *, key: Path, order: Order = "kept") -> Redaction:
    """Write the records of a dossier's folder with pseudonyms into the new folder `out`, and return what was done.

    The result is read and held against the original before it gets its name:
    every table is the same but for the pseudonyms, and as many rows are set
    aside for the same reasons.

    Parameters
    ----------
    folder : Path
    out : Path
    key : Path
        File from `new_key`; outside both folders.
    order : {"kept", "hidden"}
        See `auditkit.report.pseudonyms.pseudonyms`.

    Raises
    ------
    SourceError, DeclarationError
        The records cannot be read, or not be redacted so that they read the
        same; the key lies in one of the folders; or `out` is there already.
    """
    check_folder(folder)
    secret = read_key(key)
    for place in (folder, out):
        if key.resolve().is_relative_to(place.resolve()):
            raise SourceError(f"{key}: must lie outside {place}, which others will see. Move it.")
    contracts = load_contracts()
    declaration = read_declaration(folder, contracts)
    files, _ = find_files(folder, declaration)
    logs = find_logs(folder, declaration)
    tables, _ = read_files(files, declaration, contracts)
    names = _names(tables, key=secret, order=order)
    renamed = {name: names.words(name) for name in [*(file.name for file in files), *(name for name, _ in logs)]}
    entries = {entry.where: entry for entry in declaration.tables}
    edits, titles = _edits(tables, entries, names)
    with new_folder(out) as staging:
        for file in files:
            own = {sheet: edit for (name, sheet), edit in edits.items() if name == file.name}
            if own:
                write_durably(staging / renamed[file.name], _exchanged(file, own, titles, tables))
        for name, _ in logs:
            write_durably(staging / renamed[name], (folder / name).read_bytes())
        if (folder / DECLARATION_FILE).exists():
            text = _declaration(folder, declaration, files, tables, names, renamed=renamed, titles=titles)
            write_durably(staging / DECLARATION_FILE, text.encode())
        check_tables(folder, staging, names.by_kind, redacted=REDACTED, prose=_PROSE, words=names.words)
        done = Redaction(
            columns=redaction_frame(_counts(tables, edits, names)),
            n={kind: len(known) for kind, known in names.by_kind.items()},
            left_out=_left_out(folder, files, edits, logs=[name for name, _ in logs]),
            remaining=names_left(staging, names.words),
            order=order,
            key_check=key_check(secret),
            method=_ORDERS[order],
        )
        write_durably(staging / NOTE_FILE, redaction_text(done).encode())
    return done


def _names(tables: Sequence[LaidTable], *, key: bytes, order: Order) -> _Names:
    meant = [
        {target: _meant(table, target) for target in table.contract.names if target in REDACTED} for table in tables
    ]
    by_kind = {}
    for kind in dict.fromkeys(REDACTED.values()):
        found = {
            name
            for told in meant
            for target, texts in told.items()
            if REDACTED[target] == kind
            for name in texts.values()
        }
        by_kind[kind] = pseudonyms(found, kind=kind, key=key, order=order)
    known = [
        (word, by_kind[REDACTED[target]][name])
        for told in meant
        for target, texts in told.items()
        for text, name in texts.items()
        for word in (text, name)
    ]
    return _Names(meant=meant, by_kind=by_kind, words=in_words(known))


def _meant(table: LaidTable, target: str) -> dict[str, str]:
    """Return the name that each different text of a column means; cells that hold no text have none."""
    column = table.contract.column(target)
    given = list(table.cells.get(target, ()))
    if target in table.places:
        given += list(table.raw.columns[table.places[target]])
        given += [
            row.cells[table.places[target]] for row in table.raw.misshapen if table.places[target] < len(row.cells)
        ]
    different = {trim(as_text(cell)): cell for cell in given if cell is not None and not isinstance(cell, SheetError)}
    different.pop("", None)
    cells = np.empty(len(different), dtype=object)
    cells[:] = list(different.values())
    typed = type_column(cells, column, reading=table.reading, words=table.values.get(target))
    faults = dict(typed.faults)
    names = {}
    for row, (text, cell) in enumerate(different.items()):
        if row not in faults:
            if isinstance(typed.values.iloc[row], str):
                names[text] = str(typed.values.iloc[row])
        elif isinstance(cell, str):
            names[text] = "".join(letter for letter in text if isinstance(read_text_cell(letter), str)) or text
    return names


def _edits(
    tables: Sequence[LaidTable], entries: Mapping[str, TableEntry], names: _Names
) -> tuple[dict[tuple[str, str], TableEdit], dict[tuple[str, str], str]]:
    """Return what is exchanged in each table by file and sheet, and the new names of the sheets."""
    edits: dict[tuple[str, str], TableEdit] = {}
    titles: dict[tuple[str, str], str] = {}
    for number, table in enumerate(tables):
        place = (table.raw.file, table.raw.sheet or "")
        entry = entries.get(table.where)
        told = names.cells(number, table.contract)
        cells = {table.places[target]: texts for target, texts in told.items() if target in table.places}
        dropped = {fold(header) for header in (() if entry is None else entry.drop)}
        prose = {at for at, header in enumerate(table.raw.headers) if fold(header) in dropped}
        prose |= {table.places[name] for name in _PROSE.get(table.contract.name, ()) if name in table.places}
        headers = _new_headers(table, entry, told, names.words)
        before = edits.get(place)
        if before is not None:  # one table read as two kinds of record
            cells = {at: dict(texts) for at, texts in before.cells.items()} | cells
            prose = (prose | before.prose) - set(cells)
            pairs = zip(table.raw.headers, before.new_headers, headers, strict=True)
            headers = tuple(second if second != old else first for old, first, second in pairs)
        edits[place] = TableEdit(
            headers=table.raw.headers,
            new_headers=headers,
            lines=frozenset(int(line) for line in table.raw.lines),
            cells=cells,
            prose=frozenset(prose),
            words=names.words,
        )
        titles.setdefault(place, new_title(place[1], names.words, number=len(titles) + 1))
    return edits, titles


def _new_headers(
    table: LaidTable, entry: TableEntry | None, told: Mapping[str, Mapping[str, str]], words: WordExchange
) -> tuple[str, ...]:
    """Return the headers with the names in them exchanged, those that tell of readings across among them."""
    pattern = None if entry is None or entry.wide is None else entry.wide.pattern
    made = []
    for header in table.raw.headers:
        match = None if pattern is None else re.fullmatch(pattern, header)
        if match is None:
            made.append(new_header(header, table.contract.names, words))
            continue
        groups = [target for target in told if target in match.groupdict()]
        new = header
        for target in sorted(groups, key=match.start, reverse=True):
            start, end = match.span(target)
            new = new[:start] + told[target].get(trim(match[target]), match[target]) + new[end:]
        made.append(words(new))
    return tuple(made)


def _exchanged(
    file: SourceFile,
    edits: Mapping[str, TableEdit],
    titles: Mapping[tuple[str, str], str],
    tables: Sequence[LaidTable],
) -> bytes:
    kind = file_kind(file)
    if kind == "workbook":
        return exchange_workbook(file.path, edits, {sheet: titles[file.name, sheet] for sheet in edits})
    if kind == "parquet":
        return exchange_parquet(file.path, edits[""])
    encoding = next(table.raw.encoding for table in tables if table.raw.file == file.name)
    delimiter = next((entry.delimiter for entry in file.entries if entry.delimiter is not None), None)
    return exchange_text(file.path.read_bytes(), edits[""], encoding=encoding, delimiter=delimiter, name=file.name)


def _declaration(
    folder: Path,
    declaration: Declaration,
    files: Sequence[SourceFile],
    tables: Sequence[LaidTable],
    names: _Names,
    *,
    renamed: Mapping[str, str],
    titles: Mapping[tuple[str, str], str],
) -> str:
    document: dict[str, Any] = read_plain_yaml((folder / DECLARATION_FILE).read_text(encoding="utf-8-sig"))
    meant: dict[str, dict[str, dict[str, str]]] = {entry.where: {} for entry in declaration.tables}
    for number, table in enumerate(tables):
        for target, texts in names.cells(number, table.contract).items():
            if table.where in meant:
                meant[table.where].setdefault(target, {}).update(texts)
    logs = find_logs(folder, declaration)
    made = redacted_document(
        document,
        columns=REDACTED,
        meant=[meant[entry.where] for entry in declaration.tables],
        files=[[file.name for file in files if entry in file.entries] for entry in declaration.tables],
        renamed=renamed,
        logs=[[name for name, found in logs if found == entry] for entry in declaration.pressure_logs],
        sheets=titles,
        words=names.words,
        contracts=load_contracts(),
    )
    return yaml.safe_dump(made, allow_unicode=True, sort_keys=False, width=100)


def _counts(
    tables: Sequence[LaidTable], edits: Mapping[tuple[str, str], TableEdit], names: _Names
) -> list[tuple[str, str, str, str, str, int, int]]:
    """Return a row for each table and column that was exchanged."""
    rows = []
    for number, table in enumerate(tables):
        place = (table.raw.file, table.raw.sheet or "")
        for target, texts in names.meant[number].items():
            cells = edits[place].done.get(table.places[target], 0) if target in table.places else 0
            values = len(set(texts.values()))
            if values:
                rows.append((names.words(place[0]), names.words(place[1]), table.contract.name, target,
                             REDACTED[target], values, cells))  # fmt: skip
    return rows


def _left_out(
    folder: Path, files: Sequence[SourceFile], edits: Mapping[tuple[str, str], TableEdit], *, logs: Sequence[str]
) -> tuple[str, ...]:
    """Return how many files and sheets did not come along, by their ending; their names may tell what is hidden."""
    taken = {name for name, _ in edits} | {*logs, DECLARATION_FILE}
    found = {path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file()}
    endings = Counter(Path(name).suffix.lower() or "no ending" for name in sorted(found - taken))
    return tuple(f"{count} of {ending}" for ending, count in sorted(endings.items()))
