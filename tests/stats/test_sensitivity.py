"""E-values as published, and leaving out one group."""

import math

import pandas as pd
import pytest

from auditkit.stats.sensitivity import approximate_risk_ratio, e_value, leave_one_group_out


@pytest.mark.parametrize(
    ("ratio", "low", "high", "expected", "limit"),
    [  # VanderWeele & Ding (2017); digits as the authors' R package prints them
        (10.73, 8.02, 14.36, 20.94777, 15.52336),
        (3.9, 1.8, 8.7, 7.263034, 3.0),
        (0.80, 0.71, 0.91, 1.809017, 1.428571),
    ],
)
def test_e_value_as_published(ratio, low, high, expected, limit):
    found = e_value(ratio, low=low, high=high)
    assert found.estimate == pytest.approx(expected, abs=5e-6)
    assert found.limit == pytest.approx(limit, abs=5e-6)


def test_e_value_explains_the_ratio_exactly():
    # Ding & VanderWeele's bound: a confounder tied by E to both can move a ratio by E^2 / (2E - 1), no more.
    strength = e_value(2.7, low=1.2, high=6.0).estimate
    assert strength**2 / (2 * strength - 1) == pytest.approx(2.7)


def test_protective_is_read_upside_down_and_limits_across_one_need_nothing():
    up, down = e_value(4.0, low=2.0, high=8.0), e_value(0.25, low=0.125, high=0.5)
    assert up.estimate == pytest.approx(down.estimate)
    assert up.limit == pytest.approx(down.limit)
    assert e_value(1.4, low=0.9, high=2.1).limit == 1.0
    assert e_value(1.0, low=0.9, high=1.2).estimate == 1.0


def test_other_measures_as_table_2():
    assert approximate_risk_ratio(2.25, measure="odds ratio", common=True) == pytest.approx(1.5)
    assert approximate_risk_ratio(2.25, measure="odds ratio", common=False) == 2.25
    assert approximate_risk_ratio(0.56, measure="hazard ratio", common=True) == pytest.approx(
        (1 - 0.5 ** math.sqrt(0.56)) / (1 - 0.5 ** math.sqrt(1 / 0.56))
    )
    assert approximate_risk_ratio(1.0, measure="hazard ratio", common=True) == 1.0
    assert approximate_risk_ratio(3.0, measure="rate ratio") == 3.0
    common = e_value(4.0, low=2.0, high=8.0, measure="odds ratio", common=True)
    assert common.estimate == pytest.approx(2 + math.sqrt(2))
    assert "common" in common.method


def test_what_e_value_refuses():
    with pytest.raises(ValueError, match=r"0 < low <= ratio <= high must hold; given 2\.0, 1\.0, 3\.0"):
        e_value(1.0, low=2.0, high=3.0)
    with pytest.raises(ValueError, match="say whether the outcome is common"):
        e_value(2.0, low=1.0, high=3.0, measure="odds ratio")
    with pytest.raises(ValueError, match="measure must be one of"):
        e_value(2.0, low=1.0, high=3.0, measure="d")
    with pytest.raises(ValueError, match="a ratio must be above 0"):
        approximate_risk_ratio(0.0, measure="risk ratio")


def slope(rows):
    estimate = float(rows.loc[rows["x"] == 1, "y"].mean() - rows.loc[rows["x"] == 0, "y"].mean())
    return pd.DataFrame({"estimate": [estimate], "low": estimate - 1.0, "high": estimate + 2.0}, index=["slope"])


def test_leave_one_group_out_finds_the_group_that_makes_it():
    frame = pd.DataFrame({"crew": list("aabbcc"), "x": [0, 1] * 3, "y": [2.0, 1.0, 2.0, 1.0, 0.0, 9.0]})
    before = frame.copy()
    table = leave_one_group_out(frame, group="crew", estimate=slope)
    assert table["group"].tolist() == ["c", "a", "b"]
    assert table["n"].tolist() == [2, 2, 2]
    assert table["estimate"].tolist() == pytest.approx([-1.0, 4.0, 4.0])
    assert table["low"].tolist() == pytest.approx([-2.0, 3.0, 3.0])
    assert table["high"].tolist() == pytest.approx([1.0, 6.0, 6.0])
    assert table["change"].tolist() == pytest.approx([-1 - 7 / 3, 4 - 7 / 3, 4 - 7 / 3])
    assert table["reverses"].tolist() == [True, False, False]
    pd.testing.assert_frame_equal(frame, before)
    pd.testing.assert_frame_equal(table, leave_one_group_out(frame.iloc[::-1], group="crew", estimate=slope))


def test_leave_one_group_out_agrees_with_the_jackknife_of_a_mean():
    # Without one of n values the mean moves by (mean - value) / (n - 1), common algebra.
    values = [3.0, 5.0, 10.0]
    frame = pd.DataFrame({"crew": ["a", "b", "c"], "y": values})

    def mean(rows):
        return pd.DataFrame({"estimate": [rows["y"].mean()], "low": [0.0], "high": [0.0]}, index=["mean"])

    table = leave_one_group_out(frame, group="crew", estimate=mean).set_index("group")
    assert table.loc[["a", "b", "c"], "change"].tolist() == pytest.approx([(6.0 - value) / 2 for value in values])


def test_leave_one_group_out_keeps_several_estimates_apart():
    frame = pd.DataFrame({"crew": ["a", "b", "c"], "y": [1.0, 2.0, 6.0]})

    def both(rows):
        return pd.DataFrame(
            {"estimate": [rows["y"].sum(), -rows["y"].sum()], "low": 0.0, "high": 0.0}, index=["s", "m"]
        )

    table = leave_one_group_out(frame, group="crew", estimate=both)
    assert table.index.tolist() == ["s"] * 3 + ["m"] * 3
    assert table["estimate"].tolist() == [3.0, 7.0, 8.0, -3.0, -7.0, -8.0]


def test_leave_one_group_out_bears_what_the_rest_cannot_carry_and_refuses_gaps():
    def picky(rows):
        if "a" not in set(rows["crew"]):
            raise ValueError("nothing")
        return pd.DataFrame({"estimate": [1.0], "low": [0.0], "high": [2.0]}, index=["one"])

    frame = pd.DataFrame({"crew": ["a", "b", "c"]})
    table = leave_one_group_out(frame, group="crew", estimate=picky)
    assert table["group"].tolist() == ["b", "c", "a"]  # those without an answer come last
    assert table["estimate"].isna().tolist() == [False, False, True]
    assert not table["reverses"].any()
    with pytest.raises(ValueError, match="every row must have a crew; 1 have none"):
        leave_one_group_out(frame.where(frame["crew"] != "b"), group="crew", estimate=picky)
    with pytest.raises(ValueError, match="two groups or more are needed in crew"):
        leave_one_group_out(frame[:1], group="crew", estimate=picky)
