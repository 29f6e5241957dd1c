"""Pseudonyms for persons and sites: the same for the same name and key, and no way back without the key.

References
----------
.. [1] Krawczyk, Bellare, Canetti: HMAC, RFC 2104, 1997.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import os
import re
import secrets
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from auditkit.errors import SourceError

__all__ = ["Order", "WordExchange", "in_words", "key_check", "new_key", "pseudonyms", "read_key"]

Order = Literal["kept", "hidden"]

_KEY_BYTES = 32
_KEY_TEXT = re.compile(r"[0-9a-f]{64}\n?")
_TAG_LETTERS = 8
_WITHHELD = "withheld"


def new_key(path: Path) -> Path:
    """Write a new key, drawn by the system's own generator, that only its owner may read, and return its path.

    Keep it apart from the report: who has it can tell which name has which
    pseudonym.

    Raises
    ------
    SourceError
        There is a file already, or it cannot be written.
    """
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            file.write(secrets.token_hex(_KEY_BYTES) + "\n")
    except OSError as error:
        raise SourceError(
            f"{path}: must be a new file for the key; the system says: {error.strerror or error}. Give another name."
        ) from error
    return path


def read_key(path: Path) -> bytes:
    """Return the key in a file that `new_key` wrote.

    Raises
    ------
    SourceError
        The file cannot be read, or holds no key.
    """
    try:
        text = path.read_text(encoding="ascii")
    except (OSError, UnicodeDecodeError) as error:
        raise SourceError(
            f"{path}: must be the key of the dossier; it cannot be read ({error}). "
            "Name the key's file, or make a new one with `auditkit new-key`."
        ) from error
    if not _KEY_TEXT.fullmatch(text):
        raise SourceError(
            f"{path}: must be the key of the dossier, 64 hexadecimal digits; given something else. "
            "Name the file that `auditkit new-key` wrote."
        )
    return bytes.fromhex(text.strip())


def key_check(key: bytes) -> str:
    """Return eight letters by which the owner of several keys finds the right one; they tell nothing of the key."""
    return _tag("key", "", key)


def pseudonyms(names: Iterable[str], *, kind: str, key: bytes, order: Order = "kept") -> dict[str, str]:
    """Return a pseudonym for each name: a letter, a number, and eight letters that the key makes of the name.

    Parameters
    ----------
    names : iterable of str
    kind : str
        What they are names of; its first letter begins the pseudonym.
    key : bytes
    order : {"kept", "hidden"}
        Kept, the pseudonyms sort as the names do, so that no number can change
        that is drawn or listed by their order; the number then tells a name's
        place in the alphabet, and one who knows all the names can tell who is
        who. Hidden, they sort by the key.

    Examples
    --------
    >>> made = pseudonyms(["Lund", "Aas"], kind="person", key=bytes(32))
    >>> made
    {'Aas': 'P1-KWYJ3OXW', 'Lund': 'P2-UHXNOB4H'}
    """
    tags = {name: _tag(kind, name, key) for name in sorted(set(names))}
    ordered = sorted(tags, key=lambda name: (tags[name], name)) if order == "hidden" else list(tags)
    width = len(str(len(ordered)))
    return {name: f"{kind[0].upper()}{number:0{width}d}-{tags[name]}" for number, name in enumerate(ordered, start=1)}


def _tag(kind: str, name: str, key: bytes) -> str:
    digest = hmac.new(key, f"auditkit\0{kind}\0{name}".encode(), hashlib.sha256).digest()
    return base64.b32encode(digest).decode()[:_TAG_LETTERS]


@dataclass(frozen=True, slots=True)
class WordExchange:
    """Puts pseudonyms in the place of names wherever these stand as whole words in a text.

    Letter case does not matter. Names of a single character or without any
    letter are left alone, since they cannot be told from other words. A word
    that stands for several is withheld.

    Parameters
    ----------
    meant : mapping of folded name to pseudonym
    pattern : compiled regular expression, or None where there is no name

    Examples
    --------
    >>> exchange = in_words([("IN1", "P1-AAAA"), ("Aas", "P2-BBBB"), ("3", "P3-CCCC")])
    >>> exchange("in1_no 3, by AAS; aasen, IN10")
    'P1-AAAA_no 3, by P2-BBBB; aasen, IN10'
    >>> exchange.found("Aas and aas")
    ['P2-BBBB', 'P2-BBBB']
    """

    meant: Mapping[str, str]
    pattern: re.Pattern[str] | None

    def __call__(self, text: str) -> str:
        """Return a text with its names exchanged."""
        return text if self.pattern is None else self.pattern.sub(lambda found: self._of(found[0]), text)

    def found(self, text: str) -> list[str]:
        """Return the pseudonyms of the names that stand in a text, one for each time."""
        return [] if self.pattern is None else [self._of(found[0]) for found in self.pattern.finditer(text)]

    def _of(self, word: str) -> str:
        return self.meant.get(word.casefold(), _WITHHELD)


def in_words(known: Iterable[tuple[str, str]]) -> WordExchange:
    """Return what exchanges names, given with their pseudonyms, in free text."""
    meant: dict[str, str] = {}
    for name, pseudonym in known:
        folded = name.casefold()
        if len(name) > 1 and any(letter.isalpha() for letter in name):
            meant[folded] = pseudonym if meant.get(folded, pseudonym) == pseudonym else _WITHHELD
    if not meant:
        return WordExchange(meant, None)
    words = "|".join(re.escape(name) for name in sorted(meant, key=len, reverse=True))
    return WordExchange(meant, re.compile(rf"(?<![^\W_])(?:{words})(?![^\W_])", re.IGNORECASE))
