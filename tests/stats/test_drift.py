"""EWMA and cusum: handbook examples and published run lengths."""

from __future__ import annotations

import numpy as np
import pytest

from auditkit.stats.drift import cusum_chart, ewma_chart

EWMA = [
    *(52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5),
    *(49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1),
]
CUSUM = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]


def test_ewma():
    # NIST/SEMATECH e-Handbook 6.3.2.4 [seen]
    chart = ewma_chart(EWMA, target=50, sd=2.0539, weight=0.3, limits="steady")
    printed = [
        *(50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33),
        *(50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99),
    ]
    assert chart["average"].tolist() == pytest.approx(printed, abs=0.006)  # the page rounds at every step
    assert chart[["low", "high"]].iloc[-1].tolist() == pytest.approx([47.4115, 52.5884], abs=1e-4)
    assert not chart["signal"].any()


def test_ewma_limits_widen_from_one_weight_to_the_steady_ones():
    # variance of the first average is weight^2 sd^2; of the last, weight/(2 - weight) sd^2
    chart = ewma_chart(EWMA, target=50, sd=2.0, weight=0.3)
    reach = chart["high"] - 50
    assert reach.iloc[0] == pytest.approx(3 * 0.3 * 2.0)
    assert reach.iloc[-1] == pytest.approx(3 * 2.0 * (0.3 / 1.7) ** 0.5, rel=1e-5)
    assert reach.is_monotonic_increasing


def test_ewma_of_full_weight_is_the_chart_of_the_values():
    chart = ewma_chart(EWMA, target=50, sd=1.0, weight=1.0)
    assert chart["average"].tolist() == EWMA
    assert chart["signal"].tolist() == [abs(x - 50) > 3 for x in EWMA]


def test_cusum():
    # NIST/SEMATECH e-Handbook 6.3.2.3 [seen]
    chart = cusum_chart(CUSUM, target=325, reference=0.3175, decision=4.1959)
    printed = [3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
    assert chart["upper_sum"].tolist()[12:] == pytest.approx(printed, abs=0.0051)
    assert chart.loc[chart["signal"], "point"].tolist()[0] == 14
    assert chart["side"].tolist()[13] == "above"


def test_cusum_seen_in_a_mirror():
    up = cusum_chart(CUSUM, target=325, reference=0.3175, decision=4.1959)
    down = cusum_chart(650 - np.array(CUSUM), target=325, reference=0.3175, decision=4.1959)
    assert up["upper_sum"].to_numpy() == pytest.approx(down["lower_sum"].to_numpy())
    assert set(down.loc[down["signal"], "side"]) == {"below"}


def run_lengths(shift: float, *, head_start: float = 0.0, sequences: int = 4000, longest: int = 4000) -> float:
    """Mean run length of the cusum h 4, k 1/2, in plain arrays beside the function's recursion."""
    rng = np.random.default_rng(5)
    upper, lower = np.full(sequences, head_start), np.full(sequences, head_start)
    length, alive = np.zeros(sequences), np.ones(sequences, dtype=bool)
    for _ in range(longest):
        z = rng.normal(shift, 1, sequences)
        upper, lower = np.maximum(0, upper + z - 0.5), np.maximum(0, lower - z - 0.5)
        length += alive
        alive &= (upper <= 4) & (lower <= 4)
    return float(length.mean())


@pytest.mark.parametrize(("shift", "printed"), [(0.0, 168.0), (1.0, 8.38)])
def test_cusum_run_lengths(shift, printed):
    # NIST/SEMATECH e-Handbook 6.3.2.3 and Lucas and Crosier (1982), from memory: h 4, k 1/2
    assert run_lengths(shift) == pytest.approx(printed, rel=0.05)


def test_function_and_plain_recursion_signal_at_the_same_point():
    z = np.random.default_rng(6).normal(0.5, 1, 400)
    chart = cusum_chart(z, target=0, reference=0.5, decision=4)
    upper = lower = 0.0
    for x, row in zip(z, chart.itertuples(), strict=True):
        upper, lower = max(0, upper + x - 0.5), max(0, lower - x - 0.5)
        assert row.signal == (upper > 4 or lower > 4)


def test_head_start_signals_a_shift_sooner():
    assert run_lengths(1.0, head_start=2.0, longest=400) < run_lengths(1.0, longest=400) - 2
    chart = cusum_chart([1.0], target=0, reference=0.5, decision=4, head_start=2)
    assert chart["upper_sum"].tolist() == [2.5]


def test_input_stays():
    values = np.array(EWMA)
    ewma_chart(values, target=50, sd=1)
    cusum_chart(values, target=50, reference=1, decision=3)
    assert values.tolist() == EWMA


def test_errors_say_what_is_wrong():
    with pytest.raises(ValueError, match="weight must be above 0 and not above 1; given 0"):
        ewma_chart(EWMA, target=50, sd=1, weight=0)
    with pytest.raises(ValueError, match="sd must be above 0; given 0"):
        ewma_chart(EWMA, target=50, sd=0)
    with pytest.raises(ValueError, match="width must be above 0"):
        ewma_chart(EWMA, target=50, sd=1, width=0)
    with pytest.raises(ValueError, match="limits must be 'exact' or 'steady'"):
        ewma_chart(EWMA, target=50, sd=1, limits="wide")
    with pytest.raises(ValueError, match="decision above 0 and head_start from 0 to below it; given 1, 3, 3"):
        cusum_chart(EWMA, target=50, reference=1, decision=3, head_start=3)
    with pytest.raises(ValueError, match="values must be finite numbers; 1 of 2 are not, first at position 1"):
        ewma_chart([1.0, np.inf], target=1, sd=1)
