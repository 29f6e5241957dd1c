"""The page that shows what became of the grid, in Markdown."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

__all__ = ["page"]

_CELL = ["runs", "jobs", "effect", "confounding", "risk"]

_MADE = """# Causes held to their word

Made by `python -m tests.benchmarks.cause_grid` (seed {seed}): {audits} invented audits on a grid of {cells} cells,
{estimated} a cell, of which {graded} a cell ({graded_all}) went through effects, telling, sensitivity and grading, the
rest through effects only. `tests/findings/test_cause_grid.py` holds a few cells to the same promises.

How the audits are drawn, and what is true in them, stands at the head of `cause_audits.py`: three conditions (standoff,
pot pressure, humidity; five sides), a defect they act on and one they do not, so ten rows an audit. What is held equal
follows from the shipped causal diagram.

- *answered*: share of rows with an interval; the others read 'cannot tell'. A cell with no more than {barely:.0%}
  answered is marked **cannot tell**.
- *covered*: share of 95 % intervals that hold the truth, with its standard error (rows of one audit are not
  independent).
- *edge covered*: the same for the other question, runs moved no further than the window's nearest end, of the graded
  audits only.
- *bias*, *width*: mean error of the estimate and median width of its interval, in points of risk (percent of runs).
- *found*: share of rows with harm whose interval lies above 0. *oracle*: the same for one who knows all other parts of
  the log odds and the shape, and lacks only the size.
- *supported*: share of graded rows with harm that are 'supported' (false-discovery rate 5 % over the audit, and every
  other rule of grading). *false*: supported rows without effect, of how many. *audits with a false
  one*: share of graded audits with any such row. *wrong sign*: rows supported whose difference has the sign opposite to
  the truth.
"""


def page(
    rows: pd.DataFrame,
    *,
    pooled: Callable[..., pd.DataFrame],
    estimated: int,
    graded: int,
    seed: int,
    barely: float,
) -> str:
    """Return the page."""
    cells = rows[_CELL].drop_duplicates()
    made = _MADE.format(
        seed=seed,
        audits=f"{len(cells) * estimated:,}",
        cells=len(cells),
        estimated=estimated,
        graded=graded,
        graded_all=f"{len(cells) * graded:,}",
        barely=barely,
    )
    everything = rows.assign(all="all")
    answered = pooled(rows, by=_CELL)
    parts = [
        made,
        "## Together",
        _table(pooled(everything, by=["all"]), ["all"]),
        "## By what is true",
        _table(pooled(rows, by=["effect", "confounding"]), ["effect", "confounding"]),
        "## By how much there is to go by",
        _table(pooled(rows, by=["runs", "jobs", "risk"]), ["runs", "jobs", "risk"]),
        "## By condition and side",
        _table(pooled(rows, by=["defect", "condition", "side"]), ["defect", "condition", "side"]),
        "## Every cell",
        _table(answered, _CELL, barely=barely),
    ]
    return "\n\n".join(part.strip() for part in parts) + "\n"


def _table(summary: pd.DataFrame, by: list[str], *, barely: float | None = None) -> str:
    shown = pd.DataFrame({name: summary[name].map(_plain) for name in by})
    shown["rows"] = summary["rows"].astype(str)
    shown["answered"] = summary["answered"].map("{:.0%}".format)
    shown["covered"] = [
        "-" if pd.isna(c) else f"{100 * c:.1f} % ± {100 * se:.1f}"
        for c, se in zip(summary["covered"], summary["covered_se"], strict=True)
    ]
    shown["edge covered"] = [
        "-" if not count else f"{100 * c:.1f} % of {count}"
        for c, count in zip(summary["edge_covered"], summary["edges"], strict=True)
    ]
    if barely is not None:
        shown["covered"] = shown["covered"].mask(summary["answered"] <= barely, "**cannot tell**")
    for name in ("bias", "width"):
        shown[name] = summary[name].map(lambda v: "-" if pd.isna(v) else f"{100 * v:.2f}")
    for name, label in (("power", "found"), ("oracle", "oracle"), ("supported", "supported")):
        shown[label] = summary[name].map(lambda v: "-" if pd.isna(v) else f"{v:.0%}")
    shown["false"] = [
        f"{0 if pd.isna(share) else round(share * count)} of {count}"
        for share, count in zip(summary["false_support"], summary["graded_nothing"], strict=True)
    ]
    shown["audits with a false one"] = [
        "-" if pd.isna(share) else f"{share:.1%} of {count}"
        for share, count in zip(summary["any_false"], summary["graded"], strict=True)
    ]
    shown["wrong sign"] = summary["wrong_sign"].astype(str)
    head = "| " + " | ".join(shown.columns) + " |"
    rule = "| " + " | ".join("---" for _ in shown.columns) + " |"
    body = ["| " + " | ".join(map(str, row)) + " |" for row in shown.itertuples(index=False)]
    return "\n".join([head, rule, *body])


def _plain(value: object) -> str:
    return f"{value:.0%}" if isinstance(value, float) else str(value)
