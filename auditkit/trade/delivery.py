"""Delivery: the paint that pot pressure should push through a unit, and the paint that came.

Flow through a hose is laminar at the pressures and viscosities of this work
(see `pipe_flow`), so flow times viscosity over pressure is one figure of a
unit, its conductance. Catch tests in the clean state give it with all that the
unit has in the way of the paint; length and bore give that of the hose alone,
which is the most that could come.

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
    "NO_CLEAN_CATCH",
    "CleanState",
    "PipeFlow",
    "clean_state",
    "delivery_ratio",
    "flow_ml_min",
    "hose_conductance",
    "hose_delivery",
    "pressure_for_flow",
    "static_heads",
    "static_pressure_kpa",
]

_CATCH_COLUMNS = ["unit_id", "pot_kpa", "viscosity_mm2_s", "flow_ml_min"]
NO_CLEAN_CATCH = "no clean catch of the unit"

_RATIO_LACKS = [
    ("conductance", NO_CLEAN_CATCH),
    ("flow_ml_min", "no paint was caught"),
    ("pot_kpa", "no pressure"),
    ("viscosity_mm2_s", "no valid cup time"),
]
_HOSE_COLUMNS = ["paint_density_kg_m3", "hose_length_m", "hose_bore_mm", "rise_m"]


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
    n, excluded : int
        Catches used, and left out because a figure was missing.
    method : str
    """

    units: pd.DataFrame
    scatter_pct: float
    df: int
    pressure_spread_pct: float
    n: int
    excluded: int
    method: str


def clean_state(catches: pd.DataFrame) -> CleanState:
    """Return the conductance of each unit from catch tests made when it was clean.

    The scatter of repeated catches about their unit's conductance is pooled
    over units; a conductance is as uncertain as the scatter over the square
    root of its catches.

    Parameters
    ----------
    catches : DataFrame
        One row a catch test, all of the clean state: unit_id, pot_kpa `[kPa]`,
        viscosity_mm2_s `[mm2/s]`, flow_ml_min `[mL/min]`; and static_kpa, the
        pressure that the rise takes `[kPa]`, 0 where the column is not there,
        see `static_heads`. A row with a missing figure is left out and counted.

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
    rows = _with_static(catches, _CATCH_COLUMNS).dropna().reset_index(drop=True)
    _check_rows(rows)
    logs = pd.DataFrame(
        {
            "unit_id": rows["unit_id"],
            "conductance": np.log(_conductance(rows)),
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
        n=len(rows),
        excluded=len(catches) - len(rows),
        method="geometric mean of flow x viscosity / (pressure - that of the rise) of clean catches; scatter pooled "
        "over units",
    )


def delivery_ratio(runs: pd.DataFrame, clean: CleanState, *, u_reading_pct: float | None = None) -> pd.DataFrame:
    """Return how much of the paint that a clean unit would deliver each run had.

    Parameters
    ----------
    runs : DataFrame
        run_id, unit_id, pot_kpa `[kPa]`, viscosity_mm2_s `[mm2/s]`,
        flow_ml_min `[mL/min]`; static_kpa as in `clean_state`, and taken the
        same way there.
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
    _check_once(runs)
    if u_reading_pct is not None and not (math.isfinite(u_reading_pct) and u_reading_pct > 0):
        raise ValueError(f"u_reading_pct must be finite and above 0; given {u_reading_pct}")
    rows = _with_static(runs, ["run_id", *_CATCH_COLUMNS]).merge(clean.units, on="unit_id", how="left")
    rows = rows.sort_values("run_id", ignore_index=True)
    _check_rows(rows)
    expected = rows["conductance"] * (rows["pot_kpa"] - rows["static_kpa"]) / rows["viscosity_mm2_s"]
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
            "why": _first_lacking(rows, _RATIO_LACKS),
        }
    )


def static_heads(runs: pd.DataFrame) -> pd.Series:
    """Return the pressure [kPa] that the rise takes in each run, 0 for every run of a unit where one does not say.

    A head taken off some runs of a unit and not off others would pass for a
    change of its conductance.

    Parameters
    ----------
    runs : DataFrame
        unit_id, rise_m `[m]`, paint_density_kg_m3 `[kg/m3]`.

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> runs = pd.DataFrame({"unit_id": ["U1", "U2", "U2"], "rise_m": [1.0, 2.0, 2.0],
    ...                      "paint_density_kg_m3": [1000.0, 1100.0, None]})
    >>> static_heads(runs).round(3).tolist()
    [9.807, 0.0, 0.0]
    """
    require_columns(runs, ["unit_id", "rise_m", "paint_density_kg_m3"], name="runs")
    density, rise = (runs[name].astype("float64") for name in ("paint_density_kg_m3", "rise_m"))
    head = static_pressure_kpa(density_kg_m3=1.0, rise_m=1.0) * density * rise
    known = head.notna().groupby(runs["unit_id"]).transform("all")
    return head.where(known, 0.0).rename("static_kpa")


def hose_delivery(runs: pd.DataFrame) -> pd.DataFrame:
    """Return what the hose alone would let through in each run, and whether the flow is laminar.

    It is calibrated to nothing: filter, stem, elbow, feed tube and bell take
    their part of the pressure too, so less comes. It is the most that could
    come, and no ratio to it names a fault.

    Parameters
    ----------
    runs : DataFrame
        run_id, pot_kpa `[kPa]`, viscosity_mm2_s `[mm2/s]`,
        paint_density_kg_m3 `[kg/m3]`, hose_length_m `[m]`, hose_bore_mm
        `[mm]`, rise_m `[m]` (not recorded, taken as 0).

    Returns
    -------
    DataFrame
        One row a run, sorted by run_id: run_id, hose_ml_min `[mL/min]`,
        hose_reynolds `[-]`, hose_laminar (nullable bool), hose_why (why there
        is no figure, or empty). Where the flow is not laminar the law does not
        hold, and there is no figure.

    Raises
    ------
    ValueError
        A column is not there, a run occurs twice, or a viscosity, density,
        length or bore is not above 0.

    Examples
    --------
    >>> runs = pd.DataFrame({"run_id": ["R1"], "pot_kpa": [40.0], "viscosity_mm2_s": [60.0], "rise_m": [0.0],
    ...                      "paint_density_kg_m3": [1100.0], "hose_length_m": [10.0], "hose_bore_mm": [6.0]})
    >>> hose_delivery(runs).round(1).to_numpy().tolist()
    [['R1', 115.7, 6.8, True, '']]
    """
    columns = ["run_id", "pot_kpa", "viscosity_mm2_s", *_HOSE_COLUMNS]
    require_columns(runs, columns, name="runs")
    _check_once(runs)
    rows = runs[columns].sort_values("run_id", ignore_index=True)
    lacks = [
        ("hose_length_m", "no hose length"),
        ("hose_bore_mm", "no hose bore"),
        ("paint_density_kg_m3", "no paint density"),
        ("pot_kpa", "no pressure"),
        ("viscosity_mm2_s", "no valid cup time"),
    ]
    why = _first_lacking(rows, lacks)
    flows = [
        None
        if lacking
        else flow_ml_min(
            row["pot_kpa"],
            viscosity_mm2_s=row["viscosity_mm2_s"],
            density_kg_m3=row["paint_density_kg_m3"],
            hose_m=row["hose_length_m"],
            bore_mm=row["hose_bore_mm"],
            rise_m=0.0 if pd.isna(row["rise_m"]) else row["rise_m"],
        )
        for row, lacking in zip(rows.to_dict("records"), why, strict=True)
    ]
    turbulent = [flow is not None and not flow.laminar for flow in flows]
    return pd.DataFrame(
        {
            "run_id": rows["run_id"],
            "hose_ml_min": np.array(
                [np.nan if flow is None or not flow.laminar else flow.flow_ml_min for flow in flows], dtype="float64"
            ),
            "hose_reynolds": np.array([np.nan if flow is None else flow.reynolds for flow in flows], dtype="float64"),
            "hose_laminar": pd.array([None if flow is None else flow.laminar for flow in flows], dtype="boolean"),
            "hose_why": pd.array(np.where(turbulent, "the flow is not laminar", why), dtype="str"),
        }
    )


def _with_static(frame: pd.DataFrame, columns: list[str]) -> pd.DataFrame:
    """Return those columns and static_kpa, 0 where the frame has none."""
    static = frame["static_kpa"] if "static_kpa" in frame.columns else 0.0
    return frame[columns].assign(static_kpa=static)


def _check_once(runs: pd.DataFrame) -> None:
    if runs["run_id"].duplicated().any():
        twice = sorted(runs.loc[runs["run_id"].duplicated(), "run_id"])
        raise ValueError(f"run_id must not occur twice; {twice[:3]} do. Keep one row of each")


def _first_lacking(rows: pd.DataFrame, lacks: list[tuple[str, str]]) -> npt.NDArray[np.object_]:
    """Return what each row lacks, the first thing of the list."""
    return np.select([rows[column].isna() for column, _ in lacks], [text for _, text in lacks], default="").astype(
        object
    )


def _conductance(rows: pd.DataFrame) -> npt.NDArray[np.float64]:
    result = rows["flow_ml_min"] * rows["viscosity_mm2_s"] / (rows["pot_kpa"] - rows["static_kpa"])
    return result.to_numpy(dtype="float64")


def _check_rows(rows: pd.DataFrame) -> None:
    """Refuse figures that no catch test can give; a missing one passes."""
    floors = {
        "flow_ml_min": (0.0, "0"),
        "viscosity_mm2_s": (0.0, "0"),
        "pot_kpa": (rows["static_kpa"].clip(lower=0.0), "0 and the pressure that the rise takes"),
    }
    for column, (floor, said) in floors.items():
        wrong = rows[column] <= floor
        if wrong.any():
            raise ValueError(
                f"{column} must be above {said}; {int(wrong.sum())} of {len(rows)} are not, "
                f"first {float(rows.loc[wrong, column].iloc[0]):g}. Correct them or leave those rows out"
            )
