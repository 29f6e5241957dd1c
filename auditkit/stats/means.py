"""The mean of a few independent values, with its interval."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from auditkit.stats.intervals import Interval
from auditkit.stats.rows import check_confidence

__all__ = ["mean_interval"]


def mean_interval(values: npt.ArrayLike, *, confidence: float = 0.95) -> Interval | None:
    """Return the mean of independent values with Student's interval, or None where there are fewer than two.

    Missing values are left out.

    Parameters
    ----------
    values : array_like
        One value a unit of observation.
    confidence : float
        Confidence of the interval `[-]`.

    References
    ----------
    JCGM 100:2008, 4.4.3: twenty readings have the mean 100.14 and the standard uncertainty 0.33.

    Examples
    --------
    >>> interval = mean_interval([1.0, 2.0, 3.0])
    >>> round(interval.estimate, 3), round(interval.low, 3), round(interval.high, 3)
    (2.0, -0.484, 4.484)
    """
    check_confidence(confidence)
    array = np.asarray(values, dtype=np.float64)
    array = array[~np.isnan(array)]
    if len(array) < 2:
        return None
    from scipy.stats import t

    mean = float(array.mean())
    error = float(array.std(ddof=1)) / len(array) ** 0.5
    half = float(t.ppf((1 + confidence) / 2, len(array) - 1)) * error
    return Interval(
        estimate=mean, low=mean - half, high=mean + half, n=len(array), confidence=confidence, method="Student's t"
    )
