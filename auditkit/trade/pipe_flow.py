"""Pipe flow: what a pressure pushes through a hose while the flow is laminar.

References
----------
[1] F. M. White (2016), Fluid Mechanics, 8th ed., McGraw-Hill, 6.4
    (Hagen-Poiseuille, Reynolds number); worked figures from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["PipeFlow", "flow_ml_min", "hose_conductance", "pressure_for_flow", "static_pressure_kpa"]

GRAVITY_M_S2 = 9.80665
"""Standard gravity (3rd CGPM, 1901)."""

LAMINAR_BELOW = 2000.0
"""Reynolds number below which pipe flow is laminar; texts give 2000 to 2300 `[-]`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PipeFlow:
    """Flow through a hose, and whether the law that gave it holds.

    Attributes
    ----------
    flow_ml_min : float
        `[mL/min]`
    pressure_kpa : float
        At the hose's inlet, above that at its outlet `[kPa]`.
    speed_m_s : float
        Mean over the bore `[m/s]`.
    reynolds : float
        `[-]`
    laminar : bool
        False where the flow is turbulent or may be: the figures then do not hold.
    """

    flow_ml_min: float
    pressure_kpa: float
    speed_m_s: float
    reynolds: float
    laminar: bool


def hose_conductance(*, density_kg_m3: float, hose_m: float, bore_mm: float) -> float:
    """Return the conductance of a hose [mL/min * mm2/s / kPa], if nothing else restricts.

    Parameters
    ----------
    density_kg_m3 : float
        `[kg/m3]`
    hose_m, bore_mm : float
        Length `[m]` and inner diameter `[mm]`.

    Raises
    ------
    ValueError
        A figure is not above 0.

    References
    ----------
    [1]_ of the module: Q = pi D^4 dp / (128 mu L), mu = nu rho.

    Examples
    --------
    >>> round(hose_conductance(density_kg_m3=1100, hose_m=10, bore_mm=6), 1)
    173.5
    """
    _check_positive(density_kg_m3=density_kg_m3, hose_m=hose_m, bore_mm=bore_mm)
    conductance = math.pi * (bore_mm * 1e-3) ** 4 / (128.0 * density_kg_m3 * hose_m)
    return conductance * 6e7 * 1e3 / 1e-6  # m3/s to mL/min, Pa to kPa, m2/s to mm2/s


def static_pressure_kpa(*, density_kg_m3: float, rise_m: float) -> float:
    """Return the pressure [kPa] that a rise of paint takes, below 0 where it falls.

    Examples
    --------
    >>> round(static_pressure_kpa(density_kg_m3=1000, rise_m=1.0), 3)
    9.807
    """
    return density_kg_m3 * GRAVITY_M_S2 * rise_m / 1e3


def flow_ml_min(
    pressure_kpa: float,
    *,
    viscosity_mm2_s: float,
    density_kg_m3: float,
    hose_m: float,
    bore_mm: float,
    rise_m: float = 0.0,
    laminar_below: float = LAMINAR_BELOW,
) -> PipeFlow:
    """Return the flow that a pressure pushes through a hose.

    Parameters
    ----------
    pressure_kpa : float
        At the inlet, above that at the outlet `[kPa]`.
    viscosity_mm2_s, density_kg_m3 : float
        Of the paint `[mm2/s]`, `[kg/m3]`.
    hose_m, bore_mm : float
        Length `[m]` and inner diameter `[mm]`.
    rise_m : float
        Height of the outlet above the inlet `[m]`.
    laminar_below : float
        `[-]`

    Returns
    -------
    PipeFlow
        No flow where the rise takes all the pressure.

    Raises
    ------
    ValueError
        A figure other than pressure and rise is not above 0.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> hose = {"viscosity_mm2_s": 60.0, "density_kg_m3": 1100.0, "hose_m": 10.0, "bore_mm": 6.0}
    >>> result = flow_ml_min(40.0, **hose)
    >>> round(result.flow_ml_min, 1), round(result.reynolds, 1), result.laminar
    (115.7, 6.8, True)
    """
    _check_positive(viscosity_mm2_s=viscosity_mm2_s, laminar_below=laminar_below)
    conductance = hose_conductance(density_kg_m3=density_kg_m3, hose_m=hose_m, bore_mm=bore_mm)
    driving = pressure_kpa - static_pressure_kpa(density_kg_m3=density_kg_m3, rise_m=rise_m)
    flow = conductance * max(driving, 0.0) / viscosity_mm2_s
    return _pipe_flow(flow, pressure_kpa, viscosity_mm2_s, bore_mm, laminar_below)


def pressure_for_flow(
    wanted_ml_min: float,
    *,
    viscosity_mm2_s: float,
    density_kg_m3: float,
    hose_m: float,
    bore_mm: float,
    rise_m: float = 0.0,
    laminar_below: float = LAMINAR_BELOW,
) -> PipeFlow:
    """Return the pressure that a flow through a hose needs, the inverse of `flow_ml_min`.

    Parameters
    ----------
    wanted_ml_min : float
        `[mL/min]`
    viscosity_mm2_s, density_kg_m3, hose_m, bore_mm, rise_m, laminar_below : float
        As in `flow_ml_min`.

    Raises
    ------
    ValueError
        The flow is below 0, or a figure other than the rise not above 0.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> hose = {"viscosity_mm2_s": 60.0, "density_kg_m3": 1100.0, "hose_m": 10.0, "bore_mm": 6.0}
    >>> round(pressure_for_flow(120.0, rise_m=1.5, **hose).pressure_kpa, 1)
    57.7
    """
    _check_positive(viscosity_mm2_s=viscosity_mm2_s, laminar_below=laminar_below)
    if not (math.isfinite(wanted_ml_min) and wanted_ml_min >= 0):
        raise ValueError(f"wanted_ml_min must be 0 or more; given {wanted_ml_min}")
    conductance = hose_conductance(density_kg_m3=density_kg_m3, hose_m=hose_m, bore_mm=bore_mm)
    pressure = wanted_ml_min * viscosity_mm2_s / conductance
    pressure += static_pressure_kpa(density_kg_m3=density_kg_m3, rise_m=rise_m)
    return _pipe_flow(wanted_ml_min, pressure, viscosity_mm2_s, bore_mm, laminar_below)


def _check_positive(**figures: float) -> None:
    wrong = {name: figure for name, figure in figures.items() if not (math.isfinite(figure) and figure > 0)}
    if wrong:
        raise ValueError(f"these must be finite and above 0; given {wrong}")


def _pipe_flow(flow: float, pressure: float, viscosity: float, bore_mm: float, laminar_below: float) -> PipeFlow:
    speed = flow / 6e7 / (math.pi / 4.0 * (bore_mm * 1e-3) ** 2)
    reynolds = speed * bore_mm * 1e-3 / (viscosity * 1e-6)
    return PipeFlow(
        flow_ml_min=flow,
        pressure_kpa=pressure,
        speed_m_s=speed,
        reynolds=reynolds,
        laminar=reynolds < laminar_below,
    )
