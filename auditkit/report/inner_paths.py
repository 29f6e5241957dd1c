"""Paths inside a sealed report: plain, relative, and the same file on every system."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

__all__ = ["clashing_paths", "path_fault", "shown_path"]

_LONGEST_PART = 200
_LONGEST_PATH = 1_000
_RESERVED = re.compile(r"(?:con|prn|aux|nul|com[0-9¹²³]|lpt[0-9¹²³])(?:\..*)?", re.IGNORECASE)
# per cent too: a manifest would have to encode it, and readers differ in undoing that
_FORBIDDEN = frozenset('\\<>:"|?*%')
_DIRECTION_MARKS = frozenset("\u200e\u200f\u061c\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069\ufeff")


def path_fault(path: str) -> str | None:
    """Return what keeps a path from standing in a sealed report, or None.

    A path must lie inside the folder whatever system reads it: no way up, no
    root, no drive, no name that some system keeps for itself or shows as
    another.

    Parameters
    ----------
    path : str
        With / between its parts.

    Examples
    --------
    >>> path_fault("data/records/Messfläche 1.csv")
    >>> path_fault("data/../../key"), path_fault("/etc/passwd"), path_fault("C:/x")
    ('leads out of its folder', 'starts at a root', "holds ':'")
    >>> path_fault("data/nul.csv"), path_fault("data/x.")
    ("has a part that some systems keep for themselves ('nul.csv')", "has a part that ends in a dot or blank ('x.')")
    """
    if not path or len(path) > _LONGEST_PATH:
        return f"must have 1 to {_LONGEST_PATH} characters"
    if path.startswith("/"):
        return "starts at a root"
    for letter in path:
        if letter in _FORBIDDEN:
            return f"holds {letter!r}"
        if unicodedata.category(letter) in ("Cc", "Cs") or letter in _DIRECTION_MARKS:
            return f"holds the hidden character U+{ord(letter):04X}"
    return next((fault for part in path.split("/") if (fault := _part_fault(part)) is not None), None)


def _part_fault(part: str) -> str | None:
    if part == "..":
        return "leads out of its folder"
    if part in ("", "."):
        return "has an empty part"
    if part[-1] in ". ":
        return f"has a part that ends in a dot or blank ({part!r})"
    if _RESERVED.fullmatch(part):
        return f"has a part that some systems keep for themselves ({part!r})"
    if len(part.encode("utf-8")) > _LONGEST_PART:
        return f"has a part of more than {_LONGEST_PART} bytes"
    return None


def clashing_paths(paths: Iterable[str]) -> list[tuple[str, str]]:
    """Return pairs of paths that some system takes for one: by letter case, by Unicode form, or file against folder.

    Examples
    --------
    >>> clashing_paths(["a/X.csv", "a/x.csv", "b"])
    [('a/X.csv', 'a/x.csv')]
    >>> clashing_paths(["caf\\u00e9", "cafe\\u0301", "b", "b/c"]) == [("caf\\u00e9", "cafe\\u0301"), ("b", "b/c")]
    True
    """
    ordered = list(dict.fromkeys(paths))
    first: dict[str, str] = {}
    clashes = []
    for path in ordered:
        other = first.setdefault(_folded(path), path)
        if other != path:
            clashes.append((other, path))
    folders: dict[str, str] = {}
    for path in ordered:
        parts = path.split("/")
        for depth in range(1, len(parts)):
            folder = "/".join(parts[:depth])
            spelt = folders.setdefault(_folded(folder), folder)
            if spelt != folder:
                clashes.append((spelt, folder))
            file = first.get(_folded(folder))
            if file is not None:
                clashes.append((file, path))
    return list(dict.fromkeys(clashes))


def _folded(path: str) -> str:
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", path).casefold())


def shown_path(path: str) -> str:
    """Return a path as it can be printed: what is no plain text in it is spelt out.

    Examples
    --------
    >>> shown_path("data/a\\nb\\u202e")
    'data/a\\\\nb\\\\u202e'
    """
    return "".join(letter if letter.isprintable() else letter.encode("unicode_escape").decode() for letter in path)
