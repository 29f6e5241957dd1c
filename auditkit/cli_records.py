"""The commands that bring records into a dossier's folder: from a database, and a day's files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from auditkit.terminal import BREACH, Folder, console, progress, show

__all__ = ["append", "fetch"]

NoAudit = Annotated[bool, typer.Option("--no-audit", help="Do not say which verdicts change, which takes longest.")]


def fetch(
    folder: Folder,
    *,
    replace: Annotated[bool, typer.Option("--replace", help="Let other rows replace those fetched before.")] = False,
    no_audit: NoAudit = False,
    timeout: Annotated[float, typer.Option(min=0.1, help="Longest time for a query, in seconds.")] = 600.0,
) -> None:
    """Fetch the tables that dossier.yaml has queries for. 0 done; 1 other rows than before, and the old were kept."""
    import datetime as dt

    with progress() as step:
        step("databases", 0, 1)
        from auditkit.report.fetching import fetch_tables, fetched_lines

        now = dt.datetime.now(dt.UTC).isoformat(timespec="seconds")
        result = fetch_tables(
            folder, fetched_at=now, replace=replace, judged=not no_audit, timeout_s=timeout, on_progress=step
        )
    show(fetched_lines(result))
    if result.kept:
        raise typer.Exit(BREACH)


def append(
    folder: Folder,
    files: Annotated[list[Path], typer.Argument(help="Files of records to put into the folder, such as a day's.")],
    *,
    into: Annotated[str, typer.Option(help="Folder inside FOLDER to put them into; else FOLDER itself.")] = "",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Say what would change, and write nothing.")] = False,
    no_audit: NoAudit = False,
) -> None:
    """Check a day's files beside what is there, put them into the folder, all or none, and say what changes."""
    with progress() as step:
        step("reading records", 0, 1)
        from auditkit.report.appending import append_files, appended_lines

        result = append_files(folder, files, into=into, dry_run=dry_run, judged=not no_audit, on_progress=step)
    show(appended_lines(result))
    console().print()
    for path in result.placed:
        console().print(f"Written: {path}", markup=False, highlight=False, soft_wrap=True)
    if dry_run:
        console().print("Nothing was written, as asked by --dry-run.")
    if result.changes.breaches:
        raise typer.Exit(BREACH)
