"""Drift: charts with a memory, which see small lasting shifts sooner.

References
----------
[1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (cusum) and
    6.3.2.4 (EWMA).
[2] J. M. Lucas and M. S. Saccucci (1990), Technometrics 32:1-12.
[3] J. M. Lucas and R. B. Crosier (1982), Technometrics 24:199-205 (head start).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from auditkit.stats.rows import finite_values

__all__ = ["cusum_chart", "ewma_chart"]


def ewma_chart(
    values: object, *, target: float, sd: float, weight: float = 0.2, width: float = 3.0, limits: str = "exact"
) -> pd.DataFrame:
    """Return the chart of the exponentially weighted moving average.

    Parameters
    ----------
    values : sequence of float
        In order.
    target : float
        Where the average starts, and the centre line.
    sd : float
        Standard deviation of one value, from data in control; above 0.
    weight : float
        Of the newest value, above 0 and not above 1.
    width : float
        Distance of the limits in standard deviations of the average.
    limits : {'exact', 'steady'}
        Those of each point, narrower at the start, or those approached later.

    Returns
    -------
    DataFrame
        point (1, 2, ...), value, average, centre, low, high, signal.

    Raises
    ------
    ValueError
        A figure is out of its range.

    References
    ----------
    [1]_ 6.3.2.4; [2]_ for exact limits.

    Examples
    --------
    >>> chart = ewma_chart([52.0, 47.0], target=50, sd=2, weight=0.3)
    >>> chart["average"].round(2).tolist()
    [50.6, 49.52]
    """
    data = finite_values(values, at_least=1)
    if not sd > 0:
        raise ValueError(f"sd must be above 0; given {sd}")
    if not 0.0 < weight <= 1.0:
        raise ValueError(f"weight must be above 0 and not above 1; given {weight}")
    if not width > 0:
        raise ValueError(f"width must be above 0; given {width}")
    if limits not in ("exact", "steady"):
        raise ValueError(f"limits must be 'exact' or 'steady'; given {limits!r}")
    averages = []
    average = float(target)
    for value in data:
        average = weight * float(value) + (1.0 - weight) * average  # [1]
        averages.append(average)
    points = np.arange(1, len(data) + 1)
    growth = 1.0 - (1.0 - weight) ** (2 * points) if limits == "exact" else np.ones(len(data))
    reach = width * sd * np.sqrt(weight / (2.0 - weight) * growth)
    frame = pd.DataFrame(
        {
            "point": points,
            "value": data,
            "average": averages,
            "centre": float(target),
            "low": target - reach,
            "high": target + reach,
        }
    )
    frame["signal"] = (frame["average"] < frame["low"]) | (frame["average"] > frame["high"])
    return frame


def cusum_chart(
    values: object, *, target: float, reference: float, decision: float, head_start: float = 0.0
) -> pd.DataFrame:
    """Return the tabular cusum: sums of what lies beyond the target by more than the reference.

    Parameters
    ----------
    values : sequence of float
        In order.
    target : float
        Where the values should lie.
    reference : float
        Half the shift to be seen, in the unit of the values; 0 or more.
    decision : float
        A sum above this is a signal; above 0.
    head_start : float
        Where both sums start, for a quick signal after a restart.

    Returns
    -------
    DataFrame
        point (1, 2, ...), value, upper_sum, lower_sum (both 0 or more),
        decision, signal, side ('above', 'below', 'both' or blank).

    Raises
    ------
    ValueError
        A figure is out of its range.

    References
    ----------
    [1]_ 6.3.2.3; [3]_ for the head start.

    Examples
    --------
    >>> cusum_chart([10, 11, 12, 12], target=10, reference=0.5, decision=3)["upper_sum"].tolist()
    [0.0, 0.5, 2.0, 3.5]
    """
    data = finite_values(values, at_least=1)
    if reference < 0 or not decision > 0 or not 0 <= head_start < decision:
        raise ValueError(
            "reference must be 0 or more, decision above 0 and head_start from 0 to below it; "
            f"given {reference}, {decision}, {head_start}"
        )
    upper, lower = float(head_start), float(head_start)
    uppers, lowers = [], []
    for value in data:
        upper = max(0.0, upper + float(value) - target - reference)  # [1]
        lower = max(0.0, lower + target - reference - float(value))
        uppers.append(upper)
        lowers.append(lower)
    frame = pd.DataFrame(
        {
            "point": np.arange(1, len(data) + 1),
            "value": data,
            "upper_sum": uppers,
            "lower_sum": lowers,
            "decision": float(decision),
        }
    )
    above, below = frame["upper_sum"] > decision, frame["lower_sum"] > decision
    frame["signal"] = above | below
    frame["side"] = np.select([above & below, above, below], ["both", "above", "below"], default="")
    return frame
