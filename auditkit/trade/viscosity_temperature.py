"""Viscosity brought to one temperature, along a line through a coating's own measured points.

Paint thins as it warms, so cup times of a cold morning and a warm afternoon say
little of each other. No general figure is used: without measured points of the
coating nothing is corrected.

References
----------
.. [1] ASTM D341, log10 log10 (v + 0.7) = A - B log10 T (Walther's equation, T in kelvin), for v above 2 mm2/s.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["FARTHEST_K", "REFERENCE_C", "ViscosityLine", "viscosity_at", "viscosity_line"]

REFERENCE_C = 20.0
"""Temperature to which viscosities are brought `[C]`; our own choice."""

FARTHEST_K = 5.0
"""How far outside the measured points the line is still followed `[K]`; our own default, no source."""

LEAST_APART_K = 5.0
"""How far apart the measured points must lie at least `[K]`; our own default, no source."""

_LEAST_MM2_S = 2.0  # [1]: below, further terms are needed
_KELVIN = 273.15

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ViscosityLine:
    """How the viscosity of one coating goes with temperature.

    Attributes
    ----------
    intercept, slope : float
        A and B of the equation [1].
    from_c, to_c : float
        Coldest and warmest measured point `[C]`.
    n : int
        Points the line was laid through.
    """

    intercept: float
    slope: float
    from_c: float
    to_c: float
    n: int

    def holds_at(self, temp_c: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Return whether temperatures [C] are near enough to the measured points; a missing one is not."""
        temps = np.asarray(temp_c, dtype=float)
        return np.asarray((temps >= self.from_c - FARTHEST_K) & (temps <= self.to_c + FARTHEST_K))


def viscosity_line(points: Sequence[Mapping[str, float]]) -> ViscosityLine:
    """Return the line through the measured points of one coating, by least squares where there are more than two.

    Parameters
    ----------
    points : sequence of mapping
        temp_c `[C]` and mm2_s `[mm2/s]` of each.

    Raises
    ------
    ValueError
        There are fewer than two points, they lie too near one another, a
        viscosity is not above 2 mm2/s, or it does not fall as it gets warmer.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> line = viscosity_line([{"temp_c": 15, "mm2_s": 62}, {"temp_c": 25, "mm2_s": 41}])
    >>> round(line.slope, 2), line.from_c, line.to_c
    (3.04, 15.0, 25.0)
    """
    temps = np.array([float(point["temp_c"]) for point in points])
    viscosities = np.array([float(point["mm2_s"]) for point in points])
    if len(temps) < 2 or np.ptp(temps) < LEAST_APART_K:
        raise ValueError(
            f"two points at least {LEAST_APART_K:g} K apart are needed; given {temps.tolist()} C. Measure another"
        )
    if not (viscosities > _LEAST_MM2_S).all():
        raise ValueError(f"mm2_s must be above {_LEAST_MM2_S:g}; given {viscosities.min():g}. Is it in mm2/s?")
    x = np.log10(temps + _KELVIN)
    y = _walther(viscosities)
    slope = -float(((x - x.mean()) * (y - y.mean())).sum() / ((x - x.mean()) ** 2).sum())
    if slope <= 0:
        raise ValueError(
            f"viscosity must fall as the paint gets warmer; given {viscosities.tolist()} mm2/s at {temps.tolist()} C. "
            "Were two points exchanged?"
        )
    return ViscosityLine(
        intercept=float(y.mean() + slope * x.mean()),
        slope=slope,
        from_c=float(temps.min()),
        to_c=float(temps.max()),
        n=len(temps),
    )


def viscosity_at(
    viscosity_mm2_s: npt.ArrayLike, temp_c: npt.ArrayLike, *, line: ViscosityLine, target_c: float = REFERENCE_C
) -> Floats:
    """Return viscosities measured at one temperature as they would be at another [mm2/s].

    The paint in the pot may be thinned otherwise than the paint of the measured
    points: each viscosity keeps its own distance from their line, and is moved
    along the line's slope.

    Parameters
    ----------
    viscosity_mm2_s : array_like
        As measured `[mm2/s]`.
    temp_c : array_like
        Temperature of the paint when measured `[C]`.
    line : ViscosityLine
        Of the coating.
    target_c : float
        Temperature wanted `[C]`.

    Returns
    -------
    ndarray
        Missing where either is missing, where the paint or the target was
        farther than `FARTHEST_K` outside the measured points, and where a
        viscosity is not above 2 mm2/s `[mm2/s]`.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> line = viscosity_line([{"temp_c": 15, "mm2_s": 62}, {"temp_c": 25, "mm2_s": 41}])
    >>> viscosity_at([62.0, 80.0, 62.0], [15.0, 15.0, 9.0], line=line).round(1)
    array([50.1, 63.8,  nan])
    """
    measured, temps = np.broadcast_arrays(np.asarray(viscosity_mm2_s, dtype=float), np.asarray(temp_c, dtype=float))
    usable = (measured > _LEAST_MM2_S) & line.holds_at(temps) & line.holds_at(target_c)
    result = np.full(measured.shape, np.nan)
    height = _walther(measured[usable]) - line.slope * (
        np.log10(target_c + _KELVIN) - np.log10(temps[usable] + _KELVIN)
    )
    result[usable] = 10.0 ** (10.0**height) - 0.7
    return result


def _walther(viscosity: Floats) -> Floats:
    """Return log10 log10 (v + 0.7) [1]."""
    return np.asarray(np.log10(np.log10(viscosity + 0.7)))
