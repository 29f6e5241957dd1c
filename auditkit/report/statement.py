"""The statement beside a sealed folder: which dossier, which seal, which date, in words that can be signed."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from auditkit.errors import SourceError
from auditkit.report.bag import Seal, seal_of, tag_manifest_path
from auditkit.report.placing import new_file

__all__ = ["Statement", "read_statement", "statement_faults", "statement_path", "write_statement"]

_KIND = "auditkit statement"
_LARGEST = 100_000
_SHA256 = re.compile(r"[0-9a-f]{64}")
_SHA512 = re.compile(r"[0-9a-f]{128}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Statement:
    """What is stated of a sealed report.

    Parameters
    ----------
    dossier : str
        Title of the dossier.
    record_digest : str
        SHA-256 of the accepted records, as `Dossier.digest` gives it.
    seal : Seal
        Digests of `tagmanifest-sha512.txt` in the sealed folder.
    date : str
        ISO 8601, as given; nothing vouches for it but the signer.
    signer : str
        Who states it.
    words : str
        What is stated, in the signer's words.
    """

    dossier: str
    record_digest: str
    seal: Seal
    date: str
    signer: str
    words: str


def statement_path(folder: Path) -> Path:
    """Return where the statement of a sealed folder lies: beside it, under its name.

    Examples
    --------
    >>> statement_path(Path("out/report")).as_posix()
    'out/report.statement.json'
    """
    return folder.parent / f"{folder.name}.statement.json"


def write_statement(
    folder: Path, *, dossier: str, record_digest: str, date: str, signer: str = "", words: str = ""
) -> Path:
    """Write the statement of a sealed folder beside it, and return its path.

    Even unsigned it tells a folder whose lists were all made anew from the one
    that was sealed, unless the statement was rewritten too.

    Raises
    ------
    SourceError
        The folder is not sealed, there is a statement already, or the date is none.
    """
    stated = Statement(
        dossier=dossier, record_digest=record_digest, seal=seal_of(folder), date=date, signer=signer, words=words
    )
    faults = _value_faults(asdict(stated))
    if faults:
        raise SourceError(f"The statement on {folder}: {'; '.join(faults)}. Correct it.")
    document = {"kind": _KIND, "version": 1, **asdict(stated)}
    document["seal"] = {"file": tag_manifest_path("sha512"), **asdict(stated.seal)}
    text = json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n"
    return new_file(statement_path(folder), text.encode())


def read_statement(content: bytes) -> Statement:
    """Return a statement from the bytes of its file, held to the form in which we write it.

    Raises
    ------
    SourceError
        Anything in it is unknown, missing, given twice or of another kind.

    Examples
    --------
    >>> read_statement(b"{}")
    Traceback (most recent call last):
    ...
    auditkit.errors.SourceError: The statement must be one that auditkit wrote; its keys are none. Get it anew.
    """
    if len(content) > _LARGEST:
        raise _unusable(f"it has {len(content)} bytes")
    try:
        document = json.loads(content.decode("utf-8"), object_pairs_hook=_once)
    except (ValueError, RecursionError) as error:
        raise _unusable(f"it cannot be read ({error})") from error
    keys = ["kind", "version", "dossier", "record_digest", "seal", "date", "signer", "words"]
    if not isinstance(document, dict) or sorted(document) != sorted(keys):
        raise _unusable(f"its keys are {', '.join(document) or 'none' if isinstance(document, dict) else 'none'}")
    if document["kind"] != _KIND or document["version"] != 1:
        raise _unusable(f"it is {document['kind']!r}, version {document['version']!r}")
    faults = _value_faults(document)
    if not faults and document["seal"].get("file") != tag_manifest_path("sha512"):
        faults = ["its seal is of another file"]
    if faults:
        raise _unusable("; ".join(faults))
    seal = Seal(sha256=document["seal"]["sha256"], sha512=document["seal"]["sha512"])
    return Statement(seal=seal, **{key: document[key] for key in keys[2:] if key != "seal"})


def statement_faults(stated: Statement, *, seal: Seal | None, record_digest: str | None = None) -> list[str]:
    """Return in what a sealed folder is not the one a statement is of; empty where it is.

    Parameters
    ----------
    stated : Statement
    seal : Seal or None
        Of the folder, as `check_bag` gives it.
    record_digest : str, optional
        Of the records, as computed anew.

    Examples
    --------
    >>> stated = Statement(dossier="D", record_digest="r", seal=Seal(sha256="a", sha512="b"), date="2027-04-01",
    ...                    signer="", words="")
    >>> statement_faults(stated, seal=Seal(sha256="a", sha512="b"))
    []
    >>> statement_faults(stated, seal=Seal(sha256="a", sha512="c"))
    ['the seal is c (SHA-512); the statement is of b']
    """
    if seal is None:
        return ["the folder has no seal"]
    faults = []
    if seal.sha256 != stated.seal.sha256:
        faults.append(f"the seal is {seal.sha256} (SHA-256); the statement is of {stated.seal.sha256}")
    if seal.sha512 != stated.seal.sha512:
        faults.append(f"the seal is {seal.sha512} (SHA-512); the statement is of {stated.seal.sha512}")
    if record_digest is not None and record_digest != stated.record_digest:
        faults.append(f"the records have the digest {record_digest}; the statement is of {stated.record_digest}")
    return faults


def _once(pairs: Sequence[tuple[str, Any]]) -> dict[str, Any]:
    """Return the pairs as a dict; a key given twice could be read either way."""
    found = dict(pairs)
    if len(found) < len(pairs):
        raise ValueError("a key is given twice")
    return found


def _value_faults(document: dict[str, Any]) -> list[str]:
    faults = [
        f"{key} must be text"
        for key in ("dossier", "record_digest", "date", "signer", "words")
        if not isinstance(document[key], str)
    ]
    seal = document["seal"]
    digests = [seal.get(name) if isinstance(seal, dict) else None for name in ("sha256", "sha512")]
    for digest, form, name in zip(digests, (_SHA256, _SHA512), ("sha256", "sha512"), strict=True):
        if not isinstance(digest, str) or not form.fullmatch(digest):
            faults.append(f"seal.{name} must be lower-case hexadecimal digits")
    if not faults:
        if not _SHA256.fullmatch(document["record_digest"]):
            faults.append("record_digest must be the SHA-256 of the records")
        try:
            dt.datetime.fromisoformat(document["date"])
        except ValueError:
            faults.append(f"date must be as in ISO 8601; given {document['date']!r}")
    return faults


def _unusable(why: str) -> SourceError:
    return SourceError(f"The statement must be one that auditkit wrote; {why}. Get it anew.")
