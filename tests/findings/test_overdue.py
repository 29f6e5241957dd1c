"""What is due: counted by hand in days of use, and by the probability that a part is bad."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.overdue import find_overdue
from auditkit.findings.part_states import fit_part_models
from auditkit.trade.part_lives import NO_UNITS, find_part_lives
from auditkit.trade.upkeep_rules import load_upkeep_rules

RULES = load_upkeep_rules()


def runs_of(unit="U1", days=range(4, 14)):
    rows = [(f"{unit}{day}", unit, f"2027-01-{day:02d}") for day in days]
    runs = pd.DataFrame(rows, columns=["run_id", "unit_id", "day"])
    starts = pd.to_datetime(runs["day"] + "T08:00Z", utc=True).dt.as_unit("us")
    return runs.assign(started_at=starts, ended_at=starts + pd.Timedelta(hours=4))


def notes_of(*rows, unit="U1"):
    full = [(unit, part, action, wear, found, f"2027-01-{at}Z") for at, part, action, found, wear in rows]
    frame = pd.DataFrame(full, columns=["unit_id", "part", "action", "wear_pct", "found", "done_at"])
    frame["done_at"] = pd.to_datetime(frame["done_at"], utc=True).dt.as_unit("us")
    return frame.astype({"wear_pct": "float64", "found": "str"})


def due(notes, runs=None, units=NO_UNITS, rules=RULES):
    runs = runs_of() if runs is None else runs
    lives = find_part_lives(notes, runs, rules=rules, units=units)
    models = fit_part_models(lives.lives, rules=rules)
    return find_overdue(runs, lives, models=models, rules=rules, units=units)


def row(found, part, rule, unit="U1"):
    table = found.table
    return table[(table["unit_id"] == unit) & (table["part"] == part) & (table["rule"] == rule)].iloc[0]


def test_days_of_use_since_the_last_look_against_the_rule():
    """Ten days of use from the 4th to the 13th; the brush is due every five."""
    for evening, since, overdue in (("08", 5.0, True), ("09", 4.0, False)):
        found = due(notes_of((f"{evening}T18:00", "brush", "inspected", "good", 20)))
        brush = row(found, "brush", "inspect")
        assert brush[["days_since", "every_d", "days_over", "overdue"]].tolist() == [since, 5.0, since - 5.0, overdue]
        assert brush["due"] == "to be looked at every 5 d of use"
        assert brush["reason"] == ""
    assert found.as_at == pd.Timestamp("2027-01-13T12:00Z")


def test_a_cleaning_counts_as_a_look_and_a_look_is_no_cleaning():
    found = due(
        notes_of(("12T18:00", "bell", "cleaned", None, None), ("13T18:00", "filter", "inspected", "good", None))
    )
    assert row(found, "bell", "clean")[["days_since", "overdue"]].tolist() == [1.0, True]
    assert row(found, "bell", "inspect")[["days_since", "overdue"]].tolist() == [1.0, False]
    assert row(found, "filter", "clean")["at_least"]


def test_what_no_note_tells_of_is_at_least_as_long_ago_as_the_records_reach():
    found = due(notes_of())
    assert row(found, "brush", "inspect")[["days_since", "at_least", "overdue"]].tolist() == [10.0, True, True]
    stem = row(found, "pickup stem", "inspect")  # due every twenty days of use: ten are on record
    assert stem[["at_least", "overdue"]].tolist() == [True, False]
    assert stem["reason"] == "when it was last looked at is not noted, or lies before the first run on record"
    assert pd.isna(stem["days_over"])
    units = pd.DataFrame({"unit_id": ["U1"], "in_service_at": pd.to_datetime(["2027-01-09T06:00Z"], utc=True)})
    served = row(due(notes_of(), units=units), "brush", "inspect")
    assert served[["days_since", "at_least"]].tolist() == [5.0, False]
    early = units.assign(in_service_at=units["in_service_at"] - pd.Timedelta(days=30))
    assert row(due(notes_of(), units=early), "brush", "inspect")[["days_since", "at_least"]].tolist() == [10.0, True]


def test_a_contradicted_note_does_not_count_as_done():
    late = notes_of(("12T18:00", "brush", "inspected", "good", 20))
    late = late.assign(done_at=late["done_at"] + pd.DateOffset(years=1))
    assert row(due(late), "brush", "inspect")["at_least"]


def test_found_bad_and_left_is_overdue_whatever_the_interval():
    found = due(notes_of(("13T18:00", "o-rings", "inspected", "leaking", None)))
    bad = row(found, "o-rings", "bad: worn")
    assert bad[["probability", "overdue"]].tolist() == [1.0, True]
    assert not row(found, "o-rings", "inspect")["overdue"]
    assert found.overdue["rule"].iloc[0] == "bad: worn"
    mended = due(
        notes_of(("13T18:00", "o-rings", "inspected", "leaking", None), ("13T19:00", "o-rings", "replaced", None, None))
    )
    assert not row(mended, "o-rings", "bad: worn")["overdue"]


def test_more_likely_bad_than_the_threshold():
    """Six units wore out after seven to nine days of use; one brush is at ten, another at two."""
    frames = []
    for i, day in enumerate((11, 12, 10, 11, 12, 12)):
        looks = [
            ("04T06:00", "brush", "fitted", None, None),
            (f"{day - 1:02d}T18:00", "brush", "inspected", "good", 20),
        ]
        frames.append(notes_of(*looks, (f"{day:02d}T18:00", "brush", "inspected", "worn", 60), unit=f"V{i}"))
    old, new = (
        notes_of((f"{day}T06:00", "brush", "fitted", None, None), unit=unit)
        for day, unit in (("04", "OLD"), ("12", "NEW"))
    )
    notes = pd.concat([*frames, old, new])
    runs = pd.concat([runs_of(unit) for unit in notes["unit_id"].unique()])
    found = due(notes, runs)
    aged, fresh = row(found, "brush", "bad: worn", "OLD"), row(found, "brush", "bad: worn", "NEW")
    assert aged["overdue"]
    assert 0.3 < aged["low"] < aged["probability"] < 1
    assert not fresh["overdue"]
    assert fresh["probability"] < 0.1
    assert row(found, "brush", "bad: worn", "V0")["probability"] == 1.0
    strict = due(notes, runs, rules=replace(RULES, overdue_probability=0.999))
    assert not row(strict, "brush", "bad: worn", "OLD")["overdue"]
    assert strict.threshold == 0.999


def test_every_row_is_judged_or_says_why_not_in_any_order():
    runs = pd.concat([runs_of(), runs_of("U2", range(4, 8))])
    notes = notes_of(("05T18:00", "brush", "inspected", "good", 20), ("06T18:00", "bell", "cleaned", None, None))
    found = due(notes, runs)
    assert found.n + found.excluded == len(found.table)
    judged = found.table["reason"] == ""
    assert found.n == judged.sum()
    assert not found.table.loc[~judged, "overdue"].any()
    pd.testing.assert_frame_equal(found.table, due(notes.iloc[::-1], runs.iloc[::-1]).table)
    over = found.overdue["days_over"].dropna()
    assert (np.diff(over) <= 0).all()


def test_no_runs():
    found = due(notes_of(), runs_of().iloc[:0])
    assert (len(found.table), found.n) == (0, 0)
    assert found.as_at is pd.NaT


def test_a_replacement_interval_where_a_rule_gives_one():
    own = replace(RULES, parts=dict(RULES.parts) | {"brush": replace(RULES.parts["brush"], replace_every_d=8.0)})
    found = due(
        notes_of(("05T18:00", "brush", "replaced", "worn", 60), ("13T18:00", "brush", "inspected", "good", 40)),
        rules=own,
    )
    assert row(found, "brush", "replace")[["days_since", "days_over", "overdue"]].tolist() == [8.0, 0.0, True]
    assert row(found, "brush", "replace")["due"] == "to be replaced every 8 d of use"
    assert pytest.approx(0.0) == row(found, "brush", "inspect")["days_since"]
