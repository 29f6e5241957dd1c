"""Spreadsheets whose bytes depend on nothing but their cells."""

from __future__ import annotations

import re
import zipfile
from datetime import datetime
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree.ElementTree import canonicalize

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

__all__ = ["write_workbook"]

_MOMENT = datetime(2027, 3, 15, 12, 0, 0)


def write_workbook(path: Path, sheets: Mapping[str, Sequence[Sequence[object]]]) -> None:
    """Write sheets of rows of cells as an XLSX file, the same bytes each time.

    Its parts are written as canonical XML, since openpyxl writes them by one
    library or another, whichever is installed.

    Parameters
    ----------
    path : Path
        File to write.
    sheets : mapping of str to rows
        Cells may be text, numbers, naive datetimes or None.

    References
    ----------
    Canonical XML 2.0, W3C.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     one, two = Path(folder) / "one.xlsx", Path(folder) / "two.xlsx"
    ...     write_workbook(one, {"Sheet": [["a", 1.5]]})
    ...     write_workbook(two, {"Sheet": [["a", 1.5]]})
    ...     one.read_bytes() == two.read_bytes()
    True
    """
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    book.properties.creator = "auditkit"
    book.properties.created = _MOMENT
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(list(row))
    unstable = BytesIO()
    book.save(unstable)
    stable = BytesIO()
    with zipfile.ZipFile(unstable) as read, zipfile.ZipFile(stable, "w") as written:
        for name in sorted(read.namelist()):
            content = read.read(name)
            if name == "docProps/core.xml":
                content = _with_fixed_time(content)
            content = canonicalize(content.decode("utf-8")).encode("utf-8")
            member = zipfile.ZipInfo(name, date_time=_MOMENT.timetuple()[:6])
            member.compress_type = zipfile.ZIP_DEFLATED
            member.external_attr = 0o600 << 16
            member.create_system = 3
            written.writestr(member, content)
    path.write_bytes(stable.getvalue())


def _with_fixed_time(core: bytes) -> bytes:
    """Return the document's properties with the fixed time of its last change."""
    fixed = _MOMENT.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
    return re.sub(rb"(<dcterms:modified[^>]*>)[^<]*", rb"\g<1>" + fixed, core)
