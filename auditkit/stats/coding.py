"""Coding: how the columns of a frame become the numeric columns of a model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.stats.splines import harrell_knots, natural_spline

__all__ = ["Coding", "code_terms", "design_matrix"]

INTERCEPT = "intercept"


@dataclass(frozen=True, slots=True, kw_only=True)
class Coding:
    """How each term is coded, fixed once so that other rows are coded alike.

    Parameters
    ----------
    terms : tuple of str
        Columns, in order.
    levels : mapping of str to tuple
        Levels of each term that holds labels, the reference first.
    knots : mapping of str to tuple of float
        Knots of each term that enters as a natural spline.
    """

    terms: tuple[str, ...]
    levels: Mapping[str, tuple[str, ...]]
    knots: Mapping[str, tuple[float, ...]]


def code_terms(frame: pd.DataFrame, *, terms: Sequence[str], knots: Mapping[str, int] | None = None) -> Coding:
    """Return how to code the terms, as these rows suggest it.

    A column of labels gets one column of 0 and 1 for each level but the most
    frequent (the first by name among equals), which is the reference. True and
    False count as 1 and 0. Numbers stay as they are, or become a spline.

    Parameters
    ----------
    frame : DataFrame
        Rows without a gap in the terms.
    terms : sequence of str
        Columns to code.
    knots : mapping of str to int, optional
        Number of knots of the terms that enter as a natural spline.

    Returns
    -------
    Coding

    Raises
    ------
    ValueError
        A term is not a column, occurs twice, has one value only, or is of
        labels and given knots.

    Examples
    --------
    >>> frame = pd.DataFrame({"crew": ["B", "A", "B"], "x": [1.0, 2.0, 4.0]})
    >>> code_terms(frame, terms=["x", "crew"]).levels
    {'crew': ('B', 'A')}
    """
    counts = dict(knots or {})
    if len(set(terms)) != len(terms):
        raise ValueError(f"each term must be named once; given {list(terms)}")
    strangers = [term for term in (*terms, *counts) if term not in frame.columns or term not in terms]
    if strangers:
        raise ValueError(f"every term must be a column, and knots must be of terms; not so {strangers}")
    constant = [term for term in terms if frame[term].nunique() < 2]
    if constant:
        raise ValueError(f"a term must take two values or more; {constant} do not. Leave them out of the model")
    levels: dict[str, tuple[str, ...]] = {}
    for term in terms:
        if _is_labels(frame[term]):
            shares = frame[term].astype(str).value_counts()
            ranked = sorted((-int(n), str(level)) for level, n in shares.items())
            levels[term] = tuple(level for _, level in ranked)
    curved_labels = sorted(set(levels) & set(counts))
    if curved_labels:
        raise ValueError(f"a spline is of numbers; {curved_labels} hold labels")
    places = {term: harrell_knots(frame[term], count=count) for term, count in counts.items()}
    return Coding(terms=tuple(terms), levels=levels, knots=places)


def design_matrix(frame: pd.DataFrame, *, coding: Coding) -> pd.DataFrame:
    """Return the numeric columns of a model, the constant first.

    Parameters
    ----------
    frame : DataFrame
        Rows without a gap in the terms.
    coding : Coding
        From `code_terms`.

    Returns
    -------
    DataFrame
        Columns `intercept`, then each term in order: its own name, or
        `term[level]`, or `term` and `term'`, `term''` for a spline.

    Raises
    ------
    ValueError
        A row has a level that the coding does not know.

    Examples
    --------
    >>> frame = pd.DataFrame({"crew": ["B", "A", "B"], "x": [1.0, 2.0, 4.0]})
    >>> design_matrix(frame, coding=code_terms(frame, terms=["x", "crew"])).to_dict("list")
    {'intercept': [1.0, 1.0, 1.0], 'x': [1.0, 2.0, 4.0], 'crew[A]': [0.0, 1.0, 0.0]}
    """
    columns: dict[str, np.ndarray] = {INTERCEPT: np.ones(len(frame))}
    for term in coding.terms:
        if term in coding.levels:
            columns |= _dummies(frame[term].astype(str), coding.levels[term])
        elif term in coding.knots:
            basis = natural_spline(frame[term], knots=coding.knots[term])
            columns |= {term + "'" * i: basis[:, i] for i in range(basis.shape[1])}
        else:
            columns[term] = frame[term].to_numpy(dtype=np.float64)
    return pd.DataFrame(columns, index=frame.index)


def _is_labels(values: pd.Series) -> bool:
    return not (pd.api.types.is_numeric_dtype(values) or pd.api.types.is_bool_dtype(values))


def _dummies(labels: pd.Series, levels: tuple[str, ...]) -> dict[str, np.ndarray]:
    unknown = sorted(set(labels) - set(levels))
    if unknown:
        raise ValueError(f"{labels.name} must be one of {list(levels)}; given also {unknown[:5]}")
    return {f"{labels.name}[{level}]": (labels == level).to_numpy(dtype=np.float64) for level in levels[1:]}
