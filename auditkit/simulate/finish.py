"""Defects found on the runs, drawn from the written causes."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    import numpy.typing as npt

    from auditkit.simulate.truth import Truth

__all__ = ["defects_table", "draw_defects", "risk"]

_QUANTITY = (np.array([1.0, 2.0, 3.0, 4.0, 5.0]), np.array([0.24, 0.34, 0.26, 0.12, 0.04]))
_SIZE = {
    "dry spray": 2.0,
    "run or sag": 5.0,
    "crater": 4.0,
    "thin back": 5.0,
    "orange peel": 3.0,
    "pinhole": 2.0,
    "inclusion": 3.0,
    "spit": 4.0,
}
_INSPECTORS = ("IN1", "IN2")


def risk(conditions: pd.DataFrame, truth: Truth, *, defect: str) -> npt.NDArray[np.float64]:
    """Return the true risk [-] of one kind of defect at each run.

    Examples
    --------
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> at = pd.DataFrame({"humidity_pct": [60.0, 95.0]})
    >>> risk(at, DEFAULT_TRUTH, defect="crater").round(3).tolist()
    [0.012, 0.354]
    """
    log_odds = np.full(len(conditions), dict(truth.baseline_log_odds)[defect])
    for effect in truth.effects:
        if effect.defect == defect:
            log_odds += effect.log_odds(conditions[effect.condition].to_numpy(dtype="float64"))
    result: npt.NDArray[np.float64] = 1 / (1 + np.exp(-log_odds))
    return result


def draw_defects(conditions: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return which run came to have which defect: one boolean column a kind.

    Examples
    --------
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> names = {effect.condition for effect in DEFAULT_TRUTH.effects}
    >>> at = pd.DataFrame({name: [5.0] for name in names})
    >>> draw_defects(at, DEFAULT_TRUTH, np.random.default_rng(1)).shape
    (1, 8)
    """
    kinds = [kind for kind, _ in truth.baseline_log_odds]
    return pd.DataFrame(
        {kind: rng.random(len(conditions)) < risk(conditions, truth, defect=kind) for kind in kinds},
        index=conditions.index,
    )


def defects_table(runs: pd.DataFrame, had: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the defect records, in contract form but without identifiers, times local.

    Found defects name their run; some looked-for defects are recorded with
    quantity 0; a few background ones name only the area.

    Examples
    --------
    >>> runs = pd.DataFrame({"run_id": ["R1"], "area_id": ["A1"], "ended_at": pd.to_datetime(["2027-01-11 10:00"])})
    >>> defects_table(runs, pd.DataFrame({"spit": [True]}), np.random.default_rng(1))["defect"].tolist()
    ['spit']
    """
    rows: list[dict[str, object]] = []
    for kind in had.columns:
        for position in np.flatnonzero(had[kind].to_numpy()):
            rows.append(_record(runs.iloc[position], str(kind), rng, found=True))
    for position in rng.permutation(len(runs))[: len(runs) // 24]:
        kind = str(rng.choice(had.columns.to_numpy(dtype=str)))
        if not had[kind].iloc[position]:
            rows.append(_record(runs.iloc[position], kind, rng, found=False))
    for position in rng.permutation(len(runs))[: len(runs) // 50]:
        only_area = _record(runs.iloc[position], str(rng.choice(["inclusion", "orange peel"])), rng, found=True)
        rows.append(only_area | {"run_id": None, "area_id": runs.iloc[position]["area_id"]})
    columns = ["run_id", "area_id", "defect", "quantity", "size", "seen_at", "inspector_id"]
    return pd.DataFrame(rows, columns=columns).sort_values(["seen_at", "run_id", "defect"], ignore_index=True)


def _record(run: pd.Series, kind: str, rng: np.random.Generator, *, found: bool) -> dict[str, object]:
    next_day = run["ended_at"].normalize() + pd.Timedelta(days=int(rng.integers(1, 3)))
    size = float(np.clip(_SIZE[kind] + rng.integers(-1, 2), 1, 5))
    return {
        "run_id": run["run_id"],
        "area_id": None,
        "defect": kind,
        "quantity": float(rng.choice(_QUANTITY[0], p=_QUANTITY[1])) if found else 0.0,
        "size": size if found else np.nan,
        "seen_at": next_day + pd.Timedelta(minutes=int(rng.integers(480, 930))),
        "inspector_id": str(rng.choice(_INSPECTORS)),
    }
