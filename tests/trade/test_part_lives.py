"""Lives of parts, worked by hand on units that spray two runs a day."""

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.part_lives import NO_UNITS, find_part_lives, moments_with_spells
from auditkit.trade.part_spells import days_of_use, looks_of
from auditkit.trade.upkeep_rules import load_upkeep_rules

from .part_records import notes_of, runs_of, units_of

RULES = load_upkeep_rules()


def lives(notes, units=NO_UNITS, runs=None):
    return find_part_lives(notes, runs_of() if runs is None else runs, rules=RULES, units=units)


def rows_of(frame, part="brush", mode="worn"):
    kept = frame[(frame["part"] == part) & (frame["mode"] == mode)]
    return kept[["began_by", "last_good", "first_bad", "ended_by"]].to_numpy().tolist()


def test_days_of_use_run_with_the_spraying_and_stand_still_between():
    runs = runs_of(days=[4, 5, 9])
    at = ["03T08:00", "04T08:00", "04T09:00", "04T12:00", "04T15:00", "07T12:00", "09T14:00", "20T08:00"]
    moments = pd.DataFrame({"unit_id": "U1", "at": pd.to_datetime([f"2027-01-{x}Z" for x in at], utc=True)})
    used = days_of_use(runs, moments)
    assert used.tolist() == [0.0, 0.0, 0.25, 0.5, 1.0, 2.0, 2.75, 3.0]
    assert days_of_use(runs.iloc[::-1], moments).tolist() == used.tolist()
    blank = moments.assign(at=moments["at"].where(moments["at"].isna()))
    assert days_of_use(runs, blank).isna().all()
    assert (days_of_use(runs, moments.assign(unit_id="U2")) == 0).all()


def test_runs_that_overlap_or_differ_in_length_share_the_day():
    at = pd.to_datetime(["2027-01-04T08:00Z", "2027-01-04T09:00Z", "2027-01-04T12:00Z", "2027-01-04T10:00Z"])
    runs = pd.DataFrame({"unit_id": "U1", "started_at": at[:2], "ended_at": at[2:], "day": "2027-01-04"})
    moments = pd.DataFrame({"unit_id": "U1", "at": pd.to_datetime(["2027-01-04T09:30Z", "2027-01-04T13:00Z"])})
    assert days_of_use(runs, moments).tolist() == pytest.approx([2 / 5, 1.0])  # (1.5 h + 0.5 h) of 5 h


def test_a_life_from_one_replacement_to_the_next():
    notes = notes_of(
        ("05T18:00", "replaced", "worn", 70),
        ("08T18:00", "inspected", "good", 20),
        ("12T18:00", "inspected", "worn", 55),
        ("13T06:00", "replaced", "worn", 55),
        ("15T18:00", "inspected", "good", 10),
    )
    found = lives(notes)
    assert rows_of(found.lives) == [["replaced", 3.0, 7.0, "replaced"], ["replaced", 3.0, np.inf, "still in use"]]
    assert rows_of(found.unknown)[0][0::3] == ["unknown", "replaced"]
    assert found.lives["looks"].tolist() == [3, 1]
    assert (found.n, found.excluded) == (2, 1)
    assert found.lives["first_bad_at"].iloc[0] == pd.Timestamp("2027-01-12T18:00Z")


def test_a_unit_put_into_service_begins_the_life_of_all_its_parts():
    found = lives(notes_of(("07T18:00", "inspected", "good", 30), ("09T18:00", "replaced", "worn", 60)), units_of())
    assert rows_of(found.lives) == [["in service", 4.0, 6.0, "replaced"], ["replaced", 0.0, np.inf, "still in use"]]
    assert found.excluded == 0
    assert rows_of(found.lives, "bell", "clogged") == [["in service", 0.0, np.inf, "still in use"]]
    fitted = lives(notes_of(("04T05:00", "fitted", None, None)), units_of())
    assert rows_of(fitted.lives) == [["fitted", 0.0, np.inf, "still in use"]]


@pytest.mark.parametrize(("since", "known"), [("2027-01-03T08:00Z", True), ("2027-01-03T07:59Z", False)])
def test_a_part_in_use_before_the_first_run_on_record_has_no_known_age(since, known):
    """What was sprayed before the records set in is not on them; the brush may have been half worn by then."""
    found = lives(notes_of(("07T18:00", "inspected", "good", 30)), units_of(since))
    assert len(rows_of(found.lives)) == known
    assert len(rows_of(found.unknown)) == (not known)
    worn = lives(notes_of(("04T07:00", "inspected", "worn", 60)), units_of(since))
    assert worn.conflicts.table["kind"].tolist() == (["bad before any use"] if known else [])


def test_cleaning_begins_a_life_where_the_part_clogs_and_nowhere_else():
    rows = [
        ("05T18:00", "cleaned", "good", None),
        ("08T18:00", "cleaned", "clogged", None),
        ("10T18:00", "inspected", "worn", None),
    ]
    found = lives(notes_of(*rows, part="filter"))
    assert rows_of(found.lives, "filter", "clogged") == [
        ["cleaned", 0.0, 3.0, "cleaned"],
        ["cleaned", 0.0, np.inf, "still in use"],
    ]
    assert rows_of(found.lives, "filter", "worn") == []
    assert rows_of(lives(notes_of(*rows, part="fluid hose")).lives, "fluid hose") == []


def test_a_replacement_without_a_state_ends_a_life_unseen():
    rows = [
        ("05T18:00", "replaced", None, None),
        ("08T18:00", "inspected", "good", 20),
        ("12T18:00", "replaced", None, None),
    ]
    assert rows_of(lives(notes_of(*rows)).lives)[0] == ["replaced", 3.0, np.inf, "replaced"]


def test_a_contradiction_widens_the_bracket_and_is_not_resolved():
    """Bad on the 8th, good on the 10th: the change lies after the 6th and by the 12th, whichever note is wrong."""
    rows = [
        ("04T07:00", "fitted", None, None),
        ("06T18:00", "inspected", "good", None),
        ("08T18:00", "inspected", "leaking", None),
        ("10T18:00", "inspected", "good", None),
        ("12T18:00", "inspected", "leaking", None),
    ]
    assert rows_of(lives(notes_of(*rows, part="o-rings")).lives, "o-rings") == [["fitted", 3.0, 9.0, "still in use"]]


def test_fitted_again_begins_a_life_of_unknown_age():
    rows = [
        ("04T07:00", "fitted", None, None),
        ("10T18:00", "fitted", None, None),
        ("12T18:00", "inspected", "worn", 60),
    ]
    found = lives(notes_of(*rows))
    assert rows_of(found.lives) == [["fitted", 0.0, np.inf, "unknown"]]
    assert rows_of(found.unknown)[0][0] == "unknown"


@pytest.mark.parametrize(
    ("found", "wear", "part", "expected"),
    [
        ("good", None, "bell", {"worn": "good", "clogged": "good"}),
        ("worn", None, "bell", {"worn": "bad"}),
        ("clogged", None, "bell", {"clogged": "bad"}),
        ("damaged", None, "filter", {"worn": "bad"}),
        ("clogged", None, "fluid hose", {"worn": "bad"}),
        ("kinked", None, "fluid hose", {"worn": "bad"}),
        (None, 50.0, "brush", {"worn": "bad"}),
        (None, 49.9, "brush", {"worn": "good"}),
        ("worn", 45.0, "brush", {"worn": "bad"}),
        (None, 80.0, "bell", {}),
    ],
)
def test_what_a_note_says_of_the_state(found, wear, part, expected):
    looks = looks_of(notes_of(("08T18:00", "inspected", found, wear), part=part), rules=RULES)
    assert dict(zip(looks["mode"], looks["state"], strict=True)) == expected


def test_a_run_at_the_moment_of_a_replacement_has_the_new_part_and_the_look_is_of_the_old():
    found = lives(notes_of(("08T08:00", "replaced", "worn", 60)))
    moments = pd.DataFrame({"unit_id": "U1", "at": pd.to_datetime(["2027-01-08T08:00Z", "2027-01-08T07:59Z"])})
    asked = moments_with_spells(moments, runs_of(), found, rules=RULES)
    asked = asked[asked["part"] == "brush"].reset_index(drop=True)
    assert asked["life_no"].tolist() == [1, 0]
    assert asked["age_d"].iloc[0] == 0.0
    assert pd.isna(asked["age_d"].iloc[1])
    assert found.looks["life_no"].tolist() == [0]


def test_order_does_not_matter_units_are_apart_and_nothing_is_changed():
    notes = pd.concat(
        [
            notes_of(("05T18:00", "replaced", "worn", 70), ("09T18:00", "inspected", "good", 20)),
            notes_of(("06T18:00", "replaced", "worn", 70), ("12T18:00", "inspected", "worn", 70), unit="U2"),
        ]
    )
    runs = pd.concat([runs_of(), runs_of("U2")])
    before = notes.copy()
    found = lives(notes, runs=runs)
    assert found.lives[["unit_id", "last_good", "first_bad"]].to_numpy().tolist() == [
        ["U1", 4.0, np.inf],
        ["U2", 0.0, 6.0],
    ]
    pd.testing.assert_frame_equal(found.lives, lives(notes.iloc[::-1], runs=runs.iloc[::-1]).lives)
    pd.testing.assert_frame_equal(notes, before)


def test_no_notes_no_runs():
    whole = lives(notes_of(("05T18:00", "replaced", "worn", 70)))
    for empty in (lives(notes_of()), lives(notes_of(), runs=runs_of().iloc[:0])):
        assert (empty.n, empty.excluded) == (0, 0)
        assert empty.lives.dtypes.equals(whole.lives.dtypes)
