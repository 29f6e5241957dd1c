"""Before and after: film, wrap, defects and delivery of a unit's runs around each time a part was put right."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from auditkit.findings.area_outcomes import MEASURED
from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.exact_strata import exact_conditional_test
from auditkit.stats.lifetimes import CANNOT_TELL
from auditkit.stats.means import mean_interval
from auditkit.stats.multiplicity import benjamini_hochberg
from auditkit.stats.proportions import newcombe_difference
from auditkit.stats.rows import check_confidence
from auditkit.stats.score_difference import stratified_score_difference

__all__ = ["WINDOW_D", "BeforeAfter", "find_before_after"]

WINDOW_D = 5
"""Most days of use looked at on each side of an event `[d]`; ours, no source."""

LEAST_DAYS = 2
"""Fewest days of use on each side of an event, for the event to be looked at."""

LEAST_VALUES = 5
"""Fewest runs on each side for a share of runs with a defect."""

LEAST_EVENTS = 4
"""Fewest events to pool."""

LEAST_TELLING = 0.01
"""Pooled defects in which no outcome could have had a p-value this small cannot tell."""

_RANK = {"cleaned": 0, "fitted": 1, "replaced": 2}
_EVENT_KINDS: Mapping[str, str] = {
    "event": "int64",
    "unit_id": "str",
    "part": "str",
    "action": "str",
    "done_at": "datetime64[us, UTC]",
    "days_before": "int64",
    "days_after": "int64",
    "runs_before": "int64",
    "runs_after": "int64",
    "also": "str",
    "reason": "str",
}
_SIDES_KINDS: Mapping[str, str] = {
    "outcome": "str",
    "n_before": "int64",
    "n_after": "int64",
    "before": "float64",
    "after": "float64",
    "difference": "float64",
    "low": "float64",
    "high": "float64",
    "reading": "str",
    "reason": "str",
}
_COMPARISON_KINDS: Mapping[str, str] = {
    "event": "int64",
    "unit_id": "str",
    "part": "str",
    "action": "str",
    **_SIDES_KINDS,
    "p": "float64",
    "q": "float64",
}
_POOLED_KINDS: Mapping[str, str] = {
    "part": "str",
    "action": "str",
    "events": "int64",
    **_SIDES_KINDS,
    "p": "float64",
    "q": "float64",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class BeforeAfter:
    """What came before and after each time a part was put right.

    Parameters
    ----------
    events : DataFrame
        One row an event, in order of unit, part and time: event (number),
        unit_id, part, action, done_at, days_before, days_after, runs_before,
        runs_after (in the windows), also (other parts replaced or fitted
        within them), reason (why it was not looked at; blank where it was).
    comparisons : DataFrame
        One row an event looked at and outcome: event, unit_id, part, action,
        outcome, n_before, n_after (areas of film and wrap, runs of others),
        before, after, difference (after less before) with low and high,
        reading ('rises', 'falls', 'not clear', 'cannot tell'), reason, p, q.
    pooled : DataFrame
        One row a part, action and outcome, over the events looked at: part,
        action, events (with a value on both sides), then as above; of defects
        the difference is that within events.
    n, excluded : int
        Events looked at, and events that were not.
    straddling : int
        Areas left out of film and wrap around an event because the unit
        sprayed them both before and after it, counted once an event.
    confidence, false_discovery_rate : float
    method : str
    """

    events: pd.DataFrame
    comparisons: pd.DataFrame
    pooled: pd.DataFrame
    n: int
    excluded: int
    straddling: int
    confidence: float
    false_discovery_rate: float
    method: str


def find_before_after(
    runs: pd.DataFrame,
    maintenance: pd.DataFrame,
    areas: pd.DataFrame,
    defects: pd.DataFrame,
    *,
    window_d: int = WINDOW_D,
    confidence: float = 0.95,
    false_discovery_rate: float = 0.05,
) -> BeforeAfter:
    """Return film, wrap, defects and delivery before and after each time a part was cleaned, replaced or fitted.

    The days of use between two events of one part are halved: the first half
    follows the earlier event, the second half precedes the later one, each at
    most `window_d` days and the ones nearest to its event. No day counts twice.

    Parameters
    ----------
    runs : DataFrame
        Runs of the timeline: run_id, area_id, unit_id, day, started_at and,
        if there, delivery_ratio `[-]`.
    maintenance : DataFrame
        Maintenance notes: unit_id, part, action, done_at.
    areas : DataFrame
        From `area_outcomes.area_outcomes`: area_id and a column each outcome.
    defects : DataFrame
        `RunDefects.found`: a nullable boolean column each kind, by run_id.
    window_d : int
        Most days of use on each side `[d]`.
    confidence : float
        Level of every interval.
    false_discovery_rate : float
        Held over the rows of each table (Benjamini and Hochberg 1995).

    Raises
    ------
    ValueError
        The window is below 1, or the confidence is not a share.

    Examples
    --------
    >>> days = pd.date_range("2027-01-04T08:00Z", periods=8, freq="D").repeat(3)
    >>> runs = pd.DataFrame({"run_id": [f"R{i:02d}" for i in range(24)], "area_id": [f"A{i:02d}" for i in range(24)],
    ...                      "unit_id": "U1", "day": days.strftime("%Y-%m-%d"), "started_at": days})
    >>> notes = pd.DataFrame({"unit_id": ["U1"], "part": ["brush"], "action": ["replaced"],
    ...                       "done_at": pd.to_datetime(["2027-01-07T18:00Z"])})
    >>> wrap = np.repeat([60.0, 62.0, 61.0, 61.0, 80.0, 82.0, 81.0, 81.0], 3)
    >>> areas = pd.DataFrame({"area_id": runs["area_id"], "wrap_pct": wrap})
    >>> none = pd.DataFrame(index=pd.Index(runs["run_id"], name="run_id"))
    >>> found = find_before_after(runs, notes, areas, none)
    >>> found.comparisons[["outcome", "n_before", "n_after", "difference", "reading"]].values.tolist()
    [['wrap_pct', 12, 12, 20.0, 'rises']]
    """
    check_confidence(confidence)
    if window_d < 1:
        raise ValueError(f"window_d must be 1 or more; given {window_d}")
    ordered = runs.sort_values(["unit_id", "started_at", "run_id"], ignore_index=True)
    ordered["place"] = ordered.groupby("unit_id").cumcount()
    events = _events(ordered, maintenance)
    sides = _sides(ordered, events, window_d=window_d)
    events = _told(events, sides, maintenance)
    looked_at = events.loc[events["reason"] == "", "event"]
    sides = sides[sides["event"].isin(looked_at)]
    on_areas, straddling = _area_values(ordered, sides, events, areas)
    values = pd.concat([on_areas, _run_values(sides, ordered, defects)], ignore_index=True)
    shares = [str(kind) for kind in defects.columns]
    groups = values.groupby(["event", "outcome"], sort=False) if len(values) else ()
    rows = [
        {"event": key[0], "outcome": key[1], **_compare(part, share=key[1] in shares, confidence=confidence)}
        for key, part in groups
    ]
    named = events.set_index("event")[["unit_id", "part", "action"]]
    order = {name: place for place, name in enumerate([*areas.columns, "delivery_ratio", *shares])}
    comparisons = _held(typed_frame(rows, _COMPARISON_KINDS), ["event"], order, rate=false_discovery_rate)
    comparisons = comparisons.drop(columns=named.columns).join(named, on="event")
    return BeforeAfter(
        events=typed_frame(events, _EVENT_KINDS),
        comparisons=typed_frame(comparisons, _COMPARISON_KINDS),
        pooled=_pool(values.join(named, on="event"), shares, order, confidence, false_discovery_rate),
        n=len(looked_at),
        excluded=len(events) - len(looked_at),
        straddling=straddling,
        confidence=confidence,
        false_discovery_rate=false_discovery_rate,
        method=(
            f"For each cleaning, replacement or fitting, up to {window_d} days of the unit's use on each side, the "
            "days between two events of a part halved between them. Film and wrap are of areas that the unit sprayed "
            "on one side only, reckoned to a mean geometry; the coats of other units on them are part of it and thin "
            "the difference. Means of days are compared by Welch's t, shares of runs by Newcombe's interval and "
            "Fisher's exact test, which take runs as independent. Over the events of a part each is its own control: "
            "a t interval of the paired differences, or for defects Miettinen and Nurminen's within events with an "
            "exact test. The false-discovery rate is held over each table; intervals are for one row at a time. "
            "Parts are put right when work has gone badly, and bad days are followed by better ones whatever was done: "
            "part of any gain is that regression to the mean, and whatever else changed that day is in the "
            "difference too. What follows an event need not come of it."
        ),
    )


def _events(ordered: pd.DataFrame, maintenance: pd.DataFrame) -> pd.DataFrame:
    """Return the events, those of a part without a run in between as one, each with the runs before it."""
    notes = maintenance[maintenance["action"].isin(list(_RANK))]
    starts = {unit: own["started_at"] for unit, own in ordered.groupby("unit_id")}
    place = [
        int(starts[unit].searchsorted(at)) if unit in starts else 0
        for unit, at in zip(notes["unit_id"], notes["done_at"], strict=True)
    ]
    notes = notes.assign(place=place, rank=notes["action"].map(_RANK)).astype({"place": "int64"})
    notes = notes.sort_values(
        ["unit_id", "part", "place", "rank", "done_at"], ascending=[True, True, True, False, True]
    )
    events = notes.drop_duplicates(["unit_id", "part", "place"]).reset_index(drop=True)
    events["event"] = np.arange(1, len(events) + 1)
    return events[["event", "unit_id", "part", "action", "done_at", "place"]]


def _sides(ordered: pd.DataFrame, events: pd.DataFrame, *, window_d: int) -> pd.DataFrame:
    """Return one row an event and run in its windows: event, side ('before' or 'after'), run_id, area_id, day."""
    by_part = events.groupby(["unit_id", "part"])["place"]
    bounds = events.assign(since=by_part.shift(1), until=by_part.shift(-1))
    frames = []
    for side in ("before", "after"):
        cut = bounds[["event", "unit_id", "since", "place", "until"]]
        near = cut.merge(
            ordered[["unit_id", "run_id", "area_id", "day", "started_at", "place"]], on="unit_id", suffixes=("", "_run")
        )
        if side == "before":
            near = near[(near["place_run"] < near["place"]) & ~(near["place_run"] < near["since"])]
            shared = near["since"].notna()
        else:
            near = near[(near["place_run"] >= near["place"]) & ~(near["place_run"] >= near["until"])]
            shared = near["until"].notna()
        days = near.groupby("event")["day"]
        rank = days.rank(method="dense", ascending=side == "after")
        most = days.transform("nunique")
        most = most.where(~shared, most // 2).clip(upper=window_d)
        frames.append(near.loc[rank <= most, ["event", "run_id", "area_id", "day", "started_at"]].assign(side=side))
    return pd.concat(frames, ignore_index=True)


def _told(events: pd.DataFrame, sides: pd.DataFrame, maintenance: pd.DataFrame) -> pd.DataFrame:
    """Return the events with what lies in their windows, and why one is not looked at."""
    out = events.copy()
    for side in ("before", "after"):
        own = sides[sides["side"] == side].groupby("event")
        out[f"days_{side}"] = out["event"].map(own["day"].nunique()).fillna(0).astype("int64")
        out[f"runs_{side}"] = out["event"].map(own["run_id"].size()).fillna(0).astype("int64")
    counted = [out[f"days_{side}"].astype("str") for side in ("before", "after")]
    few = (out["days_before"] < LEAST_DAYS) | (out["days_after"] < LEAST_DAYS)
    said = counted[0] + " days of use before and " + counted[1] + " after it lie nearer to it than to another event of "
    words = (said + f"the part; {LEAST_DAYS} on each side are needed").where(few, "")
    span = sides.groupby("event")["started_at"].agg(["min", "max"])
    changed = maintenance[maintenance["action"].isin(["replaced", "fitted"])]
    also = (
        out[["event", "unit_id", "part"]].join(span, on="event").merge(changed, on="unit_id", suffixes=("", "_other"))
    )
    also = also[(also["part"] != also["part_other"]) & also["done_at"].between(also["min"], also["max"])]
    listed = {event: ", ".join(sorted(set(own))) for event, own in also.groupby("event")["part_other"]}
    return out.assign(reason=words, also=[listed.get(event, "") for event in out["event"]])


def _area_values(
    ordered: pd.DataFrame, sides: pd.DataFrame, events: pd.DataFrame, areas: pd.DataFrame
) -> tuple[pd.DataFrame, int]:
    """Return one row an event, side, area and outcome, and how many areas lay on both sides."""
    outcomes = [name for name in MEASURED if name in areas.columns]
    near = sides.merge(events[["event", "unit_id", "place"]], on="event")
    touched = near[["event", "unit_id", "place", "area_id"]].drop_duplicates()
    touched = touched.merge(ordered[["unit_id", "area_id", "place"]], on=["unit_id", "area_id"], suffixes=("", "_run"))
    later = (touched["place_run"] >= touched["place"]).groupby([touched["event"], touched["area_id"]])
    both = (later.any() & ~later.all()).rename("both").reset_index()
    last = near.sort_values(["event", "day", "run_id"]).drop_duplicates(["event", "area_id"], keep="last")
    last = last.merge(both, on=["event", "area_id"])
    kept = last[~last["both"].astype(bool)].merge(areas[["area_id", *outcomes]], on="area_id")
    long = kept.melt(id_vars=["event", "side", "day"], value_vars=outcomes, var_name="outcome")
    return long.dropna(subset=["value"]).astype({"value": "float64", "outcome": "str"}), int(last["both"].sum())


def _run_values(sides: pd.DataFrame, ordered: pd.DataFrame, defects: pd.DataFrame) -> pd.DataFrame:
    """Return one row an event, side, run and outcome that is recorded of runs."""
    own = defects.astype("Float64").astype("float64").rename_axis(index="run_id")
    if "delivery_ratio" in ordered.columns:
        own = own.join(ordered.set_index("run_id")["delivery_ratio"])
    near = sides.merge(own.reset_index(), on="run_id", how="left")
    long = near.melt(id_vars=["event", "side", "day"], value_vars=list(own.columns), var_name="outcome")
    return long.dropna(subset=["value"]).astype({"value": "float64", "outcome": "str"})


def _compare(part: pd.DataFrame, *, share: bool, confidence: float) -> dict[str, Any]:
    """Return the comparison of one outcome around one event."""
    before, after = (part[part["side"] == side] for side in ("before", "after"))
    row: dict[str, Any] = {"n_before": len(before), "n_after": len(after), "reading": CANNOT_TELL, "reason": ""}
    if share:
        return row | _share_difference(before["value"], after["value"], confidence=confidence)
    means = [side.groupby("day")["value"].mean().to_numpy() for side in (before, after)]
    if min(len(days) for days in means) < LEAST_DAYS:
        counted = " and ".join(str(len(days)) for days in means)
        return row | {"reason": f"values on {counted} days before and after; {LEAST_DAYS} on each side are needed"}
    row |= {"before": float(means[0].mean()), "after": float(means[1].mean())}
    if np.ptp(means[0]) == 0 and np.ptp(means[1]) == 0:
        return row | {"reason": "the days of a side do not differ at all: their spread cannot be told"}
    from scipy.stats import ttest_ind

    test = ttest_ind(means[1], means[0], equal_var=False)
    limits = test.confidence_interval(confidence)
    difference = row["after"] - row["before"]
    return row | _limited(difference, float(limits.low), float(limits.high)) | {"p": float(test.pvalue)}


def _share_difference(before: pd.Series, after: pd.Series, *, confidence: float) -> dict[str, Any]:
    if min(len(before), len(after)) < LEAST_VALUES:
        return {"reason": f"{len(before)} and {len(after)} runs; {LEAST_VALUES} on each side are needed"}
    from scipy.stats import fisher_exact

    x1, n1, x0, n0 = int(after.sum()), len(after), int(before.sum()), len(before)
    found = newcombe_difference(x1, n1, x0, n0, confidence=confidence)
    p = float(fisher_exact([[x1, n1 - x1], [x0, n0 - x0]]).pvalue)
    return {"before": x0 / n0, "after": x1 / n1} | _limited(found.estimate, found.low, found.high) | {"p": p}


def _limited(difference: float, low: float, high: float) -> dict[str, Any]:
    reading = "rises" if low > 0 else "falls" if high < 0 else "not clear"
    return {"difference": difference, "low": low, "high": high, "reading": reading}


def _pool(
    values: pd.DataFrame, shares: list[str], order: Mapping[str, int], confidence: float, rate: float
) -> pd.DataFrame:
    """Return the events of each part and action together, each event its own control."""
    rows = []
    for (part, action, outcome), own in values.groupby(["part", "action", "outcome"], sort=True):
        before, after = (
            own[own["side"] == side].groupby("event")["value"].agg(["mean", "sum", "size"]).add_suffix(f"_{side}")
            for side in ("before", "after")
        )
        paired = before.join(after, how="inner")
        told: dict[str, Any] = {"part": part, "action": action, "outcome": outcome, "events": len(paired)}
        told |= {f"n_{side}": int(paired[f"size_{side}"].sum()) for side in ("before", "after")}
        told |= {"reading": CANNOT_TELL, "reason": ""}
        if len(paired) < LEAST_EVENTS:
            told["reason"] = f"{len(paired)} events with values on both sides; {LEAST_EVENTS} are needed"
        elif outcome in shares:
            told |= _pooled_shares(paired, confidence=confidence)
        else:
            told |= _pooled_means(paired, confidence=confidence)
        rows.append(told)
    return _held(typed_frame(rows, _POOLED_KINDS), ["part", "action"], order, rate=rate)


def _held(rows: pd.DataFrame, first: list[str], order: Mapping[str, int], *, rate: float) -> pd.DataFrame:
    """Return the rows in order, with q, and no difference called clear beyond the false-discovery rate."""
    q = benjamini_hochberg(rows["p"].to_numpy(dtype="float64"))
    reading = rows["reading"].mask(rows["p"].notna() & ~(q <= rate), "not clear")
    held = rows.assign(q=q, reading=reading, place=rows["outcome"].map(order))
    return held.sort_values([*first, "place"], ignore_index=True).drop(columns="place")


def _pooled_means(paired: pd.DataFrame, *, confidence: float) -> dict[str, Any]:
    from scipy.stats import ttest_1samp

    differences = (paired["mean_after"] - paired["mean_before"]).to_numpy(dtype=float)
    sides = {side: float(paired[f"mean_{side}"].mean()) for side in ("before", "after")}
    if np.ptp(differences) == 0:
        return sides | {"reason": "the events do not differ at all: their spread cannot be told"}
    found = mean_interval(differences, confidence=confidence)
    assert found is not None
    p = float(ttest_1samp(differences, 0.0).pvalue)
    return sides | _limited(found.estimate, found.low, found.high) | {"p": p}


def _pooled_shares(paired: pd.DataFrame, *, confidence: float) -> dict[str, Any]:
    counts = paired[["sum_before", "sum_after", "size_before", "size_after"]].round().astype("int64")
    strata = pd.DataFrame(
        {
            "exposed_with": counts["sum_after"],
            "exposed_without": counts["size_after"] - counts["sum_after"],
            "unexposed_with": counts["sum_before"],
            "unexposed_without": counts["size_before"] - counts["sum_before"],
        }
    )
    totals = counts.sum()
    sides = {side: float(totals[f"sum_{side}"] / totals[f"size_{side}"]) for side in ("before", "after")}
    if not totals["sum_before"] + totals["sum_after"]:
        return sides | {"reason": "no such defect was found on either side of any event"}
    test = exact_conditional_test(strata)
    found = stratified_score_difference(strata, confidence=confidence)
    if test is None or found is None or test.least_p_value > LEAST_TELLING:
        return sides | {"reason": "so few runs or defects that hardly any outcome could have told"}
    return sides | _limited(found.estimate, found.low, found.high) | {"p": test.p_value}
