"""A folder of records read into a dossier."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType

import numpy as np
import pandas as pd

from auditkit.contracts.checks import check_links
from auditkit.contracts.collection import load_contracts
from auditkit.contracts.contract import Contract
from auditkit.dossier import Dossier
from auditkit.errors import SourceError
from auditkit.intake.declaration import Declaration, TableEntry, read_declaration
from auditkit.intake.folder import SourceFile, check_folder, file_kind, find_files, find_logs
from auditkit.intake.layout import LaidTable, lay_out
from auditkit.intake.ledger import CONSEQUENCE, file_table, ledger_summary, ledger_table, lineage_table
from auditkit.intake.log_files import LogFile, open_logs
from auditkit.intake.notes import unit_notes, word_notes
from auditkit.intake.parquet_files import read_parquet_file
from auditkit.intake.raw import RawTable
from auditkit.intake.records import RecordRows, gather
from auditkit.intake.remarks import holds_no_records
from auditkit.intake.snapshots import check_snapshot
from auditkit.intake.text_files import read_text_file
from auditkit.intake.workbooks import read_sheets, sheet_table

__all__ = ["Progress", "read_dossier", "read_files", "read_laid"]

_MOST_FAULTS = 5

Progress = Callable[[str, int, int], None]
"""Called with the name of what was read, how many files are done, and how many there are."""


def read_dossier(folder: Path | str, *, on_progress: Progress | None = None) -> Dossier:
    """Return the dossier of a folder of records.

    Every row is either accepted, typed and in the contract's units, or set
    aside in the ledger with the reason; none is dropped and none is guessed at.

    Parameters
    ----------
    folder : Path or str
        Holds delimited text, XLSX workbooks or Parquet files, and
        `dossier.yaml` where they do not speak for themselves.
    on_progress : callable, optional
        Called after each file with its name, the files done and their number.

    Raises
    ------
    SourceError
        A file cannot be read as records, or a needed kind of record is absent
        (all such files at once); or no row at all could be accepted.
    DeclarationError
        `dossier.yaml` says something that does not hold.

    Examples
    --------
    >>> import tempfile
    >>> text = '''gauge_id,checked_at,stage,certified_um,repeat,reading_um,gauge_tolerance_pct,standard_tolerance_pct
    ... G1,2027-01-13T08:00:00+01:00,before use,125,1,126.2,3,1
    ... G1,2027-01-13T08:00:00+01:00,before use,125,2,abt 126,3,1
    ... '''
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     _ = (Path(folder) / "checks.csv").write_text(text, encoding="utf-8")
    ...     dossier = read_dossier(folder)
    >>> dossier.rows["gauge_checks"]
    1
    >>> dossier.ledger.loc[0, ["file", "column", "value", "rule"]].tolist()
    ['checks.csv', 'reading_um', 'abt 126', 'type']
    """
    return read_laid(folder, on_progress=on_progress)[0]


def read_laid(folder: Path | str, *, on_progress: Progress | None = None) -> tuple[Dossier, list[LaidTable]]:
    """Return the dossier of a folder of records, and its tables as received; see `read_dossier` and `read_files`.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     _ = (Path(place) / "u.csv").write_text("unit_id,in_service_at\\nU1,2027-01-05T07:30Z\\n", encoding="utf-8")
    ...     dossier, tables = read_laid(place)
    >>> dossier.rows["units"], tables[0].cells["in_service_at"].tolist()
    (1, ['2027-01-05T07:30Z'])
    """
    folder = Path(folder)
    check_folder(folder)
    contracts = load_contracts()
    declaration = read_declaration(folder, contracts)
    files, notes = find_files(folder, declaration)
    logs = open_logs(find_logs(folder, declaration), folder)
    tables, more = read_files(files, declaration, contracts, on_progress=on_progress)
    records = {
        name: gather(contract, [table for table in tables if table.contract.name == name])
        for name, contract in contracts.items()
    }
    _check_present(records, folder)
    records = _linked(records, contracts)
    ledger = ledger_table(records)
    _check_accepted(records, ledger, folder)
    notes += [
        *more,
        *unit_notes(tables),
        *word_notes(tables),
        *(note for rows in records.values() for note in rows.notes),
    ]
    named = {file.name: file for file in files}
    return _dossier(folder, declaration, records, named, logs=logs, ledger=ledger, notes=notes), tables


def read_files(
    files: Sequence[SourceFile],
    declaration: Declaration,
    contracts: Mapping[str, Contract],
    *,
    on_progress: Progress | None = None,
) -> tuple[list[LaidTable], list[str]]:
    """Return the tables of files as received, laid out by their contracts but not typed, and notes on their reading.

    Parameters
    ----------
    files : sequence of SourceFile
        See `folder.find_files`.
    declaration : Declaration
    contracts : mapping of record to Contract
    on_progress : callable, optional
        See `read_dossier`.

    Raises
    ------
    SourceError
        A file cannot be read as records; all such files are told at once.

    Examples
    --------
    >>> import tempfile
    >>> from auditkit.intake.folder import find_files
    >>> contracts = load_contracts()
    >>> with tempfile.TemporaryDirectory() as place:
    ...     _ = (Path(place) / "u.csv").write_text("unit_id,in_service_at\\nU1,5 January\\n", encoding="utf-8")
    ...     declaration = read_declaration(Path(place), contracts)
    ...     tables, _ = read_files(find_files(Path(place), declaration)[0], declaration, contracts)
    >>> tables[0].contract.name, tables[0].cells["in_service_at"].tolist()
    ('units', ['5 January'])
    """
    tables: list[LaidTable] = []
    notes: list[str] = []
    faults: list[str] = []
    for number, file in enumerate(files, start=1):
        try:
            for found, entry in _raw_tables(file, declaration, notes):
                table = lay_out(found, contracts=contracts, reading=declaration.reading, entry=entry)
                tables.append(table)
                notes.extend(table.notes)
                if not len(table.raw.lines) and not table.raw.misshapen:
                    notes.append(f"{table.raw.name}: headers of {table.contract.name} without any row")
        except SourceError as error:
            faults.append(str(error))
        if on_progress is not None:
            on_progress(file.name, number, len(files))
    if faults:
        raise SourceError("\n".join(faults))
    return tables, list(dict.fromkeys(notes))


def _raw_tables(
    file: SourceFile, declaration: Declaration, notes: list[str]
) -> Iterator[tuple[RawTable, TableEntry | None]]:
    """Yield each table of a file with the entry it is to be read by."""
    kind = file_kind(file)
    if kind == "workbook":
        yield from _sheet_tables(file, declaration, notes)
        return
    for entry in _entries(file.entries, file.name):
        if entry is not None and entry.sheet is not None:
            raise SourceError(
                f"{file.name}: must be a workbook, as {entry.where} names a sheet; given {kind}. Remove sheet."
            )
        if kind == "parquet":
            if entry is not None and entry.query is not None:
                notes.append(check_snapshot(file.path, entry, name=file.name))
            yield read_parquet_file(file.path, name=file.name), entry
        elif entry is None:
            yield read_text_file(file.path, name=file.name), None
        else:
            yield (
                read_text_file(
                    file.path,
                    name=file.name,
                    header_line=entry.header_line,
                    encoding=entry.encoding,
                    delimiter=entry.delimiter,
                ),
                entry,
            )


def _sheet_tables(
    file: SourceFile, declaration: Declaration, notes: list[str]
) -> Iterator[tuple[RawTable, TableEntry | None]]:
    sheets = read_sheets(file.path, name=file.name)
    known = {sheet.name for sheet in sheets}
    for named in file.entries:
        if named.sheet is not None and named.sheet not in known:
            raise SourceError(
                f"{file.name}: must have the sheet {named.sheet!r} that {named.where} names; it has "
                f"{', '.join(sorted(known))}. Correct the entry."
            )
    for sheet in sheets:
        label = f"{file.name}#{sheet.name}"
        if label in declaration.ignore:
            notes.append(f"{file.name}, sheet {sheet.name}: ignored, as dossier.yaml says")
            continue
        own = [entry for entry in file.entries if entry.sheet == sheet.name]
        rest = [entry for entry in file.entries if entry.sheet is None]
        if not own and holds_no_records(sheet.rows):
            notes.append(f"{file.name}, sheet {sheet.name}: ignored, as its first cell says that it holds no records")
            continue
        for entry in _entries(own or rest, f"{file.name}, sheet {sheet.name}"):
            table = sheet_table(sheet, name=file.name, header_line=None if entry is None else entry.header_line)
            if table is None:
                notes.append(f"{file.name}, sheet {sheet.name}: the sheet is empty")
            else:
                yield table, entry


def _entries(entries: Sequence[TableEntry], name: str) -> list[TableEntry | None]:
    """Return the entries for one table, or None alone where there are none; a record may be read from it once."""
    seen: dict[str, str] = {}
    for entry in entries:
        if entry.record in seen:
            raise SourceError(
                f"{name}: must be read as {entry.record} once; {seen[entry.record]} and {entry.where} both name it. "
                "Remove one, or narrow its pattern."
            )
        seen[entry.record] = entry.where
    return list(entries) or [None]


def _check_present(records: Mapping[str, RecordRows], folder: Path) -> None:
    """Raise if there is no row at all, or if rows link to a kind of record that no file holds."""
    if not any(len(rows.frame) or any(part.raw.misshapen for part in rows.parts) for rows in records.values()):
        raise SourceError(f"{folder}: must hold at least one row of records; given none. Add the files of the audit.")
    faults = []
    for name, rows in records.items():
        for link in rows.contract.links:
            named = rows.frame[link.column].dropna()
            if len(named) and not records[link.record].parts:
                files = ", ".join(dict.fromkeys(part.raw.file for part in rows.parts))
                needed = ", ".join(records[link.record].contract.names)
                faults.append(
                    f"{files}: {name} need {link.record}, since {link.column} names one in each of {len(named)} rows; "
                    f"no file holds {link.record}. Add a file with the columns {needed}."
                )
    if faults:
        raise SourceError("\n".join(faults))


def _check_accepted(records: Mapping[str, RecordRows], ledger: pd.DataFrame, folder: Path) -> None:
    """Raise if not one row was accepted, with the faults that most rows have."""
    if any(rows.accepted.any() for rows in records.values()):
        return
    summary = ledger_summary(ledger)
    causes = summary[summary["holds"] != CONSEQUENCE].sort_values("rows", ascending=False, kind="stable")
    most = causes.head(_MOST_FAULTS)
    lines = []
    for fault in most.fillna("").to_dict("records"):
        sheet = f", sheet {fault['sheet']}" if fault["sheet"] else ""
        column = f", {fault['column']}" if fault["column"] else ""
        given = f"; given {fault['value']!r}" if fault["value"] else ""
        cure = str(fault["cure"])
        lines.append(
            f"  {fault['rows']} in {fault['record']}, first {fault['file']}{sheet} line {fault['line']}{column}: "
            f"{fault['holds']}{given}. {cure[:1].upper()}{cure[1:]}."
        )
    if len(causes) > len(most):
        lines.append(f"  and {len(causes) - len(most)} other faults")
    raise SourceError(
        f"{folder}: must hold at least one row that can be accepted; given {ledger['row_no'].nunique()} rows, "
        "each of which was set aside. Mend these first:\n" + "\n".join(lines)
    )


def _linked(records: Mapping[str, RecordRows], contracts: Mapping[str, Contract]) -> dict[str, RecordRows]:
    """Return the records with the faults of links between them."""
    faults = check_links(
        {name: rows.frame for name, rows in records.items()},
        contracts,
        accepted={name: rows.accepted for name, rows in records.items()},
        places={name: rows.place for name, rows in records.items()},
        misshapen={
            link.record: records[link.record].misshapen_values(link.to_column)
            for contract in contracts.values()
            for link in contract.links
        },
    )
    return {name: rows.with_faults(faults[name]) for name, rows in records.items()}


def _stated_zone(records: Mapping[str, RecordRows]) -> str:
    """Return the one time zone that headers state, or UTC where they state none or several."""
    zones = {zone for rows in records.values() for part in rows.parts for zone in part.zones.values()}
    return zones.pop() if len(zones) == 1 else "UTC"


def _dossier(
    folder: Path,
    declaration: Declaration,
    records: Mapping[str, RecordRows],
    files: Mapping[str, SourceFile],
    *,
    logs: tuple[LogFile, ...],
    ledger: pd.DataFrame,
    notes: Sequence[str],
) -> Dossier:
    tables: dict[str, pd.DataFrame] = {}
    lineage: dict[str, pd.DataFrame] = {}
    for name, rows in records.items():
        kept = rows.frame[rows.accepted].sort_values(list(rows.contract.key), kind="stable")
        lineage[name] = lineage_table(rows, kept.index.to_numpy(dtype=np.int64))
        tables[name] = kept.reset_index(drop=True)
    jobs = tables["jobs"]
    declared = {
        "job_id": ("film_limits", declaration.film_limits),
        "coating": ("viscosity_points", declaration.viscosity_points),
    }
    strays = [
        f"dossier.yaml, {key}.{name}: no accepted row of jobs has this {column}"
        for column, (key, named) in declared.items()
        for name in named
        if name not in set(jobs[column])
    ]
    settings = {
        "absent_defect_means": declaration.absent_defect_means,
        "conditions": MappingProxyType(dict(declaration.conditions)),
        "film_limits": MappingProxyType(dict(declaration.film_limits)),
        "pressure_logs": logs,
        "replacement_costs": declaration.replacement_costs,
        "viscosity_points": declaration.viscosity_points,
        "causal_diagram": MappingProxyType(dict(declaration.causal_diagram)),
    }
    return Dossier(
        title=declaration.title,
        folder=folder,
        time_zone=declaration.reading.time_zone or _stated_zone(records),
        tables=MappingProxyType(tables),
        lineage=MappingProxyType(lineage),
        ledger=ledger,
        files=file_table(records, files),
        settings=MappingProxyType(settings),
        notes=(*notes, *strays),
        contracts=MappingProxyType({name: rows.contract.digest for name, rows in records.items()}),
    )
