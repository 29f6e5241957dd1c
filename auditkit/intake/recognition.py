"""What kind of record a table is, by its headers, and what to declare where they do not tell."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from auditkit.contracts.contract import Contract
from auditkit.contracts.strictness import near_match
from auditkit.errors import SourceError
from auditkit.intake.raw import RawTable
from auditkit.intake.stated_headers import column_of, stated_fault

__all__ = ["needed_columns", "recognised"]

_MOST_HEADERS = 40


def needed_columns(contract: Contract) -> set[str]:
    """Return the columns a file must fill: those required whose cells may not be blank.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> sorted(needed_columns(contract("wrap_observations")) ^ set(contract("wrap_observations").names))
    []
    >>> "film_reverse_min_um" in needed_columns(contract("jobs"))
    False
    """
    return {column.name for column in contract.columns if column.required and not column.nullable}


def recognised(raw: RawTable, contracts: Mapping[str, Contract]) -> Contract:
    """Return the one contract that has all headers of a table and whose columns they fill.

    Of the contracts whose required columns are all there one must be left;
    where there is none, one of those whose required columns that may not be
    blank are all there.

    Raises
    ------
    SourceError
        None or several fit; the message has the lines of `dossier.yaml` that settle it.
    """
    named = {name: {column_of(header, contract) for header in raw.headers} for name, contract in contracts.items()}
    possible = [contract for name, contract in contracts.items() if named[name] <= set(contract.names)]
    for needed in (_required, needed_columns):
        fitting = [contract for contract in possible if needed(contract) <= named[contract.name]]
        if len(fitting) == 1:
            return fitting[0]
        if fitting:
            names = " or ".join(contract.name for contract in fitting)
            raise SourceError(
                f"{raw.name}: must be one kind of record; its headers fit {names}. "
                f"Write to dossier.yaml, or add the entry to its tables:\n{_entry_lines(raw, fitting[0].name, {})}"
            )
    raise SourceError(_unrecognised(raw, contracts))


def _required(contract: Contract) -> set[str]:
    return {column.name for column in contract.columns if column.required}


def _unrecognised(raw: RawTable, contracts: Mapping[str, Contract]) -> str:
    """Return what to do about a table that fits no contract."""
    nearest = max(contracts.values(), key=lambda contract: _likeness(contract, _named(raw, contract)))
    headers = _named(raw, nearest)
    missing = [name for name in nearest.names if name in _required(nearest) - set(headers)]
    unfit = [fault for header in raw.headers if (fault := stated_fault(header, nearest)) is not None]
    if unfit:
        return f"{raw.name}: must have headers that fit {nearest.name}; {'; '.join(unfit)}. Correct the header."
    unknown = [header for folded, header in headers.items() if folded not in nearest.names]
    matched = _matches(unknown, missing)
    same = len(headers) - len(unknown)
    # half of the contract, or half of the file, must speak for it before it is named
    if 2 * (len(_required(nearest)) - len(missing) + len(matched)) < len(_required(nearest)) and 2 * same < len(
        headers
    ):
        shown = ", ".join(list(raw.headers)[:_MOST_HEADERS])
        columns = dict.fromkeys(raw.headers, "COLUMN")
        return (
            f"{raw.name}: must have the columns of one kind of record; its headers ({shown}) are like none of them. "
            f"The kinds are {', '.join(contracts)}. Write to dossier.yaml, or add the entry to its tables, "
            "with the kind and its columns named:\n"
            f"{_entry_lines(raw, 'KIND', columns)}"
        )
    parts = [f"{raw.name}: must have the columns of one kind of record; nearest is {nearest.name}"]
    if missing:
        parts.append(f"missing {', '.join(missing)}")
    if unknown:
        shown_unknown = [f"{header} (near {matched[header]})" if header in matched else header for header in unknown]
        parts.append(f"unknown {', '.join(shown_unknown)}")
    columns = {header: matched.get(header, "COLUMN") for header in unknown}
    return (
        f"{'; '.join(parts)}. Write to dossier.yaml, or add the entry to its tables, with the columns named and "
        f"what is no part of the record under drop:\n{_entry_lines(raw, nearest.name, columns)}"
    )


def _named(raw: RawTable, contract: Contract) -> dict[str, str]:
    """Return the headers by the column each names."""
    return {column_of(header, contract): header for header in raw.headers}


def _matches(headers: Sequence[str], names: Sequence[str]) -> dict[str, str]:
    """Return the name each header is near to, every name once."""
    matched: dict[str, str] = {}
    for header in headers:
        near = near_match(header, [name for name in names if name not in matched.values()])
        if near is not None:
            matched[header] = near
    return matched


def _likeness(contract: Contract, headers: Mapping[str, str]) -> tuple[float, int]:
    same = sum(name in headers for name in contract.names)
    near = sum(near_match(header, contract.names) is not None for header in headers if header not in contract.names)
    return same + 0.5 * near, -len(contract.names)


def _entry_lines(raw: RawTable, record: str, columns: Mapping[str, str]) -> str:
    """Return a whole `dossier.yaml` that would settle what a table is."""
    lines = ["auditkit: 1", "tables:", f"  - file: {_quoted(raw.file)}", f"    record: {record}"]
    if raw.sheet is not None:
        lines.append(f"    sheet: {_quoted(raw.sheet)}")
    if columns:
        pairs = [f"{_quoted(header)}: {name}" for header, name in columns.items()]
        lines.append(f"    columns: {{{', '.join(pairs[:_MOST_HEADERS])}}}")
        if len(pairs) > _MOST_HEADERS:
            lines.append(f"    # and {len(pairs) - _MOST_HEADERS} more headers")
    lines.append(f"or, if it is no record: ignore: [{_quoted(raw.ignored_as)}]")
    return "\n".join(lines)


def _quoted(text: str) -> str:
    """Return a text in the quotes YAML reads."""
    return json.dumps(text, ensure_ascii=False)
