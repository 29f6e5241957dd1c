import itertools

import pandas as pd
import pytest

from auditkit.contracts.contract import RowRule
from auditkit.contracts.rules import after, any_of, at_most_by, holds, ordered, together

NA = None


@pytest.mark.parametrize("values", list(itertools.product([1.0, 2.0, NA], repeat=3)))
def test_ordered_is_what_is_left_without_blanks(values):
    frame = pd.DataFrame([values], columns=["a", "b", "c"], dtype="float64")
    given = [value for value in values if value is not NA]
    assert ordered(frame, ["a", "b", "c"]).tolist() == [given == sorted(given)]


def test_ordered_takes_integers_with_blanks():
    frame = pd.DataFrame({"a": pd.array([1, 3, None], dtype="Int64"), "b": pd.array([2, 2, 2], dtype="Int64")})
    assert ordered(frame, ["a", "b"]).tolist() == [True, False, True]


def test_after_is_strict_and_passes_over_blanks():
    times = pd.to_datetime(["2027-01-01T00:00Z", "2027-01-01T00:00Z", None], utc=True)
    ends = pd.to_datetime(["2027-01-01T00:01Z", "2027-01-01T00:00Z", "2027-01-01T00:00Z"], utc=True)
    assert after(pd.DataFrame({"s": times, "e": ends}), ["s", "e"]).tolist() == [True, False, True]


@pytest.mark.parametrize("values", list(itertools.product([1.0, NA], repeat=3)))
def test_together_and_any_of_count_the_given(values):
    frame = pd.DataFrame([values], columns=["a", "b", "c"], dtype="float64")
    n = sum(value is not NA for value in values)
    assert together(frame, ["a", "b", "c"]).tolist() == [n in (0, 3)]
    assert any_of(frame, ["a", "b", "c"]).tolist() == [n > 0]


def test_at_most_by_includes_the_limit_and_passes_over_blanks():
    frame = pd.DataFrame({"n": [5.0, 5.1, NA, 9.0], "w": pd.array(["five", "five", "five", NA], dtype="str")})
    assert at_most_by(frame, ["n", "w"], limits={"five": 5}).tolist() == [True, False, True, True]


def test_holds_dispatches_and_leaves_the_frame_unchanged():
    frame = pd.DataFrame({"n": [5.0, 6.0], "w": pd.array(["five", "five"], dtype="str")})
    before = frame.copy(deep=True)
    rule = RowRule(rule="at_most_by", columns=("n", "w"), holds="h", cure="c", limits={"five": 5})
    assert holds(frame, rule).tolist() == [True, False]
    pd.testing.assert_frame_equal(frame, before)


def test_row_order_does_not_matter():
    frame = pd.DataFrame({"a": [1.0, 3.0, None], "b": [2.0, 2.0, 2.0]})
    backwards = frame.iloc[::-1]
    assert ordered(backwards, ["a", "b"]).sort_index().equals(ordered(frame, ["a", "b"]))
