"""Adjusted rates: what an exposure does to counts over an amount, with weak priors and room for spread beyond chance.

References
----------
.. [1] McCullagh, P. and Nelder, J. A. (1989). Generalized Linear Models, 2nd edition, sections 6.2 and 9.2
   (Poisson models; dispersion by Pearson's statistic).
.. [2] Greenland, S. and Mansournia, M. A. (2015). Penalization, bias reduction, and default priors in logistic and
   related categorical and survival regressions. Statistics in Medicine 34, 3133.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.exposure_curve import shrunken_rows
from auditkit.stats.rows import check_confidence, complete_rows

__all__ = ["AdjustedRate", "adjusted_rate"]

Floats = npt.NDArray[np.float64]

_MOST_STEPS, _TOLERANCE = 100, 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjustedRate:
    """What an exposure does to a rate.

    Parameters
    ----------
    rate_ratio, low, high, p : float
        Rate exposed over rate not exposed; Wald on the log scale.
    dispersion : float
        Pearson's statistic over its degrees of freedom; above 1 it widens the limits.
    total : int
        Sum of the counts.
    n, excluded : int
    confidence : float
    method : str
    """

    rate_ratio: float
    low: float
    high: float
    p: float
    dispersion: float
    total: int
    n: int
    excluded: int
    confidence: float
    method: str


def adjusted_rate(
    frame: pd.DataFrame,
    *,
    outcome: str,
    exposure: str,
    amount: str,
    groups: Sequence[str] = (),
    numbers: Sequence[str] = (),
    clusters: Sequence[str] = (),
    confidence: float = 0.95,
    missing: str = "raise",
) -> AdjustedRate:
    """Return what an exposure does to the rate of counts over an amount.

    Parameters
    ----------
    frame : DataFrame
        One row a record.
    outcome : str
        Column of counts.
    exposure : str
        Column of False and True.
    amount : str
        Column of what each count was made over, above 0.
    groups, numbers, clusters : sequence of str
        As in `graded_odds`.
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    AdjustedRate

    Raises
    ------
    ValueError
        All records are exposed or none is, the outcome is not of counts or all
        0, or an amount is not above 0.

    References
    ----------
    [1]_, [2]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"n": [40, 60, 200, 100], "m2": [2.0, 3.0, 5.0, 2.5], "far": [False, False, True, True]})
    >>> round(adjusted_rate(frame, outcome="n", exposure="far", amount="m2").rate_ratio, 2)
    2.0
    """
    from scipy.stats import norm

    check_confidence(confidence)
    wanted = list(dict.fromkeys([outcome, exposure, amount, *groups, *numbers, *clusters]))
    kept, excluded = complete_rows(frame, columns=wanted, missing=missing)
    flag = kept[exposure].to_numpy(dtype=bool)
    if flag.all() or not flag.any():
        raise ValueError(f"records with {exposure} and without it are needed; {int(flag.sum())} of {len(flag)} have it")
    y, size = kept[outcome].to_numpy(dtype=np.float64), kept[amount].to_numpy(dtype=np.float64)
    if (y < 0).any() or (y % 1).any() or not y.any():
        raise ValueError(f"{outcome} must hold counts, 0 or more and not all 0")
    if not (size > 0).all():
        raise ValueError(f"{amount} must be above 0 in every record; the least is {float(size.min())}")
    rows = shrunken_rows(
        kept, y, flag[:, None].astype(np.float64), groups=[*groups, *clusters], numbers=numbers, session=[]
    )
    log_f = rows.log_f.astype(np.float64)
    beta, covariance, hat = _mode(rows.x, y, np.log(size), precision=rows.precision, log_f=log_f)
    mean = np.exp(rows.x @ beta + np.log(size))
    spare = len(y) - hat
    dispersion = float(((y - mean) ** 2 / mean).sum() / spare) if spare > 1 else float("nan")
    error = float(covariance[1, 1] * max(1.0, 0.0 if np.isnan(dispersion) else dispersion)) ** 0.5
    reach = float(norm.isf((1.0 - confidence) / 2.0)) * error
    return AdjustedRate(
        rate_ratio=float(np.exp(beta[1])),
        low=float(np.exp(beta[1] - reach)),
        high=float(np.exp(beta[1] + reach)),
        p=float(2.0 * norm.sf(abs(beta[1]) / error)),
        dispersion=dispersion,
        total=int(y.sum()),
        n=len(kept),
        excluded=excluded,
        confidence=confidence,
        method="Poisson rate model; levels and clusters shrunk; Wald limits, widened by the dispersion where above 1",
    )


def _mode(x: Floats, y: Floats, offset: Floats, *, precision: Floats, log_f: Floats) -> tuple[Floats, Floats, float]:
    """Return coefficients at the mode, their covariance, and the effective number of coefficients."""
    from scipy.special import expit

    def height(beta: Floats) -> float:
        predictor = np.minimum(x @ beta + offset, 500.0)
        prior = -0.5 * precision @ beta**2 + log_f @ (beta / 2.0 - np.logaddexp(0.0, beta))
        return float(y @ predictor - np.exp(predictor).sum() + prior)

    beta = np.zeros(x.shape[1])
    beta[0] = np.log(y.sum() / np.exp(offset).sum())
    best = height(beta)
    for _ in range(_MOST_STEPS):
        mean, tail = np.exp(x @ beta + offset), expit(beta)
        weighted = (x * mean[:, None]).T @ x
        information = weighted + np.diag(precision + log_f * tail * (1.0 - tail))
        step = np.linalg.solve(information, x.T @ (y - mean) - precision * beta + log_f * (0.5 - tail))
        share = 1.0
        while share > 1e-6 and not height(beta + share * step) >= best - 1e-10 * (1.0 + abs(best)):
            share /= 2.0
        beta = beta + share * step
        best = height(beta)
        if float(np.abs(step).max()) <= _TOLERANCE:
            break
    else:
        raise ValueError("the rate model did not converge; centre and scale the terms, or merge rare levels")
    covariance = np.asarray(np.linalg.inv(information), dtype=np.float64)
    return beta, covariance, float(np.trace(covariance @ weighted))
