"""Quantities: inputs of an uncertainty budget, from readings, half-widths or certificates.

References
----------
[1] JCGM 100:2008, Evaluation of measurement data - Guide to the expression of
    uncertainty in measurement (GUM).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from auditkit.stats.rows import finite_values

__all__ = ["Quantity", "correlations_of", "quantity_from_half_width", "quantity_from_readings"]

_DIVISORS = {"rectangular": math.sqrt(3.0), "triangular": math.sqrt(6.0), "arcsine": math.sqrt(2.0)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One input of a budget.

    Parameters
    ----------
    value : float
        Best estimate.
    standard_uncertainty : float
        In the unit of the value, 0 or more.
    df : float
        Degrees of freedom of the uncertainty; infinite where it is taken as known.
    source : str
        Where it comes from.

    Raises
    ------
    ValueError
        A figure is not finite, the uncertainty is below 0, or df is not above 0.

    Examples
    --------
    >>> Quantity(value=50.0, standard_uncertainty=0.2).df
    inf
    """

    value: float
    standard_uncertainty: float
    df: float = math.inf
    source: str = ""

    def __post_init__(self) -> None:
        """Refuse figures that cannot be."""
        if not math.isfinite(self.value):
            raise ValueError(f"value must be a finite number; given {self.value}")
        if not (math.isfinite(self.standard_uncertainty) and self.standard_uncertainty >= 0):
            raise ValueError(f"standard_uncertainty must be 0 or more; given {self.standard_uncertainty}")
        if not self.df > 0:
            raise ValueError(f"df must be above 0; given {self.df}")


def quantity_from_readings(readings: Sequence[float], *, source: str = "") -> Quantity:
    """Return the mean of repeated readings with its type A uncertainty.

    Parameters
    ----------
    readings : sequence of float
        Two or more independent readings.
    source : str

    Returns
    -------
    Quantity
        Standard uncertainty s/sqrt(n) on n - 1 degrees of freedom.

    Raises
    ------
    ValueError
        Fewer than two readings, or one that is not finite.

    References
    ----------
    [1]_ 4.2.3.

    Examples
    --------
    >>> mean = quantity_from_readings([10.0, 12.0, 11.0, 11.0])
    >>> round(mean.standard_uncertainty, 4), mean.df
    (0.4082, 3.0)
    """
    values = finite_values(readings, at_least=2, what="readings")
    return Quantity(
        value=float(values.mean()),
        standard_uncertainty=float(values.std(ddof=1) / math.sqrt(len(values))),
        df=float(len(values) - 1),
        source=source,
    )


def quantity_from_half_width(
    value: float,
    *,
    half_width: float,
    distribution: str = "rectangular",
    relative_doubt: float = 0.0,
    source: str = "",
) -> Quantity:
    """Return an input known to lie within a half-width of its value.

    Parameters
    ----------
    value, half_width : float
        Same unit.
    distribution : {'rectangular', 'triangular', 'arcsine'}
        What is believed within the width.
    relative_doubt : float
        Relative uncertainty of the uncertainty itself; 0.25 gives 8 degrees of
        freedom, 0 infinitely many.
    source : str

    Returns
    -------
    Quantity

    Raises
    ------
    ValueError
        The distribution is unknown or a figure below 0.

    References
    ----------
    [1]_ 4.3.7 (rectangular), 4.3.9 (triangular), H.1.3.4 (arcsine), G.4.2 (doubt).

    Examples
    --------
    >>> round(quantity_from_half_width(20.0, half_width=1.0).standard_uncertainty, 4)
    0.5774
    >>> quantity_from_half_width(0.0, half_width=1.0, relative_doubt=0.25).df
    8.0
    """
    if distribution not in _DIVISORS:
        raise ValueError(f"distribution must be one of {list(_DIVISORS)}; given {distribution!r}")
    if half_width < 0 or relative_doubt < 0:
        raise ValueError(f"half_width and relative_doubt must be 0 or more; given {half_width} and {relative_doubt}")
    return Quantity(
        value=value,
        standard_uncertainty=half_width / _DIVISORS[distribution],
        df=0.5 / relative_doubt**2 if relative_doubt > 0 else math.inf,  # [1] Eq. G.3
        source=source,
    )


def correlations_of(readings: Mapping[str, Sequence[float]]) -> dict[tuple[str, str], float]:
    """Return the correlations of inputs that were read together, set by set.

    Parameters
    ----------
    readings : mapping of str to sequence of float
        Equally long; position i of each belongs to the same set.

    Returns
    -------
    dict
        Pair of names to correlation, for `combine`.

    Raises
    ------
    ValueError
        The sequences differ in length, or one does not vary.

    References
    ----------
    [1]_ 5.2.3 and H.2.

    Examples
    --------
    >>> round(correlations_of({"a": [1.0, 2.0, 3.0], "b": [2.0, 4.0, 6.5]})["a", "b"], 4)
    0.9979
    """
    names = list(readings)
    columns = [finite_values(readings[name], at_least=3, what=f"readings of {name}") for name in names]
    if len({len(column) for column in columns}) != 1:
        raise ValueError(f"inputs read together must have equally many readings; given {[len(c) for c in columns]}")
    flat = [name for name, column in zip(names, columns, strict=True) if np.ptp(column) == 0]
    if flat:
        raise ValueError(f"a correlation needs readings that vary; {flat} do not")
    matrix = np.corrcoef(columns)
    return {(names[i], names[j]): float(matrix[i, j]) for i in range(len(names)) for j in range(i + 1, len(names))}
