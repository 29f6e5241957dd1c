"""Causes held to their word: invented audits over a grid, put through effects, telling, sensitivity and grading.

Run again with `python -m tests.benchmarks.cause_grid`; the table is `cause_grid.md`.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from dataclasses import asdict
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from auditkit.findings.causal_diagram import DiagramFindings, find_diagram, load_causal_diagram
from auditkit.findings.cause_effects import find_effects
from auditkit.findings.cause_sensitivity import find_cause_sensitivity
from auditkit.findings.grading import grade_causes
from auditkit.findings.telling import find_telling

from .cause_audits import DEFECT, GRID, Cell, GridAudit, audit_conditions, draw_audit
from .cause_grid_page import page

__all__ = ["audit_cell", "by_cell", "false_support", "pooled", "run_grid"]

SEED = 20270111
ESTIMATED, GRADED = 40, 7
"""Audits a cell; the first of them are graded too, which costs most of the time."""

BARELY = 0.10
"""A cell in which no more than this share of rows is answered is one where the tool says 'cannot tell'."""

_KEY = ["defect", "condition", "side"]
_CELL = ["runs", "jobs", "effect", "confounding", "risk"]


def audit_cell(cell: Cell, *, number: int, audits: Sequence[int], graded: int, seed: int = SEED) -> pd.DataFrame:
    """Return what was said of each defect, condition and side of the audits of one cell, beside the truth.

    Parameters
    ----------
    cell : Cell
    number : int
        Of the cell, for the seed.
    audits : sequence of int
        Numbers of the audits to draw.
    graded : int
        Audits with a number below this are graded, which costs most of the time.
    seed : int

    Returns
    -------
    DataFrame
        One row an audit, defect, condition and side: the cell, audit, truth,
        what `find_effects` gives, grade (missing where not graded), oracle_p.
    """
    parts = []
    for audit in audits:
        drawn = draw_audit(cell, rng=np.random.default_rng([seed, number, audit]))
        diagram = _diagram(drawn)
        effects = find_effects(
            drawn.runs,
            drawn.found,
            conditions=audit_conditions(),
            adjustments=diagram.adjustments,
            edges=audit < graded,
        ).table
        table = _graded(drawn, effects, diagram) if audit < graded else effects.assign(grade=None)
        table = table.merge(drawn.truth, on=_KEY, validate="one_to_one").merge(_oracle(drawn), on="condition")
        parts.append(table.assign(audit=audit, **asdict(cell)))
    return pd.concat(parts, ignore_index=True)


def _diagram(drawn: GridAudit) -> DiagramFindings:
    """Return what the shipped diagram asks for; every audit records the same columns, so the first answers for all."""
    if not _KNOWN:
        kept = drawn.runs.head(40)
        found = drawn.found.loc[kept["run_id"]]
        _KNOWN.append(find_diagram(kept, found, diagram=load_causal_diagram(), conditions=audit_conditions()))
    return _KNOWN[0]


_KNOWN: list[DiagramFindings] = []


def _graded(drawn: GridAudit, effects: pd.DataFrame, diagram: DiagramFindings) -> pd.DataFrame:
    same = {"conditions": audit_conditions(), "adjustments": diagram.adjustments}
    sensitivity = find_cause_sensitivity(
        effects,
        drawn.runs,
        drawn.found,
        diagram=diagram.diagram.diagram,
        estimate=partial(find_effects, edges=False),
        alternatives=diagram.alternatives,
        **same,
    )
    telling = find_telling(drawn.runs, drawn.found, **same)
    return grade_causes(effects, telling=telling, sensitivity=sensitivity.table)


def _oracle(drawn: GridAudit) -> pd.DataFrame:
    """Return the p-value of each condition for one who knows all but the size of its effect, and its shape.

    The score test of one coefficient at nought, all other parts of the log odds
    known. Where there is no effect there is no shape to know, and no p.
    """
    from scipy.stats import norm

    y = drawn.found[DEFECT].to_numpy(dtype=np.float64)
    rows = []
    for name in drawn.shape:
        shape = drawn.shape[name].to_numpy(dtype=np.float64)
        others = drawn.others[name].to_numpy(dtype=np.float64)
        if not shape.any():
            rows.append((name, np.nan))
            continue
        level = 0.0  # the constant is not known either: it is fitted
        for _ in range(50):
            mean = 1.0 / (1.0 + np.exp(-(others + level)))
            level += float(np.clip((y - mean).sum() / (mean * (1.0 - mean)).sum(), -1.0, 1.0))
        weight = mean * (1.0 - mean)
        away = shape - (weight * shape).sum() / weight.sum()
        statistic = float(((y - mean) * away).sum() / np.sqrt((weight * away**2).sum()))
        rows.append((name, float(norm.sf(statistic))))
    return pd.DataFrame(rows, columns=["condition", "oracle_p"])


def run_grid(
    cells: Sequence[Cell] = GRID,
    *,
    estimated: int = ESTIMATED,
    graded: int = GRADED,
    seed: int = SEED,
    on_progress: Callable[[int, int], None] | None = None,
) -> pd.DataFrame:
    """Return the rows of `audit_cell` for every cell; called back after each."""
    parts = []
    for number, cell in enumerate(cells):
        parts.append(audit_cell(cell, number=number, audits=range(estimated), graded=graded, seed=seed))
        if on_progress is not None:
            on_progress(number + 1, len(cells))
    return pd.concat(parts, ignore_index=True)


def by_cell(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row a cell: what share was answered, covered, wrongly supported, found."""
    return pooled(rows, by=_CELL)


def pooled(rows: pd.DataFrame, *, by: Sequence[str]) -> pd.DataFrame:
    """Return the promises and what became of them, one row a group.

    Columns: rows, answered (share), covered (share of intervals that hold the
    truth) with covered_se (over audits, whose rows are not independent); edges
    and edge_covered (intervals of the move to the window's end, and the share
    that holds its truth); bias and spread of the estimate less the truth, width (median) of the interval, wrong_side
    (share of intervals on the other side of 0 than the truth, or on either
    where it is 0); graded (audits); supported (share of graded rows with
    harm), false_support (share of graded rows without effect, whose number is
    graded_nothing), wrong_sign
    (rows supported with the sign opposite to the truth, a count), any_false
    (share of graded audits with a false row supported), power (share of rows with
    harm whose interval lies above 0), oracle (the same for one who knows all but the size).
    """
    answered = rows["low"].notna()
    nothing = rows["truth"].abs() < 1e-12
    harm = rows["truth"] > 1e-12
    flags = rows.assign(
        answered=answered,
        covered=_covered(rows, "low", "high", "truth"),
        edge_covered=_covered(rows, "edge_low", "edge_high", "edge_truth"),
        error=rows["difference"] - rows["truth"],
        width=rows["high"] - rows["low"],
        wrong_side=(((rows["low"] > 0) & ~harm) | ((rows["high"] < 0) & ~(rows["truth"] < -1e-12))).where(answered),
        power=(rows["low"] > 0).where(harm),
        oracle=(rows["oracle_p"] < 0.025).where(harm),
    )
    supported = rows["grade"].eq("supported")
    was_graded = rows["grade"].notna()
    flags["supported"] = supported.where(was_graded & harm)
    flags["false_support"] = supported.where(was_graded & nothing)
    flags["wrong_sign"] = supported & ((rows["difference"] * rows["truth"]) < 0)
    result = []
    for key, group in flags.groupby(list(by), sort=False):
        named = dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
        per_audit = group[group["answered"]].groupby([*_CELL, "audit"])["covered"].agg(["sum", "size"])
        share = float(per_audit["sum"].sum() / max(per_audit["size"].sum(), 1))
        off = (per_audit["sum"] - share * per_audit["size"]).astype("float64")
        graded_audits = group[group["grade"].notna()].groupby([*_CELL, "audit"])["false_support"]
        result.append(
            named
            | {
                "rows": len(group),
                "answered": float(group["answered"].mean()),
                "covered": share if len(per_audit) else np.nan,
                "covered_se": float((off**2).sum() ** 0.5 / per_audit["size"].sum()) if len(per_audit) else np.nan,
                "edges": int(group["edge_covered"].notna().sum()),
                "edge_covered": _mean(group["edge_covered"]),
                "bias": float(group["error"].mean()),
                "spread": float(group["error"].std()),
                "width": float(group["width"].median()),
                "wrong_side": _mean(group["wrong_side"]),
                "power": _mean(group["power"]),
                "oracle": _mean(group["oracle"]),
                "graded": graded_audits.ngroups,
                "supported": _mean(group["supported"]),
                "false_support": _mean(group["false_support"]),
                "graded_nothing": int(group["false_support"].notna().sum()),
                "any_false": _mean(graded_audits.agg(lambda v: bool((v == True).any()))),  # noqa: E712
                "wrong_sign": int(group["wrong_sign"].sum()),
            }
        )
    return pd.DataFrame(result)


def false_support(rows: pd.DataFrame) -> tuple[int, int]:
    """Return how many rows without any effect were supported, and of how many graded."""
    nothing = rows[rows["grade"].notna() & (rows["truth"].abs() < 1e-12)]
    return int(nothing["grade"].eq("supported").sum()), len(nothing)


def _covered(rows: pd.DataFrame, low: str, high: str, truth: str) -> pd.Series:
    """Return whether each interval holds the truth; missing where there is none."""
    if low not in rows:
        return pd.Series(np.nan, index=rows.index)
    return ((rows[low] <= rows[truth]) & (rows[truth] <= rows[high])).where(rows[low].notna())


def _mean(values: pd.Series) -> float:
    known = values.dropna()
    return float(known.astype("float64").mean()) if len(known) else float("nan")


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the grid and write the page."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.cause_grid", description=__doc__)
    parser.add_argument("--estimated", type=int, default=ESTIMATED, help="audits a cell")
    parser.add_argument("--graded", type=int, default=GRADED, help="of these, audits that are graded too")
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--page", type=Path, default=Path(__file__).with_suffix(".md"), help="where to write the table")
    parser.add_argument("--rows", type=Path, help="where to keep every row, as Parquet")
    given = parser.parse_args(arguments)
    rows = run_grid(
        estimated=given.estimated,
        graded=given.graded,
        seed=given.seed,
        on_progress=lambda done, of: print(f"{done} of {of} cells", file=sys.stderr, flush=True),
    )
    if given.rows is not None:
        rows.drop(columns=["adjusted_for", "not_recorded", "not_separable_from", "rules_failed"]).to_parquet(given.rows)
    text = page(rows, pooled=pooled, estimated=given.estimated, graded=given.graded, seed=given.seed, barely=BARELY)
    given.page.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
