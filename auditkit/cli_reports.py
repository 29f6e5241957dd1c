"""The commands on sealed reports: make, reproduce, trace and compare them."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from auditkit.errors import SourceError
from auditkit.terminal import BREACH, Folder, console, progress, show

if TYPE_CHECKING:
    from auditkit.report.redaction import Redaction
    from auditkit.report.sealed import SealedReport

__all__ = ["compare", "new_key", "report", "reproduce", "trace"]

Sealed = Annotated[Path, typer.Argument(help="A sealed report: its folder, or its archive.")]


def report(
    folder: Folder,
    *,
    out: Annotated[Path, typer.Option(help="Sealed folder to make, a new name; its statement is put beside it.")],
    dated: Annotated[str | None, typer.Option(help="Date of the report, such as 2027-04-01; else today.")] = None,
    author: Annotated[list[str] | None, typer.Option(help="Who answers for it; may be given several times.")] = None,
    words: Annotated[str, typer.Option(help="What the signer states.")] = "",
    sign: Annotated[Path | None, typer.Option(help="Key of SSH to sign the statement with.")] = None,
    redact: Annotated[bool, typer.Option("--redact", help="Put persons and sites under pseudonyms first.")] = False,
    key: Annotated[Path | None, typer.Option(help="Key of the pseudonyms, see new-key.")] = None,
    archive: Annotated[bool, typer.Option("--archive", help="Write it as one file too: OUT.zip.")] = False,
) -> None:
    """Audit a folder of records, and seal the report with all that is needed to make it again."""
    packed = out.parent / f"{out.name}.zip"
    _check_choices(redact=redact, key=key, archive=packed if archive else None)
    made = _sealed(folder, out, dated=dated, authors=author or [], words=words, sign=sign, key=key)
    from auditkit.report.outcome_words import sealed_lines

    show(sealed_lines(made))
    written = [made.folder, made.statement, *([made.signature] if made.signature else [])]
    if archive:
        from auditkit.report.archive import write_archive

        written.append(write_archive(made.folder, packed))
    for path in written:
        console().print(f"Written: {path}", markup=False, soft_wrap=True)
    if made.breaches:
        raise typer.Exit(BREACH)


def reproduce(
    sealed: Sealed,
    signers: Annotated[
        Path | None, typer.Option(help="Who may sign, in OpenSSH's form; given, a good signature must be there.")
    ] = None,
    seal: Annotated[str | None, typer.Option(help="SHA-256 of the seal, known from elsewhere.")] = None,
) -> None:
    """Verify a sealed report, audit its records anew, and compare every number. 0 the same, 1 differs, 2 unusable."""
    with progress() as step:
        step("fixity and signature", 0, 2)
        from auditkit.report.outcome_words import reproduction_lines
        from auditkit.report.reproduction import reproduce as run_again

        result = run_again(sealed, allowed_signers=signers, seal=seal, on_progress=step)
    show(reproduction_lines(result))
    raise typer.Exit(result.code)


def trace(
    sealed: Sealed,
    finding: Annotated[
        str, typer.Argument(help="Such as 'film A003 facing', or a JSON pointer into findings.json: /film/sides/0.")
    ],
    most: Annotated[int, typer.Option(min=1, help="Rows of records to show.")] = 20,
) -> None:
    """Show the rows that a finding comes from: file, line, value as received, conversion, rule, what was set aside."""
    with progress() as step:
        step("reading records", 0, 1)
        from auditkit.report.outcome_words import trace_lines
        from auditkit.report.trace import trace_sealed

        found = trace_sealed(sealed, finding)
    show(trace_lines(found, most=most))


def compare(
    before: Annotated[Path, typer.Argument(help="A sealed report, or a findings.json.")],
    after: Annotated[Path, typer.Argument(help="The other.")],
) -> None:
    """Show what changed from one report to another, and why. 0 they say the same, 1 they differ."""
    with progress() as step:
        step("reading reports", 0, 1)
        from auditkit.report.comparison import compare_reports, read_issued
        from auditkit.report.outcome_words import comparison_lines

        result = compare_reports(read_issued(before), read_issued(after))
    show(comparison_lines(result))
    if result.n:
        raise typer.Exit(BREACH)


def new_key(file: Annotated[Path, typer.Argument(help="File to write, a new name.")]) -> None:
    """Write a new key for the pseudonyms of a dossier; keep it apart from every report."""
    from auditkit.report.pseudonyms import new_key as write_key

    console().print(f"Written: {write_key(file)}", markup=False, soft_wrap=True)


def _check_choices(*, redact: bool, key: Path | None, archive: Path | None) -> None:
    if redact and key is None:
        raise SourceError("--redact must come with the key of the pseudonyms; given none. Add --key FILE.")
    if key is not None and not redact:
        raise SourceError(f"--key must come with --redact; given {key} alone. Add --redact, or use --sign to sign.")
    if archive is not None and archive.exists():
        raise SourceError(f"{archive}: must be a new name; there is something of that name. Give --out another.")


def _sealed(
    folder: Path, out: Path, *, dated: str | None, authors: list[str], words: str, sign: Path | None, key: Path | None
) -> SealedReport:
    """Make the sealed report, its steps shown; of records under pseudonyms where a key for them is given."""
    from datetime import date

    with progress() as step, tempfile.TemporaryDirectory() as place:
        step("reading records", 0, 1)
        from auditkit.report.sealed import make_sealed

        redaction: Redaction | None = None
        records = folder
        if key is not None:
            from auditkit.report.redaction import redact_records

            step("pseudonyms", 0, 1)
            records = Path(place) / "records"
            redaction = redact_records(folder, records, key=key)
        return make_sealed(
            records,
            out,
            dated=date.today().isoformat() if dated is None else dated,
            authors=authors,
            words=words,
            key=sign,
            redaction=redaction,
            on_progress=step,
        )
