"""Rows that arrive, held against the rows that are there: new, repeats, contradictions, and what is set aside."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

import numpy as np
import pandas as pd

from auditkit.contracts.contract import Contract
from auditkit.dossier import LINEAGE_COLUMNS, Dossier
from auditkit.intake.layout import LaidTable
from auditkit.intake.ledger import lineage_table, typed_frame
from auditkit.intake.records import RecordRows, gather

__all__ = ["ARRIVING_COLUMNS", "arriving_rows"]

ARRIVING_COLUMNS: Mapping[str, str] = {
    "file": "str",
    "record": "str",
    "read": "int64",
    "new": "int64",
    "repeats": "int64",
    "contradicting": "int64",
    "set_aside": "int64",
}


def arriving_rows(
    tables: Sequence[LaidTable], dossier: Dossier, *, arriving: Collection[str], contracts: Mapping[str, Contract]
) -> pd.DataFrame:
    """Return what the rows of arriving files come to beside those that are there.

    Parameters
    ----------
    tables : sequence of LaidTable
        Of all files, those that are there and those that arrive.
    dossier : Dossier
        The same files read together.
    arriving : collection of str
        Names of the files that arrive.
    contracts : mapping of record to Contract

    Returns
    -------
    DataFrame
        One row a file and record: `file`, `record`, the rows `read`, of which
        `new`; `repeats` (key and values as in a row that is there, or that
        arrives before it); `contradicting` (the key of another row and other
        values, for which both are set aside); `set_aside` (for any other
        reason). The last four add up to the rows read.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from auditkit.contracts.collection import load_contracts
    >>> from auditkit.intake.assembly import read_dossier, read_files
    >>> from auditkit.intake.declaration import read_declaration
    >>> from auditkit.intake.folder import find_files
    >>> head, contracts = "unit_id,in_service_at\\n", load_contracts()
    >>> with tempfile.TemporaryDirectory() as name:
    ...     place = Path(name)
    ...     _ = (place / "a.csv").write_text(f"{head}U1,2027-01-05T07:30Z\\n", encoding="utf-8")
    ...     rows = "U1,2027-01-05T07:30Z\\nU2,2027-02-01T07:30Z\\nU3,soon\\n"
    ...     _ = (place / "b.csv").write_text(head + rows, encoding="utf-8")
    ...     declaration = read_declaration(place, contracts)
    ...     tables, _ = read_files(find_files(place, declaration)[0], declaration, contracts)
    ...     found = arriving_rows(tables, read_dossier(place), arriving=["b.csv"], contracts=contracts)
    >>> found.to_numpy().tolist()
    [['b.csv', 'units', 3, 1, 1, 0, 1]]
    """
    told: list[tuple[object, ...]] = []
    for record, contract in contracts.items():
        parts = [table for table in tables if table.contract.name == record]
        if not any(part.raw.file in arriving for part in parts):
            continue
        rows = gather(contract, parts)
        kinds = _kinds(rows, dossier, arriving=arriving)
        for name in sorted({part.raw.file for part in parts} & set(arriving)):
            counts = kinds.loc[kinds["file"] == name, "kind"].value_counts()
            misshapen = sum(len(part.raw.misshapen) for part in parts if part.raw.file == name)
            new, repeats, contradicting, aside = (
                int(counts.get(kind, 0)) for kind in ("new", "repeat", "contradicting", "set aside")
            )
            read = new + repeats + contradicting + aside + misshapen
            told.append((name, record, read, new, repeats, contradicting, aside + misshapen))
    return typed_frame(sorted(told, key=lambda row: (str(row[0]), str(row[1]))), ARRIVING_COLUMNS)


def _kinds(rows: RecordRows, dossier: Dossier, *, arriving: Collection[str]) -> pd.DataFrame:
    """Return the file and the kind of every row that arrives."""
    places = lineage_table(rows, np.arange(len(rows.frame), dtype=np.int64))
    arrives = places["file"].isin(list(arriving))
    own = rows.faults.loc[rows.faults["rule"] != "repeated key", "row"]
    sound = pd.Series(True, index=rows.frame.index)
    sound.loc[own.unique()] = False
    there = dossier.lineage[rows.contract.name].fillna({"sheet": "", "column": ""}).assign(accepted=True)
    merged = places.fillna({"sheet": "", "column": ""}).merge(there, on=list(LINEAGE_COLUMNS), how="left")
    kind = merged["accepted"].eq(True).map({True: "new", False: "set aside"})
    clean = rows.frame[sound]
    if len(clean):
        by_key = clean.groupby(list(rows.contract.key), sort=False, dropna=False).ngroup()
        content = clean.groupby(list(clean.columns), sort=False, dropna=False).ngroup()
        at_odds = content.groupby(by_key).transform("nunique") > 1
        known = (~arrives[sound]).groupby(by_key).transform("any")
        later = by_key[arrives[sound]].groupby(by_key).cumcount().reindex(clean.index, fill_value=0) > 0
        kind.loc[clean.index[at_odds]] = "contradicting"
        kind.loc[clean.index[~at_odds & (known | later)]] = "repeat"
    return pd.DataFrame({"file": places["file"], "kind": kind})[arrives]
