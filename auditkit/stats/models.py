"""Models of an outcome on several terms: logistic with Firth's penalty, Poisson rates, straight lines.

Rows of one cluster resemble one another. Named, the clusters carry the
uncertainty: each is left out in turn and the model fitted again (the
delete-one-cluster jackknife, known as CV3), with Student's t on one degree of
freedom fewer than there are clusters.

References
----------
.. [1] Firth, D. (1993). Bias reduction of maximum likelihood estimates. Biometrika 80, 27.
.. [2] Heinze, G. and Schemper, M. (2002). A solution to the problem of separation in logistic regression.
   Statistics in Medicine 21, 2409.
.. [3] MacKinnon, J. G., Nielsen, M. O. and Webb, M. D. (2023). Fast and reliable jackknife and bootstrap methods
   for cluster-robust inference. Journal of Applied Econometrics 38, 671.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.fitting import ModelFit, ModelRows, jackknife_covariance, model_fit, model_rows, wald_table
from auditkit.stats.irls import fit_batch
from auditkit.stats.profile import penalised_test, profile_limits

__all__ = ["firth_logistic", "linear_model", "poisson_rate"]

Floats = npt.NDArray[np.float64]


def firth_logistic(
    frame: pd.DataFrame,
    *,
    outcome: str,
    terms: Sequence[str],
    knots: Mapping[str, int] | None = None,
    cluster: str | None = None,
    confidence: float = 0.95,
    missing: str = "raise",
) -> ModelFit:
    """Return a logistic model with Firth's penalty, finite even where a term separates the outcomes.

    Without clusters the limits are those of the profile penalised likelihood
    and p is of the penalised likelihood-ratio test. With clusters both rest on
    the delete-one-cluster jackknife.

    Parameters
    ----------
    frame : DataFrame
        One row an observation.
    outcome : str
        Column of 0 and 1, or of False and True.
    terms : sequence of str
        Columns of the model, coded as `code_terms` says.
    knots : mapping of str to int, optional
        Number of knots of the terms that enter as a natural spline.
    cluster : str, optional
        Column that names the cluster of each row.
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    ModelFit
        Estimates are log odds ratios.

    Raises
    ------
    ValueError
        The outcome is not of 0 and 1 or always the same, a term repeats
        others, or a coefficient rests on one cluster only.

    References
    ----------
    [1]_, [2]_ and, for clusters, [3]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"y": [0, 0, 0, 1, 1, 1], "x": [0, 0, 0, 1, 1, 1]})  # separated
    >>> firth_logistic(frame, outcome="y", terms=["x"]).table["estimate"].round(3).tolist()
    [-1.946, 3.892]
    """
    rows = model_rows(
        frame, outcome=outcome, terms=terms, knots=knots, cluster=cluster, confidence=confidence, missing=missing
    )
    _check_binary(rows.y, outcome)
    fit = fit_batch(rows.x, rows.y, family="logistic", penalised=True)
    _check_converged(fit.converged, "penalised logistic model")
    estimate = fit.coefficients[0]
    if rows.members is not None:
        covariance = _jackknife(rows, estimate, family="logistic", penalised=True)
        table = wald_table(
            rows.names, estimate=estimate, covariance=covariance, confidence=confidence, df=rows.clusters - 1
        )
        method = "logistic, Firth's penalty; cluster jackknife (CV3), t limits"
    else:
        covariance = _model_covariance(rows, estimate, family="logistic")
        table = wald_table(rows.names, estimate=estimate, covariance=covariance, confidence=confidence, df=None)
        height = float(fit.log_likelihood[0])
        limits = profile_limits(
            rows.x, rows.y, estimate=estimate, height=height, covariance=covariance, confidence=confidence
        )
        tests = penalised_test(rows.x, rows.y, estimate=estimate, height=height)
        table = table.assign(low=limits[:, 0], high=limits[:, 1], p=tests)
        method = "logistic, Firth's penalty; profile penalised-likelihood limits and test"
    return model_fit(
        rows,
        table=table,
        covariance=covariance,
        log_likelihood=float(fit.log_likelihood[0]),
        dispersion=np.nan,
        confidence=confidence,
        method=method,
    )


def poisson_rate(
    frame: pd.DataFrame,
    *,
    outcome: str,
    terms: Sequence[str],
    exposure: str | None = None,
    knots: Mapping[str, int] | None = None,
    cluster: str | None = None,
    confidence: float = 0.95,
    missing: str = "raise",
) -> ModelFit:
    """Return a Poisson model of counts, or of rates where the amount each was counted over is named.

    Without clusters the limits suppose that counts spread as Poisson counts
    do; `dispersion` well above 1 says that they spread more, and that clusters
    (or one cluster a row) should carry the uncertainty.

    Parameters
    ----------
    frame : DataFrame
        One row an observation.
    outcome : str
        Column of counts.
    terms : sequence of str
        Columns of the model.
    exposure : str, optional
        Column of what the count was counted over (area, time), above 0.
    knots, cluster, confidence, missing
        As in `firth_logistic`.

    Returns
    -------
    ModelFit
        Estimates are log rate ratios.

    Raises
    ------
    ValueError
        As `firth_logistic`; the outcome is not of counts, or an exposure is not above 0.

    References
    ----------
    [3]_ of the module, for clusters.

    Examples
    --------
    >>> frame = pd.DataFrame({"n": [4, 6, 20, 10], "m2": [2.0, 3.0, 5.0, 2.5], "x": [0, 0, 1, 1]})
    >>> fit = poisson_rate(frame, outcome="n", terms=["x"], exposure="m2")
    >>> np.exp(fit.table["estimate"]).round(3).tolist()
    [2.0, 2.0]
    """
    rows = model_rows(
        frame,
        outcome=outcome,
        terms=terms,
        knots=knots,
        cluster=cluster,
        extra=exposure,
        confidence=confidence,
        missing=missing,
    )
    if (rows.y < 0).any() or (rows.y % 1).any() or not rows.y.any():
        raise ValueError(f"{outcome} must hold counts, 0 or more and not all 0")
    amount = np.ones(len(rows.y)) if exposure is None else rows.frame[exposure].to_numpy(dtype=np.float64)
    if (amount <= 0).any():
        raise ValueError(f"{exposure} must be above 0 in every row; the least is {float(amount.min())}")
    offset = np.log(amount)
    fit = fit_batch(rows.x, rows.y, family="poisson", penalised=False, offset=offset)
    _check_converged(fit.converged, "Poisson model")
    estimate = fit.coefficients[0]
    mean = np.exp(rows.x @ estimate + offset)
    spare = len(rows.y) - len(estimate)
    dispersion = float(((rows.y - mean) ** 2 / mean).sum() / spare) if spare else float("nan")
    if rows.members is not None:
        covariance = _jackknife(rows, estimate, family="poisson", penalised=False, offset=offset)
        table = wald_table(
            rows.names, estimate=estimate, covariance=covariance, confidence=confidence, df=rows.clusters - 1
        )
        method = "Poisson, log link; cluster jackknife (CV3), t limits"
    else:
        covariance = _model_covariance(rows, estimate, family="poisson", offset=offset)
        table = wald_table(rows.names, estimate=estimate, covariance=covariance, confidence=confidence, df=None)
        method = "Poisson, log link; Wald limits, counts taken to spread as Poisson counts"
    return model_fit(
        rows,
        table=table,
        covariance=covariance,
        log_likelihood=_poisson_log_likelihood(rows.y, mean),
        dispersion=dispersion,
        confidence=confidence,
        method=method,
    )


def linear_model(
    frame: pd.DataFrame,
    *,
    outcome: str,
    terms: Sequence[str],
    knots: Mapping[str, int] | None = None,
    cluster: str | None = None,
    confidence: float = 0.95,
    missing: str = "raise",
) -> ModelFit:
    """Return a least-squares model of a measured outcome.

    Parameters
    ----------
    frame : DataFrame
        One row an observation.
    outcome : str
        Column of numbers.
    terms, knots, cluster, confidence, missing
        As in `firth_logistic`.

    Returns
    -------
    ModelFit
        Estimates are in the unit of the outcome. `log_likelihood` is NaN.

    Raises
    ------
    ValueError
        A term repeats others, there are no more rows than coefficients, or a
        coefficient rests on one cluster only.

    References
    ----------
    [3]_ of the module, for clusters.

    Examples
    --------
    >>> frame = pd.DataFrame({"y": [1.0, 3.0, 5.0, 7.5], "x": [0, 1, 2, 3]})
    >>> linear_model(frame, outcome="y", terms=["x"]).table["estimate"].round(3).tolist()
    [0.9, 2.15]
    """
    rows = model_rows(
        frame, outcome=outcome, terms=terms, knots=knots, cluster=cluster, confidence=confidence, missing=missing
    )
    spare = len(rows.y) - len(rows.names)
    if spare < 1:
        raise ValueError(f"more rows than coefficients are needed; given {len(rows.y)} and {len(rows.names)}")
    estimate = _least_squares(rows.x, rows.y)
    dispersion = float(((rows.y - rows.x @ estimate) ** 2).sum() / spare)
    if rows.members is not None:
        kept = [rows.members != g for g in range(rows.clusters)]
        left = np.stack([_least_squares(rows.x[k], rows.y[k]) for k in kept])
        covariance = jackknife_covariance(left, estimate=estimate)
        table = wald_table(
            rows.names, estimate=estimate, covariance=covariance, confidence=confidence, df=rows.clusters - 1
        )
        method = "least squares; cluster jackknife (CV3), t limits"
    else:
        covariance = np.asarray(dispersion * np.linalg.inv(rows.x.T @ rows.x), dtype=np.float64)
        table = wald_table(rows.names, estimate=estimate, covariance=covariance, confidence=confidence, df=spare)
        method = "least squares; t limits, rows taken to be independent and to spread alike"
    return model_fit(
        rows,
        table=table,
        covariance=covariance,
        log_likelihood=np.nan,
        dispersion=dispersion,
        confidence=confidence,
        method=method,
    )


def _least_squares(x: Floats, y: Floats) -> Floats:
    return np.asarray(np.linalg.lstsq(x, y, rcond=None)[0], dtype=np.float64)


def _check_binary(y: Floats, outcome: str) -> None:
    values = sorted(set(y.tolist()))
    if values != [0.0, 1.0]:
        raise ValueError(f"{outcome} must hold 0 and 1, both of them; given {values[:5]}")


def _check_converged(converged: npt.NDArray[np.bool_], what: str) -> None:
    if not converged.all():
        raise ValueError(
            f"the {what} did not converge: a term may separate the outcomes, or be of very uneven size. "
            "Centre and scale the terms, or merge rare levels"
        )


def _model_covariance(rows: ModelRows, estimate: Floats, *, family: str, offset: Floats | None = None) -> Floats:
    predictor = rows.x @ estimate + (0.0 if offset is None else offset)
    mean = 1.0 / (1.0 + np.exp(-predictor)) if family == "logistic" else np.exp(predictor)
    spread = mean * (1.0 - mean) if family == "logistic" else mean
    return np.asarray(np.linalg.inv((rows.x * spread[:, None]).T @ rows.x), dtype=np.float64)


def _jackknife(
    rows: ModelRows, estimate: Floats, *, family: str, penalised: bool, offset: Floats | None = None
) -> Floats:
    weights = (np.arange(rows.clusters)[:, None] != rows.members).astype(np.float64)
    start = np.repeat(estimate[None, :], rows.clusters, axis=0)
    fit = fit_batch(rows.x, rows.y, family=family, penalised=penalised, weights=weights, offset=offset, start=start)
    _check_converged(fit.converged, f"{family} model without one of its clusters")
    return jackknife_covariance(fit.coefficients, estimate=estimate)


def _poisson_log_likelihood(y: Floats, mean: Floats) -> float:
    from scipy.stats import poisson

    return float(poisson.logpmf(y, mean).sum())
