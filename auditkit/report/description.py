"""The description of a sealed report: who, what, when and with which software, as an RO-Crate.

References
----------
.. [1] RO-Crate Metadata Specification 1.1, researchobject.org, doi:10.5281/zenodo.4541002.
.. [2] Process Run Crate profile: a CreateAction with its object, result and instrument.
"""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Mapping, Sequence
from pathlib import Path, PurePosixPath
from typing import Any
from urllib.parse import quote

from auditkit.errors import SourceError
from auditkit.report.inner_paths import path_fault
from auditkit.version import __version__

__all__ = ["CRATE_FILE", "crate"]

CRATE_FILE = "ro-crate-metadata.json"

_CONTEXT = "https://w3id.org/ro/crate/1.1/context"
_FORMATS = {
    ".csv": "text/csv",
    ".html": "text/html",
    ".ipynb": "application/x-ipynb+json",
    ".json": "application/json",
    ".md": "text/markdown",
    ".parquet": "application/vnd.apache.parquet",
    ".pdf": "application/pdf",
    ".tsv": "text/tab-separated-values",
    ".txt": "text/plain",
    ".xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    ".yaml": "application/yaml",
}
_INPUTS = ("records/", "schemas/", "parameters.json")
_TERMS = "Evidence of an audit, for those it was handed to; no further licence is granted by this file."


def crate(
    contents: Mapping[str, bytes | Path],
    *,
    title: str,
    description: str,
    date: str,
    authors: Sequence[str],
    about: Mapping[str, str],
    python: str,
    terms: str = _TERMS,
) -> dict[str, Any]:
    """Return what `ro-crate-metadata.json` holds: every file, and the run that made them.

    Files under `records/` and `schemas/` and `parameters.json` are what the run
    used; all others are what it made.

    Parameters
    ----------
    contents : mapping of path to bytes or Path
        The files beside `ro-crate-metadata.json`, without it.
    title, description : str
    date : str
        Date of the report, ISO 8601, as given to the report; no clock is read.
    authors : sequence of str
        Names of those who answer for the report; may be empty.
    about : mapping of path to str
        What each file is; may leave files out.
    python : str
        Version of Python it ran on.
    terms : str
        On what terms it may be used.

    Raises
    ------
    SourceError
        The date is none, or a path cannot stand in a sealed report.

    Examples
    --------
    >>> made = crate({"findings.json": b"{}", "records/a b.csv": b"x"}, title="T", description="D", date="2027-04-01",
    ...              authors=["K. Lund"], about={"findings.json": "Findings."}, python="3.11.2")
    >>> root = made["@graph"][1]
    >>> root["hasPart"], root["datePublished"]
    ([{'@id': 'findings.json'}, {'@id': 'records/a%20b.csv'}], '2027-04-01')
    """
    _check(contents, date)
    files = [_file(path, contents[path], about.get(path)) for path in sorted(contents)]
    ids = {path: file["@id"] for path, file in zip(sorted(contents), files, strict=True)}
    used = [{"@id": ids[path]} for path in ids if path.startswith(_INPUTS)]
    made = [{"@id": ids[path]} for path in ids if not path.startswith(_INPUTS)]
    people = [{"@id": f"#author-{number}", "@type": "Person", "name": name} for number, name in enumerate(authors, 1)]
    root: dict[str, Any] = {
        "@id": "./",
        "@type": "Dataset",
        "name": title,
        "description": description,
        "datePublished": date,
        "license": {"@id": "#terms"},
        "hasPart": [{"@id": file["@id"]} for file in files],
        "mentions": {"@id": "#run"},
    }
    run: dict[str, Any] = {
        "@id": "#run",
        "@type": "CreateAction",
        "name": "Audit of the records, and the report on it",
        "endTime": date,
        "instrument": [{"@id": "#auditkit"}, {"@id": "#python"}],
        "object": used,
        "result": made,
    }
    if people:
        named = [{"@id": person["@id"]} for person in people]
        root["author"] = named
        run["agent"] = named
    software = [
        {"@id": "#auditkit", "@type": "SoftwareApplication", "name": "auditkit", "softwareVersion": __version__},
        {"@id": "#python", "@type": "SoftwareApplication", "name": "Python", "softwareVersion": python},
    ]
    return {
        "@context": _CONTEXT,
        "@graph": [
            {
                "@id": CRATE_FILE,
                "@type": "CreativeWork",
                "about": {"@id": "./"},
                "conformsTo": {"@id": "https://w3id.org/ro/crate/1.1"},
            },
            root,
            *files,
            run,
            *software,
            *people,
            {"@id": "#terms", "@type": "CreativeWork", "name": "Terms of use", "description": terms},
        ],
    }


def _check(contents: Mapping[str, bytes | Path], date: str) -> None:
    try:
        dt.datetime.fromisoformat(date)
    except ValueError as error:
        raise SourceError(f"The date of a report must be as in ISO 8601; given {date!r}. Write 2027-04-01.") from error
    for path in sorted(contents):
        fault = path_fault(path) or ("is where the description itself stands" if path == CRATE_FILE else None)
        if fault is not None:
            raise SourceError(f"{path!r}: must be a plain path inside the sealed report; it {fault}. Rename the file.")


def _file(path: str, content: bytes | Path, about: str | None) -> dict[str, Any]:
    """Return one file of the crate; its path as an address, its size and digest as schema.org writes them."""
    if isinstance(content, Path):
        size = content.stat().st_size
        with content.open("rb") as stream:
            digest = hashlib.file_digest(stream, "sha256").hexdigest()
    else:
        size, digest = len(content), hashlib.sha256(content).hexdigest()
    file = {
        "@id": quote(path, safe="/"),
        "@type": "File",
        "name": path,
        "contentSize": str(size),
        "sha256": digest,
        "encodingFormat": _FORMATS.get(PurePosixPath(path).suffix.lower(), "application/octet-stream"),
    }
    if about is not None:
        file["description"] = about
    return file
