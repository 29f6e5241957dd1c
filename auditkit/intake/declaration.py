"""`dossier.yaml`: what the files cannot say for themselves, declared and checked."""

from __future__ import annotations

import codecs
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import yaml

from auditkit import units
from auditkit.contracts.contract import Contract
from auditkit.contracts.strict_yaml import read_plain_yaml
from auditkit.contracts.strictness import faults_against, read_schema
from auditkit.errors import DeclarationError, Fault, UnitError
from auditkit.intake.databases import (
    Database,
    build_databases,
    database_faults,
    masked,
    query_faults,
    snapshot_faults,
)
from auditkit.intake.declaration_faults import path_faults, unknown, zone_faults
from auditkit.intake.settings import (
    LogEntry,
    build_log_entries,
    replacement_costs_of,
    setting_faults,
    viscosity_points_of,
)
from auditkit.paths import schemas_folder

__all__ = [
    "DECLARATION_FILE",
    "OF_VALUES",
    "Cell",
    "Declaration",
    "Reading",
    "TableEntry",
    "Wide",
    "fold",
    "read_declaration",
]

DECLARATION_FILE = "dossier.yaml"

Cell = str | int | float | bool

OF_VALUES = {"decimal": ".", "thousands": "none"}
"""How numbers of a database are written, whatever the dossier's files do."""


def fold(text: str) -> str:
    """Return a header or word in the form in which they are compared.

    Examples
    --------
    >>> fold("  DFT_um ")
    'dft_um'
    """
    return text.strip().strip("\ufeff\u200b").strip().casefold()


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """How the cells of a table are written; None where nothing was declared.

    Parameters
    ----------
    decimal : {".", ","}, optional
    thousands : {"none", ",", ".", "space"}, optional
    dates : {"day-first", "month-first", "year-first"}, optional
    time_zone : str, optional
    missing : frozenset of str
        Words that mean no value, folded.
    """

    decimal: str | None = None
    thousands: str | None = None
    dates: str | None = None
    time_zone: str | None = None
    missing: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True, kw_only=True)
class Wide:
    """Readings laid out across columns: the column they fill, and what each header says of them."""

    value: str
    columns: Mapping[str, Mapping[str, Cell]] = field(default_factory=dict)
    pattern: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TableEntry:
    """One entry under `tables`; the attributes are the keys of the format."""

    where: str
    file: str
    record: str
    sheet: str | None = None
    header_line: int | None = None
    encoding: str | None = None
    delimiter: str | None = None
    reading: Reading = Reading()
    columns: Mapping[str, str] = field(default_factory=dict)
    drop: tuple[str, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    values: Mapping[str, Mapping[str, Cell]] = field(default_factory=dict)
    constants: Mapping[str, Cell | None] = field(default_factory=dict)
    join: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    wide: Wide | None = None
    fill_down: tuple[str, ...] = ()
    date_only: tuple[str, ...] = ()
    database: str | None = None
    query: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Declaration:
    """All that `dossier.yaml` says, or nothing where there is none."""

    title: str
    reading: Reading = Reading()
    absent_defect_means: str | None = None
    conditions: Mapping[str, Any] = field(default_factory=dict)
    film_limits: Mapping[str, Mapping[str, Cell]] = field(default_factory=dict)
    pressure_logs: tuple[LogEntry, ...] = ()
    replacement_costs: Mapping[str, str | tuple[float, float]] = field(default_factory=dict)
    viscosity_points: Mapping[str, tuple[Mapping[str, float], ...]] = field(default_factory=dict)
    causal_diagram: Mapping[str, Any] = field(default_factory=dict)
    ignore: tuple[str, ...] = ()
    databases: Mapping[str, Database] = field(default_factory=dict)
    tables: tuple[TableEntry, ...] = ()


def read_declaration(folder: Path, contracts: Mapping[str, Contract]) -> Declaration:
    """Return what `dossier.yaml` in `folder` declares, or an empty declaration where there is none.

    Raises
    ------
    DeclarationError
        Anything in it is unknown or does not hold; all faults at once.
    """
    path = folder / DECLARATION_FILE
    if not path.exists():
        return Declaration(title=folder.resolve().name)
    try:
        document = _text_keys(read_plain_yaml(path.read_text(encoding="utf-8-sig")))
    except (OSError, UnicodeDecodeError, yaml.YAMLError) as error:
        given = masked(_yaml_fault(error))
        raise DeclarationError(
            f"{DECLARATION_FILE}: must be YAML in UTF-8; given {given}. Correct the file."
        ) from error
    faults = faults_against(document, read_schema(schemas_folder() / "dossier.schema.json"), where=DECLARATION_FILE)
    if not faults:
        faults = _cross_faults(document, contracts)
    if faults:
        raise DeclarationError(masked("\n".join(map(str, faults))))
    return _build(document, folder)


def _yaml_fault(error: Exception) -> str:
    """Return what is wrong and where; not the lines around it, in which part of a URL might stand."""
    if isinstance(error, yaml.MarkedYAMLError) and error.problem is not None and error.problem_mark is not None:
        place = error.problem_mark
        return f"{error.problem} in line {place.line + 1}, column {place.column + 1}"
    return " ".join(str(error).split())


def _text_keys(document: Any) -> Any:
    """Return the document with every key as text, since headers may look like numbers."""
    if isinstance(document, dict):
        return {str(key): _text_keys(value) for key, value in document.items()}
    if isinstance(document, list):
        return [_text_keys(value) for value in document]
    return document


def _cross_faults(document: Mapping[str, Any], contracts: Mapping[str, Contract]) -> list[Fault]:
    faults = _mark_faults(document, DECLARATION_FILE, document)
    faults.extend(setting_faults(document, contracts, where=DECLARATION_FILE))
    faults.extend(database_faults(document, where=DECLARATION_FILE))
    faults.extend(snapshot_faults(document.get("tables", []), where=DECLARATION_FILE))
    for number, entry in enumerate(document.get("tables", []), start=1):
        where = f"{DECLARATION_FILE}, tables[{number}]"
        faults.extend(_mark_faults(entry, where, document))
        faults.extend(_file_faults(entry, where))
        faults.extend(query_faults(entry, where, document.get("databases", {})))
        if entry["record"] in contracts:
            faults.extend(_column_faults(entry, where, contracts[entry["record"]]))
        else:
            faults.append(unknown(f"{where}.record", "a kind of record", entry["record"], contracts))
    return faults


def _mark_faults(entry: Mapping[str, Any], where: str, document: Mapping[str, Any]) -> list[Fault]:
    """Return faults of the marks and the time zone, of the dossier or one table."""
    faults = []
    decimal = entry.get("decimal", document.get("decimal"))
    if decimal is not None and decimal == entry.get("thousands", document.get("thousands")):
        given = f"{decimal!r} for both"
        holds = "decimal and thousands must be different marks"
        faults.append(Fault(where=where, holds=holds, given=given, cure="correct one of them"))
    faults.extend(zone_faults(entry.get("time_zone"), where))
    return faults


def _file_faults(entry: Mapping[str, Any], where: str) -> list[Fault]:
    faults = path_faults(entry["file"], f"{where}.file")
    if "encoding" in entry:
        try:
            codecs.lookup(entry["encoding"])
        except LookupError:
            given = repr(entry["encoding"])
            cure = "write utf-8, utf-16, cp1252 or another name Python knows"
            faults.append(Fault(where=f"{where}.encoding", holds="must be a text encoding", given=given, cure=cure))
    return faults


def _column_faults(entry: Mapping[str, Any], where: str, contract: Contract) -> list[Fault]:
    """Return faults of everything in an entry that names columns of its contract."""
    faults = []
    named: list[tuple[str, str]] = []
    for header, target in entry.get("columns", {}).items():
        named.append((f"{where}.columns.{header}", target))
    for key in ("constants", "join"):
        named.extend((f"{where}.{key}", target) for target in entry.get(key, {}))
    wide = entry.get("wide", {})
    wide_targets, wide_faults = _wide_targets(wide, f"{where}.wide")
    faults.extend(wide_faults)
    named.extend((f"{where}.wide", target) for target in wide_targets)
    filled: dict[str, str] = {}
    for place, target in named:
        if target not in contract.names:
            faults.append(unknown(place, f"a column of {contract.name}", target, contract.names))
        elif target in filled:
            holds = f"column {target} must be filled from one place"
            faults.append(Fault(where=place, holds=holds, given=f"also {filled[target]}", cure="remove one"))
        else:
            filled[target] = place
    for target in entry.get("join", {}):
        if target in contract.names and contract.column(target).kind != "moment":
            holds = f"only a moment can be joined; {target} is a {contract.column(target).kind}"
            faults.append(Fault(where=f"{where}.join", holds=holds, given=target, cure="remove it"))
    faults.extend(_blank_faults(entry.get("constants", {}), f"{where}.constants", contract))
    faults.extend(_date_faults(entry.get("date_only", ()), f"{where}.date_only", contract))
    faults.extend(_unit_faults(entry.get("units", {}), f"{where}.units", contract))
    faults.extend(_value_faults(entry.get("values", {}), f"{where}.values", contract))
    return faults


def _blank_faults(constants: Mapping[str, Cell | None], where: str, contract: Contract) -> list[Fault]:
    """Return faults of columns declared blank that may not be."""
    blank = [target for target, constant in constants.items() if constant is None and target in contract.names]
    return [
        Fault(where=where, holds=f"{target} must not be blank", given="null", cure="give its value")
        for target in blank
        if not contract.column(target).nullable
    ]


def _date_faults(targets: Sequence[str], where: str, contract: Contract) -> list[Fault]:
    """Return faults of columns in which bare dates are to be read."""
    faults = []
    for target in targets:
        if target not in contract.names:
            faults.append(unknown(where, f"a column of {contract.name}", target, contract.names))
        elif contract.column(target).kind != "moment":
            holds = f"only a moment can lack its time of day; {target} is of kind {contract.column(target).kind}"
            faults.append(Fault(where=where, holds=holds, given=target, cure="remove it"))
    return faults


def _wide_targets(wide: Mapping[str, Any], where: str) -> tuple[list[str], list[Fault]]:
    """Return the columns a wide layout fills, and what is wrong with it."""
    if not wide:
        return [], []
    targets = [wide["value"]]
    if ("columns" in wide) == ("pattern" in wide):
        given = "both" if "columns" in wide else "neither"
        cure = "give one of them"
        return targets, [Fault(where=where, holds="must have either columns or pattern", given=given, cure=cure)]
    if "pattern" in wide:
        try:
            return targets + list(re.compile(wide["pattern"]).groupindex), []
        except re.error as error:
            holds = "must be a regular expression"
            return targets, [Fault(where=f"{where}.pattern", holds=holds, given=str(error), cure="correct it")]
    told = [tuple(sorted(about)) for about in wide["columns"].values()]
    if len(set(told)) > 1:
        holds = "every header must tell about the same columns"
        given = " and ".join(", ".join(names) or "nothing" for names in sorted(set(told)))
        return targets, [Fault(where=f"{where}.columns", holds=holds, given=given, cure="complete them")]
    return targets + list(told[0]), []


def _unit_faults(given_units: Mapping[str, str], where: str, contract: Contract) -> list[Fault]:
    faults = []
    for target, given in given_units.items():
        place = f"{where}.{target}"
        if target not in contract.names:
            faults.append(unknown(place, f"a column of {contract.name}", target, contract.names))
            continue
        unit = contract.column(target).unit
        if unit is None:
            faults.append(Fault(where=place, holds=f"{target} must have a unit", given=given, cure="remove it"))
            continue
        try:
            units.convert(1.0, given, unit)
        except UnitError as error:
            holds = f"must be a unit of {units.quantity_of(unit)}"
            cure = f"use one of {', '.join(units.known(units.quantity_of(unit)))}"
            faults.append(Fault(where=place, holds=holds, given=repr(given), cure=cure))
            del error
    return faults


def _value_faults(values: Mapping[str, Mapping[str, Cell]], where: str, contract: Contract) -> list[Fault]:
    faults = []
    for target, words in values.items():
        place = f"{where}.{target}"
        if target not in contract.names:
            faults.append(unknown(place, f"a column of {contract.name}", target, contract.names))
            continue
        if len({fold(word) for word in words}) < len(words):
            holds = "must give each word once, in whatever letter case"
            faults.append(Fault(where=place, holds=holds, given=", ".join(words), cure="remove one"))
        choices = contract.column(target).choices
        for given, meant in words.items():
            if choices and meant not in choices:
                faults.append(unknown(f"{place}.{given}", f"a word of {target}", str(meant), choices))
    return faults


def _reading(entry: Mapping[str, Any], document: Mapping[str, Any]) -> Reading:
    def of(key: str) -> str | None:
        value: str | None = entry.get(key, document.get(key))
        return value

    return Reading(
        decimal=of("decimal"),
        thousands=of("thousands"),
        dates=of("dates"),
        time_zone=of("time_zone"),
        missing=frozenset(fold(str(word)) for word in entry.get("missing", ())),
    )


def _build(document: Mapping[str, Any], folder: Path) -> Declaration:
    entries = enumerate(document.get("tables", []), start=1)
    return Declaration(
        title=document.get("title", folder.resolve().name),
        reading=_reading({}, document),
        absent_defect_means=document.get("absent_defect_means"),
        conditions=document.get("conditions", {}),
        film_limits=document.get("film_limits", {}),
        pressure_logs=build_log_entries(
            document.get("pressure_logs", ()), time_zone=document.get("time_zone"), where=DECLARATION_FILE
        ),
        replacement_costs=replacement_costs_of(document.get("replacement_costs", {})),
        viscosity_points=viscosity_points_of(document.get("viscosity_points", {})),
        causal_diagram=document.get("causal_diagram", {}),
        ignore=tuple(document.get("ignore", ())),
        databases=build_databases(document.get("databases", {})),
        tables=tuple(_build_entry(number, entry, document) for number, entry in entries),
    )


def _build_entry(number: int, entry: Mapping[str, Any], document: Mapping[str, Any]) -> TableEntry:
    wide = entry.get("wide")
    return TableEntry(
        where=f"{DECLARATION_FILE}, tables[{number}]",
        file=entry["file"],
        record=entry["record"],
        sheet=entry.get("sheet"),
        header_line=entry.get("header_line"),
        encoding=entry.get("encoding"),
        delimiter=entry.get("delimiter"),
        reading=_reading(entry if "query" not in entry else {**entry, **OF_VALUES}, document),
        columns=entry.get("columns", {}),
        drop=tuple(entry.get("drop", ())),
        units=entry.get("units", {}),
        values=entry.get("values", {}),
        constants=entry.get("constants", {}),
        join={target: tuple(headers) for target, headers in entry.get("join", {}).items()},
        wide=None if wide is None else Wide(**wide),
        fill_down=tuple(entry.get("fill_down", ())),
        date_only=tuple(entry.get("date_only", ())),
        database=entry.get("database"),
        query=entry.get("query"),
    )
