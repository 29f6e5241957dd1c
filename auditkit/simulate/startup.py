"""Start-up lists of the units, with a few breaches to find."""

from __future__ import annotations

import numpy as np
import pandas as pd

from auditkit.simulate.instruments import recorded

__all__ = ["startup_checks"]


def startup_checks(runs: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return one start-up list for nearly every unit and day of use, in contract form, times local.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> simulate_audit(seed=1).tables["startup_checks"]["unit_id"].unique().tolist()
    ['U1', 'U2', 'U3', 'U4']
    """
    first = runs.sort_values("started_at").groupby(["unit_id", "day"], as_index=False).first()
    first = first.loc[rng.random(len(first)) < 0.97].reset_index(drop=True)
    n = len(first)
    late = first["started_at"].dt.hour >= 13
    minutes = rng.integers(14, 30, n)
    distance = np.where(rng.random(n) < 0.03, rng.uniform(14, 19, n), rng.uniform(21, 40, n)) * 0.3048
    warm_up = np.where(rng.random(n) < 0.06, rng.choice([20, 30, 40], n), rng.choice([60, 70, 80, 90], n))

    def ticks(breach: float, blank: float) -> pd.Series:
        drawn = rng.random(n)
        return pd.Series(drawn >= breach, dtype="boolean").mask(drawn > 1 - blank)

    return pd.DataFrame(
        {
            "unit_id": first["unit_id"],
            "checked_at": first["started_at"] - pd.to_timedelta(minutes, unit="min"),
            "shift": np.where(late, "late", "early"),
            "operator_id": first["operator_id"],
            "grounds_separate": ticks(0.015, 0.02),
            "supply_distance_m": recorded(distance, "startup_checks", "supply_distance_m"),
            "circuit_test_passed": ticks(0.01, 0.02),
            "ventilation_running": ticks(0.012, 0.01),
            "gloves_conductive": ticks(0.02, 0.02),
            "warm_up_s": np.where(rng.random(n) < 0.02, np.nan, warm_up.astype("float64")),
        }
    )
