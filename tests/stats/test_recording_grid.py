"""Recording grid: the step found, and last digits of honest and of rounded values."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.recording_grid import recording_step, terminal_digits

STEPS = (0.01, 0.1, 0.5, 1.0, 0.0254, 0.254, 2.54)


def honest(rng: np.random.Generator, *, step: float = 1.0) -> pd.DataFrame:
    """40 areas of 5 spots of 3 on a coarse step: readings of a spot mostly fall on two or three steps."""
    spot = np.repeat(rng.normal(35, 8, 40), 5) + rng.normal(0, 3, 200)
    y = np.round(np.repeat(spot, 3) + rng.normal(0, 1.2, 600))
    return pd.DataFrame({"area": np.repeat(np.arange(40), 15), "y": y * step})


@pytest.mark.parametrize("step", [0.1, 1.0, 0.254, 2.54])
def test_step_is_found_in_converted_values(step):
    values = np.round(np.round(np.random.default_rng(1).normal(80, 10, 300) / step) * step, 4)
    assert recording_step(values, steps=STEPS) == step


def test_step_is_not_guessed():
    assert recording_step(np.random.default_rng(1).normal(80, 10, 300), steps=STEPS) is None
    assert recording_step([2.54, 5.08], steps=STEPS) is None


def test_honest_digits_are_marked_as_often_as_promised_and_chi_square_more():
    rng = np.random.default_rng(2)
    found = [
        terminal_digits(honest(rng), response="y", cluster="area", step=1.0, rng=rng, draws=200) for _ in range(250)
    ]
    p = np.array([one.p_value for one in found])
    assert (p <= 0.05).mean() < 0.09  # binomial error of 250 sets: 0.014
    assert (p <= 0.5).mean() == pytest.approx(0.5, abs=0.1)
    assert np.mean([one.p_plain <= 0.05 for one in found]) > 0.12  # the trap: readings of a spot are alike


def test_rounded_digits_are_marked_on_the_gauges_own_grid():
    rng = np.random.default_rng(3)
    frame = honest(rng, step=2.54)
    half = rng.random(600) < 0.5
    frame.loc[half, "y"] = np.round(frame.loc[half, "y"] / 12.7) * 12.7  # to half a mil on a gauge that shows tenths
    found = terminal_digits(frame, response="y", cluster="area", step=2.54, rng=rng)
    assert found.p_value < 0.005
    assert set(found.digits.nlargest(2, "n")["digit"]) == {0, 5}
    assert found.digits["n"].sum() == found.n == 600


def test_statistic_by_hand():
    y = [0, 10, 20, 30, 40, 1, 2, 3, 4, 5]  # five zeros and one each of 1 to 5
    frame = pd.DataFrame({"y": y, "c": range(10)})
    found = terminal_digits(frame, response="y", cluster="c", step=1.0, rng=np.random.default_rng(1), draws=50)
    assert found.statistic == pytest.approx((5 - 1) ** 2 + 5 * 0 + 4 * 1)


def test_errors_say_what_is_wrong():
    frame = pd.DataFrame({"y": [1.0, 2.0], "c": [1, 2]})
    with pytest.raises(ValueError, match="at least five clusters are needed; given 2"):
        terminal_digits(frame, response="y", cluster="c", step=1.0, rng=np.random.default_rng(1))
    with pytest.raises(ValueError, match="steps must be above 0"):
        recording_step([1.0], steps=[0.0])
