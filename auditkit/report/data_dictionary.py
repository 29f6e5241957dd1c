"""The data dictionary as a page: every kind of record, its columns, rules and links, from the contracts themselves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from auditkit.contracts import Contract
from auditkit.version import __version__
from auditkit.views.dictionary import may_hold, rule_words
from auditkit.views.sentences import unit_sign

__all__ = ["DICTIONARY_FILE", "data_dictionary"]

DICTIONARY_FILE = "data_dictionary.html"


def data_dictionary(contracts: Mapping[str, Contract]) -> bytes:
    """Return the page, in HTML without a script or request, the same bytes from the same contracts.

    Each kind of record stands under its name as `id`, each column under
    `KIND.COLUMN`, so that both can be linked to.

    Parameters
    ----------
    contracts : mapping of record to Contract

    Examples
    --------
    >>> from auditkit.contracts import load_contracts
    >>> page = data_dictionary(load_contracts()).decode()
    >>> 'id="film_readings.dft_um"' in page
    True
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("auditkit.report", "."), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    page = environment.get_template("dictionary.html.j2").render(
        version=__version__,
        records=[_record(contract, contracts) for contract in contracts.values()],
        links=[
            {"record": contract.name, "column": link.column, "to": link.record, "to_column": link.to_column}
            for contract in contracts.values()
            for link in contract.links
        ],
        index=_index(contracts),
    )
    return page.encode()


def _record(contract: Contract, contracts: Mapping[str, Contract]) -> dict[str, Any]:
    links = {link.column: link for link in contract.links}
    named_by = [
        f"{other.name}.{link.column}"
        for other in contracts.values()
        for link in other.links
        if link.record == contract.name
    ]
    return {
        "name": contract.name,
        "title": contract.title,
        "description": contract.description,
        "grain": contract.grain,
        "key": ", ".join(contract.key),
        "version": contract.version,
        "digest": contract.digest,
        "named_by": named_by,
        "rules": [f"{rule_words(rule)} Cure: {rule.cure}." for rule in contract.rules],
        "columns": [
            {
                "name": column.name,
                "title": column.title,
                "unit": unit_sign(column.unit) if column.unit else "",
                "needed": "may be left out" if not column.required else "may be blank" if column.nullable else "yes",
                "holds": may_hold(column).removesuffix("; or blank"),
                "description": column.description,
                "link": f"{links[column.name].record}.{links[column.name].to_column}" if column.name in links else "",
                "example": column.example,
                "source": column.source or "",
                "in_key": column.name in contract.key,
            }
            for column in contract.columns
        ],
    }


def _index(contracts: Mapping[str, Contract]) -> list[tuple[str, list[str]]]:
    """Return every column by name, with the kinds of record that have it."""
    names = sorted({name for contract in contracts.values() for name in contract.names})
    return [(name, [record for record, contract in contracts.items() if name in contract.names]) for name in names]
