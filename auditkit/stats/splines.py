"""Natural cubic splines: a smooth dose-response that is a straight line beyond its outer knots.

References
----------
.. [1] Hastie, T., Tibshirani, R. and Friedman, J. (2009). The Elements of Statistical Learning, 2nd edition,
   eqs. 5.4 and 5.5.
.. [2] Harrell, F. E. (2015). Regression Modeling Strategies, 2nd edition, section 2.4.5 and Table 2.3.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from auditkit.stats.rows import finite_values

__all__ = ["harrell_knots", "natural_spline"]

Floats = npt.NDArray[np.float64]

# [2] Table 2.3
_QUANTILES: dict[int, tuple[float, ...]] = {
    3: (0.10, 0.50, 0.90),
    4: (0.05, 0.35, 0.65, 0.95),
    5: (0.05, 0.275, 0.50, 0.725, 0.95),
    6: (0.05, 0.23, 0.41, 0.59, 0.77, 0.95),
    7: (0.025, 0.1833, 0.3417, 0.50, 0.6583, 0.8167, 0.975),
}


def harrell_knots(values: npt.ArrayLike, *, count: int = 4) -> tuple[float, ...]:
    """Return where to put the knots of a spline: at fixed quantiles of the values.

    Parameters
    ----------
    values : array_like
        What the spline will be of.
    count : {3, 4, 5, 6, 7}
        Number of knots; 4 for small samples.

    Returns
    -------
    tuple of float
        Rising, in the unit of the values.

    Raises
    ------
    ValueError
        The count is not tabled, or the values are so few or so often equal
        that two knots would fall together.

    References
    ----------
    [2]_ Table 2.3.

    Examples
    --------
    >>> [round(knot, 2) for knot in harrell_knots(range(101), count=4)]
    [5.0, 35.0, 65.0, 95.0]
    """
    if count not in _QUANTILES:
        raise ValueError(f"a spline has {min(_QUANTILES)} to {max(_QUANTILES)} knots; given {count}")
    array = finite_values(values, at_least=count)
    knots = np.quantile(array, _QUANTILES[count])
    if (np.diff(knots) <= 0).any():
        raise ValueError(
            f"{count} knots must lie apart, at the quantiles {_QUANTILES[count]}; the values have them at "
            f"{[float(k) for k in knots]}. Give fewer knots, or use the values as they are"
        )
    return tuple(float(knot) for knot in knots)


def natural_spline(values: npt.ArrayLike, *, knots: Sequence[float]) -> Floats:
    """Return the natural cubic spline basis of the values: one column fewer than there are knots.

    The first column is the values themselves, so that a straight line is one
    of the curves; there is no column for the constant. The other columns are
    divided by the square of the distance of the outer knots, which brings
    them to the unit of the values [2]_.

    Parameters
    ----------
    values : array_like, shape (n,)
    knots : sequence of float
        At least three, rising.

    Returns
    -------
    ndarray, shape (n, len(knots) - 1)

    Raises
    ------
    ValueError
        Fewer than three knots, or knots that do not rise.

    References
    ----------
    [1]_ eqs. 5.4 and 5.5; scaling as [2]_ section 2.4.5.

    Examples
    --------
    >>> natural_spline([0.0, 1.0, 2.0], knots=[0.0, 1.0, 2.0]).round(4).tolist()
    [[0.0, 0.0], [1.0, 0.25], [2.0, 1.5]]
    """
    array = finite_values(values, at_least=1)
    places = np.asarray(knots, dtype=np.float64)
    if len(places) < 3 or (np.diff(places) <= 0).any():
        raise ValueError(f"a natural spline needs three or more knots that rise; given {list(knots)}")
    last = _truncated(array, places[-2], places[-1])
    scale = (places[-1] - places[0]) ** 2
    curved = [
        (_truncated(array, knot, places[-1]) - last) * (places[-1] - knot) / scale for knot in places[:-2]
    ]  # [2] differs from [1] by the constant factor only
    return np.column_stack([array, *curved])


def _truncated(values: Floats, knot: float, last: float) -> Floats:
    """Return d_k(x), [1] eq. 5.5."""
    cubes = np.maximum(values - knot, 0.0) ** 3 - np.maximum(values - last, 0.0) ** 3
    return np.asarray(cubes / (last - knot), dtype=np.float64)
