"""What a report was made with: Python, the platform, and every installed package with its digest."""

from __future__ import annotations

import hashlib
import importlib.metadata
import platform
import re
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from auditkit.version import __version__

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["compare_environments", "environment"]

_METHOD = (
    "record_sha256 is that of the RECORD file as the installer wrote it. content_sha256 is over the lines of RECORD "
    "that name the package's own files with their digests, sorted, so that it is the same whichever installer put "
    "them there. Blank where a package came without RECORD. program_sha256 is over the modules of auditkit as they ran."
)


def environment() -> dict[str, Any]:
    """Return the Python, the platform and the packages this runs on; no path, no name of a machine or person.

    Examples
    --------
    >>> found = environment()
    >>> sorted(found)
    ['auditkit', 'kind', 'method', 'packages', 'platform', 'python', 'version']
    >>> found["packages"]["pandas"]["version"] >= "3"
    True
    """
    return {
        "kind": "auditkit environment",
        "version": 1,
        "python": {
            "implementation": platform.python_implementation(),
            "version": platform.python_version(),
            "cache_tag": sys.implementation.cache_tag or "",
        },
        "platform": {
            "system": platform.system(),
            "machine": platform.machine(),
            "libc": " ".join(platform.libc_ver()).strip(),
            "byte_order": sys.byteorder,
        },
        "auditkit": {"version": __version__, "program_sha256": _program_sha256()},
        "packages": _packages(),
        "method": _METHOD,
    }


def compare_environments(recorded: Mapping[str, Any], present: Mapping[str, Any]) -> pd.DataFrame:
    """Return what differs between two environments.

    Returns
    -------
    DataFrame
        One row a difference, sorted by `what`: `what` (python, platform,
        auditkit or a package), `recorded`, `present`, `difference` (version,
        content, missing, further).

    Examples
    --------
    >>> one = {"packages": {"a": {"version": "1", "content_sha256": "x"}, "b": {"version": "1"}}}
    >>> other = {"packages": {"a": {"version": "2", "content_sha256": "y"}, "c": {"version": "3"}}}
    >>> compare_environments(one, other).values.tolist()
    [['a', '1', '2', 'version'], ['b', '1', '', 'missing'], ['c', '', '3', 'further']]
    """
    import pandas as pd

    rows: list[tuple[str, str, str, str]] = []
    for topic, key in (("python", "version"), ("python", "implementation"), ("platform", "system"),
                       ("platform", "machine"), ("platform", "libc"), ("auditkit", "program_sha256")):  # fmt: skip
        one, other = (str(each.get(topic, {}).get(key, "")) for each in (recorded, present))
        if one != other:
            rows.append((topic, one, other, "content" if key == "program_sha256" else key))
    before, now = recorded.get("packages", {}), present.get("packages", {})
    for name in sorted({*before, *now}):
        if name not in now:
            rows.append((name, before[name]["version"], "", "missing"))
        elif name not in before:
            rows.append((name, "", now[name]["version"], "further"))
        elif before[name]["version"] != now[name]["version"]:
            rows.append((name, before[name]["version"], now[name]["version"], "version"))
        elif (digests := [each[name].get("content_sha256") or "" for each in (before, now)])[0] != digests[1]:
            rows.append((name, digests[0], digests[1], "content"))
    columns = ["what", "recorded", "present", "difference"]
    return pd.DataFrame(sorted(rows), columns=columns).astype(dict.fromkeys(columns, "str"))


def _packages() -> dict[str, dict[str, str]]:
    """Return every installed package by its normalised name; of two of one name, the one that is imported."""
    found: dict[str, dict[str, str]] = {}
    for package in importlib.metadata.distributions():
        name = package.metadata["Name"]
        if not name:
            continue  # a broken installation left a folder without metadata
        normal = re.sub(r"[-_.]+", "-", name).lower()
        record = package.read_text("RECORD")
        told = {
            "version": package.version,
            "record_sha256": "" if record is None else hashlib.sha256(record.encode()).hexdigest(),
            "content_sha256": "" if record is None else _content_sha256(record),
        }
        found.setdefault(normal, told)
    return dict(sorted(found.items()))


def _content_sha256(record: str) -> str:
    """Return a digest over the package's own files: those with a digest, outside its metadata and scripts.

    Examples
    --------
    >>> one = "b.py,sha256=2,1\\na.py,sha256=1,1\\na.pyc,,\\n../bin/a,sha256=3,1\\na-1.dist-info/x,sha256=4,1\\n"
    >>> _content_sha256(one) == _content_sha256("a.py,sha256=1,1\\nb.py,sha256=2,1\\n")
    True
    """
    import csv

    kept = [
        f"{row[0]},{row[1]}"
        for row in csv.reader(record.splitlines())
        if len(row) >= 2 and row[1] and not row[0].startswith(("..", "/")) and ".dist-info/" not in row[0]
    ]
    return hashlib.sha256("\n".join(sorted(kept)).encode()).hexdigest()


def _program_sha256() -> str:
    """Return a digest over the modules of auditkit and the files they read beside them, by path."""
    top = Path(__file__).resolve().parent.parent
    digest = hashlib.sha256()
    for path in sorted(top.rglob("*")):
        name = path.relative_to(top).as_posix()
        if path.suffix in (".py", ".j2", ".typ") and "__pycache__" not in name:
            digest.update(f"{name}\n{hashlib.sha256(path.read_bytes()).hexdigest()}\n".encode())
    return digest.hexdigest()
