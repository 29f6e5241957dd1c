"""The files of a dossier's folder: which are records, and what kind each is by its bytes."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TypeVar

from auditkit.dossier import LEDGER_COLUMNS
from auditkit.errors import DeclarationError, SourceError
from auditkit.intake.declaration import DECLARATION_FILE, Declaration, TableEntry
from auditkit.intake.settings import LogEntry

__all__ = ["SourceFile", "check_folder", "file_kind", "files_of_databases", "find_files", "find_logs"]

MAX_FILE_BYTES = 2 * 2**30

_Entry = TypeVar("_Entry", TableEntry, LogEntry)

_TEXT_ENDINGS = (".csv", ".tsv", ".txt")
_BOOK_ENDINGS = (".xlsx", ".xlsm")
_PARQUET_ENDINGS = (".parquet", ".pq")
_ENDINGS = (*_TEXT_ENDINGS, *_BOOK_ENDINGS, *_PARQUET_ENDINGS)
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_FOREIGN = (
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"SQLite format 3", "a database"),
)


_SYSTEM_FILES = ("thumbs.db", "desktop.ini")
_LOCK = re.compile(r"~\$(?P<office>.+)|\.~lock\.(?P<libre>.+)#")
_LEDGER_HEADER = re.escape(",".join(LEDGER_COLUMNS).encode())
_OWN_OUTPUT = {
    "findings.json": re.compile(rb'\{\s*"kind": "auditkit findings",'),
    "set_aside.csv": re.compile(rb"(?:\xef\xbb\xbf)?" + _LEDGER_HEADER + rb"\r?(?:\n|$)"),
    "report.html": re.compile(rb"<!doctype html>.*: audit</title>", re.DOTALL),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceFile:
    """One file of records.

    Parameters
    ----------
    path : Path
    name : str
        Path relative to the dossier's folder, with / between its parts.
    entries : tuple of TableEntry
        What `dossier.yaml` says of it, in its order.
    """

    path: Path
    name: str
    entries: tuple[TableEntry, ...] = ()

    @property
    def bytes(self) -> int:
        """Return the size of the file."""
        return self.path.stat().st_size

    def sha256(self) -> str:
        """Return the SHA-256 of the file."""
        with self.path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()


def check_folder(folder: Path) -> None:
    """Raise unless `folder` is a folder that can be listed.

    Raises
    ------
    SourceError
    """
    if not folder.exists():
        raise SourceError(f"{folder}: must be a folder of records; there is none of that name. Correct the path.")
    if not folder.is_dir():
        raise SourceError(
            f"{folder}: must be a folder of records; given a file. Name the folder it lies in ({folder.parent})."
        )
    try:
        next(folder.iterdir(), None)
    except PermissionError as error:
        raise SourceError(
            f"{folder}: must be a folder you may read; permission was refused. Change its permissions."
        ) from error


def find_files(folder: Path, declaration: Declaration) -> tuple[list[SourceFile], list[str]]:
    """Return the files to be read, by name, and notes on those that are not.

    Looked at are the folder itself and its folders, one level down, and
    whatever a pattern in `dossier.yaml` names. Passed over are the declaration
    itself, hidden files and those of the system, README files, Markdown, what
    `ignore` names, databases, and what auditkit itself has written there.

    Raises
    ------
    DeclarationError
        A table's pattern matches no file, or a file that is ignored or a pressure log.
    """
    named, faults = _named(folder, declaration, declaration.tables)
    logs, log_faults = _named(folder, declaration, declaration.pressure_logs)
    faults += log_faults
    for name in logs.keys() & named.keys():
        faults.append(
            f"{named[name][0].where}.file: must not be a pressure log as well; given {name!r}, which "
            f"{logs[name][0].where} names. Narrow a pattern."
        )
    if faults:
        raise DeclarationError("\n".join(faults))
    found = {path.relative_to(folder).as_posix() for pattern in ("*", "*/*") for path in folder.glob(pattern)}
    notes = [f"{name}: a pressure log, as dossier.yaml says; its rows are read with the runs" for name in sorted(logs)]
    kept = set(named)
    stores = {store.file: store.name for store in declaration.databases.values() if store.file is not None}
    for name in sorted(found & stores.keys()):
        notes.append(f"{name}: database {stores[name]}, as dossier.yaml says; its rows are read once fetched")
    for name in sorted(found - kept - logs.keys() - files_of_databases(declaration)):
        path = folder / name
        opened = _LOCK.fullmatch(path.name)
        if opened is not None:
            book = opened["office"] or opened["libre"]
            notes.append(f"{name}: ignored; someone has {book} open, so what is not saved yet was not read")
        if _passed_over(name) or (path.is_dir() and not name.lower().endswith(_ENDINGS)):
            continue
        if _is_own_output(path):
            notes.append(f"{name}: ignored, as auditkit wrote it")
        elif _ignored(name, declaration):
            notes.append(f"{name}: ignored, as dossier.yaml says")
        else:
            kept.add(name)
    files = [SourceFile(path=folder / name, name=name, entries=tuple(named.get(name, ()))) for name in sorted(kept)]
    return files, notes


def files_of_databases(declaration: Declaration) -> set[str]:
    """Return the files of SQLite databases, and those it keeps beside them while they are open; none holds records.

    Examples
    --------
    >>> from auditkit.intake.databases import Database
    >>> site = Database(name="site", file="site.db")
    >>> sorted(files_of_databases(Declaration(title="", databases={"site": site})))
    ['site.db', 'site.db-journal', 'site.db-shm', 'site.db-wal']
    """
    stores = [store.file for store in declaration.databases.values() if store.file is not None]
    return {f"{name}{ending}" for name in stores for ending in ("", "-journal", "-wal", "-shm")}


def find_logs(folder: Path, declaration: Declaration) -> list[tuple[str, LogEntry]]:
    """Return the name of each pressure log and the entry that declares it, by name.

    Raises
    ------
    DeclarationError
        A pattern matches no file or one that is ignored, or two entries name one file.
    """
    named, faults = _named(folder, declaration, declaration.pressure_logs)
    faults += [
        f"{entries[1].where}.file: must not name a file that another entry names; given {name!r}, which "
        f"{entries[0].where} names. Narrow a pattern."
        for name, entries in sorted(named.items())
        if len(entries) > 1
    ]
    if faults:
        raise DeclarationError("\n".join(faults))
    return [(name, entries[0]) for name, entries in sorted(named.items())]


def _named(
    folder: Path, declaration: Declaration, entries: Sequence[_Entry]
) -> tuple[dict[str, list[_Entry]], list[str]]:
    """Return the files that entries name, each with its entries, and what is wrong with them."""
    named: dict[str, list[_Entry]] = {}
    faults = []
    for entry in entries:
        names = [name for name in _matching(folder, entry) if not _passed_over(name)]
        names = [name for name in names if name == entry.file or not _is_own_output(folder / name)]
        if not names and isinstance(entry, TableEntry) and entry.query is not None:
            faults.append(
                f"{entry.where}.file: must hold the rows of its query; they were never fetched into {entry.file!r}. "
                "Run: auditkit fetch FOLDER"
            )
        elif not names:
            faults.append(
                f"{entry.where}.file: must match at least one file; given {entry.file!r}. "
                "Correct the pattern, or add the file."
            )
        for name in names:
            if _ignored(name, declaration):
                faults.append(
                    f"{entry.where}.file: must not be ignored as well; given {name!r}. "
                    "Remove it from ignore, or remove the entry."
                )
            named.setdefault(name, []).append(entry)
    return named, faults


def _matching(folder: Path, entry: TableEntry | LogEntry) -> list[str]:
    """Return the files an entry names: the one called exactly so, else those its pattern matches."""
    if (folder / entry.file).is_file():
        return [Path(entry.file).as_posix()]
    try:
        paths = sorted(folder.glob(entry.file))
    except ValueError as error:
        raise DeclarationError(f"{entry.where}.file: must be a pattern; given {entry.file!r} ({error}).") from error
    return [path.relative_to(folder).as_posix() for path in paths if path.is_file()]


def _passed_over(name: str) -> bool:
    parts = name.split("/")
    last = parts[-1].lower()
    hidden = any(part.startswith(".") or part.startswith("~$") for part in parts)
    known = last == DECLARATION_FILE or last in _SYSTEM_FILES
    return hidden or known or last.startswith("readme") or last.endswith(".md")


def _is_own_output(path: Path) -> bool:
    """Return whether a file is one that an audit writes, by its name and how it begins."""
    begins = _OWN_OUTPUT.get(path.name)
    if begins is None or not path.is_file():
        return False
    try:
        with path.open("rb") as stream:
            head = stream.read(4096)
    except OSError:
        return False
    return begins.match(head) is not None


def _ignored(name: str, declaration: Declaration) -> bool:
    return any(
        fnmatchcase(name, pattern) or name.startswith(f"{pattern.rstrip('/')}/") for pattern in declaration.ignore
    )


def file_kind(file: SourceFile) -> str:
    """Return "text", "workbook" or "parquet", by name and first bytes.

    Raises
    ------
    SourceError
        The file is empty, too large, cannot be opened, or is something else than its name says.
    """
    path, name = file.path, file.name
    if path.is_dir():
        raise SourceError(f"{name}: must be a file; given a folder of that name. Rename or move the folder.")
    try:
        size = path.stat().st_size
        with path.open("rb") as stream:
            head = stream.read(4096)
    except OSError as error:
        reason = "permission was refused" if isinstance(error, PermissionError) else str(error.strerror)
        raise SourceError(
            f"{name}: must be a file that can be read; {reason}. Change its permissions, or list it under ignore."
        ) from error
    if size == 0:
        raise SourceError(f"{name}: must hold records; the file is empty. Export it again, or list it under ignore.")
    if size > MAX_FILE_BYTES:
        raise SourceError(f"{name}: must be at most 2 GiB; given {size} bytes. Split the file.")
    if name.lower() == "dossier.yml" or name.lower().endswith("/dossier.yaml"):
        raise SourceError(
            f"{name}: the declaration must be called dossier.yaml and lie in the folder itself. Rename or move it."
        )
    _check_content(head, path, name)
    ending = path.suffix.lower()
    if ending in _TEXT_ENDINGS:
        return "text"
    if ending in _BOOK_ENDINGS:
        return "workbook"
    if ending in _PARQUET_ENDINGS:
        return "parquet"
    raise SourceError(
        f"{name}: must be a kind of file that can be read ({', '.join(_ENDINGS)}); given {ending or 'no ending'}. "
        f"Export it as .csv or .xlsx, or add to dossier.yaml: ignore: [{name}]"
    )


def _check_content(head: bytes, path: Path, name: str) -> None:
    """Raise if the bytes are of another kind than the name says."""
    ending = path.suffix.lower()
    if head.startswith(_OLE):
        if "EncryptedPackage".encode("utf-16-le") in path.read_bytes():
            raise SourceError(
                f"{name}: must be open to read; the workbook is protected by a password. Save it without one."
            )
        raise SourceError(
            f"{name}: must be .xlsx or .csv; given an old binary workbook (.xls). Save it as .xlsx or .csv."
        )
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    if start.startswith((b"<!doctype html", b"<html", b"<table", b"<?xml", b"<head", b"<body")):
        raise SourceError(
            f"{name}: must be a table; given a web page under this name. Open it and save it as .xlsx or .csv."
        )
    for mark, what in _FOREIGN:
        if head.startswith(mark):
            raise SourceError(
                f"{name}: must be records; given {what}. Export the records as .csv, or list it under ignore."
            )
    kinds = {_BOOK_ENDINGS: (b"PK\x03\x04", "an XLSX workbook"), _PARQUET_ENDINGS: (b"PAR1", "a Parquet file")}
    for endings, (mark, what) in kinds.items():
        if ending in endings and not head.startswith(mark):
            raise SourceError(
                f"{name}: must be {what}, as its name says; its first bytes are not. Save it again, or rename it."
            )
        if ending in _ENDINGS and ending not in endings and head.startswith(mark):
            raise SourceError(f"{name}: must be what its name says; given {what}. Rename it to {endings[0]}.")
