"""`dossier.yaml` with the names in it exchanged, so that it fits records in which they were exchanged too."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from auditkit.contracts.contract import Contract
from auditkit.errors import DeclarationError
from auditkit.intake.declaration import OF_VALUES, fold
from auditkit.intake.word_cells import as_text, trim

__all__ = ["new_header", "redacted_document", "with_group"]

Words = Callable[[str], str]


def redacted_document(
    document: Mapping[str, Any],
    *,
    columns: Collection[str],
    meant: Sequence[Mapping[str, Mapping[str, str]]],
    files: Sequence[Sequence[str]],
    renamed: Mapping[str, str],
    logs: Sequence[Sequence[str]],
    sheets: Mapping[tuple[str, str], str],
    words: Words,
    contracts: Mapping[str, Contract],
) -> dict[str, Any]:
    """Return what `dossier.yaml` declares, with names exchanged; an entry becomes one for each file it names.

    Databases and queries are left out, since names may stand in them: the rows
    that were fetched are files as any others.

    Parameters
    ----------
    document : mapping
        As read.
    columns : collection of str
        Columns of contracts whose values are exchanged.
    meant : sequence of mapping of column to mapping of text to text
        For each entry under `tables`, what its words are exchanged for.
    files, logs : sequence of sequence of str
        For each entry under `tables` and `pressure_logs`, the files it names.
    renamed : mapping of file to file
    sheets : mapping of (file, sheet) to sheet
    words : callable
        Exchanges names in free text.
    contracts : mapping of record to Contract
    """
    made = dict(document)
    if "title" in made:
        made["title"] = words(made["title"])
    if "tables" in made:
        made["tables"] = [
            _entry(entry, name, columns=columns, meant=told, sheets=sheets, words=words, contracts=contracts)
            | {"file": renamed[name]}
            for entry, told, names in zip(document["tables"], meant, files, strict=True)
            for name in names
        ]
    if "pressure_logs" in made:
        made["pressure_logs"] = [
            {**entry, "file": renamed[name]}
            for entry, names in zip(document["pressure_logs"], logs, strict=True)
            for name in names
        ]
    made.pop("databases", None)
    if "ignore" in made:
        made["ignore"] = [words(pattern) for pattern in made["ignore"]]
    return made


def _entry(
    entry: Mapping[str, Any],
    name: str,
    *,
    columns: Collection[str],
    meant: Mapping[str, Mapping[str, str]],
    sheets: Mapping[tuple[str, str], str],
    words: Words,
    contracts: Mapping[str, Contract],
) -> dict[str, Any]:
    made = {key: value for key, value in entry.items() if key not in ("database", "query")}
    if "query" in entry:
        made |= OF_VALUES  # as files of their own, the rows would be read as files are
    known = contracts[entry["record"]].names

    def header(text: str) -> str:
        return new_header(text, known, words)

    if "sheet" in made:
        made["sheet"] = sheets.get((name, entry["sheet"]), words(entry["sheet"]))
    if "columns" in made:
        made["columns"] = {header(str(given)): target for given, target in entry["columns"].items()}
    for key in ("drop", "fill_down"):
        if key in made:
            made[key] = [header(given) for given in entry[key]]
    if "join" in made:
        made["join"] = {target: [header(given) for given in headers] for target, headers in entry["join"].items()}
    if "values" in made:
        made["values"] = {target: told for target, told in entry["values"].items() if target not in columns}
        if not made["values"]:
            del made["values"]
    if "constants" in made:
        made["constants"] = _told(entry["constants"], meant)
    if "wide" in made:
        made["wide"] = _wide(entry["wide"], meant, header, words)
    return made


def _told(told: Mapping[str, Any], meant: Mapping[str, Mapping[str, str]]) -> dict[str, Any]:
    """Return what is told of some columns, with the words of those that are exchanged."""
    return {target: meant.get(target, {}).get(trim(as_text(value)), value) for target, value in told.items()}


def _wide(
    wide: Mapping[str, Any], meant: Mapping[str, Mapping[str, str]], header: Words, words: Words
) -> dict[str, Any]:
    made = dict(wide)
    if "columns" in made:
        made["columns"] = {header(str(given)): _told(told, meant) for given, told in wide["columns"].items()}
    if "pattern" in made:
        for target, told in meant.items():
            if f"(?P<{target}>" in made["pattern"]:
                made["pattern"] = with_group(made["pattern"], target, sorted(set(told.values())))
        made["pattern"] = words(made["pattern"])
    return made


def new_header(header: str, known: Collection[str], words: Words) -> str:
    """Return a header with the names in it exchanged; one that is called as a column of the contract stays.

    Examples
    --------
    >>> new_header("Seen by Aas", ["site"], lambda text: text.replace("Aas", "P1"))
    'Seen by P1'
    >>> new_header("Site", ["site"], lambda text: "P1")
    'Site'
    """
    return header if fold(header) in known else words(header)


def with_group(pattern: str, group: str, words: Sequence[str]) -> str:
    r"""Return a regular expression whose named group matches some words and nothing else.

    Raises
    ------
    DeclarationError
        The group's end cannot be found.

    Examples
    --------
    >>> with_group(r"(?P<who>IN([0-9]|[)])+) no[.] (?P<trial>[0-9]+)", "who", ["P1-A", "P2-B"])
    '(?P<who>P1\\-A|P2\\-B) no[.] (?P<trial>[0-9]+)'
    """
    begin = f"(?P<{group}>"
    depth, level, start, at = 0, -1, -1, 0
    while at < len(pattern):
        letter = pattern[at]
        if letter == "\\":
            at += 1
        elif letter == "[":
            closed = re.compile(r"\[\^?\]?(?:\\.|[^\]\\])*\]", re.DOTALL).match(pattern, at)
            at = len(pattern) if closed is None else closed.end() - 1
        elif letter == "(":
            depth += 1
            if pattern.startswith(begin, at):
                level, start = depth, at + len(begin)
        elif letter == ")":
            if depth == level:
                return pattern[:start] + "|".join(re.escape(word) for word in words) + pattern[at:]
            depth -= 1
        at += 1
    raise DeclarationError(f"dossier.yaml, wide.pattern: must name the group {group}; given {pattern!r}. Correct it.")
