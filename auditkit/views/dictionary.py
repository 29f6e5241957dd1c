"""Data dictionary: every column of every record, its unit and what it may hold, from the contracts themselves."""

from __future__ import annotations

from collections.abc import Mapping

from auditkit.contracts import Column, Contract
from auditkit.contracts.contract import RowRule
from auditkit.views.sentences import unit_sign

__all__ = ["dictionary_markdown", "may_hold", "rule_words"]


def dictionary_markdown(contracts: Mapping[str, Contract]) -> str:
    """Return the data dictionary as Markdown, a table a record.

    Examples
    --------
    >>> from auditkit.contracts import load_contracts
    >>> print(dictionary_markdown({"areas": load_contracts()["areas"]}).splitlines()[0])
    **`areas`**: the pieces or stretches of metalwork that are sprayed, measured and judged as one. One row is one
    inspection area; key `area_id`.
    """
    return "\n\n".join(_record(contract) for contract in contracts.values())


def _record(contract: Contract) -> str:
    key = ", ".join(f"`{name}`" for name in contract.key)
    first = contract.description.split(".")[0]
    head = f"**`{contract.name}`**: {first[:1].lower()}{first[1:]}. One row is {contract.grain}; key {key}."
    rows = [
        f"| `{column.name}` | {unit_sign(column.unit) if column.unit else ''} | {column.description.rstrip('.')} "
        f"| {may_hold(column)} |"
        for column in contract.columns
    ]
    return "\n".join([head, "", "| column | unit | what it is | may hold |", "| --- | --- | --- | --- |", *rows])


def may_hold(column: Column) -> str:
    """Return in words what a cell of a column may hold.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> may_hold(contract("film_readings").column("dft_um")), may_hold(contract("film_readings").column("taken_at"))
    ('0 to 20,000', 'date and time; or blank')
    """
    if column.choices:
        what = ", ".join(map(str, column.choices))
    elif column.minimum is not None or column.maximum is not None:
        what = f"{column.minimum:,.10g} to {column.maximum:,.10g}"
    else:
        what = {"yes-no": "yes, no", "moment": "date and time", "text": "text"}.get(column.kind, column.kind)
    return f"{what}; or blank" if column.nullable else what


def rule_words(rule: RowRule) -> str:
    """Return a row rule as a sentence, with the columns it compares and the limits it holds them to.

    Examples
    --------
    >>> from auditkit.contracts import contract
    >>> print(rule_words(contract("wrap_observations").rules[0]))
    A rating may not exceed the top of its scale (rating, scale; five-best 5, ten-best 10, percent 100).
    """
    limits = ", ".join(f"{word} {limit:,.10g}" for word, limit in rule.limits.items())
    named = ", ".join(rule.columns) + (f"; {limits}" if limits else "")
    return f"{rule.holds[:1].upper()}{rule.holds[1:]} ({named})."
