"""Designed trials at two levels: which runs, what they cannot tell apart, and in what order to make them.

References
----------
.. [1] Box, G. E. P., Hunter, J. S. and Hunter, W. G. (2005). Statistics for Experimenters, 2nd edition, chapters 5, 6.
.. [2] Montgomery, D. C. (2013). Design and Analysis of Experiments, 8th edition, chapters 6 to 8 and 14.5.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
import numpy.typing as npt
import pandas as pd

__all__ = ["Factorial", "alias_table", "decoded", "fractional_factorial", "full_factorial", "run_plan"]

Word = frozenset[str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Factorial:
    """A full or fractional factorial at two levels.

    Parameters
    ----------
    factors : tuple of str
    runs : DataFrame
        One row a setting, one column a factor, -1 and +1, in standard order
        (the first factor changes fastest).
    defining_words : tuple of tuple of str
        Products of factors that are +1 in every run; none for a full factorial.
    resolution : int or None
        Length of the shortest defining word; None for a full factorial.
    """

    factors: tuple[str, ...]
    runs: pd.DataFrame
    defining_words: tuple[tuple[str, ...], ...]
    resolution: int | None


def full_factorial(factors: Sequence[str]) -> Factorial:
    """Return every combination of two levels of the factors.

    Parameters
    ----------
    factors : sequence of str

    Returns
    -------
    Factorial

    Raises
    ------
    ValueError
        A name occurs twice, or there is none.

    Examples
    --------
    >>> full_factorial(["a", "b"]).runs.to_numpy().tolist()
    [[-1, -1], [1, -1], [-1, 1], [1, 1]]
    """
    return fractional_factorial(factors, generators={})


def fractional_factorial(factors: Sequence[str], *, generators: Mapping[str, Sequence[str]]) -> Factorial:
    """Return a fraction of the full factorial: each generated factor is the product of others.

    Parameters
    ----------
    factors : sequence of str
        All factors, the generated ones among them.
    generators : mapping of str to sequence of str
        Generated factor, and the two or more factors whose product it is.

    Returns
    -------
    Factorial

    Raises
    ------
    ValueError
        A name occurs twice or is not known, a generator is of fewer than two
        factors or of generated ones, or two factors would move together.

    References
    ----------
    [1]_ chapter 6.

    Examples
    --------
    >>> half = fractional_factorial(["a", "b", "c", "d"], generators={"d": ["a", "b", "c"]})
    >>> len(half.runs), half.resolution
    (8, 4)
    """
    names = list(factors)
    if not names or len(set(names)) != len(names):
        raise ValueError(f"one factor or more, each named once, are needed; given {names}")
    basic = [name for name in names if name not in generators]
    for made, parts in generators.items():
        if made not in names or len(set(parts)) < 2 or len(set(parts)) != len(parts) or not set(parts) <= set(basic):
            raise ValueError(
                f"a generator makes one of the factors of two or more that are not generated ({basic}); "
                f"given {made!r} of {list(parts)}"
            )
    levels = np.array(list(product([-1, 1], repeat=len(basic))))[:, ::-1]
    runs = pd.DataFrame(levels, columns=basic)
    for made, parts in generators.items():
        runs[made] = runs[list(parts)].prod(axis=1)
    words = _products([frozenset({made, *parts}) for made, parts in generators.items()])
    if any(len(word) < 3 for word in words):
        short = sorted(_named(min(words, key=len), names))
        raise ValueError(f"two factors would move together: {short}. Choose other generators")
    return Factorial(
        factors=tuple(names),
        runs=runs[names],
        defining_words=tuple(sorted((_named(word, names) for word in words), key=lambda word: (len(word), word))),
        resolution=min((len(word) for word in words), default=None),
    )


def alias_table(design: Factorial, *, order: int = 2) -> pd.DataFrame:
    """Return what each effect cannot be told from.

    Parameters
    ----------
    design : Factorial
    order : int
        Most factors in an effect, and in those it is mixed with.

    Returns
    -------
    DataFrame
        effect, aliased_with (names joined by commas; blank for none), main
        effects first.

    References
    ----------
    [1]_ chapter 6: an effect times each defining word.

    Examples
    --------
    >>> half = fractional_factorial(["a", "b", "c", "d"], generators={"d": ["a", "b", "c"]})
    >>> alias_table(half).set_index("effect")["aliased_with"].loc[["a", "a x b"]].tolist()
    ['', 'c x d']
    """
    words = [frozenset(word) for word in design.defining_words]
    rows = []
    for effect in effect_words(design.factors, order=order):
        mixed = {frozenset(effect) ^ word for word in words}
        names = [_named(word, design.factors) for word in mixed if 0 < len(word) <= order]
        rows.append((effect_name(effect), ", ".join(effect_name(name) for name in sorted(names, key=_length_first))))
    return pd.DataFrame(rows, columns=["effect", "aliased_with"])


def run_plan(
    design: Factorial,
    *,
    rng: np.random.Generator,
    replicates: int = 1,
    centre_runs: int = 0,
    blocks: Sequence[Sequence[str]] = (),
    hard_to_change: Sequence[str] = (),
) -> pd.DataFrame:
    """Return the runs in the order in which to make them, at random within what the trial allows.

    A replicate is a run set up anew. Readings repeated on one run are no
    replicates and have no place here.

    Parameters
    ----------
    design : Factorial
    rng : Generator
        Decides the order; a seed makes it repeatable.
    replicates : int
        How often each setting is run.
    centre_runs : int
        Runs at the middle of all factors, in each block of each replicate.
    blocks : sequence of sequence of str
        Products of factors by whose sign the runs of a replicate are put into
        blocks (days, jobs); those effects are then lost to the blocks.
    hard_to_change : sequence of str
        Factors that are set once for several runs: each of their combinations
        is a whole plot, in random order, the runs within it in random order
        too. They must be set anew for every whole plot, even to the same level.

    Returns
    -------
    DataFrame
        run (1, 2 ...), replicate, block, whole_plot, point ('corner' or
        'centre'), then the factors from -1 to +1.

    Raises
    ------
    ValueError
        A count is out of range, a name is not a factor, blocks would take a
        main effect, or all factors are hard to change.

    References
    ----------
    [2]_ chapter 7 (blocks) and section 14.5 (split plots).

    Examples
    --------
    >>> plan = run_plan(full_factorial(["a", "b"]), rng=np.random.default_rng(1), hard_to_change=["a"], replicates=2)
    >>> plan.groupby("whole_plot")["a"].nunique().tolist()
    [1, 1, 1, 1]
    """
    _check_plan(design, replicates, centre_runs, hard_to_change)
    corners = design.runs.assign(point="corner")
    signs = [design.runs[list(word)].prod(axis=1).gt(0).astype(int) for word in _block_words(design, blocks)]
    corners["block"] = sum((sign * 2**i for i, sign in enumerate(signs)), start=0)
    ordered, whole_plot = [], 0
    for replicate in range(1, replicates + 1):
        for place, block in enumerate(rng.permutation(2 ** len(signs))):
            runs = _with_centre(corners[corners["block"] == block], design.factors, centre_runs)
            for plot in _shuffled_plots(runs, hard_to_change, rng):
                whole_plot += 1
                number = place + 1 + (replicate - 1) * 2 ** len(signs)
                ordered.append(plot.assign(replicate=replicate, block=number, whole_plot=whole_plot))
    plan = pd.concat(ordered, ignore_index=True)
    plan.insert(0, "run", np.arange(1, len(plan) + 1))
    return plan[["run", "replicate", "block", "whole_plot", "point", *design.factors]]


def decoded(plan: pd.DataFrame, *, levels: Mapping[str, tuple[float, float] | tuple[str, str]]) -> pd.DataFrame:
    """Return the plan with each factor in its own unit, or by the names of its levels.

    Parameters
    ----------
    plan : DataFrame
        From `run_plan`.
    levels : mapping of str to tuple
        Low and high level of each factor.

    Returns
    -------
    DataFrame
        The same rows and columns.

    Raises
    ------
    ValueError
        A factor is not a column, or one with names has a centre run.

    Examples
    --------
    >>> plan = run_plan(full_factorial(["a"]), rng=np.random.default_rng(1))
    >>> sorted(decoded(plan, levels={"a": (10.0, 20.0)})["a"])
    [10.0, 20.0]
    """
    out = plan.copy()
    for factor, (low, high) in levels.items():
        if factor not in plan.columns:
            raise ValueError(f"every factor must be a column of the plan; {factor!r} is not")
        if isinstance(low, str) or isinstance(high, str):
            if (plan[factor] == 0).any():
                raise ValueError(f"{factor} has named levels, and so no middle; plan without centre runs")
            out[factor] = plan[factor].map({-1: low, 1: high})
        else:
            out[factor] = (low + high) / 2 + plan[factor] * (high - low) / 2
    return out


def effect_words(factors: Sequence[str], *, order: int) -> list[tuple[str, ...]]:
    """Return the main effects and interactions of up to so many factors, main effects first.

    Examples
    --------
    >>> effect_words(["a", "b"], order=2)
    [('a',), ('b',), ('a', 'b')]
    """
    return [word for size in range(1, order + 1) for word in combinations(factors, size)]


def effect_name(word: Iterable[str]) -> str:
    """Return an effect as it is printed.

    Examples
    --------
    >>> effect_name(["a", "b"])
    'a x b'
    """
    return " x ".join(word)


def _length_first(word: tuple[str, ...]) -> tuple[int, tuple[str, ...]]:
    return len(word), word


def _products(words: Sequence[Word]) -> list[Word]:
    """Return the words and all their products (factors that occur twice cancel)."""
    found: list[Word] = []
    for word in words:
        found += [word, *(word ^ other for other in found)]
    return found


def _named(word: Word, factors: Sequence[str]) -> tuple[str, ...]:
    return tuple(name for name in factors if name in word)


def _check_plan(design: Factorial, replicates: int, centre_runs: int, hard_to_change: Sequence[str]) -> None:
    if replicates < 1 or centre_runs < 0:
        raise ValueError(f"replicates from 1 and centre runs from 0; given {replicates} and {centre_runs}")
    strangers = [name for name in hard_to_change if name not in design.factors]
    if strangers:
        raise ValueError(f"factors hard to change must be among {list(design.factors)}; given also {strangers}")
    if hard_to_change and set(hard_to_change) == set(design.factors):
        raise ValueError("one factor at least must be easy to change; otherwise every run is its own whole plot")


def _block_words(design: Factorial, blocks: Sequence[Sequence[str]]) -> list[tuple[str, ...]]:
    strangers = sorted({name for word in blocks for name in word} - set(design.factors))
    if strangers:
        raise ValueError(f"blocks are made of factors; {strangers} are none")
    lost = _products([frozenset(word) for word in blocks])
    defining = [frozenset(word) for word in design.defining_words]
    for word in lost:
        mixed = [word, *(word ^ other for other in defining)]
        if min(len(name) for name in mixed) < 2:
            raise ValueError(
                f"blocks by {[list(b) for b in blocks]} would take a main effect, or are not blocks at all; "
                "choose products of more factors"
            )
    return [tuple(word) for word in blocks]


def _with_centre(runs: pd.DataFrame, factors: Sequence[str], count: int) -> pd.DataFrame:
    if not count:
        return runs
    centre = pd.DataFrame(0, index=range(count), columns=list(factors)).assign(point="centre")
    return pd.concat([runs, centre], ignore_index=True)


def _shuffled_plots(runs: pd.DataFrame, hard: Sequence[str], rng: np.random.Generator) -> list[pd.DataFrame]:
    """Return whole plots in random order, each with its runs in random order; every centre run is its own."""
    keys: npt.NDArray[np.int64] = np.arange(len(runs), dtype=np.int64)
    if hard:
        keys = np.array(runs.groupby(list(hard), sort=True).ngroup(), dtype=np.int64)
        centre = (runs["point"] == "centre").to_numpy()
        keys[centre] = keys.max() + 1 + np.arange(centre.sum())
    plots = [runs[keys == key] for key in rng.permutation(np.unique(keys))]
    return [plot.iloc[rng.permutation(len(plot))] for plot in plots]
