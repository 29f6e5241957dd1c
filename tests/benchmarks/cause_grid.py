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

__all__ = ["audit_cell", "by_cell", "false_support", "graded_of", "pooled", "promises", "run_grid", "written"]

SEED = 20270111
ESTIMATED, GRADED, EDGED = 20, 10, 2
"""Audits a cell, those of them that are graded, and those that are asked the window's nearest end too: the first.

Grading costs most of the time. Where confounding is strong and nothing acts all are graded: there a false cause shows.
"""

LEAST_COVERED, MOST_COVERED, MOST_FALSE = 0.93, 0.97, 0.05
"""What is promised: of 95 % intervals, and of causes 'supported' where nothing acts."""

NOTHING = 1e-12
"""A truth this near nought is none: what is left is rounding."""

CANNOT_TELL = "cannot tell"
BARELY = 0.10
"""A cell in which no more than this share of rows is answered is one where the tool says 'cannot tell'."""

_KEY = ["defect", "condition", "side"]
_CELL = ["runs", "jobs", "effect", "confounding", "risk"]


def audit_cell(
    cell: Cell, *, number: int, audits: Sequence[int], graded: int, edged: int = EDGED, seed: int = SEED
) -> pd.DataFrame:
    """Return what was said of each defect, condition and side of the audits of one cell, beside the truth.

    Parameters
    ----------
    cell : Cell
    number : int
        Of the cell, for the seed.
    audits : sequence of int
        Numbers of the audits to draw.
    graded : int
        Audits with a number below this are graded.
    edged : int
        Audits with a number below this are asked as well what a move to the
        window's nearest end does.
    seed : int

    Returns
    -------
    DataFrame
        One row an audit, defect, condition and side: the cell, audit, truth,
        what `find_effects` gives, grade (missing where not graded), stopped
        (the error on which grading stopped, else empty), oracle_p.
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
            edges=audit < edged,
        ).table
        table, stopped = effects.assign(grade=None), ""
        if audit < graded:
            try:
                table = _graded(drawn, effects, diagram)
            except ValueError as error:  # counted on the page: an audit that stops is a fault, not an answer
                stopped = str(error)
        table = table.merge(drawn.truth, on=_KEY, validate="one_to_one").merge(_oracle(drawn), on="condition")
        parts.append(table.assign(audit=audit, stopped=stopped, **asdict(cell)))
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
    conditions, held = audit_conditions(), diagram.adjustments
    sensitivity = find_cause_sensitivity(
        effects,
        drawn.runs,
        drawn.found,
        conditions=conditions,
        adjustments=held,
        diagram=diagram.diagram.diagram,
        estimate=partial(find_effects, edges=False),
        alternatives=diagram.alternatives,
    )
    telling = find_telling(drawn.runs, drawn.found, conditions=conditions, adjustments=held)
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


def graded_of(cell: Cell, *, estimated: int, graded: int) -> int:
    """Return how many audits of a cell are graded: all where a false cause is likeliest, else some."""
    return estimated if (cell.effect, cell.confounding) == ("none", "strong") else graded


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
        some = graded_of(cell, estimated=estimated, graded=graded)
        parts.append(audit_cell(cell, number=number, audits=range(estimated), graded=some, seed=seed))
        if on_progress is not None:
            on_progress(number + 1, len(cells))
    return pd.concat(parts, ignore_index=True)


def by_cell(rows: pd.DataFrame) -> pd.DataFrame:
    """Return one row a cell, as `pooled`, and a verdict: whether intervals hold the truth as promised."""
    cells = pooled(rows, by=_CELL)
    verdict = [
        CANNOT_TELL
        if cell["answered"] <= BARELY
        else "yes"
        if _within(cell["covered"], cell["covered_se"], cell["answers"])
        else "no"
        for cell in cells.to_dict("records")
    ]
    return cells.assign(verdict=verdict)


def pooled(rows: pd.DataFrame, *, by: Sequence[str]) -> pd.DataFrame:
    """Return the promises and what became of them, one row a group.

    Columns: rows, answers and answered (their count and share), covered (share
    of intervals that hold the truth) with covered_se (over audits, whose rows
    are not independent); edges and edge_covered (intervals of the move to the
    window's end, and the share that holds its truth); scatter (standard
    deviation of the error over the standard error that the interval stands
    for); bias and spread of the estimate less the truth, width (median) of the
    interval, wrong_side (share of intervals on the other side of 0 than the
    truth, or on either where it is 0); graded (audits); supported (share of
    graded rows with harm), false_support (share of graded rows without effect,
    whose number is graded_nothing), wrong_sign (rows supported with the sign
    opposite to the truth, a count), any_false (share of graded audits with a
    false row supported), power (share of rows with harm whose interval lies
    above 0), oracle (the same for one who knows all but the size).
    """
    answered = rows["low"].notna()
    nothing = rows["truth"].abs() < NOTHING
    harm = rows["truth"] > NOTHING
    flags = rows.assign(
        answered=answered,
        covered=_covered(rows, "low", "high", "truth"),
        edge_covered=_covered(rows, "edge_low", "edge_high", "edge_truth"),
        error=rows["difference"] - rows["truth"],
        width=rows["high"] - rows["low"],
        scatter=(rows["difference"] - rows["truth"]) / ((rows["high"] - rows["low"]) / (2.0 * 1.959964)),
        wrong_side=(((rows["low"] > 0) & ~harm) | ((rows["high"] < 0) & ~(rows["truth"] < -NOTHING))).where(answered),
        power=(rows["low"] > 0).where(harm),
        oracle=(rows["oracle_p"] < 0.025).where(harm),
    )
    supported = rows["grade"].eq("supported")
    was_graded = rows["grade"].notna()
    flags["supported"] = supported.where(was_graded & harm)
    flags["false_support"] = supported.where(was_graded & nothing)
    flags["wrong_sign"] = supported & ~nothing & ((rows["difference"] * rows["truth"]) < 0)
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
                "answers": int(group["answered"].sum()),
                "answered": float(group["answered"].mean()),
                "covered": share if len(per_audit) else np.nan,
                "covered_se": float((off**2).sum() ** 0.5 / per_audit["size"].sum()) if len(per_audit) else np.nan,
                "edges": int(group["edge_covered"].notna().sum()),
                "edge_covered": _mean(group["edge_covered"]),
                "scatter": float(group["scatter"].std()),
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
    nothing = rows[rows["grade"].notna() & (rows["truth"].abs() < NOTHING)]
    return int(nothing["grade"].eq("supported").sum()), len(nothing)


def promises(rows: pd.DataFrame) -> pd.DataFrame:
    """Return what is promised of the causes and what came of it.

    One row a promise: promise, count and of (whole numbers), bound (in words),
    and held, missing where nothing is asked for.
    """
    whole, cells = pooled(rows.assign(all="all"), by=["all"]).iloc[0], by_cell(rows)
    told = cells[cells["verdict"] != CANNOT_TELL]
    null = rows[(rows["effect"] == "none") & (rows["confounding"] == "strong") & rows["grade"].notna()]
    false = null["grade"].eq("supported")
    false_audits = false.groupby([null[name] for name in (*_CELL, "audit")]).any()
    claimed = rows[rows["grade"].eq("supported") & (rows["truth"].abs() > NOTHING)]
    alarms = rows.loc[(rows["truth"].abs() < NOTHING) & rows["p"].notna(), "p"] < 0.05
    wrong = (claimed["difference"] * claimed["truth"]) < 0
    tried = rows.assign(stop=rows["stopped"] != "").groupby([*_CELL, "audit"])
    stops = tried["stop"].any()[tried["grade"].agg(lambda v: bool(v.notna().any())) | tried["stop"].any()]
    edges = int(whole["edges"])
    edges_held = round(edges * whole["edge_covered"]) if edges else 0
    between = f"{LEAST_COVERED:.0%} to {MOST_COVERED:.0%}, give or take two standard errors"
    lines: list[tuple[str, int, int, str, bool | None]] = [
        (COVERAGE, round(whole["covered"] * whole["answers"]), int(whole["answers"]), between,
         _within(whole["covered"], whole["covered_se"], whole["answers"])),
        (CELLS, int((told["verdict"] == "yes").sum()), len(told), "all", bool((told["verdict"] == "yes").all())),
        ("cells that read 'cannot tell'", len(cells) - len(told), len(cells), "", None),
        (EDGES, edges_held, edges, between, _within(whole["edge_covered"], 0.0, edges)),
        (ALARMS, int(alarms.sum()), len(alarms), "at most 5 %, give or take two standard errors",
         bool(alarms.mean() <= 0.05 + 2.0 * (0.05 * 0.95 / max(len(alarms), 1)) ** 0.5)),
        (FALSE_ROWS, int(false.sum()), len(false), "at most 5 %", bool(false.mean() <= MOST_FALSE)),
        (FALSE_AUDITS, int(false_audits.sum()), len(false_audits), "at most 5 %",
         bool(false_audits.mean() <= MOST_FALSE)),
        (WRONG_SIGN, int(wrong.sum()), len(wrong), "none", not wrong.any()),
        (STOPPED, int(stops.sum()), len(stops), "none", not stops.any()),
    ]  # fmt: skip
    return pd.DataFrame(lines, columns=["promise", "count", "of", "bound", "held"]).astype({"held": "boolean"})


COVERAGE = "95 % intervals that hold the truth"
CELLS = "cells whose 95 % intervals hold it as often"
EDGES = "95 % intervals of the move to the window's nearest end that hold their truth"
ALARMS = "rows without effect whose p, alone, is under 0.05"
FALSE_ROWS = "rows 'supported' where nothing acts and confounding is strong"
FALSE_AUDITS = "audits with such a row"
WRONG_SIGN = "'supported' rows with an effect whose sign is wrong"
STOPPED = "graded audits that stopped with an error"


def _within(share: float, spread: float, count: float) -> bool:
    """Return whether a coverage is as promised, with two standard errors: over audits, or of as many single rows."""
    error = 2.0 * max(spread, (0.95 * 0.05 / max(count, 1)) ** 0.5)
    return bool(LEAST_COVERED - error <= share <= MOST_COVERED + error)


def _covered(rows: pd.DataFrame, low: str, high: str, truth: str) -> pd.Series:
    """Return whether each interval holds the truth; missing where there is none."""
    if low not in rows:
        return pd.Series(np.nan, index=rows.index)
    return ((rows[low] <= rows[truth]) & (rows[truth] <= rows[high])).where(rows[low].notna())


def _mean(values: pd.Series) -> float:
    known = values.dropna()
    return float(known.astype("float64").mean()) if len(known) else float("nan")


def written(rows: pd.DataFrame, *, seed: int) -> str:
    """Return the page of these rows."""
    everything = rows.assign(all="all")
    groups = {
        "Together": ["all"],
        "By what is true": ["effect", "confounding"],
        "By how much there is to go by": ["runs", "jobs", "risk"],
        "By condition and side": _KEY,
    }
    return page(
        rows,
        promises=promises(rows),
        tables={title: pooled(everything, by=by) for title, by in groups.items()},
        cells=by_cell(rows),
        seed=seed,
    )


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
    given.page.write_text(written(rows, seed=given.seed), encoding="utf-8")


if __name__ == "__main__":
    main()
