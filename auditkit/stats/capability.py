"""Capability: how a spread compares with its limits, and which spread was meant.

An index without its standard deviation named is not an index. 'within' is the
spread inside groups, 'between+within' that of one observation from a new
group, 'overall' the plain standard deviation, right only where observations
are independent of one another.

References
----------
[1] NIST/SEMATECH e-Handbook of Statistical Methods, section 6.1.6.
[2] A. F. Bissell (1990), Appl. Statist. 39:331-340.
[3] R. A. Boyles (1991), J. Qual. Technol. 23:17-26.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.capability_indices import Indices, capability_indices, check_limits
from auditkit.stats.rows import check_confidence, complete_rows, finite_values
from auditkit.stats.variance import nested_components

__all__ = ["Capability", "capability", "cpk_limits"]

Floats = npt.NDArray[np.float64]

SPREADS = ("within", "between+within", "overall")


@dataclass(frozen=True, slots=True, kw_only=True)
class Capability:
    """Indices of a sample with their limits.

    Attributes
    ----------
    indices : DataFrame
        index ('Cp', 'Cpl', 'Cpu', 'Cpk' for the spread within; 'Pp', 'Ppl',
        'Ppu', 'Ppk' otherwise; 'Cpm' where a target was given with the overall
        spread), estimate, low, high, method.
    spread : str
        Which standard deviation: 'within', 'between+within' or 'overall'.
    mean, sd, df : float
        Mean, that standard deviation and its degrees of freedom.
    n_effective : float
        Independent observations that would fix the mean as well.
    n, groups, excluded : int
        Rows used, groups they lie in (0 where none were given), rows left out.
    """

    indices: pd.DataFrame
    spread: str
    mean: float
    sd: float
    df: float
    n_effective: float
    n: int
    groups: int
    excluded: int
    confidence: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spread:
    """A standard deviation and what is known about it."""

    sd: float
    low: float
    high: float
    df: float
    n_effective: float
    groups: int


def cpk_limits(
    cpk: npt.ArrayLike, *, n_effective: npt.ArrayLike, df: npt.ArrayLike, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Return approximate limits of a one-sided index or of Cpk.

    Parameters
    ----------
    cpk : array_like
        Estimated index.
    n_effective : array_like
        Independent observations behind the mean: n, or fewer where the
        observations come in groups.
    df : array_like
        Degrees of freedom of the standard deviation: n - 1, or fewer.
    confidence : float

    Returns
    -------
    low, high : ndarray

    References
    ----------
    [2]_ with the two parts of the variance kept apart.

    Examples
    --------
    >>> low, high = cpk_limits(1.0, n_effective=50, df=49)
    >>> round(float(low), 3), round(float(high), 3)
    (0.782, 1.218)
    """
    from scipy.stats import norm

    check_confidence(confidence)
    index = np.asarray(cpk, dtype=float)
    variance = 1.0 / (9.0 * np.asarray(n_effective, dtype=float)) + index**2 / (2.0 * np.asarray(df, dtype=float))
    reach = float(norm.isf((1.0 - confidence) / 2.0)) * np.sqrt(variance)
    return np.asarray(index - reach), np.asarray(index + reach)


def capability(
    frame: pd.DataFrame,
    *,
    response: str,
    spread: str,
    group: str | None = None,
    lower: float | None = None,
    upper: float | None = None,
    target: float | None = None,
    confidence: float = 0.95,
    missing: str = "raise",
) -> Capability:
    """Return capability indices of a sample, on the spread that is named.

    Parameters
    ----------
    frame : DataFrame
        One row per observation.
    response : str
        Column of the numbers.
    spread : {'within', 'between+within', 'overall'}
        Which standard deviation. The first two need `group`; 'overall' treats
        the rows as independent and refuses a group.
    group : str, optional
        Column of the groups.
    lower, upper : float, optional
        Specification limits; at least one.
    target : float, optional
        For Cpm; with the overall spread and both limits only.
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    Capability

    Raises
    ------
    ValueError
        The spread is unknown, does not go with `group`, or is zero.

    Notes
    -----
    In 2 000 simulated normal data sets a design, 95 % limits of the index
    covered 93 to 97 %: Pp and Ppk (mean off the middle) of 30 and 100
    independent observations, Pp and Ppk of 20 groups of 5 by 'between+within'.
    They do not hold where the mean lies in the middle of the limits (Cpk is
    then the smaller of two equal indices), for fewer than about ten groups,
    and for skewed data. With the overall standard deviation of grouped data
    (20 groups of 5, equal components) Pp was covered in 83 %.

    References
    ----------
    [1]_, [2]_, [3]_ of the module; limits of the spread between and within as
    in `auditkit.stats.mean_squares`.

    Examples
    --------
    >>> frame = pd.DataFrame({"y": [9.8, 10.1, 10.0, 10.3, 9.9, 10.2]})
    >>> result = capability(frame, response="y", spread="overall", lower=9.0, upper=11.0)
    >>> result.indices[["index", "estimate", "low", "high"]].round(2).values.tolist()[0]
    ['Pp', 1.78, 0.73, 2.85]
    """
    check_confidence(confidence)
    check_limits(lower, upper)
    _check_spread(spread, group)
    if target is not None and (spread != "overall" or lower is None or upper is None):
        raise ValueError("a target needs spread='overall' and both limits; leave it out, or give those")
    columns = [response] if group is None else [group, response]
    rows, excluded = complete_rows(frame, columns=columns, missing=missing)
    values = finite_values(rows[response], at_least=2, what=f"values of {response}")
    known = _overall(values, confidence) if group is None else _grouped(rows, response, group, spread, confidence)
    if known.sd <= 0:
        raise ValueError(f"capability needs a spread above 0; the {spread} spread of {response} is 0")
    mean = float(values.mean())
    return Capability(
        indices=_index_table(
            capability_indices(mean, known.sd, lower=lower, upper=upper, target=target),
            known,
            letter="C" if spread == "within" else "P",
            shift=None if target is None else (mean - target) / float(values.std()),
            confidence=confidence,
        ),
        spread=spread,
        mean=mean,
        sd=known.sd,
        df=known.df,
        n_effective=known.n_effective,
        n=len(values),
        groups=known.groups,
        excluded=excluded,
        confidence=confidence,
        method=f"normal capability indices on the {spread} standard deviation",
    )


def _check_spread(spread: str, group: str | None) -> None:
    """Refuse a spread that does not go with what is known of groups."""
    if spread not in SPREADS:
        raise ValueError(f"spread must be one of {list(SPREADS)}; given {spread!r}")
    if spread == "overall" and group is not None:
        raise ValueError(
            "the overall spread treats rows as independent, which rows of one group are not; "
            "give spread='between+within' or 'within', or leave group out"
        )
    if spread != "overall" and group is None:
        raise ValueError(f"spread={spread!r} needs the column of the groups; give group")


def _overall(values: Floats, confidence: float) -> _Spread:
    """Return the plain standard deviation with its chi-square limits."""
    from scipy.stats import chi2

    df, sd, tail = len(values) - 1, float(values.std(ddof=1)), (1.0 - confidence) / 2.0
    return _Spread(
        sd=sd,
        low=sd * math.sqrt(df / float(chi2.isf(tail, df))),
        high=sd * math.sqrt(df / float(chi2.ppf(tail, df))),
        df=float(df),
        n_effective=float(len(values)),
        groups=0,
    )


def _grouped(rows: pd.DataFrame, response: str, group: str, spread: str, confidence: float) -> _Spread:
    """Return the spread within groups, or of one observation from a new group."""
    result = nested_components(rows, response=response, nesting=[group], confidence=confidence)
    between, within = (float(x) for x in result.components["variance"])
    sizes = np.asarray(rows.groupby(group, sort=True).size(), dtype=float)
    of_mean = between * float((sizes**2).sum()) / result.n**2 + within / result.n
    if spread == "within":
        last = result.components.iloc[-1]
        variance, low, high, df = within, float(last["low"]), float(last["high"]), float(result.table["df"].iloc[-1])
    else:
        variance, low, high = between + within, result.total.low, result.total.high
        df = _total_df(result.table, between, within, sizes)
    return _Spread(
        sd=math.sqrt(variance),
        low=math.sqrt(low),
        high=math.sqrt(high),
        df=df,
        n_effective=variance / of_mean if of_mean > 0 else math.nan,
        groups=len(sizes),
    )


def _total_df(table: pd.DataFrame, between: float, within: float, sizes: Floats) -> float:
    """Return Satterthwaite degrees of freedom of the sum of two components."""
    df_between, df_within = (float(x) for x in table["df"])
    size = len(sizes) / float((1.0 / sizes).sum())
    means, rest = between + within / size, within * (1.0 - 1.0 / size)
    doubt = means**2 / df_between + rest**2 / df_within
    return (means + rest) ** 2 / doubt if doubt > 0 else math.nan


def _index_table(
    found: Indices, known: _Spread, *, letter: str, shift: float | None, confidence: float
) -> pd.DataFrame:
    """Return the indices that were asked for, each with its limits."""
    rows = []
    if not math.isnan(found.cp):
        rows.append(
            (f"{letter}p", found.cp, found.cp * known.sd / known.high, found.cp * known.sd / known.low, "spread")
        )
    for name, value in (("pl", found.cpl), ("pu", found.cpu), ("pk", found.cpk)):
        if not math.isnan(value):
            low, high = cpk_limits(value, n_effective=known.n_effective, df=known.df, confidence=confidence)
            rows.append((f"{letter}{name}", value, float(low), float(high), "Bissell"))
    if shift is not None:
        rows.append(("Cpm", found.cpm, *_cpm_limits(found.cpm, known, shift, confidence), "Boyles"))
    return pd.DataFrame(rows, columns=["index", "estimate", "low", "high", "method"])


def _cpm_limits(cpm: float, known: _Spread, shift: float, confidence: float) -> tuple[float, float]:
    """Return limits of Cpm on Patnaik's degrees of freedom, [3] section 4."""
    from scipy.stats import chi2

    df = known.n_effective * (1.0 + shift**2) ** 2 / (1.0 + 2.0 * shift**2)
    tail = (1.0 - confidence) / 2.0
    return cpm * math.sqrt(float(chi2.ppf(tail, df)) / df), cpm * math.sqrt(float(chi2.isf(tail, df)) / df)
