"""Data dictionary: every column of every record, its unit and what it may hold, from the contracts themselves."""

from __future__ import annotations

from collections.abc import Mapping

from auditkit.contracts import Column, Contract
from auditkit.views.sentences import unit_sign

__all__ = ["dictionary_markdown"]


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
        f"| {_may_hold(column)} |"
        for column in contract.columns
    ]
    return "\n".join([head, "", "| column | unit | what it is | may hold |", "| --- | --- | --- | --- |", *rows])


def _may_hold(column: Column) -> str:
    if column.choices:
        what = ", ".join(map(str, column.choices))
    elif column.minimum is not None or column.maximum is not None:
        what = f"{column.minimum:,.10g} to {column.maximum:,.10g}"
    else:
        what = {"yes-no": "yes, no", "moment": "date and time", "text": "text"}.get(column.kind, column.kind)
    return f"{what}; or blank" if column.nullable else what
