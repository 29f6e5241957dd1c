"""Trial questions: which causes the records leave open, what a trial would try, and what it could say of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import pandas as pd

from auditkit.findings.typed_columns import typed_frame
from auditkit.trade.trial_levels import TrialLevels

__all__ = ["open_questions", "severity_of", "trial_answers", "wanted_conditions"]

_GRADES = ("not separable from", "leaning", "cannot tell")
"""Grades that ask for a trial, the one that gains most by it first."""

_QUESTIONS = {
    **dict.fromkeys(("defect", "condition", "side", "grade"), "str"),
    "asked": "bool",
    "answer": "str",
}


def open_questions(questions: pd.DataFrame) -> pd.DataFrame:
    """Return the open questions, those that gain most by a trial first.

    Parameters
    ----------
    questions : DataFrame
        As in `next_trial.plan_trial`.

    Examples
    --------
    >>> rows = pd.DataFrame({"defect": ["spit", "spit"], "condition": ["pot_kpa", "standoff_mm"], "side": "above",
    ...                      "grade": ["supported", "leaning"]})
    >>> open_questions(rows)["condition"].tolist()
    ['standoff_mm']
    """
    grade = questions["grade"].astype("str")
    place = grade.map({name: place for place, name in enumerate(_GRADES)})
    rank = questions.get("rank", 0)
    kept = questions.assign(place=place, rank=rank)[place.notna()]
    return kept.sort_values(["place", "rank", "defect", "condition", "side"], kind="stable", ignore_index=True)


def severity_of(defect: str) -> str:
    """Return the column of a trial that holds the rated severity of a defect.

    Examples
    --------
    >>> severity_of("dry spray")
    'severity_dry_spray'
    """
    return f"severity_{defect.replace(' ', '_')}"


def wanted_conditions(ranked: pd.DataFrame) -> list[str]:
    """Return the conditions in question, each followed by those it could not be told from.

    Examples
    --------
    >>> rows = pd.DataFrame({"condition": ["pot_kpa"], "not_separable_from": [(("viscosity_mm2_s", "above"),)]})
    >>> wanted_conditions(rows)
    ['pot_kpa', 'viscosity_mm2_s']
    """
    partners = ranked["not_separable_from"] if "not_separable_from" in ranked else [()] * len(ranked)
    names = [
        name
        for condition, others in zip(ranked["condition"], partners, strict=True)
        for name in (str(condition), *(str(other[0]) for other in others))
    ]
    return list(dict.fromkeys(names))


def trial_answers(
    ranked: pd.DataFrame, *, factors: Sequence[str], levels: Mapping[str, TrialLevels], otherwise: str
) -> pd.DataFrame:
    """Return what a trial of these factors can say of each question.

    Parameters
    ----------
    ranked : DataFrame
        From `open_questions`.
    factors : sequence of str
        Conditions that are tried.
    levels : mapping of str to TrialLevels
    otherwise : str
        Why a condition that could be tried is not.

    Returns
    -------
    DataFrame
        defect, condition, side, grade, asked, answer.
    """
    rows = []
    for row in ranked.to_dict("records"):
        name, found = str(row["condition"]), levels.get(str(row["condition"]))
        if found is None:
            answer = "not tried: no window is known, and so no level that is safe"
        elif found.why:
            answer = f"not tried: {found.why}"
        elif name not in factors:
            answer = f"not tried: {otherwise}"
        else:
            answer = (
                f"tried from {found.low:g} to {found.high:g} {found.unit}, inside the window. The question is of runs "
                f"{row['side']} it, which are not tried: a change towards that side would speak for it; none would "
                "not clear it, since the harm may begin only outside"
            )
        rows.append({key: row[key] for key in ("defect", "condition", "side", "grade")})
        rows[-1] |= {"asked": name in factors, "answer": answer}
    return typed_frame(rows, _QUESTIONS)
