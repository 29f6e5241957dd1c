"""Part states: for every run and part, what was last and next known, and how probably it was bad at that moment.

A look after a run tells of the run too: a part found bad on Friday and good on
Monday was bad at some runs in between. The probability takes both looks, the
part's age in days of use, and a life pooled across units in which each unit's
own history weighs in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.frailty import fit_group_lives
from auditkit.stats.life_draws import draw_lives, probability_failed_over
from auditkit.stats.life_tables import share_failed, turnbull
from auditkit.stats.lifetimes import CANNOT_TELL, ESTIMATED, read_lives, why_no_estimate
from auditkit.stats.rows import check_confidence
from auditkit.stats.weibull import fit_weibull
from auditkit.trade.part_lives import PartLives, moments_with_spells
from auditkit.trade.part_spells import modes_of
from auditkit.trade.upkeep_rules import UpkeepRules

__all__ = ["PartModel", "PartStateFindings", "find_part_states", "fit_part_models", "known_by", "states_at"]

SEEN = "seen"
"""Basis of a probability of 0 or 1: a look says it."""

RESTORED = "restored"
"""Last known of a part that was not looked at since it was fitted, replaced or cleaned."""

_SPELL = ["unit_id", "part", "mode", "life_no"]
_POOLED = "Weibull life pooled across units, each unit's own history weighing in (gamma frailty)"
_ALONE = "Weibull life of one unit"
_TURNBULL = "Turnbull's shares, all units alike"
_STATES = {
    "unit_id": "str",
    "part": "str",
    "mode": "str",
    "life_no": "int64",
    "age_d": "float64",
    "last_state": "str",
    "last_at": "datetime64[us, UTC]",
    "next_state": "str",
    "next_at": "datetime64[us, UTC]",
    "probability": "float64",
    "low": "float64",
    "high": "float64",
    "basis": "str",
    "reason": "str",
}
_MODELS = {
    "part": "str",
    "mode": "str",
    "verdict": "str",
    "method": "str",
    "reason": "str",
    "lives": "int64",
    "looked_at": "int64",
    "failures": "int64",
    "scale_d": "float64",
    "shape": "float64",
    "unit_p_value": "float64",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class PartModel:
    """How long one part lasts, as far as the records tell.

    Parameters
    ----------
    part, mode : str
    verdict : str
        'estimated' or 'cannot tell'.
    method, reason : str
        In words; the reason why it cannot be told.
    lives, looked_at, failures : int
        Lives of known age, those ever looked at, those found bad.
    scale_d, shape : float
        Of a Weibull life: medians over the units and over what the data leave
        open `[d]` `[-]`; not a number without one.
    unit_p_value : float
        Of no difference between units.
    draws : DataFrame
        Lives the data leave open: group (unit_id), weight, scale, shape.
    table : DataFrame
        Turnbull's shares where no Weibull life could be fitted.
    """

    part: str
    mode: str
    verdict: str
    method: str
    reason: str
    lives: int
    looked_at: int
    failures: int
    scale_d: float
    shape: float
    unit_p_value: float
    draws: pd.DataFrame
    table: pd.DataFrame


@dataclass(frozen=True, slots=True, kw_only=True)
class PartStateFindings:
    """The state of every part at the start of every run.

    Parameters
    ----------
    states : DataFrame
        One row a run, part and mode, sorted: run_id, and the columns of
        `states_at`.
    runs : DataFrame
        One row a run, sorted by run_id: run_id, and for each part and mode
        whose life could be estimated its probability, e.g. brush_worn_p `[-]`.
    models : DataFrame
        One row a part and mode: verdict, method, reason, lives, looked_at,
        failures, scale_d `[d]`, shape, unit_p_value.
    n, excluded : int
        States of a part at a run with a probability, and without.
    confidence : float
    method : str
    """

    states: pd.DataFrame
    runs: pd.DataFrame
    models: pd.DataFrame
    n: int
    excluded: int
    confidence: float
    method: str


def known_by(
    maintenance: pd.DataFrame, runs: pd.DataFrame, *, as_at: pd.Timestamp
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the notes and runs that were on record at a moment, a run under way cut off there.

    Examples
    --------
    >>> at = pd.to_datetime(["2027-01-11T08:00Z", "2027-01-11T10:00Z", "2027-01-11T09:00Z"])
    >>> runs = pd.DataFrame({"started_at": at[:1], "ended_at": at[1:2]})
    >>> notes, cut = known_by(pd.DataFrame({"done_at": at[1:2]}), runs, as_at=at[2])
    >>> len(notes), bool(cut["ended_at"].iloc[0] == at[2])
    (0, True)
    """
    notes = maintenance[maintenance["done_at"] <= as_at].reset_index(drop=True)
    begun = runs[runs["started_at"] < as_at].reset_index(drop=True)
    return notes, begun.assign(ended_at=begun["ended_at"].mask(begun["ended_at"] > as_at, as_at))


def fit_part_models(
    lives: pd.DataFrame, *, rules: UpkeepRules, confidence: float = 0.95
) -> dict[tuple[str, str], PartModel]:
    """Return how long each part lasts in each mode, by part and mode.

    Parameters
    ----------
    lives : DataFrame
        Of `trade.part_lives.find_part_lives`.
    rules : UpkeepRules
        With fewer failures than `least_failures` nothing is estimated.
    confidence : float
    """
    check_confidence(confidence)
    pairs = modes_of(rules).itertuples(index=False)
    return {
        (str(part), str(mode)): _model(
            lives[(lives["part"] == part) & (lives["mode"] == mode)],
            str(part),
            str(mode),
            least=rules.least_failures,
            confidence=confidence,
        )
        for part, mode in pairs
    }


def _model(lives: pd.DataFrame, part: str, mode: str, *, least: int, confidence: float) -> PartModel:
    seen = lives[(lives["last_good"] > 0) | np.isfinite(lives["first_bad"])]
    failures = int(np.isfinite(lives["first_bad"]).sum())
    untold = PartModel(
        part=part,
        mode=mode,
        verdict=CANNOT_TELL,
        method="",
        reason=f"found bad {failures} times in {len(lives)} lives of known age, fewer than {least}: "
        "how long it lasts is not estimated",
        lives=len(lives),
        looked_at=len(seen),
        failures=failures,
        scale_d=np.nan,
        shape=np.nan,
        unit_p_value=np.nan,
        draws=pd.DataFrame({"group": [], "weight": [], "scale": [], "shape": []}),
        table=pd.DataFrame({"after": [], "by": [], "share": []}),
    )
    if failures < least:
        return untold
    # a life never looked at has likelihood 1 whatever the model; one a unit keeps the unit in it
    unseen = lives.drop(index=seen.index).drop_duplicates("unit_id")
    rows = pd.concat([seen, unseen])[["unit_id", "last_good", "first_bad"]]
    rows = rows.sort_values(["unit_id", "last_good", "first_bad"], ignore_index=True)
    no_spread = why_no_estimate(read_lives(rows))
    if no_spread:
        return replace(untold, reason=no_spread)
    draws, method, p_value = _draws(rows, confidence=confidence)
    if draws.empty:
        return replace(untold, verdict=ESTIMATED, reason="", method=_TURNBULL, table=turnbull(rows).table)
    return replace(
        untold,
        verdict=ESTIMATED,
        reason="",
        method=method,
        draws=draws,
        scale_d=_middle(draws, "scale"),
        shape=_middle(draws, "shape"),
        unit_p_value=p_value,
    )


def _draws(rows: pd.DataFrame, *, confidence: float) -> tuple[pd.DataFrame, str, float]:
    """Return Weibull lives the data leave open, how they were found, and the p-value of no difference between units."""
    if len(set(rows["unit_id"])) > 1:
        pooled = fit_group_lives(rows, group="unit_id", confidence=confidence)
        return pooled.draws, _POOLED, np.nan if pooled.p_value is None else pooled.p_value
    alone = fit_weibull(rows, confidence=confidence)
    if alone.life is None:
        return pd.DataFrame(), "", np.nan
    return draw_lives(alone).assign(group=rows["unit_id"].iloc[0]), _ALONE, np.nan


def _middle(draws: pd.DataFrame, column: str) -> float:
    """Return the median over the draws of all units."""
    ordered = draws.sort_values(column)
    below = ordered["weight"].cumsum() / ordered["weight"].sum()
    return float(ordered[column][below >= 0.5].iloc[0])


def states_at(
    moments: pd.DataFrame,
    runs: pd.DataFrame,
    lives: PartLives,
    *,
    models: Mapping[tuple[str, str], PartModel],
    rules: UpkeepRules,
    confidence: float = 0.95,
) -> pd.DataFrame:
    """Return the state of every part of a unit at given moments.

    Parameters
    ----------
    moments : DataFrame
        unit_id and at, and whatever names the moment.
    runs : DataFrame
        unit_id, started_at, ended_at, day.
    lives : PartLives
        Everything known; for what was known at a date, of `known_by`.
    models : mapping of (part, mode) to PartModel
    rules : UpkeepRules
    confidence : float

    Returns
    -------
    DataFrame
        One row a moment, part and mode: the columns of `moments` but at, then
        part, mode, life_no, age_d `[d]` of use, last_state ('good', 'bad' or
        'restored') and last_at, next_state and next_at (until it was next
        restored), probability that it was bad `[-]` with low and high, basis
        ('seen', 'estimated', 'cannot tell') and reason.
    """
    rows = moments_with_spells(moments, runs, lives, rules=rules)
    rows = rows.assign(place=range(len(rows)))
    rows = _beside(rows, lives)
    rows = rows.assign(probability=np.nan, low=np.nan, high=np.nan, basis=CANNOT_TELL)
    rows["reason"] = [models[pair].reason for pair in zip(rows["part"], rows["mode"], strict=True)]
    begun = rows["age_d"].notna()
    rows["reason"] = rows["reason"].mask(~begun, "how long it had been in use is not recorded")
    for (part, mode), model in models.items():
        asked = rows[(rows["part"] == part) & (rows["mode"] == mode) & begun]
        if model.verdict == ESTIMATED and len(asked):
            shares = _shares(asked, model, confidence=confidence)
            rows.loc[asked.index, ["probability", "low", "high"]] = shares[["estimate", "low", "high"]].to_numpy()
    told = rows["probability"].notna()
    rows["basis"] = rows["basis"].mask(told, ESTIMATED)
    rows["reason"] = rows["reason"].mask(told, "")
    untold = ~told & begun & (rows["reason"] == "")
    rows["reason"] = rows["reason"].mask(untold, "its age lies beyond what any look tells of")
    for value, seen in (
        (0.0, rows["at"] <= rows["last_good_at"]),
        (1.0, rows["at"] >= rows["first_bad_at"]),
    ):
        rows.loc[seen, ["probability", "low", "high"]] = value
        rows.loc[seen, "basis"] = SEEN
        rows.loc[seen, "reason"] = ""
    names = [name for name in moments.columns if name not in ("at", "unit_id")]
    kept = rows.sort_values("place", ignore_index=True)
    return pd.concat([kept[names], typed_frame(kept, _STATES)], axis="columns")


def _beside(rows: pd.DataFrame, lives: PartLives) -> pd.DataFrame:
    """Return the rows with the last look at or before each moment in its spell, and the next one."""
    looks = lives.looks.sort_values("at", kind="stable")
    asked = rows.sort_values("at", kind="stable")
    if looks.empty or asked.empty:
        nothing = pd.Series(pd.NaT, index=asked.index, dtype="datetime64[us, UTC]")
        blank = pd.Series(pd.NA, index=asked.index, dtype="str")
        found = asked.assign(last_state=blank, last_at=nothing, next_state=blank, next_at=nothing)
    else:
        last, following = (
            looks.assign(seen_at=looks["at"]).rename(columns={"state": f"{word}_state", "seen_at": f"{word}_at"})
            for word in ("last", "next")
        )
        last, following = last.drop(columns="use_d"), following.drop(columns="use_d")
        found = pd.merge_asof(asked, last, on="at", by=_SPELL)
        found = pd.merge_asof(found, following, on="at", by=_SPELL, direction="forward", allow_exact_matches=False)
    begins = lives.begins.assign(life_no=lives.begins.groupby(["unit_id", "part", "mode"]).cumcount() + 1)
    begins = begins.loc[begins["by"] != "unknown", [*_SPELL, "at"]].rename(columns={"at": "restored_at"})
    found = found.merge(begins, on=_SPELL, how="left")
    new = found["last_at"].isna() & found["restored_at"].notna()
    found["last_state"] = found["last_state"].astype("str").mask(new, RESTORED)
    found["last_at"] = found["last_at"].fillna(found["restored_at"])
    return found.sort_values("place", ignore_index=True)


def _shares(asked: pd.DataFrame, model: PartModel, *, confidence: float) -> pd.DataFrame:
    """Return estimate, low and high of each row, in its order."""
    ages = asked[["unit_id", "age_d", "last_good", "first_bad"]]
    if model.draws.empty:
        return share_failed(model.table, ages["age_d"], last_good=ages["last_good"], first_bad=ages["first_bad"])
    parts = []
    for unit, of_unit in ages.groupby("unit_id", sort=True):
        draws = model.draws[model.draws["group"] == unit]
        distinct = of_unit.drop_duplicates()
        told = probability_failed_over(
            draws,
            distinct["age_d"],
            last_good=distinct["last_good"],
            first_bad=distinct["first_bad"],
            confidence=confidence,
        )
        keyed = pd.concat([distinct.reset_index(drop=True), told], axis="columns")
        parts.append(of_unit.reset_index().merge(keyed, on=list(ages.columns), how="left").set_index("index"))
    return pd.concat(parts).reindex(asked.index)


def find_part_states(
    runs: pd.DataFrame,
    lives: PartLives,
    *,
    models: Mapping[tuple[str, str], PartModel],
    rules: UpkeepRules,
    confidence: float = 0.95,
) -> PartStateFindings:
    """Return the state of every part at the start of every run, as everything on record tells it.

    Parameters
    ----------
    runs : DataFrame
        One row a run: run_id, unit_id, started_at, ended_at, day (local).
    lives : PartLives
    models : mapping of (part, mode) to PartModel
    rules : UpkeepRules
    confidence : float
    """
    moments = runs[["run_id", "unit_id", "started_at"]].rename(columns={"started_at": "at"})
    states = states_at(moments, runs, lives, models=models, rules=rules, confidence=confidence)
    states = states.sort_values(["run_id", "part", "mode"], ignore_index=True)
    told = [pair for pair, model in models.items() if model.verdict == ESTIMATED]
    wide = {
        f"{part}_{mode}_p".replace(" ", "_").replace("-", "_"): states[
            (states["part"] == part) & (states["mode"] == mode)
        ].set_index("run_id")["probability"]
        for part, mode in told
    }
    by_run = pd.DataFrame(wide, index=pd.Index(runs["run_id"].sort_values(), name="run_id")).reset_index()
    known = int(states["probability"].notna().sum())
    return PartStateFindings(
        states=states,
        runs=by_run,
        models=typed_frame([{name: getattr(model, name) for name in _MODELS} for model in models.values()], _MODELS),
        n=known,
        excluded=len(states) - known,
        confidence=confidence,
        method="A look before and a look after a run bracket when a part went bad; where in the bracket is weighed by "
        "the part's age in days of use and a life pooled across units with each unit's own history. Limits are those "
        "of the doubt about that life.",
    )
