"""A sealed report opened: its folder, or its archive unpacked for the while."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from auditkit.errors import SourceError
from auditkit.report.archive import read_archive

__all__ = ["RECORDS", "opened"]

RECORDS = "records"
"""Where the records as received lie, under `data/`."""


@contextmanager
def opened(sealed: Path) -> Iterator[Path]:
    """Yield the folder of a sealed report; an archive is unpacked for the while, and its statement with it.

    Raises
    ------
    SourceError
        There is none of that name, or the archive holds no sealed report.
    """
    if sealed.is_dir():
        yield sealed.resolve()
        return
    if not sealed.is_file():
        raise SourceError(f"{sealed}: must be a sealed report; there is none of that name. Correct the path.")
    with tempfile.TemporaryDirectory() as place:
        out = Path(place).resolve() / "unpacked"
        read_archive(sealed, out)
        found = sorted(path for path in out.iterdir() if path.is_dir())
        if len(found) != 1:
            raise SourceError(f"{sealed}: must hold one sealed report; it holds {len(found)} folders. Get it anew.")
        yield found[0]
