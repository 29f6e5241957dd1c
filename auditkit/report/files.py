"""Files of an audit: written whole or not at all."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Mapping
from pathlib import Path

import pandas as pd

from auditkit.errors import SourceError
from auditkit.findings.audit import Findings
from auditkit.findings.document import as_document, as_json
from auditkit.report.page import render_page

__all__ = ["safe_cells", "write_audit", "write_files"]

_FORMULA_START = re.compile(r"(^|[;\t\r\n])(\s*)(?=[=+\-@\t\r＝＋－＠])")  # noqa: RUF001


def write_audit(findings: Findings, out: Path) -> dict[str, Path]:
    """Write findings.json, set_aside.csv and report.html into a folder, and return where they lie.

    Raises
    ------
    SourceError
        The folder is a file, or cannot be written to.
    """
    document = as_document(findings)
    ledger = safe_cells(findings.dossier.ledger).to_csv(index=False, lineterminator="\n")
    return write_files(
        {
            "findings.json": as_json(document).encode(),
            "set_aside.csv": ledger.encode("utf-8-sig"),
            "report.html": render_page(findings, document).encode(),
        },
        out,
    )


def write_files(contents: Mapping[str, bytes], out: Path) -> dict[str, Path]:
    """Write files into a folder so that each is either the old one or the whole new one.

    All are written beside their place first, and put in place only when every
    one is on disk.

    Raises
    ------
    SourceError
        The folder is a file, or cannot be written to.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     paths = write_files({"a.txt": b"one"}, Path(folder) / "new")
    ...     paths["a.txt"].read_bytes()
    b'one'
    """
    if out.exists() and not out.is_dir():
        raise SourceError(f"{out} must be a folder; it is a file. Give --out another name.")
    try:
        out.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".writing-", dir=out) as staging:
            for name, content in contents.items():
                with (Path(staging) / name).open("wb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
            for name in contents:
                (Path(staging) / name).replace(out / name)
    except OSError as error:
        raise SourceError(
            f"{out} must be a folder that can be written to; the system says: {error.strerror or error}. "
            "Give --out a folder of your own with room to spare."
        ) from error
    return {name: out / name for name in contents}


def safe_cells(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame whose text no spreadsheet takes for a formula.

    An apostrophe is put before a character that starts one, at the beginning of
    a text and after anything that a spreadsheet may part cells at; plain
    numbers are left alone.

    Examples
    --------
    >>> import pandas as pd
    >>> safe_cells(pd.DataFrame({"value": ["=1+1", "-3.0", "abt 70"]}))["value"].tolist()
    ["'=1+1", '-3.0', 'abt 70']
    """
    result = frame.copy()
    for column in result.columns:
        if pd.api.types.is_string_dtype(result[column]):
            text = result[column]
            numeric = pd.to_numeric(text, errors="coerce").notna()
            result[column] = text.where(numeric, text.str.replace(_FORMULA_START, r"\1\2'", regex=True))
    return result
