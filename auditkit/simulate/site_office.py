"""The site office: the files it keeps, and cells as they are written there."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd

from auditkit.simulate.dirt import Dirt, Ledger, Row, scatter
from auditkit.simulate.instruments import as_given, number_text
from auditkit.simulate.site_words import WORDS

__all__ = ["Site", "given", "number_texts", "rows_of", "site_words", "texts"]


@dataclass(slots=True, kw_only=True)
class Site:
    """The site office: its tables and zone, where its files go, and what has been dirtied so far."""

    tables: dict[str, pd.DataFrame]
    zone: str
    folder: Path
    rng: np.random.Generator
    ledger: Ledger

    def local(self, record: str, column: str, form: str) -> list[str]:
        """Return the moments of a column as local text, blank where none was noted."""
        moments = self.tables[record][column].dt.tz_convert(self.zone)
        return list(moments.dt.strftime(form).fillna(""))

    def dirtied(self, rows: Sequence[Row], dirt: Sequence[Dirt], *, file: str, record: str) -> list[Row]:
        """Return good rows with bad ones among them, noted in the ledger."""
        return scatter(rows, dirt, file=file, record=record, ledger=self.ledger, rng=self.rng)

    def write_lines(
        self, file: str, rows: Sequence[Row], *, delimiter: str = ",", encoding: str = "utf-8", mark: str = ""
    ) -> None:
        """Write rows as delimited text, led by a byte order mark where one is given."""
        out = StringIO()
        out.write(mark)
        writer = csv.writer(out, delimiter=delimiter, lineterminator="\r\n")
        writer.writerows(rows)
        (self.folder / file).write_bytes(out.getvalue().encode(encoding))


def number_texts(values: pd.Series) -> list[str]:
    """Return numbers as text that reads back the same, blank where missing.

    Examples
    --------
    >>> number_texts(pd.Series([5.0, 0.1, float("nan")]))
    ['5', '0.1', '']
    """
    return ["" if pd.isna(value) else number_text(float(value)) for value in values]


def given(frame: pd.DataFrame, record: str, column: str) -> pd.Series:
    """Return a column in the unit in which the site reads it.

    Examples
    --------
    >>> given(pd.DataFrame({"standoff_mm": [177.8]}), "spray_runs", "standoff_mm").tolist()
    [7.0]
    """
    return pd.Series(as_given(frame[column].to_numpy(dtype="float64"), record, column), index=frame.index)


def site_words(values: pd.Series, column: str) -> list[str]:
    """Return the contract's words of a column as the site says them, blank where missing.

    Examples
    --------
    >>> site_words(pd.Series(["filter", None]), "part")
    ['strainer', '']
    """
    said = {contract: site for site, contract in WORDS[column].items()}
    return ["" if pd.isna(value) else said[str(value)] for value in values]


def texts(values: pd.Series) -> list[str]:
    """Return values as text, blank where missing.

    Examples
    --------
    >>> texts(pd.Series([1, None], dtype="Int64"))
    ['1', '']
    """
    return ["" if pd.isna(value) else str(value) for value in values]


def rows_of(*columns: Sequence[object]) -> list[Row]:
    """Return columns of equal length as rows.

    Examples
    --------
    >>> rows_of(["a", "b"], [1, 2])
    [['a', 1], ['b', 2]]
    """
    return [list(row) for row in zip(*columns, strict=True)]
