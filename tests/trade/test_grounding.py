"""Grounds and start-up lists against their limits; what is not recorded is never a pass."""

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.grounding import BREACH, CAUTIONS, NOT_RECORDED, ground_breaches, startup_breaches, startup_lists


def run(part, operator):
    return pd.DataFrame({"run_id": ["R1"], "part_ground_ohm": [part], "operator_ground_ohm": [operator]})


# Part at most 1 megohm: NEC (2008) 516.10(B)(5), NFPA 33. Person at most 100 megohm, and for protection
# from shock at least 1 megohm: NFPA 77 (2000) 6.6.3.
@pytest.mark.parametrize(
    ("part", "operator", "broken"),
    [
        (1e6, 8e6, []),
        (1.01e6, 8e6, [("part_ground_ohm", 1e6)]),
        (0.0, 1e8, []),
        (5e4, 1.01e8, [("operator_ground_ohm", 1e8)]),
        (5e4, 1e6, []),
        (5e4, 0.99e6, [("operator_ground_ohm", 1e6)]),
        (2e6, 2e8, [("part_ground_ohm", 1e6), ("operator_ground_ohm", 1e8)]),
    ],
)
def test_limits_on_grounds(part, operator, broken):
    found = ground_breaches(run(part, operator))
    assert list(zip(found["column"], found["limit"], strict=True)) == broken
    assert (found["category"] == BREACH).all()


def test_a_ground_that_is_not_recorded_is_neither_a_pass_nor_a_breach_and_told_once():
    found = ground_breaches(run(np.nan, np.nan))
    assert found["category"].tolist() == [NOT_RECORDED, NOT_RECORDED]
    assert found["column"].tolist() == ["part_ground_ohm", "operator_ground_ohm"]
    assert found[["value", "limit"]].isna().all(axis=None)


def test_every_breach_says_stop_work_and_names_its_source():
    found = ground_breaches(run(2e6, 2e8))
    assert BREACH == "stop work"
    assert found["source"].tolist() == ["NFPA 33 and NEC (2008) 516.10(B)(5)", "NFPA 77 (2000) 6.6.3"]
    # 29 CFR 1910.107 gives no figure for resistance to earth: it may not be named for one.
    assert not found["source"].str.contains("1910").any()
    text = " ".join(CAUTIONS)
    for words in ("a spark can kill", "maker's manual", "local fire and electrical codes", "certifies nobody's safety"):
        assert words in text


def startup(**changes):
    row = {
        "unit_id": "U1",
        "checked_at": pd.Timestamp("2027-01-11T06:30Z"),
        "grounds_separate": True,
        "supply_distance_m": 7.0,
        "circuit_test_passed": True,
        "ventilation_running": True,
        "gloves_conductive": True,
    } | changes
    frame = pd.DataFrame([row])
    yes_or_no = [column for column in frame if column not in {"unit_id", "checked_at", "supply_distance_m"}]
    return frame.astype(dict.fromkeys(yes_or_no, "boolean") | {"supply_distance_m": "float64"})


def test_a_clean_start_up_has_no_breach_but_the_columns_are_there():
    found = startup_breaches(startup())
    assert len(found) == 0
    assert list(found.columns) == [
        "unit_id",
        "checked_at",
        "category",
        "rule",
        "column",
        "value",
        "limit",
        "unit",
        "source",
        "from_memory",
    ]


@pytest.mark.parametrize(
    "column", ["grounds_separate", "circuit_test_passed", "ventilation_running", "gloves_conductive"]
)
def test_a_no_stops_work_and_a_blank_is_not_recorded(column):
    assert startup_breaches(startup(**{column: False}))[["column", "category"]].to_numpy().tolist() == [
        [column, BREACH]
    ]
    blank = startup_breaches(startup(**{column: None}))
    assert blank[["column", "category"]].to_numpy().tolist() == [[column, NOT_RECORDED]]


def test_distance_of_the_supply():
    # 20 ft is 6.096 m exactly; common practice rounds it to 6.1 m.
    for distance, n in ((6.1, 0), (6.096, 0), (6.09, 1), (0.0, 1)):
        assert len(startup_breaches(startup(supply_distance_m=distance))) == n
    assert startup_breaches(startup(supply_distance_m=None))["category"].tolist() == [NOT_RECORDED]


def test_rows_are_ordered_and_the_input_is_unchanged():
    runs = pd.concat([run(2e6, np.nan).assign(run_id=name) for name in ("R3", "R1", "R2")], ignore_index=True)
    before = runs.copy()
    found = ground_breaches(runs)
    assert found["run_id"].tolist() == ["R1", "R1", "R2", "R2", "R3", "R3"]
    assert found["category"].tolist() == [BREACH, NOT_RECORDED] * 3
    pd.testing.assert_frame_equal(runs, before)
    pd.testing.assert_frame_equal(ground_breaches(runs.iloc[::-1].assign(more=1)), found)
    assert len(ground_breaches(runs[:0])) == 0


def test_a_missing_column_is_named():
    with pytest.raises(ValueError, match=r"runs must have the columns \['operator_ground_ohm'\]"):
        ground_breaches(run(1.0, 1e7).drop(columns="operator_ground_ohm"))
    with pytest.raises(ValueError, match=r"startup_checks must have the columns \['gloves_conductive'\]"):
        startup_breaches(startup().drop(columns="gloves_conductive"))


def test_an_open_circuit_is_a_breach_of_both_grounds():
    """A reading over the meter's range, kept as infinite: no path to earth at all."""
    found = ground_breaches(run(np.inf, np.inf))
    assert found["category"].tolist() == [BREACH, BREACH]
    assert found["limit"].tolist() == [1e6, 1e8]


def test_a_list_is_complete_when_all_is_answered_whatever_the_answers():
    later = pd.Timestamp("2027-01-12T06:30Z")
    checks = pd.concat(
        [
            startup(checked_at=later, ventilation_running=None, supply_distance_m=None),
            startup(gloves_conductive=False, supply_distance_m=3.0),
            startup(unit_id="U0"),
        ],
        ignore_index=True,
    )
    before = checks.copy()
    got = startup_lists(checks)
    assert got["unit_id"].tolist() == ["U0", "U1", "U1"]
    assert got[["items", "answered", "complete", "breaches"]].to_numpy().tolist() == [
        [5, 5, True, 0],
        [5, 5, True, 2],
        [5, 3, False, 0],
    ]
    pd.testing.assert_frame_equal(checks, before)
    pd.testing.assert_frame_equal(startup_lists(checks.iloc[::-1]), got)
    assert len(startup_lists(checks.head(0))) == 0
    with pytest.raises(ValueError, match=r"startup_checks must have the columns \['gloves_conductive'\]"):
        startup_lists(startup().drop(columns="gloves_conductive"))
