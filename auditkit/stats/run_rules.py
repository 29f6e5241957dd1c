"""Run rules: patterns on a chart that chance seldom makes, and how seldom.

References
----------
[1] Western Electric (1956), Statistical Quality Control Handbook, section I B.
[2] C. W. Champ and W. H. Woodall (1987), Technometrics 29:393-399.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.intervals import Interval
from auditkit.stats.rows import check_confidence, finite_values

__all__ = ["RULES", "average_run_length", "run_rules"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

# name: how many of how many successive points lie beyond so many standard deviations, all on one side
RULES: dict[str, tuple[int, int, float]] = {
    "1 beyond 3 sd": (1, 1, 3.0),
    "2 of 3 beyond 2 sd": (2, 3, 2.0),
    "4 of 5 beyond 1 sd": (4, 5, 1.0),
    "8 on one side": (8, 8, 0.0),
}
"""The Western Electric set [1]_."""


def run_rules(values: object, *, centre: float, sd: float, rules: Sequence[str] = tuple(RULES)) -> pd.DataFrame:
    """Return which points complete a pattern, one row a point.

    Parameters
    ----------
    values : sequence of float
        In order.
    centre, sd : float
        Centre line and standard deviation of one point, from data in control.
    rules : sequence of str
        Names from `RULES`.

    Returns
    -------
    DataFrame
        point (1, 2, ...), value, z (standard deviations from the centre), one
        boolean column per rule in the order given, signal (any of them). A
        point is marked where it is itself beyond the line and completes the
        pattern, alone or with the points before it.

    Raises
    ------
    ValueError
        A rule is unknown, none is given, or sd is not above 0.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> marks = run_rules([0.0, 2.5, 0.1, 2.4], centre=0, sd=1)
    >>> marks.loc[marks["signal"], ["point", "2 of 3 beyond 2 sd"]].values.tolist()
    [[4, True]]
    """
    data = finite_values(values, at_least=1)
    if not sd > 0:
        raise ValueError(f"sd must be above 0; given {sd}")
    _check_rules(rules)
    z = (data - centre) / sd
    frame = pd.DataFrame({"point": np.arange(1, len(data) + 1), "value": data, "z": z})
    for rule in rules:
        frame[rule] = _marks(z[None, :], rule)[0]
    frame["signal"] = frame[list(rules)].any(axis=1)
    return frame


def average_run_length(
    *,
    rng: np.random.Generator,
    rules: Sequence[str] = tuple(RULES),
    shift: float = 0.0,
    sequences: int = 4000,
    longest: int = 2000,
    confidence: float = 0.95,
) -> Interval:
    """Return how many points it takes until a signal, on average, by simulation.

    Parameters
    ----------
    rng : numpy.random.Generator
    rules : sequence of str
        Names from `RULES`, used together.
    shift : float
        Distance of the true mean from the centre, in standard deviations.
    sequences : int
        Sequences drawn.
    longest : int
        Points drawn in each; a sequence without a signal in them is an error.
    confidence : float
        Of the limits, which tell the error of the simulation only.

    Returns
    -------
    Interval
        `n` is the number of sequences.

    Raises
    ------
    ValueError
        A rule is unknown or a sequence gave no signal.

    References
    ----------
    [2]_: 91.75 in control for the full set.

    Examples
    --------
    >>> found = average_run_length(rng=np.random.default_rng(1), shift=2.0, sequences=500, longest=200)
    >>> 2 < found.estimate < 5
    True
    """
    from scipy.stats import norm

    check_confidence(confidence)
    _check_rules(rules)
    lengths = []
    left = sequences
    while left > 0:
        batch = min(left, max(1, 2_000_000 // longest))
        z = rng.normal(shift, 1.0, (batch, longest))
        signal = np.zeros_like(z, dtype=bool)
        for rule in rules:
            signal |= _marks(z, rule)
        silent = int((~signal.any(axis=1)).sum())
        if silent:
            raise ValueError(f"{silent} of {batch} sequences gave no signal in {longest} points; raise longest")
        lengths.append(signal.argmax(axis=1) + 1)
        left -= batch
    run = np.concatenate(lengths)
    mean = float(run.mean())
    reach = float(norm.isf((1.0 - confidence) / 2.0)) * float(run.std(ddof=1)) / float(np.sqrt(len(run)))
    return Interval(
        estimate=mean,
        low=mean - reach,
        high=mean + reach,
        n=len(run),
        confidence=confidence,
        method="simulated run lengths, normal limits of their mean",
    )


def _check_rules(rules: Sequence[str]) -> None:
    """Refuse rules that are not known."""
    unknown = [rule for rule in rules if rule not in RULES]
    if unknown or not rules:
        raise ValueError(f"rules must be some of {list(RULES)}; given {list(rules)}")


def _marks(z: Floats, rule: str) -> Flags:
    """Return which points complete the rule, for sequences in rows."""
    count, window, line = RULES[rule]
    return _one_sided(z > line, count, window) | _one_sided(z < -line, count, window)


def _one_sided(beyond: Flags, count: int, window: int) -> Flags:
    """Return where at least `count` of the last `window` points, the newest among them, lie beyond."""
    running = np.cumsum(beyond, axis=1, dtype=np.int64)
    within = running.copy()
    within[:, window:] -= running[:, :-window]
    return np.asarray(beyond & (within >= count))
