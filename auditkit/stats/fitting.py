"""Fitting: the rows a model is fitted to, what is refused, and the table that comes out, for every kind of model.

References
----------
.. [1] MacKinnon, J. G., Nielsen, M. O. and Webb, M. D. (2023). Fast and reliable jackknife and bootstrap methods
   for cluster-robust inference. Journal of Applied Econometrics 38, 671.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.coding import Coding, code_terms, design_matrix
from auditkit.stats.rows import check_confidence, complete_rows

__all__ = [
    "ModelFit",
    "ModelRows",
    "check_rank",
    "cluster_members",
    "jackknife_covariance",
    "model_fit",
    "model_rows",
    "wald_table",
]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelFit:
    """A model that was fitted.

    Parameters
    ----------
    table : DataFrame
        One row a column of the design: term, estimate, std_error, low, high, p.
        On the scale of the linear predictor (log odds, log rate, or the
        outcome's own unit).
    covariance : DataFrame
        Of the estimates, by term in rows and columns.
    coding : Coding
        How the terms were coded, to code other rows alike.
    log_likelihood : float
        At the estimates; penalised where the fit is.
    dispersion : float
        Pearson's statistic over its degrees of freedom (Poisson), residual
        variance (linear), NaN elsewhere.
    n, excluded, clusters : int
        Rows used, rows left out for a gap, clusters (0: none named).
    confidence : float
    method : str
    """

    table: pd.DataFrame
    covariance: pd.DataFrame
    coding: Coding
    log_likelihood: float
    dispersion: float
    n: int
    excluded: int
    clusters: int
    confidence: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ModelRows:
    """Rows ready to be fitted.

    Parameters
    ----------
    frame : DataFrame
        The rows used.
    coding : Coding
    names : tuple of str
        Columns of the design.
    x : ndarray, shape (rows, columns)
    y : ndarray, shape (rows,)
    members : ndarray of int or None
        Cluster of each row, from 0.
    clusters, excluded : int
    """

    frame: pd.DataFrame
    coding: Coding
    names: tuple[str, ...]
    x: Floats
    y: Floats
    members: npt.NDArray[np.intp] | None
    clusters: int
    excluded: int


def model_rows(
    frame: pd.DataFrame,
    *,
    outcome: str,
    terms: Sequence[str],
    knots: Mapping[str, int] | None = None,
    cluster: str | None = None,
    extra: str | None = None,
    confidence: float = 0.95,
    missing: str = "raise",
) -> ModelRows:
    """Return the complete rows of a frame with their design.

    Parameters
    ----------
    frame : DataFrame
        One row an observation.
    outcome, terms, knots, cluster, confidence, missing
        As in `models.firth_logistic`.
    extra : str, optional
        A further column that must be complete.

    Returns
    -------
    ModelRows

    Raises
    ------
    ValueError
        A column is not there or has gaps, a term repeats others, or a
        coefficient rests on one cluster only.

    Examples
    --------
    >>> frame = pd.DataFrame({"y": [0, 1, 1], "x": [1.0, 2.0, 4.0]})
    >>> model_rows(frame, outcome="y", terms=["x"]).names
    ('intercept', 'x')
    """
    check_confidence(confidence)
    wanted = [outcome, *terms]
    wanted += [name for name in (cluster, extra) if name is not None and name not in wanted]
    kept, excluded = complete_rows(frame, columns=wanted, missing=missing)
    coding = code_terms(kept, terms=terms, knots=knots)
    design = design_matrix(kept, coding=coding)
    x, names = design.to_numpy(dtype=np.float64), tuple(design.columns)
    check_rank(x, names=names)
    members, clusters = None, 0
    if cluster is not None:
        members, labels = cluster_members(kept[cluster])
        clusters = len(labels)
        _check_each_cluster_can_go(x, names, members, labels)
    return ModelRows(
        frame=kept,
        coding=coding,
        names=names,
        x=x,
        y=kept[outcome].to_numpy(dtype=np.float64),
        members=members,
        clusters=clusters,
        excluded=excluded,
    )


def cluster_members(labels: pd.Series) -> tuple[npt.NDArray[np.intp], list[object]]:
    """Return the number of each row's cluster, and the labels in that order.

    Raises
    ------
    ValueError
        There are fewer than two clusters.

    Examples
    --------
    >>> cluster_members(pd.Series(["b", "a", "b"]))
    (array([1, 0, 1]), ['a', 'b'])
    """
    members, known = pd.factorize(labels, sort=True)
    if len(known) < 2:
        raise ValueError(f"two clusters or more are needed; given {list(known)}")
    return members, list(known)


def check_rank(x: Floats, *, names: Sequence[str]) -> None:
    """Return nothing; refuse a design in which a column repeats others.

    Parameters
    ----------
    x : ndarray, shape (rows, columns)
    names : sequence of str
        Of the columns.

    Raises
    ------
    ValueError
        A column is a sum of multiples of those before it.

    Examples
    --------
    >>> check_rank(np.array([[1.0, 2.0], [1.0, 2.0]]), names=["intercept", "x"])
    Traceback (most recent call last):
    ...
    ValueError: no column of the model may follow from those before it; ['x'] do. Leave out the terms they belong to
    """
    from scipy.linalg import qr

    scaled = x / np.maximum(np.sqrt((x**2).sum(axis=0)), 1e-300)
    if np.linalg.matrix_rank(scaled) == x.shape[1]:
        return
    diagonal = np.abs(np.diag(qr(scaled, mode="r")[0]))
    repeats = [name for name, size in zip(names, diagonal, strict=False) if size < 1e-10]
    repeats += list(names[len(diagonal) :])
    raise ValueError(
        f"no column of the model may follow from those before it; {repeats} do. Leave out the terms they belong to"
    )


def _check_each_cluster_can_go(
    x: Floats, names: Sequence[str], members: npt.NDArray[np.intp], labels: list[object]
) -> None:
    for g, label in enumerate(labels):
        left = x[members != g]
        scaled = left / np.maximum(np.sqrt((left**2).sum(axis=0)), 1e-300)
        if np.linalg.matrix_rank(scaled) < x.shape[1]:
            lost = [name for name, column in zip(names, left.T, strict=True) if np.ptp(column) == 0][1:]
            raise ValueError(
                f"every coefficient must be estimable without any one cluster; without {label!r} the model loses "
                f"{lost or 'one of its columns'}. Merge levels, leave the term out, or choose other clusters"
            )


def jackknife_covariance(left_out: Floats, *, estimate: Floats) -> Floats:
    """Return the delete-one-cluster jackknife covariance (CV3) of estimates.

    Parameters
    ----------
    left_out : ndarray, shape (clusters, columns)
        Estimates without each cluster.
    estimate : ndarray, shape (columns,)
        Estimates on all rows, about which the spread is taken.

    Returns
    -------
    ndarray, shape (columns, columns)

    References
    ----------
    [1]_ of the module, where it is CV3.

    Examples
    --------
    >>> float(jackknife_covariance(np.array([[1.0], [2.0], [3.0]]), estimate=np.array([2.0]))[0, 0].round(4))
    1.3333
    """
    count = len(left_out)
    away = left_out - estimate
    return np.asarray((count - 1) / count * away.T @ away, dtype=np.float64)


def wald_table(
    names: Sequence[str], *, estimate: Floats, covariance: Floats, confidence: float, df: int | None
) -> pd.DataFrame:
    """Return estimates with limits on either side: term, estimate, std_error, low, high, p.

    Parameters
    ----------
    names : sequence of str
    estimate : ndarray, shape (columns,)
    covariance : ndarray, shape (columns, columns)
    confidence : float
    df : int or None
        Degrees of freedom of Student's t; None for the normal law.

    Returns
    -------
    DataFrame
        One row a name, in that order.

    Examples
    --------
    >>> wald_table(["x"], estimate=np.array([1.0]), covariance=np.array([[0.25]]), confidence=0.95, df=None).round(3)
      term  estimate  std_error   low  high      p
    0    x       1.0        0.5  0.02  1.98  0.046
    """
    from scipy.stats import norm, t

    law = norm if df is None else t(df)
    error = np.sqrt(np.diag(covariance))
    reach = float(law.isf((1.0 - confidence) / 2.0)) * error
    return pd.DataFrame(
        {
            "term": list(names),
            "estimate": estimate,
            "std_error": error,
            "low": estimate - reach,
            "high": estimate + reach,
            "p": 2.0 * law.sf(np.abs(estimate) / error),
        },
        columns=["term", "estimate", "std_error", "low", "high", "p"],
    )


def model_fit(
    rows: ModelRows,
    *,
    table: pd.DataFrame,
    covariance: Floats,
    log_likelihood: float,
    dispersion: float,
    confidence: float,
    method: str,
) -> ModelFit:
    """Return the fit of a model to its rows, put together.

    Parameters
    ----------
    rows : ModelRows
    table, covariance, log_likelihood, dispersion, confidence, method
        As in `ModelFit`; the covariance in the order of the table.

    Returns
    -------
    ModelFit

    Examples
    --------
    >>> rows = model_rows(pd.DataFrame({"y": [0, 1], "x": [1, 2]}), outcome="y", terms=["x"])
    >>> table = pd.DataFrame({"term": ["x"]})
    >>> fit = model_fit(rows, table=table, covariance=np.eye(1), log_likelihood=-1.0, dispersion=1.0,
    ...                 confidence=0.95, method="none")
    >>> fit.n, fit.clusters
    (2, 0)
    """
    names = table["term"].tolist()
    return ModelFit(
        table=table,
        covariance=pd.DataFrame(covariance, index=names, columns=names),
        coding=rows.coding,
        log_likelihood=log_likelihood,
        dispersion=dispersion,
        n=len(rows.y),
        excluded=rows.excluded,
        clusters=rows.clusters,
        confidence=confidence,
        method=method,
    )
