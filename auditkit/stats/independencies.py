"""Independencies: whether records agree with what a causal diagram says must be independent.

A diagram that fails is wrong somewhere, or a column is not what its name says.
One that passes is not shown to be right: other diagrams imply the same.

References
----------
.. [1] Ankan, A., Wortel, I. M. N. and Textor, J. (2021). Testing graphical causal models using the R package
   dagitty. Current Protocols 1, e45.
.. [2] Heinze, G. and Schemper, M. (2002). A solution to the problem of separation in logistic regression.
   Statistics in Medicine 21, 2409.
.. [3] Shah, R. D. and Peters, J. (2020). The hardness of conditional independence testing and the generalised
   covariance measure. Annals of Statistics 48, 1514.
.. [4] Ibragimov, R. and Mueller, U. K. (2010). t-statistic based correlation and heterogeneity robust inference.
   Journal of Business and Economic Statistics 28, 453.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.adjustment import implied_independencies
from auditkit.stats.coding import code_terms, design_matrix
from auditkit.stats.diagrams import Diagram
from auditkit.stats.irls import fit_batch
from auditkit.stats.multiplicity import benjamini_hochberg

__all__ = ["IndependenceTest", "check_independencies", "clustered_independence_test", "independence_test"]

Floats = npt.NDArray[np.float64]

_TOO_LITTLE = "not tested: too few rows, or what is given leaves nothing to compare"
_COMPUTED = "holds by arithmetic: the later one is computed from what is given"

LEAST_CLUSTERS = 4
"""Least number of clusters from which a clustered test is made; our own default, no source."""


@dataclass(frozen=True, slots=True, kw_only=True)
class IndependenceTest:
    """Whether two columns are independent given others.

    Parameters
    ----------
    n, excluded : int
        Rows used, and rows with a gap.
    strength : float
        Partial correlation where both are numbers; NaN elsewhere.
    p : float
        NaN where the rows carry no test; the method says why.
    method : str
    """

    n: int
    excluded: int
    strength: float
    p: float
    method: str


def check_independencies(
    diagram: Diagram,
    frame: pd.DataFrame,
    *,
    false_discovery_rate: float = 0.05,
    columns: Mapping[str, str] | None = None,
    clusters: Sequence[str] = (),
) -> pd.DataFrame:
    """Return every independence that the diagram implies, tested on the records where all its nodes are recorded.

    Each test uses the rows that are complete in its own columns. Without
    `clusters` it takes rows to be independent, and rows that hang together
    then make it find too much; with them see `clustered_independence_test`.

    Parameters
    ----------
    diagram : Diagram
    frame : DataFrame
        One row a record.
    false_discovery_rate : float
        Share of false ones tolerated among the claims that do not stand
        (Benjamini and Hochberg), over all tests made.
    columns : mapping of str to str, optional
        Column of a node, where it is not of the node's name.
    clusters : sequence of str
        Columns whose values group rows that hang together.

    Returns
    -------
    DataFrame
        One row a claim, in the order of the nodes: one, other, given, n,
        excluded, strength, p, q, method, reading ('stands', 'does not stand',
        'not testable'). `strength` is the partial correlation where both are
        numbers, NaN elsewhere.

    Raises
    ------
    ValueError
        A recorded node has no column.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> from auditkit.stats.diagrams import chain
    >>> rng = np.random.default_rng(1)
    >>> a = rng.normal(size=200)
    >>> frame = pd.DataFrame({"a": a, "b": a + rng.normal(size=200), "c": a + rng.normal(size=200)})
    >>> check_independencies(chain("a", "b", "c"), frame)["reading"].tolist()  # here c does not come of b
    ['does not stand']
    """
    names = {node: (columns or {}).get(node, node) for node in diagram.recorded}
    absent = sorted(name for name in names.values() if name not in frame.columns)
    if absent:
        raise ValueError(f"every recorded node must have a column; {absent} are not there. Name them in `columns`")
    rows: list[dict[str, object]] = []
    for claim in implied_independencies(diagram).to_dict("records"):
        row = {key: claim[key] for key in ("one", "other", "given")}
        row |= {"n": 0, "excluded": 0, "strength": np.nan, "p": np.nan, "method": "a node is not recorded"}
        if claim["testable"]:
            given = [names[node] for node in claim["given"]]
            pair = {"one": names[claim["one"]], "other": names[claim["other"]]}
            if claim["other"] in diagram.computed:
                row["method"] = _COMPUTED
            elif clusters:
                row |= asdict(clustered_independence_test(frame, **pair, given=given, clusters=clusters))
            else:
                row |= asdict(independence_test(frame, **pair, given=given))
        rows.append(row)
    table = pd.DataFrame(rows, columns=["one", "other", "given", "n", "excluded", "strength", "p", "method"])
    q = benjamini_hochberg(table["p"].to_numpy(dtype=np.float64))
    table.insert(7, "q", q)
    reading = np.where(q <= false_discovery_rate, "does not stand", "stands")
    return table.assign(reading=np.where(np.isnan(q), "not testable", reading))


def independence_test(frame: pd.DataFrame, *, one: str, other: str, given: Sequence[str] = ()) -> IndependenceTest:
    """Return whether two columns are independent given others.

    Two columns of numbers: partial correlation. A column of numbers and one
    of labels: F of nested linear models. A column of two values and any
    other: likelihood ratio of nested logistic models, with Firth's penalty
    [2]_. Two columns of labels: likelihood ratio of nested multinomial models.
    What is given enters as straight lines and levels, without products.

    Parameters
    ----------
    frame : DataFrame
    one, other : str
    given : sequence of str

    Returns
    -------
    IndependenceTest

    Examples
    --------
    >>> frame = pd.DataFrame({"a": [1.0, 2.0, 3.0, 4.0], "b": [2.0, 1.0, 4.0, 3.0]})
    >>> found = independence_test(frame, one="a", other="b")
    >>> found.n, round(found.strength, 3), round(found.p, 3)
    (4, 0.6, 0.4)
    """
    complete = frame[[one, other, *given]].dropna().reset_index(drop=True)
    nothing = IndependenceTest(
        n=len(complete),
        excluded=len(frame) - len(complete),
        strength=float("nan"),
        p=float("nan"),
        method=_TOO_LITTLE,
    )
    if min(len(complete[name].unique()) for name in (one, other)) < 2:
        return replace(nothing, method="not tested: a column has one value only")
    varying = [name for name in given if len(complete[name].unique()) > 1]
    kinds = {name: _kind(complete[name]) for name in (one, other)}
    response, term = (one, other) if _RANK[kinds[one]] <= _RANK[kinds[other]] else (other, one)
    base = design_matrix(complete, coding=code_terms(complete, terms=varying)).to_numpy(dtype=np.float64)
    added = design_matrix(complete, coding=code_terms(complete, terms=[term])).to_numpy(dtype=np.float64)[:, 1:]
    base, added = _independent_columns(base, added)
    df = added.shape[1]
    if df == 0 or len(complete) <= base.shape[1] + df + 1:
        return nothing
    if kinds[response] == "number":
        if _follows(complete[response].to_numpy(dtype=np.float64), base):
            return nothing
        p, strength = _f_test(complete[response].to_numpy(dtype=np.float64), base, added)
        both = kinds[term] == "number"
        method = "partial correlation" if both else "F of nested linear models"
        return replace(nothing, p=p, strength=strength if both else float("nan"), method=method)
    codes = pd.factorize(complete[response], sort=True)[0]
    if kinds[response] == "two values":
        p = _penalised_ratio(codes, base, added)
        return replace(nothing, p=p, method="penalised likelihood ratio, logistic")
    p = _multinomial_ratio(codes, base, added)
    return replace(nothing, p=p, method="likelihood ratio, multinomial")


_RANK = {"number": 0, "two values": 1, "labels": 2}


def _kind(values: pd.Series) -> str:
    if values.nunique() == 2:
        return "two values"
    return "number" if pd.api.types.is_numeric_dtype(values) else "labels"


def _independent_columns(base: Floats, added: Floats) -> tuple[Floats, Floats]:
    """Return both without the columns that follow from those before them."""
    kept: list[int] = []
    both = np.column_stack([base, added])
    both = both / np.maximum(np.sqrt((both**2).sum(axis=0)), 1e-300)
    for j in range(both.shape[1]):
        if np.linalg.matrix_rank(both[:, [*kept, j]]) > len(kept):
            kept.append(j)
    first = [j for j in kept if j < base.shape[1]]
    rest = [j - base.shape[1] for j in kept if j >= base.shape[1]]
    return base[:, first], added[:, rest]


def _follows(y: Floats, base: Floats) -> bool:
    left = y - base @ np.linalg.lstsq(base, y, rcond=None)[0]
    return float((left**2).sum()) <= 1e-20 * float((y**2).sum())


def _f_test(y: Floats, base: Floats, added: Floats) -> tuple[float, float]:
    """Return p of the F test, and the partial correlation with the first added column."""
    from scipy.stats import f

    left = y - base @ np.linalg.lstsq(base, y, rcond=None)[0]
    extra = added - base @ np.linalg.lstsq(base, added, rcond=None)[0]
    fitted = extra @ np.linalg.lstsq(extra, left, rcond=None)[0]
    df, spare = added.shape[1], len(y) - base.shape[1] - added.shape[1]
    rest = float(((left - fitted) ** 2).sum())
    if rest <= 1e-12 * float((left**2).sum()):
        return 0.0, float(np.sign(extra[:, 0] @ left))
    statistic = float((fitted**2).sum()) / df / (rest / spare)
    strength = float(extra[:, 0] @ left / np.sqrt((extra[:, 0] ** 2).sum() * (left**2).sum()))
    return float(f.sf(statistic, df, spare)), strength


def _penalised_ratio(codes: npt.NDArray[np.intp], base: Floats, added: Floats) -> float:
    from scipy.stats import chi2

    full = np.column_stack([base, added])
    full = full / np.abs(full).max(axis=0)
    y = codes.astype(np.float64)
    free = np.arange(full.shape[1]) < base.shape[1]
    heights = [
        fit_batch(full, y, family="logistic", penalised=True, free=which).log_likelihood[0]
        for which in (np.ones_like(free), free)
    ]
    return float(chi2.sf(max(2.0 * (heights[0] - heights[1]), 0.0), added.shape[1]))


def _multinomial_ratio(codes: npt.NDArray[np.intp], base: Floats, added: Floats) -> float:
    """Return p of nested multinomial models; a level that never meets another is no obstacle to the ratio."""
    import warnings

    from scipy.stats import chi2
    from statsmodels.discrete.discrete_model import MNLogit

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # estimates may run off, the likelihood does not
        heights = [
            MNLogit(codes, x).fit(method="bfgs", maxiter=500, disp=False, skip_hessian=True).llf
            for x in (np.column_stack([base, added]), base)
        ]
    df = added.shape[1] * (len(np.unique(codes)) - 1)
    return float(chi2.sf(max(2.0 * (heights[0] - heights[1]), 0.0), df))


def clustered_independence_test(
    frame: pd.DataFrame, *, one: str, other: str, given: Sequence[str] = (), clusters: Sequence[str]
) -> IndependenceTest:
    """Return whether two columns are independent given others, where rows hang together in clusters.

    Both columns are cleared of what is given by least squares; the products of
    what is left over are added up in each cluster, and the sums are put to a t
    test against zero [3]_, which holds for few and unequal clusters [4]_. With
    several columns of clusters the largest p counts. A column of clusters that
    is itself given or tested is passed over: its differences are taken out, or
    are what is asked about. Numbers enter by the normal scores of their ranks,
    what is given with its square as well; labels by level, each pair of levels
    a test of its own (Bonferroni).

    Parameters
    ----------
    frame : DataFrame
    one, other : str
    given : sequence of str
    clusters : sequence of str
        Columns of `frame` whose values group rows that hang together.

    Returns
    -------
    IndependenceTest
        `strength` is the correlation of what is left over where neither is of
        labels, NaN elsewhere.

    Raises
    ------
    ValueError
        No column of clusters is named, or one is not there.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> a = rng.normal(size=60)
    >>> frame = pd.DataFrame({"a": a, "b": a + rng.normal(size=60), "crew": np.repeat(list("pqrstu"), 10)})
    >>> found = clustered_independence_test(frame, one="a", other="b", clusters=["crew"])
    >>> found.n, found.p < 0.05, found.method
    (60, True, 't of 6 sums by crew')
    """
    absent = [name for name in clusters if name not in frame.columns]
    if absent or not clusters:
        raise ValueError(f"clusters must name columns of the frame; given {list(clusters)}, without {absent}")
    used = [name for name in clusters if name not in (one, other, *given)]
    complete = frame[[*dict.fromkeys((one, other, *given, *used))]].dropna().reset_index(drop=True)
    nothing = IndependenceTest(
        n=len(complete), excluded=len(frame) - len(complete), strength=float("nan"), p=float("nan"), method=_TOO_LITTLE
    )
    if min(complete[name].nunique() for name in (one, other)) < 2:
        return replace(nothing, method="not tested: a column has one value only")
    base = np.column_stack([np.ones(len(complete)), *(_columns_of(complete[name], squared=True) for name in given)])
    tested = [_columns_of(complete[name], squared=False) for name in (one, other)]
    fitted, _, rank, _ = np.linalg.lstsq(base, np.column_stack(tested), rcond=None)
    left = np.column_stack(tested) - base @ fitted
    split = tested[0].shape[1]
    lefts = [_varying(columns, of) for columns, of in zip((left[:, :split], left[:, split:]), tested, strict=True)]
    if min(columns.shape[1] for columns in lefts) == 0 or len(complete) <= rank + 2:
        return nothing
    products = np.einsum("ni,nj->nij", *lefts).reshape(len(complete), -1)
    worst, how = -1.0, "not tested: every column of clusters is given or tested, or has too few values"
    for name in used:
        codes = pd.factorize(complete[name])[0]
        sums = (codes == np.arange(codes.max() + 1)[:, None]).astype(np.float64) @ products
        if len(sums) >= LEAST_CLUSTERS and (p := _smallest_p(sums)) > worst:
            worst, how = p, f"t of {len(sums)} sums by {name}"
    plain = products.shape[1] == 1
    strength = float(np.corrcoef(lefts[0][:, 0], lefts[1][:, 0])[0, 1]) if plain else float("nan")
    return replace(nothing, p=worst if worst >= 0 else float("nan"), strength=strength, method=how)


def _columns_of(values: pd.Series, *, squared: bool) -> Floats:
    """Return a column by normal scores of its ranks (with their square), or one column of 0 and 1 for each level."""
    from scipy.stats import norm

    kind = _kind(values)
    if kind == "number":
        scores: Floats = norm.ppf((values.rank().to_numpy(dtype=np.float64) - 0.5) / len(values))
        return np.column_stack([scores, scores**2]) if squared else scores[:, None]
    codes, levels = pd.factorize(values, sort=True)
    dummies: Floats = (codes[:, None] == np.arange(len(levels))).astype(np.float64)
    return dummies[:, 1:] if kind == "two values" else dummies


def _varying(left: Floats, columns: Floats) -> Floats:
    """Return what is left of the columns, without those that follow from what was taken out."""
    spread = ((columns - columns.mean(axis=0)) ** 2).sum(axis=0)
    kept: Floats = left[:, (left**2).sum(axis=0) > 1e-8 * np.maximum(spread, 1e-300)]
    return kept


def _smallest_p(sums: Floats) -> float:
    """Return p of the t tests of each column of sums against zero, for the smallest, by Bonferroni."""
    from scipy.stats import t

    count = len(sums)
    error = sums.std(axis=0, ddof=1) / np.sqrt(count)
    size = np.abs(sums.mean(axis=0))
    steady = error > 1e-12 * np.maximum(size, 1e-300)
    p = 2.0 * t.sf(size[steady] / error[steady], count - 1)
    return min(1.0, float(p.min()) * sums.shape[1]) if p.size else 1.0
