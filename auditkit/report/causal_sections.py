"""Sections of the report on what the defects depend on: graded causes, and what stands behind them."""

from __future__ import annotations

import pandas as pd

from auditkit.findings.audit import Findings
from auditkit.findings.causal import CausalFindings
from auditkit.report.tables import Columns, Section, table_of
from auditkit.views.cause_figures import causal_diagram, forest_plot
from auditkit.views.cause_sentences import foreman_sentence, statistician_sentence
from auditkit.views.dose_figures import dose_response

__all__ = ["GRADED", "causal_sections"]

GRADED = ("supported", "leaning", "not separable from")
"""Grades that say something, the firmest first."""

_PERCENT = ("difference", "low", "high", "crude_difference", "attributable_fraction", "af_low", "af_high")


def causal_sections(findings: Findings) -> list[Section]:
    """Return the sections on what the defects depend on; none where it was not asked."""
    causal = findings.causal
    return [] if causal is None else [_causes(findings, causal), _behind(findings, causal)]


def _causes(findings: Findings, causal: CausalFindings) -> Section:
    table, conditions, titles = causal.table, findings.conditions, causal.diagram.diagram.titles
    said = table[table["grade"].isin(GRADED)]
    foretold = causal.telling.skill
    unskilled = foretold[~foretold["predicts"]] if len(foretold) else foretold
    sentences = [foreman_sentence(row, conditions, titles=titles) for _, row in said.iterrows()]
    exact = [
        statistician_sentence(row, conditions, titles=titles, confidence=causal.confidence)
        for _, row in said.iterrows()
    ]
    shown = _shown(findings, table)
    return Section(
        id="causes",
        title="What the defects depend on",
        texts=[
            *(str(words) for words in unskilled["words"]),
            causal.method,
            *(sentences or ["No row of the table says anything with enough behind it."]),
        ],
        figures=[forest_plot(said, conditions)] if len(said) else [],
        tables=[
            table_of(
                shown.loc[said.index],
                _COLUMNS,
                caption=f"Graded causes: {len(said)} of {len(table)} rows say something",
            ),
            table_of(pd.DataFrame({"words": exact}, dtype="str"), _WORDS, caption="The same rows in full", folded=True),
            table_of(shown, _COLUMNS, caption="Every row, by rank", folded=True),
        ],
    )


def _behind(findings: Findings, causal: CausalFindings) -> Section:
    telling, second, outcomes = causal.telling, causal.second_opinion, causal.outcomes
    close = telling.pairs[telling.pairs["inseparable"]] if len(telling.pairs) else telling.pairs
    thin = telling.overlap[telling.overlap["why"] != ""]
    drawn = causal.dose.pairs.loc[causal.dose.pairs["why"] == "", "condition"].unique()
    return Section(
        id="behind-causes",
        title="What the causes rest on",
        texts=[
            causal.diagram.method,
            telling.method,
            causal.sensitivity.method,
            causal.dose.method,
            outcomes.method,
            second.method,
        ],
        figures=[
            causal_diagram(causal.diagram.diagram),
            *(
                dose_response(causal.dose.curve, causal.dose.density, causal.dose.pairs, findings.conditions[name])
                for name in drawn
            ),
        ],
        tables=[
            table_of(telling.skill, _SKILL, caption="Do the conditions foretell the defect in a job left out?"),
            table_of(_titled(findings, close, "condition", "other"), _PAIRS, caption="Conditions that moved together"),
            table_of(_titled(findings, thin, "condition"), _OVERLAP, caption="Sides of windows that tell little"),
            table_of(
                _titled(findings, causal.sensitivity.table, "condition"),
                _SENSITIVITY,
                caption="What could make a row fall",
            ),
            table_of(
                _titled(findings, causal.sensitivity.alternatives, "condition").assign(
                    **_as_percent(causal.sensitivity.alternatives, ("difference", "low", "high"))
                ),
                _ALTERNATIVES,
                caption="The same rows under other causal diagrams",
                folded=True,
            ),
            table_of(
                causal.diagram.disagreements,
                _DISAGREE,
                caption=f"Where the records disagree with the diagram: {len(causal.diagram.disagreements)} of "
                f"{causal.diagram.tested} tested",
            ),
            table_of(
                _titled(findings, second.disagreements, "condition"),
                _SECOND,
                caption="Where boosted trees disagree with the adjusted model",
            ),
            table_of(
                _titled(findings, _told(outcomes.means), "condition"), _MEANS, caption="Film and wrap", folded=True
            ),
            table_of(_titled(findings, _told(outcomes.rates), "condition"), _RATES, caption="How many", folded=True),
            table_of(
                _titled(findings, _told(outcomes.severity), "condition"), _SEVERITY, caption="How bad", folded=True
            ),
        ],
    )


def _shown(findings: Findings, table: pd.DataFrame) -> pd.DataFrame:
    titles = dict(findings.causal.diagram.diagram.titles) if findings.causal else {}
    names = {
        column: table[column].map(lambda held: ", ".join(titles.get(name, name) for name in held))
        for column in ("adjusted_for", "not_recorded")
    }
    return _titled(findings, table, "condition").assign(**names, **_as_percent(table, _PERCENT))


def _as_percent(table: pd.DataFrame, columns: tuple[str, ...]) -> dict[str, pd.Series]:
    return {name: 100.0 * table[name].astype("float64") for name in columns}


def _titled(findings: Findings, table: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """Return a table with each condition by its title."""
    titles = {name: condition.title for name, condition in findings.conditions.items()}
    return table.assign(**{name: table[name].map(lambda key: titles.get(key, key)) for name in columns})


def _told(table: pd.DataFrame) -> pd.DataFrame:
    return table[table["why"] == ""].sort_values("p", kind="stable")


_COLUMNS: Columns = {
    "rank": ("rank", ".0f"),
    "defect": ("defect", None),
    "condition": ("condition", None),
    "side": ("outside", None),
    "grade": ("grade", None),
    "difference": ("would go away [points]", ".1f"),
    "low": ("from", ".1f"),
    "high": ("to", ".1f"),
    "attributable_fraction": ("of the defect [%]", ".0f"),
    "crude_difference": ("as it looks unadjusted [points]", ".1f"),
    "q": ("q", ".2g"),
    "n": ("runs", ".0f"),
    "n_outside": ("outside", ".0f"),
    "found_outside": ("with it", ".0f"),
    "adjusted_for": ("adjusted for", None),
    "not_recorded": ("should be held equal, not recorded", None),
    "grade_reason": ("why this grade", None),
}

_WORDS: Columns = {"words": ("in full", None)}

_SKILL: Columns = {
    "defect": ("defect", None),
    "n": ("runs", ".0f"),
    "found": ("with it", ".0f"),
    "clusters": ("jobs", ".0f"),
    "score": ("skill over the base rate [-]", ".2f"),
    "low": ("from", ".2f"),
    "high": ("to", ".2f"),
    "auc": ("area under the curve within jobs [-]", ".2f"),
    "predicts": ("foretells", None),
}

_PAIRS: Columns = {
    "condition": ("condition", None),
    "side": ("outside", None),
    "other": ("moved with", None),
    "other_side": ("outside", None),
    "both": ("runs outside both", ".0f"),
    "one_only": ("outside the first alone", ".0f"),
    "other_only": ("outside the other alone", ".0f"),
    "measure": ("partial correlation [-]", ".2f"),
    "why": ("why", None),
}

_OVERLAP: Columns = {
    "condition": ("condition", None),
    "side": ("outside", None),
    "n_outside": ("runs outside", ".0f"),
    "n_inside": ("inside", ".0f"),
    "jobs_both": ("jobs with both", ".0f"),
    "operators_both": ("operators with both", ".0f"),
    "why": ("why it tells little", None),
}

_SENSITIVITY: Columns = {
    "defect": ("defect", None),
    "condition": ("condition", None),
    "side": ("outside", None),
    "e_value": ("E-value [-]", ".2f"),
    "e_value_limit": ("of the limit", ".2f"),
    "leave_job_same_sign": ("holds without any one job", None),
    "leave_operator_same_sign": ("without any one operator", None),
    "alternatives_same_sign": ("under other diagrams", None),
    "negative_control_words": ("control", None),
}

_ALTERNATIVES: Columns = {
    "defect": ("defect", None),
    "condition": ("condition", None),
    "side": ("outside", None),
    "alternative": ("diagram", None),
    "difference": ("would go away [points]", ".1f"),
    "low": ("from", ".1f"),
    "high": ("to", ".1f"),
    "why": ("why not", None),
}

_DISAGREE: Columns = {
    "one": ("one", None),
    "other": ("other", None),
    "n": ("runs", ".0f"),
    "strength": ("correlation given the rest [-]", ".2f"),
    "p": ("p", ".2g"),
    "q": ("q", ".2g"),
    "reading": ("reads as", None),
}

_SECOND: Columns = {
    "defect": ("defect", None),
    "condition": ("condition", None),
    "kind": ("kind", None),
    "words": ("what is seen", None),
}

_END: Columns = {
    "low": ("from", ".3g"),
    "high": ("to", ".3g"),
    "p": ("p", ".2g"),
    "n": ("n", ".0f"),
    "n_outside": ("outside", ".0f"),
}

_MEANS: Columns = {
    "outcome": ("outcome", None),
    "condition": ("condition", None),
    "side": ("outside", None),
    "difference": ("wholly outside less inside", ".3g"),
    **_END,
}

_RATES: Columns = {
    "outcome": ("outcome", None),
    "condition": ("condition", None),
    "side": ("outside", None),
    "rate_ratio": ("ratio of rates [-]", ".3g"),
    **_END,
}

_SEVERITY: Columns = {
    "defect": ("defect", None),
    "condition": ("condition", None),
    "side": ("outside", None),
    "odds_ratio": ("odds of a higher rating, ratio [-]", ".3g"),
    **_END,
    "proportional_p": ("p of one ratio for every cut", ".2g"),
}
