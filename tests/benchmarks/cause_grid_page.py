"""The page that shows what became of the grid, in Markdown."""

from __future__ import annotations

from collections.abc import Mapping

import pandas as pd

__all__ = ["page"]

_CELL = ["runs", "jobs", "effect", "confounding", "risk"]

_MADE = """# Causes held to their word

Made by `python -m tests.benchmarks.cause_grid` (seed {seed}): {audits:,} invented audits on a grid of {cells} cells,
{each} a cell. All went through effects; {graded:,} of them, all of those in which nothing acts and confounding is
strong among them, went through telling, sensitivity and grading too. These are the functions of the product, none of
them changed for the purpose. `tests/findings/test_cause_grid.py` holds a few cells to the same promises, and this page
to its totals.

How the audits are drawn, and what is true in them, stands at the head of `cause_audits.py`: three conditions (standoff,
pot pressure, humidity; five sides), a defect they act on and one they do not, so ten rows an audit. What is held equal
follows from the shipped causal diagram.

- *answers*, *answered*: rows with an interval, and their share. A cell with no more than a tenth answered reads
  **cannot tell**.
- *covered*: share of 95 % intervals that hold the truth, with its standard error (rows of one audit are not
  independent).
- *as promised*: whether that is 93 to 97 %, give or take two standard errors.
- *edge covered*: the same for the other question, runs moved no further than the window's nearest end, which the first
  audits of each cell were asked.
- *scatter*: standard deviation of the estimate less the truth, each over the standard error its interval stands for;
  above 1 intervals are too narrow, below 1 wider than need be.
- *bias*, *width*: mean error of the estimate and median width of its interval, in points of risk (percent of runs).
- *found*: share of rows with harm whose interval lies above 0. *oracle*: the same for one who knows the diagram and all
  other parts of the log odds and the shape, and lacks only the size.
- *supported*: share of graded rows with harm that are 'supported' (false-discovery rate 5 % over the audit, and every
  other rule of grading). *false*: supported rows without effect, of how many. *audits with a false one*: share of
  graded audits with any such row. *wrong sign*: supported rows with an effect whose difference has the other sign.
"""


def page(
    rows: pd.DataFrame,
    *,
    promises: pd.DataFrame,
    tables: Mapping[str, pd.DataFrame],
    cells: pd.DataFrame,
    seed: int,
) -> str:
    """Return the page: what was promised, tables by their titles, and every cell."""
    audits = rows.groupby([*_CELL, "audit"])["grade"].agg(lambda v: bool(v.notna().any()))
    made = _MADE.format(
        seed=seed,
        audits=len(audits),
        cells=len(cells),
        each=rows["audit"].nunique(),
        graded=int(audits.sum())
        + int((rows["stopped"] != "").groupby([rows[n] for n in (*_CELL, "audit")]).any().sum()),
    )
    parts = [made, "## What was promised", _promised(promises), _missed(cells), _stops(rows)]
    for title, summary in tables.items():
        parts += [f"## {title}", _table(summary, list(summary.columns[: list(summary.columns).index("rows")]))]
    parts += ["## Every cell", _table(cells, _CELL)]
    return "\n\n".join(part.strip() for part in parts if part) + "\n"


def _promised(promises: pd.DataFrame) -> str:
    shown = pd.DataFrame(
        {
            "promise": promises["promise"],
            "count": promises["count"].astype(str),
            "of": promises["of"].astype(str),
            "share": [
                f"{count / of:.1%}" if of else "-" for count, of in zip(promises["count"], promises["of"], strict=True)
            ],
            "bound": promises["bound"].replace("", "-"),
            "held": promises["held"].map({True: "yes", False: "**no**"}).fillna("-"),
        }
    )
    return _markdown(shown)


def _missed(cells: pd.DataFrame) -> str:
    missed = cells[cells["verdict"] == "no"]
    if missed.empty:
        return "No cell misses."
    lines = [
        f"- {cell['runs']} runs, {cell['jobs']} jobs, effect {cell['effect']}, confounding {cell['confounding']}, "
        f"risk {cell['risk']:.0%}: {100 * cell['covered']:.1f} % ± {100 * cell['covered_se']:.1f} "
        f"of {cell['answers']} intervals"
        for cell in missed.to_dict("records")
    ]
    return "Cells that miss:\n\n" + "\n".join(lines)


def _stops(rows: pd.DataFrame) -> str:
    stopped = rows.loc[rows["stopped"] != "", [*_CELL, "audit", "stopped"]].drop_duplicates()
    if stopped.empty:
        return ""
    lines = [
        f"- {runs} runs, {jobs} jobs, risk {risk:.0%}: {len(group)}, the first with: {group['stopped'].iloc[0]}"
        for (runs, jobs, risk), group in stopped.groupby(["runs", "jobs", "risk"])
    ]
    return "Audits whose grading stopped:\n\n" + "\n".join(lines)


def _table(summary: pd.DataFrame, by: list[str]) -> str:
    shown = pd.DataFrame({name: summary[name].map(_plain) for name in by})
    shown["rows"] = summary["rows"].astype(str)
    shown["answers"] = summary["answers"].astype(str)
    shown["answered"] = summary["answered"].map("{:.0%}".format)
    shown["covered"] = [
        "-" if pd.isna(c) else f"{100 * c:.1f} % ± {100 * se:.1f}"
        for c, se in zip(summary["covered"], summary["covered_se"], strict=True)
    ]
    shown["edge covered"] = [
        "-" if not count else f"{100 * c:.1f} % of {count}"
        for c, count in zip(summary["edge_covered"], summary["edges"], strict=True)
    ]
    if "verdict" in summary:
        shown["as promised"] = summary["verdict"].map({"yes": "yes", "no": "**no**"}).fillna("**cannot tell**")
    shown["scatter"] = summary["scatter"].map(lambda v: "-" if pd.isna(v) else f"{v:.2f}")
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
    return _markdown(shown)


def _markdown(shown: pd.DataFrame) -> str:
    head = "| " + " | ".join(shown.columns) + " |"
    rule = "| " + " | ".join("---" for _ in shown.columns) + " |"
    body = ["| " + " | ".join(map(str, row)) + " |" for row in shown.itertuples(index=False)]
    return "\n".join([head, rule, *body])


def _plain(value: object) -> str:
    return f"{value:.0%}" if isinstance(value, float) else str(value)
