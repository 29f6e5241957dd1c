"""The collection of contracts in `schemas/`: found, held to a strict form, and hashed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from types import MappingProxyType
from typing import Any

import yaml

from auditkit import units
from auditkit.contracts.contract import Column, Contract, Kind, Link, RowRule
from auditkit.contracts.strict_yaml import read_yaml
from auditkit.contracts.strictness import faults_against, near_match, read_schema
from auditkit.errors import ContractError, Fault, UnitError
from auditkit.paths import schemas_folder

__all__ = ["contract", "load_contracts"]

_KINDS: Mapping[str, Kind] = {
    "str": "text",
    "float64": "number",
    "Int64": "integer",
    "boolean": "yes-no",
    "datetime64[us, UTC]": "moment",
}
_NUMBERS = ("number", "integer")


def load_contracts(folder: Path | None = None) -> Mapping[str, Contract]:
    """Return the contracts of a folder by name, in alphabetical order.

    A YAML file is taken for a contract if it has columns or a schema type; other
    declarations in the same folder are left alone.

    Parameters
    ----------
    folder : Path, optional
        Left out, the contracts that ship with the package.

    Raises
    ------
    ContractError
        Anything in a contract is unknown, missing or contradictory; all faults at once.

    Examples
    --------
    >>> load_contracts()["film_readings"].key
    ('area_id', 'side', 'spot', 'repeat')
    """
    return _shipped() if folder is None else _load(folder)


def contract(name: str) -> Contract:
    """Return the contract called `name`.

    Raises
    ------
    ContractError
        There is none of that name.

    Examples
    --------
    >>> contract("film_readings").column("dft_um").unit
    'um'
    >>> contract("film_reading")
    Traceback (most recent call last):
    ...
    auditkit.errors.ContractError: 'film_reading' is no kind of record; write 'film_readings', if that is what is meant.
    """
    known = load_contracts()
    if name not in known:
        near = near_match(name, known)
        cure = f"write {near!r}, if that is what is meant" if near else f"known are {', '.join(known)}"
        raise ContractError(f"{name!r} is no kind of record; {cure}.")
    return known[name]


@lru_cache(maxsize=1)
def _shipped() -> Mapping[str, Contract]:
    return _load(schemas_folder())


def _load(folder: Path) -> Mapping[str, Contract]:
    """Return the contracts of one folder, or raise with every fault found."""
    form = read_schema(_form_path(folder))
    faults: list[Fault] = []
    documents: dict[str, dict[str, Any]] = {}
    sources: dict[str, bytes] = {}
    for path in sorted(folder.glob("*.yaml")):
        try:
            raw = path.read_bytes()
            document = read_yaml(raw.decode("utf-8"))
        except (OSError, UnicodeDecodeError, yaml.YAMLError) as error:
            faults.append(_fault(path.name, "must be YAML that can be read", _one_line(error), "correct the file"))
            continue
        if not _is_contract(document):
            continue
        formal = faults_against(document, form, where=path.name)
        faults.extend(formal)
        if not formal:
            documents[path.stem] = document
            sources[path.stem] = raw
    for stem, document in documents.items():
        faults.extend(_cross_faults(stem, document))
    if not faults:
        faults.extend(_link_faults(documents))
    if faults:
        raise ContractError("\n".join(map(str, faults)))
    if not documents:
        raise ContractError(f"{folder}: must hold at least one contract; given none. Name the folder of the contracts.")
    return MappingProxyType({stem: _build(document, sources[stem]) for stem, document in documents.items()})


def _form_path(folder: Path) -> Path:
    """Return where the form of contracts is written: in the folder itself, else in the shipped one."""
    own = folder / "contract.schema.json"
    return own if own.is_file() else schemas_folder() / "contract.schema.json"


def _is_contract(document: object) -> bool:
    """Return whether a document means to be a contract, even with one of its two marks misspelt."""
    if not isinstance(document, dict):
        return False
    marks = ("schema_type", "columns")
    return any(mark in document for mark in marks) or any(near_match(str(key), ["schema_type"]) for key in document)


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())


def _fault(where: str, holds: str, given: object, cure: str) -> Fault:
    return Fault(where=where, holds=holds, given=str(given), cure=cure)


def _kind(column: Mapping[str, Any]) -> Kind:
    kind = _KINDS[column["dtype"]]
    return "choice" if kind == "text" and "isin" in column.get("checks", {}) else kind


def _cross_faults(stem: str, document: Mapping[str, Any]) -> list[Fault]:
    """Return what the parts of one contract say against each other."""
    file = f"{stem}.yaml"
    about = document["metadata"]["auditkit"]
    columns: Mapping[str, Any] = document["columns"]
    faults: list[Fault] = []
    if document["name"] != stem:
        faults.append(_fault(f"{file}, name", "must be the name of the file", document["name"], f"write {stem}"))
    for name in columns:
        if name not in about["columns"]:
            where = f"{file}, metadata.auditkit.columns"
            faults.append(_fault(where, f"must tell about column {name}", "nothing", f"add {name} with an example"))
    faults.extend(_unknown(f"{file}, metadata.auditkit.columns", list(about["columns"]), columns))
    faults.extend(_unknown(f"{file}, metadata.auditkit.key", about["key"], columns))
    for name in about["key"]:
        if name in columns and (columns[name]["nullable"] or not columns[name]["required"]):
            where = f"{file}, columns.{name}"
            faults.append(
                _fault(where, "must be required and never blank, being in the key", "otherwise", "correct the column")
            )
    for link in about["links"]:
        faults.extend(_unknown(f"{file}, metadata.auditkit.links", [link["column"]], columns))
    for number, rule in enumerate(about["rules"], start=1):
        faults.extend(_rule_faults(f"{file}, metadata.auditkit.rules[{number}]", rule, columns))
    for name, column in columns.items():
        faults.extend(_column_faults(f"{file}, columns.{name}", column, about["columns"].get(name, {})))
    return faults


def _unknown(where: str, names: list[str], columns: Mapping[str, Any]) -> list[Fault]:
    faults = []
    for name in names:
        if name not in columns:
            near = near_match(name, columns)
            cure = f"write {near!r}, if that is what is meant" if near else f"use one of {', '.join(columns)}"
            faults.append(_fault(where, "must name a column of this contract", name, cure))
    return faults


def _rule_faults(where: str, rule: Mapping[str, Any], columns: Mapping[str, Any]) -> list[Fault]:
    """Return what keeps a row rule from being applied to its columns."""
    unknown = _unknown(where, rule["columns"], columns)
    if unknown:
        return unknown
    kinds = [_kind(columns[name]) for name in rule["columns"]]
    wanted, fits = {
        "ordered": ("two or more numbers", len(kinds) >= 2 and all(kind in _NUMBERS for kind in kinds)),
        "after": ("two moments", kinds == ["moment", "moment"]),
        "together": ("two or more columns", len(kinds) >= 2),
        "any_of": ("two or more columns", len(kinds) >= 2),
        "at_most_by": ("a number and a choice", len(kinds) == 2 and kinds[0] in _NUMBERS and kinds[1] == "choice"),
    }[rule["rule"]]
    faults = []
    if not fits:
        faults.append(_fault(where, f"{rule['rule']} must have {wanted}", ", ".join(kinds), "correct the columns"))
    elif rule["rule"] == "at_most_by":
        choices = columns[rule["columns"][1]]["checks"]["isin"]
        if sorted(rule.get("limits", {})) != sorted(choices):
            holds = f"must have a limit for each of {', '.join(choices)}"
            faults.append(_fault(where, holds, ", ".join(rule.get("limits", {})) or "none", "complete the limits"))
    if rule["rule"] != "at_most_by" and "limits" in rule:
        faults.append(_fault(where, f"{rule['rule']} must have no limits", "limits", "remove them"))
    return faults


def _column_faults(where: str, column: Mapping[str, Any], about: Mapping[str, Any]) -> list[Fault]:
    """Return what one column says against itself."""
    kind = _kind(column)
    faults = []
    allowed = {"text": "str_length", "choice": "isin", "number": "in_range", "integer": "in_range"}.get(kind)
    checks: Mapping[str, Any] = column.get("checks", {})
    for check, bounds in checks.items():
        if check != allowed:
            faults.append(_fault(where, f"{kind} must have no check {check}", check, "remove the check"))
        elif check != "isin" and bounds["min_value"] > bounds["max_value"]:
            faults.append(_fault(where, "min_value must not exceed max_value", bounds, "correct the bounds"))
    if "unit" in about:
        try:
            units.find(about["unit"])
        except UnitError as error:
            faults.append(_fault(where, "must have a known unit", about["unit"], str(error)))
        if kind != "number":
            faults.append(_fault(where, f"{kind} must have no unit", about["unit"], "remove the unit"))
    if ("unit" in about) != ("decimals" in about):
        faults.append(_fault(where, "unit and decimals must come together", dict(about), "give both or neither"))
    if about and not faults and not _example_fits(about["example"], kind, checks):
        faults.append(_fault(where, "its example must pass its own checks", about["example"], "correct the example"))
    return faults


def _example_fits(example: str | float, kind: Kind, checks: Mapping[str, Any]) -> bool:
    """Return whether an example is of the column's kind and inside its checks."""
    if isinstance(example, str):
        if kind == "text":
            bounds = checks.get("str_length", {"min_value": 1, "max_value": len(example)})
            return bool(bounds["min_value"] <= len(example) <= bounds["max_value"])
        words = {"choice": checks.get("isin", []), "yes-no": ["yes", "no"]}
        return _is_moment(example) if kind == "moment" else example in words.get(kind, [])
    bounds = checks.get("in_range", {"min_value": float("-inf"), "max_value": float("inf")})
    whole = kind != "integer" or example == int(example)
    return bool(kind in _NUMBERS and whole and bounds["min_value"] <= example <= bounds["max_value"])


def _is_moment(example: str) -> bool:
    try:
        return datetime.fromisoformat(example).tzinfo is not None
    except ValueError:
        return False


def _link_faults(documents: Mapping[str, Mapping[str, Any]]) -> list[Fault]:
    """Return the links that do not lead to the key of another contract."""
    faults = []
    for stem, document in documents.items():
        for link in document["metadata"]["auditkit"]["links"]:
            where = f"{stem}.yaml, metadata.auditkit.links"
            record, column = link["to"].split(".")
            if record not in documents:
                near = near_match(record, documents)
                cure = f"write {near}.{column}, if that is what is meant" if near else "name another contract"
                faults.append(_fault(where, "must lead to a contract of this folder", link["to"], cure))
                continue
            key = documents[record]["metadata"]["auditkit"]["key"]
            if key != [column]:
                holds = f"must lead to the key of {record} ({', '.join(key)})"
                faults.append(_fault(where, holds, link["to"], "name the key, of one column"))
            elif documents[record]["columns"][column]["dtype"] != document["columns"][link["column"]]["dtype"]:
                faults.append(_fault(where, "must join columns of one dtype", link["to"], "correct a dtype"))
    return faults


def _build(document: Mapping[str, Any], raw: bytes) -> Contract:
    about = document["metadata"]["auditkit"]
    return Contract(
        name=document["name"],
        title=document["title"],
        description=document["description"],
        version=about["version"],
        grain=about["grain"],
        key=tuple(about["key"]),
        links=tuple(_build_link(link) for link in about["links"]),
        rules=tuple(
            RowRule(
                rule=rule["rule"],
                columns=tuple(rule["columns"]),
                holds=rule["holds"],
                cure=rule["cure"],
                limits=MappingProxyType(dict(rule.get("limits", {}))),
            )
            for rule in about["rules"]
        ),
        columns=tuple(
            _build_column(name, column, about["columns"][name]) for name, column in document["columns"].items()
        ),
        digest=hashlib.sha256(raw).hexdigest(),
        text=raw.decode("utf-8"),
    )


def _build_link(link: Mapping[str, str]) -> Link:
    record, column = link["to"].split(".")
    return Link(column=link["column"], record=record, to_column=column)


def _build_column(name: str, column: Mapping[str, Any], about: Mapping[str, Any]) -> Column:
    checks = column.get("checks", {})
    bounds, lengths = checks.get("in_range", {}), checks.get("str_length", {})
    return Column(
        name=name,
        title=column["title"],
        description=column["description"],
        kind=_kind(column),
        dtype=column["dtype"],
        nullable=column["nullable"],
        required=column["required"],
        minimum=bounds.get("min_value"),
        maximum=bounds.get("max_value"),
        shortest=lengths.get("min_value"),
        longest=lengths.get("max_value"),
        choices=tuple(checks.get("isin", ())),
        unit=about.get("unit"),
        decimals=about.get("decimals"),
        example=about["example"],
        source=about.get("source"),
    )
