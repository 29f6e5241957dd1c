"""A sealed report made: records as received, what they came to, and all that is needed to come to it again.

The report's notebook does the audit in a process of its own and writes the
findings, the page and the PDF; what is sealed is what that notebook made.
"""

from __future__ import annotations

import datetime as dt
import json
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from auditkit.contracts.collection import load_contracts
from auditkit.dossier import Dossier
from auditkit.errors import SourceError
from auditkit.findings.audit import Findings
from auditkit.findings.document import as_document, as_json
from auditkit.findings.unjudged import unlooked_rows
from auditkit.intake import read_dossier
from auditkit.intake.declaration import DECLARATION_FILE, read_declaration
from auditkit.intake.folder import files_of_databases
from auditkit.paths import schemas_folder
from auditkit.report.bag import Seal, seal_of, write_bag
from auditkit.report.description import CRATE_FILE, crate
from auditkit.report.files import safe_cells
from auditkit.report.inner_paths import path_fault
from auditkit.report.notebook import execute_report
from auditkit.report.opening import RECORDS
from auditkit.report.page import render_page
from auditkit.report.parameters import KIND, Parameters
from auditkit.report.pdf import render_pdf
from auditkit.report.placing import STAGING_PREFIX
from auditkit.report.sections import page_sections
from auditkit.report.signature import sign_statement, signature_path
from auditkit.report.statement import statement_path, write_statement
from auditkit.report.surroundings import environment
from auditkit.report.table_package import data_package
from auditkit.report.trace_page import TRACE_FILE, trace_page

if TYPE_CHECKING:
    from auditkit.report.redaction import Redaction

__all__ = [
    "ABOUT",
    "SealedReport",
    "make_sealed",
    "put_in_place",
    "report_files",
    "requirement_lines",
    "run_report",
]

MADE = "made"
_SYSTEM_FILES = ("thumbs.db", "desktop.ini")
_STEPS = 4

ABOUT: Mapping[str, str] = {
    "datapackage.json": "Describes the accepted tables, for tools that read Data Packages.",
    "environment.json": "Python, platform and packages the report was made with, each with its digest.",
    "findings.json": "All findings, as numbers and words.",
    "parameters.json": "What the audit was asked to do.",
    "report.html": "The report, to read in a browser; asks nothing of any network.",
    "report.ipynb": "The notebook that ran.",
    "report.pdf": "The report, to sign and file.",
    "requirements.txt": "The packages of environment.json, for pip.",
    "trace.html": "From each verdict to the rows it came from, as received.",
    "set_aside.csv": "Rows that were not accepted, as received, each with the rule it broke.",
}
"""What the files of a sealed report are."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SealedReport:
    """A sealed report and what lies beside it.

    Parameters
    ----------
    folder : Path
    seal : Seal
        To be kept or printed elsewhere.
    statement : Path
    signature : Path or None
        None where no key was given.
    document : mapping
        The findings.
    breaches : bool
        Something does not conform, stops the work, or was set aside before its
        safety could be looked at.
    """

    folder: Path
    seal: Seal
    statement: Path
    signature: Path | None
    document: Mapping[str, Any]
    breaches: bool


def make_sealed(
    folder: Path,
    out: Path,
    *,
    dated: str,
    parameters: Parameters | None = None,
    authors: Sequence[str] = (),
    words: str = "",
    key: Path | None = None,
    redaction: Redaction | None = None,
    on_progress: Callable[[str, int, int], None] | None = None,
) -> SealedReport:
    """Audit a folder of records, and seal the report with all that is needed to make it again.

    Every file of the folder and of its folders comes along, one level down and
    wherever dossier.yaml points, but for hidden ones, those of the system,
    links to files that are no records, databases, and what auditkit wrote.

    Parameters
    ----------
    folder : Path
        The records.
    out : Path
        The sealed folder, new; its statement is written beside it.
    dated : str
        Date of the report, ISO 8601; the clock is not asked.
    parameters : Parameters, optional
    authors : sequence of str
        Who answers for the report.
    words : str
        What the signer states.
    key : Path, optional
        Signs the statement, see `auditkit.report.signature`.
    redaction : Redaction, optional
        What was done to the records before, if they are redacted.
    on_progress : callable, optional
        Called with the name of each step, its number and how many there are.

    Raises
    ------
    SourceError, DeclarationError
        The records cannot be used, `out` is there or lies among the records,
        the date is none, or the key cannot sign.
    """
    asked = parameters or Parameters()
    _check(folder, out, dated)
    step = on_progress or (lambda name, number, total: None)
    step("reading records", 1, _STEPS)
    dossier = read_dossier(folder)
    with tempfile.TemporaryDirectory() as place:
        received = _copy_records(dossier, Path(place) / RECORDS)
        notebook, made = run_report(Path(place), parameters=asked, on_progress=on_progress)
        document = json.loads(made["findings.json"])
        if document["records"]["digest"] != dossier.digest():
            raise SourceError(f"{folder}: must stay as it is while it is audited; it changed. Run it again.")
        step("tables and descriptions", 3, _STEPS)
        contents: dict[str, bytes | Path] = {f"{RECORDS}/{name}": path for name, path in received.items()}
        contents |= {f"schemas/{path.name}": path for path in _schema_files()}
        contents |= {**made, "report.ipynb": notebook, TRACE_FILE: trace_page(document, dossier)}
        contents |= _descriptions(dossier, asked, dated=dated, authors=authors, redaction=redaction)
        contents[CRATE_FILE] = _json(
            crate(
                contents,
                title=_one_line(dossier.title),
                description=_described(document),
                date=dated,
                authors=list(authors),
                about=ABOUT,
                python=environment()["python"]["version"],
            )
        )
        step("seal", 4, _STEPS)
        info = {
            "Bagging-Date": dated[:10],
            "External-Description": f"Sealed report: {_one_line(dossier.title)}",
            "External-Identifier": dossier.digest(),
        }
        made_by = {"dossier": dossier.title, "record_digest": dossier.digest(), "date": dated}
        signer = {"signer": ", ".join(authors), "words": words}
        signature = put_in_place(contents, out, info=info, stated=made_by | signer, key=key)
    return SealedReport(
        folder=out,
        seal=seal_of(out),
        statement=statement_path(out),
        signature=signature,
        document=document,
        breaches=_breaches(document, dossier),
    )


def put_in_place(
    contents: Mapping[str, bytes | Path],
    out: Path,
    *,
    info: Mapping[str, str],
    stated: Mapping[str, str],
    key: Path | None,
) -> Path | None:
    """Write the folder, its statement and signature out of the way, give them their names, and return the signature.

    The folder gets its name last, so that a run that is killed leaves no sealed
    report without what was to lie beside it.

    Parameters
    ----------
    contents, info
        See `bag.write_bag`.
    out : Path
        The sealed folder.
    stated : mapping
        See `statement.write_statement`.
    key : Path or None
        See `signature.sign_statement`.

    Raises
    ------
    SourceError
        The key cannot sign, or the disk refuses.
    """
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=STAGING_PREFIX, dir=out.parent) as place:
            folder = write_bag(contents, Path(place) / out.name, info=info)
            statement = write_statement(folder, **stated)
            beside = [statement] if key is None else [sign_statement(statement, key=key), statement]
            for path in [*beside, folder]:
                path.rename(out.parent / path.name)
    except OSError as error:
        raise SourceError(
            f"{out}: must be a place that can be written to; the system says: {error.strerror or error}. "
            "Give a folder of your own with room to spare."
        ) from error
    return None if key is None else signature_path(statement_path(out))


def report_files(findings: Findings) -> dict[str, bytes]:
    """Return the files that the report's notebook writes, by name: findings, set-aside ledger, page and PDF."""
    document, sections = as_document(findings), page_sections(findings)
    return {
        "findings.json": as_json(document).encode(),
        "set_aside.csv": safe_cells(findings.dossier.ledger)
        .to_csv(index=False, lineterminator="\n")
        .encode("utf-8-sig"),
        "report.html": render_page(findings, document, sections=sections, traced=TRACE_FILE).encode(),
        "report.pdf": render_pdf(findings, document, sections=sections),
    }


def run_report(
    place: Path, *, parameters: Parameters, on_progress: Callable[[str, int, int], None] | None = None
) -> tuple[bytes, dict[str, bytes]]:
    """Run the report's notebook on `place/records`, and return the notebook and the files it wrote, by name.

    Raises
    ------
    SourceError
        The records cannot be used.
    """
    told = {"folder": RECORDS, "out": MADE, **asdict(parameters)}
    notebook = execute_report(place, parameters=told, on_progress=on_progress)
    return notebook, {path.name: path.read_bytes() for path in sorted((place / MADE).iterdir())}


def requirement_lines(recorded: Mapping[str, Any]) -> str:
    """Return the packages of an environment as lines for pip, each at its version.

    Examples
    --------
    >>> print(requirement_lines({"packages": {"numpy": {"version": "2.3.1"}}}), end="")
    numpy==2.3.1
    """
    return "".join(f"{name}=={told['version']}\n" for name, told in sorted(recorded["packages"].items()))


def _check(folder: Path, out: Path, dated: str) -> None:
    try:
        dt.datetime.fromisoformat(dated)
    except ValueError as error:
        raise SourceError(f"The date of a report must be as in ISO 8601; given {dated!r}. Write 2027-04-01.") from error
    if out.resolve().is_relative_to(folder.resolve()):
        raise SourceError(f"{out}: must lie outside the records in {folder}, which would else hold it. Move it.")
    for path in (out, statement_path(out), signature_path(statement_path(out))):
        if path.exists() or path.is_symlink():
            raise SourceError(f"{path}: must be a new name; there is something of that name. Give another.")


def _copy_records(dossier: Dossier, place: Path) -> dict[str, Path]:
    """Copy the files of a dossier as received, and return the copies by name."""
    folder = dossier.folder
    own = {note.split(": ")[0] for note in dossier.notes if note.endswith(": ignored, as auditkit wrote it")}
    near = {path.relative_to(folder).as_posix(): path for pattern in ("*", "*/*") for path in folder.glob(pattern)}
    kept = {name for name, path in near.items() if path.is_file() and not path.is_symlink() and not _is_hidden(name)}
    named = {*dossier.files["file"], *(log.name for log in dossier.settings["pressure_logs"])}
    stores = files_of_databases(read_declaration(folder, load_contracts()))
    names = sorted((kept - own - stores) | named | ({DECLARATION_FILE} & near.keys()))
    faults = [f"{name!r} {fault}" for name in names if (fault := path_fault(f"{RECORDS}/{name}")) is not None]
    if faults:
        raise SourceError(f"{folder}: must hold files of plain names; {'; '.join(faults)}. Rename them.")
    copies = {name: place / name for name in names}
    try:
        for name, copy in copies.items():
            copy.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(folder / name, copy)
    except OSError as error:
        raise SourceError(
            f"{error.filename}: must be a file that can be copied; the system says: {error.strerror or error}. "
            "Change its permissions, or move it out of the records."
        ) from error
    return copies


def _is_hidden(name: str) -> bool:
    parts = name.split("/")
    return any(part.startswith((".", "~$")) for part in parts) or parts[-1].lower() in _SYSTEM_FILES


def _schema_files() -> list[Path]:
    return sorted(path for path in schemas_folder().iterdir() if path.suffix in (".yaml", ".json"))


def _descriptions(
    dossier: Dossier, parameters: Parameters, *, dated: str, authors: Sequence[str], redaction: Redaction | None
) -> dict[str, bytes]:
    present = environment()
    created = dated if "T" in dated else f"{dated}T00:00:00Z"
    descriptor, tables = data_package(dossier, created=created)
    told = {"kind": KIND, "version": 1, **asdict(parameters), "dated": dated, "authors": list(authors)}
    told["redaction"] = None if redaction is None else _redacted(redaction)
    return {
        **tables,
        "datapackage.json": _json(descriptor),
        "parameters.json": _json(told),
        "environment.json": _json(present),
        "requirements.txt": requirement_lines(present).encode(),
    }


def _redacted(redaction: Redaction) -> dict[str, Any]:
    """Return what a redaction did, as plain values; the names themselves stand in none of it."""
    return {
        "columns": json.loads(redaction.columns.to_json(orient="records")),
        "names": dict(redaction.n),
        "left_out": list(redaction.left_out),
        "order": redaction.order,
        "key_check": redaction.key_check,
        "method": redaction.method,
    }


def _breaches(document: Mapping[str, Any], dossier: Dossier) -> bool:
    summary = document["summary"]
    failed = summary["film"]["does not conform"] + summary["wrap"]["does not conform"] + summary["stop_work"]
    return bool(failed or unlooked_rows(dossier, "spray_runs") or unlooked_rows(dossier, "startup_checks"))


def _described(document: Mapping[str, Any]) -> str:
    summary = document["summary"]
    return f"Audit of on-site electrostatic repainting: {summary['areas']} areas, {summary['runs']} spray runs."


def _one_line(text: str) -> str:
    """Return a text as one line that can be printed, of at most 200 characters.

    Examples
    --------
    >>> _one_line(" Two\\nlines ")
    'Two lines'
    """
    plain = "".join(letter if letter.isprintable() else " " for letter in text)
    return " ".join(plain.split())[:200].strip() or "untitled"


def _json(document: object) -> bytes:
    return (json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False) + "\n").encode()
