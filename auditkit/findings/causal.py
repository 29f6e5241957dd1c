"""What the defects depend on: adjusted by the causal diagram, tried from several sides, and graded in plain words."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from auditkit.findings.causal_diagram import CausalDiagram, DiagramFindings, find_diagram
from auditkit.findings.cause_effects import EffectFindings, find_effects
from auditkit.findings.cause_outcomes import OutcomeFindings, find_outcomes
from auditkit.findings.cause_sensitivity import SensitivityFindings, find_cause_sensitivity
from auditkit.findings.dose_response import DoseResponse, find_dose_response
from auditkit.findings.grading import RULES, grade_causes
from auditkit.findings.second_opinion import SecondOpinion, find_second_opinion
from auditkit.findings.telling import TellingFindings, find_telling
from auditkit.trade.conditions import Condition

__all__ = ["CausalFindings", "find_causal"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CausalFindings:
    """What the defects depend on, as far as the records carry it.

    Parameters
    ----------
    table : DataFrame
        One row a defect, condition and side of its window, by rank: the columns
        of `EffectFindings.table` and those that `grading.grade_causes` adds.
    diagram, effects, telling, sensitivity, dose, outcomes, second_opinion
        What the grades rest on, and what stands beside them.
    n, excluded : int
        Runs, and those of no known job or operator, which serve no row.
    confidence, false_discovery_rate : float
    method : str
        How grades are given, in words.
    """

    table: pd.DataFrame
    diagram: DiagramFindings
    effects: EffectFindings
    telling: TellingFindings
    sensitivity: SensitivityFindings
    dose: DoseResponse
    outcomes: OutcomeFindings
    second_opinion: SecondOpinion
    n: int
    excluded: int
    confidence: float
    false_discovery_rate: float
    method: str


def find_causal(
    runs: pd.DataFrame,
    found: pd.DataFrame,
    *,
    ratings: pd.DataFrame,
    areas: pd.DataFrame,
    diagram: CausalDiagram,
    conditions: Mapping[str, Condition],
    rng: np.random.Generator,
    confidence: float = 0.95,
    false_discovery_rate: float = 0.05,
    on_progress: Callable[[str], None] | None = None,
) -> CausalFindings:
    """Return what the defects depend on.

    Parameters
    ----------
    runs : DataFrame
        The runs as they were, one row a run.
    found : DataFrame
        One row a run (index run_id), one nullable boolean column a defect.
    ratings : DataFrame
        Defect records, for how bad and how many.
    areas : DataFrame
        Film and wrap of the areas, and size_m2: see `cause_outcomes.AREA_OUTCOMES`.
    diagram : CausalDiagram
        What acts on what.
    conditions : mapping of str to Condition
    rng : Generator
        Shuffles conditions in the second opinion; nothing else is drawn.
    confidence, false_discovery_rate : float
    on_progress : callable, optional
        Called with the name of each step as it starts.
    """
    step = on_progress or (lambda name: None)
    step("causal diagram against the records")
    drawn = find_diagram(runs, found, diagram=diagram, conditions=conditions, false_discovery_rate=false_discovery_rate)
    held = drawn.adjustments
    step("adjusted effects")
    effects = find_effects(runs, found, conditions=conditions, adjustments=held, confidence=confidence)
    step("can the records tell")
    telling = find_telling(runs, found, conditions=conditions, adjustments=held, confidence=confidence)
    step("sensitivity of the causes")
    sensitivity = find_cause_sensitivity(
        effects.table,
        runs,
        found,
        conditions=conditions,
        adjustments=held,
        confidence=confidence,
        diagram=drawn.diagram.diagram,
        estimate=partial(find_effects, edges=False),
        alternatives=drawn.alternatives,
    )
    table = grade_causes(
        effects.table,
        telling=telling,
        sensitivity=sensitivity.table,
        false_discovery_rate=false_discovery_rate,
        titles=diagram.titles,
    )
    step("dose and response")
    dose = find_dose_response(runs, found, conditions=conditions, adjustments=held, confidence=confidence)
    outcomes = find_outcomes(
        runs, found, ratings=ratings, areas=areas, conditions=conditions, adjustments=held, confidence=confidence
    )
    step("second opinion")
    second = find_second_opinion(
        effects.table,
        runs,
        found,
        conditions=conditions,
        rng=rng,
        confidence=confidence,
        false_discovery_rate=false_discovery_rate,
    )
    rules = "; ".join(f"{rule.words}{'' if rule.limit is None else f' {rule.limit:g}'}" for rule in RULES.values())
    return CausalFindings(
        table=table,
        diagram=drawn,
        effects=effects,
        telling=telling,
        sensitivity=sensitivity,
        dose=dose,
        outcomes=outcomes,
        second_opinion=second,
        n=effects.n,
        excluded=effects.excluded,
        confidence=confidence,
        false_discovery_rate=false_discovery_rate,
        method=f"{effects.method} Grades are given by these rules: {rules}.",
    )
