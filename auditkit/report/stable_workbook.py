"""Workbooks to be filled in: the same bytes from the same cells, and no text that a spreadsheet takes for a formula."""

from __future__ import annotations

import hashlib
import re
import zipfile
import zlib
from datetime import date, datetime, time
from io import BytesIO
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.cell import Cell

__all__ = ["is_as_written", "put_cell", "workbook_bytes"]

_LEADS = ("=", "+", "-", "@", "\t", "\r")
_PROPERTIES = "docProps/core.xml"
_IDENTIFIER = re.compile(rb"(<dc:identifier[^>]*>)([^<]*)")
_NOT_IN_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]")


def put_cell(cell: Cell, value: object) -> None:
    """Put a value into a cell: a text stays a text, whatever it begins with.

    Characters that a workbook cannot hold are put in by their code point.

    Examples
    --------
    >>> from openpyxl import Workbook
    >>> cell = Workbook().active["A1"]
    >>> put_cell(cell, "=1+1")
    >>> cell.data_type, cell.quotePrefix
    ('s', True)
    """
    if not isinstance(value, str):
        cell.value = value
        return
    cell.value = _NOT_IN_XML.sub(lambda found: f"[U+{ord(found[0]):04X}]", value)
    cell.data_type = "s"
    if value.startswith(_LEADS):
        cell.quotePrefix = True


def workbook_bytes(book: Workbook, *, title: str, dated: date) -> bytes:
    """Return a workbook as the bytes of an XLSX file, which depend on its cells, title and date alone.

    Parameters
    ----------
    book : openpyxl.Workbook
    title : str
        Property of the document.
    dated : date
        Date of its making that the file bears; from 1980 on.

    Examples
    --------
    >>> from openpyxl import Workbook
    >>> one, two = (workbook_bytes(Workbook(), title="Blank", dated=date(2027, 3, 5)) for _ in range(2))
    >>> one == two
    True
    """
    moment = datetime.combine(dated, time())
    book.properties.creator = "auditkit"
    book.properties.title = _NOT_IN_XML.sub("", title)
    book.properties.identifier = "sha-256"
    book.properties.created = moment
    unstable, stable = BytesIO(), BytesIO()
    book.save(unstable)
    changed = re.compile(rb"(<dcterms:modified[^>]*>)[^<]*")
    with zipfile.ZipFile(unstable) as read, zipfile.ZipFile(stable, "w") as written:
        for name in sorted(read.namelist()):
            content = read.read(name)
            if name == _PROPERTIES:
                content = changed.sub(rb"\g<1>" + f"{moment:%Y-%m-%dT%H:%M:%SZ}".encode(), content)
                content = _IDENTIFIER.sub(rb"\g<1>" + _digest(read).encode(), content)
            member = zipfile.ZipInfo(name, date_time=moment.timetuple()[:6])
            member.compress_type = zipfile.ZIP_DEFLATED
            member.external_attr = 0o600 << 16
            member.create_system = 3
            written.writestr(member, content)
    return stable.getvalue()


def is_as_written(content: bytes) -> bool:
    """Return whether a file is a workbook of `workbook_bytes` that no one has saved since, by the digest it carries.

    Examples
    --------
    >>> from openpyxl import Workbook
    >>> is_as_written(workbook_bytes(Workbook(), title="Blank", dated=date(2027, 3, 5)))
    True
    >>> is_as_written(b"PK, and nothing else")
    False
    """
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            found = _IDENTIFIER.search(archive.read(_PROPERTIES))
            return found is not None and found[2].decode() == _digest(archive)
    except (zipfile.BadZipFile, KeyError, zlib.error, UnicodeDecodeError):
        return False


def _digest(archive: zipfile.ZipFile) -> str:
    """Return the SHA-256 of all parts of a workbook but its properties."""
    digest = hashlib.sha256()
    for name in sorted(set(archive.namelist()) - {_PROPERTIES}):
        content = archive.read(name)
        digest.update(f"{name}\0{len(content)}\0".encode())
        digest.update(content)
    return digest.hexdigest()
