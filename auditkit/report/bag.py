"""The sealed folder: files under fixity in the layout of RFC 8493 (BagIt 1.0), with SHA-256 and SHA-512.

What fixity shows, and what it does not: any change to any file is found, as
long as not every list of digests was made anew with it. Whoever can rewrite the
whole folder can make a new one that is consistent; only the seal, kept or
signed elsewhere (`auditkit.report.signature`), tells the two apart.

References
----------
.. [1] Kunze, Littman, Madden, Scancella, Adams: The BagIt File Packaging Format
       (V1.0), RFC 8493, 2018.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from auditkit.errors import SourceError
from auditkit.report.inner_paths import clashing_paths, path_fault
from auditkit.report.placing import new_folder
from auditkit.version import __version__

__all__ = [
    "ALGORITHMS",
    "BAGIT",
    "Seal",
    "canonical_manifest",
    "digests_of",
    "manifest_path",
    "seal_of",
    "tag_manifest_path",
    "write_bag",
]

ALGORITHMS = ("sha256", "sha512")
BAGIT = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_CHUNK = 2**20
_LABEL = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]*")
_COMPUTED = ("Payload-Oxum", "Bag-Software-Agent")


@dataclass(frozen=True, slots=True, kw_only=True)
class Seal:
    """The digests that stand for a whole sealed folder: those of its `tagmanifest-sha512.txt`.

    That file lists the manifests, and the manifests list every file, so two
    folders with one seal hold the same files.
    """

    sha256: str
    sha512: str


def write_bag(contents: Mapping[str, bytes | Path], out: Path, *, info: Mapping[str, str]) -> Path:
    """Return the folder `out`, new, with the contents under `data/` and their digests beside it.

    The folder is written under another name, put on disk, and gets its own
    name by one rename; a run that is killed leaves nothing called `out`.

    Parameters
    ----------
    contents : mapping of path to bytes or Path
        Paths relative to `data/`, with / between their parts; a Path is copied.
    out : Path
    info : mapping of label to text
        Lines of `bag-info.txt`; Bagging-Date must be among them, since no clock
        is read. Payload-Oxum and Bag-Software-Agent are added.

    Raises
    ------
    SourceError
        `out` is there already, a path cannot stand in a sealed report, a
        label or its text is not one line, or the disk refuses.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     bag = write_bag({"a.txt": b"one"}, Path(folder) / "bag", info={"Bagging-Date": "2027-04-01"})
    ...     print((bag / "manifest-sha256.txt").read_text(), end="")
    7692c3ad3540bb803c020b3aee66cd8887123234ea0c6e7143c0add73ff431ed  data/a.txt
    """
    _check_paths(contents)
    _check_info(info)
    with new_folder(out) as staging:
        listed: dict[str, dict[str, str]] = {}
        size = 0
        for path in sorted(contents):
            name = f"data/{path}"
            listed[name], written = _write(contents[path], staging / name)
            size += written
        (staging / "data").mkdir(exist_ok=True)
        lines = {**info, "Payload-Oxum": f"{size}.{len(contents)}", "Bag-Software-Agent": f"auditkit {__version__}"}
        tags = {
            **{manifest_path(algorithm): canonical_manifest(listed, algorithm) for algorithm in ALGORITHMS},
            "bag-info.txt": "".join(f"{label}: {text}\n" for label, text in lines.items()).encode(),
            "bagit.txt": BAGIT,
        }
        tagged = {name: _write(content, staging / name)[0] for name, content in tags.items()}
        for algorithm in ALGORITHMS:
            _write(canonical_manifest(tagged, algorithm), staging / tag_manifest_path(algorithm))
    return out


def seal_of(folder: Path) -> Seal:
    """Return the seal of a sealed folder; it says nothing yet of whether the folder is whole.

    Raises
    ------
    SourceError
        The folder has no `tagmanifest-sha512.txt`.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     bags = [write_bag({"a": b"1"}, Path(folder) / name, info={"Bagging-Date": "2027-04-01"}) for name in "xy"]
    ...     seal_of(bags[0]) == seal_of(bags[1])
    True
    """
    path = folder / tag_manifest_path("sha512")
    try:
        content = path.read_bytes()
    except OSError as error:
        raise SourceError(
            f"{folder}: must be a sealed report, with {path.name} in it; the system says: {error.strerror or error}. "
            "Name the folder that auditkit sealed."
        ) from error
    return Seal(**{algorithm: hashlib.new(algorithm, content).hexdigest() for algorithm in ALGORITHMS})


def digests_of(path: Path) -> dict[str, str]:
    """Return the digests of a file by algorithm, read once."""
    hashes = {algorithm: hashlib.new(algorithm) for algorithm in ALGORITHMS}
    with path.open("rb") as stream:
        while chunk := stream.read(_CHUNK):
            for each in hashes.values():
                each.update(chunk)
    return {algorithm: each.hexdigest() for algorithm, each in hashes.items()}


def manifest_path(algorithm: str) -> str:
    """Return the name of the list of the payload's digests."""
    return f"manifest-{algorithm}.txt"


def tag_manifest_path(algorithm: str) -> str:
    """Return the name of the list of the digests of the files beside the payload."""
    return f"tagmanifest-{algorithm}.txt"


def canonical_manifest(digests: Mapping[str, Mapping[str, str]], algorithm: str) -> bytes:
    """Return the one form in which we write a list of digests: by path, lower case, a line feed after each.

    Nothing is percent-encoded (RFC 8493, 2.1.3), since no path here holds what
    would have to be.

    Examples
    --------
    >>> canonical_manifest({"data/b": {"sha256": "02"}, "data/a": {"sha256": "01"}}, "sha256")
    b'01  data/a\\n02  data/b\\n'
    """
    return "".join(f"{digests[path][algorithm]}  {path}\n" for path in sorted(digests)).encode()


def _write(content: bytes | Path, path: Path) -> tuple[dict[str, str], int]:
    """Write one file, and return the digests of what was written and its size."""
    hashes = {algorithm: hashlib.new(algorithm) for algorithm in ALGORITHMS}
    path.parent.mkdir(parents=True, exist_ok=True)
    size = 0
    with path.open("xb") as out:
        if isinstance(content, Path):
            with content.open("rb") as source:
                while chunk := source.read(_CHUNK):
                    size += out.write(chunk)
                    for each in hashes.values():
                        each.update(chunk)
        else:
            size += out.write(content)
            for each in hashes.values():
                each.update(content)
        out.flush()
        os.fsync(out.fileno())
    return {algorithm: each.hexdigest() for algorithm, each in hashes.items()}, size


def _check_paths(contents: Mapping[str, bytes | Path]) -> None:
    """Raise with every path that cannot stand in a sealed report."""
    faults = [
        f"{path!r}: must be a plain path inside the sealed report; it {fault}. Rename the file."
        for path in sorted(contents)
        if (fault := path_fault(path)) is not None
    ]
    faults += [
        f"{one!r} and {other!r}: must be two files on every system; some take them for one. Rename one of them."
        for one, other in clashing_paths(sorted(contents))
    ]
    if faults:
        raise SourceError("\n".join(faults))


def _check_info(info: Mapping[str, str]) -> None:
    """Raise unless every line of `bag-info.txt` is a label and one line of text."""
    faults = []
    if "Bagging-Date" not in info:
        faults.append("bag-info.txt: must have a Bagging-Date; given none. Give the date of the report.")
    for label, text in info.items():
        if not _LABEL.fullmatch(label) or label in _COMPUTED:
            faults.append(f"bag-info.txt: must have labels of letters and hyphens; given {label!r}. Rename it.")
        elif not text.strip() or text != text.strip() or not text.isprintable():
            faults.append(f"bag-info.txt, {label}: must be one line of text; given {text!r}. Write it in one line.")
    if faults:
        raise SourceError("\n".join(faults))
