"""Sampling: acceptance plans for lots by attributes, and what they accept.

References
----------
[1] MIL-STD-105E (1989); ISO 2859-1; the tables are in `sampling_tables`.
[2] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.2.3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats import sampling_tables as tables

__all__ = ["AttributesPlan", "acceptance_probability", "code_letter", "fraction_accepted", "oc_curve", "single_plan"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class AttributesPlan:
    """A single sampling plan by attributes.

    Attributes
    ----------
    code_letter, letter : str
        Letter of the lot size, and of the plan used where an arrow leads to
        another.
    n, accept, reject : int
        Sample size; accept the lot with up to `accept`, reject from `reject`.
    inspect_all : bool
        Whether the sample would be as large as the lot; `n` is then the lot.
    aql : float
        Acceptance quality limit `[pct nonconforming]`.
    level, severity, source, sure : str
        `sure` is 'seen' or 'from memory'.
    """

    code_letter: str
    letter: str
    n: int
    accept: int
    reject: int
    inspect_all: bool
    aql: float
    level: str
    severity: str
    source: str
    sure: str


def code_letter(lot_size: int, *, level: str = "II") -> str:
    """Return the sample size code letter of a lot.

    Parameters
    ----------
    lot_size : int
        Items, 2 or more.
    level : {'I', 'II', 'III'}
        General inspection level.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        The lot is smaller than 2 or the level unknown.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> code_letter(3000)
    'K'
    """
    if lot_size < 2:
        raise ValueError(f"a lot must hold 2 items or more; given {lot_size}")
    if level not in tables.LEVELS:
        raise ValueError(f"level must be one of {list(tables.LEVELS)}; given {level!r}")
    column = list(tables.LEVELS).index(level)
    return next(letters[column] for most, letters in tables.LETTERS if most is None or lot_size <= most)


def single_plan(lot_size: int, *, aql: float, level: str = "II", severity: str = "normal") -> AttributesPlan:
    """Return the single sampling plan of a lot, arrows followed.

    Parameters
    ----------
    lot_size : int
        Items, 2 or more.
    aql : {1.0, 2.5, 4.0}
        Acceptance quality limit `[pct nonconforming]`.
    level : {'I', 'II', 'III'}
    severity : {'normal', 'tightened'}
        Of tightened inspection only some letters are held.

    Returns
    -------
    AttributesPlan

    Raises
    ------
    ValueError
        The tables held here do not carry the plan.

    References
    ----------
    [1]_ of the module; rule of acceptance 4.10.1.1.

    Examples
    --------
    >>> plan = single_plan(3000, aql=1.0)
    >>> plan.n, plan.accept, plan.reject
    (125, 3, 4)
    """
    held = {"normal": tables.NORMAL, "tightened": tables.TIGHTENED}
    if severity not in held:
        raise ValueError(f"severity must be one of {list(held)}; given {severity!r}")
    table = held[severity]
    if aql not in table:
        raise ValueError(f"aql must be one of {list(table)} percent, which the tables held here carry; given {aql}")
    start = code_letter(lot_size, level=level)
    letter = start
    entry = table[aql].get(letter)
    if isinstance(entry, str):
        letter, entry = entry, table[aql].get(entry)
    if not isinstance(entry, int):
        raise ValueError(
            f"the tables held here have no {severity} plan for letter {start} at AQL {aql}; "
            f"they have {list(table[aql])}. Take it from your copy of the standard"
        )
    size = tables.SIZES[letter]
    return AttributesPlan(
        code_letter=start,
        letter=letter,
        n=min(size, lot_size),
        accept=entry,
        reject=entry + 1,
        inspect_all=size >= lot_size,
        aql=aql,
        level=level,
        severity=severity,
        source=tables.ATTRIBUTES_SOURCE,
        sure=tables.LEVELS[level],
    )


def acceptance_probability(fraction: npt.ArrayLike, *, n: int, accept: int, lot_size: int | None = None) -> Floats:
    """Return the probability that a lot is accepted `[-]`.

    Parameters
    ----------
    fraction : array_like
        Fraction nonconforming in the process, or in the lot where its size is
        given.
    n, accept : int
        Sample size and acceptance number.
    lot_size : int, optional
        For the hypergeometric probability of one lot; left out, binomial.

    Returns
    -------
    ndarray

    Raises
    ------
    ValueError
        A fraction is not from 0 to 1, or not a whole number of items of the lot.

    Notes
    -----
    Both hold for items drawn at random one by one. Marks that come in
    clusters make a sample tell less than its size says.

    References
    ----------
    [2]_ 6.2.3.2.

    Examples
    --------
    >>> float(acceptance_probability(0.04, n=50, accept=3).round(4))
    0.8609
    """
    from scipy.stats import binom, hypergeom

    share = np.asarray(fraction, dtype=float)
    if not ((share >= 0) & (share <= 1)).all():
        raise ValueError("fractions must be from 0 to 1; percent must be divided by 100")
    _check_plan(n, accept)
    if lot_size is None:
        return np.asarray(binom.cdf(accept, n, share))
    if n > lot_size:
        raise ValueError(f"a sample may not be larger than the lot; given {n} of {lot_size}")
    marked = share * lot_size
    if (np.abs(marked - np.round(marked)) > 1e-6).any():
        raise ValueError(f"each fraction must be a whole number of the lot's {lot_size} items")
    return np.asarray(hypergeom.cdf(accept, lot_size, np.round(marked).astype(int), n))


def oc_curve(fractions: npt.ArrayLike, *, n: int, accept: int, lot_size: int) -> pd.DataFrame:
    """Return what a plan does to lots: accepted share, outgoing quality, items looked at.

    Parameters
    ----------
    fractions : array_like
        Incoming fractions nonconforming.
    n, accept : int
        Sample size and acceptance number.
    lot_size : int
        Items in a lot. Rejected lots are screened and mended.

    Returns
    -------
    DataFrame
        fraction, p_accept (binomial), aoq (average outgoing fraction), ati
        (average items looked at in a lot), in the order given.

    Raises
    ------
    ValueError
        As in `acceptance_probability`.

    References
    ----------
    [2]_ 6.2.3.2: AOQ = p Pa (N - n) / N, ATI = n + (1 - Pa)(N - n).

    Examples
    --------
    >>> oc_curve([0.06], n=52, accept=3, lot_size=10_000).round(4).values.tolist()
    [[0.06, 0.6196, 0.037, 3836.2801]]
    """
    if n > lot_size:
        raise ValueError(f"a sample may not be larger than the lot; given {n} of {lot_size}")
    share = np.atleast_1d(np.asarray(fractions, dtype=float))
    accepted = acceptance_probability(share, n=n, accept=accept)
    return pd.DataFrame(
        {
            "fraction": share,
            "p_accept": accepted,
            "aoq": share * accepted * (lot_size - n) / lot_size,
            "ati": n + (1.0 - accepted) * (lot_size - n),
        }
    )


def fraction_accepted(p_accept: float, *, n: int, accept: int) -> float:
    """Return the fraction nonconforming that a plan accepts with a given probability `[-]`.

    Parameters
    ----------
    p_accept : float
        Between 0 and 1.
    n, accept : int
        Sample size and acceptance number.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        The probability or the plan is not usable.

    References
    ----------
    The binomial sum as a beta distribution; [2]_ 6.2.3.1.

    Examples
    --------
    >>> round(100 * fraction_accepted(0.95, n=50, accept=3), 2)
    2.78
    """
    from scipy.stats import beta

    if not 0.0 < p_accept < 1.0:
        raise ValueError(f"p_accept must lie strictly between 0 and 1; given {p_accept}")
    _check_plan(n, accept)
    if accept >= n:
        raise ValueError(f"a plan that accepts {accept} of {n} accepts every lot")
    return float(beta.isf(p_accept, accept + 1, n - accept))


def _check_plan(n: int, accept: int) -> None:
    """Refuse a plan that is none."""
    if n < 1 or accept < 0:
        raise ValueError(
            f"a plan needs a sample of 1 or more and an acceptance number of 0 or more; given {n}, {accept}"
        )
