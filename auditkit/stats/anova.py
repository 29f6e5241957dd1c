"""Analysis of variance of balanced designs: factors fixed or random, crossed or nested.

What a mean square must be held against follows from the expected mean squares.
Where no single mean square will do, sums of mean squares are compared and their
degrees of freedom approximated, so that no part of the ratio can be negative.

References
----------
[1] J. Cornfield and J. W. Tukey (1956), Ann. Math. Statist. 27:907-949.
[2] F. E. Satterthwaite (1946), Biometrics Bulletin 2:110-114.
[3] W. G. Cochran (1951), Biometrics 7:17-32.
[4] C. R. Hicks (1982), Fundamental Concepts in the Design of Experiments, 3rd
    edition, chapter 10.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.mean_squares import satterthwaite_df
from auditkit.stats.rows import complete_rows

__all__ = ["AnovaTable", "anova_table"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Term:
    """One source: the factors it stands for and those they are nested in."""

    live: tuple[str, ...]
    dead: tuple[str, ...]

    @property
    def name(self) -> str:
        """Return the source as it is printed."""
        inside = f"({', '.join(self.dead)})" if self.dead else ""
        return " x ".join(self.live) + inside

    @property
    def factors(self) -> frozenset[str]:
        """Return every factor whose levels index the term."""
        return frozenset((*self.live, *self.dead))


@dataclass(frozen=True, slots=True, kw_only=True)
class AnovaTable:
    """Analysis of variance of a balanced design.

    Attributes
    ----------
    table : DataFrame
        One row per source, 'error' last: source, df, ss, ms, f, df_numerator,
        df_denominator, p, numerator, denominator (which mean squares were
        compared; blank for error).
    expected : DataFrame
        Expected mean squares: row = source, column = component, value = its
        coefficient.
    n, excluded : int
        Rows used and left out.
    method : str
    """

    table: pd.DataFrame
    expected: pd.DataFrame
    n: int
    excluded: int
    method: str


def anova_table(
    frame: pd.DataFrame,
    *,
    response: str,
    factors: Sequence[str],
    random: Sequence[str],
    nested: Mapping[str, Sequence[str]] | None = None,
    model: str = "restricted",
    missing: str = "raise",
) -> AnovaTable:
    """Return the analysis of variance of a balanced design with all its interactions.

    Parameters
    ----------
    frame : DataFrame
        One row per observation; every cell must hold equally many, two or more.
    response : str
        Column of the numbers.
    factors : sequence of str
        Columns of the factors.
    random : sequence of str
        Those whose levels are a sample of more; the rest are fixed.
    nested : mapping of str to sequence of str, optional
        Factor and those it is nested in, for example ``{"operator": ["machine"]}``.
    model : {'restricted', 'unrestricted'}
        Whether the effects of an interaction of fixed and random factors add
        to zero over the fixed ones.
    missing : {'raise', 'exclude'}

    Returns
    -------
    AnovaTable

    Raises
    ------
    ValueError
        The cells are not equally filled, hold one observation each, or a
        factor has one level.

    References
    ----------
    [1]_ for expected mean squares, [2]_ and [3]_ for approximate ratios.

    Examples
    --------
    >>> frame = pd.DataFrame(
    ...     {"a": list("kkkkllll"), "b": list("mmnnmmnn"), "y": [1.0, 2.0, 4.0, 5.0, 6.0, 7.0, 9.0, 9.0]}
    ... )
    >>> result = anova_table(frame, response="y", factors=["a", "b"], random=["b"])
    >>> result.table[["source", "df", "ss", "denominator"]].values.tolist()
    [['a', 1, 45.125, 'a x b'], ['b', 1, 15.125, 'error'], ['a x b', 1, 0.125, 'error'], ['error', 4, 1.5, '']]
    """
    parents = _parents(factors, random, nested, model)
    rows, excluded = complete_rows(frame, columns=[*factors, response], missing=missing)
    cells = _cells(rows, response, factors, parents)
    terms = _terms(factors, parents)
    cell_means = cells.mean(axis=-1)
    axis = {factor: i for i, factor in enumerate(factors)}
    levels = dict(zip(factors, cells.shape[:-1], strict=True))
    squares = [_sum_of_squares(cell_means, term, axis) * cells.size for term in terms]
    freedom = [_degrees(term, levels) for term in terms]
    squares.append(float(((cells - cell_means[..., None]) ** 2).sum()))
    freedom.append(cell_means.size * (cells.shape[-1] - 1))
    names = [*(term.name for term in terms), "error"]
    expected = _expected(terms, levels, frozenset(random), cells.shape[-1], model)
    return AnovaTable(
        table=_ratios(names, np.asarray(freedom, dtype=float), np.asarray(squares), expected),
        expected=pd.DataFrame(expected, index=pd.Index(names, name="source"), columns=names),
        n=len(rows),
        excluded=excluded,
        method=f"balanced analysis of variance, {model} model, random: {', '.join(random) or 'none'}",
    )


def _parents(
    factors: Sequence[str], random: Sequence[str], nested: Mapping[str, Sequence[str]] | None, model: str
) -> dict[str, frozenset[str]]:
    """Return, for each factor, every factor it lies in, directly or not."""
    if model not in ("restricted", "unrestricted"):
        raise ValueError(f"model must be 'restricted' or 'unrestricted'; given {model!r}")
    if not factors:
        raise ValueError("factors must name at least one column; given none")
    direct = {factor: tuple((nested or {}).get(factor, ())) for factor in factors}
    named = {*random, *(nested or {}), *(parent for group in direct.values() for parent in group)}
    strangers = sorted(named - set(factors))
    if strangers:
        raise ValueError(
            f"random and nested may name factors only; {strangers} are not in factors, which are {list(factors)}"
        )
    found: dict[str, frozenset[str]] = {}
    for factor in factors:
        seen: set[str] = set()
        waiting = list(direct[factor])
        while waiting:
            parent = waiting.pop()
            if parent not in seen:
                seen.add(parent)
                waiting.extend(direct[parent])
        if factor in seen:
            raise ValueError(f"a factor may not be nested in itself; given {factor!r} in nested={dict(nested or {})}")
        found[factor] = frozenset(seen)
    return found


def _cells(rows: pd.DataFrame, response: str, factors: Sequence[str], parents: Mapping[str, frozenset[str]]) -> Floats:
    """Return the observations as an array, one axis per factor and one for repeats."""
    codes = pd.DataFrame(index=rows.index)
    for factor in factors:
        outer = [name for name in factors if name in parents[factor]]
        if outer:
            codes[factor] = rows.groupby(outer, sort=True)[factor].rank(method="dense").astype(int) - 1
        else:
            codes[factor] = rows.groupby(factor, sort=True).ngroup()
    shape = tuple(int(codes[factor].max()) + 1 for factor in factors)
    single = [factor for factor, count in zip(factors, shape, strict=True) if count < 2]
    if single:
        raise ValueError(f"every factor must have two or more levels; {single} have one. Leave them out of factors")
    place = np.ravel_multi_index(tuple(codes[factor].to_numpy() for factor in factors), shape)
    counts = np.bincount(place, minlength=int(np.prod(shape)))
    if counts.min() != counts.max():
        raise ValueError(
            f"every cell must hold equally many observations; given between {counts.min()} and {counts.max()}. "
            "Use nested_components for an unbalanced nested design"
        )
    if counts.max() < 2:
        raise ValueError("every cell must hold two or more observations, to tell error from interaction; given one")
    order = np.argsort(place, kind="stable")
    return np.asarray(rows[response].to_numpy(dtype=float)[order].reshape(*shape, int(counts[0])))


def _terms(factors: Sequence[str], parents: Mapping[str, frozenset[str]]) -> list[_Term]:
    """Return every source of the design, fewest factors first."""
    terms = []
    for size in range(1, len(factors) + 1):
        for live in combinations(factors, size):
            dead = frozenset().union(*(parents[factor] for factor in live))
            if not dead & set(live):
                terms.append(_Term(live=live, dead=tuple(factor for factor in factors if factor in dead)))
    return terms


def _sum_of_squares(cell_means: Floats, term: _Term, axis: Mapping[str, int]) -> float:
    """Return the sum of squares of a term as a share of the number of observations."""
    others = tuple(position for factor, position in axis.items() if factor not in term.factors)
    effect = cell_means.mean(axis=others, keepdims=True)
    for factor in term.live:
        effect = effect - effect.mean(axis=axis[factor], keepdims=True)
    return float((effect**2).mean())


def _degrees(term: _Term, levels: Mapping[str, int]) -> int:
    """Return the degrees of freedom of a term."""
    inside = int(np.prod([levels[factor] for factor in term.dead], dtype=int))
    return inside * int(np.prod([levels[factor] - 1 for factor in term.live], dtype=int))


def _expected(
    terms: Sequence[_Term], levels: Mapping[str, int], random: frozenset[str], repeats: int, model: str
) -> Floats:
    """Return the coefficient of each component (column) in each expected mean square (row)."""
    expected = np.zeros((len(terms) + 1, len(terms) + 1))
    expected[:, -1] = 1.0
    for i, term in enumerate(terms):
        for j, other in enumerate(terms):
            if not term.factors <= other.factors:
                continue
            extra = [factor for factor in other.live if factor not in term.factors]
            if model == "restricted":
                present = all(factor in random for factor in extra)  # [1]: a fixed live subscript gives 0
            else:
                present = i == j or bool(other.factors & random)
            if present:
                outside = [count for factor, count in levels.items() if factor not in other.factors]
                expected[i, j] = repeats * float(np.prod(outside))
    return expected


def _ratios(names: Sequence[str], freedom: Floats, squares: Floats, expected: Floats) -> pd.DataFrame:
    """Return the table, each source tested as its expected mean square asks."""
    from scipy.stats import f as f_distribution

    means = squares / freedom
    rows = []
    for i, name in enumerate(names):
        row: dict[str, object] = {"source": name, "df": int(freedom[i]), "ss": float(squares[i]), "ms": float(means[i])}
        if i < len(names) - 1:
            target = expected[i].copy()
            target[i] = 0.0
            weights = np.linalg.solve(expected.T, target)
            weights[np.abs(weights) < 1e-9] = 0.0
            top = np.where(weights < 0, -weights, 0.0)  # [3]: what would be subtracted below is added above
            top[i] = 1.0
            bottom = np.where(weights > 0, weights, 0.0)
            beneath = float(bottom @ means)
            ratio = float(top @ means) / beneath if beneath > 0 else np.nan
            df_top, df_bottom = (
                float(satterthwaite_df(means[side > 0], df=freedom[side > 0], coefficients=side[side > 0]))
                for side in (top, bottom)
            )
            row |= {
                "f": ratio,
                "df_numerator": df_top,
                "df_denominator": df_bottom,
                "p": float(f_distribution.sf(ratio, df_top, df_bottom)),
                "numerator": _sum_of_names(names, top),
                "denominator": _sum_of_names(names, bottom),
            }
        else:
            row |= dict.fromkeys(("f", "df_numerator", "df_denominator", "p"), np.nan)
            row |= {"numerator": "", "denominator": ""}
        rows.append(row)
    return pd.DataFrame(rows)


def _sum_of_names(names: Sequence[str], weights: Floats) -> str:
    """Return a sum of mean squares in words."""
    parts = [
        name if abs(weight - 1.0) < 1e-9 else f"{weight:.4g} {name}"
        for name, weight in zip(names, weights, strict=True)
        if weight > 0
    ]
    return " + ".join(parts)
