"""Climate beside the work: vapour pressure, dew point, and the margin of the metal above it.

References
----------
.. [1] WMO-No. 8, Guide to Meteorological Instruments and Methods of Observation, Annex 4.B.
   The constants over water were seen in an instrument manual that cites it;
   those over ice, and of the psychrometer, are from memory.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = [
    "dew_point",
    "psychrometer_vapour_pressure",
    "relative_humidity",
    "saturation_vapour_pressure",
    "saturation_vapour_pressure_ice",
    "surface_margin",
]

_E0_HPA = 6.112
_WATER = (17.62, 243.12)
_ICE = (22.46, 272.62)  # from memory

Floats = npt.NDArray[np.float64]


def saturation_vapour_pressure(temp_c: npt.ArrayLike) -> Floats:
    """Return the saturation vapour pressure over water [hPa].

    Parameters
    ----------
    temp_c : array_like
        Temperature, -45 to 60 `[C]`; missing values stay missing.

    Raises
    ------
    ValueError
        A temperature is outside the formula's range.

    References
    ----------
    WMO-No. 8, Annex 4.B.

    Examples
    --------
    >>> saturation_vapour_pressure([0.0, 20.0]).round(3)
    array([ 6.112, 23.326])
    """
    slope, shift = _WATER
    temp = _within(temp_c, -45, 60, name="temp_c", unit="C", why="the formula over water holds there")
    return _floats(_E0_HPA * np.exp(slope * temp / (shift + temp)))  # [1] Annex 4.B


def saturation_vapour_pressure_ice(temp_c: npt.ArrayLike) -> Floats:
    """Return the saturation vapour pressure over ice [hPa].

    Parameters
    ----------
    temp_c : array_like
        Temperature, -65 to 0 `[C]`; missing values stay missing.

    Raises
    ------
    ValueError
        A temperature is outside the formula's range.

    References
    ----------
    WMO-No. 8, Annex 4.B; constants from memory.

    Examples
    --------
    >>> saturation_vapour_pressure_ice([-10.0, 0.0]).round(3)
    array([2.599, 6.112])
    """
    slope, shift = _ICE
    temp = _within(temp_c, -65, 0, name="temp_c", unit="C", why="the formula over ice holds there")
    return _floats(_E0_HPA * np.exp(slope * temp / (shift + temp)))  # [1] Annex 4.B


def dew_point(air_temp_c: npt.ArrayLike, humidity_pct: npt.ArrayLike) -> Floats:
    """Return the dew point of the air, over water also below 0 C [C].

    Parameters
    ----------
    air_temp_c : array_like
        Air temperature, -45 to 60 `[C]`.
    humidity_pct : array_like
        Relative humidity, above 0 and at most 100 `[%]`. Missing values of
        either stay missing.

    Raises
    ------
    ValueError
        A temperature or humidity is outside its range.

    References
    ----------
    WMO-No. 8, Annex 4.B.

    Examples
    --------
    >>> dew_point([20.0, 10.0], [50.0, 85.0]).round(1)
    array([9.3, 7.6])
    """
    slope, shift = _WATER
    temp = _within(air_temp_c, -45, 60, name="air_temp_c", unit="C", why="the formula over water holds there")
    exponent = np.log(_humidity(humidity_pct) / 100) + slope * temp / (shift + temp)
    return _floats(shift * exponent / (slope - exponent))  # [1] Annex 4.B


def surface_margin(surface_temp_c: npt.ArrayLike, air_temp_c: npt.ArrayLike, humidity_pct: npt.ArrayLike) -> Floats:
    """Return how far the metal is above the dew point of the air [K].

    At least 3 K is asked for before painting (ISO 12944-7, from memory; trade
    pages say the same), and 5 F (2.8 K) in US practice (MIL-HDBK-1110, 9.6.6).

    Parameters
    ----------
    surface_temp_c : array_like
        Temperature of the metal `[C]`.
    air_temp_c, humidity_pct : array_like
        As for `dew_point`.

    Raises
    ------
    ValueError
        A temperature or humidity is outside its range.

    Examples
    --------
    >>> surface_margin([12.0], [20.0], [50.0]).round(1)
    array([2.7])
    """
    return _floats(np.asarray(surface_temp_c, dtype=float) - dew_point(air_temp_c, humidity_pct))


def psychrometer_vapour_pressure(
    dry_c: npt.ArrayLike, wet_c: npt.ArrayLike, *, pressure_hpa: npt.ArrayLike = 1013.25
) -> Floats:
    """Return the vapour pressure from an aspirated psychrometer with a wet bulb that is not iced [hPa].

    Parameters
    ----------
    dry_c, wet_c : array_like
        Dry and wet bulb `[C]`; the wet bulb may not be the warmer.
    pressure_hpa : array_like
        Pressure of the air `[hPa]`.

    Raises
    ------
    ValueError
        A wet bulb is warmer than its dry bulb, or outside the formula's range.

    References
    ----------
    WMO-No. 8, Annex 4.B; the psychrometer's constants are from memory.

    Examples
    --------
    >>> psychrometer_vapour_pressure([21.0], [17.0]).round(2)
    array([16.64])
    """
    dry, wet = np.asarray(dry_c, dtype=float), np.asarray(wet_c, dtype=float)
    if np.any(wet > dry):
        raise ValueError("wet_c must not be above dry_c; a wet bulb cannot be warmer. Were the two exchanged?")
    cooling = 6.53e-4 * (1 + 0.000944 * wet) * np.asarray(pressure_hpa, dtype=float) * (dry - wet)
    return _floats(saturation_vapour_pressure(wet) - cooling)  # [1] Annex 4.B


def relative_humidity(air_temp_c: npt.ArrayLike, vapour_pressure_hpa: npt.ArrayLike) -> Floats:
    """Return the relative humidity over water of air with a given vapour pressure [%].

    Parameters
    ----------
    air_temp_c : array_like
        Air temperature, -45 to 60 `[C]`.
    vapour_pressure_hpa : array_like
        Vapour pressure `[hPa]`.

    Raises
    ------
    ValueError
        A temperature is outside the formula's range.

    Examples
    --------
    >>> relative_humidity([21.0], psychrometer_vapour_pressure([21.0], [17.0])).round(0)
    array([67.])
    """
    return _floats(100 * np.asarray(vapour_pressure_hpa, dtype=float) / saturation_vapour_pressure(air_temp_c))


def _floats(values: npt.ArrayLike) -> Floats:
    return np.asarray(values, dtype=np.float64)


def _humidity(humidity_pct: npt.ArrayLike) -> Floats:
    humidity = _floats(humidity_pct)
    outside = humidity[(humidity <= 0) | (humidity > 100)]
    if outside.size:
        raise ValueError(
            f"humidity_pct must be above 0 and at most 100; given {outside[0]}. Is it a share instead of per cent?"
        )
    return humidity


def _within(values: npt.ArrayLike, low: float, high: float, *, name: str, unit: str, why: str) -> Floats:
    array = _floats(values)
    outside = array[(array < low) | (array > high)]
    if outside.size:
        raise ValueError(f"{name} must lie between {low} and {high} {unit}, since {why}; given {outside[0]}")
    return array
