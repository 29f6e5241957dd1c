"""How firmly each cause stands: without one job or operator, under other diagrams, beside a control, and if one hides.

Looked at are the rows that say something; the rest have nothing that could fall.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.diagrams import Diagram, descendants, separated
from auditkit.stats.sensitivity import e_value, leave_one_group_out
from auditkit.trade.conditions import Condition

__all__ = [
    "EffectTable",
    "Estimator",
    "SensitivityFindings",
    "choose_control",
    "find_cause_sensitivity",
    "worth_a_look",
]

Floats = npt.NDArray[np.float64]

LOOK_AT = 0.1
"""Rows with a p-value below this are looked at, as are those with their interval on one side of 0."""

LEAST_CONTROL = 10
"""Least number of runs with a defect that serves as a control; fewer could hardly show anything."""

KEY = ["defect", "condition", "side"]

_NOT_RECORDED = "not recorded"


class EffectTable(Protocol):
    """What an estimator returns: a frame keyed (defect, condition, side)."""

    @property
    def table(self) -> pd.DataFrame:
        """Rows with difference, low and high, NaN where not estimated."""


class Estimator(Protocol):
    """How effects are estimated; `cause_effects.find_effects` is one."""

    def __call__(
        self,
        runs: pd.DataFrame,
        found: pd.DataFrame,
        *,
        conditions: Mapping[str, Condition],
        adjustments: pd.DataFrame,
        confidence: float,
    ) -> EffectTable:
        """Return the effects of the conditions on the defects of these runs."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SensitivityFindings:
    """What could make a cause fall.

    Parameters
    ----------
    table : DataFrame
        One row a defect, condition and side that was worth a look: those three;
        ratio_outside (risk of the runs outside over what it would have been);
        e_value, e_value_limit; for job and operator: leave_job_low,
        leave_job_high (least and greatest difference without one),
        leave_job_worst_low, leave_job_worst_high (least and greatest limit),
        leave_job_unanswered (how many cannot be spared: the
        rest carries no estimate), leave_job_same_sign (False also where some one
        cannot be spared), leave_job_rests_on (the one that cannot be spared, or without which least
        is left); negative_control (a defect, or ''), negative_control_difference,
        negative_control_low, negative_control_high, negative_control_p (Holm, over
        all controls), negative_control_clear (missing where there is no control),
        negative_control_words;
        alternatives_same_sign (missing where no other diagram bears on the row).
    left_out : DataFrame
        One row a row of `table` and group left out: those three, by ('job' or
        'operator'), group, n, difference, low, high, change, reverses.
    alternatives : DataFrame
        One row a row of `table` and other diagram: those three, alternative,
        adjust_for, difference, low, high, same_set (as in the main diagram), why.
    n, excluded : int
        Rows looked at, and rows of effects that were not.
    controls : int
        Different comparisons that served as controls.
    confidence : float
    method : str
    """

    table: pd.DataFrame
    left_out: pd.DataFrame
    alternatives: pd.DataFrame
    n: int
    excluded: int
    controls: int
    confidence: float
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Question:
    """What every estimate of this module shares."""

    estimate: Estimator
    found: pd.DataFrame
    conditions: Mapping[str, Condition]
    confidence: float

    def answer(self, runs: pd.DataFrame, keys: pd.DataFrame, adjustments: pd.DataFrame) -> pd.DataFrame:
        """Return estimate, low and high of each key, on these runs; NaN where the runs do not carry it."""
        parts = []
        for defect, own in keys.groupby("defect", sort=True):
            sides = own.groupby("condition", sort=False)["side"].agg(tuple)
            rows = adjustments[(adjustments["defect"] == defect) & adjustments["condition"].isin(sides.index)]
            rows = rows.assign(sides=rows["condition"].map(sides))
            try:
                effects = self.estimate(
                    runs,
                    self.found.loc[self.found.index.isin(runs["run_id"]), [defect]],
                    conditions={name: self.conditions[name] for name in own["condition"].unique()},
                    adjustments=rows.reset_index(drop=True),
                    confidence=self.confidence,
                )
            except ValueError:  # these runs do not carry it: the rows stay without an answer
                continue
            parts.append(effects.table.set_index(KEY)[["difference", "low", "high"]].astype("float64"))
        index = pd.MultiIndex.from_frame(keys[KEY])
        if not parts:
            return pd.DataFrame(np.nan, index=index, columns=["estimate", "low", "high"])
        return pd.concat(parts).reindex(index).rename(columns={"difference": "estimate"})


def find_cause_sensitivity(
    effects: pd.DataFrame,
    runs: pd.DataFrame,
    found: pd.DataFrame,
    *,
    conditions: Mapping[str, Condition],
    adjustments: pd.DataFrame,
    diagram: Diagram,
    estimate: Estimator,
    alternatives: Mapping[str, pd.DataFrame] | None = None,
    job: str = "job_id",
    operator: str = "operator_id",
    confidence: float = 0.95,
) -> SensitivityFindings:
    """Return what could make each cause that says something fall.

    Parameters
    ----------
    effects : DataFrame
        defect, condition, side, n, n_outside, found_outside, difference, low,
        high, p, why; of all defects, since some serve as controls.
    runs : DataFrame
        The runs that the effects are of.
    found : DataFrame
        One row a run (index run_id), one nullable boolean column a defect.
    conditions : mapping of str to Condition
    adjustments : DataFrame
        defect, condition, adjust_for, as the effects were estimated with.
    diagram : Diagram
        Tells which defect a condition cannot cause.
    estimate : callable
        What estimated the effects, with its own defaults or with others already put in.
    alternatives : mapping of str to DataFrame, optional
        Adjustments under each other diagram, by its name, with note ('' where
        it can be adjusted as it says).
    job, operator : str
        Columns of the job and the operator.
    confidence : float

    Returns
    -------
    SensitivityFindings
    """
    runs = runs[runs[job].notna()].sort_values("run_id", ignore_index=True)
    look = worth_a_look(effects)
    question = _Question(estimate=estimate, found=found, conditions=conditions, confidence=confidence)
    left_out = _left_out(look, runs, question, adjustments, by={"job": job, "operator": operator})
    looked_for = found.loc[found.index.isin(runs["run_id"])]
    controls = _controls(look, effects, looked_for, diagram, level=1.0 - confidence)
    other = _alternatives(look, runs, question, adjustments, alternatives or {})
    table = look[KEY].reset_index(drop=True)
    table = table.join(_hidden_cause(look)).join(_steadiness(look, left_out)).join(controls)
    table["alternatives_same_sign"] = _same_under_others(look, other)
    tried = controls.assign(condition=table["condition"], side=table["side"])[controls["negative_control"] != ""]
    return SensitivityFindings(
        table=table,
        left_out=left_out,
        alternatives=other,
        n=len(look),
        excluded=len(effects) - len(look),
        controls=len(tried[["negative_control", "condition", "side"]].drop_duplicates()),
        confidence=confidence,
        method=(
            f"Rows with an interval on one side of 0, or p below {LOOK_AT:g}. E-value (VanderWeele and Ding) of the "
            "ratio of risk among the runs outside the window. The estimate without each job and each operator in turn. "
            "One control a row, chosen by the diagram and by how often it was found, never by what it shows: the one "
            "found most often of the defects that the condition cannot cause and that share a cause with it; clear "
            f"where its p, by Holm over all different controls, is above {1.0 - confidence:.2g}. The estimate under "
            "each other diagram's adjustment."
        ),
    )


def worth_a_look(effects: pd.DataFrame) -> pd.DataFrame:
    """Return the estimated rows with an interval on one side of 0, or a small p-value, in their order.

    Examples
    --------
    >>> effects = pd.DataFrame({"difference": [0.1, 0.1, None], "low": [0.05, -0.1, None], "high": [0.2, 0.3, None],
    ...                         "p": [0.01, 0.4, None], "why": ["", "", "one job only"]})
    >>> worth_a_look(effects).index.tolist()
    [0]
    """
    clear = (effects["low"] > 0) | (effects["high"] < 0) | (effects["p"] < LOOK_AT)
    return effects[clear & (effects["why"] == "") & effects["difference"].notna()].reset_index(drop=True)


def _hidden_cause(look: pd.DataFrame) -> pd.DataFrame:
    """Return E-values on the ratio among runs outside: of the difference over all runs, these alone make it."""
    rows = []
    for row in look.to_dict("records"):
        n_outside = max(int(row["n_outside"]), 1)
        risk = float(row["found_outside"]) / n_outside
        ends = [risk - float(row[name]) * float(row["n"]) / n_outside for name in ("low", "difference", "high")]
        low, ratio, high = (risk / end if end > 0 else math.inf for end in ends)
        if not 0 < low <= ratio <= high:
            rows.append((float("nan"),) * 3)
            continue
        strength = e_value(ratio, low=low, high=high)
        rows.append((ratio, strength.estimate, strength.limit))
    return pd.DataFrame(rows, columns=["ratio_outside", "e_value", "e_value_limit"], dtype="float64")


def _left_out(
    look: pd.DataFrame,
    runs: pd.DataFrame,
    question: _Question,
    adjustments: pd.DataFrame,
    *,
    by: Mapping[str, str],
) -> pd.DataFrame:
    whole = look.set_index(KEY)[["difference", "low", "high"]].rename(columns={"difference": "estimate"})
    parts = []
    for word, column in by.items():
        rows = runs.assign(**{column: runs[column].astype("str").fillna(_NOT_RECORDED)})
        if look.empty or rows[column].nunique() < 2:
            continue
        table = leave_one_group_out(
            rows,
            group=column,
            # What was blank stays blank to the estimator: it sees the runs as they are.
            estimate=lambda kept: (
                whole if len(kept) == len(runs) else question.answer(runs.loc[kept.index], look, adjustments)
            ),
        )
        parts.append(table.rename(columns={"estimate": "difference"}).reset_index().assign(by=word))
    columns = [*KEY, "by", "group", "n", "difference", "low", "high", "change", "reverses"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def _steadiness(look: pd.DataFrame, left_out: pd.DataFrame) -> pd.DataFrame:
    rows = [
        {
            f"leave_{word}_{name}": value
            for word in ("job", "operator")
            for name, value in _steady(
                float(row["difference"]), _rows_of(left_out[left_out["by"] == word], row)
            ).items()
        }
        for row in look.to_dict("records")
    ]
    words = ("low", "high", "worst_low", "worst_high", "unanswered", "same_sign", "rests_on")
    table = pd.DataFrame(rows, columns=[f"leave_{word}_{name}" for word in ("job", "operator") for name in words])
    kinds = {"unanswered": "int64", "same_sign": "bool", "rests_on": "str"}
    return table.astype({name: kinds.get(name.split("_", 2)[2], "float64") for name in table.columns})


def _rows_of(frame: pd.DataFrame, row: Mapping[Hashable, Any]) -> pd.DataFrame:
    """Return the rows of a frame that are of one defect, condition and side."""
    return frame[(frame[KEY] == [row[name] for name in KEY]).all(axis=1)]


def _steady(difference: float, without: pd.DataFrame) -> dict[str, object]:
    """Return how one row stands without each group of one kind."""
    gone = without[without["difference"].isna()]
    steady = bool(len(without)) and gone.empty and bool((without["difference"] * difference > 0).all())
    rests_on = ""
    if len(gone):
        rests_on = str(gone["group"].iloc[0])
    elif len(without):
        rests_on = str(without["group"].iloc[int(np.argmin(without["difference"] * np.sign(difference)))])
    return {
        "low": without["difference"].min(),
        "high": without["difference"].max(),
        "worst_low": without["low"].min(),
        "worst_high": without["high"].max(),
        "unanswered": len(gone),
        "same_sign": steady,
        "rests_on": rests_on,
    }


def choose_control(diagram: Diagram, found: pd.DataFrame, *, defect: str, condition: str) -> str:
    """Return the defect that serves as a control of a condition that may cause another, or ''.

    Of the defects that no path of arrows leads to from the condition, but that
    share a cause with it (the others could not show a path left open), the one
    found most often; the first in their order among equals.

    Examples
    --------
    >>> from auditkit.stats.diagrams import read_diagram
    >>> arrows = [("crew", "speed"), ("speed", "spit"), ("crew", "crater"), ("damp", "pinhole")]
    >>> diagram = read_diagram({
    ...     "nodes": {name: {"recorded": True} for name in ("crew", "speed", "spit", "crater", "damp", "pinhole")},
    ...     "arrows": [{"from": a, "to": b, "because": "Invented."} for a, b in arrows]})
    >>> found = pd.DataFrame({name: [True] * 12 for name in ("spit", "crater", "pinhole")})
    >>> choose_control(diagram, found, defect="spit", condition="speed")
    'crater'
    """
    if condition not in diagram.nodes:
        return ""
    after = {condition, *descendants(diagram, condition)}
    counts = {
        name: int(found[name].sum())
        for name in found.columns
        if name != defect and name in diagram.nodes and name not in after and not separated(diagram, condition, name)
    }
    enough = {name: count for name, count in counts.items() if count >= LEAST_CONTROL}
    return max(enough, key=lambda name: enough[name]) if enough else ""


def _controls(
    look: pd.DataFrame, effects: pd.DataFrame, found: pd.DataFrame, diagram: Diagram, *, level: float
) -> pd.DataFrame:
    names = [
        choose_control(diagram, found, defect=defect, condition=condition)
        for defect, condition in look[["defect", "condition"]].to_numpy().tolist()
    ]
    table = pd.DataFrame({"negative_control": pd.Series(names, dtype="str", index=look.index)})
    keys = look[["condition", "side"]].assign(defect=table["negative_control"])
    asked = pd.MultiIndex.from_frame(keys.loc[keys["defect"] != "", KEY].drop_duplicates())
    estimated = effects[effects["why"] == ""].set_index(KEY)
    answers = estimated[["difference", "low", "high", "p"]].astype("float64").reindex(asked)
    answers["p"] = _holm(answers["p"].to_numpy(dtype=np.float64))
    answers = answers.reindex(pd.MultiIndex.from_frame(keys[KEY])).set_axis(look.index)
    for name in answers.columns:
        table[f"negative_control_{name}"] = answers[name].to_numpy(dtype=np.float64)
    answered = answers.notna().all(axis=1)
    clear = answers["p"] > level
    table["negative_control_clear"] = clear.astype("boolean").mask(~answered)
    holds = (answers["low"] <= 0) & (answers["high"] >= 0)
    above = look["difference"] > 0
    reaches = (above & (answers["high"] >= look["difference"])) | (~above & (answers["low"] <= look["difference"]))
    words = pd.Series("not clear: it goes with a defect that it cannot cause, so something else is at work", look.index)
    words = words.mask(clear, "clear").mask(clear & reaches, "clear, but its interval is too wide to be much comfort")
    words = words.mask(clear & ~holds, "clear among so many controls, though not if it were the only one")
    words = words.mask(~answered, "the control could not be estimated")
    table["negative_control_words"] = words.mask(table["negative_control"] == "", "no defect can serve as a control")
    return table


def _holm(p: Floats) -> Floats:
    """Return p-values that hold over all of them at once; NaN is a test that was not made."""
    from statsmodels.stats.multitest import multipletests

    made = ~np.isnan(p)
    adjusted = np.full(len(p), np.nan)
    if made.any():
        adjusted[made] = multipletests(p[made], method="holm")[1]
    return adjusted


def _alternatives(
    look: pd.DataFrame,
    runs: pd.DataFrame,
    question: _Question,
    adjustments: pd.DataFrame,
    alternatives: Mapping[str, pd.DataFrame],
) -> pd.DataFrame:
    main = {pair: set(row["adjust_for"]) for pair, row in _by_pair(adjustments).items()}
    rows = []
    for name, frame in alternatives.items():
        other = _by_pair(frame)
        pairs = [(row["defect"], row["condition"]) for row in look.to_dict("records")]
        anew = [_answers(other, pair) and set(other[pair]["adjust_for"]) != main.get(pair, set()) for pair in pairs]
        answers = question.answer(runs, look[np.array(anew, dtype=bool)], frame)
        numbers = dict(zip(answers.index, answers.to_numpy().tolist(), strict=True))
        for row, pair, estimated in zip(look.to_dict("records"), pairs, anew, strict=True):
            found = numbers[*pair, row["side"]] if estimated else [row[n] for n in _NUMBERS]
            why = "the runs do not carry this adjustment" if np.isnan(found[0]) else ""
            if not _answers(other, pair):
                found = [math.nan] * 3
                why = other[pair]["note"] if pair in other else "this diagram says nothing of them"
            given = other[pair]["adjust_for"] if pair in other else ()
            rows.append((*pair, row["side"], name, given, *found, not why and not estimated, why))
    columns = [*KEY, "alternative", "adjust_for", "difference", "low", "high", "same_set", "why"]
    return pd.DataFrame(rows, columns=columns).astype(dict.fromkeys(_NUMBERS, "float64"))


_NUMBERS = ("difference", "low", "high")


def _by_pair(adjustments: pd.DataFrame) -> dict[tuple[str, str], dict[Hashable, Any]]:
    return {(row["defect"], row["condition"]): row for row in adjustments.to_dict("records")}


def _answers(other: Mapping[tuple[str, str], Mapping[Hashable, Any]], pair: tuple[str, str]) -> bool:
    return pair in other and not other[pair]["note"]


def _same_under_others(look: pd.DataFrame, other: pd.DataFrame) -> pd.Series:
    """Return whether every other diagram gives the same sign; False where one leaves no answer, missing without any."""
    signs = []
    for row in look.to_dict("records"):
        own = _rows_of(other, row)
        signs.append(bool((own["difference"] * float(row["difference"]) > 0).all()) if len(own) else None)
    return pd.Series(signs, index=look.index, dtype="boolean")
