"""Strata of a designed trial: which contrasts its runs can tell, and which differences between runs are error."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.trials import effect_name, effect_words

__all__ = ["Contrast", "contrast_columns", "corner_runs", "error_strata", "stratum_of"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Contrast:
    """One effect, as the runs can tell it.

    Parameters
    ----------
    word : tuple of str
        Its factors.
    aliases : tuple of str
        Effects that it cannot be told from.
    column : ndarray, shape (runs,)
        -1 and +1.
    """

    word: tuple[str, ...]
    aliases: tuple[str, ...]
    column: Floats


def corner_runs(runs: pd.DataFrame, factors: Sequence[str]) -> npt.NDArray[np.bool_]:
    """Return which runs are corners; the others are centre runs.

    Raises
    ------
    ValueError
        A row is neither.

    Examples
    --------
    >>> corner_runs(pd.DataFrame({"a": [-1, 0], "b": [1, 0]}), ["a", "b"]).tolist()
    [True, False]
    """
    levels = runs[list(factors)].to_numpy(dtype=np.float64)
    corner, centre = (np.abs(levels) == 1).all(axis=1), (levels == 0).all(axis=1)
    if not (corner | centre).all():
        raise ValueError("factors must be coded -1 and +1, or all 0 in a centre run; decode a plan after its analysis")
    return np.asarray(corner, dtype=np.bool_)


def contrast_columns(runs: pd.DataFrame, *, factors: Sequence[str], order: int) -> list[Contrast]:
    """Return the contrasts that the corner runs can tell apart, main effects first.

    Parameters
    ----------
    runs : DataFrame
        Corner runs, coded -1 and +1.
    factors : sequence of str
    order : int

    Returns
    -------
    list of Contrast

    Raises
    ------
    ValueError
        The runs are not balanced.

    Examples
    --------
    >>> runs = pd.DataFrame({"a": [-1, 1, -1, 1], "b": [-1, -1, 1, 1]})
    >>> contrast_columns(runs, factors=["a", "b"], order=2)[2].column.tolist()
    [1.0, -1.0, -1.0, 1.0]
    """
    found: list[Contrast] = []
    for word in effect_words(factors, order=order):
        column = runs[list(word)].prod(axis=1).to_numpy(dtype=np.float64)
        same = [i for i, entry in enumerate(found) if abs(entry.column @ column) == len(column)]
        if same:
            first = found[same[0]]
            found[same[0]] = replace(first, aliases=(*first.aliases, effect_name(word)))
        elif column.sum() != 0 or any(entry.column @ column for entry in found):
            raise ValueError(
                f"runs must be balanced; {effect_name(word)} is not, with the effects before it. "
                "Fit a linear model instead, or leave out what was run in part"
            )
        else:
            found.append(Contrast(word=word, aliases=(), column=column))
    return found


def stratum_of(contrast: Contrast, *, runs: pd.DataFrame, whole_plot: str | None) -> str:
    """Return whether an effect is told between whole plots or between runs.

    Examples
    --------
    >>> runs = pd.DataFrame({"a": [-1, -1, 1, 1], "b": [-1, 1, -1, 1], "plot": [1, 1, 2, 2]})
    >>> [stratum_of(c, runs=runs, whole_plot="plot") for c in contrast_columns(runs, factors=["a", "b"], order=1)]
    ['whole plot', 'run']
    """
    if whole_plot is None:
        return "run"
    within = pd.Series(contrast.column, index=runs.index).groupby(runs[whole_plot]).nunique()
    return "whole plot" if bool((within == 1).all()) else "run"


def error_strata(
    runs: pd.DataFrame, *, factors: Sequence[str], whole_plot: str | None = None, block: str | None = None
) -> dict[str, Floats]:
    """Return, for each stratum, an orthonormal basis of the differences between runs of like setting.

    The sum of squares of the responses along the basis, over its number of
    columns, estimates the stratum's error, whatever the settings do.

    Parameters
    ----------
    runs : DataFrame
        Corner runs.
    factors, whole_plot, block
        As in `trial_effects`.

    Returns
    -------
    dict of str to ndarray, shape (runs, df)
        Keys 'run' and, with whole plots, 'whole plot'.

    Examples
    --------
    >>> runs = pd.DataFrame({"a": [-1, 1, -1, 1, -1, 1]})
    >>> error_strata(runs, factors=["a"])["run"].shape
    (6, 4)
    """
    settings = _indicator(runs.groupby(list(factors), sort=True).ngroup())
    if block is not None:
        settings = np.column_stack([settings, _indicator(runs[block])])
    if whole_plot is None:
        return {"run": _complement(np.eye(len(runs)), settings)}
    plots = _indicator(runs[whole_plot])
    average = plots @ np.linalg.pinv(plots)
    return {
        "run": _complement(np.eye(len(runs)), np.column_stack([settings, plots])),
        "whole plot": _complement(plots, average @ settings),
    }


def _indicator(labels: pd.Series) -> Floats:
    codes = pd.factorize(labels, sort=True)[0]
    return np.asarray(codes[:, None] == np.arange(codes.max() + 1), dtype=np.float64)


def _complement(space: Floats, model: Floats) -> Floats:
    """Return an orthonormal basis of what the columns of `space` hold beyond those of `model` (a part of it)."""
    left = space - model @ (np.linalg.pinv(model) @ space)
    vectors, sizes, _ = np.linalg.svd(left, full_matrices=False)
    return np.asarray(vectors[:, sizes > 1e-9 * max(1.0, float(np.abs(space).max()))], dtype=np.float64)
