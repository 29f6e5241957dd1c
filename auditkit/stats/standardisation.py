"""Standardisation: what the risk would have been, had an exposure stayed inside its window.

A logistic model of the outcome on the exposure and what it is adjusted for is
fitted to the records; every record is then predicted with its exposure moved to
the near end of the window, everything else as it was (g-computation). It says
what would have happened only if the adjustment closes every back door.

References
----------
.. [1] Robins, J. (1986). A new approach to causal inference in mortality studies with a sustained exposure period.
   Mathematical Modelling 7, 1393.
.. [2] Heinze, G. and Schemper, M. (2002). A solution to the problem of separation in logistic regression.
   Statistics in Medicine 21, 2409.
.. [3] Puhr, R., Heinze, G., Nold, M., Lusa, L. and Geroldinger, A. (2017). Firth's logistic regression with rare
   events: accurate effect estimates and predictions? Statistics in Medicine 36, 2302.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.coding import code_terms, design_matrix
from auditkit.stats.fitting import check_rank, cluster_members
from auditkit.stats.irls import fit_batch
from auditkit.stats.resampling import (
    bca_limits,
    bootstrap_weights,
    effective_clusters,
    jackknife_limits,
    leave_out_weights,
    percentile_limits,
)
from auditkit.stats.rows import check_confidence, complete_rows

__all__ = ["INTERVALS", "QUANTITIES", "StandardisedRisk", "inside_window", "standardised_risk"]

Floats = npt.NDArray[np.float64]

INTERVALS: dict[str, str] = {
    "jackknife": "delete-one-cluster jackknife, t on effective clusters - 1 degrees of freedom",
    "percentile": "cluster bootstrap, percentiles",
    "bca": "cluster bootstrap, bias-corrected and accelerated",
}
"""How limits can be made."""

QUANTITIES: dict[str, str] = {
    "risk_observed": "share of all records with the outcome",
    "risk_inside": "the same, had the exposure of every record stayed inside the window",
    "difference": "risk_observed less risk_inside",
    "ratio": "risk_observed over risk_inside",
    "attributable_fraction": "share of the outcomes that would not have been: difference over risk_observed",
    "risk_outside": "share with the outcome, of the records outside the window",
    "risk_outside_moved": "the same records, had their exposure stayed inside",
    "difference_outside": "risk_outside less risk_outside_moved",
    "ratio_outside": "risk_outside over risk_outside_moved",
}
"""Rows of the result, and what they are."""

# Scale on which limits are symmetric; limits are carried back to the quantity's own scale.
_SCALES = {
    "risk_observed": "logit",
    "risk_inside": "logit",
    "difference": "plain",
    "ratio": "log",
    "attributable_fraction": "complement",
    "risk_outside": "logit",
    "risk_outside_moved": "logit",
    "difference_outside": "plain",
    "ratio_outside": "log",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StandardisedRisk:
    """Risks as they were and as they would have been.

    Parameters
    ----------
    table : DataFrame
        One row a quantity, in the order of `QUANTITIES`: quantity, estimate, low, high.
        Limits are NaN where a share is 0 or 1, be it only without some one
        cluster: so few outcomes carry none.
    n, outside, excluded, clusters : int
        Records used, those outside the window, those left out for a gap, clusters.
    undefined : int
        Resamples without any outcome (or any record outside), in which a
        ratio has no value; they are left out of its limits.
    confidence : float
    method : str
    """

    table: pd.DataFrame
    n: int
    outside: int
    excluded: int
    clusters: int
    undefined: int
    confidence: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Records:
    x: Floats
    x_moved: Floats
    y: Floats
    outside: npt.NDArray[np.bool_]


def inside_window(values: npt.ArrayLike, *, window: tuple[float | None, float | None]) -> Floats:
    """Return the values, those outside the window moved to its near end.

    Parameters
    ----------
    values : array_like
    window : tuple of float or None
        Low and high end, both inside; None for an open end.

    Returns
    -------
    ndarray

    Raises
    ------
    ValueError
        Both ends are open, or low is above high.

    Examples
    --------
    >>> inside_window([1, 5, 9], window=(2, 6)).tolist()
    [2.0, 5.0, 6.0]
    """
    low, high = window
    if (low is None and high is None) or (low is not None and high is not None and low > high):
        raise ValueError(f"a window has a low end, a high end or both, low not above high; given {window}")
    return np.clip(np.asarray(values, dtype=np.float64), low, high)


def standardised_risk(
    frame: pd.DataFrame,
    *,
    outcome: str,
    exposure: str,
    window: tuple[float | None, float | None],
    adjust: Sequence[str] = (),
    cluster: str,
    knots: Mapping[str, int] | None = None,
    interval: str = "jackknife",
    confidence: float = 0.95,
    resamples: int = 2000,
    rng: np.random.Generator | None = None,
    missing: str = "raise",
) -> StandardisedRisk:
    """Return the risk as observed and with the exposure inside its window, with difference, ratio and fraction.

    The model is Firth's [2]_, its constant then moved so that predicted and
    observed risk agree [3]_ (without that, the penalty draws rare risks
    towards one half).

    Parameters
    ----------
    frame : DataFrame
        One row a record.
    outcome : str
        Column of 0 and 1, or of False and True.
    exposure : str
        Column of numbers, or of False and True (with the window (0, 0) or (1, 1)).
    window : tuple of float or None
        Ends of the exposure's window.
    adjust : sequence of str
        What the comparison is adjusted for, coded as `code_terms` says.
    cluster : str
        Column that names the cluster of each record.
    knots : mapping of str to int, optional
        Number of knots of the terms (exposure or not) that enter as a natural spline.
    interval : {'jackknife', 'percentile', 'bca'}
        See `Notes`.
    confidence : float
    resamples : int
        Of the bootstrap.
    rng : Generator, optional
        Needed for the bootstrap.
    missing : {'raise', 'exclude'}

    Returns
    -------
    StandardisedRisk

    Raises
    ------
    ValueError
        The outcome is not of 0 and 1, no record lies on one side of the window,
        a term repeats others, all outcomes are in one cluster, or the bootstrap
        has no `rng`.

    Notes
    -----
    The jackknife is the default because it kept its promise in simulation where
    the bootstraps did not. Design: clusters of 8 to 80 records in geometric
    steps, log odds that vary between clusters with sd 0.5, an exposure that
    varies within and between them, a recorded confounder. Nominal 95 % limits
    of the nine quantities held the truth, with 12 clusters, in 93 to 96 % of
    1200 data sets at a risk of 0.37 and in 93 to 96 % at 0.13; with 30
    clusters in 94 to 96 % and 92 to 96 % (lowest for ratio and attributable
    fraction, whose high limit then lay too low; another 600 data sets gave
    95 %). With 12 clusters the percentiles held it in 88 to 92 % (300 data
    sets), the accelerated limits in 85 to 91 % (150).

    It is not shown to hold for an exposure that does not vary within clusters
    and is outside in a few of them only (3 of 12: the risk outside was held in
    88 %), for one cluster that holds most of the records, for a model of the
    wrong shape, nor against a confounder that is left out.

    References
    ----------
    [1]_, [2]_, [3]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"out": [0] * 40 + [1] * 40, "crew": ["a", "b"] * 40, "day": list(range(16)) * 5,
    ...                       "fault": [1] * 4 + [0] * 36 + [1] * 12 + [0] * 28})
    >>> risks = standardised_risk(frame, outcome="fault", exposure="out", window=(0, 0), adjust=["crew"], cluster="day")
    >>> risks.table.set_index("quantity")["estimate"].round(3)[["risk_observed", "risk_inside"]].to_list()
    [0.2, 0.106]
    """
    check_confidence(confidence)
    if interval not in INTERVALS:
        raise ValueError(f"interval must be one of {list(INTERVALS)}; given {interval!r}")
    if interval != "jackknife" and rng is None:
        raise ValueError("the bootstrap needs a random generator: give rng=numpy.random.default_rng(seed)")
    wanted = [outcome, exposure, *adjust]
    wanted += [cluster] if cluster not in wanted else []
    kept, excluded = complete_rows(frame, columns=wanted, missing=missing)
    records = _records(kept, outcome, exposure, window=window, adjust=adjust, knots=knots)
    members, names = cluster_members(kept[cluster])
    estimate, start = _quantities(records, np.ones((1, len(kept))), None)
    left, _ = _quantities(records, leave_out_weights(members), start)
    if np.isnan(left).any():
        raise ValueError("no one cluster may hold every outcome, or every record outside or inside the window")
    drawn = None
    if interval != "jackknife" and rng is not None:
        drawn, _ = _quantities(records, bootstrap_weights(members, resamples=resamples, rng=rng), start)
    df = max(1.0, effective_clusters(members) - 1.0)
    rows = []
    for i, name in enumerate(QUANTITIES):
        point = float(estimate[0, i])
        if drawn is None:
            limits = _jackknife(name, point, left[:, i], df=df, confidence=confidence)
        else:
            limits = _bootstrap(point, left[:, i], drawn[:, i], interval=interval, confidence=confidence)
        rows.append((name, point, *limits))
    return StandardisedRisk(
        table=pd.DataFrame(rows, columns=["quantity", "estimate", "low", "high"]),
        n=len(kept),
        outside=int(records.outside.sum()),
        excluded=excluded,
        clusters=len(names),
        undefined=0 if drawn is None else int(np.isnan(drawn).any(axis=1).sum()),
        confidence=confidence,
        method=f"g-computation, Firth's logistic model with constant moved to the observed risk; {INTERVALS[interval]}",
    )


def _records(
    kept: pd.DataFrame,
    outcome: str,
    exposure: str,
    *,
    window: tuple[float | None, float | None],
    adjust: Sequence[str],
    knots: Mapping[str, int] | None,
) -> _Records:
    y = kept[outcome].to_numpy(dtype=np.float64)
    if set(y.tolist()) != {0.0, 1.0}:
        raise ValueError(f"{outcome} must hold 0 and 1, both of them; given {sorted(set(y.tolist()))[:5]}")
    values = kept[exposure].to_numpy(dtype=np.float64)
    numbers = kept.assign(**{exposure: values})
    moved = inside_window(values, window=window)
    outside = moved != values
    if outside.all() or not outside.any():
        raise ValueError(
            f"records inside and outside the window {window} of {exposure} are needed; "
            f"{int(outside.sum())} of {len(outside)} lie outside"
        )
    coding = code_terms(numbers, terms=[exposure, *adjust], knots=knots)
    design = design_matrix(numbers, coding=coding)
    x = design.to_numpy(dtype=np.float64)
    check_rank(x, names=list(design.columns))
    x_moved = design_matrix(numbers.assign(**{exposure: moved}), coding=coding).to_numpy(dtype=np.float64)
    return _Records(x=x, x_moved=x_moved, y=y, outside=outside)


def _quantities(records: _Records, weights: Floats, start: Floats | None) -> tuple[Floats, Floats]:
    """Return the quantities of each row of weights, shape (fits, quantities), and the coefficients."""
    begin = None if start is None else np.repeat(start, len(weights), axis=0)
    fit = fit_batch(records.x, records.y, family="logistic", penalised=True, weights=weights, start=begin)
    if not fit.converged.all():
        raise ValueError("the penalised model did not converge; centre and scale the terms, or merge rare levels")
    observed = _share(weights, records.y[None, :])
    shift = _constant_shift(weights, fit.coefficients @ records.x.T, observed)
    moved = _expit(fit.coefficients @ records.x_moved.T + shift[:, None])
    inside = np.where(observed > 0, _share(weights, moved), 0.0)
    those = weights * records.outside
    outside, outside_moved = _share(those, records.y[None, :]), _share(those, moved)
    outside_moved = np.where(observed > 0, outside_moved, 0.0)
    columns = [
        observed,
        inside,
        observed - inside,
        _ratio(observed, inside),
        1.0 - _ratio(inside, observed),
        outside,
        outside_moved,
        outside - outside_moved,
        _ratio(outside, outside_moved),
    ]
    return np.column_stack(columns), fit.coefficients


def _share(weights: Floats, values: Floats) -> Floats:
    total = weights.sum(axis=1)
    return _ratio((weights * values).sum(axis=1), total)


def _ratio(above: Floats, below: Floats) -> Floats:
    return np.asarray(np.divide(above, below, out=np.full(len(above), np.nan), where=below > 0), dtype=np.float64)


def _constant_shift(weights: Floats, predictor: Floats, observed: Floats) -> Floats:
    """Return what to add to each fit's constant so that predicted and observed risk agree, [3] section 3.1."""
    shift = np.zeros(len(weights))
    mixed = (observed > 0) & (observed < 1)
    for _ in range(50):
        mean = _expit(predictor + shift[:, None])
        slope = (weights * mean * (1.0 - mean)).sum(axis=1)
        gap = (observed * weights.sum(axis=1)) - (weights * mean).sum(axis=1)
        step = np.where(mixed, np.clip(gap / np.maximum(slope, 1e-300), -1.0, 1.0), 0.0)
        shift = shift + step
        if np.abs(step).max() < 1e-10:
            break
    return shift


def _expit(predictor: Floats) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(-np.clip(predictor, -500.0, 500.0))), dtype=np.float64)


def _to_scale(values: Floats, scale: str) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        if scale == "logit":
            return np.asarray(np.log(values) - np.log1p(-values), dtype=np.float64)
        if scale == "log":
            return np.asarray(np.log(values), dtype=np.float64)
        return np.asarray(np.log(1.0 - values) if scale == "complement" else values, dtype=np.float64)


def _from_scale(value: float, scale: str) -> float:
    if scale == "logit":
        return float(_expit(np.array(value)))
    if scale == "log":
        return float(np.exp(value))
    return float(1.0 - np.exp(value)) if scale == "complement" else value


def _jackknife(name: str, estimate: float, left: Floats, *, df: float, confidence: float) -> tuple[float, float]:
    scale = _SCALES[name]
    point, others = float(_to_scale(np.array(estimate), scale)), _to_scale(left, scale)
    if not (np.isfinite(point) and np.isfinite(others).all()):
        return float("nan"), float("nan")
    ends = jackknife_limits(point, left_out=others, df=df, confidence=confidence)
    low, high = sorted(_from_scale(end, scale) for end in ends)
    return low, high


def _bootstrap(
    estimate: float, left: Floats, drawn: Floats, *, interval: str, confidence: float
) -> tuple[float, float]:
    draws = drawn[~np.isnan(drawn)]
    if interval == "percentile":
        return percentile_limits(draws, confidence=confidence)
    return bca_limits(estimate, resampled=draws, left_out=left, confidence=confidence)
