"""Control charts: handbook examples."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.chart_constants import chart_constants
from auditkit.stats.monitoring import counts_chart, fractions_chart, individuals_chart, subgroup_charts

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
WAFERS = [16, 14, 28, 16, 12, 20, 10, 12, 10, 17, 19, 17, 14, 16, 15, 13, 14, 16, 11, 20, 11, 19, 16, 31, 13]
CHIPS = [
    *(0.24, 0.30, 0.16, 0.20, 0.08, 0.14, 0.32, 0.18, 0.28, 0.20, 0.10, 0.12, 0.34, 0.24, 0.44),
    *(0.16, 0.20, 0.10, 0.26, 0.22, 0.40, 0.36, 0.48, 0.30, 0.18, 0.24, 0.14, 0.26, 0.18, 0.12),
]
# NIST/SEMATECH e-Handbook 6.3.2.1 [seen]: n, A2, D3, D4
CONSTANTS = [
    (2, 1.880, 0.0, 3.267),
    (3, 1.023, 0.0, 2.575),
    (4, 0.729, 0.0, 2.282),
    (5, 0.577, 0.0, 2.115),
    (6, 0.483, 0.0, 2.004),
    (7, 0.419, 0.076, 1.924),
    (8, 0.373, 0.136, 1.864),
    (9, 0.337, 0.184, 1.816),
    (10, 0.308, 0.223, 1.777),
]


@pytest.mark.parametrize(("n", "a2", "d_3", "d_4"), CONSTANTS)
def test_constants_of_the_handbook(n, a2, d_3, d_4):
    found = chart_constants(n)
    assert (found.a2, found.d_3) == pytest.approx((a2, d_3), abs=5e-4)
    # printed D4 of 2 and 5 come from rounded d2 and d3 and are off by as much as 0.0006
    assert found.d_4 == pytest.approx(d_4, abs=6e-4)


def test_constants_with_closed_forms():
    assert chart_constants(10).c4 == pytest.approx(0.9727, abs=5e-5)  # NIST 6.3.2.1 [seen]
    two, three = chart_constants(2), chart_constants(3)
    assert two.d2 == pytest.approx(2 / math.sqrt(math.pi), abs=1e-8)
    assert two.d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-7)
    assert three.d2 == pytest.approx(3 / math.sqrt(math.pi), abs=1e-8)
    assert two.c4 == pytest.approx(math.sqrt(2 / math.pi))


def test_constants_agree_with_simulation():
    x = np.random.default_rng(1).normal(size=(200_000, 6))
    found = chart_constants(6)
    spread, sd = np.ptp(x, axis=1), x.std(axis=1, ddof=1)
    assert (found.d2, found.d3, found.c4) == pytest.approx((spread.mean(), spread.std(), sd.mean()), abs=0.006)
    assert found.b4 == pytest.approx(1 + 3 * sd.std() / sd.mean(), abs=0.01)


def test_individuals():
    # NIST/SEMATECH e-Handbook 6.3.2.2 [seen]
    chart = individuals_chart(FLOW)
    single, moving = chart[chart["chart"] == "individual"], chart[chart["chart"] == "moving range"]
    assert single["centre"].iloc[0] == pytest.approx(50.81)
    assert moving["centre"].iloc[0] == pytest.approx(1.8778, abs=5e-5)
    # the page divides by 1.128; ours is the unrounded 1.12838
    back = (single[["low", "high"]].iloc[0] - 50.81) * chart_constants(2).d2 / 1.128 + 50.81
    assert back.tolist() == pytest.approx([45.8159, 55.8041], abs=5e-5)
    assert not chart["signal"].any()
    assert moving["point"].tolist() == list(range(2, 11))


def test_baseline_sets_the_limits_and_later_points_are_held_to_them():
    chart = individuals_chart([*FLOW, 70.0], baseline=10)
    single = chart[chart["chart"] == "individual"]
    assert single["centre"].iloc[0] == pytest.approx(50.81)
    assert single["signal"].tolist() == [False] * 10 + [True]


def test_counts():
    # NIST/SEMATECH e-Handbook 6.3.3.1 [seen]: centre 16, limits 28 and 4; sample 24 out
    chart = counts_chart(WAFERS)
    assert chart.loc[0, ["centre", "low", "high"]].astype(float).tolist() == pytest.approx([16, 4, 28], abs=1e-9)
    assert chart.loc[chart["signal"], "point"].tolist() == [24]  # 28 lies on the limit, not beyond


def test_counts_per_unit():
    chart = counts_chart([8, 2, 30], size=[4.0, 1.0, 5.0])
    assert chart["centre"].tolist() == [4.0] * 3
    assert chart["high"].tolist() == pytest.approx([4 + 3 * 2 / 2, 4 + 3 * 2, 4 + 3 * 2 / math.sqrt(5)])
    assert chart["value"].tolist() == [2.0, 2.0, 6.0]
    assert chart["low"].tolist()[1] == 0.0


def test_fractions():
    # NIST/SEMATECH e-Handbook 6.3.3.2 [seen]
    chart = fractions_chart(np.round(np.array(CHIPS) * 50), size=[50] * 30)
    assert chart["centre"].iloc[0] == pytest.approx(0.2313333, abs=5e-8)
    assert chart[["low", "high"]].iloc[0].tolist() == pytest.approx([0.05242755, 0.4102391], abs=5e-8)
    assert chart.loc[chart["signal"], "point"].tolist() == [15, 23]


def test_subgroups_by_range_and_by_sd():
    y = np.random.default_rng(2).normal(10, 1, (25, 5))
    frame = pd.DataFrame({"g": np.repeat(range(25), 5), "y": y.ravel()})
    by_range = subgroup_charts(frame, response="y", subgroup="g", spread="range")
    mean = by_range[by_range["chart"] == "mean"]
    spread = np.ptp(y, axis=1).mean()
    assert mean["high"].iloc[0] == pytest.approx(y.mean() + chart_constants(5).a2 * spread)
    inside = by_range[by_range["chart"] == "range"]
    assert inside["high"].iloc[0] == pytest.approx(chart_constants(5).d_4 * spread)
    by_sd = subgroup_charts(frame, response="y", subgroup="g", spread="sd")
    sd = y.std(axis=1, ddof=1).mean()
    assert by_sd["high"].iloc[0] == pytest.approx(y.mean() + chart_constants(5).a3 * sd)


def test_limits_of_nested_subgroups_leave_ordinary_spread_alone():
    # 30 places, spread between them twice that within: 'within' cries wolf, 'between+within' does not
    rng = np.random.default_rng(3)
    y = rng.normal(0, 2, (30, 1)) + rng.normal(0, 1, (30, 5))
    frame = pd.DataFrame({"g": np.repeat(range(30), 5), "y": y.ravel()})

    def alarms(limits: str) -> int:
        chart = subgroup_charts(frame, response="y", subgroup="g", limits=limits)
        return int(chart.loc[chart["chart"] == "mean", "signal"].sum())

    assert alarms("within") >= 8
    assert alarms("between+within") == 0
    chart = subgroup_charts(frame, response="y", subgroup="g", limits="between+within")
    # balanced: the two components together are the spread of the means themselves
    assert chart["high"].iloc[0] - chart["centre"].iloc[0] == pytest.approx(3 * y.mean(axis=1).std(ddof=1))


def test_row_order_does_not_matter_and_input_stays():
    frame = pd.DataFrame({"g": np.repeat(list("abcd"), 3), "y": np.arange(12.0) % 5})
    kept = frame.copy()
    one = subgroup_charts(frame, response="y", subgroup="g")
    two = subgroup_charts(frame.sample(frac=1.0, random_state=1), response="y", subgroup="g")
    pd.testing.assert_frame_equal(one, two)
    pd.testing.assert_frame_equal(frame, kept)
    assert one.columns.tolist() == ["chart", "point", "value", "centre", "low", "high", "signal"]


def test_errors_say_what_is_wrong():
    frame = pd.DataFrame({"g": [1, 1, 2, 2, 2], "y": [1.0, 2.0, 3.0, 4.0, 5.0]})
    with pytest.raises(ValueError, match="hold equally many observations, two or more; given 2 to 3"):
        subgroup_charts(frame, response="y", subgroup="g")
    with pytest.raises(ValueError, match="limits must be 'within' or 'between"):
        subgroup_charts(frame, response="y", subgroup="g", limits="both")
    with pytest.raises(ValueError, match="spread must be 'sd' or 'range'; given 'mad'"):
        subgroup_charts(frame, response="y", subgroup="g", spread="mad")
    with pytest.raises(ValueError, match="baseline must be from 2 to the number of points, 10; given 1"):
        individuals_chart(FLOW, baseline=1)
    with pytest.raises(ValueError, match="counts must be whole numbers, 0 or more"):
        counts_chart([1, 2.5])
    with pytest.raises(ValueError, match="one size for each of the 2 points; given 1"):
        counts_chart([1, 2], size=[3])
    with pytest.raises(ValueError, match="sizes must be above 0"):
        counts_chart([1, 2], size=[3, 0])
    with pytest.raises(ValueError, match="no more items may be found than were looked at"):
        fractions_chart([5], size=[4])
    with pytest.raises(ValueError, match="n must be a whole number from 2 to 100; given 1"):
        chart_constants(1)
