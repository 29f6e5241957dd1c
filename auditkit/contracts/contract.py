"""What a contract is: the columns, key, links and row rules of one kind of record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from pandera.pandas import DataFrameSchema

__all__ = ["Column", "Contract", "Kind", "Link", "RowRule"]

Kind = Literal["text", "choice", "number", "integer", "yes-no", "moment"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a contract.

    Parameters
    ----------
    name, title, description : str
    kind : {"text", "choice", "number", "integer", "yes-no", "moment"}
    dtype : str
        The pandas dtype an accepted column has.
    nullable : bool
        A cell may be blank.
    required : bool
        The column must be there, if only with blank cells.
    minimum, maximum : float, optional
        Range of a number, bounds included.
    shortest, longest : int, optional
        Range of a text's length.
    choices : tuple of str
        Words allowed, of a choice.
    unit : str, optional
        Unit the numbers are held in.
    decimals : int, optional
        Decimals kept when numbers are converted into the unit.
    example : str or float
    source : str, optional
        Where limits or words come from.
    """

    name: str
    title: str
    description: str
    kind: Kind
    dtype: str
    nullable: bool
    required: bool
    minimum: float | None = None
    maximum: float | None = None
    shortest: int | None = None
    longest: int | None = None
    choices: tuple[str, ...] = ()
    unit: str | None = None
    decimals: int | None = None
    example: str | float = ""
    source: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Link:
    """A column whose values must be keys of another record."""

    column: str
    record: str
    to_column: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RowRule:
    """A rule over several columns of one row; `auditkit.contracts.rules` holds what each does."""

    rule: str
    columns: tuple[str, ...]
    holds: str
    cure: str
    limits: Mapping[str, float] = field(default_factory=dict, hash=False)


@dataclass(frozen=True, slots=True, kw_only=True)
class Contract:
    """What one kind of record must be.

    Parameters
    ----------
    name, title, description : str
    version : int
        Version of this contract.
    grain : str
        What one row is.
    key : tuple of str
        Columns that together name a row.
    links : tuple of Link
    rules : tuple of RowRule
    columns : tuple of Column
        In the order accepted tables have.
    digest : str
        SHA-256 of the file's bytes.
    text : str
        The file itself, from which `schema` is compiled.
    """

    name: str
    title: str
    description: str
    version: int
    grain: str
    key: tuple[str, ...]
    links: tuple[Link, ...]
    rules: tuple[RowRule, ...]
    columns: tuple[Column, ...]
    digest: str
    text: str = field(repr=False)

    @property
    def names(self) -> tuple[str, ...]:
        """Return the names of the columns, in order."""
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        """Return the column called `name`.

        Raises
        ------
        KeyError
            The contract has no such column.
        """
        for column in self.columns:
            if column.name == name:
                return column
        raise KeyError(f"{self.name} has no column {name!r}; it has {', '.join(self.names)}")

    def schema(self) -> DataFrameSchema:
        """Return the pandera schema compiled from the file's own text."""
        return _compiled(self.text)


@lru_cache(maxsize=64)
def _compiled(text: str) -> DataFrameSchema:
    try:
        from pandera.io.pandas_io import from_yaml
    except ImportError:  # pandera before 0.27 had one backend only
        from pandera.io import from_yaml
    return from_yaml(text)
