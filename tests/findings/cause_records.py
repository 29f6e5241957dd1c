"""Runs with known causes, for the tests of what causes defects."""

from __future__ import annotations

import numpy as np
import pandas as pd


def records(seed: int = 1, n: int = 400, *, far: float = 0.0, crew: float = 0.0, near: float = 0.0) -> pd.DataFrame:
    """Return runs with standoff, ground and a defect.

    `far` and `near` are log odds a millimetre beyond 200 and under 150; `crew` makes operators who stand farther off
    have more of the defect whatever the standoff. `p`, `p_above` and `p_below` are the true risks: as it was, with no
    run beyond the high end, and beyond the low end.
    """
    rng = np.random.default_rng(seed)
    job, operator = rng.integers(0, 6, n), rng.integers(0, 8, n)
    habit = rng.normal(size=8)
    standoff = 175 + 15 * rng.normal(size=n) + 10 * habit[operator]
    day = rng.integers(0, 10, n)

    def risk(value: np.ndarray) -> np.ndarray:
        harm = far * np.maximum(value - 200, 0) + near * np.maximum(150 - value, 0)
        return 1 / (1 + np.exp(2.0 - harm - crew * habit[operator]))

    return pd.DataFrame(
        {
            "run_id": [f"R{i:04d}" for i in range(n)],
            "area_id": [f"A{i // 2:03d}" for i in range(n)],
            "minutes": 20.0,
            "job_id": [f"J{j}" for j in job],
            "operator_id": [f"OP{o}" for o in operator],
            "unit_id": [f"U{u}" for u in rng.integers(0, 3, n)],
            "day": [f"2027-01-{11 + d}" for d in day],
            "standoff_mm": standoff.round(1),
            "stroke_pattern": "parallel",
            "part_ground_ohm": 10.0 ** rng.uniform(2, 7, n),
            "bell_used_d": rng.choice([0.0, 0.0, 0.0, 1.0, 2.0], n),
            "spit": rng.random(n) < risk(standoff),
            "p": risk(standoff),
            "p_above": risk(np.minimum(standoff, 200)),
            "p_below": risk(np.maximum(standoff, 150)),
        }
    )


def found_of(runs: pd.DataFrame, *defects: str) -> pd.DataFrame:
    """Return the runs' defects as nullable booleans, indexed by run."""
    names = list(defects) or ["spit"]
    return runs.set_index("run_id")[names].astype("boolean")


def adjustments(conditions, adjust_for=("job_id", "operator_id"), defects=("spit",)) -> pd.DataFrame:
    """Return the same adjustment for every defect and condition."""
    rows = [(defect, condition, tuple(adjust_for)) for defect in defects for condition in conditions]
    return pd.DataFrame(rows, columns=["defect", "condition", "adjust_for"])
