"""What all commands share: their exit codes, the folder they take, plain lines, and a bar of the steps done."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from rich.console import Console

__all__ = ["BREACH", "FAULT", "UNUSABLE", "Folder", "console", "progress", "show"]

BREACH, UNUSABLE, FAULT = 1, 2, 3
"""Exit codes; 0 is done."""

Folder = Annotated[
    Path, typer.Argument(help="Folder of records: CSV, XLSX or Parquet, with dossier.yaml where needed.")
]


def console(*, stderr: bool = False) -> Console:
    """Return the console that lines are written to: standard output, or standard error.

    Parameters
    ----------
    stderr : bool

    Examples
    --------
    >>> console(stderr=True).stderr
    True
    """
    from rich.console import Console

    return Console(stderr=stderr, highlight=False)


@contextmanager
def progress() -> Iterator[Callable[[str, int, int], None]]:
    """Show a bar of the steps done, on standard error; nothing remains of it when all is done.

    Yields what is to be called at each step with its name, its number and how
    many there are.

    Examples
    --------
    >>> with progress() as step:
    ...     step("reading records", 0, 1)
    """
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description:<32}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn())
    with Progress(*columns, console=console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=None)
        yield lambda name, number, total: bar.update(task, description=name, completed=number, total=total)


def show(told: Iterable[tuple[str, Iterable[str]]]) -> None:
    """Write headings, each with its lines; text of records is never taken for markup.

    Parameters
    ----------
    told : iterable of (heading, lines)

    Examples
    --------
    >>> show([("Verdicts", ["A001: conforms [bold]"])])
    <BLANKLINE>
    Verdicts
      A001: conforms [bold]
    """
    out = console()
    for heading, lines in told:
        out.print(f"\n{heading}", style="bold", markup=False, soft_wrap=True)
        for line in lines:
            out.print(f"  {line}", markup=False, soft_wrap=True)
