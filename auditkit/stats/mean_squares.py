"""Mean squares: linear combinations of independent mean squares and their intervals.

A component of variance is a linear combination of mean squares, some of them
with a minus sign. What is known about it is told by Satterthwaite's degrees of
freedom or, better for differences, by the modified large-sample intervals.

References
----------
[1] F. E. Satterthwaite (1946), Biometrics Bulletin 2:110-114.
[2] F. A. Graybill and C.-M. Wang (1980), J. Amer. Statist. Assoc. 75:869-873.
[3] N. Ting, R. K. Burdick, F. A. Graybill, S. Jeyaratnam and T.-F. C. Lu (1990),
    J. Statist. Comput. Simul. 35:135-143.
[4] R. K. Burdick and F. A. Graybill (1992), Confidence Intervals on Variance
    Components, Dekker, sections 3.2 and 3.3.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from auditkit.stats.rows import check_confidence

__all__ = ["modified_large_sample_limits", "satterthwaite_df", "satterthwaite_limits"]

Floats = npt.NDArray[np.float64]


def satterthwaite_df(mean_squares: npt.ArrayLike, *, df: npt.ArrayLike, coefficients: npt.ArrayLike) -> Floats:
    """Return the degrees of freedom of a linear combination of mean squares `[-]`.

    Parameters
    ----------
    mean_squares : array_like, shape (..., k)
        Independent mean squares.
    df : array_like, shape (k,)
        Their degrees of freedom.
    coefficients : array_like, shape (k,)
        Weights of the combination.

    Returns
    -------
    ndarray, shape (...)
        Zero where the combination itself is zero.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> float(satterthwaite_df([4.0, 1.0], df=[5, 20], coefficients=[1.0, -1.0]).round(3))
    2.769
    """
    terms = np.asarray(mean_squares, dtype=float) * np.asarray(coefficients, dtype=float)
    doubt = np.asarray((terms**2 / np.asarray(df, dtype=float)).sum(axis=-1))
    return np.asarray(np.where(doubt > 0, terms.sum(axis=-1) ** 2 / np.where(doubt > 0, doubt, 1.0), 0.0))  # [1]


def satterthwaite_limits(
    mean_squares: npt.ArrayLike, *, df: npt.ArrayLike, coefficients: npt.ArrayLike, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Return chi-square limits of a combination, on Satterthwaite's degrees of freedom.

    Exact for a single mean square, good for sums, poor for differences whose
    two parts are of the same size: use `modified_large_sample_limits` there.

    Parameters
    ----------
    mean_squares : array_like, shape (..., k)
    df, coefficients : array_like, shape (k,)
    confidence : float

    Returns
    -------
    low, high : ndarray, shape (...)
        0 and infinity where the combination is not above zero, or has so few
        degrees of freedom that chi-square limits would not enclose it.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> low, high = satterthwaite_limits([2.0], df=[10], coefficients=[1.0])
    >>> round(float(low), 4), round(float(high), 4)
    (0.9764, 6.1596)
    """
    from scipy.stats import chi2

    check_confidence(confidence)
    combination = np.asarray(
        (np.asarray(mean_squares, dtype=float) * np.asarray(coefficients, dtype=float)).sum(axis=-1)
    )
    positive = combination > 0
    effective = np.where(positive, satterthwaite_df(mean_squares, df=df, coefficients=coefficients), 1.0)
    tail = (1.0 - confidence) / 2.0
    upper, lower = chi2.isf(tail, effective), chi2.ppf(tail, effective)
    known = positive & (upper > effective)  # on a small part of one degree of freedom nothing is known
    with np.errstate(divide="ignore", over="ignore"):
        low = np.where(known, combination * effective / np.where(known, upper, 1.0), 0.0)
        high = np.where(known, combination * effective / lower, np.inf)
    return low, high


def modified_large_sample_limits(
    mean_squares: npt.ArrayLike, *, df: npt.ArrayLike, coefficients: npt.ArrayLike, confidence: float = 0.95
) -> tuple[Floats, Floats]:
    """Return modified large-sample limits of a linear combination of mean squares.

    Sums follow Graybill and Wang, combinations with minus signs Ting and
    others. A single mean square gets its exact chi-square limits. Limits below
    zero are set to zero, since the quantity is a variance.

    Parameters
    ----------
    mean_squares : array_like, shape (..., k)
        Independent mean squares of normal data.
    df, coefficients : array_like, shape (k,)
        At least one coefficient must be above zero.
    confidence : float
        Two-sided, half the rest in each tail.

    Returns
    -------
    low, high : ndarray, shape (...)

    Raises
    ------
    ValueError
        No coefficient is above zero, or the shapes do not agree.

    References
    ----------
    [2]_ Eq. 2.2 for sums, [4]_ section 3.3 for differences.

    Examples
    --------
    >>> low, high = modified_large_sample_limits([2.0], df=[10], coefficients=[1.0])
    >>> round(float(low), 4), round(float(high), 4)
    (0.9764, 6.1596)
    """
    check_confidence(confidence)
    squares = np.asarray(mean_squares, dtype=float)
    weights = np.asarray(coefficients, dtype=float)
    freedom = np.asarray(df, dtype=float)
    if weights.shape != freedom.shape or squares.shape[-1:] != weights.shape:
        raise ValueError(
            "mean squares, df and coefficients must agree in number; given shapes "
            f"{squares.shape}, {freedom.shape}, {weights.shape}"
        )
    if not (weights > 0).any():
        raise ValueError(f"at least one coefficient must be above 0; given {weights.tolist()}")
    tail = (1.0 - confidence) / 2.0
    plus, minus = weights > 0, weights < 0
    added, taken = squares[..., plus] * weights[plus], -squares[..., minus] * weights[minus]
    estimate = added.sum(axis=-1) - taken.sum(axis=-1)
    below = _spread(added, taken, freedom[plus], freedom[minus], tail=tail, lower=True)
    above = _spread(added, taken, freedom[plus], freedom[minus], tail=tail, lower=False)
    low = np.maximum(estimate - np.sqrt(below), 0.0)
    high = np.maximum(estimate + np.sqrt(above), 0.0)
    return np.asarray(low), np.asarray(high)


def _spread(added: Floats, taken: Floats, df_added: Floats, df_taken: Floats, *, tail: float, lower: bool) -> Floats:
    """Return the squared distance from the estimate to its lower or upper limit."""
    from scipy.stats import f as f_distribution

    own_added, own_taken = (_shrink, _stretch) if lower else (_stretch, _shrink)
    factor_added, factor_taken = own_added(df_added, tail), own_taken(df_taken, tail)
    total = (factor_added**2 * added**2).sum(axis=-1) + (factor_taken**2 * taken**2).sum(axis=-1)
    if not len(df_taken):
        return np.asarray(total)  # [2] Eq. 2.2: no cross terms in a sum
    for i, df_i in enumerate(df_added):
        for j, df_j in enumerate(df_taken):
            point = f_distribution.isf(tail, df_i, df_j) if lower else f_distribution.ppf(tail, df_i, df_j)
            # [4] Eq. 3.3.2: chosen so that the limit is 0 where the F ratio is at its critical point
            cross = ((point - 1.0) ** 2 - factor_added[i] ** 2 * point**2 - factor_taken[j] ** 2) / point
            total = total + cross * added[..., i] * taken[..., j]
    alike, df_alike, factor = (added, df_added, factor_added) if lower else (taken, df_taken, factor_taken)
    for i in range(len(df_alike)):
        for j in range(i + 1, len(df_alike)):
            cross = _pair((df_alike[i], df_alike[j]), (factor[i], factor[j]), tail=tail, count=len(df_alike))
            total = total + cross * alike[..., i] * alike[..., j]
    return np.asarray(np.maximum(total, 0.0))


def _shrink(df: Floats, tail: float) -> Floats:
    """Return 1 - 1/F(upper tail; df, infinity)."""
    from scipy.stats import chi2

    return np.asarray(1.0 - df / chi2.isf(tail, df))


def _stretch(df: Floats, tail: float) -> Floats:
    """Return 1/F(lower tail; df, infinity) - 1."""
    from scipy.stats import chi2

    return np.asarray(df / chi2.ppf(tail, df) - 1.0)


def _pair(df: tuple[float, float], factor: tuple[float, float], *, tail: float, count: int) -> float:
    """Return the cross weight of two mean squares of the same sign, [4] Eq. 3.3.2."""
    (df_i, df_j), (factor_i, factor_j) = df, factor
    both = float(_shrink(np.asarray(df_i + df_j), tail))
    return float(
        (both**2 * (df_i + df_j) ** 2 / (df_i * df_j) - factor_i**2 * df_i / df_j - factor_j**2 * df_j / df_i)
        / (count - 1)
    )
