"""One estimate with its interval, the form every method of this floor returns."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Interval"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Interval:
    """An estimate and the interval that goes with it.

    Parameters
    ----------
    estimate : float
        The estimate, in the unit of the quantity.
    low, high : float
        Ends of the interval, in the same unit.
    n : int
        Number of observations it rests on.
    confidence : float
        Confidence of the interval, between 0 and 1 `[-]`.
    method : str
        How the interval was computed.

    Examples
    --------
    >>> Interval(estimate=0.31, low=0.26, high=0.37, n=263, confidence=0.95, method="Wilson score").high
    0.37
    """

    estimate: float
    low: float
    high: float
    n: int
    confidence: float
    method: str
