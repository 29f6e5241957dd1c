"""Boosted trees: small, slow and deterministic ones, and what they have learnt of each term and pair.

References
----------
.. [1] Friedman, J. H. (2001). Greedy function approximation: a gradient boosting machine. Annals of Statistics
   29, 1189.
.. [2] Friedman, J. H. and Popescu, B. E. (2008). Predictive learning via rule ensembles. Annals of Applied
   Statistics 2, 916, sections 8.1 and 8.2.
.. [3] Breiman, L. (2001). Random forests. Machine Learning 45, 5, section 10 (importance by shuffling).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.rows import significant
from auditkit.stats.skill import Predictions, losses
from auditkit.stats.threads import one_thread

__all__ = [
    "BINS",
    "MOST_LABELS",
    "TREES",
    "TreeScore",
    "fit_trees",
    "interaction_strength",
    "partial_dependence",
    "risks",
    "shuffled_losses",
]

Floats = npt.NDArray[np.float64]
TreeScore = Callable[[pd.DataFrame], Floats]
"""From rows of terms to their log odds."""

TREES: dict[str, Any] = {"max_iter": 60, "max_leaf_nodes": 4, "min_samples_leaf": 15, "learning_rate": 0.1}
"""Few, small and slow: with some tens of outcomes, larger trees learn the records by heart."""


BINS = 32
"""Classes that a term of numbers is cut into, at most."""

MOST_LABELS = 255
"""Labels of a category that are told apart, the most the library can; those after them count as gaps."""


def fit_trees(terms: pd.DataFrame, outcome: npt.ArrayLike, *, additive: bool = False) -> TreeScore:
    """Return the log odds by boosted trees fitted to the records.

    Numbers enter as places in at most `BINS` classes of about as many records
    each, cut here and not by the library, whose quantiles fall otherwise from
    one version to the next.

    Parameters
    ----------
    terms : DataFrame
        One row a record: numbers, or categories. A gap is a value of its own.
    outcome : array_like of 0 and 1, shape (rows,)
        Both must be there.
    additive : bool
        Whether a tree may use one term only, so that no two act together.

    Returns
    -------
    callable
        From rows with the same columns to log odds; a category not seen counts as a gap.

    References
    ----------
    [1]_ of the module; scikit-learn's HistGradientBoostingClassifier, which
    draws nothing at random without early stopping.

    Examples
    --------
    >>> terms = pd.DataFrame({"x": np.arange(80.0)})
    >>> score = fit_trees(terms, terms["x"] >= 40)
    >>> (score(pd.DataFrame({"x": [10.0, 70.0]})) > 0).tolist()
    [False, True]
    """
    from sklearn.ensemble import HistGradientBoostingClassifier

    labels = [isinstance(kind, pd.CategoricalDtype) for kind in terms.dtypes]
    cuts = {name: _cuts(terms[name]) for name, label in zip(terms.columns, labels, strict=True) if not label}
    model = HistGradientBoostingClassifier(
        **TREES,
        max_bins=MOST_LABELS,
        early_stopping=False,
        categorical_features=labels if any(labels) else None,
        interaction_cst="no_interactions" if additive else None,
        random_state=0,
    )

    def score(rows: pd.DataFrame) -> Floats:
        with one_thread():
            return np.asarray(model.decision_function(_numbers(rows, cuts=cuts)), dtype=np.float64)

    with one_thread():
        model.fit(_numbers(terms, cuts=cuts), np.asarray(outcome, dtype=np.float64))
    return score


def risks(score: TreeScore, rows: pd.DataFrame) -> Floats:
    """Return the risks that belong to the log odds of the rows [-].

    Examples
    --------
    >>> risks(lambda rows: np.zeros(len(rows)), pd.DataFrame({"x": [1.0]})).tolist()
    [0.5]
    """
    return np.asarray(1.0 / (1.0 + np.exp(-score(rows))), dtype=np.float64)


def shuffled_losses(
    terms: pd.DataFrame,
    outcome: npt.ArrayLike,
    made: Predictions,
    *,
    shuffled: Sequence[str],
    repeats: int,
    rng: np.random.Generator,
) -> dict[str, Floats]:
    """Return the logarithmic loss of each record, not seen by its model, with one term shuffled at a time [-].

    Parameters
    ----------
    terms : DataFrame
    outcome : array_like of 0 and 1, shape (rows,)
    made : Predictions
        Of these rows, with their models.
    shuffled : sequence of str
        Columns to shuffle, each for itself, over all rows, so that a term that
        is the same throughout a group is shuffled as well.
    repeats : int
        Shuffles to take the mean over.
    rng : Generator

    Returns
    -------
    dict of str to ndarray, shape (rows,)
        By column.

    References
    ----------
    [3]_ of the module.

    Examples
    --------
    >>> from auditkit.stats.skill import grouped_predictions
    >>> terms = pd.DataFrame({"x": [0.2, 0.8] * 4, "idle": 1.0})
    >>> y = [0, 1] * 4
    >>> as_it_is = lambda x, y: lambda rows: rows["x"].to_numpy()
    >>> made = grouped_predictions(terms, y, groups=[1] * 4 + [2] * 4, fit=as_it_is)
    >>> found = shuffled_losses(terms, y, made, shuffled=["x", "idle"], repeats=9, rng=np.random.default_rng(1))
    >>> [round(float(loss.mean()), 2) for loss in found.values()]
    [1.03, 0.22]
    """
    y = np.asarray(outcome, dtype=np.float64)
    names, count = list(shuffled), len(shuffled) * repeats
    orders = np.array([rng.permutation(len(y)) for _ in range(count)]).reshape(count, len(y))
    risk = np.tile(made.risk, (count, 1))
    for number, model in enumerate(made.models):
        own = np.flatnonzero(made.fold == number)
        if model is None or not count:
            continue
        # all terms and repeats in one go: a model takes longer to be asked than to answer
        place = {term: np.tile(own, (count, 1)) for term in terms.columns}
        for i, name in enumerate(names):
            those = slice(i * repeats, (i + 1) * repeats)
            place[name][those] = orders[those][:, own]
        many = pd.DataFrame({term: terms[term].array.take(rows.ravel()) for term, rows in place.items()})
        risk[:, own] = model(many).reshape(count, len(own))
    each = losses(np.tile(y, count), risk.ravel(), loss="log").reshape(len(names), repeats, len(y))
    return dict(zip(names, each.mean(axis=1), strict=True))


def partial_dependence(
    of: TreeScore, terms: pd.DataFrame, *, at: Mapping[str, npt.ArrayLike], rows: npt.NDArray[np.intp] | None = None
) -> Floats:
    """Return the mean over the records, had they taken given values of one or more terms.

    Parameters
    ----------
    of : callable
        From rows to numbers: log odds, or risks.
    terms : DataFrame
    at : mapping of str to array_like, shape (points,)
        Values of each term that is set, all of one length.
    rows : ndarray of int, optional
        Positions of the records to take the mean over; left out, all.

    Returns
    -------
    ndarray, shape (points,)

    References
    ----------
    [1]_ of the module, section 8.2.

    Examples
    --------
    >>> terms = pd.DataFrame({"x": [1.0, 3.0], "z": [10.0, 20.0]})
    >>> partial_dependence(lambda rows: (rows["x"] * rows["z"]).to_numpy(), terms, at={"x": [0.0, 2.0]}).tolist()
    [0.0, 30.0]
    """
    kept = terms if rows is None else terms.iloc[rows]
    points = len(np.asarray(next(iter(at.values()))))
    many = kept.iloc[np.tile(np.arange(len(kept)), points)].reset_index(drop=True)
    many = many.assign(**{name: np.repeat(np.asarray(values), len(kept)) for name, values in at.items()})
    return np.asarray(of(many).reshape(points, len(kept)).mean(axis=1), dtype=np.float64)


def interaction_strength(of: TreeScore, terms: pd.DataFrame, *, one: str, other: str, points: int = 40) -> float:
    """Return how much of what two terms do together neither does by itself (H squared) [-].

    Parameters
    ----------
    of : callable
        From rows to log odds.
    terms : DataFrame
    one, other : str
        Terms of numbers.
    points : int
        Records, spread evenly over those complete in both, at which it is
        asked, and over which means are taken.

    Returns
    -------
    float
        0 where they add up; NaN where they do nothing, or fewer than two records are complete.

    References
    ----------
    [2]_ of the module, eq. 44.

    Examples
    --------
    >>> terms = pd.DataFrame({"x": [-1.0, -1.0, 1.0, 1.0], "z": [-1.0, 1.0, -1.0, 1.0]})
    >>> interaction_strength(lambda rows: (rows["x"] + rows["z"]).to_numpy(), terms, one="x", other="z")
    0.0
    >>> interaction_strength(lambda rows: (rows["x"] * rows["z"]).to_numpy(), terms, one="x", other="z")
    1.0
    """
    complete = np.flatnonzero(terms[[one, other]].notna().all(axis=1).to_numpy())
    if len(complete) < 2:
        return float("nan")
    chosen = complete[np.unique(np.linspace(0, len(complete) - 1, points).round().astype(int))]
    values = {name: terms[name].to_numpy(dtype=np.float64)[chosen] for name in (one, other)}
    alone = {name: partial_dependence(of, terms, at={name: values[name]}, rows=chosen) for name in values}
    both = partial_dependence(of, terms, at=values, rows=chosen)
    first, second, joint = (curve - curve.mean() for curve in (alone[one], alone[other], both))
    total = float((joint**2).sum())
    if total <= 1e-12 * len(joint):
        return float("nan")
    return float(((joint - first - second) ** 2).sum() / total)


def _cuts(values: pd.Series) -> Floats:
    """Return where a term of numbers is cut into classes: halfway between neighbours, at even shares of the records."""
    known = np.sort(significant(values.dropna().to_numpy(dtype=np.float64)))
    levels = np.unique(known)
    if len(levels) > BINS:
        firsts = np.unique(known[np.arange(1, BINS) * len(known) // BINS])
        upper = np.searchsorted(levels, firsts[firsts > levels[0]])
    else:
        upper = np.arange(1, len(levels))
    return significant((levels[upper - 1] + levels[upper]) / 2.0)


def _numbers(terms: pd.DataFrame, *, cuts: Mapping[str, Floats]) -> Floats:
    """Return the class of each number and the code of each category; a gap is NaN."""
    columns = []
    for name in terms.columns:
        if name in cuts:
            # rows asked for are mostly the same few over and over: each value is placed once
            at, levels = pd.factorize(terms[name].to_numpy(dtype=np.float64))
            places = np.searchsorted(cuts[name], significant(levels), side="right").astype(np.float64)
            column = np.append(places, np.nan)[at]
        else:
            codes = terms[name].cat.codes.to_numpy(dtype=np.float64)
            column = np.where((codes < 0) | (codes >= MOST_LABELS), np.nan, codes)
        columns.append(column)
    return np.column_stack(columns)
