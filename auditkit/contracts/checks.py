"""Rows held to their contract: cells, row rules, repeated keys, and links between tables.

Every check returns faults as a frame, one row a fault:

row : int
    Position of the row in the frame that was checked.
column : str
    Column, or columns joined by a comma and a blank.
value : str
    The value, or values joined alike; empty where there is none.
rule : str
    Word of the catalogue.
holds, cure : str
    What must hold, and what to do about it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.contracts.catalogue import Wording, word
from auditkit.contracts.contract import Column, Contract, Link
from auditkit.contracts.rules import holds

__all__ = ["FAULT_COLUMNS", "Place", "check_links", "check_rows", "fault_frame", "shown"]

FAULT_COLUMNS = ("row", "column", "value", "rule", "holds", "cure")

Mask = npt.NDArray[np.bool_]
Place = Callable[[int], str]
"""Names the place a row came from, for the messages."""

_Fault = tuple[int, str, str, Wording]


def fault_frame(faults: Sequence[_Fault]) -> pd.DataFrame:
    """Return faults as a frame, in the order given.

    Examples
    --------
    >>> fault_frame([(3, "dft_um", "", word("missing", {"title": "reading"}))]).loc[0, "cure"]
    'give the reading'
    """
    texts = [(column, value, text.rule, text.holds, text.cure) for _, column, value, text in faults]
    frame = {"row": np.array([row for row, *_ in faults], dtype=np.int64)} | {
        name: pd.array([text[place] for text in texts], dtype="str") for place, name in enumerate(FAULT_COLUMNS[1:])
    }
    return pd.DataFrame(frame)


def shown(value: object) -> str:
    """Return a typed value as people write it.

    Examples
    --------
    >>> shown(3.0), shown(3.5), shown(None), shown(pd.Timestamp("2027-01-13T09:05Z"))
    ('3', '3.5', '', '2027-01-13T09:05:00+00:00')
    """
    if value is None or value is pd.NA or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, (float, np.floating)):
        number = float(value)
        return str(int(number)) if abs(number) < 1e15 and number == int(number) else repr(number)
    if isinstance(value, pd.Timestamp):
        return value.isoformat()
    if isinstance(value, (bool, np.bool_)):
        return "yes" if value else "no"
    return str(value)


def check_rows(
    frame: pd.DataFrame,
    contract: Contract,
    *,
    unread: Mapping[str, Mask] | None = None,
    place: Place = "row {}".format,
) -> pd.DataFrame:
    """Return the faults of typed rows against their contract.

    Cells are held to the contract by pandera, whatever the environment says
    about it, then rows to their rules. Rows without fault so far are then
    looked through for repeats: of rows equal in every column the first stands;
    rows with one key and different values all fall, since nobody can say which
    is right.

    Parameters
    ----------
    frame : DataFrame
        All columns of the contract, typed, with index 0 to n - 1.
    contract : Contract
    unread : mapping of column to boolean array, optional
        Cells that could not be typed and are already at fault. They are not
        reported as blank, and row rules over them are not judged.
    place : callable, optional
        Names where a row came from.

    Returns
    -------
    DataFrame
        Faults by row, then column, as the module describes.

    Raises
    ------
    ValueError
        The frame has other columns, dtypes or index than the contract.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> jobs = contract("jobs")
    >>> row = {column.name: [column.example] for column in jobs.columns}
    >>> frame = pd.DataFrame(row).astype({column.name: column.dtype for column in jobs.columns})
    >>> len(check_rows(frame, jobs))
    0
    >>> check_rows(frame.assign(film_min_um=-1.0), jobs)[["column", "value", "holds"]].values.tolist()
    [['film_min_um', '-1', 'must be from 1 to 5000 um']]
    """
    if not frame.index.equals(pd.RangeIndex(len(frame))):
        raise ValueError("rows to be checked must be numbered 0 to n - 1; call reset_index(drop=True) first")
    unread = {} if unread is None else unread
    faults = _cell_faults(frame, contract, unread=unread) + _rule_faults(frame, contract, unread=unread)
    bad = np.zeros(len(frame), dtype=bool)
    bad[[fault[0] for fault in faults]] = True
    for mask in unread.values():
        bad |= mask
    faults += _repeat_faults(frame, contract, among=~bad, place=place)
    order = {name: number for number, name in enumerate(contract.names)}
    faults.sort(key=lambda fault: (fault[0], order[fault[1].split(", ")[0]]))
    return fault_frame(faults)


def _cell_faults(frame: pd.DataFrame, contract: Contract, *, unread: Mapping[str, Mask]) -> list[_Fault]:
    """Return what pandera finds, in the catalogue's words."""
    from pandera.config import ValidationDepth, config_context
    from pandera.errors import SchemaErrors

    try:
        # the environment may not switch the contract off
        with config_context(validation_enabled=True, validation_depth=ValidationDepth.SCHEMA_AND_DATA):
            contract.schema().validate(frame, lazy=True)
    except SchemaErrors as error:
        cases = error.failure_cases
    else:
        return []
    structural = cases[cases["index"].isna()]
    if len(structural):
        first = structural.iloc[0]
        raise ValueError(
            f"{contract.name}: a frame to be checked must have the contract's columns and dtypes; "
            f"{first['column']}: {first['check']} failed on {first['failure_case']}"
        )
    faults: list[_Fault] = []
    columns = {column.name: column for column in contract.columns}
    for name, check, value, row in zip(
        cases["column"], cases["check"], cases["failure_case"], cases["index"].astype("int64"), strict=True
    ):
        column = columns[name]
        if check == "not_nullable":
            if not (name in unread and unread[name][row]):
                faults.append(
                    (int(row), name, "", word("missing", {"title": column.title[:1].lower() + column.title[1:]}))
                )
        else:
            faults.append((int(row), name, shown(value), _check_wording(column)))
    return faults


def _check_wording(column: Column) -> Wording:
    """Return the wording of the one check a column of this kind can have."""
    if column.kind == "choice":
        return word("choice of contract", {"choices": ", ".join(column.choices)})
    if column.kind == "text":
        return word("length", {"low": column.shortest, "high": column.longest})
    unit = f" {column.unit}" if column.unit else ""
    return word("between", {"low": shown(column.minimum), "high": shown(column.maximum), "unit": unit})


def _rule_faults(frame: pd.DataFrame, contract: Contract, *, unread: Mapping[str, Mask]) -> list[_Fault]:
    faults: list[_Fault] = []
    for rule in contract.rules:
        broken = ~holds(frame, rule).to_numpy(dtype=bool)
        for name in rule.columns:
            if name in unread:
                broken &= ~unread[name]
        rows = np.flatnonzero(broken)
        values = zip(*(frame[name].iloc[rows] for name in rule.columns), strict=True)
        text = Wording("row rule", rule.holds, rule.cure)
        for row, cells in zip(rows, values, strict=True):
            faults.append((int(row), ", ".join(rule.columns), ", ".join(map(shown, cells)), text))
    return faults


def _repeat_faults(frame: pd.DataFrame, contract: Contract, *, among: Mask, place: Place) -> list[_Fault]:
    """Return repeats among the rows that are otherwise without fault."""
    key = list(contract.key)
    clean = frame[among]
    repeated = clean[clean.duplicated(key, keep=False)]
    if repeated.empty:
        return []
    by_key = repeated.groupby(key, sort=False).ngroup()
    content = repeated.groupby(list(repeated.columns), sort=False, dropna=False).ngroup()
    rows = pd.Series(repeated.index, index=repeated.index)
    first = rows.groupby(by_key).transform("first")
    like_first = content == content.loc[first].to_numpy()
    # the first row of the same key that says something else; 0 to n - 1, or n where there is none
    other = rows.where(~like_first, len(frame)).groupby(by_key).transform("min")
    values = [
        ", ".join(shown(value) for value in cells) for cells in zip(*(repeated[name] for name in key), strict=True)
    ]
    faults: list[_Fault] = []
    for row, start, differs, like, value in zip(rows, first, other, like_first, values, strict=True):
        if differs < len(frame):
            text = word("same key", {"place": place(int(differs if like else start))})
        elif row != start:
            text = word("exact repeat", {"place": place(int(start))})
        else:
            continue
        faults.append((int(row), ", ".join(key), value, text))
    return faults


def check_links(
    tables: Mapping[str, pd.DataFrame],
    contracts: Mapping[str, Contract],
    *,
    accepted: Mapping[str, Mask],
    places: Mapping[str, Place],
    misshapen: Mapping[str, Mapping[str, str]] | None = None,
) -> dict[str, pd.DataFrame]:
    """Return the faults of links between tables, by table.

    A row whose link leads to no accepted row is at fault, and so in turn are
    the rows that link to it, until nothing changes.

    Parameters
    ----------
    tables : mapping of record to DataFrame
        Every row read, whether accepted or not.
    contracts : mapping of record to Contract
    accepted : mapping of record to boolean array
        Rows without fault so far; left unchanged.
    places : mapping of record to callable
        Names where a row of that table came from.
    misshapen : mapping of record to mapping of key to place, optional
        Keys read off rows that were set aside for their shape and stand in no
        table.

    Returns
    -------
    dict of record to DataFrame
        Faults as the module describes, one entry a table.
    """
    standing = {record: mask.copy() for record, mask in accepted.items()}
    faults: dict[str, list[_Fault]] = {record: [] for record in tables}
    links = [(record, link) for record in sorted(tables) for link in contracts[record].links]
    told = {(record, link): np.zeros(len(tables[record]), dtype=bool) for record, link in links}
    changed = True
    while changed:
        changed = False
        for record, link in links:
            loose = _loose_rows(tables, record, link, standing=standing) & ~told[record, link]
            if not loose.any():
                continue
            changed = True
            faults[record].extend(
                _link_faults(
                    tables,
                    record,
                    link,
                    loose=loose,
                    standing=standing,
                    place=places[link.record],
                    misshapen={} if misshapen is None else misshapen.get(link.record, {}),
                )
            )
            told[record, link] |= loose
            standing[record] &= ~loose
    return {record: fault_frame(sorted(found, key=lambda fault: fault[:2])) for record, found in faults.items()}


def _loose_rows(tables: Mapping[str, pd.DataFrame], record: str, link: Link, *, standing: Mapping[str, Mask]) -> Mask:
    """Return which rows, standing or not, link to no standing row."""
    there = tables[link.record].loc[standing[link.record], link.to_column]
    named = tables[record][link.column]
    loose: Mask = (named.notna() & ~named.isin(there)).to_numpy(dtype=bool)
    return loose


def _link_faults(
    tables: Mapping[str, pd.DataFrame],
    record: str,
    link: Link,
    *,
    loose: Mask,
    standing: Mapping[str, Mask],
    place: Place,
    misshapen: Mapping[str, str],
) -> list[_Fault]:
    parent = tables[link.record][link.to_column]
    fallen: dict[object, int] = {}
    for at in np.flatnonzero(~standing[link.record]):
        fallen.setdefault(parent.iloc[at], int(at))
    there = sorted(shown(value) for value in parent[standing[link.record]])
    known = f"it has {there[0]} to {there[-1]} ({len(there)} rows)" if there else "it has no accepted row"
    unknown = word("link", {"column": link.to_column, "record": link.record, "known": known, "child": link.column})
    faults: list[_Fault] = []
    for row, value in zip(np.flatnonzero(loose), tables[record].loc[loose, link.column], strict=True):
        text = unknown
        where = place(fallen[value]) if value in fallen else misshapen.get(value)
        if where is not None:
            text = word("link set aside", {"column": link.to_column, "record": link.record, "place": where})
        faults.append((int(row), link.column, shown(value), text))
    return faults
