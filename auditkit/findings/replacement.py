"""Replacement: how long parts last, at what age of use changing them in time costs least, and what that would save."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.life_tables import LifeTable, kaplan_meier, turnbull
from auditkit.stats.lifetimes import CANNOT_TELL
from auditkit.stats.replacement import drawn_costs, drawn_lives, replacement_ages, replacement_cost_rate
from auditkit.stats.rows import check_confidence
from auditkit.stats.weibull import WeibullFit, fit_weibull, mean_life
from auditkit.trade.part_spells import days_of_use
from auditkit.trade.upkeep import PARTS
from auditkit.trade.upkeep_rules import CLOGGED, WORN

__all__ = ["LEAST_FAILURES", "REPLACE", "RUN_ON", "ReplacementFindings", "find_replacement"]

Floats = npt.NDArray[np.float64]

REPLACE = "replace"
RUN_ON = "run to failure"

LEAST_FAILURES = 5
"""Fewest failures on which a replacement interval is built; ours, no source."""

DRAWS = 2000
"""Lives drawn from each fit."""

_POINTS = 40
_EARLIER = pd.Timedelta(days=1)
_ENDINGS = ("replaced", "cleaned", "fitted")
_NO_COSTS = "no costs are declared for this part: give replacement_costs in dossier.yaml"

_PART_KINDS: Mapping[str, str] = {
    "part": "str",
    "mode": "str",
    "verdict": "str",
    "reason": "str",
    "lives": "int64",
    "failures": "int64",
    "excluded": "int64",
    "mean_life_d": "float64",
    "scale_d": "float64",
    "scale_low_d": "float64",
    "scale_high_d": "float64",
    "shape": "float64",
    "shape_low": "float64",
    "shape_high": "float64",
    "planned_cost": "float64",
    "failure_cost": "float64",
    "best_d": "float64",
    "best_low_d": "float64",
    "best_high_d": "float64",
    "rate_best": "float64",
    "rate_best_low": "float64",
    "rate_best_high": "float64",
    "practised_d": "float64",
    "rate_practised": "float64",
    "rate_practised_low": "float64",
    "rate_practised_high": "float64",
    "rate_failure": "float64",
    "rate_failure_low": "float64",
    "rate_failure_high": "float64",
    "used_d": "float64",
    "planned_changes": "int64",
    "failed_changes": "int64",
    "paid": "float64",
    "expected": "float64",
    "saved": "float64",
    "saved_low": "float64",
    "saved_high": "float64",
}
_CURVE_KINDS: Mapping[str, str] = {
    "part": "str",
    "mode": "str",
    "age_d": "float64",
    "good_share": "float64",
    "low": "float64",
    "high": "float64",
    "turnbull": "float64",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class ReplacementFindings:
    """How long each part lasts, and when to change it.

    Parameters
    ----------
    parts : DataFrame
        One row a part that has lives and way it goes bad, in the order of
        `trade.upkeep.PARTS`: part, mode ('worn' or 'clogged'), verdict
        ('replace', 'run to failure', 'cannot tell'), reason, lives, failures
        (used), excluded (lives left out), mean_life_d `[d]`, scale_d, shape
        with limits; planned_cost, failure_cost as declared;
        best_d (age of use at which a change in time costs least, missing
        where the verdict is not 'replace') with limits, the upper one infinite
        where never changing in time is not ruled out `[d]`; rate_best,
        rate_practised (changing when the records did), rate_failure (only
        when found bad), each with limits `[currency/d]`; practised_d (median
        age of use at a change in time, missing where fewer than half would
        come to one) `[d]`; and, on these records, used_d (days of use lived by
        these parts) `[d]`, planned_changes, failed_changes, paid, expected
        (under the verdict) and saved with limits `[currency]`.
    curves : DataFrame
        One row a part, mode and age of use: part, mode, age_d `[d]`, good_share with low
        and high (Weibull), turnbull (without a model, missing at ages where
        the looks cannot say) `[-]`.
    currency : str
        Of the costs; blank where none are declared.
    n, excluded : int
        Lives used, and lives left out.
    confidence : float
    method : str
    """

    parts: pd.DataFrame
    curves: pd.DataFrame
    currency: str
    n: int
    excluded: int
    confidence: float
    method: str


def find_replacement(
    lives: pd.DataFrame,
    runs: pd.DataFrame,
    *,
    costs: Mapping[str, Any] | None,
    rng: np.random.Generator,
    confidence: float = 0.95,
    least_failures: int = LEAST_FAILURES,
    draws: int = DRAWS,
) -> ReplacementFindings:
    """Return how long each part lasts, and the age of use at which changing it in time costs least.

    Parameters
    ----------
    lives : DataFrame
        One row a life of a part of a unit, see `trade.part_lives`: unit_id,
        part, mode, began_at, last_good, first_bad (infinite where never found
        bad) `[d]` of use, ended_by, ended_at (missing where it has not ended).
        A life of unknown beginning, without ages, or begun more than a day
        before its unit's first recorded run (so that its days of use are not
        all recorded) is left out and counted.
    runs : DataFrame
        Runs of the timeline: unit_id, day, started_at, ended_at.
    costs : mapping, optional
        'currency', and for each part (planned, failure): the cost of a change
        in time (of a cleaning, where that restores the part), and of being
        found bad, with its defects and rework.
    rng : numpy.random.Generator
    confidence : float
        Level of every interval.
    least_failures : int
        With fewer failures of a part no interval is named.
    draws : int
        Lives drawn from each fit.

    Raises
    ------
    ValueError
        A cost is not above 0, or the confidence is not a share.

    Notes
    -----
    In 400 simulated data sets a design, 95 % limits of the best age held it in
    93 to 95 % (10 to 40 lives looked at every second day, shapes 1.5 to 4).

    References
    ----------
    Barlow and Hunter (1960), see `stats.replacement`.

    Examples
    --------
    >>> days = pd.date_range("2027-01-04", periods=120, freq="D", tz="UTC")
    >>> runs = pd.DataFrame({"unit_id": "U1", "day": days.strftime("%Y-%m-%d"), "started_at": days,
    ...                      "ended_at": days + pd.Timedelta(hours=1)})
    >>> last_good = [9.0, 13.0, 11.0, 15.0, 10.0, 12.0, 14.0, 11.0]
    >>> began = days[np.arange(8) * 15]
    >>> ended = began[1:].append(pd.DatetimeIndex([days[-1]]))
    >>> lives = pd.DataFrame({"unit_id": "U1", "part": "brush", "mode": "worn", "began_at": began, "ended_at": ended,
    ...                       "last_good": last_good, "first_bad": np.add(last_good, 2.0), "ended_by": "replaced"})
    >>> found = find_replacement(lives, runs, costs={"currency": "EUR", "brush": (40.0, 900.0)},
    ...                          rng=np.random.default_rng(1))
    >>> found.parts[["part", "verdict", "failures", "failed_changes", "paid"]].values.tolist()
    [['brush', 'replace', 8, 8, 7200.0]]
    """
    check_confidence(confidence)
    declared = dict(costs or {})
    currency = str(declared.pop("currency", "") or "")
    lives = lives.sort_values(["unit_id", "part", "mode", "began_at"], ignore_index=True)
    usable = _usable(lives, runs)
    kept = lives[usable].assign(used_d=_days_lived(lives[usable], runs))
    rows: list[dict[str, Any]] = []
    curves: list[pd.DataFrame] = []
    present = {(str(part), str(mode)) for part, mode in zip(lives["part"], lives["mode"], strict=True)}
    for part, mode in [(part, mode) for part in PARTS for mode in (WORN, CLOGGED) if (part, mode) in present]:
        of_part = (lives["part"] == part) & (lives["mode"] == mode)
        own = kept[of_part[usable]]
        row: dict[str, Any] = {"part": part, "mode": mode, "excluded": int((of_part & ~usable).sum())}
        row |= {"lives": len(own), "used_d": float(own["used_d"].sum()), **_changes(own)}
        price = declared.get(part)
        if price is not None:
            row |= {"planned_cost": float(price[0]), "failure_cost": float(price[1])}
        told, curve = _part(own, row, rng=rng, confidence=confidence, least_failures=least_failures, draws=draws)
        rows.append(row | told)
        curves.append(curve.assign(part=part, mode=mode))
    return ReplacementFindings(
        parts=typed_frame(rows, _PART_KINDS),
        curves=typed_frame(pd.concat(curves, ignore_index=True) if curves else [], _CURVE_KINDS),
        currency=currency,
        n=len(kept),
        excluded=int((~usable).sum()),
        confidence=confidence,
        method=(
            "Lives are in days of use, a failure lying somewhere between the last look that found the part good and "
            "the first that found it bad; lives begun before the "
            "runs on record are left out, and units are taken alike. The curve is Weibull by maximum likelihood, with "
            "Turnbull's estimate beside it. The best age is that of least long-run cost (age replacement, Barlow and "
            f"Hunter 1960); its limits, those of the curve and of the costs, are quantiles over {draws} lives drawn "
            "from the fit's covariance (parametric bootstrap). An age is named only where the limits of the shape say "
            "that wear grows "
            f"with age, and from {least_failures} failures on. What would have been saved is what was paid on the "
            "records less drawn costs of the same days of use from new, so its limits hold both the doubt about the "
            "life and the luck of the draw; a part found bad counts as one failure. The interval was chosen on the "
            "records it is tried on, so the saving leans to the high side."
        ),
    )


def _usable(lives: pd.DataFrame, runs: pd.DataFrame) -> pd.Series:
    """Return which lives have ages that can be, and began within the time that the runs are recorded of."""
    good, bad = lives["last_good"].astype("float64"), lives["first_bad"].astype("float64")
    first = runs.groupby("unit_id")["started_at"].min().reindex(lives["unit_id"]).set_axis(lives.index)
    # what a unit sprayed between an earlier beginning and its first recorded run nobody can say
    counted = lives["began_at"] >= first - _EARLIER
    return good.ge(0) & good.lt(np.inf) & bad.ge(good) & bad.gt(0) & counted


def _days_lived(lives: pd.DataFrame, runs: pd.DataFrame) -> pd.Series:
    """Return the days of use of each life, to its end or to the last run of its unit."""
    last = runs.groupby("unit_id")["ended_at"].max().reindex(lives["unit_id"]).set_axis(lives.index)
    ended = lives[["unit_id"]].assign(at=lives["ended_at"].fillna(last))
    begun = lives[["unit_id"]].assign(at=lives["began_at"])
    lived = days_of_use(runs, ended) - days_of_use(runs, begun)
    return lived.clip(lower=0.0).fillna(0.0)


def _changes(own: pd.DataFrame) -> dict[str, int]:
    failed = np.isfinite(own["first_bad"].astype("float64"))
    planned = ~failed & own["ended_by"].isin(_ENDINGS)
    return {"planned_changes": int(planned.sum()), "failed_changes": int(failed.sum())}


def _part(
    own: pd.DataFrame,
    row: Mapping[str, Any],
    *,
    rng: np.random.Generator,
    confidence: float,
    least_failures: int,
    draws: int,
) -> tuple[dict[str, Any], pd.DataFrame]:
    """Return what is told of one part, beyond `row`, and its curve."""
    if own.empty:
        return {
            "verdict": CANNOT_TELL,
            "reason": "no life has a known beginning and all its days of use on record",
            "failures": 0,
        }, typed_frame([], _CURVE_KINDS)
    ages = own[["last_good", "first_bad"]].astype("float64")
    fit = fit_weibull(ages, interval="profile", confidence=confidence)
    told: dict[str, Any] = {"verdict": CANNOT_TELL, "reason": fit.reason, "failures": fit.failures}
    if fit.life is None or fit.scale is None or fit.shape is None:
        return told, typed_frame([], _CURVE_KINDS)
    told |= {
        "mean_life_d": mean_life(fit.life),
        "scale_d": fit.scale.estimate,
        "scale_low_d": fit.scale.low,
        "scale_high_d": fit.scale.high,
        "shape": fit.shape.estimate,
        "shape_low": fit.shape.low,
        "shape_high": fit.shape.high,
    }
    curve = _curve(fit, turnbull(ages), draws=draws, rng=rng.spawn(1)[0])
    if fit.failures < least_failures:
        reason = f"{fit.failures} failures among {fit.n} lives; an interval needs {least_failures}"
        return told | {"reason": reason}, curve
    if "planned_cost" not in row:
        return told | {"reason": _NO_COSTS}, curve
    costs = {"planned_cost": row["planned_cost"], "failure_cost": row["failure_cost"]}
    told |= _costed(own, fit, costs=costs, paid=_paid(row), rng=rng, draws=draws)
    return told, curve


def _paid(row: Mapping[str, Any]) -> float:
    return float(row["planned_changes"] * row["planned_cost"] + row["failed_changes"] * row["failure_cost"])


def _costed(
    own: pd.DataFrame,
    fit: WeibullFit,
    *,
    costs: Mapping[str, float],
    paid: float,
    rng: np.random.Generator,
    draws: int,
) -> dict[str, Any]:
    """Return the verdict on one part with its ages, rates and savings."""
    assert fit.life is not None
    confidence = fit.confidence
    scales, shapes = drawn_lives(fit, draws=draws, rng=rng)

    life, at = fit.life, dict(costs)

    def rate(name: str, ages: Floats, shares: Floats) -> dict[str, float]:
        estimate = replacement_cost_rate(ages, shares=shares, scale=life.scale, shape=life.shape, **at)
        low, high = _limits(replacement_cost_rate(ages, shares=shares, scale=scales, shape=shapes, **at), confidence)
        return {f"rate_{name}": float(estimate.item()), f"rate_{name}_low": low, f"rate_{name}_high": high}

    alone, never = np.array([1.0]), np.array([math.inf])
    ages, shares, median = _practised(own)
    told: dict[str, Any] = {"practised_d": median, "paid": paid}
    told |= rate("practised", ages, shares) | rate("failure", never, alone)
    best = float(replacement_ages(fit.life.scale, fit.life.shape, **costs).item())
    verdict, reason = _verdict(fit, best, costs=costs)
    told |= {"verdict": verdict, "reason": reason}
    if verdict == CANNOT_TELL:
        return told
    if verdict == REPLACE:
        low, high = _limits(replacement_ages(scales, shapes, **costs), confidence)
        told |= {"best_d": best, "best_low_d": low, "best_high_d": high}
        told |= rate("best", np.array([best]), alone)
    else:
        best = math.inf
    days = own.groupby("unit_id")["used_d"].sum().to_numpy(dtype=float)
    drawn = drawn_costs(days, age=best, scale=scales, shape=shapes, rng=rng, **costs)
    low, high = _limits(paid - drawn, confidence)
    expected = float(drawn.mean())
    return told | {"expected": expected, "saved": paid - expected, "saved_low": low, "saved_high": high}


def _verdict(fit: WeibullFit, best: float, *, costs: Mapping[str, float]) -> tuple[str, str]:
    """Return whether to change in time, as far as the limits of the shape say, and why."""
    assert fit.shape is not None
    shape = f"shape {fit.shape.estimate:.2g}, {fit.shape.low:.2g} to {fit.shape.high:.2g}"
    if costs["failure_cost"] <= costs["planned_cost"]:
        return RUN_ON, "being found bad costs no more than a change in time"
    if fit.shape.high <= 1.0:
        return RUN_ON, f"a new part is no better than an old one ({shape}): changing early never pays"
    if fit.shape.low > 1.0 and math.isfinite(best):
        times = costs["failure_cost"] / costs["planned_cost"]
        return REPLACE, f"wear grows with age ({shape}), and being found bad costs {times:.3g} times a change in time"
    if_so = f"; if it does, {best:.3g} days of use would cost least" if math.isfinite(best) else ""
    return CANNOT_TELL, f"whether a new part is any better than an old one cannot be told ({shape}){if_so}"


def _practised(own: pd.DataFrame) -> tuple[Floats, Floats, float]:
    """Return the ages meant for a change in time, how often each was, and their median.

    A part found bad, or still in use, had not come to the age meant for it: it
    is censored. What is left at the end was never meant to be changed in time.
    """
    lived = own[own["used_d"] > 0]
    planned = ~np.isfinite(lived["first_bad"].astype("float64")) & lived["ended_by"].isin(_ENDINGS)
    if not planned.any():
        return np.array([math.inf]), np.array([1.0]), math.nan
    ends = pd.DataFrame({"last_good": lived["used_d"], "first_bad": lived["used_d"].where(planned, np.inf)})
    table = kaplan_meier(ends).table
    meant = table["survival"].to_numpy()
    shares = -np.diff(meant, prepend=1.0)
    reached = table.loc[meant <= 0.5, "age"]
    median = float(reached.iloc[0]) if len(reached) else math.nan
    return np.append(table["age"], math.inf), np.append(shares, 1.0 - shares.sum()).clip(0.0), median


def _limits(values: Floats, confidence: float) -> tuple[float, float]:
    """Return the quantiles of drawn values, some of which may be infinite."""
    tail = (1.0 - confidence) / 2.0
    low, high = np.quantile(values, [tail, 1.0 - tail], method="inverted_cdf")
    return float(low), float(high)


def _curve(fit: WeibullFit, table: LifeTable, *, draws: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return the share still good by age; the limits are quantiles over lives the fit leaves possible.

    Limits by the delta method would run from 0 to 1 at ages far below the failures.
    """
    if fit.life is None:
        return typed_frame([], _CURVE_KINDS)
    known = table.table[["after", "by"]].to_numpy().ravel()
    ages = np.linspace(0.0, float(known[np.isfinite(known)].max()), _POINTS + 1)[1:]
    scales, shapes = drawn_lives(fit, draws=draws, rng=rng)
    tail = (1.0 - fit.confidence) / 2.0
    low, high = np.quantile(np.exp(-((ages / scales[:, None]) ** shapes[:, None])), [tail, 1.0 - tail], axis=0)
    return pd.DataFrame(
        {
            "age_d": ages,
            "good_share": np.exp(-((ages / fit.life.scale) ** fit.life.shape)),
            "low": low,
            "high": high,
            "turnbull": _turnbull_at(ages, table.table),
        }
    )


def _turnbull_at(ages: Floats, table: pd.DataFrame) -> Floats:
    """Return the share still good at each age, missing inside an interval in which it cannot be said."""
    after, by = table["after"].to_numpy(), table["by"].to_numpy()
    unsaid = ((ages[:, None] > after) & (ages[:, None] < by)).any(axis=1)
    good = 1.0 - (table["share"].to_numpy() * (by <= ages[:, None])).sum(axis=1)
    return np.where(unsaid, np.nan, good.clip(0.0, 1.0))
