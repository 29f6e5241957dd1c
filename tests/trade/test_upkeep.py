"""Upkeep: what the notes last said before a run, and nothing of what came after."""

import pandas as pd
import pytest

from auditkit.trade.upkeep import PARTS, part_states


def at(*days):
    return pd.to_datetime([f"2027-01-{day}Z" for day in days], utc=True)


def notes_frame(rows):
    frame = pd.DataFrame(rows, columns=["unit_id", "part", "action", "wear_pct", "found", "done_at"])
    return frame.assign(done_at=at(*frame["done_at"])).astype({"wear_pct": "float64", "found": "str"})


@pytest.fixture
def runs():
    days = at("10T08:00", "12T08:00", "20T08:00", "12T08:00")
    frame = pd.DataFrame({"run_id": ["R1", "R2", "R3", "R4"], "unit_id": ["U1", "U1", "U1", "U2"], "started_at": days})
    return frame.assign(day=frame["started_at"].dt.strftime("%Y-%m-%d"))


def state(states, run_id, part="brush"):
    return states[(states["run_id"] == run_id) & (states["part"] == part)].iloc[0]


def test_the_last_note_before_the_run_counts_and_a_later_one_does_not(runs):
    notes = notes_frame(
        [
            ("U1", "brush", "inspected", 30.0, "good", "11T08:00"),
            ("U1", "brush", "inspected", 60.0, "worn", "15T08:00"),
        ]
    )
    states = part_states(runs, notes)
    assert pd.isna(state(states, "R1")["wear_pct"])
    assert state(states, "R2")[["inspected_d", "wear_pct", "found"]].tolist() == [1.0, 30.0, "good"]
    assert state(states, "R3")[["inspected_d", "wear_pct", "found"]].tolist() == [5.0, 60.0, "worn"]
    assert pd.isna(state(states, "R4")["wear_pct"])  # another unit's note


def test_a_note_at_the_very_start_of_the_run_is_known(runs):
    states = part_states(runs, notes_frame([("U1", "brush", "inspected", 30.0, "good", "12T08:00")]))
    assert state(states, "R2")["inspected_d"] == 0.0


def test_a_replacement_resets_wear_and_the_figure_beside_it_is_as_found(runs):
    notes = notes_frame(
        [
            ("U1", "brush", "replaced", 70.0, "worn", "11T08:00"),
            ("U1", "brush", "inspected", 70.0, "worn", "11T08:00"),
            ("U1", "brush", "inspected", 10.0, "good", "18T08:00"),
        ]
    )
    states = part_states(runs, notes)
    assert state(states, "R2")["wear_pct"] == 0.0
    assert state(states, "R3")["wear_pct"] == 10.0


def test_cleaning_and_replacing_start_the_clock_and_inspecting_does_not(runs):
    notes = notes_frame(
        [
            ("U1", "filter", "cleaned", None, None, "11T08:00"),
            ("U1", "filter", "inspected", None, "good", "12T02:00"),
        ]
    )
    row = state(part_states(runs, notes), "R2", "filter")
    assert row["clean_h"] == 24.0
    assert row["inspected_d"] == 0.25


def test_days_of_use_since_cleaning_count_use_and_not_the_calendar():
    # Cleaned on the evening of the 8th, a Friday: Monday's run is the first since, Tuesday's has one day of use behind.
    starts = at("08T08:00", "11T08:00", "11T14:00", "12T08:00", "15T08:00")
    runs = pd.DataFrame({"run_id": [f"R{i}" for i in range(5)], "unit_id": "U1", "started_at": starts})
    runs["day"] = runs["started_at"].dt.strftime("%Y-%m-%d")
    notes = notes_frame(
        [("U1", "filter", "cleaned", None, None, "08T16:00"), ("U1", "filter", "inspected", None, "good", "11T16:00")]
    )
    states = part_states(runs, notes)
    used = states[states["part"] == "filter"].sort_values("run_id")["used_d"].tolist()
    assert pd.isna(used[0])
    assert used[1:] == [0.0, 0.0, 1.0, 2.0]


def test_one_row_a_run_and_part_whatever_the_order(runs):
    notes = notes_frame(
        [
            ("U1", "brush", "inspected", 30.0, "good", "11T08:00"),
            ("U2", "bell", "cleaned", None, None, "09T08:00"),
            ("U1", "brush", "replaced", None, None, "13T08:00"),
        ]
    )
    before = notes.copy()
    states = part_states(runs, notes)
    assert len(states) == len(runs) * len(PARTS)
    pd.testing.assert_frame_equal(states, part_states(runs.iloc[::-1], notes.iloc[::-1]))
    pd.testing.assert_frame_equal(notes, before)


def test_a_part_first_fitted_is_clean_and_unworn(runs):
    row = state(part_states(runs, notes_frame([("U1", "brush", "fitted", None, None, "11T08:00")])), "R2")
    assert row[["clean_h", "wear_pct", "inspected_d"]].tolist() == [24.0, 0.0, 1.0]
