"""Wrap ratings as shares, and reverse film against facing film, by hand."""

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.wrap import reverse_ratio, wrap_share


@pytest.mark.parametrize(("scale", "top"), [("five-best", 5), ("ten-best", 10), ("percent", 100)])
def test_scales_run_evenly_from_bare_to_wholly_covered(scale, top):
    # Common practice, no source.
    assert wrap_share([0, top / 2, top], scale).tolist() == [0.0, 50.0, 100.0]


def test_scales_may_be_mixed_in_columns_and_missing_ratings_stay_missing():
    ratings = pd.DataFrame({"rating": [4.0, 4.0, np.nan], "scale": ["five-best", "ten-best", "percent"]})
    before = ratings.copy()
    shares = wrap_share(ratings["rating"], ratings["scale"])
    assert shares[:2].tolist() == [80.0, 40.0]
    assert np.isnan(shares[2])
    pd.testing.assert_frame_equal(ratings, before)
    assert wrap_share([], "percent").shape == (0,)


def test_wrap_errors():
    with pytest.raises(ValueError, match=r"scale must be one of five-best, ten-best, percent; given \['stars'\]"):
        wrap_share([3], "stars")
    with pytest.raises(ValueError, match=r"given 7\.0 on five-best"):
        wrap_share([3, 7], ["percent", "five-best"])
    with pytest.raises(ValueError, match=r"given -1\.0 on percent"):
        wrap_share([-1], "percent")


@pytest.fixture
def spots():
    return pd.DataFrame(
        {
            "area_id": ["A2", "A1", "A1", "A1", "A1", "A3", "A4", "A4"],
            "side": ["facing", "facing", "facing", "reverse", "edge", "reverse", "facing", "reverse"],
            "dft_um": [90.0, 70.0, 90.0, 40.0, 200.0, 30.0, 0.0, 10.0],
        }
    )


def test_reverse_ratio_by_hand(spots):
    before = spots.copy()
    result = reverse_ratio(spots).set_index("area_id")
    assert result.loc["A1"].tolist() == [2, 1, 80.0, 40.0, 0.5]
    assert result.loc["A2", ["facing_spots", "reverse_spots", "facing_um"]].tolist() == [1, 0, 90.0]
    assert result["ratio"].isna().tolist() == [False, True, True, True]
    pd.testing.assert_frame_equal(spots, before)
    pd.testing.assert_frame_equal(reverse_ratio(spots.iloc[::-1]).set_index("area_id"), result)


def test_reverse_ratio_of_no_spots(spots):
    empty = reverse_ratio(spots[:0])
    assert list(empty.columns) == ["area_id", "facing_spots", "reverse_spots", "facing_um", "reverse_um", "ratio"]
    assert len(empty) == 0


def test_reverse_ratio_names_a_missing_column(spots):
    with pytest.raises(ValueError, match=r"spots must have the columns \['side'\]"):
        reverse_ratio(spots.drop(columns="side"))
