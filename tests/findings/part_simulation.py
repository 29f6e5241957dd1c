"""Units whose brush goes bad at a known age, looked at now and then: records, and the truth behind them."""

from __future__ import annotations

import numpy as np
import pandas as pd

SHAPE, SCALE_D = 2.5, 20.0


def simulate_site(
    rng: np.random.Generator, *, units: int = 10, days: int = 100, variance: float = 0.6, look: float = 0.12
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.Series, pd.Series]:
    """Return runs, maintenance notes, units, whether the brush was bad at each run, and each unit's factor.

    Every unit sprays twice a day. On some evenings, drawn at random, its brush
    is looked at; one found worn is replaced the next morning. Unit j's hazard is
    that of a Weibull life times a factor of its own, gamma distributed.
    """
    first = pd.Timestamp("2027-01-04", tz="UTC")
    factors = rng.gamma(1 / variance, variance, units) if variance else np.ones(units)
    runs, notes, bad = [], [], []
    for j, factor in enumerate(factors):
        unit, begun, known_bad = f"U{j:02d}", 0.0, False
        lasts = SCALE_D * (rng.exponential() / factor) ** (1 / SHAPE)
        for day in range(days):
            date = first + pd.Timedelta(days=day)
            if known_bad:
                notes.append((unit, "brush", "replaced", np.nan, "worn", date + pd.Timedelta(hours=6)))
                begun, known_bad = float(day), False
                lasts = SCALE_D * (rng.exponential() / factor) ** (1 / SHAPE)
            for half, hour in ((0.0, 8), (0.5, 13)):
                start = date + pd.Timedelta(hours=hour)
                runs.append((f"{unit}-{day:03d}-{hour:02d}", unit, start, start + pd.Timedelta(hours=3), f"{date:%F}"))
                bad.append(day + half - begun > lasts)
            if rng.random() < look:
                known_bad = day + 1 - begun > lasts
                found = "worn" if known_bad else "good"
                notes.append((unit, "brush", "inspected", np.nan, found, date + pd.Timedelta(hours=18)))
    names = [f"U{j:02d}" for j in range(units)]
    return (
        pd.DataFrame(runs, columns=["run_id", "unit_id", "started_at", "ended_at", "day"]),
        pd.DataFrame(notes, columns=["unit_id", "part", "action", "wear_pct", "found", "done_at"]),
        pd.DataFrame({"unit_id": names, "in_service_at": first}),
        pd.Series(bad, index=[run[0] for run in runs], name="bad"),
        pd.Series(factors, index=names, name="factor"),
    )
