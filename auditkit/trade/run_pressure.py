"""Run pressure: what a once-a-second record of pot pressure says of one run.

References
----------
[1] P. D. Welch (1967), IEEE Trans. Audio Electroacoust. 15:70-73.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["GAP_S", "RunPressure", "summarise_run"]

GAP_S = 3.0
"""Readings farther apart are a drop-out of the logger `[s]`; the log is of one reading a second."""

LEAST_READINGS = 64
"""Fewer readings show no pulsing `[-]`."""

MOST_FILLED = 0.10
"""Share of a run's seconds that may be filled in before its pulsing is not read `[-]`."""

LONGEST_PULSE_S = 120.0
"""A slower swing is a setting that was changed or a pot that sank, and no pulsing `[s]`; ours, no source."""

_SEGMENT_S = 512

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class RunPressure:
    """The log of one run, summed up.

    Attributes
    ----------
    n : int
        Readings used: those neither blank nor 0.
    median_kpa, low_kpa, high_kpa : float
        Median, 5th and 95th percentile `[kPa]`; not a number without readings.
    outside_pct : float
        Share of the readings outside the window `[%]`; not a number without one.
    pulse_period_s : float
        Period of at most `LONGEST_PULSE_S` that carries most of the swing
        `[s]`; not a number where it cannot be read.
    pulse_share_pct : float
        Share of the variance about the trend at that period `[%]`. Mere
        noise gives a few per cent in a long run.
    gaps : int
        Stretches over `GAP_S` without a reading used, at either end too.
    gap_s : float
        Their length together `[s]`.
    zeros, blanks : int
        Readings of 0 or less, and readings without a figure.
    """

    n: int
    median_kpa: float
    low_kpa: float
    high_kpa: float
    outside_pct: float
    pulse_period_s: float
    pulse_share_pct: float
    gaps: int
    gap_s: float
    zeros: int
    blanks: int


def summarise_run(
    seconds: npt.ArrayLike,
    pot_kpa: npt.ArrayLike,
    *,
    run_s: float,
    low: float | None = None,
    high: float | None = None,
) -> RunPressure:
    """Return the median, spread, pulsing and drop-outs of one run's readings.

    Parameters
    ----------
    seconds : array_like
        Times of the readings since the run's start, rising `[s]`.
    pot_kpa : array_like
        Readings, NaN where blank `[kPa]`.
    run_s : float
        Length of the run `[s]`.
    low, high : float, optional
        Window `[kPa]`; a reading at a limit is inside.

    Raises
    ------
    ValueError
        The two differ in length, or times do not rise.

    Notes
    -----
    Pulsing is read from Welch's spectrum of the series on a grid of one second,
    gaps bridged by straight lines, the trend of each segment taken off. One reading a
    second shows no period under 2 s: a faster pulse shows under a false one.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> t = np.arange(600.0)
    >>> summary = summarise_run(t, 40 + 2 * np.sin(2 * np.pi * t / 16), run_s=600, low=34, high=41)
    >>> round(summary.median_kpa, 1), round(summary.pulse_period_s, 1), round(summary.pulse_share_pct)
    (40.0, 16.0, 100)
    """
    times, values = np.asarray(seconds, dtype=float), np.asarray(pot_kpa, dtype=float)
    if times.shape != values.shape or times.ndim != 1:
        raise ValueError(f"seconds and pot_kpa must be rows of equal length; given {times.shape} and {values.shape}")
    if (np.diff(times) <= 0).any():
        raise ValueError("seconds must rise from reading to reading; sort them, and keep one reading of each time")
    blank = np.isnan(values)
    zero = values <= 0
    times, used = times[~blank & ~zero], values[~blank & ~zero]
    steps = np.diff(np.concatenate([[0.0], times, [run_s]]))
    low_kpa, median, high_kpa = np.percentile(used, [5, 50, 95]) if len(used) else (np.nan, np.nan, np.nan)
    period, share = _pulsing(times, used)
    return RunPressure(
        n=len(used),
        median_kpa=float(median),
        low_kpa=float(low_kpa),
        high_kpa=float(high_kpa),
        outside_pct=_outside_pct(used, low=low, high=high),
        pulse_period_s=period,
        pulse_share_pct=share,
        gaps=int((steps > GAP_S).sum()),
        gap_s=float(steps[steps > GAP_S].sum()),
        zeros=int(zero.sum()),
        blanks=int(blank.sum()),
    )


def _outside_pct(used: Floats, *, low: float | None, high: float | None) -> float:
    if (low is None and high is None) or not len(used):
        return float("nan")
    below = used < (-np.inf if low is None else low)
    above = used > (np.inf if high is None else high)
    return 100.0 * float((below | above).mean())


def _pulsing(times: Floats, values: Floats) -> tuple[float, float]:
    """Return the period [s] that carries most of the swing, and its share of the variance [%]."""
    from scipy.signal import welch

    unread = float("nan"), float("nan")
    if len(values) < LEAST_READINGS:
        return unread
    grid = np.arange(times[0], times[-1] + 0.5)
    if len(values) < (1.0 - MOST_FILLED) * len(grid):
        return unread
    series = np.interp(grid, times, values)
    frequency, power = welch(series, fs=1.0, nperseg=min(len(series), _SEGMENT_S), detrend="linear")
    total = float(power[1:].sum())
    if total <= 1e-12 * float(values.mean()) ** 2:
        return unread
    # a trend taken off leaves nothing to see in the two lowest bins; a Hann window spreads a line over three
    inner = power[1:-1]
    crest = np.concatenate([[False], (inner > power[:-2]) & (inner >= power[2:]), [False]])
    crest[:2] = False
    crest &= frequency >= 1.0 / LONGEST_PULSE_S
    if not crest.any():
        return unread
    peak = int(np.where(crest, power, -1.0).argmax())
    share = 100.0 * float(power[peak - 1 : peak + 2].sum()) / total
    return 1.0 / _peak_frequency(frequency, power, peak), share


def _peak_frequency(frequency: Floats, power: Floats, peak: int) -> float:
    """Return the frequency of a peak, by the parabola through the logarithms of it and its neighbours."""
    left, centre, right = np.log(np.maximum(power[peak - 1 : peak + 2], 1e-300))
    bend = float(left - 2.0 * centre + right)
    shift = 0.5 * float(left - right) / bend if bend < 0 else 0.0
    return float(frequency[peak]) + shift * float(frequency[1] - frequency[0])
