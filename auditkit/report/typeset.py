"""Typesetting: a PDF from a template of ours and plain data, the same bytes from the same data.

The data reach the template as JSON, never as markup: a cell that holds a
command of the typesetter is printed as it stands. Characters that turn the
direction of writing, steer a terminal, or stand in none of the typesetter's own
fonts are printed as their code point.

The document is PDF/A-2a (ISO 19005-2, level A) and PDF/UA-1 (ISO 14289-1):
tagged, so that a screen reader finds headings, the header cells of each table and
the words for each figure. The typesetter refuses what breaks these standards as
far as a program can tell; whether the words for a figure are good ones it cannot.
Each cell then costs a description of some 180 bytes that PDF keeps unpacked; a
report of 40,000 cells came to 7 MB. They are therefore gathered into compressed
object streams, which PDF 1.5 and PDF/A-2 allow: 1.5 MB, still searchable and
still tagged. Without tags it would be 0.5 MB.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Mapping
from datetime import UTC, date, datetime, time
from functools import cache
from importlib.resources import files
from typing import Any

__all__ = ["typeset"]

_STANDARD: Any = ["a-2a", "ua-1"]


def typeset(template: str, data: Mapping[str, Any], *, dated: date) -> bytes:
    """Return a PDF/A-2a and PDF/UA-1: tagged, searchable, with the title and language that the template sets.

    Parameters
    ----------
    template : str
        Name of a template beside this module, with its ending.
    data : mapping
        What it prints: nested mappings, lists, texts and finite numbers. The
        template reads it as `data`.
    dated : date
        Date the document bears, which the template reads as `dated`; the clock
        is not asked, so that the same data give the same bytes.

    Raises
    ------
    ValueError
        The data hold something JSON cannot say.

    Examples
    --------
    >>> lines = {"title": "Two lines", "lines": ["#panic()", "$x$"]}
    >>> pdf = typeset("plain.typ", lines, dated=date(2027, 3, 5))
    >>> pdf[:5], pdf == typeset("plain.typ", lines, dated=date(2027, 3, 5))
    (b'%PDF-', True)
    """
    import typst

    source = files("auditkit.report").joinpath(template).read_bytes()
    text = json.dumps(_printable(data), ensure_ascii=False, allow_nan=False)
    pdf = typst.compile(
        _PREAMBLE + source,
        format="pdf",
        font_paths=_fonts(),
        sys_inputs={"data": text, "year": str(dated.year), "month": str(dated.month), "day": str(dated.day)},
        pdf_standards=_STANDARD,
        timestamp=datetime.combine(dated, time(), tzinfo=UTC),
    )
    return _packed(bytes(pdf))


_PREAMBLE = b"""#let data = json(bytes(sys.inputs.data))
#let dated = datetime(year: int(sys.inputs.year), month: int(sys.inputs.month), day: int(sys.inputs.day))
"""


def _packed(pdf: bytes) -> bytes:
    """Return the same document with its small objects in compressed streams."""
    import pikepdf

    packed = io.BytesIO()
    with pikepdf.open(io.BytesIO(pdf)) as document:
        document.save(packed, object_stream_mode=pikepdf.ObjectStreamMode.generate, deterministic_id=True)
    return packed.getvalue()


@cache
def _fonts() -> Any:
    """Return the typesetter's own fonts; those of the machine would change the bytes from one to the next."""
    import typst

    return typst.Fonts(include_system_fonts=False, include_embedded_fonts=True)


_UNUSUAL = re.compile("[^\\x20-\\x7e\\n\\u00a0-\\u017f]")
_STEERING = re.compile(
    "[\\x00-\\x09\\x0b-\\x1f\\x7f-\\x9f\\u00ad\\u061c\\u200b-\\u200f\\u2028-\\u202e\\u2060-\\u206f\\ufeff\\ud800-\\udfff]"
)


_MOST_TRIED = 2000
"""More unusual characters than this are not tried one by one; each is printed as its code point."""

_LONG_WORD = re.compile(r"(\S{20})(?=\S)")
_MAY_BREAK = "\\1\u200b"
"""A word this long may be broken, so that no cell runs over its neighbour."""


def _printable(value: Any) -> Any:
    """Return the data, every character in them one that can be printed."""
    texts = set(_texts(value))
    unusual = {character for text in texts for character in _UNUSUAL.findall(text)}
    steering = {character for character in unusual if _STEERING.match(character)}
    named = steering | _not_in_fonts(frozenset(unusual - steering))
    names = {ord(character): f"[U+{ord(character):04X}]" for character in named}
    return _replaced(value, {text: _LONG_WORD.sub(_MAY_BREAK, text.translate(names)) for text in texts})


def _texts(value: Any) -> list[str]:
    """Return the texts that are printed; names of entries, and drawings (bytes), are not among them."""
    if isinstance(value, str):
        return [value]
    parts = value.values() if isinstance(value, Mapping) else value if isinstance(value, (list, tuple)) else ()
    return [text for part in parts for text in _texts(part)]


def _replaced(value: Any, words: Mapping[str, str]) -> Any:
    if isinstance(value, str):
        return words[value]
    if isinstance(value, bytes):
        return value.decode()
    if isinstance(value, Mapping):
        return {key: _replaced(item, words) for key, item in value.items()}
    return [_replaced(item, words) for item in value] if isinstance(value, (list, tuple)) else value


@cache
def _not_in_fonts(characters: frozenset[str]) -> frozenset[str]:
    """Return those characters that none of the fonts holds, found by halving."""
    import typst

    if not characters or len(characters) > _MOST_TRIED:
        return characters
    ordered = sorted(characters)
    try:
        typst.compile(
            b"#set document(date: datetime(year: 2000, month: 1, day: 1))\n#text(sys.inputs.text)",
            format="pdf",
            font_paths=_fonts(),
            sys_inputs={"text": " ".join(ordered)},
            pdf_standards="a-2a",
        )
    except typst.TypstError:
        if len(ordered) == 1:
            return characters
        half = len(ordered) // 2
        return _not_in_fonts(frozenset(ordered[:half])) | _not_in_fonts(frozenset(ordered[half:]))
    return frozenset()
