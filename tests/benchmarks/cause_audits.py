"""Invented audits whose causes are known, on a grid from few runs to many, for holding the causes to their word.

Runs are nested in days of jobs; operators and units work on several jobs. Each
job, operator, unit and day has a level of defects of its own. Standoff goes by
operator and job, pot pressure by unit and operator, humidity by job and day:
where confounding is strong, those levels and these habits go together
(correlation 0.9), and the levels are larger.

What is true is computed from the probabilities that the defects are drawn from,
for each side of a window: the risk of these runs less their risk had the runs
outside on that side been as those inside are (each with the mean over the
values of its operator's runs inside, all else as it was), and less their risk
with those runs moved to that end of the window. All figures are invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.trade.conditions import Condition, load_conditions

__all__ = ["CONTROL", "DEFECT", "GRID", "Cell", "GridAudit", "audit_conditions", "draw_audit"]

Floats = npt.NDArray[np.float64]

DEFECT, CONTROL = "thin back", "inclusion"
"""What the conditions act on, and a defect on which none of them acts."""

_CENTRE = {"standoff_mm": 175.0, "pot_kpa": 41.0, "humidity_pct": 65.0}
_HALF = {"standoff_mm": 25.0, "pot_kpa": 7.0, "humidity_pct": 20.0}
_TOGETHER = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """One place of the grid.

    Parameters
    ----------
    runs, jobs : int
    effect : {'none', 'linear', 'U-shaped', 'capped'}
        Log odds of the defect along a condition, in half windows from the
        middle of its window: 0; 1 a half window; 1 a half window squared; or 0
        inside, rising to 1.4 within a third of a half window beyond each end.
    confounding : {'none', 'strong'}
    risk : float
        Mean risk of the defect `[-]`.
    """

    runs: int
    jobs: int
    effect: str
    confounding: str
    risk: float


_AXES = ((40, 150, 400), (6, 20), ("none", "linear", "U-shaped"), ("none", "strong"), (0.05, 0.30))
GRID = tuple(
    Cell(runs=runs, jobs=jobs, effect=effect, confounding=confounding, risk=risk)
    for runs, jobs, effect, confounding, risk in product(*_AXES)
)
"""The grid, 72 cells."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GridAudit:
    """One invented audit.

    Parameters
    ----------
    runs : DataFrame
        One row a run, with the columns of the timeline that the causes ask for.
    found : DataFrame
        One row a run (index run_id): the defect and the control.
    truth : DataFrame
        One row a defect, condition and side: truth (had they been as those
        inside) and edge_truth (moved to the end of the window).
    others : DataFrame
        One row a run, one column a condition: log odds of the defect from all
        but that condition, for an oracle.
    shape : DataFrame
        The same: what the log odds grow with along that condition.
    """

    runs: pd.DataFrame
    found: pd.DataFrame
    truth: pd.DataFrame
    others: pd.DataFrame
    shape: pd.DataFrame


def audit_conditions() -> dict[str, Condition]:
    """Return the conditions of these audits, with the windows that are shipped."""
    known = load_conditions()
    return {name: known[name] for name in _CENTRE}


def draw_audit(cell: Cell, *, rng: np.random.Generator) -> GridAudit:
    """Return an invented audit of one cell."""
    runs, levels = _draw_runs(cell, rng)
    shape = pd.DataFrame({name: _shape(runs[name], name, cell.effect) for name in _CENTRE})
    acting = levels + shape.sum(axis=1).to_numpy(dtype=np.float64)
    middle = _constant(acting, cell.risk)
    risk, control_risk = _expit(acting + middle), _expit(levels + _constant(levels, cell.risk))
    found = pd.DataFrame(
        {DEFECT: rng.random(cell.runs) < risk, CONTROL: rng.random(cell.runs) < control_risk},
        index=pd.Index(runs["run_id"], name="run_id"),
    ).astype("boolean")
    rows = []
    for name, condition in audit_conditions().items():
        others = acting + middle - shape[name].to_numpy()
        for side, limit in (("below", condition.low), ("above", condition.high)):
            if limit is None:
                continue
            moved = runs[name].clip(lower=limit) if side == "below" else runs[name].clip(upper=limit)
            edge = float(risk.mean() - _expit(others + _shape(moved, name, cell.effect)).mean())
            outside = (moved != runs[name]).to_numpy()
            typical = _as_inside(runs, condition, outside=outside, others=others, effect=cell.effect)
            rows.append((DEFECT, name, side, float((risk[outside] - typical).sum() / cell.runs), edge))
            rows.append((CONTROL, name, side, 0.0, 0.0))
    return GridAudit(
        runs=runs,
        found=found,
        truth=pd.DataFrame(rows, columns=["defect", "condition", "side", "truth", "edge_truth"]),
        others=pd.DataFrame({name: acting + middle - shape[name] for name in _CENTRE}),
        shape=shape,
    )


def _as_inside(
    runs: pd.DataFrame, condition: Condition, *, outside: npt.NDArray[np.bool_], others: Floats, effect: str
) -> Floats:
    """Return the risk of each run outside, its condition drawn from its operator's runs inside (from all, if none)."""
    name, low, high = condition.name, condition.low, condition.high
    inside = runs[name].between(-np.inf if low is None else low, np.inf if high is None else high).to_numpy()
    operator = runs["operator_id"].to_numpy()
    risks = []
    for i in np.flatnonzero(outside):
        own = inside & (operator == operator[i])
        values = _shape(runs.loc[own if own.any() else inside, name], name, effect)
        risks.append(float(_expit(others[i] + values).mean()))
    return np.array(risks)


def _draw_runs(cell: Cell, rng: np.random.Generator) -> tuple[pd.DataFrame, Floats]:
    """Return the runs, and the log odds that job, operator, unit and day give each, less a constant."""
    n, crew, units = cell.runs, 4 if cell.jobs <= 6 else 8, 3
    job = np.sort(np.r_[np.arange(cell.jobs), rng.choice(cell.jobs, n - cell.jobs, p=_uneven(cell.jobs, rng))])
    teams = np.array([rng.permutation(crew)[:3] for _ in range(cell.jobs)])
    sets = np.array([rng.permutation(units)[:2] for _ in range(cell.jobs)])
    operator = teams[job, rng.choice(3, n, p=[0.5, 0.3, 0.2])]
    unit = sets[job, rng.choice(2, n, p=[0.6, 0.4])]
    place = np.arange(n) - np.searchsorted(job, job)
    day = np.unique(job * 1000 + place // 8, return_inverse=True)[1]
    strong = cell.confounding == "strong"
    level = {
        "job": rng.standard_normal(cell.jobs),
        "operator": rng.standard_normal(crew),
        "unit": rng.standard_normal(units),
        "day": rng.standard_normal(day.max() + 1),
    }
    level = {name: values if name == "day" else values - values.mean() for name, values in level.items()}

    def habit(name: str) -> Floats:
        own = rng.standard_normal(len(level[name]))
        return _TOGETHER * level[name] + (1.0 - _TOGETHER**2) ** 0.5 * own if strong else own

    draw = rng.standard_normal
    standoff = 175.0 + 14.0 * habit("operator")[operator] + 10.0 * habit("job")[job] + 18.0 * draw(n)
    pot = 41.0 + 4.0 * habit("unit")[unit] + 3.0 * habit("operator")[operator] + 4.5 * draw(n)
    humidity = 65.0 + 9.0 * habit("job")[job] + 14.0 * draw(day.max() + 1)[day] + 3.0 * draw(n)
    size = (0.7, 0.9, 0.6) if strong else (0.4, 0.4, 0.3)
    levels = size[0] * level["job"][job] + size[1] * level["operator"][operator] + size[2] * level["unit"][unit]
    first = pd.Timestamp("2027-01-11T07:00Z")
    runs = pd.DataFrame(
        {
            "run_id": [f"R{i:04d}" for i in range(n)],
            "job_id": [f"J{i:02d}" for i in job],
            "operator_id": [f"OP{i}" for i in operator],
            "unit_id": [f"U{i}" for i in unit],
            "day": (first + pd.to_timedelta(day, unit="D")).strftime("%Y-%m-%d"),
            "started_at": first + pd.to_timedelta(day, unit="D") + pd.to_timedelta(place % 8, unit="h"),
            "shift": "day",
            "coating": np.array(["two-pack", "alkyd"])[job % 2],
            "geometry": np.array(["flat", "tube", "grille"])[rng.integers(0, 3, n)],
            "air_temp_c": 12.0 + 4.0 * draw(day.max() + 1)[day],
            "viscosity_mm2_s": 50.0 + 6.0 * draw(n),
            "delivery_ratio": 1.0 + 0.05 * draw(n),
            "standoff_mm": standoff.round(0),
            "pot_kpa": pot.round(1),
            "humidity_pct": np.clip(humidity, 15.0, 100.0).round(1),
        }
    )
    return runs, levels + 0.3 * level["day"][day]


def _uneven(count: int, rng: np.random.Generator) -> Floats:
    return rng.dirichlet(np.full(count, 4.0))


def _shape(values: pd.Series, name: str, effect: str) -> Floats:
    away = (values.to_numpy(dtype=np.float64) - _CENTRE[name]) / _HALF[name]
    shapes: Mapping[str, Floats] = {
        "none": np.zeros(len(away)),
        "linear": away,
        "U-shaped": away**2,
        "capped": 1.4 * np.clip((np.abs(away) - 1.0) * 3.0, 0.0, 1.0),
    }
    return shapes[effect]


def _constant(log_odds: Floats, risk: float) -> float:
    """Return what to add so that the mean risk is as wanted."""
    from scipy.optimize import brentq

    return float(brentq(lambda c: float(_expit(log_odds + c).mean()) - risk, -40.0, 40.0))


def _expit(log_odds: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-log_odds)), dtype=np.float64)
