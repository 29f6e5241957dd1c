"""Grading: how far the records carry each cause, in four plain words and by written rules."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.stats.multiplicity import benjamini_hochberg

__all__ = ["GRADES", "KEY", "RULES", "Rule", "Telling", "grade_causes"]

KEY = ["defect", "condition", "side"]
"""What a row of causes is about."""

GRADES: dict[str, str] = {
    "supported": "the records carry it: clear against chance over the whole table, and nothing that was tried shook it",
    "leaning": "the records point that way, and at least one rule is not met; the reason says which",
    "not separable from": "it would be supported or leaning, but another condition moved with it, and either may be it",
    "cannot tell": "the records do not say, or not clearly; the reason says what stands in the way",
}
"""The four words and what they mean, the firmest first. 'not separable from' is followed by what it moved with."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One rule of grading.

    Parameters
    ----------
    words : str
        What must hold.
    limit : float or None
        Its figure, where it has one.
    asked_for : str
        'any grade', 'leaning' or 'supported': the least grade that asks for it.
    source : str
    """

    words: str
    limit: float | None
    asked_for: str
    source: str


_OWN = "our own default; no source"
RULES: dict[str, Rule] = {
    "estimated": Rule(words="the effect could be estimated", limit=None, asked_for="any grade", source=""),
    "runs": Rule(words="runs outside the window", limit=10.0, asked_for="any grade", source=_OWN),
    "clusters": Rule(
        words="clusters of runs (of one job, or job and operator) that the estimate rests on",
        limit=4.0,
        asked_for="any grade",
        source=_OWN,
    ),
    "events": Rule(
        words="runs with the defect, of all in the estimate", limit=10.0, asked_for="any grade", source=_OWN
    ),
    "nearly": Rule(words="p of the row alone, at most", limit=0.10, asked_for="leaning", source=_OWN),
    "one in four": Rule(
        words="false-discovery rate among the rows that lean, over every row of the table, at most",
        limit=0.25,
        asked_for="leaning",
        source="Benjamini and Hochberg (1995); the figure is our own default",
    ),
    "jobs": Rule(words="the sign stays whichever one job is left out", limit=None, asked_for="leaning", source=_OWN),
    "operators": Rule(
        words="the sign stays whichever one operator is left out", limit=None, asked_for="leaning", source=_OWN
    ),
    "rate": Rule(
        words="false-discovery rate over every row of the table, at most",
        limit=None,
        asked_for="supported",
        source="Benjamini and Hochberg (1995)",
    ),
    "interval": Rule(
        words="the interval lies on one side of no difference", limit=None, asked_for="supported", source=_OWN
    ),
    "outside": Rule(
        words="runs outside the window with the defect, where it is more frequent there",
        limit=5.0,
        asked_for="supported",
        source=_OWN,
    ),
    "apart": Rule(words="it is known which conditions moved together", limit=None, asked_for="supported", source=_OWN),
    "control": Rule(
        words="a defect that it cannot cause does not go with it", limit=None, asked_for="supported", source=_OWN
    ),
    "diagrams": Rule(words="the sign stays under other diagrams", limit=None, asked_for="supported", source=_OWN),
    "hidden": Rule(
        words="where something that should be held equal could not be: the E-value of the limit, at least",
        limit=1.5,
        asked_for="supported",
        source="E-value: VanderWeele and Ding (2017); the figure is our own default",
    ),
}
"""Every rule, in the order in which a reason names them."""


class Telling(Protocol):
    """What is known of which rows the records can tell; `telling.TellingFindings` is one."""

    @property
    def pairs(self) -> pd.DataFrame:
        """One row an ordered pair: condition, side, other, other_side, inseparable."""

    @property
    def detectable(self) -> pd.DataFrame:
        """One row a defect, condition and side: smallest_difference."""


_EFFECTS = [*KEY, "n", "n_outside", "found_outside", "clusters", "risk_observed", "difference", "low", "high", "p"]
_EFFECTS += ["not_recorded", "why"]
_SENSITIVITY = {
    "leave_job_same_sign": "boolean",
    "leave_operator_same_sign": "boolean",
    "negative_control_clear": "boolean",
    "alternatives_same_sign": "boolean",
    "e_value_limit": "Float64",
}


def grade_causes(
    effects: pd.DataFrame,
    *,
    telling: Telling | None,
    sensitivity: pd.DataFrame | None,
    false_discovery_rate: float = 0.05,
    titles: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Return the effects with their grade, ranked: the firmest first, and of these the one that most runs hang on.

    Parameters
    ----------
    effects : DataFrame
        One row a defect, condition and side: those three, n, n_outside,
        found_outside, clusters, risk_observed, difference, low, high, p,
        not_recorded (tuple of str) and why ('' where estimated).
    telling : Telling or None
        Which conditions moved together, and what could have been seen. None:
        nothing is known of it, and no row is supported.
    sensitivity : DataFrame or None
        One row a defect, condition and side that was looked at:
        leave_job_same_sign, leave_operator_same_sign, negative_control_clear
        (missing: there was none), alternatives_same_sign (missing: no other
        diagram bears on it), e_value_limit. Nothing is known to hold
        of a row without one, which then is 'cannot tell'.
    false_discovery_rate : float
        Rate held over all rows with a p `[-]`.
    titles : mapping of str to str, optional
        What conditions and other columns are called in a reason.

    Returns
    -------
    DataFrame
        The columns of `effects`, then q, grade, not_separable_from (tuple of
        (condition, side)), rules_failed (tuple of names in `RULES`),
        grade_reason (a sentence), rank (from 1). Sorted by rank.

    Raises
    ------
    ValueError
        A column is missing, a key occurs twice, or the rate is not between 0
        and 1.

    Examples
    --------
    >>> row = {"defect": "spit", "condition": "follow_through_s", "side": "below", "n": 400, "n_outside": 60,
    ...        "found_outside": 1, "clusters": 8, "risk_observed": 0.02, "difference": float("nan"),
    ...        "low": float("nan"), "high": float("nan"), "p": float("nan"), "not_recorded": (), "why": "one job only"}
    >>> graded = grade_causes(pd.DataFrame([row]), telling=None, sensitivity=None)
    >>> graded.loc[0, ["grade", "grade_reason"]].tolist()
    ['cannot tell', 'one job only.']
    """
    _check(effects, sensitivity, false_discovery_rate)
    table = effects.sort_values(KEY, ignore_index=True)
    known = _beside(table, sensitivity, telling)
    q = benjamini_hochberg(table["p"].astype("float64").to_numpy())
    holds = _holds(table, known, q, false_discovery_rate)
    partners = _partners(table, telling)
    names = dict(titles or {})
    grades, reasons, failed, rows_apart = [], [], [], []
    for i in range(len(table)):
        broken = tuple(name for name in RULES if not holds[name].iloc[i])
        grade = _grade(broken)
        apart = partners[i] if grade in ("supported", "leaning") else ()
        row = {str(name): value for part in (table, known) for name, value in part.iloc[i].items()}
        row |= {"q": q[i], "rate": false_discovery_rate}
        grades.append("not separable from" if apart else grade)
        reasons.append(_reason(row, grade, broken, apart, names))
        failed.append(broken)
        rows_apart.append(apart)
    graded = table.assign(
        q=q,
        grade=pd.Series(grades, index=table.index, dtype="str"),
        not_separable_from=pd.Series(rows_apart, index=table.index, dtype="object"),
        rules_failed=pd.Series(failed, index=table.index, dtype="object"),
        grade_reason=pd.Series(reasons, index=table.index, dtype="str"),
    )
    return _ranked(graded)


def _check(effects: pd.DataFrame, sensitivity: pd.DataFrame | None, rate: float) -> None:
    absent = [name for name in _EFFECTS if name not in effects.columns]
    if sensitivity is not None:
        absent += [name for name in (*KEY, *_SENSITIVITY) if name not in sensitivity.columns]
    if absent:
        raise ValueError(f"effects and sensitivity must have the columns of a graded row; {absent} are not there")
    for name, frame in (("effects", effects), ("sensitivity", sensitivity)):
        if frame is not None and frame.duplicated(KEY).any():
            twice = frame.loc[frame.duplicated(KEY), KEY].iloc[0].tolist()
            raise ValueError(f"each defect, condition and side must stand once in {name}; {twice} is there twice")
    if not 0 < rate < 1:
        raise ValueError(f"the false-discovery rate must lie between 0 and 1; given {rate}")


def _beside(table: pd.DataFrame, sensitivity: pd.DataFrame | None, telling: Telling | None) -> pd.DataFrame:
    """Return what is known of each row beside its effect; looked_at says whether sensitivity has the row."""
    rows = pd.DataFrame(columns=[*KEY, *_SENSITIVITY]) if sensitivity is None else sensitivity[[*KEY, *_SENSITIVITY]]
    rows = rows.astype(dict.fromkeys(KEY, "str") | _SENSITIVITY).assign(looked_at=True)
    known = table[KEY].astype("str").merge(rows, on=KEY, how="left")
    known["looked_at"] = known["looked_at"].astype("boolean").fillna(False).astype(bool)
    seen = pd.DataFrame(columns=[*KEY, "smallest_difference"]) if telling is None else telling.detectable
    seen = seen[[*KEY, "smallest_difference"]].astype(dict.fromkeys(KEY, "str") | {"smallest_difference": "float64"})
    known = known.merge(seen.drop_duplicates(KEY), on=KEY, how="left")
    return known.assign(told=telling is not None)


def _holds(table: pd.DataFrame, known: pd.DataFrame, q: npt.NDArray[np.float64], rate: float) -> pd.DataFrame:
    """Return which rule holds for which row; what was not looked at does not hold."""
    least = {name: rule.limit for name, rule in RULES.items() if rule.limit is not None}
    numbers = table[["n", "n_outside", "found_outside", "clusters", "risk_observed", "difference", "low", "high", "p"]]
    numbers = numbers.astype("float64")
    events = (numbers["n"] * numbers["risk_observed"]).round()
    looked = known["looked_at"]
    more = numbers["difference"] > 0
    one_side = (numbers["low"] > 0) | (numbers["high"] < 0)
    unheld = table["not_recorded"].map(len).astype("int64") > 0
    return pd.DataFrame(
        {
            "estimated": (table["why"] == "") & numbers[["difference", "low", "high", "p"]].notna().all(axis="columns"),
            "runs": numbers["n_outside"] >= least["runs"],
            "clusters": numbers["clusters"] >= least["clusters"],
            "events": events >= least["events"],
            "nearly": numbers["p"] <= least["nearly"],
            "one in four": q <= least["one in four"],
            "jobs": looked & known["leave_job_same_sign"].fillna(False).astype(bool),
            "operators": looked & known["leave_operator_same_sign"].fillna(False).astype(bool),
            "rate": q <= rate,
            "interval": one_side,
            "outside": ~more | (numbers["found_outside"] >= least["outside"]),
            "apart": known["told"],
            "control": looked & known["negative_control_clear"].fillna(True).astype(bool),
            "diagrams": looked & known["alternatives_same_sign"].fillna(True).astype(bool),
            "hidden": looked
            & (~unheld | (known["e_value_limit"].fillna(0.0).astype("float64") >= least["hidden"]).astype(bool)),
        }
    )


def _grade(broken: tuple[str, ...]) -> str:
    asked = {RULES[name].asked_for for name in broken}
    if asked & {"any grade", "leaning"}:
        return "cannot tell"
    return "leaning" if asked else "supported"


def _partners(table: pd.DataFrame, telling: Telling | None) -> list[tuple[tuple[str, str], ...]]:
    """Return, for each row, the sides of other conditions that moved with it and could not be told apart from it."""
    if telling is None:
        return [()] * len(table)
    pairs = telling.pairs[telling.pairs["inseparable"].astype(bool)]
    by_row: dict[tuple[str, str], set[tuple[str, str]]] = {}
    for key in zip(*(pairs[name].astype(str) for name in ("condition", "side", "other", "other_side")), strict=True):
        by_row.setdefault(key[:2], set()).add(key[2:])
    keys = zip(table["condition"].astype(str), table["side"].astype(str), strict=True)
    return [tuple(sorted(by_row.get(key, set()))) for key in keys]


_UNMET: dict[str, str] = {
    "runs": "only {n_outside:.0f} runs lay outside the window, and {limit:.0f} are needed",
    "clusters": "it rests on {clusters:.0f} clusters of runs, and {limit:.0f} are needed",
    "events": "only {events:.0f} runs had the defect, and {limit:.0f} are needed",
    "nearly": "chance alone could give such a difference ({points}, p {p})",
    "one in four": "with so many rows asked about, over one in four such could be chance ({points}, q {q})",
    "jobs": "leaving out one job turns the sign, or takes away what it rests on",
    "operators": "leaving out one operator turns the sign, or takes away what it rests on",
    "rate": "beside all the other rows it may be chance (q {q}, at most {rate:g} is asked for)",
    "interval": "its interval reaches past no difference ({points})",
    "outside": "only {found_outside:.0f} runs outside the window had the defect, and {limit:.0f} are needed",
    "apart": "whether another condition moved with it was not looked at",
    "control": "it also goes with a defect that it cannot cause, so something else may be at work",
    "diagrams": "under another causal diagram the sign turns",
    "hidden": "{unheld} could not be held equal, and little of it would do (E-value {e_value})",
}


def _reason(
    row: Mapping[str, Any],
    grade: str,
    broken: tuple[str, ...],
    apart: tuple[tuple[str, str], ...],
    names: Mapping[str, str],
) -> str:
    """Return why a row has its grade, as a sentence."""
    if "estimated" in broken:
        return f"{str(row['why']) or 'the effect could not be estimated'}.".replace("..", ".")
    asked = ("any grade", "leaning") if grade == "cannot tell" else ("supported",)
    said = [name for name in broken if RULES[name].asked_for in asked]
    if not row["looked_at"]:  # then these were not tried, and say nothing
        said = [name for name in said if name not in _TRIED]
    faults = (
        "; ".join(_fault(name, row, names) for name in said) or "whether it holds without one job was not looked at"
    )
    if grade == "cannot tell":
        seen = 100.0 * float(row["smallest_difference"])
        unseen = (
            ""
            if np.isnan(seen) or not {"nearly", "one in four"} & set(broken)
            else f"; under {seen:.1f} points it would likely go unseen"
        )
        return f"{faults}{unseen}."
    clear = f"clear against chance ({_points(row)}, q {_chance(row['q'])})"
    if "rate" in broken or "interval" in broken:
        clear = f"it points that way ({_points(row)}, p {_chance(row['p'])})"
    held = "; it holds whichever job or operator is left out" if row["looked_at"] else ""
    if apart:
        others = " and ".join(f"{names.get(name, name).lower()} {side} its window" for name, side in apart)
        return f"{clear}, but it moved with {others}, and the records cannot say which it is."
    return f"{clear}{held}, but {faults}." if broken else f"{clear}{held}{_untouched(row)}."


_TRIED = ("jobs", "operators", "control", "diagrams", "hidden")


def _fault(name: str, row: Mapping[str, Any], names: Mapping[str, str]) -> str:
    e_value = row["e_value_limit"]
    if name in ("jobs", "operators") and pd.isna(row[f"leave_{name[:-1]}_same_sign"]):
        return f"leaving out one {name[:-1]} could not be tried"
    return _UNMET[name].format(
        n_outside=row["n_outside"],
        found_outside=row["found_outside"],
        clusters=row["clusters"],
        events=round(float(row["n"]) * float(row["risk_observed"])),
        points=_points(row),
        p=_chance(row["p"]),
        q=_chance(row["q"]),
        rate=row["rate"],
        limit=RULES[name].limit,
        unheld=" and ".join(names.get(each, each).lower() for each in row["not_recorded"]),
        e_value="not known" if pd.isna(e_value) else f"{float(e_value):.2f}",
    )


def _untouched(row: Mapping[str, Any]) -> str:
    others = "" if pd.isna(row["alternatives_same_sign"]) else " and under other causal diagrams"
    control = "there was no control" if pd.isna(row["negative_control_clear"]) else "a defect it cannot cause is clear"
    return f"{others}; {control}"


def _chance(value: object) -> str:
    number = float(str(value))
    return "under 0.0001" if number < 0.0001 else f"{number:.2g}"


def _points(row: Mapping[str, Any]) -> str:
    middle, low, high = (f"{100.0 * float(row[name]):+.1f}" for name in ("difference", "low", "high"))
    return f"{middle} points, {low} to {high}".replace("-0.0", "0.0").replace("+0.0", "0.0").replace("-", "−")


def _ranked(graded: pd.DataFrame) -> pd.DataFrame:
    """Return the rows by grade, then by how many runs with the defect hang on them."""
    order = graded.assign(
        firmness=graded["grade"].map({grade: place for place, grade in enumerate(GRADES)}),
        more=(graded["difference"].astype("float64") * graded["n"].astype("float64")).fillna(-np.inf),
    ).sort_values(["firmness", "more", *KEY], ascending=[True, False, True, True, True], kind="stable")
    ranked = graded.loc[order.index].reset_index(drop=True)
    return ranked.assign(rank=np.arange(1, len(ranked) + 1))
