"""Repeated series: the same value again and again, or the same values in two places, and how often chance does that.

The honest model: values are normal about the level of their spot, spots about
the level of their place, places about a common level, and every value is
rounded to the step it was read to. Where the steps lie against the levels is
arbitrary.

References
----------
[1] Plain probability; the rounding follows W. F. Sheppard (1898), Proc. London
    Math. Soc. 29:353-380, in that the phase of the grid is taken as uniform.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["chance_of_equal_run", "chance_of_match", "equal_runs", "matching_stretches"]

Floats = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]

_POINTS = 601
_REACH = 7.0


def equal_runs(codes: Sequence[int], *, series: Sequence[int], at_least: int = 2) -> pd.DataFrame:
    """Return the stretches over which a value does not change.

    Parameters
    ----------
    codes : sequence of int
        Values as whole numbers of steps, in order.
    series : sequence of int
        Series of each value; a stretch does not go from one to the next.
    at_least : int
        Shortest stretch returned.

    Returns
    -------
    DataFrame
        In order: start (position), length, code.

    Raises
    ------
    ValueError
        The two are not of one length.

    Examples
    --------
    >>> equal_runs([7, 7, 7, 8, 8, 8], series=[0, 0, 0, 0, 1, 1]).values.tolist()
    [[0, 3, 7], [4, 2, 8]]
    """
    values, home = _in_order(codes, series)
    if len(values) == 0:
        return pd.DataFrame({"start": [], "length": [], "code": []}, dtype="int64")
    new = np.ones(len(values), dtype=bool)
    new[1:] = (np.diff(values) != 0) | (np.diff(home) != 0)
    start = np.flatnonzero(new)
    length = np.diff(np.append(start, len(values)))
    frame = pd.DataFrame({"start": start, "length": length, "code": values[start]})
    return frame[frame["length"] >= at_least].reset_index(drop=True)


def matching_stretches(
    codes: Sequence[int], *, series: Sequence[int], at_least: int = 6, distinct: int = 3
) -> pd.DataFrame:
    """Return pairs of stretches that hold the same values in the same order.

    Parameters
    ----------
    codes : sequence of int
        Values as whole numbers of steps, in order.
    series : sequence of int
        Series of each value; a stretch does not go from one to the next.
    at_least : int
        Shortest stretch returned.
    distinct : int
        Different values the first `at_least` values must hold; a value that
        does not change is another matter.

    Returns
    -------
    DataFrame
        first, second (positions, first < second), length; each as long as it
        goes, the two never overlapping; sorted by first and second.

    Raises
    ------
    ValueError
        The two are not of one length, or `at_least` is under two.

    Examples
    --------
    >>> codes = [1, 2, 3, 9, 9, 1, 2, 3, 4]
    >>> matching_stretches(codes, series=[0] * 5 + [1] * 4, at_least=3).values.tolist()
    [[0, 5, 3]]
    """
    if at_least < 2:
        raise ValueError(f"at_least must be 2 or more; given {at_least}")
    values, home = _in_order(codes, series)
    windows: dict[tuple[int, ...], list[int]] = defaultdict(list)
    for start in range(len(values) - at_least + 1):
        if home[start] == home[start + at_least - 1]:
            window = tuple(values[start : start + at_least].tolist())
            if len(set(window)) >= distinct:
                windows[window].append(start)
    found = []
    for starts in windows.values():
        for i, first in enumerate(starts):
            for second in starts[i + 1 :]:
                if not _goes_back(values, home, first, second, at_least):
                    length = _length(values, home, first, second)
                    if length >= at_least:
                        found.append((first, second, length))
    return pd.DataFrame(sorted(found), columns=["first", "second", "length"]).astype("int64")


def chance_of_equal_run(sizes: Sequence[int], *, within_sd: float, between_sd: float, step: float) -> float:
    """Return the probability that values of successive spots are all read as the same `[-]`.

    Parameters
    ----------
    sizes : sequence of int
        Values in each spot the stretch runs through.
    within_sd, between_sd : float
        Standard deviation of a value about its spot's level, and of spots
        about their place's level; 0 or more.
    step : float
        Step the values were read to.

    Returns
    -------
    float
        Of a stretch that starts at a given value.

    Raises
    ------
    ValueError
        A figure is out of its range.

    References
    ----------
    [1]_ of the module: (1 / step) times the integral over the level m of the
    product over spots of E[(Phi((step/2 - s) / within) - Phi((-step/2 - s) /
    within))^n], s normal about m.

    Examples
    --------
    >>> round(chance_of_equal_run([2], within_sd=1.0, between_sd=0.0, step=0.1), 4)  # near 0.1 / (2 sqrt(pi))
    0.0282
    """
    _check_model(sizes, step, within_sd, between_sd)
    half = step / 2.0

    def in_cell(level: Floats) -> Floats:
        if within_sd == 0:
            return np.asarray(np.abs(level) <= half, dtype=float)
        return np.asarray(_phi((half - level) / within_sd) - _phi((-half - level) / within_sd))

    width = _REACH * (within_sd + between_sd) + step
    level = np.linspace(-width, width, _points(width, min(x for x in (within_sd, between_sd, step) if x > 0)))
    product = _product(level, sizes, in_cell, between_sd)
    return float(min(1.0, np.trapezoid(product, level) / step))


def chance_of_match(
    sizes: Sequence[int], *, within_sd: float, between_sd: float, outer_sd: float, step: float
) -> float:
    """Return the probability that two places are read alike, value for value `[-]`.

    Parameters
    ----------
    sizes : sequence of int
        Values in each spot the stretch runs through.
    within_sd, between_sd, outer_sd : float
        Standard deviation of a value about its spot's level, of spots about
        their place's level and of places about the common level; 0 or more.
    step : float
        Step the values were read to.

    Returns
    -------
    float
        Of two stretches that start at given values of two places.

    Raises
    ------
    ValueError
        A figure is out of its range.

    References
    ----------
    [1]_ of the module: two values that lie d apart are read as the same with
    probability max(0, 1 - |d| / step), d normal.

    Examples
    --------
    >>> one = chance_of_match([1], within_sd=1.0, between_sd=0.0, outer_sd=0.0, step=0.1)
    >>> six = chance_of_match([1] * 6, within_sd=1.0, between_sd=0.0, outer_sd=0.0, step=0.1)
    >>> round(one, 4), math.isclose(six, one**6, rel_tol=1e-3)
    (0.0282, True)
    """
    _check_model(sizes, step, within_sd, between_sd)
    if outer_sd < 0:
        raise ValueError(f"standard deviations must be 0 or more; given {outer_sd}")
    double = math.sqrt(2.0)
    read, spot, place = double * within_sd, double * between_sd, double * outer_sd

    def alike(apart: Floats) -> Floats:
        return _triangle(apart, read, step)

    width = _REACH * (read + spot) + step
    apart = np.linspace(-width, width, _points(width, min(x for x in (read, spot, step) if x > 0)))
    product = _product(apart, sizes, alike, spot)
    if place < 3.0 * (apart[1] - apart[0]):  # narrower than the points can show
        return float(np.interp(0.0, apart, product))
    return float(min(1.0, np.trapezoid(product * _density(apart, place), apart)))


def _in_order(codes: Sequence[int], series: Sequence[int]) -> tuple[Whole, Whole]:
    values, home = np.asarray(codes, dtype=np.int64), np.asarray(series, dtype=np.int64)
    if values.shape != home.shape or values.ndim != 1:
        raise ValueError(f"each value must have its series; given {values.shape} values and {home.shape} series")
    return values, home


def _goes_back(values: Whole, home: Whole, first: int, second: int, at_least: int) -> bool:
    """Return whether the match began one value earlier, and was found there."""
    return bool(
        first > 0
        and home[first - 1] == home[first]
        and home[second - 1] == home[second]
        and values[first - 1] == values[second - 1]
        and second - first >= at_least
    )


def _length(values: Whole, home: Whole, first: int, second: int) -> int:
    length = 0
    while (
        second + length < len(values)
        and first + length < second
        and home[first + length] == home[first]
        and home[second + length] == home[second]
        and values[first + length] == values[second + length]
    ):
        length += 1
    return length


def _check_model(sizes: Sequence[int], step: float, *sds: float) -> None:
    if not sizes or min(sizes) < 1:
        raise ValueError(f"each spot must hold one value or more; given {list(sizes)}")
    if not step > 0:
        raise ValueError(f"step must be above 0; given {step}")
    if any(sd < 0 for sd in sds):
        raise ValueError(f"standard deviations must be 0 or more; given {list(sds)}")


def _points(width: float, finest: float) -> int:
    """Return an odd number of points that shows the finest feature."""
    return 2 * min(2000, max(_POINTS // 2, math.ceil(width / finest * 6.0))) + 1


def _product(level: Floats, sizes: Sequence[int], alike: Callable[[Floats], Floats], spread: float) -> Floats:
    """Return the product over spots of the mean probability at each level of the place."""
    chance = np.clip(alike(level), 0.0, 1.0)
    gap = float(level[1] - level[0])
    spread_out = {}
    for size in set(sizes):
        power = chance**size
        if spread > 0:
            offset = np.asarray(np.arange(-(len(level) - 1), len(level)) * gap, dtype=float)
            power = np.convolve(_density(offset, spread) * gap, power.ravel(), mode="valid").astype(float)
        spread_out[size] = power
    product = np.ones(len(level))
    for size in sizes:
        product = product * spread_out[size]
    return np.asarray(product)


def _triangle(apart: Floats, sd: float, step: float) -> Floats:
    """Return E max(0, 1 - |d| / step) for d normal about `apart`."""
    if sd == 0:
        return np.asarray(np.maximum(0.0, 1.0 - np.abs(apart) / step))

    def ramp(edge: Floats) -> Floats:
        """Return E max(0, edge + e), e normal about 0."""
        return np.asarray(edge * _phi(edge / sd) + sd**2 * _density(edge, sd))

    return np.asarray((ramp(apart + step) - 2.0 * ramp(apart) + ramp(apart - step)) / step)


def _phi(z: Floats) -> Floats:
    from scipy.special import ndtr

    return np.asarray(ndtr(z))


def _density(x: Floats, sd: float) -> Floats:
    return np.asarray(np.exp(-0.5 * (x / sd) ** 2) / (sd * math.sqrt(2.0 * math.pi)))
