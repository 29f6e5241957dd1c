"""Oddities: the published score, and how often honest values are marked."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.oddities import (
    chance_beyond,
    far_from_group,
    fastest_pace,
    modified_z,
    robust_spread,
    stamp_resolution,
)


def grouped(rng: np.random.Generator, groups: int, size: int, *, step: float = 0.0) -> pd.DataFrame:
    y = rng.normal(80, 20, (groups, 1)) + rng.normal(0, 2, (groups, size))
    y = np.round(y / step) * step if step else y
    return pd.DataFrame(
        {"g": np.repeat(np.arange(groups), size), "p": np.repeat(np.arange(groups) // 40, size), "y": y.ravel()}
    )


def test_modified_z_by_hand():
    # Iglewicz and Hoaglin (1993), 0.6745 (x - median) / MAD: median 6, MAD 2
    assert modified_z([2, 4, 6, 8, 20]) == pytest.approx([0.67449 * x / 2 for x in (-4, -2, 0, 2, 14)], rel=1e-5)
    assert modified_z([5, 5, 5, 9]).tolist() == [0, 0, 0, np.inf]


def test_spread_of_normal_values_and_of_coarse_ones():
    rng = np.random.default_rng(1)
    z = rng.normal(0, 3, 100_000)
    assert robust_spread(z) == pytest.approx(3.0, rel=0.02)
    z[:2000] = 500  # two in a hundred far off
    assert robust_spread(z) == pytest.approx(3.0, rel=0.1)
    coarse = np.round(rng.normal(0, 0.45, 100_000))  # three quarters are 0: the median absolute distance is 0
    assert np.median(np.abs(coarse)) == 0
    assert robust_spread(coarse) > 0.3
    assert robust_spread([0.0, 0.0], floor=0.5) == 0.5


def test_chance_beyond_is_the_normal_tail():
    assert chance_beyond(1.959964) == pytest.approx(0.05, abs=1e-6)


@pytest.mark.parametrize(("size", "step"), [(3, 0.0), (5, 0.0), (3, 2.0)])
def test_honest_values_are_seldom_marked(size, step):
    frame = grouped(np.random.default_rng(2), 12_000, size, step=step)
    found = far_from_group(frame, response="y", group=["g"], pool=["p"], floor=step / np.sqrt(12))
    assert 0.00005 < found["far"].mean() < 0.0008
    if step == 0:  # z is a z: its middle 68 %
        assert (found["z"].abs() < 1).mean() == pytest.approx(0.683, abs=0.03)


def test_far_value_is_marked_and_its_fellows_are_not():
    frame = grouped(np.random.default_rng(3), 40, 3)
    frame.loc[31, "y"] += 40.0
    kept = frame.copy()
    found = far_from_group(frame, response="y", group=["g"], pool=["p"])
    assert found.index[found["far"]].tolist() == [31]
    assert found.loc[30, "z"] < -3.5  # only because its fellow is far
    pd.testing.assert_frame_equal(frame, kept)
    shuffled = far_from_group(frame.sample(frac=1, random_state=1), response="y", group=["g"], pool=["p"])
    pd.testing.assert_frame_equal(shuffled.sort_index(), found)


def test_median_of_the_others_by_hand():
    frame = pd.DataFrame({"g": [1] * 5, "p": 1, "y": [1.0, 2.0, 4.0, 8.0, 16.0]})
    found = far_from_group(frame, response="y", group=["g"], pool=["p"], at_least=1)
    assert found["median"].tolist() == [6.0, 6.0, 5.0, 3.0, 3.0]


def test_small_groups_and_pools_are_not_judged():
    frame = grouped(np.random.default_rng(4), 40, 2)
    assert far_from_group(frame, response="y", group=["g"], pool=["p"])["z"].isna().all()
    frame = grouped(np.random.default_rng(4), 5, 3)
    assert far_from_group(frame, response="y", group=["g"], pool=["p"])["z"].isna().all()


def test_stamps_to_the_minute_prove_no_pace():
    minute = np.repeat(np.arange(20.0) * 60, 15)  # fifteen readings under each stamp
    assert stamp_resolution(minute) == 60.0
    assert fastest_pace(minute) == pytest.approx(60 * 9 / (9 * 60 + 60))
    second = np.arange(20.0)
    second[10:] += 500.5
    assert stamp_resolution(second) == 0.001
    assert fastest_pace(second) == pytest.approx(60 * 9 / 9.001)
    assert np.isnan(fastest_pace([1.0] * 50))


def test_errors_say_what_is_wrong():
    frame = grouped(np.random.default_rng(5), 4, 3)
    with pytest.raises(ValueError, match="threshold must be above 0; given 0"):
        far_from_group(frame, response="y", group=["g"], pool=["p"], threshold=0)
    with pytest.raises(ValueError, match=r"the frame must have the columns \['q'\]"):
        far_from_group(frame, response="y", group=["q"], pool=["p"])
    with pytest.raises(ValueError, match="at least 3 values are needed; given 2"):
        modified_z([1, 2])
    with pytest.raises(ValueError, match="stretch must be 2 or more; given 1"):
        fastest_pace([1.0], stretch=1)
