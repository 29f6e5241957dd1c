"""Skill: whether a model says more than the base rate about records of groups that it has not seen.

References
----------
.. [1] Brier, G. W. (1950). Verification of forecasts expressed in terms of probability. Monthly Weather Review 78, 1.
.. [2] Murphy, A. H. (1973). Hedging and skill scores for probability forecasts. Journal of Applied Meteorology 12, 215.
.. [3] MacKinnon, J. G., Nielsen, M. O. and Webb, M. D. (2023). Fast and reliable jackknife and bootstrap methods
   for cluster-robust inference. Journal of Applied Econometrics 38, 671.
.. [4] Bates, S., Hastie, T. and Tibshirani, R. (2024). Cross-validation: what does it estimate and how well does it
   do it? Journal of the American Statistical Association 119, 1434.
.. [5] Parker, B. J., Gunter, S. and Bedo, J. (2007). Stratification bias in low signal microarray studies. BMC
   Bioinformatics 8, 326 (pooling the ranks of several folds draws them below one half).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.resampling import effective_clusters, jackknife_limits, leave_out_weights
from auditkit.stats.rows import check_confidence

__all__ = [
    "LOSSES",
    "Fit",
    "Predictions",
    "Skill",
    "grouped_predictions",
    "losses",
    "skill_score",
    "within_cluster_auc",
]

Floats = npt.NDArray[np.float64]
Fit = Callable[[pd.DataFrame, Floats], Callable[[pd.DataFrame], Floats]]
"""From terms and outcome (0 and 1, both there) to a function that gives the risk of other rows."""

LOSSES: dict[str, str] = {
    "brier": "squared distance of the predicted risk from what came",
    "log": "less the logarithm of the risk given to what came",
}
"""How far off a predicted risk was."""

_NEAREST = 1e-6  # of a predicted risk to 0 and 1, so that one sure error does not outweigh all else


@dataclass(frozen=True, slots=True, kw_only=True)
class Predictions:
    """Risks predicted for records by models that have not seen their group.

    Parameters
    ----------
    risk, base : ndarray, shape (rows,)
        By the model, and the share with the outcome among the rows it was fitted to `[-]`.
    fold : ndarray of int, shape (rows,)
    models : tuple
        What gave the risks of each fold; None where the base rate was all there was.
    """

    risk: Floats
    base: Floats
    fold: npt.NDArray[np.intp]
    models: tuple[Callable[[pd.DataFrame], Floats] | None, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Skill:
    """How much less far off a prediction is than a reference.

    Parameters
    ----------
    score, low, high : float
        1 less the loss over that of the reference `[-]`: 1 is perfect, 0 no
        better, below 0 worse.
    auc : float
        Share of pairs of one cluster, one with the outcome and one without, in
        which the one with it was given the higher risk `[-]`; NaN without a pair.
    n, events, clusters : int
    confidence : float
    method : str
    """

    score: float
    low: float
    high: float
    auc: float
    n: int
    events: int
    clusters: int
    confidence: float
    method: str


def grouped_predictions(
    terms: pd.DataFrame, outcome: npt.ArrayLike, *, groups: npt.ArrayLike, fit: Fit, most_folds: int = 10
) -> Predictions:
    """Return the risk of each record from a model fitted without its group.

    Parameters
    ----------
    terms : DataFrame
        One row a record.
    outcome : array_like of 0 and 1, shape (rows,)
    groups : array_like, shape (rows,)
        Group of each record; none is split.
    fit : callable
        See `Fit`; not called where the rows to fit all have the same outcome,
        the base rate is then all there is.
    most_folds : int
        With more groups than this, several are left out together.

    Returns
    -------
    Predictions

    Raises
    ------
    ValueError
        There are fewer than two groups, or the outcome holds something else than 0 and 1.

    Examples
    --------
    >>> made = grouped_predictions(pd.DataFrame({"x": [0, 1, 0, 1]}), [0, 1, 0, 1], groups=["a", "a", "b", "b"],
    ...                            fit=lambda x, y: lambda rows: rows["x"].to_numpy(dtype=float))
    >>> made.risk.tolist(), made.base.tolist()
    ([0.0, 1.0, 0.0, 1.0], [0.5, 0.5, 0.5, 0.5])
    """
    from sklearn.model_selection import GroupKFold

    y, labels = _outcome(outcome), np.asarray(groups)
    count = len(np.unique(labels))
    if count < 2:
        raise ValueError(f"two groups or more are needed, to leave one out; given {count}")
    folds = min(count, most_folds)
    risk, base, fold = np.empty(len(y)), np.empty(len(y)), np.empty(len(y), dtype=np.intp)
    models: list[Callable[[pd.DataFrame], Floats] | None] = []
    for number, (seen, left) in enumerate(GroupKFold(n_splits=folds).split(y, groups=labels)):
        base[left], fold[left] = y[seen].mean(), number
        model = fit(terms.iloc[seen], y[seen]) if 0 < y[seen].mean() < 1 else None
        risk[left] = base[left] if model is None else model(terms.iloc[left])
        models.append(model)
    return Predictions(risk=risk, base=base, fold=fold, models=tuple(models))


def losses(outcome: npt.ArrayLike, risk: npt.ArrayLike, *, loss: str = "brier") -> Floats:
    """Return how far off each predicted risk was [-].

    Parameters
    ----------
    outcome : array_like of 0 and 1, shape (rows,)
    risk : array_like, shape (rows,)
        Predicted risks.
    loss : {'brier', 'log'}
        See `LOSSES`.

    Returns
    -------
    ndarray, shape (rows,)

    Raises
    ------
    ValueError
        The loss is not known, or the outcome holds something else than 0 and 1.

    References
    ----------
    [1]_ of the module, for two classes halved as is usual.

    Examples
    --------
    >>> losses([0, 1], [0.1, 0.9]).round(2).tolist()
    [0.01, 0.01]
    """
    if loss not in LOSSES:
        raise ValueError(f"loss must be one of {list(LOSSES)}; given {loss!r}")
    y, p = _outcome(outcome), np.asarray(risk, dtype=np.float64)
    if loss == "brier":
        return np.asarray((p - y) ** 2, dtype=np.float64)
    inside = np.clip(p, _NEAREST, 1.0 - _NEAREST)
    return np.asarray(-np.log(np.where(y == 1, inside, 1.0 - inside)), dtype=np.float64)


def skill_score(
    outcome: npt.ArrayLike,
    risk: npt.ArrayLike,
    *,
    reference: npt.ArrayLike,
    clusters: npt.ArrayLike,
    loss: str = "brier",
    confidence: float = 0.95,
) -> Skill:
    """Return the skill of predicted risks against those of a reference, with limits by cluster.

    Parameters
    ----------
    outcome : array_like of 0 and 1, shape (rows,)
    risk, reference : array_like, shape (rows,)
        Predicted risks, by records that the prediction has not seen.
    clusters : array_like, shape (rows,)
        Cluster of each record.
    loss : {'brier', 'log'}
    confidence : float

    Returns
    -------
    Skill
        Limits are NaN where the reference is without fault.

    Raises
    ------
    ValueError
        There are fewer than two clusters, or an argument is out of range.

    Notes
    -----
    Limits are those of the delete-one-cluster jackknife [3]_ with Student's t.
    They take the models as they are; that each was fitted to records of the
    others is not allowed for, which makes limits of this kind somewhat too
    narrow [4]_.

    References
    ----------
    [2]_ of the module; [5]_ for ranking within clusters alone.

    Examples
    --------
    >>> found = skill_score([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3], reference=[0.5] * 4, clusters=["a", "a", "b", "b"])
    >>> round(found.score, 2), found.auc
    (0.85, 1.0)
    """
    check_confidence(confidence)
    y = _outcome(outcome)
    members, names = pd.factorize(np.asarray(clusters), sort=True)
    if len(names) < 2:
        raise ValueError(f"two clusters or more are needed, for limits; given {len(names)}")
    own, other = losses(y, risk, loss=loss), losses(y, reference, loss=loss)
    score = low = high = float("nan")
    weights = leave_out_weights(members)
    without = weights @ other
    if other.sum() > 0:
        score = 1.0 - float(own.sum() / other.sum())
    if (without > 0).all():
        df = max(1.0, effective_clusters(members) - 1.0)
        left = 1.0 - (weights @ own) / without
        low, high = jackknife_limits(score, left_out=left, df=df, confidence=confidence)
    return Skill(
        score=score,
        low=low,
        high=min(high, 1.0),
        auc=within_cluster_auc(y, risk, clusters=members),
        n=len(y),
        events=int(y.sum()),
        clusters=len(names),
        confidence=confidence,
        method=f"{loss} skill score; delete-one-cluster jackknife, t on effective clusters - 1 degrees of freedom",
    )


def within_cluster_auc(outcome: npt.ArrayLike, risk: npt.ArrayLike, *, clusters: npt.ArrayLike) -> float:
    """Return the share of pairs within clusters that the risks put in the right order [-].

    Parameters
    ----------
    outcome : array_like of 0 and 1, shape (rows,)
    risk : array_like, shape (rows,)
    clusters : array_like, shape (rows,)

    Returns
    -------
    float
        Equal risks count one half; NaN where no cluster has both outcomes.

    References
    ----------
    [5]_ of the module, for why not over clusters.

    Examples
    --------
    >>> within_cluster_auc([0, 0, 1, 1], [0.1, 0.4, 0.35, 0.8], clusters=["a"] * 4)
    0.75
    """
    y = _outcome(outcome)
    frame = pd.DataFrame({"y": y, "risk": np.asarray(risk, dtype=np.float64), "cluster": np.asarray(clusters)})
    frame["rank"] = frame.groupby("cluster")["risk"].rank()
    frame["rank_with"] = frame["rank"] * frame["y"]
    sums = frame.groupby("cluster").agg(n=("y", "size"), events=("y", "sum"), ranks=("rank_with", "sum"))
    pairs = float((sums["events"] * (sums["n"] - sums["events"])).sum())
    ordered = float((sums["ranks"] - sums["events"] * (sums["events"] + 1) / 2).sum())
    return ordered / pairs if pairs else float("nan")


def _outcome(values: npt.ArrayLike) -> Floats:
    y = np.asarray(values, dtype=np.float64)
    if y.ndim != 1 or not np.isin(y, (0.0, 1.0)).all():
        raise ValueError(f"the outcome must be one row of 0 and 1; given {np.unique(y)[:5].tolist()}")
    return y
