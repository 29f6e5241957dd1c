"""Uncertainty: what a measured or computed value is worth, by the GUM's budget.

References
----------
[1] JCGM 100:2008, Evaluation of measurement data - Guide to the expression of
    uncertainty in measurement (GUM).
[2] R. Willink (2007), Metrologia 44:340-349 (correlated inputs with the same
    degrees of freedom).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.quantities import Quantity
from auditkit.stats.rows import check_confidence

__all__ = ["Budget", "combine", "sensitivities"]

Floats = npt.NDArray[np.float64]
Model = Callable[..., float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Budget:
    """A value with its uncertainty and where that comes from.

    Attributes
    ----------
    value : float
        The model at the best estimates.
    standard_uncertainty : float
        Combined, correlations included.
    effective_df : float
        Welch-Satterthwaite, not rounded; infinite where every input is known.
    coverage_factor : float
        Student's t for the effective degrees of freedom rounded down.
    expanded_uncertainty : float
        Coverage factor times standard uncertainty.
    low, high : float
        Value minus and plus the expanded uncertainty.
    contributions : DataFrame
        One row per input: name, value, standard_uncertainty, df, sensitivity,
        contribution (signed, unit of the result), share_pct (of the combined
        variance; with correlations the shares need not add to 100).
    second_order : bool
        Whether second-order terms are in.
    notes : tuple of str
    """

    value: float
    standard_uncertainty: float
    effective_df: float
    coverage_factor: float
    expanded_uncertainty: float
    low: float
    high: float
    confidence: float
    contributions: pd.DataFrame
    second_order: bool
    method: str
    notes: tuple[str, ...]


def sensitivities(model: Model, *, inputs: Mapping[str, Quantity]) -> dict[str, float]:
    """Return how far the result moves per unit of each input, by central differences.

    Five points, from one standard uncertainty below the input to one above,
    so that the step fits the input; exact for models up to the fourth degree.

    Parameters
    ----------
    model : callable
        Takes the inputs by name and returns a number.
    inputs : mapping of str to Quantity

    Returns
    -------
    dict
        Name to partial derivative.

    Raises
    ------
    ValueError
        The model does not return a finite number.

    References
    ----------
    [1]_ 5.1.3, note 2 (there with two points).

    Examples
    --------
    >>> inputs = {
    ...     "u": Quantity(value=6.0, standard_uncertainty=0.1),
    ...     "i": Quantity(value=2.0, standard_uncertainty=0.1),
    ... }
    >>> {name: round(c, 3) for name, c in sensitivities(lambda u, i: u * i, inputs=inputs).items()}
    {'u': 2.0, 'i': 6.0}
    """
    centre = {name: quantity.value for name, quantity in inputs.items()}
    out = {}
    for name, quantity in inputs.items():
        half = _step(quantity) / 2.0
        near, far = (
            _evaluate(model, centre | {name: quantity.value + k * half})
            - _evaluate(model, centre | {name: quantity.value - k * half})
            for k in (1, 2)
        )
        out[name] = (8.0 * near - far) / (12.0 * half)
    return out


def combine(
    model: Model,
    *,
    inputs: Mapping[str, Quantity],
    correlations: Mapping[tuple[str, str], float] | None = None,
    coefficients: Mapping[str, float] | None = None,
    second_order: bool = False,
    confidence: float = 0.95,
) -> Budget:
    """Return the budget of a result computed from uncertain inputs.

    Parameters
    ----------
    model : callable
        Takes the inputs by name and returns a number.
    inputs : mapping of str to Quantity
    correlations : mapping of (str, str) to float, optional
        Pairs not named are taken as uncorrelated.
    coefficients : mapping of str to float, optional
        Sensitivities, where they are known; otherwise by central differences.
    second_order : bool
        Add the second-order terms, which matter where a first-order
        coefficient vanishes. They are defined for uncorrelated inputs only.
    confidence : float

    Returns
    -------
    Budget

    Raises
    ------
    ValueError
        A name is unknown, a correlation impossible, or second-order terms are
        asked for correlated inputs.

    Notes
    -----
    Correlated inputs enter the Welch-Satterthwaite formula as one block with
    the smallest degrees of freedom among them. That is exact for inputs read
    together, and on the safe side otherwise.

    References
    ----------
    [1]_ Eq. 10, 13, G.2b, note to 5.1.2; [2]_ for correlated inputs.

    Examples
    --------
    >>> inputs = {
    ...     "wet": Quantity(value=150.0, standard_uncertainty=5.0, df=10),
    ...     "solids": Quantity(value=0.48, standard_uncertainty=0.01),
    ... }
    >>> budget = combine(lambda wet, solids: wet * solids, inputs=inputs)
    >>> round(budget.value, 1), round(budget.standard_uncertainty, 2), round(budget.coverage_factor, 2)
    (72.0, 2.83, 2.09)
    """
    from scipy.stats import norm, t

    check_confidence(confidence)
    if not inputs:
        raise ValueError("at least one input is needed; given none")
    names = list(inputs)
    matrix = _correlation_matrix(names, correlations or {})
    given = sensitivities(model, inputs=inputs) if coefficients is None else _given(names, coefficients)
    uncertainty = np.array([inputs[name].standard_uncertainty for name in names])
    parts = np.array([given[name] for name in names]) * uncertainty
    variance = float(parts @ matrix @ parts)  # [1] Eq. 16
    notes: list[str] = []
    if second_order:
        if np.any(matrix != np.eye(len(names))):
            raise ValueError("second-order terms are defined for uncorrelated inputs; leave correlations or them out")
        extra = _second_order(model, inputs)
        variance += extra
        notes.append(f"second-order terms add {math.sqrt(max(extra, 0.0)):.4g} in quadrature")
    combined = math.sqrt(max(variance, 0.0))
    freedom = np.array([inputs[name].df for name in names])
    effective = _effective_df(parts, matrix, freedom, variance)
    if np.any(matrix != np.eye(len(names))) and np.isfinite(freedom).any():
        notes.append("correlated inputs share the smallest degrees of freedom among them")
    tail = (1.0 - confidence) / 2.0
    factor = float(norm.isf(tail)) if math.isinf(effective) else float(t.isf(tail, max(math.floor(effective), 1)))
    value = _evaluate(model, {name: inputs[name].value for name in names})
    return Budget(
        value=value,
        standard_uncertainty=combined,
        effective_df=effective,
        coverage_factor=factor,
        expanded_uncertainty=factor * combined,
        low=value - factor * combined,
        high=value + factor * combined,
        confidence=confidence,
        contributions=pd.DataFrame(
            {
                "name": names,
                "value": [inputs[name].value for name in names],
                "standard_uncertainty": uncertainty,
                "df": freedom,
                "sensitivity": [given[name] for name in names],
                "contribution": parts,
                "share_pct": 100.0 * parts**2 / variance if variance > 0 else np.nan,
            }
        ),
        second_order=second_order,
        method="law of propagation of uncertainty, Welch-Satterthwaite, degrees of freedom rounded down",
        notes=tuple(notes),
    )


def _evaluate(model: Model, values: Mapping[str, float]) -> float:
    """Return the model at the values, refusing what is not a finite number."""
    result = float(model(**values))
    if not math.isfinite(result):
        raise ValueError(f"the model must give a finite number; at {dict(values)} it gave {result}")
    return result


def _step(quantity: Quantity) -> float:
    """Return the step of a difference: the standard uncertainty, or a small one where that is 0."""
    return quantity.standard_uncertainty or 1e-6 * max(abs(quantity.value), 1.0)


def _given(names: Sequence[str], coefficients: Mapping[str, float]) -> dict[str, float]:
    """Return the sensitivities that were given, one for each input."""
    if set(coefficients) != set(names):
        raise ValueError(f"coefficients must name every input and no other: {list(names)}; given {list(coefficients)}")
    return {name: float(coefficients[name]) for name in names}


def _correlation_matrix(names: Sequence[str], correlations: Mapping[tuple[str, str], float]) -> Floats:
    """Return the correlations as a matrix, checked."""
    matrix = np.eye(len(names))
    place = {name: i for i, name in enumerate(names)}
    for (first, second), value in correlations.items():
        if first not in place or second not in place or first == second:
            raise ValueError(f"a correlation must name two different inputs of {list(names)}; given {(first, second)}")
        i, j = place[first], place[second]
        if matrix[i, j] not in (0.0, value):
            raise ValueError(f"the correlation of {first!r} and {second!r} was given twice: {matrix[i, j]} and {value}")
        matrix[i, j] = matrix[j, i] = value
    if np.linalg.eigvalsh(matrix).min() < -1e-9:
        raise ValueError(f"the correlations cannot all hold at once: {dict(correlations)} give a negative variance")
    return matrix


def _effective_df(parts: Floats, matrix: Floats, freedom: Floats, variance: float) -> float:
    """Return Welch-Satterthwaite degrees of freedom, correlated inputs taken as blocks."""
    from scipy.sparse.csgraph import connected_components

    _, block = connected_components(matrix != 0, directed=False)
    doubt = 0.0
    for label in np.unique(block):
        own = block == label
        share = float(parts[own] @ matrix[np.ix_(own, own)] @ parts[own])
        doubt += share**2 / float(freedom[own].min())  # [1] Eq. G.2b, [2]
    return variance**2 / doubt if doubt > 0 else math.inf


def _second_order(model: Model, inputs: Mapping[str, Quantity]) -> float:
    """Return the second-order addition to the variance, note to [1] 5.1.2, by differences."""
    names = [name for name, quantity in inputs.items() if quantity.standard_uncertainty > 0]
    centre = {name: quantity.value for name, quantity in inputs.items()}
    steps = {name: inputs[name].standard_uncertainty for name in names}

    def at(moves: Mapping[str, int]) -> float:
        return _evaluate(model, centre | {name: centre[name] + moves[name] * steps[name] for name in moves})

    total = 0.0
    for first in names:
        slope = (at({first: 1}) - at({first: -1})) / 2.0
        for second in names:
            if first == second:
                mixed = at({first: 1}) - 2.0 * at({}) + at({first: -1})
                third = (at({first: 2}) - 2.0 * at({first: 1}) + 2.0 * at({first: -1}) - at({first: -2})) / 2.0
            else:
                plus = {j: (at({first: 1, second: j}) - at({first: -1, second: j})) / 2.0 for j in (-1, 0, 1)}
                mixed = (plus[1] - plus[-1]) / 2.0
                third = plus[1] - 2.0 * plus[0] + plus[-1]
            total += 0.5 * mixed**2 + slope * third  # each difference carries its own powers of u
    return total
