"""Delivery: the paint that pot pressure should push through a unit, and the paint that came.

Flow through a hose is laminar at the pressures and viscosities of this work
(see `pipe_flow`), so flow times viscosity over pressure is one figure of a
unit, its conductance. Hose length and bore are seldom recorded; catch tests in
the clean state give the conductance without them.

References
----------
[1] JCGM 100:2008 (GUM), 4.2 and 5.1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.trade.columns import require_columns
from auditkit.trade.pipe_flow import (
    PipeFlow,
    flow_ml_min,
    hose_conductance,
    pressure_for_flow,
    static_pressure_kpa,
)

__all__ = [
    "CleanState",
    "PipeFlow",
    "clean_state",
    "delivery_ratio",
    "flow_ml_min",
    "hose_conductance",
    "pressure_for_flow",
    "static_pressure_kpa",
]

_CATCH_COLUMNS = ["unit_id", "pot_kpa", "viscosity_mm2_s", "flow_ml_min"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanState:
    """What each unit delivers when clean.

    Attributes
    ----------
    units : DataFrame
        One row a unit, sorted: unit_id, n (catches), conductance
        `[mL/min * mm2/s / kPa]`, u_conductance_pct (standard uncertainty)
        `[%]`, usual_kpa (geometric mean pressure of the catches) `[kPa]`.
    scatter_pct : float
        Standard deviation of a single clean catch about its unit's
        conductance: gauge, cup and catch together `[%]`.
    df : int
        Degrees of freedom of the scatter.
    pressure_spread_pct : float
        Standard deviation of pressures about their unit's usual one `[%]`.
    static_kpa : float
        Pressure taken off for the rise `[kPa]`.
    n, excluded : int
        Catches used, and left out because a figure was missing.
    method : str
    """

    units: pd.DataFrame
    scatter_pct: float
    df: int
    pressure_spread_pct: float
    static_kpa: float
    n: int
    excluded: int
    method: str


def clean_state(catches: pd.DataFrame, *, static_kpa: float = 0.0) -> CleanState:
    """Return the conductance of each unit from catch tests made when it was clean.

    The scatter of repeated catches about their unit's conductance is pooled
    over units; a conductance is as uncertain as the scatter over the square
    root of its catches.

    Parameters
    ----------
    catches : DataFrame
        One row a catch test, all of the clean state: unit_id, pot_kpa `[kPa]`,
        viscosity_mm2_s `[mm2/s]`, flow_ml_min `[mL/min]`. A row with a missing
        figure is left out and counted.
    static_kpa : float
        Pressure that the rise takes, see `static_pressure_kpa` `[kPa]`.

    Raises
    ------
    ValueError
        A column is not there, a figure is not above 0, a pressure does not
        exceed the rise, or no unit has two catches.

    References
    ----------
    [1]_ 4.2 of the module, on the logarithms.

    Examples
    --------
    >>> catches = pd.DataFrame({"unit_id": ["U1", "U1"], "pot_kpa": [40.0, 44.0], "viscosity_mm2_s": [60.0, 60.0],
    ...                         "flow_ml_min": [132.0, 150.0]})
    >>> clean_state(catches).units.round(2).to_numpy().tolist()
    [['U1', 2, 201.25, 1.63, 41.95]]
    """
    require_columns(catches, _CATCH_COLUMNS, name="catches")
    rows = catches[_CATCH_COLUMNS].dropna().reset_index(drop=True)
    _check_rows(rows, static_kpa=static_kpa)
    logs = pd.DataFrame(
        {
            "unit_id": rows["unit_id"],
            "conductance": np.log(_conductance(rows, static_kpa)),
            "pressure": np.log(rows["pot_kpa"].astype("float64")),
        }
    )
    grouped = logs.groupby("unit_id", sort=True)
    sizes, means = grouped.size(), grouped.mean()
    df = int((sizes - 1).sum())
    if df < 1:
        raise ValueError(
            f"at least one unit needs two clean catches, or their scatter cannot be told; given {len(rows)} catches of "
            f"{len(sizes)} units. Make more catch tests after cleaning"
        )
    about = logs[["conductance", "pressure"]] - grouped[["conductance", "pressure"]].transform("mean")
    scatter, spread = (100.0 * math.sqrt(float((about[column] ** 2).sum()) / df) for column in about.columns)
    return CleanState(
        units=pd.DataFrame(
            {
                "unit_id": sizes.index.to_numpy(),
                "n": sizes.to_numpy(),
                "conductance": np.exp(means["conductance"].to_numpy()),
                "u_conductance_pct": scatter / np.sqrt(sizes.to_numpy()),
                "usual_kpa": np.exp(means["pressure"].to_numpy()),
            }
        ),
        scatter_pct=scatter,
        df=df,
        pressure_spread_pct=spread,
        static_kpa=float(static_kpa),
        n=len(rows),
        excluded=len(catches) - len(rows),
        method="geometric mean of flow x viscosity / pressure of clean catches; scatter pooled over units",
    )


def delivery_ratio(runs: pd.DataFrame, clean: CleanState, *, u_reading_pct: float | None = None) -> pd.DataFrame:
    """Return how much of the paint that a clean unit would deliver each run had.

    Parameters
    ----------
    runs : DataFrame
        run_id, unit_id, pot_kpa `[kPa]`, viscosity_mm2_s `[mm2/s]`,
        flow_ml_min `[mL/min]`.
    clean : CleanState
        From `clean_state`.
    u_reading_pct : float, optional
        Standard uncertainty of one flow x viscosity / pressure, all three
        readings together in quadrature `[%]`. Left out, the scatter of the
        clean catches.

    Returns
    -------
    DataFrame
        One row a run, sorted by run_id: run_id, unit_id, expected_ml_min,
        delivery_ratio (caught / expected at the run's own pressure),
        u_delivery_ratio (its standard uncertainty), pressure_ratio (to the
        unit's usual clean pressure), u_pressure_ratio (the spread of clean
        pressures, and the doubt about the usual one) `[-]`, why (what was
        missing, or empty).

    Raises
    ------
    ValueError
        A column is not there, a run occurs twice, a figure is not above 0, or
        a pressure does not exceed the rise.

    References
    ----------
    [1]_ 5.1 of the module: relative uncertainties of reading and conductance
    in quadrature.

    Examples
    --------
    >>> catches = pd.DataFrame({"unit_id": "U1", "pot_kpa": [40.0, 40.0], "viscosity_mm2_s": [60.0, 60.0],
    ...                         "flow_ml_min": [132.0, 136.0]})
    >>> runs = pd.DataFrame({"run_id": ["R1"], "unit_id": ["U1"], "pot_kpa": [44.0], "viscosity_mm2_s": [60.0],
    ...                      "flow_ml_min": [103.0]})
    >>> delivery_ratio(runs, clean_state(catches)).round(3).to_numpy().tolist()
    [['R1', 'U1', 147.384, 0.699, 0.018, 1.1, 0.0, '']]
    """
    require_columns(runs, ["run_id", *_CATCH_COLUMNS], name="runs")
    if runs["run_id"].duplicated().any():
        twice = sorted(runs.loc[runs["run_id"].duplicated(), "run_id"])
        raise ValueError(f"run_id must not occur twice; {twice[:3]} do. Keep one row of each")
    if u_reading_pct is not None and not (math.isfinite(u_reading_pct) and u_reading_pct > 0):
        raise ValueError(f"u_reading_pct must be finite and above 0; given {u_reading_pct}")
    rows = runs[["run_id", *_CATCH_COLUMNS]].merge(clean.units, on="unit_id", how="left")
    rows = rows.sort_values("run_id", ignore_index=True)
    _check_rows(rows, static_kpa=clean.static_kpa)
    expected = rows["conductance"] * (rows["pot_kpa"] - clean.static_kpa) / rows["viscosity_mm2_s"]
    ratio = (rows["flow_ml_min"] / expected).astype("float64")
    reading = clean.scatter_pct if u_reading_pct is None else u_reading_pct
    pressure = (rows["pot_kpa"] / rows["usual_kpa"]).astype("float64")
    return pd.DataFrame(
        {
            "run_id": rows["run_id"],
            "unit_id": rows["unit_id"],
            "expected_ml_min": expected.astype("float64"),
            "delivery_ratio": ratio,
            "u_delivery_ratio": ratio * np.hypot(reading, rows["u_conductance_pct"]) / 100.0,
            "pressure_ratio": pressure,
            "u_pressure_ratio": pressure * np.sqrt(1.0 + 1.0 / rows["n"]) * clean.pressure_spread_pct / 100.0,
            "why": _why(rows),
        }
    )


def _why(rows: pd.DataFrame) -> npt.NDArray[np.object_]:
    """Return what each row lacks for a ratio, the first thing of the list below."""
    lacks = [
        ("conductance", "no clean catch of the unit"),
        ("flow_ml_min", "no paint was caught"),
        ("pot_kpa", "no pressure"),
        ("viscosity_mm2_s", "no valid cup time"),
    ]
    return np.select([rows[column].isna() for column, _ in lacks], [text for _, text in lacks], default="").astype(
        object
    )


def _conductance(rows: pd.DataFrame, static_kpa: float) -> npt.NDArray[np.float64]:
    result = rows["flow_ml_min"] * rows["viscosity_mm2_s"] / (rows["pot_kpa"] - static_kpa)
    return result.to_numpy(dtype="float64")


def _check_rows(rows: pd.DataFrame, *, static_kpa: float) -> None:
    """Refuse figures that no catch test can give; a missing one passes."""
    floors = {"flow_ml_min": 0.0, "viscosity_mm2_s": 0.0, "pot_kpa": max(static_kpa, 0.0)}
    for column, floor in floors.items():
        wrong = rows[column] <= floor
        if wrong.any():
            raise ValueError(
                f"{column} must be above {floor:g}; {int(wrong.sum())} of {len(rows)} are not, "
                f"first {float(rows.loc[wrong, column].iloc[0]):g}. Correct them or leave those rows out"
            )
