"""Causes in words: whole runs for the foreman, every figure for the statistician, the grade for both."""

import math

import pytest

from auditkit.trade.conditions import load_conditions
from auditkit.views.cause_sentences import foreman_sentence, grade_words, statistician_sentence

CONDITIONS = load_conditions()
ROW = {
    "defect": "run or sag",
    "condition": "standoff_mm",
    "side": "below",
    "n": 400,
    "n_outside": 60,
    "found_outside": 15,
    "clusters": 8,
    "risk_observed": 0.10,
    "risk_inside": 0.07,
    "difference": 0.03,
    "low": 0.01,
    "high": 0.05,
    "p": 0.004,
    "q": 0.03,
    "ratio": 1.43,
    "ratio_low": 1.1,
    "ratio_high": 1.9,
    "attributable_fraction": 0.30,
    "af_low": 0.09,
    "af_high": 0.47,
    "crude_difference": -0.02,
    "adjusted_for": ("job_id", "operator_id"),
    "not_recorded": (),
    "why": "",
    "grade": "supported",
    "not_separable_from": (),
    "grade_reason": "it holds.",
}
START = "Run or sag: 15 of 60 (25 %) runs with standoff below 150 mm had it"


def foreman(**changes):
    return foreman_sentence(ROW | changes, CONDITIONS, titles={"rush": "time pressure", "dust": "dust"})


def statistician(**changes):
    return statistician_sentence(ROW | changes, CONDITIONS, titles={"job_id": "job", "rush": "time pressure"})


def test_foreman_reads_whole_runs_and_how_firm_it_is():
    spared = "kept inside the window, about 12 of the 40 runs with it would likely have been free of it (4 to 20)"
    assert foreman() == f"{START}; {spared}. The records support this."
    assert foreman(grade="leaning").endswith("(4 to 20). The records lean this way, but not firmly.")
    apart = foreman(grade="not separable from", not_separable_from=(("pot_kpa", "above"), ("humidity_pct", "above")))
    assert apart.endswith(
        "But pot pressure above 48 kPa and relative humidity above 85 % moved with it, and the records cannot tell "
        "which of them it is."
    )


def test_foreman_hears_what_was_not_recorded():
    assert foreman(not_recorded=("rush",)).endswith("Time pressure could not be held equal and may have a part in it.")
    assert foreman(not_recorded=("rush", "dust")).endswith(
        "Time pressure and dust could not be held equal and may have a part in it."
    )
    assert "held equal" not in foreman(not_recorded=("rush",), grade="cannot tell")


def test_foreman_is_told_the_most_where_the_interval_reaches_none():
    assert "free of it (perhaps none, at most 20)" in foreman(low=-0.001, grade="leaning")
    assert "(4 to 40)" in foreman(high=0.2)  # never more than there were


def test_foreman_reads_that_it_is_rarer_there():
    text = foreman(difference=-0.03, low=-0.05, high=-0.01)
    assert "it is rarer there, and kept inside the window about 12 more runs would have it (4 to 20)" in text
    assert "(perhaps none, at most 20)" in foreman(difference=-0.03, low=-0.05, high=0.001, grade="leaning")


def test_foreman_reads_cannot_tell_with_and_without_an_estimate():
    text = foreman(grade="cannot tell", low=-0.02)
    fits = "kept inside the window, anything from 20 fewer to 8 more runs with it fits"
    assert text == f"{START}; {fits}. The records cannot tell."
    none = foreman(grade="cannot tell", difference=math.nan, why="one job only", grade_reason="one job only.")
    assert none == f"{START}. The records cannot tell whether that had to do with it: one job only."


def test_statistician_reads_every_figure():
    assert statistician() == (
        "Run or sag, standoff below 150 mm (n 400 in 8 clusters, 60 outside): risk 10.0 % as observed, 7.0 % with the "
        "condition held inside; difference 3.0 points (95 % interval 1.0 to 5.0; p 0.004, q 0.03), ratio 1.43 (1.10 to "
        "1.90), attributable fraction 30 % (9 to 47), crude difference −2.0 points; adjusted for job, operator_id. "
        "Supported: it holds."
    )
    assert "90 % interval" in statistician_sentence(ROW, CONDITIONS, confidence=0.9)
    assert "adjusted for nothing; not for time pressure, for want of records." in statistician(
        adjusted_for=(), not_recorded=("rush",)
    )


def test_titles_stand_small_within_a_sentence_and_keep_their_brackets():
    titles = {"pot_kpa": "Pot pressure"}
    text = statistician_sentence(ROW | {"adjusted_for": ("pot_kpa (of 78 % of the runs)",)}, CONDITIONS, titles=titles)
    assert "adjusted for pot pressure (of 78 % of the runs)." in text
    assert "p under 0.0001, q 0.03" in statistician(p=0.0)


def test_statistician_reads_no_ratio_where_there_is_none():
    text = statistician(ratio=math.nan, attributable_fraction=math.nan)
    assert "ratio" not in text
    assert "fraction" not in text
    assert "fraction −30 % (−47 to −9)" in statistician(attributable_fraction=-0.3, af_low=-0.47, af_high=-0.09)


def test_statistician_reads_why_there_is_no_estimate():
    text = statistician(difference=math.nan, why="one job only", grade="cannot tell", grade_reason="one job only.")
    assert text == "Run or sag, standoff below 150 mm (n 400, 60 outside): cannot tell, one job only."


def test_grade_in_words():
    assert grade_words(ROW, CONDITIONS) == "supported"
    with pytest.raises(TypeError, match="must be a tuple of \\(condition, side\\); given 'pot_kpa'"):
        grade_words({"grade": "not separable from", "not_separable_from": "pot_kpa"}, CONDITIONS)
    with pytest.raises(TypeError, match="must be a tuple of names; given 'job_id'"):
        statistician(adjusted_for="job_id")
