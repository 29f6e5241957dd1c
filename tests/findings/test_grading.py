"""Grades: each rule alone takes the grade that it is asked for, and the reason says which it was."""

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.grading import GRADES, KEY, RULES, grade_causes
from auditkit.stats.multiplicity import benjamini_hochberg

ROW = {
    "defect": "dry spray",
    "condition": "standoff_mm",
    "side": "above",
    "n": 400,
    "n_outside": 80,
    "found_outside": 25,
    "clusters": 8,
    "risk_observed": 0.10,
    "difference": 0.04,
    "low": 0.02,
    "high": 0.06,
    "p": 0.001,
    "not_recorded": (),
    "why": "",
}
STEADY = {
    "leave_job_same_sign": True,
    "leave_operator_same_sign": True,
    "negative_control_clear": True,
    "alternatives_same_sign": True,
    "e_value_limit": 1.8,
}
NO_PAIRS = pd.DataFrame(columns=["condition", "side", "other", "other_side", "inseparable"])


def effects(*changes):
    return pd.DataFrame([ROW | change for change in changes])


def sensitivity(table, **changes):
    return table[KEY].assign(**(STEADY | changes)).astype({"negative_control_clear": "boolean"})


def telling(table, pairs=NO_PAIRS, smallest=0.03):
    return SimpleNamespace(pairs=pairs, detectable=table[KEY].assign(smallest_difference=smallest))


def grade(change=None, known=None, pairs=NO_PAIRS, **options):
    table = effects(change or {})
    steady = sensitivity(table, **(known or {}))
    return grade_causes(table, telling=telling(table, pairs), sensitivity=steady, **options).iloc[0]


def test_all_rules_met_is_supported():
    row = grade()
    assert (row["grade"], row["rules_failed"], row["rank"]) == ("supported", (), 1)
    assert row["grade_reason"] == (
        "clear against chance (+4.0 points, +2.0 to +6.0, q 0.001); it holds whichever job or operator is left out and "
        "under other causal diagrams; a defect it cannot cause is clear."
    )


@pytest.mark.parametrize(
    ("rule", "change", "known", "word", "reason"),
    [
        ("runs", {"n_outside": 9}, {}, "cannot tell", "only 9 runs lay outside the window, and 10 are needed"),
        ("clusters", {"clusters": 3}, {}, "cannot tell", "it rests on 3 clusters of runs, and 4 are needed"),
        ("events", {"risk_observed": 0.0225}, {}, "cannot tell", "only 9 runs had the defect, and 10 are needed"),
        ("jobs", {}, {"leave_job_same_sign": False}, "cannot tell", "leaving out one job turns the sign"),
        (
            "operators",
            {},
            {"leave_operator_same_sign": False},
            "cannot tell",
            "leaving out one operator turns the sign",
        ),
        ("outside", {"found_outside": 4}, {}, "leaning", "only 4 runs outside the window had the defect"),
        ("interval", {"low": -0.001}, {}, "leaning", "its interval reaches past no difference"),
        ("control", {}, {"negative_control_clear": False}, "leaning", "a defect that it cannot cause"),
        ("diagrams", {}, {"alternatives_same_sign": False}, "leaning", "under another causal diagram the sign turns"),
        ("rate", {"p": 0.06}, {}, "leaning", "beside all the other rows it may be chance (q 0.06"),
        (
            "hidden",
            {"not_recorded": ("rush",)},
            {"e_value_limit": 1.49},
            "leaning",
            "haste could not be held equal, and little of it would do (E-value 1.49)",
        ),
    ],
)
def test_each_rule_alone_takes_its_grade(rule, change, known, word, reason):
    row = grade(change, known, titles={"rush": "haste"})
    assert row["rules_failed"] == (rule,)
    assert row["grade"] == word
    assert reason in row["grade_reason"]
    assert RULES[rule].asked_for == {"cannot tell": ("leaning" if rule in ("jobs", "operators") else "any grade")}.get(
        word, "supported"
    )


@pytest.mark.parametrize(
    "change",
    [
        {"n_outside": 10},
        {"clusters": 4},
        {"risk_observed": 0.025},
        {"found_outside": 5},
        {"p": 0.05},
        {"not_recorded": ("rush",)},
    ],
)
def test_at_its_figure_a_rule_is_met(change):
    assert grade(change, {"e_value_limit": 1.5})["grade"] == "supported"


def test_chance_reads_cannot_tell_with_what_would_have_gone_unseen():
    row = grade({"p": 0.11, "low": -0.01})
    assert row["grade"] == "cannot tell"
    assert row["grade_reason"] == (
        "chance alone could give such a difference (+4.0 points, −1.0 to +6.0, p 0.11); "
        "under 3.0 points it would likely go unseen."
    )
    assert grade({"p": 0.10, "low": -0.01})["grade"] == "leaning"


def test_leaning_is_held_to_one_in_four_over_the_table():
    def first(others):
        table = effects({"p": 0.05}, *({"defect": f"d{i}", "p": 0.9} for i in range(others)))
        return (
            grade_causes(table, telling=telling(table), sensitivity=sensitivity(table))
            .set_index("defect")
            .loc["dry spray"]
        )

    assert (first(4)["grade"], first(4)["q"]) == ("leaning", pytest.approx(0.25))
    row = first(5)
    assert (row["grade"], row["rules_failed"]) == ("cannot tell", ("one in four", "rate"))
    assert row["grade_reason"] == (
        "with so many rows asked about, over one in four such could be chance (+4.0 points, +2.0 to +6.0, q 0.3); "
        "under 3.0 points it would likely go unseen."
    )


def test_fewer_defects_outside_needs_none_of_them_there():
    row = grade({"difference": -0.04, "low": -0.06, "high": -0.02, "found_outside": 0})
    assert row["grade"] == "supported"


def test_missing_control_and_alternatives_are_no_fault_but_missing_trials_are():
    row = grade({}, {"negative_control_clear": pd.NA, "alternatives_same_sign": None})
    assert row["grade"] == "supported"
    assert row["grade_reason"].endswith("operator is left out; there was no control.")
    row = grade({}, {"leave_operator_same_sign": None})
    assert (row["grade"], row["grade_reason"]) == ("cannot tell", "leaving out one operator could not be tried.")
    table = effects({})
    row = grade_causes(table, telling=telling(table), sensitivity=None).iloc[0]
    assert (row["grade"], row["grade_reason"]) == (
        "cannot tell",
        "whether it holds without one job was not looked at.",
    )


def test_nothing_known_of_what_moved_together_is_at_most_leaning():
    table = effects({})
    row = grade_causes(table, telling=None, sensitivity=sensitivity(table)).iloc[0]
    assert (row["grade"], row["rules_failed"]) == ("leaning", ("apart",))
    assert "whether another condition moved with it was not looked at" in row["grade_reason"]


def test_what_moved_with_it_is_named_and_only_where_it_would_have_had_a_grade():
    pairs = pd.DataFrame(
        {
            "condition": ["standoff_mm", "standoff_mm", "standoff_mm"],
            "side": ["above", "above", "below"],
            "other": ["pot_kpa", "overlap_pct", "bell_used_d"],
            "other_side": ["above", "below", "above"],
            "inseparable": [True, False, True],
        }
    )
    row = grade(pairs=pairs, titles={"pot_kpa": "Pot pressure"})
    assert (row["grade"], row["not_separable_from"]) == ("not separable from", (("pot_kpa", "above"),))
    assert row["grade_reason"].endswith(
        "but it moved with pot pressure above its window, and the records cannot say which it is."
    )
    lean = grade({"low": -0.001}, pairs=pairs)
    assert lean["grade"] == "not separable from"
    assert grade({"p": 0.5}, pairs=pairs)["grade"] == "cannot tell"
    assert grade({"p": 0.5}, pairs=pairs)["not_separable_from"] == ()


def test_the_rate_is_held_over_the_whole_table_and_rows_without_p_do_not_count():
    p = [0.001, 0.02, 0.04, 0.3, np.nan]
    table = effects(*({"defect": f"d{i}", "p": value} for i, value in enumerate(p)))
    table.loc[4, "why"] = "one level only"
    graded = grade_causes(table, telling=telling(table), sensitivity=sensitivity(table)).sort_values("defect")
    np.testing.assert_allclose(graded["q"], benjamini_hochberg(p))
    assert graded["grade"].tolist() == ["supported", "supported", "leaning", "cannot tell", "cannot tell"]
    assert graded["grade_reason"].iloc[4] == "one level only."
    strict = grade_causes(
        table, telling=telling(table), sensitivity=sensitivity(table), false_discovery_rate=0.01
    ).sort_values("defect")
    assert strict["grade"].tolist() == ["supported", "leaning", "leaning", "cannot tell", "cannot tell"]


def test_rank_is_by_grade_then_by_runs_that_hang_on_it_whatever_the_order():
    table = effects(
        {"defect": "a", "difference": 0.03, "p": 0.5},
        {"defect": "b", "difference": 0.03},
        {"defect": "c", "difference": 0.05},
        {"defect": "d", "difference": 0.05, "n": 300},
        {"defect": "e", "difference": -0.05, "low": -0.06, "high": -0.04},
        {"defect": "f", "difference": np.nan, "p": np.nan, "why": "none found"},
    )
    before = table.copy(deep=True)
    known = sensitivity(table)
    graded = grade_causes(table, telling=telling(table), sensitivity=known)
    assert graded["defect"].tolist() == ["c", "d", "b", "e", "a", "f"]
    assert graded["rank"].tolist() == [1, 2, 3, 4, 5, 6]
    turned = grade_causes(table.iloc[::-1], telling=telling(table), sensitivity=known.iloc[::-1])
    pd.testing.assert_frame_equal(graded, turned)
    pd.testing.assert_frame_equal(table, before)
    assert set(graded["grade"]) <= set(GRADES)


def test_a_very_small_p_is_not_printed_as_none():
    assert "q under 0.0001" in grade({"p": 0.0})["grade_reason"]
    assert "q 0.0001)" in grade({"p": 0.0001})["grade_reason"]


def test_empty_tables_stay_empty():
    table = effects({}).iloc[:0]
    graded = grade_causes(table, telling=telling(table), sensitivity=sensitivity(table))
    assert graded.empty
    assert {"q", "grade", "grade_reason", "rank", "rules_failed", "not_separable_from"} <= set(graded.columns)


def test_what_is_refused():
    table = effects({})
    with pytest.raises(ValueError, match=r"columns of a graded row; \['p'\] are not there"):
        grade_causes(table.drop(columns="p"), telling=None, sensitivity=None)
    with pytest.raises(ValueError, match=r"\['e_value_limit'\] are not there"):
        grade_causes(table, telling=None, sensitivity=sensitivity(table).drop(columns="e_value_limit"))
    with pytest.raises(ValueError, match=r"once in effects;.*'standoff_mm'.*is there twice"):
        grade_causes(effects({}, {}), telling=None, sensitivity=None)
    with pytest.raises(ValueError, match="between 0 and 1; given 1"):
        grade_causes(table, telling=None, sensitivity=None, false_discovery_rate=1)
