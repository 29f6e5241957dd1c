"""Lives as pairs of ages: what is taken, and what is refused with the cure."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.lifetimes import read_lives, why_no_estimate


def lives(*pairs: tuple[float, float]) -> pd.DataFrame:
    return pd.DataFrame(pairs, columns=["last_good", "first_bad"], dtype=float)


def test_kinds_are_told_apart_and_the_frame_is_left_alone():
    frame = lives((5, 5), (3, np.inf), (0, 4), (2, 6))
    before = frame.copy()
    read = read_lives(frame)
    assert read.exact.tolist() == [True, False, False, False]
    assert read.failed.tolist() == [True, False, True, True]
    assert (read.n, read.failures, read.excluded) == (4, 3, 0)
    pd.testing.assert_frame_equal(frame, before)


def test_missing_is_not_the_same_as_never_seen_failed():
    frame = lives((5, np.nan), (3, np.inf))
    with pytest.raises(ValueError, match="1 of 2 rows have a gap"):
        read_lives(frame)
    assert read_lives(frame, missing="exclude").excluded == 1


@pytest.mark.parametrize("pair", [(-1, 2), (3, 2), (np.inf, np.inf), (0, 0)])
def test_impossible_ages_are_refused(pair):
    with pytest.raises(ValueError, match=r"a life needs 0 <= last_good <= first_bad.*1 of 2 rows do not"):
        read_lives(lives((1, 2), pair))


def test_no_failure_cannot_tell():
    assert why_no_estimate(read_lives(lives((5, np.inf), (9, np.inf)))).startswith("no failure among 2 items")


@pytest.mark.parametrize(
    "pairs",
    [[(4, 4)], [(4, 4), (4, 4), (2, np.inf)], [(0, 4), (0, 6)], [(1, 5), (3, 8), (4, np.inf)], [(1, 2), (2, 3)]],
)
def test_one_age_that_explains_every_row_cannot_tell_a_spread(pairs):
    assert "one single age" in why_no_estimate(read_lives(lives(*pairs)))


def test_rows_that_no_one_age_explains_can_tell():
    assert why_no_estimate(read_lives(lives((1, 2), (2.5, 4), (3, np.inf)))) == ""
