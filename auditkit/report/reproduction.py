"""A sealed report reproduced: its fixity and signature verified, its records audited anew, and every number compared.

Nothing that came with a sealed report is executed: the records are read, and
the notebook of this installation is run on them in a fresh process.
"""

from __future__ import annotations

import json
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from auditkit.errors import AuditError, SourceError
from auditkit.intake import read_dossier
from auditkit.paths import schemas_folder
from auditkit.report.bag_check import BagCheck, check_bag
from auditkit.report.opening import RECORDS, opened
from auditkit.report.outputs import (
    DIFFERENT,
    EQUAL,
    WITHIN,
    Comparison,
    compare,
    compare_notebooks,
    compare_values,
    leaves,
)
from auditkit.report.parameters import read_parameters
from auditkit.report.sealed import run_report
from auditkit.report.signature import SignatureCheck, signature_path, verify_signature
from auditkit.report.statement import Statement, read_statement, statement_faults, statement_path
from auditkit.report.surroundings import compare_environments, environment
from auditkit.report.table_package import data_package
from auditkit.report.trace_page import TRACE_FILE, trace_page

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DIFFERS", "REPRODUCED", "UNUSABLE", "Reproduction", "reproduce"]

REPRODUCED, DIFFERS, UNUSABLE = 0, 1, 2
"""Exit codes: every number is the same within printed digits; some are not; it cannot be used or was touched."""

_FILE_COLUMNS = ("file", "verdict", "note")
_METHOD = (
    "Every file was held against both lists of digests, the statement against the seal, the signature (if there is "
    "one and allowed signers were given) against the statement. The records were then audited anew in a fresh process "
    "with the recorded parameters, by the notebook and rules of this installation, and every number, cell and figure "
    "compared."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reproduction:
    """What came of reproducing a sealed report.

    Parameters
    ----------
    code : int
        0 reproduced, 1 differs, 2 cannot be used or was touched.
    reasons : tuple of str
        Why the code is not 0; empty where it is.
    fixity : BagCheck
    statement : Statement or None
        None where none lies beside the folder.
    signature : SignatureCheck or None
        None where there is none, or no allowed signers were given.
    signed : str
        The state of statement and signature, in words.
    environment : DataFrame
        What differs from the environment recorded: what, recorded, present,
        difference.
    findings, notebook : Comparison or None
        None where it did not come to running anything.
    files : DataFrame
        One row a file that could be made again: file, verdict, note.
    method : str
    """

    code: int
    reasons: tuple[str, ...]
    fixity: BagCheck
    statement: Statement | None
    signature: SignatureCheck | None
    signed: str
    environment: pd.DataFrame
    findings: Comparison | None
    notebook: Comparison | None
    files: pd.DataFrame
    method: str = _METHOD


def reproduce(
    sealed: Path,
    *,
    allowed_signers: Path | None = None,
    seal: str | None = None,
    on_progress: Callable[[str, int, int], None] | None = None,
) -> Reproduction:
    """Return whether a sealed report is whole, signed, and made again number for number.

    Parameters
    ----------
    sealed : Path
        Its folder, or its archive.
    allowed_signers : Path, optional
        Names and keys of those who may sign; given, a report without a good
        signature of one of them cannot be used.
    seal : str, optional
        Seal known from elsewhere.
    on_progress : callable, optional
        Called with the name of each step, its number and how many there are.

    Raises
    ------
    SourceError
        It is no sealed report at all, or the allowed signers cannot be read.
    """
    step = on_progress or (lambda name, number, total: None)
    with opened(sealed) as folder:
        step("fixity and signature", 1, 2)
        fixity = check_bag(folder, seal=seal)
        signed, faults = _signed(folder, fixity, allowed_signers)
        touched = [f"{fault.path}: {fault.fault}" for fault in fixity.faults.itertuples()] + faults
        if touched:
            return _unusable(touched, fixity, signed)
        step("reading what was recorded", 2, 2)
        try:
            again = _run_again(folder / "data", on_progress)
        except AuditError as error:
            return _unusable([str(error)], fixity, signed)
    reasons = _reasons(again.findings, again.notebook, again.files)
    if signed.statement is not None:
        reasons += statement_faults(signed.statement, seal=fixity.seal, record_digest=again.record_digest)
    return Reproduction(
        code=DIFFERS if reasons else REPRODUCED,
        reasons=tuple(reasons),
        fixity=fixity,
        statement=signed.statement,
        signature=signed.signature,
        signed=signed.words,
        environment=again.environment,
        findings=again.findings,
        notebook=again.notebook,
        files=again.files,
    )


class _Signed(NamedTuple):
    """The statement beside a sealed report and its signature, and their state in words."""

    statement: Statement | None
    signature: SignatureCheck | None
    words: str


class _Again(NamedTuple):
    """What a second run came to, against what was sealed."""

    environment: pd.DataFrame
    findings: Comparison
    notebook: Comparison
    files: pd.DataFrame
    record_digest: str


def _run_again(data: Path, on_progress: Callable[[str, int, int], None] | None) -> _Again:
    """Audit sealed records anew, and compare."""
    told = _read_json(data, "parameters.json")
    parameters = read_parameters(_bytes(data, "parameters.json"))
    recorded, document = _read_json(data, "environment.json"), _read_json(data, "findings.json")
    notebook = _read_json(data, "report.ipynb")
    if not (data / RECORDS).is_dir():
        raise SourceError(f"data/{RECORDS}: must be in a sealed report; it is not. Get the report anew.")
    with tempfile.TemporaryDirectory() as place:
        shutil.copytree(data / RECORDS, Path(place) / RECORDS)
        again, made = run_report(Path(place), parameters=parameters, on_progress=on_progress)
        dossier = read_dossier(Path(place) / RECORDS)
        found = json.loads(made["findings.json"])
        traced = trace_page(found, dossier)
    differing = compare_environments(recorded, environment())
    tables = data_package(dossier, created=str(told.get("dated", "")))[1]
    return _Again(
        environment=differing,
        findings=compare(document, found),
        notebook=compare_notebooks(notebook, json.loads(again)),
        files=_files(data, {**made, **tables, **_rules(), TRACE_FILE: traced}, same_environment=differing.empty),
        record_digest=found["records"]["digest"],
    )


def _unusable(reasons: list[str], fixity: BagCheck, signed: _Signed) -> Reproduction:
    """Return the result of a sealed report that could not be run."""
    return Reproduction(
        code=UNUSABLE,
        reasons=tuple(reasons),
        fixity=fixity,
        statement=signed.statement,
        signature=signed.signature,
        signed=signed.words,
        environment=compare_environments({}, {}),
        findings=None,
        notebook=None,
        files=_file_frame([]),
    )


def _signed(folder: Path, fixity: BagCheck, allowed_signers: Path | None) -> tuple[_Signed, list[str]]:
    """Return the statement and the check of its signature, and what is wrong with them."""
    path = statement_path(folder)
    signature = signature_path(path)
    wanted = allowed_signers is not None
    if not path.is_file():
        said = "no statement lies beside the report, so only its own lists vouch for it"
        return _Signed(None, None, said), [f"{path.name}: must be there, and signed; it is missing"] * wanted
    content = path.read_bytes()
    try:
        stated = read_statement(content)
    except SourceError as error:
        return _Signed(None, None, "the statement cannot be read"), [str(error)]
    faults = [f"{path.name}: {fault}" for fault in statement_faults(stated, seal=fixity.seal)]
    if not signature.is_file():
        said = "stated, not signed; whoever can rewrite the folder can rewrite the statement"
        faults += [f"{signature.name}: must be there; the statement is not signed"] * wanted
        return _Signed(stated, None, said), faults
    if allowed_signers is None:
        return _Signed(stated, None, "signed, not verified: give the list of allowed signers"), faults
    checked = verify_signature(content, signature, allowed_signers=allowed_signers)
    if not checked.ok:
        said = f"the signature is not good: {checked.why}"
        return _Signed(stated, checked, said), [*faults, f"{signature.name}: {checked.why}"]
    return _Signed(stated, checked, f"signed by {checked.signer}, key {checked.key}, on {stated.date}"), faults


def _rules() -> dict[str, bytes]:
    """Return the contracts, rules and diagram of this installation by their path in a sealed report."""
    found = sorted(schemas_folder().iterdir())
    return {f"schemas/{path.name}": path.read_bytes() for path in found if path.suffix in (".yaml", ".json")}


def _files(data: Path, made: Mapping[str, bytes], *, same_environment: bool) -> pd.DataFrame:
    """Return which files are the same bytes as made again, and where they are not, whether their words are."""
    rows = []
    sealed_rules = {f"schemas/{path.name}" for path in (data / "schemas").glob("*")}
    for name in sorted({*made, *sealed_rules} - {"findings.json"}):
        path = data / name
        if not path.is_file() or name not in made:
            rows.append((name, DIFFERENT, "not sealed" if name in made else "not in this installation"))
            continue
        content = path.read_bytes()
        if content == made[name]:
            rows.append((name, EQUAL, "the same bytes"))
        elif name.endswith(".html"):
            rows.append((name, *_html_verdict(content, made[name])))
        elif name == "report.pdf" and not same_environment:
            rows.append((name, "not compared", "other bytes; versions differ, and a PDF is not compared by its words"))
        else:
            rows.append((name, DIFFERENT, "other bytes"))
    return _file_frame(rows)


def _html_verdict(sealed: bytes, here: bytes) -> tuple[str, str]:
    """Return whether two pages say the same, leaving out their scripts and styles."""
    one, other = _page_lines(sealed), _page_lines(here)
    verdicts = [compare_values(a, b) for a, b in zip(one, other, strict=False)]
    if len(one) != len(other) or DIFFERENT in verdicts:
        at = verdicts.index(DIFFERENT) if DIFFERENT in verdicts else min(len(one), len(other))
        pair = [lines[at][:80] if at < len(lines) else "nothing" for lines in (one, other)]
        return DIFFERENT, f"text {at + 1}: {pair[0]!r} became {pair[1]!r}"
    return WITHIN, "other bytes; the same words and numbers, scripts and drawings left out"


class _Words(HTMLParser):
    """Gathers what a page says."""

    def __init__(self) -> None:
        super().__init__()
        self.lines: list[str] = []
        self.silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.silent += tag in ("script", "style")

    def handle_endtag(self, tag: str) -> None:
        self.silent -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self.silent and data.strip():
            self.lines.append(" ".join(data.split()))


def _page_lines(content: bytes) -> list[str]:
    words = _Words()
    words.feed(content.decode("utf-8", "replace"))
    words.close()
    return words.lines


def _reasons(findings: Comparison, notebook: Comparison, files: pd.DataFrame) -> list[str]:
    told = [
        f"{what}: {result.different} of {result.n} values differ, first {_first(result)}"
        for what, result in (("findings.json", findings), ("report.ipynb", notebook))
        if result.different
    ]
    wrong = files[files["verdict"] == DIFFERENT]
    return told + [f"{row.file}: {row.note}" for row in wrong.itertuples()]


def _first(result: Comparison) -> str:
    row = result.rows[result.rows["verdict"] == DIFFERENT].iloc[0]
    return f"{row['place']}: sealed {row['sealed']}, here {row['here']}"


def _file_frame(rows: Sequence[tuple[str, ...]]) -> pd.DataFrame:
    import pandas as pd

    return pd.DataFrame(rows, columns=list(_FILE_COLUMNS)).astype(dict.fromkeys(_FILE_COLUMNS, "str"))


def _bytes(data: Path, name: str) -> bytes:
    path = data / name
    if not path.is_file():
        raise SourceError(f"data/{name}: must be in a sealed report; it is not. Get the report anew.")
    return path.read_bytes()


def _read_json(data: Path, name: str) -> dict[str, Any]:
    """Return a sealed JSON file, once it is known that it can be compared."""
    try:
        found = json.loads(_bytes(data, name))
        if not isinstance(found, dict):
            raise TypeError("it is no object")
        if name.endswith(".ipynb"):
            compare_notebooks(found, {"cells": []})
        else:
            leaves(found)
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError) as error:
        raise SourceError(f"data/{name}: must be as auditkit writes it; {error}. Get the report anew.") from error
    return found
