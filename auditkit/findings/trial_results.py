"""Trial results: what the panels of a planned trial say, each effect against the error that belongs to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from auditkit.findings.next_trial import TrialPlan
from auditkit.findings.trial_questions import severity_of
from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.multiplicity import benjamini_hochberg
from auditkit.stats.trial_effects import curvature, lenth, trial_effects
from auditkit.trade.grounding import BREACH, ground_breaches

__all__ = ["GROUNDS", "TrialResults", "analyse_trial", "result_columns"]

GROUNDS = ("part_ground_ohm", "operator_ground_ohm")
"""Read before every panel; a run out of limit is not used."""

_EFFECTS = {
    **dict.fromkeys(("response", "effect", "aliased_with"), "str"),
    **dict.fromkeys(("estimate", "std_error", "df", "low", "high", "p", "q"), "float64"),
    "stratum": "str",
    "n": "int64",
    **dict.fromkeys(("grade", "words"), "str"),
}
_BENDS = {
    "response": "str",
    **dict.fromkeys(("estimate", "std_error", "df", "low", "high", "p", "q"), "float64"),
    **dict.fromkeys(("grade", "words"), "str"),
}
_ANSWERS = {
    **dict.fromkeys(("defect", "condition", "side"), "str"),
    **dict.fromkeys(("estimate", "low", "high"), "float64"),
    **dict.fromkeys(("grade", "answer"), "str"),
}
_COLUMNS = {
    **dict.fromkeys(("column", "response", "title", "unit"), "str"),
    **dict.fromkeys(("low", "high"), "float64"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialResults:
    """What a trial found.

    Parameters
    ----------
    effects : DataFrame
        One row a response and effect: response, effect, aliased_with, estimate
        (mean at the high level less that at the low one), std_error, df, low,
        high, p, q, stratum, n (runs), grade ('supported', 'leaning', 'cannot tell'), words.
    curvature : DataFrame
        One row a response, where there were runs at the middle: estimate (mean
        of the corners less that of the middle), its limits, grade, words.
    answers : DataFrame
        One row a question that was tried: defect, condition, side, estimate,
        low, high (of the rated severity), grade, answer.
    not_used : DataFrame
        One row a run and reason: run_id, responses (of which it was not used),
        why. One missing panel costs its whole replicate.
    n, excluded : int
        Runs used for some response, and runs of the plan that were not.
    grounds_not_recorded : int
        Runs used although a ground was not written down; that is no pass.
    confidence : float
    method : str
    why : str
        Why nothing can be told; blank where something can be looked at.
    """

    effects: pd.DataFrame
    curvature: pd.DataFrame
    answers: pd.DataFrame
    not_used: pd.DataFrame
    n: int
    excluded: int
    grounds_not_recorded: int
    confidence: float
    method: str
    why: str


def result_columns(responses: pd.DataFrame) -> pd.DataFrame:
    """Return the columns in which results are written, one a reading.

    Parameters
    ----------
    responses : DataFrame
        Of a `TrialPlan`.

    Returns
    -------
    DataFrame
        column, response, title, unit, low, high.

    Examples
    --------
    >>> film = {"response": "facing_um", "title": "Film", "unit": "um", "low": 0.0, "high": 2000.0, "readings": 2}
    >>> result_columns(pd.DataFrame([film]))["column"].tolist()
    ['facing_um_1', 'facing_um_2']
    """
    rows = []
    for row in responses.to_dict("records"):
        count = int(row["readings"])
        for place in range(1, count + 1):
            many = count > 1
            rows.append(
                {
                    **row,
                    "column": f"{row['response']}_{place}" if many else row["response"],
                    "title": f"{row['title']} {place}" if many else row["title"],
                }
            )
    return typed_frame(rows, _COLUMNS)


def analyse_trial(
    plan: TrialPlan, results: pd.DataFrame, *, confidence: float = 0.95, false_discovery_rate: float = 0.05
) -> TrialResults:
    """Return what the panels say.

    Parameters
    ----------
    plan : TrialPlan
    results : DataFrame
        One row a run, from `run_sheet.read_run_sheet`: run_id, the columns of
        `result_columns` (missing where not read), and those of `GROUNDS` `[ohm]`.
    confidence : float
    false_discovery_rate : float
        Rate held over all effects on all responses `[-]`.

    Returns
    -------
    TrialResults
        'supported': clear against chance over all effects; 'leaning': clear
        alone, not over all; else 'cannot tell'. Only whole replicates are
        used, since effects are told apart by their balance. Without replicates
        effects are held against Lenth's simultaneous margin, and nothing leans.

    Raises
    ------
    ValueError
        A column is missing, a run is not of the plan, or is there twice.
    """
    columns = result_columns(plan.responses)
    _check(plan, results, columns)
    if plan.why:
        return _nothing(plan, confidence, f"no trial was planned: {plan.why}")
    titles = dict(zip(plan.responses["response"], plan.responses["title"], strict=True))
    rows = plan.coded[["run_id"]].merge(results, on="run_id", how="left")
    breaches = ground_breaches(rows)
    out = set(breaches.loc[breaches["category"] == BREACH, "run_id"])
    not_used = [(run, response, "a ground was out of limit") for run in sorted(out) for response in titles]
    means = pd.DataFrame({"run_id": rows["run_id"]})
    for response, own in columns.groupby("response", sort=False):
        read = rows[own["column"].tolist()].astype("float64").mean(axis=1)
        means[str(response)] = read.mask(rows["run_id"].isin(out))
    frame = plan.coded.merge(means, on="run_id")
    tables, bends, used = [], [], set()
    for response, title in titles.items():
        whole = frame.groupby("replicate")[response].transform(lambda read: read.notna().all()).astype(bool)
        left = frame[~whole & ~frame["run_id"].isin(out)]
        said = np.where(left[response].isna(), "not read", "another run of its replicate is missing")
        not_used += [(run, response, why) for run, why in zip(left["run_id"], said, strict=True)]
        kept = frame[whole].reset_index(drop=True)
        used |= set(kept["run_id"])
        tables.append(_effects(plan, kept, response, confidence).assign(title=title))
        bends.append(_bend(plan, kept, response, confidence).assign(title=title))
    effects, curved = _graded(plan, pd.concat(tables), pd.concat(bends), false_discovery_rate)
    unrecorded = set(breaches.loc[breaches["category"] != BREACH, "run_id"]) & used
    return TrialResults(
        effects=effects.drop(columns="why"),
        curvature=curved,
        answers=_answers(plan, effects),
        not_used=_listed(not_used),
        n=len(used),
        excluded=len(plan.coded) - len(used),
        grounds_not_recorded=len(unrecorded),
        confidence=confidence,
        method=(
            "Two-level contrasts of panel means, whole replicates only, days and crews taken out; factors set once for "
            "several panels are held against the error between such groups. Benjamini-Hochberg over all effects on all "
            f"responses at {false_discovery_rate:g}; without replicates, Lenth's simultaneous margin. Rated severities "
            "are taken as numbers, so that their limits are approximate. All of it is said of what lies between the "
            "levels that were tried."
        ),
        why="" if used else "no replicate of the trial is complete in any response",
    )


def _check(plan: TrialPlan, results: pd.DataFrame, columns: pd.DataFrame) -> None:
    needed = ["run_id", *columns["column"], *GROUNDS]
    absent = [name for name in needed if name not in results.columns]
    if absent:
        raise ValueError(f"results must have the columns {needed}; {absent} are not there")
    strangers = sorted(set(results["run_id"]) - set(plan.plan["run_id"]))
    if strangers or results["run_id"].duplicated().any():
        raise ValueError(f"each run of the plan may be there once; given also {strangers}, or one of them twice")


def _listed(not_used: list[tuple[str, str, str]]) -> pd.DataFrame:
    """Return one row a run and reason, with the responses it holds for."""
    frame = pd.DataFrame(not_used, columns=["run_id", "responses", "why"]).astype("str")
    together = frame.groupby(["run_id", "why"], sort=True)["responses"].agg(", ".join).reset_index()
    return together[["run_id", "responses", "why"]]


def _effects(plan: TrialPlan, kept: pd.DataFrame, response: str, confidence: float) -> pd.DataFrame:
    """Return the effects on one response, with `why` where they have no error to be held against."""
    names = plan.factors["factor"].tolist()
    if kept.empty:
        return typed_frame(plan.aliases.assign(response=response, n=0), _EFFECTS).assign(why="no replicate is complete")
    plots = kept.groupby("whole_plot").size().max() > 1
    found = trial_effects(
        kept,
        factors=names,
        response=response,
        whole_plot="whole_plot" if plots else None,
        block="block" if len(kept["block"].unique()) > 1 else None,
        confidence=confidence,
    )
    table = found.table.assign(response=response, n=found.n, why="")
    corners = kept.loc[kept["point"] == "corner", response]
    if corners.min() == corners.max():
        return table.assign(why="every panel read the same", low=np.nan, high=np.nan, p=np.nan, std_error=np.nan)
    if found.replicated_df or plots or len(table) < 3:
        return table.assign(why=table["std_error"].isna().map({True: "one replicate only: no error", False: ""}))
    yard = lenth(table["estimate"], confidence=confidence)
    reach = yard.simultaneous_margin
    return table.assign(low=table["estimate"] - reach, high=table["estimate"] + reach, df=yard.n / 3.0)


def _bend(plan: TrialPlan, kept: pd.DataFrame, response: str, confidence: float) -> pd.DataFrame:
    middle = int((kept["point"] == "centre").sum())
    if middle < 2:
        return typed_frame([], _BENDS)
    found = curvature(
        kept,
        factors=plan.factors["factor"].tolist(),
        response=response,
        block="block" if len(kept["block"].unique()) > 1 else None,
        confidence=confidence,
    )
    if kept[response].min() == kept[response].max():
        return typed_frame([{"response": response}], _BENDS)
    row = {name: getattr(found, name) for name in ("estimate", "std_error", "df", "low", "high", "p")}
    return typed_frame([row | {"response": response}], _BENDS)


def _graded(
    plan: TrialPlan, effects: pd.DataFrame, bends: pd.DataFrame, rate: float
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return both tables with q over all their rows, grade and words."""
    effects, bends = effects.reset_index(drop=True), bends.reset_index(drop=True)
    q = benjamini_hochberg(np.concatenate([effects["p"].to_numpy(), bends["p"].to_numpy()]).astype(np.float64))
    effects, bends = effects.assign(q=q[: len(effects)]), bends.assign(q=q[len(effects) :])
    for table in (effects, bends):
        one_side = (table["low"] > 0) | (table["high"] < 0)
        clear = one_side & (table["p"].isna() | (table["q"] <= rate))
        table["grade"] = np.where(clear, "supported", np.where(one_side, "leaning", "cannot tell"))
    factors = plan.factors.set_index("factor").to_dict("index")
    effects["words"] = [_effect_words(row, factors) for row in effects.to_dict("records")]
    bends["words"] = [_bend_words(row) for row in bends.to_dict("records")]
    return typed_frame(effects, {**_EFFECTS, "why": "str"}), typed_frame(bends, _BENDS)


def _effect_words(row: Mapping[Any, Any], factors: Mapping[Any, Mapping[Any, Any]]) -> str:
    names = str(row["effect"]).split(" x ")
    title = row["title"]
    if row["why"]:
        return f"{title}: cannot tell, {row['why']}"
    size = _limits(row)
    alias = f", or {row['aliased_with']}, which this trial cannot tell from it" if row["aliased_with"] else ""
    if len(names) > 1:
        what = " and ".join(str(factors[name]["title"]).lower() for name in names)
        if row["grade"] == "cannot tell":
            return f"{title}: cannot tell whether {what} act on each other ({size}){alias}"
        return f"{title}: {_may(row)} {what} act on each other ({size}){alias}"
    factor = factors[names[0]]
    what = f"{str(factor['title']).lower()} from {factor['low']:g} to {factor['high']:g} {factor['unit']}"
    if row["grade"] == "cannot tell":
        return f"{title}: cannot tell what {what} does ({size}){alias}"
    return f"{title}: {'rises' if row['estimate'] > 0 else 'falls'} with {what} ({size}, {row['grade']}){alias}"


def _may(row: Mapping[Any, Any]) -> str:
    return "it is supported that" if row["grade"] == "supported" else "the panels lean to it that"


def _bend_words(row: Mapping[Any, Any]) -> str:
    if np.isnan(row["estimate"]):
        return f"{row['title']}: cannot tell, every panel read the same"
    if row["grade"] == "cannot tell":
        return f"{row['title']}: no bend between the levels is seen ({_limits(row)})"
    return f"{row['title']}: {_may(row)} it bends between the levels ({_limits(row)})"


def _limits(row: Mapping[Any, Any]) -> str:
    said = [f"{row[name]:+.3g}".replace("-", "−").replace("+0", "0") for name in ("estimate", "low", "high")]
    return f"{said[0]}, {said[1]} to {said[2]}"


def _answers(plan: TrialPlan, effects: pd.DataFrame) -> pd.DataFrame:
    """Return what the trial says of each question it tried."""
    rows = []
    for asked in plan.questions[plan.questions["asked"]].to_dict("records"):
        response = severity_of(str(asked["defect"]))
        own = effects[(effects["response"] == response) & (effects["effect"] == asked["condition"])]
        row = {key: asked[key] for key in ("defect", "condition", "side")}
        if own.empty:
            rows.append({**row, "grade": "cannot tell", "answer": "its severity was not among what was rated"})
            continue
        found = own.iloc[0]
        towards = float(found["estimate"]) * (1 if asked["side"] == "above" else -1)
        if found["why"]:
            answer = f"it could not be told: {found['why']}"
        elif found["grade"] == "cannot tell":
            answer = "no clear change inside the window; that clears nothing, since the harm may begin only outside"
        elif towards > 0:
            answer = "it was rated worse towards that side, inside the window: that speaks for it"
        else:
            answer = "it was rated better towards that side, inside the window: that speaks against it there"
        mixed = f"; or it is the doing of {found['aliased_with']}" if found["aliased_with"] else ""
        rows.append(
            {**row, **{key: found[key] for key in ("estimate", "low", "high", "grade")}, "answer": answer + mixed}
        )
    return typed_frame(rows, _ANSWERS)


def _nothing(plan: TrialPlan, confidence: float, why: str) -> TrialResults:
    return TrialResults(
        effects=typed_frame([], _EFFECTS),
        curvature=typed_frame([], _BENDS),
        answers=typed_frame([], _ANSWERS),
        not_used=_listed([]),
        n=0,
        excluded=len(plan.plan),
        grounds_not_recorded=0,
        confidence=confidence,
        method="Nothing was looked at.",
        why=why,
    )
