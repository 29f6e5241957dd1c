"""Run rules: each pattern, and the published in-control run length."""

from __future__ import annotations

import numpy as np
import pytest

from auditkit.stats.run_rules import RULES, average_run_length, run_rules


def marked(values, rule, *, centre=0.0, sd=1.0) -> list[int]:
    chart = run_rules(values, centre=centre, sd=sd, rules=[rule])
    return chart.loc[chart["signal"], "point"].tolist()


def test_one_beyond_three():
    assert marked([0, 3.01, -3.01, 3.0], "1 beyond 3 sd") == [2, 3]


def test_two_of_three_beyond_two_on_one_side():
    assert marked([2.1, 0, 2.1, 0, 0, 2.1], "2 of 3 beyond 2 sd") == [3]
    assert marked([2.1, -2.1, 0.0, 2.1], "2 of 3 beyond 2 sd") == []  # opposite sides, or too far apart
    assert marked([-2.1, -2.1, 0.0], "2 of 3 beyond 2 sd") == [2]  # the point inside completes nothing


def test_four_of_five_beyond_one():
    assert marked([1.1, 1.1, 0, 1.1, 1.1], "4 of 5 beyond 1 sd") == [5]
    assert marked([1.1, 1.1, 0, 0, 1.1, 1.1], "4 of 5 beyond 1 sd") == []
    assert marked([-1.1] * 5, "4 of 5 beyond 1 sd") == [4, 5]


def test_eight_on_one_side():
    assert marked([0.1] * 7 + [-0.1] + [0.1] * 8, "8 on one side") == [16]
    assert marked([0.1] * 4 + [0.0] + [0.1] * 7, "8 on one side") == []  # on the line is on no side


def test_rules_move_with_centre_and_sd():
    values = np.array([2.1, 0, 2.1, -3.2, 0.5])
    plain = run_rules(values, centre=0, sd=1)
    moved = run_rules(100 + 5 * values, centre=100, sd=5)
    assert plain["signal"].tolist() == moved["signal"].tolist() == [False, False, True, True, False]
    assert plain.columns.tolist() == ["point", "value", "z", *RULES, "signal"]


def test_in_control_run_length_of_the_full_set():
    # Champ and Woodall (1987) [seen]: 91.75
    found = average_run_length(rng=np.random.default_rng(20), sequences=20_000, longest=1500)
    assert found.estimate == pytest.approx(91.75, abs=2.0)  # three standard errors of 20 000 runs
    assert found.n == 20_000


def test_in_control_run_length_of_the_first_rule():
    # 1 / P(beyond 3 sd) = 370.4
    found = average_run_length(rng=np.random.default_rng(21), rules=["1 beyond 3 sd"], sequences=4000, longest=5000)
    assert found.estimate == pytest.approx(370.4, abs=18)


def test_in_control_run_length_of_eight_on_one_side():
    # runs of a fair coin: 2^8 - 1 = 255 for heads or tails of length 8
    found = average_run_length(rng=np.random.default_rng(22), rules=["8 on one side"], sequences=4000, longest=4000)
    assert found.estimate == pytest.approx(255, abs=13)


def test_a_shift_is_seen_sooner():
    # Champ and Woodall (1987), from memory: a shift of one standard deviation is seen in 9.2 points
    found = average_run_length(rng=np.random.default_rng(23), shift=1.0, sequences=10_000, longest=300)
    assert found.estimate == pytest.approx(9.22, abs=0.25)


def test_errors_say_what_is_wrong():
    with pytest.raises(ValueError, match=r"rules must be some of \['1 beyond 3 sd'"):
        run_rules([1.0], centre=0, sd=1, rules=["9 on one side"])
    with pytest.raises(ValueError, match="sd must be above 0; given 0"):
        run_rules([1.0], centre=0, sd=0)
    with pytest.raises(ValueError, match="gave no signal in 10 points; raise longest"):
        average_run_length(rng=np.random.default_rng(1), sequences=100, longest=10)
