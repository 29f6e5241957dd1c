"""How the gun was held and what the bell stood through, worked by hand."""

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.application import bell_matches, pauses, standoff_range


def standoffs(*rows):
    frame = pd.DataFrame(rows, columns=["run_id", "standoff_mm", "standoff_min_mm", "standoff_max_mm"])
    return frame.astype(dict.fromkeys(frame.columns[1:], "float64"))


@pytest.mark.parametrize(
    ("near", "far", "nearer", "farther"),
    [
        (140, 220, 12.5, 25.0),
        (150, 200, 0.0, 0.0),
        (100, 140, 100.0, 0.0),
        (100, 200, 50.0, 0.0),
        (210, 230, 0.0, 100.0),
        (180, 180, 0.0, 0.0),
        (149, 149, 100.0, 0.0),
        (201, 201, 0.0, 100.0),
    ],
)
def test_shares_of_the_range_outside(near, far, nearer, farther):
    got = standoff_range(standoffs(("R1", (near + far) / 2, near, far)), low=150, high=200).iloc[0]
    assert (got["nearer_pct"], got["farther_pct"]) == pytest.approx((nearer, farther))
    assert got["outside_pct"] == pytest.approx(nearer + farther)
    assert got["spread_mm"] == far - near
    assert got["whole_inside"] == (nearer + farther == 0)


def test_an_open_side_and_what_is_missing():
    frame = standoffs(("R1", 180, 100, 400), ("R2", 180, None, None), ("R3", 220, None, None), ("R4", None, 160, 190))
    got = standoff_range(frame, low=150, high=200)
    assert [None if pd.isna(value) else bool(value) for value in got["whole_inside"]] == [False, None, False, None]
    assert got["outside_pct"].isna().tolist() == [False, True, True, False]
    opened = standoff_range(frame, low=None, high=200)
    assert opened.loc[0, ["nearer_pct", "farther_pct"]].tolist() == pytest.approx([0.0, 200 / 3])
    assert standoff_range(frame, low=150, high=None).loc[0, "farther_pct"] == 0.0


def test_order_input_and_refusals():
    frame = standoffs(("R2", 180, 140, 220), ("R1", 170, 160, 190))
    before = frame.copy()
    got = standoff_range(frame, low=150, high=200)
    assert got["run_id"].tolist() == ["R1", "R2"]
    pd.testing.assert_frame_equal(got, standoff_range(frame.iloc[::-1], low=150, high=200))
    pd.testing.assert_frame_equal(frame, before)
    assert len(standoff_range(frame.head(0), low=150, high=200)) == 0
    with pytest.raises(ValueError, match="standoff_max_mm may not be below standoff_min_mm; R9 has it so"):
        standoff_range(standoffs(("R9", 180, 220, 140)), low=150, high=200)
    with pytest.raises(ValueError, match=r"runs must have the columns \['standoff_max_mm'\]"):
        standoff_range(frame.drop(columns="standoff_max_mm"), low=150, high=200)


def runs_of(*rows):
    frame = pd.DataFrame(rows, columns=["run_id", "unit_id", "start", "end"])
    moments = {
        name: pd.to_datetime([f"2027-01-{text}Z" for text in frame[text_of]], utc=True)
        for name, text_of in (("started_at", "start"), ("ended_at", "end"))
    }
    return frame[["run_id", "unit_id"]].assign(day=frame["start"].str[:2], **moments)


def notes_of(*rows):
    frame = pd.DataFrame(rows, columns=["unit_id", "part", "action", "done"]).astype("str")
    return frame.assign(done_at=pd.to_datetime([f"2027-01-{text}Z" for text in frame["done"]], utc=True))


RUNS = (
    ("R1", "U1", "11T08:00", "11T08:30"),
    ("R2", "U2", "11T08:10", "11T08:50"),
    ("R3", "U1", "11T08:36", "11T09:00"),
    ("R4", "U1", "11T10:00", "11T10:30"),
    ("R5", "U1", "12T08:00", "12T08:30"),
    ("R6", "U2", "11T08:57", "11T09:10"),
)


def test_pauses_are_of_one_unit_and_one_day():
    got = pauses(runs_of(*RUNS), notes_of()).set_index("run_id")
    assert got["first_of_day"].to_dict() == dict(zip(got.index, [True, True, False, False, True, False], strict=True))
    assert got["pause_min"].dropna().to_dict() == {"R3": 6.0, "R4": 60.0, "R6": 7.0}


@pytest.mark.parametrize(
    ("note", "minutes"),
    [
        (("U1", "bell", "cleaned", "11T09:30"), 0.0),
        (("U1", "bell", "replaced", "11T09:00"), 0.0),
        (("U1", "bell", "cleaned", "11T10:00"), 0.0),
        (("U1", "bell", "inspected", "11T09:30"), 60.0),
        (("U1", "filter", "cleaned", "11T09:30"), 60.0),
        (("U2", "bell", "cleaned", "11T09:30"), 60.0),
        (("U1", "bell", "cleaned", "11T08:50"), 60.0),
        (("U1", "bell", "cleaned", "11T10:01"), 60.0),
    ],
)
def test_only_a_cleaning_of_that_bell_in_between_ends_a_pause(note, minutes):
    assert pauses(runs_of(*RUNS), notes_of(note)).set_index("run_id").loc["R4", "pause_min"] == minutes


def test_a_run_that_outlasts_the_next_counts_to_its_own_end_and_overlap_is_no_pause():
    runs = runs_of(
        ("R1", "U1", "11T08:00", "11T09:00"), ("R2", "U1", "11T08:10", "11T08:20"), ("R3", "U1", "11T09:04", "11T09:10")
    )
    got = pauses(runs, notes_of())
    assert got["pause_min"].tolist()[1:] == [0.0, 4.0]
    assert np.isnan(got.loc[0, "pause_min"])


def test_pauses_order_input_and_refusals():
    runs, notes = runs_of(*RUNS), notes_of(("U1", "bell", "cleaned", "11T09:30"))
    before = runs.copy()
    pd.testing.assert_frame_equal(pauses(runs, notes), pauses(runs.iloc[::-1], notes))
    pd.testing.assert_frame_equal(runs, before)
    assert len(pauses(runs.head(0), notes)) == 0
    with pytest.raises(ValueError, match=r"maintenance must have the columns \['action'\]"):
        pauses(runs, notes.drop(columns="action"))


def test_bell_and_feed_tube():
    bells, tubes = pd.Series([70.0, 70.0, 70.0, 69.0, 50.0, np.nan]), pd.Series([69.85, 50.0, np.nan, 70.0, 51.01, 70])
    got = bell_matches(bells, tubes)
    assert [None if pd.isna(value) else bool(value) for value in got] == [True, False, None, True, False, None]
