"""Strata: one exposure against one outcome, compared within strata and pooled by the Mantel-Haenszel methods.

References
----------
.. [1] Mantel, N. and Haenszel, W. (1959). Journal of the National Cancer Institute 22, 719.
.. [2] Robins, J., Breslow, N. and Greenland, S. (1986). Biometrics 42, 311.
.. [3] Greenland, S. and Robins, J. M. (1985). Biometrics 41, 55.
.. [4] Sato, T. (1989). On the variance estimator for the Mantel-Haenszel risk difference. Biometrics 45, 1323.
.. [5] Breslow, N. E. and Day, N. E. (1980). Statistical Methods in Cancer Research I, 142.
.. [6] Tarone, R. E. (1985). On heterogeneity tests based on efficient scores. Biometrika 72, 91.
.. [7] Mantel, N. and Fleiss, J. L. (1980). American Journal of Epidemiology 112, 129.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.intervals import Interval
from auditkit.stats.rows import check_confidence

__all__ = ["Homogeneity", "StratifiedResult", "stratified"]

_CELLS = ("exposed_with", "exposed_without", "unexposed_with", "unexposed_without")
_ONE_DIAGONAL = (
    "one diagonal of the counts is 0 in every stratum used: the odds ratio is 0 or infinite, without interval"
)
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Homogeneity:
    """Whether the odds ratio is the same in all strata: Breslow-Day, and with Tarone's correction."""

    breslow_day: float
    breslow_day_p: float
    tarone: float
    tarone_p: float
    df: int


@dataclass(frozen=True, slots=True, kw_only=True)
class StratifiedResult:
    """An exposure and an outcome, compared within strata.

    What is not defined is None, and `reasons` says why under its name.

    Parameters
    ----------
    odds_ratio, risk_ratio, risk_difference : Interval or None
        Mantel-Haenszel estimates, exposed against unexposed `[-]`.
    chi2, p_value : float or None
        Cochran-Mantel-Haenszel test, without continuity correction.
    chi2_corrected, p_value_corrected : float or None
        The same with it.
    mantel_fleiss : float or None
        How far the expected count lies from the nearer end of what the
        margins allow, over all strata; below 5 the test is not to be trusted.
    homogeneity : Homogeneity or None
        Test of one odds ratio for all strata.
    strata : DataFrame
        One row a stratum, in its order: the stratum column or columns,
        exposed_with, exposed_without, unexposed_with, unexposed_without, n,
        used_for_odds, used_for_risk (bool), why (what a stratum cannot inform).
    strata_used : int
        Strata that inform the odds ratio and the test.
    n, excluded : int
        Rows in any stratum, informative or not; rows left out because the
        exposure, outcome or stratum is missing.
    confidence : float
        Confidence of the intervals.
    method : str
        How the estimates and intervals were computed.
    reasons : mapping of str to str
        Why a field is None.
    """

    odds_ratio: Interval | None
    risk_ratio: Interval | None
    risk_difference: Interval | None
    chi2: float | None
    p_value: float | None
    chi2_corrected: float | None
    p_value_corrected: float | None
    mantel_fleiss: float | None
    homogeneity: Homogeneity | None
    strata: pd.DataFrame
    strata_used: int
    n: int
    excluded: int
    confidence: float
    method: str
    reasons: Mapping[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Tables:
    """Counts of the strata used: exposed with (a) and without (b) the outcome, unexposed with (c) and without (d)."""

    a: Floats
    b: Floats
    c: Floats
    d: Floats

    @property
    def n(self) -> Floats:
        return self.a + self.b + self.c + self.d

    @property
    def exposed(self) -> Floats:
        return self.a + self.b

    @property
    def unexposed(self) -> Floats:
        return self.c + self.d

    @property
    def cases(self) -> Floats:
        return self.a + self.c


def stratified(
    frame: pd.DataFrame, *, exposure: str, outcome: str, stratum: str | Sequence[str], confidence: float = 0.95
) -> StratifiedResult:
    """Return how an exposure goes with an outcome within strata.

    Rows in which the exposure, the outcome or the stratum is missing are left
    out and counted. A stratum with only exposed or only unexposed rows informs
    nothing; one in which every row or none has the outcome informs the risks
    and not the odds.

    Parameters
    ----------
    frame : DataFrame
        One row a unit of observation; not changed.
    exposure, outcome : str
        Columns of yes and no: bool, or 0 and 1.
    stratum : str or sequence of str
        Column, or columns, within whose values the comparison is made.
    confidence : float
        Confidence of the intervals `[-]`.

    Returns
    -------
    StratifiedResult
        Intervals: odds ratio by Robins, Breslow and Greenland; risk ratio by
        Greenland and Robins; risk difference by Sato. Rows are treated as
        independent within a stratum.

    Raises
    ------
    ValueError
        A column is not there, is named twice, or holds something else than
        yes and no; no row is complete; the confidence is not a share.

    References
    ----------
    Mantel and Haenszel (1959); Robins, Breslow and Greenland (1986); Greenland
    and Robins (1985); Sato (1989); Breslow and Day (1980); Tarone (1985);
    Mantel and Fleiss (1980). In full above.

    Examples
    --------
    Deaths under a drug and a placebo in two age groups (Rothman, Greenland and
    Lash, Modern Epidemiology, 3rd ed., Table 15-1):

    >>> cells = [(8, 98, 5, 115), (22, 76, 16, 69)]
    >>> frame = pd.concat(
    ...     pd.DataFrame({"drug": [1] * (a + b) + [0] * (c + d),
    ...                   "died": [1] * a + [0] * b + [1] * c + [0] * d, "age": age})
    ...     for age, (a, b, c, d) in zip(["under 55", "55 and over"], cells))
    >>> result = stratified(frame, exposure="drug", outcome="died", stratum="age", confidence=0.9)
    >>> round(result.risk_difference.estimate, 4), round(result.risk_difference.low, 4)
    (0.0349, -0.0176)
    >>> round(result.odds_ratio.estimate, 4), round(result.odds_ratio.high, 4)
    (1.4031, 2.3409)
    """
    check_confidence(confidence)
    counted, excluded = _count(frame, exposure=exposure, outcome=outcome, stratum=stratum)
    risk, odds = (_tables(counted[counted[f"used_for_{kind}"]]) for kind in ("risk", "odds"))
    z = NormalDist().inv_cdf((1 + confidence) / 2)
    estimates = {
        "odds_ratio": _odds_ratio(odds, z, confidence),
        "risk_ratio": _risk_ratio(risk, z, confidence),
        "risk_difference": _risk_difference(risk, z, confidence),
        "homogeneity": _homogeneity(odds),
    }
    reasons = {name: value for name, value in estimates.items() if isinstance(value, str)}
    intervals = {name: value for name, value in estimates.items() if isinstance(value, Interval)}
    homogeneity = estimates["homogeneity"]
    test = _test(odds)
    if test is None:
        why = "no stratum has exposed and unexposed rows, and rows with and without the outcome"
        names = ("chi2", "p_value", "chi2_corrected", "p_value_corrected", "mantel_fleiss")
        reasons |= dict.fromkeys(names, why)
    chi2, p_value, chi2_corrected, p_value_corrected, margin = test or (None,) * 5
    return StratifiedResult(
        odds_ratio=intervals.get("odds_ratio"),
        risk_ratio=intervals.get("risk_ratio"),
        risk_difference=intervals.get("risk_difference"),
        chi2=chi2,
        p_value=p_value,
        chi2_corrected=chi2_corrected,
        p_value_corrected=p_value_corrected,
        mantel_fleiss=margin,
        homogeneity=homogeneity if isinstance(homogeneity, Homogeneity) else None,
        strata=counted,
        strata_used=len(odds.a),
        n=int(counted["n"].sum()),
        excluded=excluded,
        confidence=confidence,
        method=(
            "Mantel-Haenszel; intervals by Robins, Breslow and Greenland (odds ratio), Greenland and Robins "
            "(risk ratio), Sato (risk difference)"
        ),
        reasons=reasons,
    )


def _count(
    frame: pd.DataFrame, *, exposure: str, outcome: str, stratum: str | Sequence[str]
) -> tuple[pd.DataFrame, int]:
    """Return the counts of each stratum, and how many rows were left out."""
    by = [stratum] if isinstance(stratum, str) else list(stratum)
    names = [exposure, outcome, *by]
    if not by or len(set(names)) != len(names):
        raise ValueError(f"exposure, outcome and stratum must be different columns; given {names}")
    absent = [name for name in names if name not in frame.columns]
    if absent:
        raise ValueError(f"the frame must have the columns {absent}; it has {list(frame.columns)}")
    taken = set(by) & {*_CELLS, "n", "used_for_odds", "used_for_risk", "why"}
    if taken:
        raise ValueError(f"a stratum column may not be called {sorted(taken)}; rename it")
    complete = frame[names].dropna()
    if complete.empty:
        raise ValueError(f"at least one row must be complete in {names}; none of {len(frame)} is")
    exposed, has = _yes(complete[exposure], exposure), _yes(complete[outcome], outcome)
    groups = complete.groupby(by, sort=True, observed=True)
    cell = groups.ngroup().to_numpy() * 4 + 2 * ~exposed + ~has
    counts = np.bincount(cell, minlength=4 * groups.ngroups).reshape(-1, 4)
    n, n_exposed, n_with = counts.sum(axis=1), counts[:, :2].sum(axis=1), counts[:, [0, 2]].sum(axis=1)
    one_sided = (n_exposed == 0) | (n_exposed == n)
    why = np.select(
        [n_exposed == 0, n_exposed == n, n_with == 0, n_with == n],
        [
            "no row is exposed: informs nothing",
            "every row is exposed: informs nothing",
            "no row has the outcome: informs the risk difference only",
            "every row has the outcome: does not inform the odds",
        ],
        default="",
    )
    counted = pd.DataFrame(
        dict(zip(_CELLS, counts.T, strict=True))
        | {
            "n": n,
            "used_for_odds": ~one_sided & (n_with > 0) & (n_with < n),
            "used_for_risk": ~one_sided,
            "why": pd.Series(why, dtype="str"),
        }
    )
    strata = pd.concat([groups.size().index.to_frame(index=False), counted], axis=1)
    return strata, len(frame) - len(complete)


def _yes(values: pd.Series, name: str) -> npt.NDArray[np.bool_]:
    unknown = [value for value in values.unique() if value not in (0, 1)]
    if unknown:
        raise ValueError(f"{name} must hold yes and no as bool, or 0 and 1; given {unknown[:3]}")
    return values.to_numpy(dtype=bool)


def _tables(counted: pd.DataFrame) -> _Tables:
    a, b, c, d = (counted[cell].to_numpy(dtype=np.float64) for cell in _CELLS)
    return _Tables(a=a, b=b, c=c, d=d)


def _odds_ratio(t: _Tables, z: float, confidence: float) -> Interval | str:
    r, s = t.a * t.d / t.n, t.b * t.c / t.n
    sum_r, sum_s = float(r.sum()), float(s.sum())
    if not len(t.a):
        return "no stratum has exposed and unexposed rows, and rows with and without the outcome"
    if sum_r == 0 or sum_s == 0:
        return _ONE_DIAGONAL
    p, q = (t.a + t.d) / t.n, (t.b + t.c) / t.n
    variance = (  # [2]
        float((p * r).sum()) / (2 * sum_r**2)
        + float((p * s + q * r).sum()) / (2 * sum_r * sum_s)
        + float((q * s).sum()) / (2 * sum_s**2)
    )
    method = "Mantel-Haenszel odds ratio, Robins-Breslow-Greenland interval"
    return _on_log_scale(sum_r / sum_s, variance, z, n=int(t.n.sum()), confidence=confidence, method=method)


def _risk_ratio(t: _Tables, z: float, confidence: float) -> Interval | str:
    if not len(t.a):
        return "no stratum has both exposed and unexposed rows"
    r, s = float((t.a * t.unexposed / t.n).sum()), float((t.c * t.exposed / t.n).sum())
    if r == 0 or s == 0:
        return "no exposed row, or no unexposed row, has the outcome"
    spread = (t.exposed * t.unexposed * t.cases - t.a * t.c * t.n) / t.n**2
    variance = float(spread.sum()) / (r * s)  # [3]
    if variance <= 0:
        return "every row has the outcome, so nothing varies"
    method = "Mantel-Haenszel risk ratio, Greenland-Robins interval"
    return _on_log_scale(r / s, variance, z, n=int(t.n.sum()), confidence=confidence, method=method)


def _risk_difference(t: _Tables, z: float, confidence: float) -> Interval | str:
    if not len(t.a):
        return "no stratum has both exposed and unexposed rows"
    weight = float((t.exposed * t.unexposed / t.n).sum())
    difference = float(((t.a * t.unexposed - t.c * t.exposed) / t.n).sum()) / weight
    p = (t.exposed**2 * t.c - t.unexposed**2 * t.a + t.exposed * t.unexposed * (t.unexposed - t.exposed) / 2) / t.n**2
    q = (t.a * t.d + t.c * t.b) / (2 * t.n)
    variance = (difference * float(p.sum()) + float(q.sum())) / weight**2  # [4]
    if variance <= 0:
        return "within strata the outcome does not vary, so the difference has no standard error"
    half = z * math.sqrt(variance)
    return Interval(
        estimate=difference,
        low=difference - half,
        high=difference + half,
        n=int(t.n.sum()),
        confidence=confidence,
        method="Mantel-Haenszel risk difference, Sato interval",
    )


def _on_log_scale(estimate: float, variance: float, z: float, *, n: int, confidence: float, method: str) -> Interval:
    factor = math.exp(z * math.sqrt(variance))
    return Interval(
        estimate=estimate, low=estimate / factor, high=estimate * factor, n=n, confidence=confidence, method=method
    )


def _test(t: _Tables) -> tuple[float, float, float, float, float] | None:
    """Return chi-squared and p without and with continuity correction, and the Mantel-Fleiss margin."""
    if not len(t.a):
        return None
    expected = t.exposed * t.cases / t.n
    variance = float((t.exposed * t.unexposed * t.cases * (t.n - t.cases) / (t.n**2 * (t.n - 1))).sum())
    distance = abs(float((t.a - expected).sum()))
    chi2, corrected = distance**2 / variance, max(0.0, distance - 0.5) ** 2 / variance  # [1]
    lowest, highest = np.maximum(0.0, t.cases - t.unexposed), np.minimum(t.exposed, t.cases)
    margin = min(float((expected - lowest).sum()), float((highest - expected).sum()))  # [7]
    return chi2, _upper_tail(chi2, df=1), corrected, _upper_tail(corrected, df=1), margin


def _homogeneity(t: _Tables) -> Homogeneity | str:
    own = (t.a > 0) & (t.b > 0) & (t.c > 0) & (t.d > 0)
    if own.sum() < 2:
        return (
            "fewer than two strata have an odds ratio of their own (all four counts above 0), so none can be compared"
        )
    ratio = float((t.a * t.d / t.n).sum() / (t.b * t.c / t.n).sum())
    fitted = _fitted(t, ratio)
    without, unexposed_with = t.exposed - fitted, t.cases - fitted
    variance = 1 / (1 / fitted + 1 / without + 1 / unexposed_with + 1 / (t.unexposed - unexposed_with))
    breslow_day = float(((t.a - fitted) ** 2 / variance).sum())  # [5]
    tarone = breslow_day - float((t.a - fitted).sum()) ** 2 / float(variance.sum())  # [6]
    df = len(t.a) - 1
    return Homogeneity(
        breslow_day=breslow_day,
        breslow_day_p=_upper_tail(breslow_day, df=df),
        tarone=tarone,
        tarone_p=_upper_tail(tarone, df=df),
        df=df,
    )


def _fitted(t: _Tables, ratio: float) -> Floats:
    """Return the counts exposed with the outcome that the margins give under one odds ratio."""
    # The root of (1 - ratio) x^2 + b x - c = 0 between the margins, written so that ratio = 1 is no exception.
    b = t.unexposed - t.cases + ratio * (t.exposed + t.cases)
    c = ratio * t.exposed * t.cases
    root = np.sqrt(b**2 + 4 * (1 - ratio) * c)
    return np.asarray(2 * c / (b + root), dtype=np.float64)


def _upper_tail(value: float, *, df: int) -> float:
    from scipy.stats import chi2

    return float(chi2.sf(value, df))
