"""Life tables: the share still good at each age, without a model of how lives are spread.

References
----------
[1] E. L. Kaplan and P. Meier (1958), J. Am. Stat. Assoc. 53:457-481.
[2] J. D. Kalbfleisch and R. L. Prentice (2002), The Statistical Analysis of
    Failure Time Data, 2nd ed., Wiley, 1.4 (Greenwood's formula, log-log limits).
[3] B. W. Turnbull (1976), J. R. Stat. Soc. B 38:290-295; (1974), J. Am. Stat.
    Assoc. 69:169-173.
[4] R. Gentleman and C. J. Geyer (1994), Biometrika 81:618-623, when a fit is
    the maximum.
[5] Y. Wang (2007), J. R. Stat. Soc. B 69:185-198, constrained Newton steps.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.lifetimes import CANNOT_TELL, ESTIMATED, Lives, read_lives
from auditkit.stats.rows import check_confidence

__all__ = ["LifeTable", "kaplan_meier", "share_failed", "turnbull"]

Floats = npt.NDArray[np.float64]

_NO_FAILURE = "no failure among {n} items, the oldest last seen good at age {oldest:g}: no share failed can be told"
_NO_LIMITS = "no limits are given: the estimate from intervals has no standard error of the usual form"
_MOST_STEPS = 500
_CLOSE = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class LifeTable:
    """Share still good by age.

    Attributes
    ----------
    table : DataFrame
        By age; columns as the function that made it says. Empty where the
        verdict is 'cannot tell'.
    verdict : str
        'estimated' or 'cannot tell'.
    reason : str
        Why it cannot be told; empty otherwise.
    n, failures, excluded : int
        Lives used, lives known to have ended, rows left out.
    confidence : float or None
        None where no limits are given.
    method : str
    notes : tuple of str
    """

    table: pd.DataFrame
    verdict: str
    reason: str
    n: int
    failures: int
    excluded: int
    confidence: float | None
    method: str
    notes: tuple[str, ...]


def kaplan_meier(
    frame: pd.DataFrame,
    *,
    last_good: str = "last_good",
    first_bad: str = "first_bad",
    confidence: float = 0.95,
    missing: str = "raise",
) -> LifeTable:
    """Return the share still good after each failure, where failures were seen as they happened.

    Parameters
    ----------
    frame : DataFrame
        One row a life, see `lifetimes`: each failed at a known age or was
        never seen failed. An item last seen good at the very age of a failure
        was at risk of it.
    last_good, first_bad : str
    confidence : float
    missing : {'raise', 'exclude'}

    Returns
    -------
    LifeTable
        table: age, at_risk, failed, survival `[-]`, se (Greenwood), low, high
        (log-log limits; missing once nothing is left).

    Raises
    ------
    ValueError
        A failure is known only between two ages: `turnbull` takes those.

    References
    ----------
    [1]_, [2]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"last_good": [1.0, 2.0, 3.0, 4.0], "first_bad": [1.0, np.inf, 3.0, np.inf]})
    >>> kaplan_meier(frame).table[["age", "at_risk", "survival"]].to_numpy().tolist()
    [[1.0, 4.0, 0.75], [3.0, 2.0, 0.375]]
    """
    check_confidence(confidence)
    lives = read_lives(frame, last_good=last_good, first_bad=first_bad, missing=missing)
    between = lives.failed & ~lives.exact
    if between.any():
        raise ValueError(
            f"Kaplan-Meier needs failures at known ages; {int(between.sum())} of {lives.failures} are known only "
            "between two ages. Use turnbull(), which takes both"
        )
    ages, failed = np.unique(lives.first_bad[lives.failed], return_counts=True)
    at_risk = (lives.last_good[:, None] >= ages).sum(axis=0)
    survival = np.cumprod(1.0 - failed / at_risk)
    table = pd.DataFrame({"age": ages, "at_risk": at_risk, "failed": failed, "survival": survival})
    table = table.assign(**_greenwood(at_risk, failed, survival, confidence=confidence))
    return _life_table(
        lives, table, confidence=confidence, method="Kaplan-Meier, Greenwood standard errors, log-log limits", notes=()
    )


def turnbull(
    frame: pd.DataFrame, *, last_good: str = "last_good", first_bad: str = "first_bad", missing: str = "raise"
) -> LifeTable:
    """Return the share still good where failures are known exactly, or only between two ages.

    The estimate says how much of all failures fall in each of a set of
    intervals (after, by]; where in the interval they fall it cannot say.

    Parameters
    ----------
    frame : DataFrame
        One row a life, see `lifetimes`; any mix.
    last_good, first_bad : str
    missing : {'raise', 'exclude'}

    Returns
    -------
    LifeTable
        table: after, by (equal for a failure seen as it happened; by infinite
        for what lies beyond the last look), share (of all lives that end
        there), survival (still good once `by` has passed) `[-]`.

    Raises
    ------
    RuntimeError
        The maximum was not reached.

    References
    ----------
    [3]_, [4]_, [5]_ of the module.

    Examples
    --------
    >>> frame = pd.DataFrame({"last_good": [0.0, 2.0, 4.0, 5.0], "first_bad": [3.0, 4.0, 6.0, np.inf]})
    >>> turnbull(frame).table.round(3).to_numpy().tolist()
    [[2.0, 3.0, 0.5, 0.5], [5.0, 6.0, 0.5, 0.0]]
    """
    lives = read_lives(frame, last_good=last_good, first_bad=first_bad, missing=missing)
    after, by, holds = _innermost(lives)
    patterns, counts = np.unique(holds, axis=0, return_counts=True)
    share = _maximise(patterns.astype(float), counts.astype(float))
    kept = share > 1e-9
    table = pd.DataFrame({"after": after, "by": by, "share": share})[kept].reset_index(drop=True)
    table["survival"] = np.clip(1.0 - table["share"].cumsum(), 0.0, 1.0).round(12)
    return _life_table(
        lives, table, confidence=None, method="Turnbull's nonparametric maximum likelihood", notes=(_NO_LIMITS,)
    )


def share_failed(
    table: pd.DataFrame, age: npt.ArrayLike, *, last_good: npt.ArrayLike, first_bad: npt.ArrayLike
) -> pd.DataFrame:
    """Return the shares failed by an age, of lives last seen good and first seen bad at given ages.

    Parameters
    ----------
    table : DataFrame
        Of `turnbull`: after, by, share.
    age, last_good, first_bad : array_like
        As for `weibull.probability_failed`.

    Returns
    -------
    DataFrame
        One row an age: estimate, low, high `[-]`. Turnbull's intervals leave
        open where in them the failures fell: low has them all at the end, high
        all at the start, the estimate spreads them evenly. Missing where no
        share lies in the bracket or the age falls beyond the last look.

    Examples
    --------
    >>> table = pd.DataFrame({"after": [2.0, 5.0], "by": [3.0, 6.0], "share": [0.5, 0.5]})
    >>> share_failed(table, [4.0, 5.5], last_good=0.0, first_bad=np.inf).to_numpy().tolist()
    [[0.5, 0.5, 0.5], [0.75, 0.5, 1.0]]
    """
    t, good, bad = (column[:, None] for column in np.atleast_1d(*np.broadcast_arrays(age, last_good, first_bad)))
    after, by = (table[name].to_numpy(dtype=float) for name in ("after", "by"))
    held = np.where((after >= good) & (by <= bad), table["share"].to_numpy(dtype=float), 0.0)
    width = np.where(np.isfinite(by) & (by > after), by - after, 1.0)
    begun, ended = after < t, by <= t
    spread = np.where(ended, 1.0, np.where(begun, np.clip((t - after) / width, 0.0, 1.0), 0.0))
    beyond = (begun & ~np.isfinite(by) & (held > 0)).any(axis=1)
    total = held.sum(axis=1)
    told = (total > 0) & ~beyond
    parts = np.stack([(held * part).sum(axis=1) for part in (spread, ended, begun)])
    shares = np.divide(parts, total, out=np.full(parts.shape, np.nan), where=told)
    out = pd.DataFrame(shares.T, columns=["estimate", "low", "high"])
    seen = (t[:, 0] >= bad[:, 0], t[:, 0] <= good[:, 0])
    return out.mask(pd.Series(seen[1]), 0.0).mask(pd.Series(seen[0]), 1.0)


def _life_table(
    lives: Lives, table: pd.DataFrame, *, confidence: float | None, method: str, notes: tuple[str, ...]
) -> LifeTable:
    told = lives.failures > 0
    return LifeTable(
        table=table if told else table.iloc[:0],
        verdict=ESTIMATED if told else CANNOT_TELL,
        reason="" if told else _NO_FAILURE.format(n=lives.n, oldest=float(lives.last_good.max())),
        n=lives.n,
        failures=lives.failures,
        excluded=lives.excluded,
        confidence=confidence,
        method=method,
        notes=notes,
    )


def _greenwood(
    at_risk: npt.NDArray[np.int64], failed: npt.NDArray[np.int64], survival: Floats, *, confidence: float
) -> dict[str, Floats]:
    """Return Greenwood's standard error, and the limits on the scale of log(-log S), [2] 1.4."""
    from scipy.stats import norm

    left = at_risk - failed
    some = left > 0
    terms = np.divide(failed, at_risk * left, out=np.zeros(len(left)), where=some)
    relative = np.sqrt(np.cumsum(terms))
    logs = np.log(survival, out=np.full(len(survival), np.nan), where=some)
    width = float(norm.isf((1.0 - confidence) / 2.0)) * relative / np.abs(logs)
    return {
        "se": np.where(some, survival * relative, np.nan),
        "low": survival ** np.exp(width),
        "high": survival ** np.exp(-width),
    }


def _innermost(lives: Lives) -> tuple[Floats, Floats, npt.NDArray[np.bool_]]:
    """Return the intervals that can hold failures, and which of them each life may have ended in, [3].

    Ages are put on a line of whole places: 2k is the age k itself, 2k + 1 all
    that lies after it and before the next. (a, b] then runs from 2 i(a) + 1 to
    2 i(b), and a failure seen at b from 2 i(b) to 2 i(b).
    """
    ages = np.unique(np.concatenate([lives.last_good, lives.first_bad]))
    first = 2 * np.searchsorted(ages, lives.last_good) + np.where(lives.exact, 0, 1)
    last = 2 * np.searchsorted(ages, lives.first_bad)
    starts, ends = np.unique(first), np.unique(last)
    ends = ends[ends >= starts[0]]
    start_of_end = starts[np.searchsorted(starts, ends, side="right") - 1]
    innermost = ends[np.searchsorted(ends, start_of_end)] == ends
    start, end = start_of_end[innermost], ends[innermost]
    after, by = ages[start // 2], ages[end // 2]
    holds = (first[:, None] <= start) & (end <= last[:, None])
    return after, by, holds


def _maximise(holds: Floats, counts: Floats) -> Floats:
    """Return the shares of greatest likelihood: an EM step, then a Newton step, until [4] is met."""
    n = counts.sum()
    share = np.full(holds.shape[1], 1.0 / holds.shape[1])
    for _ in range(_MOST_STEPS):
        gain = counts @ (holds / (holds @ share)[:, None]) / n
        if gain.max() <= 1.0 + _CLOSE:
            return share
        share = _newton_step(holds, counts, share * gain)
    raise RuntimeError(f"the maximum was not reached in {_MOST_STEPS} steps; the largest gain left is {gain.max():.3g}")


def _newton_step(holds: Floats, counts: Floats, share: Floats) -> Floats:
    """Return the shares after one constrained Newton step, halved until the likelihood does not fall, [5] section 3."""
    from scipy.optimize import nnls

    slopes = np.sqrt(counts)[:, None] * (holds / (holds @ share)[:, None] - 2.0)
    rows = np.vstack([slopes, np.ones(len(share))])
    target, _ = nnls(rows, np.append(np.zeros(len(slopes)), 1.0))
    direction = target / target.sum() - share
    now = _log_likelihood(holds, counts, share)
    for halving in range(30):
        proposed: Floats = np.clip(share + 0.5**halving * direction, 0.0, None)
        if _log_likelihood(holds, counts, proposed) >= now:
            return np.asarray(proposed / proposed.sum())
    return share


def _log_likelihood(holds: Floats, counts: Floats, share: Floats) -> float:
    with np.errstate(divide="ignore"):
        return float(counts @ np.log(holds @ share))
