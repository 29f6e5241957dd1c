"""Variables sampling: accepting lots by mean and standard deviation against one limit.

The plans assume a normal spread and items drawn independently. Readings that
come in clusters (several of one place, several places of one part) are not
independent: the sample then tells less than its size says, and a plan used on
them promises what it does not keep. Use one value per cluster.

References
----------
[1] MIL-STD-414 / ANSI/ASQ Z1.9; the table is in `sampling_tables`.
[2] D. B. Owen (1963), Factors for One-Sided Tolerance Limits, Sandia SCR-607.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from auditkit.stats import sampling_tables as tables
from auditkit.stats.rows import finite_values

__all__ = ["VariablesPlan", "VariablesVerdict", "judge_variables", "variables_acceptance", "variables_plan"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class VariablesPlan:
    """A plan by variables, standard deviation unknown, one limit.

    Attributes
    ----------
    letter : str
        Letter of the plan used, where an arrow leads to another.
    n : int
    k : float
        Least number of standard deviations from the mean to the limit.
    aql : float
        `[pct nonconforming]`
    source, sure : str
        `sure` is 'seen' or 'from memory'.
    """

    letter: str
    n: int
    k: float
    aql: float
    source: str
    sure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class VariablesVerdict:
    """What a plan says of one sample.

    Attributes
    ----------
    accepted : bool
    quality_index, k : float
        Standard deviations from the mean to the limit, and the least wanted.
    mean, sd : float
    n : int
    sure : str
        As in the plan.
    """

    accepted: bool
    quality_index: float
    k: float
    mean: float
    sd: float
    n: int
    sure: str


def variables_plan(letter: str, *, aql: float) -> VariablesPlan:
    """Return the plan of a code letter of the variables scheme.

    Parameters
    ----------
    letter : str
        'B' to 'M'. The letters of the variables scheme are not those of the
        attributes scheme for the same lot.
    aql : {1.0, 1.5, 2.5, 4.0}
        `[pct nonconforming]`

    Returns
    -------
    VariablesPlan

    Raises
    ------
    ValueError
        The table held here does not carry the plan.

    References
    ----------
    [1]_ Table B-1.

    Examples
    --------
    >>> plan = variables_plan("F", aql=2.5)
    >>> plan.n, plan.k, plan.sure
    (10, 1.41, 'seen')
    """
    if letter not in tables.VARIABLES:
        raise ValueError(f"letter must be one of {list(tables.VARIABLES)}; given {letter!r}")
    size, row = tables.VARIABLES[letter]
    entry = row.get(aql)
    used = letter
    if isinstance(entry, str):
        used = entry
        size, row = tables.VARIABLES[entry]
        entry = row.get(aql)
    if not isinstance(entry, tuple):
        raise ValueError(
            f"the table held here has no plan for letter {letter} at AQL {aql}; it has {list(row)} for that letter. "
            "Take it from your copy of the standard"
        )
    return VariablesPlan(letter=used, n=size, k=entry[0], aql=aql, source=tables.VARIABLES_SOURCE, sure=entry[1])


def judge_variables(
    values: object, *, plan: VariablesPlan, lower: float | None = None, upper: float | None = None
) -> VariablesVerdict:
    """Return whether a sample is far enough from one limit.

    Parameters
    ----------
    values : sequence of float
        As many as the plan asks for, independent of one another.
    plan : VariablesPlan
    lower, upper : float, optional
        One limit; the k of the table are for a single one.

    Returns
    -------
    VariablesVerdict

    Raises
    ------
    ValueError
        Not exactly one limit, the wrong number of values, or no spread.

    References
    ----------
    [1]_: accept where (mean - L)/s or (U - mean)/s is at least k.

    Examples
    --------
    >>> plan = variables_plan("C", aql=1.0)
    >>> judge_variables([62.0, 64.0, 66.0, 68.0], plan=plan, lower=60.0).accepted
    True
    """
    if (lower is None) == (upper is None):
        raise ValueError("give one limit, lower or upper: the k of the table are for a single limit")
    data = finite_values(values, at_least=2)
    if len(data) != plan.n:
        raise ValueError(f"the plan of letter {plan.letter} asks for {plan.n} values; given {len(data)}")
    mean, sd = float(data.mean()), float(data.std(ddof=1))
    if sd == 0:
        raise ValueError("the values do not vary; a plan by variables cannot judge them")
    distance = mean - lower if lower is not None else float(upper or 0.0) - mean
    index = distance / sd
    return VariablesVerdict(
        accepted=index >= plan.k,
        quality_index=index,
        k=plan.k,
        mean=mean,
        sd=sd,
        n=len(data),
        sure=plan.sure,
    )


def variables_acceptance(fraction: npt.ArrayLike, *, n: int, k: float) -> Floats:
    """Return the probability that a plan by variables accepts a normal lot `[-]`.

    Parameters
    ----------
    fraction : array_like
        Fraction beyond the limit, strictly between 0 and 1.
    n : int
        Sample size, 2 or more.
    k : float

    Returns
    -------
    ndarray

    Raises
    ------
    ValueError
        A fraction or the sample size is out of its range.

    References
    ----------
    [2]_: the noncentral t distribution.

    Examples
    --------
    >>> float(variables_acceptance(0.025, n=10, k=1.41).round(3))
    0.9
    """
    from scipy.stats import nct, norm

    share = np.asarray(fraction, dtype=float)
    if not ((share > 0) & (share < 1)).all():
        raise ValueError("fractions must lie strictly between 0 and 1; percent must be divided by 100")
    if n < 2:
        raise ValueError(f"n must be 2 or more; given {n}")
    root = math.sqrt(n)
    return np.asarray(nct.sf(k * root, n - 1, norm.isf(share) * root))
