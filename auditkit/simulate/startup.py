"""Start-up lists of the units, with a few breaches to find."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from auditkit.simulate.instruments import recorded

if TYPE_CHECKING:
    from auditkit.simulate.truth import Truth

__all__ = ["after_bell_changes", "feed_tube_set_for", "startup_checks"]

_TICKS = ("grounds_separate", "circuit_test_passed", "ventilation_running", "gloves_conductive")


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


def after_bell_changes(
    checks: pd.DataFrame, runs: pd.DataFrame, truth: Truth, rng: np.random.Generator
) -> pd.DataFrame:
    """Return the start-up lists and those gone through again after most changes of the bell within a day.

    A list is gone through again only on a day that has one, of the same shift;
    the supply stands where it stood, and all is answered with yes.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> checks = simulate_audit(seed=1).tables["startup_checks"]
    >>> days = checks["checked_at"].dt.date
    >>> bool(days.groupby([checks["unit_id"], days]).size().max() > 1)
    True
    """
    ordered = runs.sort_values(["unit_id", "started_at"], kind="stable")
    before = ordered.groupby(["unit_id", "day"])[["bell_diameter_mm", "ended_at"]].shift()
    gap_min = (ordered["started_at"] - before["ended_at"]).dt.total_seconds() / 60
    changed = before["bell_diameter_mm"].notna() & (before["bell_diameter_mm"] != ordered["bell_diameter_mm"])
    changes = ordered.assign(gap_min=gap_min, date=ordered["started_at"].dt.normalize())[changed & (gap_min >= 2)]
    drawn, ahead_min = rng.random(len(changes)), rng.integers(6, 16, len(changes))
    ahead_min = np.minimum(ahead_min, changes["gap_min"].to_numpy() - 1)
    changes = changes.assign(checked_at=changes["started_at"] - pd.to_timedelta(ahead_min, unit="min"))
    changes = changes.assign(warm_up_s=rng.choice([60.0, 70.0, 80.0, 90.0], len(changes)))[drawn < truth.relist_share]
    of_day = checks[["unit_id", "shift", "supply_distance_m"]].assign(date=checks["checked_at"].dt.normalize())
    again = changes.merge(of_day, on=["unit_id", "date"], how="inner")
    ticked = {tick: pd.Series(True, index=again.index, dtype="boolean") for tick in _TICKS}
    return pd.concat([checks, again.assign(**ticked)[list(checks.columns)]], ignore_index=True)


def feed_tube_set_for(checks: pd.DataFrame, runs: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return the start-up lists with the bell the feed tube was set for: that of the unit's next run, but for slips.

    Parameters
    ----------
    checks : DataFrame
        From `startup_checks` and `after_bell_changes`.
    runs : DataFrame
        The runs the lists were made for.
    truth : Truth
    rng : Generator

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> sorted(simulate_audit(seed=1).tables["startup_checks"]["feed_tube_for_mm"].dropna().unique().tolist())
    [50.0, 70.0]
    """
    following = pd.merge_asof(
        checks[["unit_id", "checked_at"]].reset_index().sort_values("checked_at", kind="stable"),
        runs[["unit_id", "started_at", "bell_diameter_mm"]].sort_values("started_at", kind="stable"),
        left_on="checked_at",
        right_on="started_at",
        by="unit_id",
        direction="forward",
    ).set_index("index")
    bell = following["bell_diameter_mm"].reindex(checks.index)
    drawn = rng.random(len(checks))
    slipped = bell.mask(drawn < truth.feed_tube_slip_share, 120.0 - bell)  # the other of the two bells, 50 and 70 mm
    return checks.assign(feed_tube_for_mm=slipped.mask(drawn > 0.96))
