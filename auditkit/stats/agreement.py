"""Agreement: how far raters, or repeated ratings, say the same.

References
----------
[1] J. Cohen (1960), Educ. Psychol. Meas. 20:37-46; (1968), Psychol. Bull. 70:213-220.
[2] J. L. Fleiss, J. Cohen and B. S. Everitt (1969), Psychol. Bull. 72:323-327.
[3] P. E. Shrout and J. L. Fleiss (1979), Psychol. Bull. 86:420-428.
[4] K. O. McGraw and S. P. Wong (1996), Psychol. Methods 1:30-46, with the
    corrections on p. 390.
[5] E. B. Wilson (1927), J. Amer. Statist. Assoc. 22:209-212.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.intervals import Interval
from auditkit.stats.rows import check_confidence, complete_rows

__all__ = ["Kappa", "cohen_kappa", "icc", "icc_forms", "kappa_of_table", "percent_agreement"]

FORMS = ("1,1", "2,1", "3,1", "1,k", "2,k", "3,k")
_WEIGHTS = {"unweighted": None, "linear": "linear", "quadratic": "quadratic"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Kappa:
    """Agreement of two raters beyond chance.

    Attributes
    ----------
    estimate, low, high : float
        Kappa `[-]` and its normal limits.
    std_error : float
        Asymptotic standard error used for the limits.
    std_error_null : float
        Asymptotic standard error where there is no agreement beyond chance.
    p_value : float
        Two-sided, of no agreement beyond chance.
    n, excluded : int
        Pairs used and left out.
    """

    estimate: float
    low: float
    high: float
    std_error: float
    std_error_null: float
    p_value: float
    n: int
    excluded: int
    confidence: float
    method: str


def cohen_kappa(
    frame: pd.DataFrame,
    *,
    first: str,
    second: str,
    categories: Sequence[object],
    weights: str = "unweighted",
    confidence: float = 0.95,
    missing: str = "raise",
) -> Kappa:
    """Return Cohen's kappa of two columns of ratings.

    Parameters
    ----------
    frame : DataFrame
        One row per thing rated.
    first, second : str
        Columns of the ratings.
    categories : sequence
        Every rating that could have been given, in order; weights count steps
        in this list.
    weights : {'unweighted', 'linear', 'quadratic'}
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    Kappa

    Raises
    ------
    ValueError
        A rating is not among the categories, or both raters used one category only.

    References
    ----------
    [1]_, [2]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"a": list("xxyyzz"), "b": list("xxyyzy")})
    >>> round(cohen_kappa(frame, first="a", second="b", categories=["x", "y", "z"]).estimate, 4)
    0.75
    """
    rows, excluded = complete_rows(frame, columns=[first, second], missing=missing)
    place = {category: i for i, category in enumerate(categories)}
    if len(place) != len(categories):
        raise ValueError(f"categories must differ from one another; given {list(categories)}")
    unknown = sorted({str(x) for column in (first, second) for x in rows[column] if x not in place})
    if unknown:
        raise ValueError(f"every rating must be one of the categories {list(categories)}; given also {unknown[:5]}")
    table = np.zeros((len(place), len(place)), dtype=int)
    np.add.at(table, (rows[first].map(place).to_numpy(dtype=int), rows[second].map(place).to_numpy(dtype=int)), 1)
    return kappa_of_table(table, weights=weights, confidence=confidence, excluded=excluded)


def kappa_of_table(
    table: npt.ArrayLike, *, weights: str = "unweighted", confidence: float = 0.95, excluded: int = 0
) -> Kappa:
    """Return Cohen's kappa of a square table of counts, first rater in rows.

    Parameters
    ----------
    table : array_like, shape (k, k)
        Counts, categories in order.
    weights : {'unweighted', 'linear', 'quadratic'}
    confidence : float
    excluded : int
        Pairs left out before, carried into the result.

    Returns
    -------
    Kappa

    Raises
    ------
    ValueError
        The table is not square, not of counts, or shows a single category.

    References
    ----------
    [1]_, [2]_ of the module.

    Examples
    --------
    >>> result = kappa_of_table([[0, 4, 1], [0, 8, 0], [0, 1, 5]])
    >>> round(result.estimate, 4), round(result.std_error, 4)
    (0.4842, 0.138)
    """
    from scipy.stats import norm
    from statsmodels.stats.inter_rater import cohens_kappa

    check_confidence(confidence)
    if weights not in _WEIGHTS:
        raise ValueError(f"weights must be one of {list(_WEIGHTS)}; given {weights!r}")
    counts = np.asarray(table, dtype=float)
    if counts.ndim != 2 or counts.shape[0] != counts.shape[1] or len(counts) < 2:
        raise ValueError(f"the table must be square, two categories or more; given shape {counts.shape}")
    if (counts < 0).any() or (counts % 1).any() or counts.sum() == 0:
        raise ValueError("the table must hold counts, 0 or more, and not be empty")
    if np.count_nonzero(counts.sum(axis=0) + counts.sum(axis=1)) < 2:
        raise ValueError("kappa is not defined where both raters used a single category; report the share of agreement")
    result = cohens_kappa(counts, wt=_WEIGHTS[weights])
    estimate, error = float(result.kappa), float(result.std_kappa)
    reach = float(norm.isf((1.0 - confidence) / 2.0)) * error
    return Kappa(
        estimate=estimate,
        low=estimate - reach,
        high=min(estimate + reach, 1.0),
        std_error=error,
        std_error_null=float(result.std_kappa0),
        p_value=float(2.0 * norm.sf(abs(estimate) / result.std_kappa0)),
        n=int(counts.sum()),
        excluded=excluded,
        confidence=confidence,
        method=f"Cohen's kappa, {weights}; asymptotic normal limits",
    )


def percent_agreement(
    frame: pd.DataFrame,
    *,
    first: str,
    second: str,
    within: float = 0.0,
    confidence: float = 0.95,
    missing: str = "raise",
) -> Interval:
    """Return the share of pairs that agree `[-]`, with Wilson's limits.

    Parameters
    ----------
    frame : DataFrame
        One row per thing rated.
    first, second : str
        Columns of the ratings.
    within : float
        Greatest difference that still counts as agreement; 0 for the same
        rating (labels are allowed then).
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    Interval

    References
    ----------
    [5]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"a": [1, 2, 3, 4], "b": [1, 3, 3, 1]})
    >>> percent_agreement(frame, first="a", second="b", within=1).estimate
    0.75
    """
    from scipy.stats import binomtest

    check_confidence(confidence)
    if within < 0:
        raise ValueError(f"within must be 0 or more; given {within}")
    rows, _ = complete_rows(frame, columns=[first, second], missing=missing)
    same = rows[first] == rows[second] if within == 0 else (rows[first] - rows[second]).abs() <= within
    agreed = int(same.sum())
    limits = binomtest(agreed, len(rows)).proportion_ci(confidence, method="wilson")
    return Interval(
        estimate=agreed / len(rows),
        low=float(limits.low),
        high=float(limits.high),
        n=len(rows),
        confidence=confidence,
        method="share of pairs, Wilson score",
    )


def icc(
    frame: pd.DataFrame,
    *,
    target: str,
    rater: str,
    rating: str,
    form: str,
    confidence: float = 0.95,
    missing: str = "raise",
) -> Interval:
    """Return one form of the intraclass correlation of a complete table of ratings `[-]`.

    Parameters
    ----------
    frame : DataFrame
        One row per rating; every rater rates every target once.
    target, rater, rating : str
        Columns.
    form : {'1,1', '2,1', '3,1', '1,k', '2,k', '3,k'}
        Shrout and Fleiss: 1 = raters differ from target to target, 2 = raters
        are a sample (absolute agreement), 3 = these raters only (consistency);
        ',1' = one rating, ',k' = the mean of all raters.
    confidence : float
    missing : {'raise', 'exclude'}
        Under 'exclude' a target with a gap makes the table incomplete and is refused.

    Returns
    -------
    Interval
        `n` counts targets. Limits are exact for forms 1 and 3 and
        Satterthwaite's for form 2.

    Raises
    ------
    ValueError
        The form is unknown or a target has not one rating of every rater.

    References
    ----------
    [3]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"t": [1, 1, 2, 2, 3, 3], "r": list("ab" * 3), "y": [1.0, 2.0, 4.0, 5.0, 9.0, 10.0]})
    >>> round(icc(frame, target="t", rater="r", rating="y", form="3,1").estimate, 3)
    1.0
    """
    if form not in FORMS:
        raise ValueError(f"form must be one of {list(FORMS)}; given {form!r}")
    rows = icc_forms(frame, target=target, rater=rater, rating=rating, confidence=confidence, missing=missing)
    row = rows.loc[rows["form"] == form].iloc[0].to_dict()
    return Interval(
        estimate=float(row["estimate"]),
        low=float(row["low"]),
        high=float(row["high"]),
        n=int(row["n"]),
        confidence=confidence,
        method=f"intraclass correlation ICC({form}), F limits of Shrout and Fleiss",
    )


def icc_forms(
    frame: pd.DataFrame, *, target: str, rater: str, rating: str, confidence: float = 0.95, missing: str = "raise"
) -> pd.DataFrame:
    """Return the six intraclass correlations, one row a form: form, estimate, low, high, n.

    Parameters
    ----------
    frame, target, rater, rating, confidence, missing
        As in `icc`.

    Returns
    -------
    DataFrame
        In the order 1,1 2,1 3,1 1,k 2,k 3,k.

    References
    ----------
    [3]_ for estimates and limits; the limits of form 2 as [4]_ Table 7.

    Examples
    --------
    >>> frame = pd.DataFrame({"t": [1, 1, 2, 2, 3, 3], "r": list("ab" * 3), "y": [1.0, 3.0, 4.0, 5.0, 9.0, 9.0]})
    >>> icc_forms(frame, target="t", rater="r", rating="y")[["form", "estimate"]].round(3).values.tolist()[:3]
    [['1,1', 0.936], ['2,1', 0.937], ['3,1', 0.961]]
    """
    from scipy.stats import f as f_distribution

    check_confidence(confidence)
    rows, _ = complete_rows(frame, columns=[target, rater, rating], missing=missing)
    table = _rating_table(rows, target, rater, rating)
    n, k = table.shape
    grand = table.mean()
    ss_target = k * ((table.mean(axis=1) - grand) ** 2).sum()
    ss_rater = n * ((table.mean(axis=0) - grand) ** 2).sum()
    ss_total = ((table - grand) ** 2).sum()
    bms = float(ss_target / (n - 1))
    wms = float((ss_total - ss_target) / (n * (k - 1)))
    jms = float(ss_rater / (k - 1))
    ems = max(float((ss_total - ss_target - ss_rater) / ((n - 1) * (k - 1))), 0.0)
    if bms == 0 and wms == 0:
        raise ValueError("the ratings are all the same; an intraclass correlation is not defined")
    tail = (1.0 - confidence) / 2.0
    error_df = (n - 1) * (k - 1)
    one = (bms - wms) / (bms + (k - 1) * wms)
    two = (bms - ems) / (bms + (k - 1) * ems + k * (jms - ems) / n)
    three = (bms - ems) / (bms + (k - 1) * ems)
    limits = {
        "1": tuple(
            _from_ratio(bms, wms, float(point), k)
            for point in (f_distribution.isf(tail, n - 1, n * (k - 1)), f_distribution.ppf(tail, n - 1, n * (k - 1)))
        ),
        "3": tuple(
            _from_ratio(bms, ems, float(point), k)
            for point in (f_distribution.isf(tail, n - 1, error_df), f_distribution.ppf(tail, n - 1, error_df))
        ),
        "2": _absolute_limits(bms=bms, jms=jms, ems=ems, estimate=two, n=n, k=k, tail=tail),
    }
    singles = {"1": one, "2": two, "3": three}
    averages = {"1": (bms - wms) / bms, "2": (bms - ems) / (bms + (jms - ems) / n), "3": (bms - ems) / bms}
    out = [(f"{form},1", value, *limits[form]) for form, value in singles.items()]
    out += [
        (f"{form},k", value, *(_stepped_up(limit, k) for limit in limits[form])) for form, value in averages.items()
    ]
    return pd.DataFrame(out, columns=["form", "estimate", "low", "high"]).assign(n=n)


def _rating_table(rows: pd.DataFrame, target: str, rater: str, rating: str) -> npt.NDArray[np.float64]:
    """Return ratings as targets by raters, complete."""
    if rows.duplicated([target, rater]).any():
        raise ValueError(
            "a rater may rate a target once; average repeats first, or name the column that tells them apart"
        )
    table = rows.pivot_table(index=target, columns=rater, values=rating, aggfunc="first")
    if table.isna().to_numpy().any():
        gaps = int(table.isna().to_numpy().sum())
        raise ValueError(f"every rater must have rated every target; {gaps} of {table.size} ratings are not there")
    if min(table.shape) < 2:
        raise ValueError(f"at least two targets and two raters are needed; given {table.shape[0]} and {table.shape[1]}")
    return table.to_numpy(dtype=float)


def _from_ratio(between: float, within: float, point: float, k: int) -> float:
    """Return the correlation whose expected ratio of mean squares is the one seen, over `point`."""
    if within == 0:
        return 1.0
    ratio = between / within / point
    return (ratio - 1.0) / (ratio + k - 1.0)


def _stepped_up(value: float, k: int) -> float:
    """Return the correlation of means of k ratings (Spearman-Brown)."""
    return k * value / (1.0 + (k - 1) * value)


def _absolute_limits(
    *, bms: float, jms: float, ems: float, estimate: float, n: int, k: int, tail: float
) -> tuple[float, float]:
    """Return limits of ICC(2,1), [3] p. 424 with Satterthwaite's degrees of freedom."""
    from scipy.stats import f as f_distribution

    if ems == 0 and jms == 0:
        return 1.0, 1.0
    raters = k * estimate * jms
    rest = n * (1.0 + (k - 1) * estimate) - k * estimate
    df = (k - 1) * (n - 1) * (raters + rest * ems) ** 2 / ((n - 1) * raters**2 + (rest * ems) ** 2)
    below, above = float(f_distribution.isf(tail, n - 1, df)), float(f_distribution.isf(tail, df, n - 1))
    spread = k * jms + (k * n - k - n) * ems
    low = n * (bms - below * ems) / (below * spread + n * bms)
    high = n * (above * bms - ems) / (spread + n * above * bms)
    return low, high
