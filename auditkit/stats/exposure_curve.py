"""Exposure curves: the risk had every record had the same exposure, along the exposure, adjusted.

The model and its priors are those of `windowed_risk`, but for the exposure,
which enters by a natural spline.

References
----------
.. [1] Robins, J. (1986). A new approach to causal inference in mortality studies with a sustained exposure period.
   Mathematical Modelling 7, 1393.
.. [2] Greenland, S. and Mansournia, M. A. (2015). Penalization, bias reduction, and default priors in logistic and
   related categorical and survival regressions. Statistics in Medicine 34, 3133.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.rows import check_confidence, complete_rows
from auditkit.stats.shrunken_logistic import ShrunkenRows, fit_shrunken, joint_covariance
from auditkit.stats.splines import natural_spline
from auditkit.stats.windowed_risk import GROUP_SD, SESSION_SD

__all__ = ["ExposureCurve", "exposure_curve", "shrunken_rows"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposureCurve:
    """Risk along an exposure.

    Parameters
    ----------
    table : DataFrame
        One row a value, in the order given: value, risk, low, high.
    flatness_p : float
        Of the penalised likelihood-ratio test that the risk is the same all along.
    n, outcomes, excluded : int
    confidence : float
    method : str
    """

    table: pd.DataFrame
    flatness_p: float
    n: int
    outcomes: int
    excluded: int
    confidence: float
    method: str


def exposure_curve(
    frame: pd.DataFrame,
    *,
    outcome: str,
    exposure: str,
    at: npt.ArrayLike,
    knots: Sequence[float] = (),
    groups: Sequence[str] = (),
    numbers: Sequence[str] = (),
    session: Sequence[str] = (),
    confidence: float = 0.95,
    missing: str = "raise",
) -> ExposureCurve:
    """Return the risk had every record had the same exposure, at each of some values.

    Parameters
    ----------
    frame : DataFrame
        One row a record.
    outcome : str
        Column of 0 and 1, or of False and True, both of them.
    exposure : str
        Column of numbers.
    at : array_like
        Values of the exposure.
    knots : sequence of float
        Knots of a natural spline, in the exposure's unit; left out, a straight line.
    groups, numbers, session, missing
        As in `windowed_risk`.
    confidence : float

    Returns
    -------
    ExposureCurve

    Raises
    ------
    ValueError
        The outcome is not of 0 and 1, or the exposure takes one value only.

    Notes
    -----
    The limits are one value's at a time, of the posterior's normal
    approximation on the log odds of the mean risk.

    References
    ----------
    [1]_, [2]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"x": [0.0] * 40 + [1.0] * 40, "day": list(range(16)) * 5,
    ...                       "y": [1] * 4 + [0] * 36 + [1] * 12 + [0] * 28})
    >>> curve = exposure_curve(frame, outcome="y", exposure="x", at=[0.0, 1.0], session=["day"])
    >>> curve.table["risk"].round(2).tolist()
    [0.1, 0.3]
    """
    from scipy.special import expit
    from scipy.stats import chi2, norm

    check_confidence(confidence)
    wanted = list(dict.fromkeys([outcome, exposure, *groups, *numbers, *session]))
    kept, excluded = complete_rows(frame, columns=wanted, missing=missing)
    y = kept[outcome].to_numpy(dtype=np.float64)
    if set(y.tolist()) != {0.0, 1.0}:
        raise ValueError(f"{outcome} must hold 0 and 1, both of them; given {sorted(set(y.tolist()))[:5]}")
    values = kept[exposure].to_numpy(dtype=np.float64)
    centre, unit = float(values.mean()), float(values.std())
    if not unit > 0:
        raise ValueError(f"{exposure} must take two values or more; given {values[:1].tolist()} only")
    places = [(float(knot) - centre) / unit for knot in knots]

    def columns(these: Floats) -> Floats:
        scaled = (these - centre) / unit
        return natural_spline(scaled, knots=places) if places else scaled[:, None]

    own = columns(values)
    rows = shrunken_rows(kept, y, own, groups=groups, numbers=numbers, session=session)
    fit = fit_shrunken(rows)
    width = own.shape[1]
    others = np.delete(np.arange(rows.x.shape[1]), np.arange(1, 1 + width))
    flat = fit_shrunken(replace(rows, x=rows.x[:, others], precision=rows.precision[others], log_f=rows.log_f[others]))
    # A coefficient at 0 has the prior's height there, which the flat model lacks.
    drop = 2.0 * (fit.height - flat.height + width * np.log(2.0))
    base = rows.x @ fit.coefficients - own @ fit.coefficients[1 : 1 + width] + fit.effects[rows.sessions]
    reach = float(norm.isf((1.0 - confidence) / 2.0))
    targets = np.asarray(at, dtype=np.float64)
    added = columns(targets)
    mean = expit(base + (added @ fit.coefficients[1 : 1 + width])[:, None])  # a row a target, a column a record
    risk = mean.mean(axis=1)
    weight = mean * (1.0 - mean) / len(y) / (risk * (1.0 - risk))[:, None]
    slopes = weight @ rows.x
    slopes[:, 1 : 1 + width] = weight.sum(axis=1)[:, None] * added
    session_slopes = np.array([np.bincount(rows.sessions, weights=row) for row in weight], dtype=np.float64)
    error = np.sqrt(np.diag(joint_covariance(fit, slopes=slopes, session_slopes=session_slopes)))
    odds = np.log(risk / (1.0 - risk))
    table = {"value": targets, "risk": risk, "low": expit(odds - reach * error), "high": expit(odds + reach * error)}
    return ExposureCurve(
        table=pd.DataFrame(table, dtype="float64"),
        flatness_p=float(chi2.sf(max(drop, 0.0), width)),
        n=len(kept),
        outcomes=int(y.sum()),
        excluded=excluded,
        confidence=confidence,
        method="standardised over the records; logistic, natural spline; levels and sessions shrunk; posterior limits",
    )


def shrunken_rows(
    frame: pd.DataFrame,
    y: Floats,
    columns: Floats,
    *,
    groups: Sequence[str],
    numbers: Sequence[str],
    session: Sequence[str],
) -> ShrunkenRows:
    """Return the rows of a model: the constant, the columns of interest, numbers, a column for every level of groups.

    Parameters
    ----------
    frame : DataFrame
        One row a record, none with a gap.
    y : ndarray, shape (n,)
    columns : ndarray, shape (n, any)
    groups, numbers, session : sequence of str

    Examples
    --------
    >>> frame = pd.DataFrame({"crew": ["a", "b"], "heat": [1.0, 3.0]})
    >>> shrunken_rows(frame, np.zeros(2), np.zeros((2, 0)), groups=["crew"], numbers=["heat"], session=[]).x.tolist()
    [[1.0, -1.0, 1.0, 0.0], [1.0, 1.0, 0.0, 1.0]]
    """
    parts = [np.ones((len(frame), 1)), columns]
    spreads = {name: float(frame[name].to_numpy(dtype=np.float64).std()) for name in numbers}
    for name in (name for name in numbers if spreads[name] > 0):
        number = frame[name].to_numpy(dtype=np.float64)
        parts.append(((number - number.mean()) / spreads[name])[:, None])
    plain = sum(part.shape[1] for part in parts)
    for name in groups:
        members, levels = pd.factorize(frame[name], sort=True)
        parts.append((members[:, None] == np.arange(len(levels))).astype(np.float64))
    x = np.column_stack(parts)
    place = np.arange(x.shape[1])
    own = frame.groupby(list(session), sort=True).ngroup().to_numpy() if session else np.zeros(len(frame))
    return ShrunkenRows(
        x=x,
        y=y,
        precision=np.where(place < plain, 0.0, GROUP_SD**-2.0),
        log_f=(place > 0) & (place < plain),
        sessions=own.astype(np.intp),
        session_precision=SESSION_SD**-2.0,
    )
