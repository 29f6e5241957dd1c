"""The command line: a thin wrapper over functions anyone can call.

Exit codes: 0 done; 1 done, and something breaches its specification or stops
the work; 2 the input or the command cannot be used; 3 a fault of auditkit.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from auditkit import cli_lab, cli_records, cli_reports
from auditkit.errors import AuditError, SourceError
from auditkit.terminal import BREACH, FAULT, UNUSABLE, Folder, console, progress, show

if TYPE_CHECKING:
    from auditkit.dossier import Dossier
    from auditkit.findings.audit import Findings

__all__ = ["app", "main"]

_LOG_STEP = 10, 20
"""Where in the audit the pressure logs are read: the step, and how many there are."""

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help=(
        "From raw records of on-site electrostatic repainting to verdicts on film and wrap, what goes with the "
        "defects, and a report to open. Exit codes: 0 done; 1 done, and something breaches its specification or "
        "stops the work; 2 the input or the command cannot be used; 3 a fault of auditkit."
    ),
)


def main() -> None:
    """Run the command line; anything the user can mend is one message and exit code 2."""
    try:
        app()
    except AuditError as error:
        console(stderr=True).print(str(error), style="bold", markup=False, highlight=False, soft_wrap=True)
        sys.exit(UNUSABLE)
    except KeyboardInterrupt:
        console(stderr=True).print("Stopped; nothing was written.")
        sys.exit(130)
    except BrokenPipeError:
        sys.exit(FAULT)
    except Exception:
        import traceback

        traceback.print_exc()
        console(stderr=True).print("This is a fault of auditkit, not of your records. Please report the lines above.")
        sys.exit(FAULT)


@app.command()
def demo(
    out: Annotated[Path, typer.Option(help="Folder to write to.")] = Path("auditkit-demo"),
) -> None:
    """Audit an invented winter refit, as its records came in from site, and write a report and notebooks."""
    from auditkit.paths import notebooks_folder, sample_folder
    from auditkit.report.files import write_files

    raw = sample_folder() / "raw"
    write_files({path.name: path.read_bytes() for path in sorted(raw.iterdir()) if path.is_file()}, out / "records")
    notebooks = sorted(notebooks_folder().glob("*.ipynb"))
    write_files({path.name: path.read_bytes() for path in notebooks}, out / "notebooks")
    _audit(out / "records", out)
    console().print(f"Written: {out / 'notebooks'}", markup=False, soft_wrap=True)
    console().print(
        f"\nOpen {out / 'report.html'} in a browser. The records and all names in them are invented.", markup=False
    )


@app.command()
def check(folder: Folder) -> None:
    """Read a folder of records, hold every row to its contract, and say what was set aside and why."""
    dossier = _read(folder)
    _print_records(dossier, with_notes=True)
    _print_ledger(dossier, most=20)


@app.command()
def audit(
    folder: Folder,
    out: Annotated[Path, typer.Option(help="Folder to write findings.json, set_aside.csv and report.html to.")],
) -> None:
    """Audit a folder of records: film, wrap, settings, upkeep, and what goes with the defects."""
    findings = _audit(folder, out)
    if findings.breaches:
        raise typer.Exit(BREACH)


@app.command()
def sheets(
    out: Annotated[Path, typer.Option(help="Folder to write to; workbooks to fill in go to field_sheets in it.")],
    folder: Annotated[
        Path | None, typer.Argument(help="Folder of records, whose units, plans and identifiers go into the sheets.")
    ] = None,
    record: Annotated[
        list[str] | None, typer.Option(help="Kind of record to write the field sheet of, and nothing else; repeatable.")
    ] = None,
    time_zone: Annotated[
        str | None, typer.Option(help="Time zone in which times are written, such as Europe/Oslo; else the declared.")
    ] = None,
) -> None:
    """Write sheets to fill in: a field sheet for every kind of record, start-up, upkeep, the run sheet of a trial."""
    from auditkit.intake.declaration_faults import zone_faults
    from auditkit.report.sheet_files import blank_sheets, field_sheets_of, sheets_of

    if faults := zone_faults(time_zone, "--time-zone"):
        raise SourceError("\n".join(map(str, faults)))
    if folder is None:
        from datetime import date

        paths = blank_sheets(out, dated=date.today(), records=record or (), time_zone=time_zone)
    elif record:
        paths = field_sheets_of(_read(folder), out, records=record, time_zone=time_zone)
    else:
        paths = sheets_of(_findings(folder), out, time_zone=time_zone)
    for path in paths.values():
        console().print(f"Written: {path}", markup=False, highlight=False, soft_wrap=True)


@app.command()
def trial(
    folder: Folder,
    results: Annotated[Path, typer.Option(help="The run sheet (XLSX), filled in.")],
) -> None:
    """Read the filled run sheet of the trial that these records asked for, and say what it told."""
    from auditkit.report.trial_words import trial_lines

    findings = _findings(folder)
    show(trial_lines(findings, results))


@app.command()
def simulate(
    out: Annotated[Path, typer.Option(help="Folder to write the invented audit to.")],
    seed: Annotated[int | None, typer.Option(help="Seed; left out, that of the sample that ships.")] = None,
) -> None:
    """Write an invented audit with known truth: clean tables, a raw twin as it would arrive, and the truth."""
    from auditkit.simulate import SAMPLE_SEED, write_sample

    write_sample(out, seed=SAMPLE_SEED if seed is None else seed)
    console().print(f"Written: {out}")


app.command()(cli_lab.lab)
app.command()(cli_records.fetch)
app.command()(cli_records.append)
for command in (cli_reports.report, cli_reports.reproduce, cli_reports.trace, cli_reports.compare, cli_reports.new_key):
    app.command()(command)


def _findings(folder: Path) -> Findings:
    """Return the findings of a folder of records, its steps shown."""
    dossier = _read(folder)
    _print_records(dossier, with_notes=False)
    with progress() as step:
        from auditkit.findings.audit import audit as run_audit

        return run_audit(
            dossier, on_progress=step, on_log=lambda name, rows: step(f"{name}, {rows:,} rows", *_LOG_STEP)
        )


def _audit(folder: Path, out: Path) -> Findings:
    from auditkit.report.files import write_audit

    findings = _findings(folder)
    with progress() as step:
        step("report", 1, 1)
        paths = write_audit(findings, out)
    _print_findings(findings)
    for path in paths.values():
        console().print(f"Written: {path}", markup=False, highlight=False, soft_wrap=True)
    return findings


def _read(folder: Path) -> Dossier:
    with progress() as step:
        step("reading records", 0, 1)
        from auditkit.intake import read_dossier

        return read_dossier(folder, on_progress=step)


def _print_records(dossier: Dossier, *, with_notes: bool) -> None:
    from auditkit.views.summaries import records_table

    console().print(f"\n{dossier.title}", style="bold", markup=False)
    console().print(records_table(dossier))
    if not with_notes:
        console().print(f"{len(dossier.notes)} notes on how the files were read are in the report.", markup=False)
        return
    for note in dossier.notes:
        console().print(f"Note: {note}", markup=False, soft_wrap=True)


def _print_ledger(dossier: Dossier, *, most: int) -> None:
    from auditkit.views.summaries import ledger_lines

    for line in ledger_lines(dossier.ledger, most=most):
        console().print(line, markup=False, soft_wrap=True)


def _print_findings(findings: Findings) -> None:
    from auditkit.views.summaries import finding_lines

    show(finding_lines(findings))
    console().print()
