"""Contradictory notes: each kind is shown, and what it says is not used."""

import pandas as pd
import pytest

from auditkit.trade.note_conflicts import KINDS, find_note_conflicts
from auditkit.trade.part_lives import NO_UNITS
from auditkit.trade.upkeep_rules import load_upkeep_rules

from .part_records import notes_of, runs_of, units_of

RULES = load_upkeep_rules()


def conflicts(notes, units=NO_UNITS, runs=None):
    return find_note_conflicts(notes, runs_of() if runs is None else runs, rules=RULES, units=units)


def kinds(found):
    return found.table["kind"].tolist()


def test_sound_notes_have_none():
    notes = notes_of(
        ("05T18:00", "replaced", "worn", 70),
        ("08T18:00", "inspected", "good", 20),
        ("12T18:00", "inspected", "worn", 55),
        ("13T06:00", "replaced", "worn", 55),
        ("15T18:00", "inspected", "good", 10),
    )
    found = conflicts(notes)
    assert found.table.empty
    assert (found.n, found.excluded, len(found.looks)) == (5, 0, 5)
    assert found.looks["life_no"].tolist() == [0, 1, 1, 1, 2]


@pytest.mark.parametrize("units", [units_of("2027-01-10T06:00Z"), NO_UNITS])
def test_replaced_before_it_was_fitted(units):
    rows = [("06T18:00", "replaced", "worn", 60), ("12T18:00", "inspected", "good", 10)]
    if units is NO_UNITS:
        rows.append(("10T06:00", "fitted", None, None))
    found = conflicts(notes_of(*rows), units)
    assert kinds(found) == ["before fitted"]
    assert found.table["words"].iloc[0] == (
        "replaced before the part was fitted or the unit put into service, 2027-01-10 06:00 UTC"
    )
    used = found.notes.set_index("done_at")[["action_used", "state_used", "wear_used"]]
    assert not used.iloc[0].any()
    assert used.iloc[-1].all()


def test_a_part_fitted_before_the_unit_was_in_service_is_no_conflict():
    assert conflicts(notes_of(("04T06:00", "fitted", None, None)), units_of("2027-01-08T06:00Z")).table.empty


def test_fitted_a_second_time():
    found = conflicts(notes_of(("04T06:00", "fitted", None, None), ("10T06:00", "fitted", None, None)))
    assert kinds(found) == ["fitted again"]
    assert found.notes["action_used"].tolist() == [True, False]
    later = conflicts(notes_of(("10T06:00", "fitted", None, None)), units_of())
    assert kinds(later) == ["fitted again"]
    assert "in the unit since 2027-01-04 06:00 UTC" in later.table["words"].iloc[0]


def test_two_states_at_one_instant():
    notes = notes_of(("10T18:00", "inspected", "good", None), ("10T18:00", "cleaned", "clogged", None), part="filter")
    found = conflicts(notes)
    assert kinds(found) == ["two states at once"] * 2
    assert found.looks.empty
    assert found.notes["action_used"].all()
    assert found.table["words"].str.contains("this one says clogged").sum() == 1
    twice_bad = notes.assign(found="clogged")
    assert conflicts(twice_bad).table.empty
    apart = notes_of(("10T18:00", "inspected", None, 20), ("10T18:00", "replaced", None, 26))
    assert kinds(conflicts(apart)) == ["two states at once"] * 2
    near = notes_of(("10T18:00", "inspected", None, 20), ("10T18:00", "replaced", None, 25))
    assert conflicts(near).table.empty


def test_good_with_wear_at_the_limit():
    found = conflicts(notes_of(("10T18:00", "inspected", "good", 50)))
    assert kinds(found) == ["state against wear"]
    assert found.table["words"].iloc[0] == "found good with a wear of 50 %, limit 50 %"
    assert found.looks.empty
    assert conflicts(notes_of(("10T18:00", "inspected", "good", 49))).table.empty
    assert conflicts(notes_of(("10T18:00", "inspected", "good", 80), part="bell")).table.empty  # no limit of wear


def test_wear_that_falls_without_a_replacement():
    rows = [
        ("06T18:00", "inspected", None, 20),
        ("08T18:00", "inspected", None, 40),
        ("10T18:00", "inspected", None, 30),
    ]
    found = conflicts(notes_of(*rows, ("12T18:00", "inspected", None, 45)))
    assert kinds(found) == ["wear falls"]
    assert found.table["words"].iloc[0] == "30 % after 40 % on 2027-01-08 18:00 UTC, and no replacement between"
    assert found.notes["wear_used"].tolist() == [True, False, False, True]
    assert len(found.looks) == 4  # all below the limit: their state is the same
    replaced = notes_of(*rows, ("09T18:00", "replaced", None, 42))
    assert conflicts(replaced).table.empty
    slack = notes_of(("08T18:00", "inspected", None, 40), ("10T18:00", "inspected", None, 35))
    assert conflicts(slack).table.empty


def test_good_after_bad_with_nothing_done():
    rows = [
        ("06T18:00", "inspected", "good", None),
        ("08T18:00", "inspected", "leaking", None),
        ("10T18:00", "inspected", "good", None),
        ("12T18:00", "inspected", "leaking", None),
    ]
    found = conflicts(notes_of(*rows, part="o-rings"))
    assert kinds(found) == ["good after bad"]
    assert found.table["words"].iloc[0] == "good, with nothing done since it was bad on 2027-01-08 18:00 UTC"
    assert found.looks["state"].tolist() == ["good", "bad"]  # of the 6th and the 12th
    assert conflicts(notes_of(*rows, ("09T06:00", "replaced", None, None), part="o-rings")).table["kind"].tolist() == [
        "no state noted"
    ]


def test_cleaning_undoes_clogging_and_no_wear():
    rows = [
        ("08T18:00", "inspected", "{}", None),
        ("09T06:00", "cleaned", None, None),
        ("10T18:00", "inspected", "good", None),
    ]

    def of(word, part):
        return kinds(
            conflicts(
                notes_of(*[(at, done, found and found.format(word), wear) for at, done, found, wear in rows], part=part)
            )
        )

    assert of("clogged", "bell") == []
    assert of("worn", "bell") == ["good after bad"]
    assert of("clogged", "fluid hose") == ["good after bad"]  # cleaning restores no hose


def test_bad_before_any_use():
    found = conflicts(notes_of(("10T18:00", "replaced", "worn", None), ("11T06:00", "inspected", "worn", None)))
    assert kinds(found) == ["bad before any use"]
    assert found.looks["life_no"].tolist() == [0]
    used = conflicts(notes_of(("10T18:00", "replaced", "worn", None), ("11T09:00", "inspected", "worn", None)))
    assert used.table.empty  # an hour of spraying later


def test_a_note_long_after_the_records():
    notes = notes_of(("10T18:00", "inspected", "good", 10))
    late = notes.assign(done_at=notes["done_at"] + pd.DateOffset(years=1))
    assert kinds(conflicts(late)) == ["after the records"]
    assert conflicts(late).looks.empty
    assert conflicts(notes, runs=runs_of(days=range(1, 5))).table.empty


def test_an_inspection_that_says_nothing_is_shown_and_counts_as_done():
    found = conflicts(notes_of(("10T18:00", "inspected", None, None), ("11T18:00", "cleaned", None, None)))
    assert kinds(found) == ["no state noted"]
    assert (found.excluded, found.notes["action_used"].all()) == (0, True)


def test_every_kind_says_what_is_done_order_does_not_matter_and_nothing_is_changed():
    notes = notes_of(
        ("06T18:00", "replaced", "good", 60),
        ("08T18:00", "inspected", "worn", 55),
        ("10T18:00", "inspected", "good", 30),
        ("10T18:00", "cleaned", "good", 45),
    )
    before = notes.copy()
    found = conflicts(notes)
    assert found.table["treatment"].tolist() == [KINDS[kind] for kind in found.table["kind"]]
    pd.testing.assert_frame_equal(found.table, conflicts(notes.iloc[::-1]).table)
    pd.testing.assert_frame_equal(notes, before)


def test_empty_notes_and_missing_columns():
    found = conflicts(notes_of())
    assert (len(found.table), found.n) == (0, 0)
    with pytest.raises(ValueError, match=r"units must have the columns \['in_service_at'\]"):
        conflicts(notes_of(), NO_UNITS[["unit_id"]])
