"""The score interval of a risk difference within strata, which holds where cells are empty.

References
----------
.. [1] Miettinen, O. and Nurminen, M. (1985). Comparative analysis of two rates. Statistics in Medicine 4, 213.
.. [2] Farrington, C. P. and Manning, G. (1990). Test statistics and sample size formulae for comparative binomial
   trials. Statistics in Medicine 9, 1447.
.. [3] Newcombe, R. G. (1998). Interval estimation for the difference between independent proportions. Statistics in
   Medicine 17, 873.
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.intervals import Interval
from auditkit.stats.rows import check_confidence

__all__ = ["stratified_score_difference"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Arms:
    """Counts and sizes of the two arms, an entry a stratum."""

    x1: Floats
    n1: Floats
    x0: Floats
    n0: Floats

    @property
    def weights(self) -> Floats:
        """Mantel-Haenszel weights."""
        return self.n1 * self.n0 / (self.n1 + self.n0)

    @property
    def difference(self) -> float:
        """The Mantel-Haenszel risk difference."""
        return float((self.weights * (self.x1 / self.n1 - self.x0 / self.n0)).sum() / self.weights.sum())


def stratified_score_difference(strata: pd.DataFrame, *, confidence: float = 0.95) -> Interval | None:
    """Return the Mantel-Haenszel risk difference with its score interval, or None where no stratum has both arms.

    The variance under each difference is that of the most likely risks that
    have it, so that an arm without a single case still carries doubt.

    Parameters
    ----------
    strata : DataFrame
        One row a stratum: exposed_with, exposed_without, unexposed_with,
        unexposed_without `[-]`.
    confidence : float
        Confidence of the interval `[-]`.

    References
    ----------
    Miettinen and Nurminen (1985), in full above.

    Examples
    --------
    Newcombe (1998), method 6 in one stratum, 56/70 against 48/80 (from memory):

    >>> strata = pd.DataFrame({
    ...     "exposed_with": [56], "exposed_without": [14], "unexposed_with": [48], "unexposed_without": [32]})
    >>> interval = stratified_score_difference(strata)
    >>> round(interval.estimate, 4), round(interval.low, 4), round(interval.high, 4)
    (0.2, 0.0528, 0.3382)
    """
    check_confidence(confidence)
    a, b, c, d = (
        strata[name].to_numpy(dtype=np.float64)
        for name in ("exposed_with", "exposed_without", "unexposed_with", "unexposed_without")
    )
    both = (a + b > 0) & (c + d > 0)
    if not both.any():
        return None
    arms = _Arms(x1=a[both], n1=(a + b)[both], x0=c[both], n0=(c + d)[both])
    critical = NormalDist().inv_cdf((1 + confidence) / 2)
    estimate = arms.difference
    return Interval(
        estimate=estimate,
        low=_limit(arms, estimate, -1.0, critical),
        high=_limit(arms, estimate, 1.0, critical),
        n=int((arms.n1 + arms.n0).sum()),
        confidence=confidence,
        method="Mantel-Haenszel risk difference, Miettinen-Nurminen score interval",
    )


def _limit(arms: _Arms, estimate: float, end: float, critical: float) -> float:
    """Return where the score statistic reaches its critical value between the estimate and -1 or 1."""
    from scipy.optimize import brentq

    def excess(difference: float) -> float:
        return abs(_score(arms, difference, estimate)) - critical

    outermost = end * (1 - 1e-12)
    if excess(outermost) <= 0:
        return end
    return float(brentq(excess, estimate, outermost, xtol=1e-12))


def _score(arms: _Arms, difference: float, estimate: float) -> float:
    p1, p0 = _most_likely(arms, difference)
    n = arms.n1 + arms.n0
    variance = (p1 * (1 - p1) / arms.n1 + p0 * (1 - p0) / arms.n0) * n / np.maximum(n - 1, 1)  # [1] Eq. 8
    spread = float(np.sqrt((arms.weights**2 * variance).sum())) / float(arms.weights.sum())
    gap = estimate - difference
    if spread == 0:
        return 0.0 if gap == 0 else float(np.copysign(np.inf, gap))
    return gap / spread


def _most_likely(arms: _Arms, difference: float) -> tuple[Floats, Floats]:
    """Return the most likely risks that differ by `difference`, a pair a stratum: the root of a cubic [2]."""
    ratio = arms.n0 / arms.n1
    p1, p0 = arms.x1 / arms.n1, arms.x0 / arms.n0
    a = 1 + ratio
    b = -(1 + ratio + p1 + ratio * p0 + difference * (ratio + 2))
    c = difference**2 + difference * (2 * p1 + ratio + 1) + p1 + ratio * p0
    d = -p1 * difference * (1 + difference)
    v = b**3 / (3 * a) ** 3 - b * c / (6 * a**2) + d / (2 * a)
    u = np.where(v >= 0, 1.0, -1.0) * np.sqrt(np.maximum(b**2 / (3 * a) ** 2 - c / (3 * a), 0.0))
    cosine = np.divide(v, u**3, out=np.zeros_like(v), where=u != 0)
    angle = (np.pi + np.arccos(np.clip(cosine, -1.0, 1.0))) / 3
    exposed = np.clip(2 * u * np.cos(angle) - b / (3 * a), max(0.0, difference), min(1.0, 1 + difference))
    return exposed, np.clip(exposed - difference, 0.0, 1.0)
