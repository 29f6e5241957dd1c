"""A sealed folder checked: every file against every list of digests, and each fault named."""

from __future__ import annotations

import os
import re
import stat
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from auditkit.errors import SourceError
from auditkit.report.bag import (
    ALGORITHMS,
    BAGIT,
    Seal,
    canonical_manifest,
    digests_of,
    manifest_path,
    seal_of,
    tag_manifest_path,
)
from auditkit.report.inner_paths import clashing_paths, path_fault, shown_path
from auditkit.report.placing import STAGING_PREFIX

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FAULT_COLUMNS", "BagCheck", "check_bag"]

FAULT_COLUMNS: Mapping[str, str] = {"path": "str", "fault": "str", "expected": "str", "found": "str"}

_TAG_FILES = ("bag-info.txt", "bagit.txt", *(manifest_path(algorithm) for algorithm in ALGORITHMS))
_LISTS = tuple(tag_manifest_path(algorithm) for algorithm in ALGORITHMS)
_HEX = {"sha256": 64, "sha512": 128}
_VERSION = re.compile(rb"BagIt-Version: ([0-9]+\.[0-9]+)\r?\nTag-File-Character-Encoding: ([^\r\n]+)\r?\n?")

_METHOD = (
    "Every file is hashed with SHA-256 and SHA-512 and held against both manifests; the manifests, bagit.txt and "
    "bag-info.txt against both tag manifests, and these against the one form in which they are written. Names, "
    "links, hidden files and empty folders count; times and permissions do not. A folder rewritten whole, with all "
    "its lists, is told from the first one only by its seal, known from elsewhere or signed."
)

Digests = dict[str, dict[str, str]]


@dataclass(frozen=True, slots=True, kw_only=True)
class BagCheck:
    """Whether a sealed folder is as it was sealed.

    Parameters
    ----------
    ok : bool
        No fault was found.
    faults : DataFrame
        One row a fault, by path: `path` inside the folder, `fault` (missing,
        added, changed, swapped, renamed, malformed, ...), what was `expected`
        and what was `found`.
    n : int
        Files looked at.
    size : int
        Bytes looked at.
    seal : Seal or None
        The folder's seal; None where it has no `tagmanifest-sha512.txt`.
    method : str
    """

    ok: bool
    faults: pd.DataFrame
    n: int
    size: int
    seal: Seal | None
    method: str


@dataclass(slots=True)
class _Found:
    """What lies in a folder, and the faults met so far."""

    files: dict[str, int] = field(default_factory=dict)
    digests: Digests = field(default_factory=dict)
    faults: list[tuple[str, str, str, str]] = field(default_factory=list)

    def fault(self, path: str, fault: str, expected: str, found: str) -> None:
        self.faults.append((shown_path(path), fault, shown_path(expected), shown_path(found)))


def check_bag(folder: Path, *, seal: str | None = None) -> BagCheck:
    """Return whether a sealed folder is as it was sealed, with every fault.

    Parameters
    ----------
    folder : Path
    seal : str, optional
        Seal known from elsewhere, in hexadecimal digits of SHA-256 or SHA-512.

    Raises
    ------
    SourceError
        It is no folder.

    Examples
    --------
    >>> import tempfile
    >>> from auditkit.report.bag import write_bag
    >>> with tempfile.TemporaryDirectory() as place:
    ...     bag = write_bag({"a": b"one", "b": b"two"}, Path(place) / "bag", info={"Bagging-Date": "2027-04-01"})
    ...     before = check_bag(bag)
    ...     _ = (bag / "data" / "a").rename(bag / "data" / ".c")
    ...     after = check_bag(bag)
    >>> before.ok, before.n
    (True, 8)
    >>> after.faults[["path", "fault", "found"]].values.tolist()
    [['data/a', 'renamed', 'data/.c']]
    """
    if folder.is_symlink() or not folder.is_dir():
        raise SourceError(f"{folder}: must be the folder of a sealed report. Name it; unpack an archive first.")
    found = _Found()
    if folder.resolve().name.startswith(STAGING_PREFIX):
        found.fault(folder.resolve().name, "unfinished", "a folder under its final name", "a run that was stopped")
    _walk(folder, folder, found)
    for path in found.files:
        try:
            found.digests[path] = digests_of(folder / path)
        except OSError as error:
            found.fault(path, "unreadable", "a file that can be read", error.strerror or str(error))
    contents = {path: (folder / path).read_bytes() for path in (*_TAG_FILES, *_LISTS) if path in found.digests}
    _check_tags(contents, found)
    _check_listed({path for path in found.files if path.startswith("data/")}, contents, found, tags=False)
    _check_listed(set(_TAG_FILES) & set(found.files), contents, found, tags=True)
    for one, other in clashing_paths(found.files):
        found.fault(other, "name clash", "names that differ on every system", one)
    own = seal_of(folder) if _LISTS[1] in found.digests else None
    if seal is not None and (own is None or seal.strip().lower() not in (own.sha256, own.sha512)):
        given = "no seal" if own is None else own.sha256 if len(seal.strip()) == _HEX["sha256"] else own.sha512
        found.fault(_LISTS[1], "another seal", seal.strip().lower(), given)
    faults = _frame(found)
    return BagCheck(
        ok=faults.empty,
        faults=faults,
        n=len(found.digests),
        size=sum(found.files.values()),
        seal=own,
        method=_METHOD,
    )


def _walk(top: Path, folder: Path, found: _Found) -> None:
    """Find every file below a folder without following links; what is neither file nor folder is a fault."""
    try:
        entries = sorted(os.scandir(folder), key=lambda entry: entry.name)
    except OSError as error:
        found.fault(folder.relative_to(top).as_posix(), "unreadable", "a folder that can be read", str(error.strerror))
        return
    if not entries and folder != top and folder != top / "data":
        found.fault(f"{folder.relative_to(top).as_posix()}/", "empty folder", "no folder", "a folder without files")
    for entry in entries:
        path = Path(entry.path).relative_to(top).as_posix()
        mode = entry.stat(follow_symlinks=False).st_mode
        if stat.S_ISDIR(mode):
            _walk(top, Path(entry.path), found)
        elif stat.S_ISREG(mode):
            found.files[path] = entry.stat(follow_symlinks=False).st_size
        else:
            kind = "a symbolic link" if stat.S_ISLNK(mode) else "something that is no file"
            found.fault(path, "not a plain file", "a plain file", kind)


def _check_tags(contents: Mapping[str, bytes], found: _Found) -> None:
    """Find files beside the payload that should not be there, or say another thing than they must."""
    for path in _LISTS:
        if path not in found.files:
            found.fault(path, "missing", "a list of digests", "no file")
    for path in found.files:
        if not path.startswith("data/") and path not in (*_TAG_FILES, *_LISTS):
            found.fault(path, "added", "no file", "a file that is no part of a sealed report")
    bagit = contents.get("bagit.txt")
    if bagit is not None and bagit != BAGIT:
        said = _VERSION.fullmatch(bagit)
        if said is not None and said.groups() != (b"1.0", b"UTF-8"):
            given = " ".join(part.decode("ascii", "backslashreplace") for part in said.groups())
            found.fault("bagit.txt", "unsupported version", "BagIt 1.0 in UTF-8", given)
        else:
            found.fault("bagit.txt", "malformed", "the two lines of BagIt 1.0", f"{len(bagit)} other bytes")
    sizes = [size for path, size in found.files.items() if path.startswith("data/")]
    oxum = f"Payload-Oxum: {sum(sizes)}.{len(sizes)}"
    if "bag-info.txt" in contents and oxum.encode() not in contents["bag-info.txt"].split(b"\n"):
        lines = contents["bag-info.txt"].split(b"\n")
        told = next((line for line in lines if line.startswith(b"Payload-Oxum")), b"none")
        found.fault("bag-info.txt", "other size", told.decode("utf-8", "backslashreplace"), oxum)


def _check_listed(  # noqa: PLR0912
    present: set[str], contents: Mapping[str, bytes], found: _Found, *, tags: bool
) -> None:
    """Hold the files of the payload, or those beside it, against their lists.

    A file at odds with one list and not with the other leaves only the list
    to blame, since nobody can make a file that fits one digest by chance.
    """
    name_of = tag_manifest_path if tags else manifest_path
    lists: dict[str, dict[str, str]] = {}
    for algorithm in ALGORITHMS:
        content = contents.get(name_of(algorithm))
        listing = None if content is None else _parsed(content, algorithm, name_of(algorithm), found, tags=tags)
        if listing is not None:
            lists[algorithm] = listing
    if not lists:
        for path in sorted(present):
            found.fault(path, "not checked", "a list of digests that can be read", "none")
        return
    missing, added, changed = [], [], []
    for path in sorted({path for listing in lists.values() for path in listing} | present):
        by = [algorithm for algorithm in lists if path in lists[algorithm]]
        if path not in present:
            if len(by) == len(lists):
                missing.append(path)
            else:
                for algorithm in by:
                    found.fault(name_of(algorithm), "entry added", "no such line", path)
        elif not by:
            added.append(path)
        elif path in found.digests:  # else it could not be read, and that was said
            own = found.digests[path]
            wrong = [algorithm for algorithm in by if lists[algorithm][path] != own[algorithm]]
            if len(wrong) == len(by):
                changed.append(path)
                wrong = []
            for algorithm in lists:
                if algorithm not in by:
                    found.fault(name_of(algorithm), "entry missing", path, "no such line")
                elif algorithm in wrong:
                    given = f"{lists[algorithm][path]} for {path}"
                    found.fault(name_of(algorithm), "wrong digest", own[algorithm], given)
    _tell(missing, added, changed, lists, found)
    if tags:
        _check_form(contents, found)


def _tell(
    missing: list[str], added: list[str], changed: list[str], lists: Mapping[str, Mapping[str, str]], found: _Found
) -> None:
    """Tell what became of files that do not fit: missing, added, changed, renamed, or in each other's place."""
    algorithm = next(iter(lists))
    listing = lists[algorithm]
    homes: defaultdict[str, list[str]] = defaultdict(list)
    for path in (*missing, *changed):
        homes[listing[path]].append(path)
    stray: defaultdict[str, list[str]] = defaultdict(list)
    for path in added:
        stray[found.digests[path][algorithm]].append(path)
    for path in missing:
        same = stray[listing[path]]
        if same:
            found.fault(path, "renamed", path, same.pop(0))
        else:
            found.fault(path, "missing", listing[path], "no file")
    for paths in stray.values():
        for path in paths:
            found.fault(path, "added", "no file", found.digests[path][algorithm])
    for path in changed:
        owners = homes[found.digests[path][algorithm]]
        if owners:
            found.fault(path, "swapped", listing[path], f"the content of {owners[0]}")
        else:
            found.fault(path, "changed", listing[path], found.digests[path][algorithm])


def _check_form(contents: Mapping[str, bytes], found: _Found) -> None:
    """Hold the tag manifests, which no list holds, to the only bytes they can have beside these files."""
    beside = {path: found.digests[path] for path in _TAG_FILES if path in found.digests}
    already = {path for path, *_ in found.faults}
    for algorithm in ALGORITHMS:
        name = tag_manifest_path(algorithm)
        if name not in contents or contents[name] == canonical_manifest(beside, algorithm):
            continue
        if not already & {name, *_TAG_FILES}:
            found.fault(name, "malformed", "its lines by path, each ended by a line feed", "the lines in another form")


def _parsed(content: bytes, algorithm: str, name: str, found: _Found, *, tags: bool) -> dict[str, str] | None:
    """Return the digests a list gives by path, or None where a line cannot be read."""
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        found.fault(name, "malformed", "text in UTF-8", f"byte {error.start + 1} is not")
        return None
    listing: dict[str, str] = {}
    sound = text.endswith("\n") or not text
    if not sound:
        found.fault(name, "malformed", "a line feed at the end", "none")
    for number, line in enumerate(text.split("\n")[: -1 if sound else None], start=1):
        parts = re.fullmatch(rf"([0-9a-f]{{{_HEX[algorithm]}}})  (.+)", line, re.DOTALL)
        if parts is None:
            found.fault(name, "malformed", f"{algorithm} digest, two blanks, path", f"line {number}: {line[:200]}")
            sound = False
            continue
        digest, path = parts.groups()
        fault = path_fault(path) or _place_fault(path, tags=tags)
        if fault is not None:
            found.fault(name, "unsafe path", "a plain path inside the folder", f"line {number}: {path[:200]} {fault}")
            sound = False
        elif path in listing:
            found.fault(name, "listed twice", "each path once", f"line {number}: {path}")
            sound = False
        else:
            listing[path] = digest
    return listing if sound else None


def _place_fault(path: str, *, tags: bool) -> str | None:
    """Return why a path may not stand in a list: of the payload only data/, of the rest only what lies beside it."""
    if not tags:
        return None if path.startswith("data/") else "does not lie under data/"
    return None if path in _TAG_FILES else "is no file that a tag manifest lists here"


def _frame(found: _Found) -> pd.DataFrame:
    import pandas as pd

    rows = sorted(dict.fromkeys(found.faults))
    return pd.DataFrame(rows, columns=list(FAULT_COLUMNS)).astype(dict(FAULT_COLUMNS))
