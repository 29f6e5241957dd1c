"""Ordered grades: one odds ratio a term for every cut between lower and higher grades.

References
----------
.. [1] McCullagh, P. (1980). Regression models for ordinal data. Journal of the Royal Statistical Society B 42, 109.
.. [2] MacKinnon, J. G., Nielsen, M. O. and Webb, M. D. (2023). Fast and reliable jackknife and bootstrap methods
   for cluster-robust inference. Journal of Applied Econometrics 38, 671.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.fitting import ModelFit, jackknife_covariance, model_fit, model_rows, wald_table

__all__ = ["proportional_odds"]

Floats = npt.NDArray[np.float64]


def proportional_odds(
    frame: pd.DataFrame,
    *,
    outcome: str,
    grades: Sequence[str | int],
    terms: Sequence[str],
    knots: Mapping[str, int] | None = None,
    cluster: str | None = None,
    confidence: float = 0.95,
    missing: str = "raise",
) -> ModelFit:
    """Return a proportional-odds model of ordered grades.

    It supposes one odds ratio for every cut between lower and higher grades.
    It carries no penalty: a term that separates the grades is refused.

    Parameters
    ----------
    frame : DataFrame
        One row an observation.
    outcome : str
        Column of grades.
    grades : sequence
        Every grade, in rising order; those never given are passed over.
    terms, knots, cluster, confidence, missing
        As in `firth_logistic`. Clusters are fitted one by one, which takes
        a few hundredths of a second each.

    Returns
    -------
    ModelFit
        Estimates are log odds ratios of a higher grade; there is no constant.

    Raises
    ------
    ValueError
        A grade is not among `grades`, fewer than three were given, or the fit
        does not converge.

    References
    ----------
    [1]_ and, for clusters, [2]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"grade": [1, 1, 2, 2, 3, 3, 1, 3], "x": [0, 1, 0, 1, 1, 1, 0, 0]})
    >>> proportional_odds(frame, outcome="grade", grades=[1, 2, 3], terms=["x"]).table["term"].tolist()
    ['x']
    """
    place = {grade: i for i, grade in enumerate(grades)}
    unknown = sorted({str(grade) for grade in frame[outcome].dropna() if grade not in place})
    if unknown or len(place) != len(grades):
        raise ValueError(f"{outcome} must hold the grades {list(grades)}, each listed once; given also {unknown[:5]}")
    ranked = frame.assign(**{outcome: frame[outcome].map(place)})
    rows = model_rows(
        ranked, outcome=outcome, terms=terms, knots=knots, cluster=cluster, confidence=confidence, missing=missing
    )
    used = np.unique(rows.y)
    if len(used) < 3:
        raise ValueError(f"three grades or more must have been given; {len(used)} were. Use `firth_logistic`")
    y = np.searchsorted(used, rows.y)
    estimate, covariance, height = _fit_ordered(y, rows.x[:, 1:])
    x, names = rows.x[:, 1:], rows.names[1:]
    df = None
    method = "proportional odds; Wald limits"
    if rows.members is not None:
        left = [_fit_ordered(y[rows.members != g], x[rows.members != g])[0] for g in range(rows.clusters)]
        covariance, df = jackknife_covariance(np.stack(left), estimate=estimate), rows.clusters - 1
        method = "proportional odds; cluster jackknife (CV3), t limits"
    table = wald_table(names, estimate=estimate, covariance=covariance, confidence=confidence, df=df)
    return model_fit(
        rows,
        table=table,
        covariance=covariance,
        log_likelihood=height,
        dispersion=np.nan,
        confidence=confidence,
        method=method,
    )


def _fit_ordered(y: npt.NDArray[np.intp], x: Floats) -> tuple[Floats, Floats, float]:
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    fit = OrderedModel(y, x, distr="logit").fit(method="bfgs", maxiter=500, disp=False)
    count = x.shape[1]
    if (
        not fit.mle_retvals["converged"]
        or not np.isfinite(fit.cov_params()).all()
        or np.abs(fit.params[:count]).max() > 15
    ):
        raise ValueError(
            "the proportional-odds model did not converge: a term may separate the grades. Merge grades or levels"
        )
    return (
        np.asarray(fit.params[:count], dtype=np.float64),
        np.asarray(fit.cov_params()[:count, :count], dtype=np.float64),
        float(fit.llf),
    )
