"""Defects: traced to runs where that can be done, counted where it cannot."""

import pandas as pd
import pytest

from auditkit.trade.defects import DEFECTS, defects_by_run


def at(*days):
    return pd.to_datetime([f"2027-01-{day}Z" for day in days], utc=True)


@pytest.fixture
def runs():
    return pd.DataFrame(
        {
            "run_id": ["R1", "R2", "R3"],
            "area_id": ["A1", "A1", "A2"],
            "started_at": at("10T08:00", "12T08:00", "12T08:00"),
        }
    )


def records(rows):
    frame = pd.DataFrame(rows, columns=["run_id", "area_id", "defect", "quantity", "seen_at"])
    return frame.assign(seen_at=at(*frame["seen_at"])).astype({"run_id": "str", "area_id": "str"})


def test_a_named_run_is_taken_at_its_word(runs):
    found = defects_by_run(records([("R2", None, "crater", 2.0, "13T08:00")]), runs).found
    assert found["crater"].tolist() == [False, True, False]
    assert list(found.columns) == list(DEFECTS)


def test_an_area_with_one_run_before_the_sighting_leads_to_it(runs):
    seen = records([(None, "A1", "crater", 2.0, "11T08:00"), (None, "A2", "spit", 1.0, "13T08:00")])
    result = defects_by_run(seen, runs)
    assert result.found.loc["R1", "crater"]
    assert result.found.loc["R3", "spit"]
    assert (result.joined, result.not_joined) == (2, 0)


def test_an_area_with_several_runs_or_none_before_leads_nowhere_and_is_counted(runs):
    seen = records([(None, "A1", "crater", 2.0, "13T08:00"), (None, "A2", "crater", 2.0, "11T08:00")])
    result = defects_by_run(seen, runs)
    # Somebody saw a crater on A1 and nobody knows of which run: neither counts as free of it.
    assert result.found["crater"].isna().tolist() == [True, True, False]
    assert not result.found.loc["R3", "crater"]
    assert result.reasons == {
        "the area had no run before the defect was seen": 1,
        "the area had several runs before the defect was seen": 1,
    }


def test_a_record_that_cannot_be_of_the_run_it_names_is_counted_and_not_used(runs):
    seen = records([("R2", None, "crater", 2.0, "11T08:00"), ("R9", None, "crater", 2.0, "13T08:00")])
    result = defects_by_run(seen, runs)
    assert (result.joined, result.not_joined) == (0, 2)
    assert set(result.reasons) == {"the run it names is not recorded", "it was seen before the run it names"}
    assert not result.recorded.any()


def test_quantity_zero_is_looked_for_and_not_found(runs):
    seen = records([("R1", None, "crater", 0.0, "11T08:00"), ("R3", None, "crater", 0.5, "13T08:00")])
    found = defects_by_run(seen, runs, absent="not inspected").found
    assert found["crater"].tolist()[0] is False
    assert pd.isna(found.loc["R2", "crater"])
    assert not found.loc["R3", "crater"]  # half a step on the ISO 4628-1 scale is below quantity 1
    assert defects_by_run(seen, runs, least_quantity=0.5).found.loc["R3", "crater"]


def test_absence_must_be_one_of_two_words(runs):
    with pytest.raises(ValueError, match="absent must be one of 'none found', 'not inspected'; given 'unknown'"):
        defects_by_run(records([]), runs, absent="unknown")
