"""The exact conditional test within strata."""

import numpy as np
import pandas as pd
import pytest
from scipy.stats import fisher_exact

from auditkit.stats.exact_strata import exact_conditional_test

CELLS = ["exposed_with", "exposed_without", "unexposed_with", "unexposed_without"]


def strata(*rows):
    return pd.DataFrame(rows, columns=CELLS)


def test_rabbits_as_printed():
    # Agresti's penicillin in rabbits; R's documentation of mantelhaen.test(exact = TRUE) prints 0.03994 (from memory).
    frame = strata((0, 6, 0, 5), (3, 3, 0, 6), (6, 0, 2, 4), (5, 1, 6, 0), (2, 0, 5, 0))
    assert round(exact_conditional_test(frame).p_value, 5) == 0.03994


def test_one_stratum_is_fishers_test_as_printed():
    # Fisher's exact test of 2 15 / 10 3: p .0005367 (seen in a statistics package's saved reference output).
    assert round(exact_conditional_test(strata((2, 15, 10, 3))).p_value, 7) == 0.0005367


@pytest.mark.parametrize("seed", range(5))
def test_one_stratum_agrees_with_scipy(seed):
    table = np.random.default_rng(seed).integers(0, 12, size=(2, 2))
    expected = fisher_exact(table).pvalue
    test = exact_conditional_test(strata(tuple(table.ravel().tolist())))
    assert test is None or test.p_value == pytest.approx(expected)


def test_two_strata_by_counting_every_outcome():
    # By hand: margins (2 exposed, 2 not, 2 with) twice; each a = 0, 1, 2 with probability 1/6, 4/6, 1/6.
    frame = strata((2, 0, 0, 2), (2, 0, 0, 2))
    test = exact_conditional_test(frame)
    assert test.p_value == pytest.approx(2 / 36)
    assert test.least_p_value == pytest.approx(2 / 36)


def test_what_no_outcome_could_have_shown():
    test = exact_conditional_test(strata((1, 1, 0, 30)))
    assert test.least_p_value == pytest.approx(2 / 32)
    assert test.p_value >= test.least_p_value


def test_strata_that_inform_nothing():
    assert exact_conditional_test(strata((0, 5, 0, 9), (3, 4, 0, 0))) is None


def test_order_of_strata_does_not_matter_and_input_is_left_alone():
    frame = strata((3, 3, 0, 6), (6, 0, 2, 4), (5, 1, 6, 2))
    before = frame.copy()
    assert exact_conditional_test(frame) == exact_conditional_test(frame.iloc[::-1])
    pd.testing.assert_frame_equal(frame, before)


def test_messages():
    with pytest.raises(ValueError, match="missing unexposed_without"):
        exact_conditional_test(strata((1, 1, 1, 1)).drop(columns="unexposed_without"))
    with pytest.raises(ValueError, match="counts must be 0 or more; the least given is -1"):
        exact_conditional_test(strata((1, 1, -1, 1)))


def test_size_of_the_test_under_no_association():
    # Simulated: at most 5 % of p-values at or below 0.05 when nothing is associated.
    rng = np.random.default_rng(11)
    hits = 0
    for _ in range(400):
        rows = []
        for base in (0.1, 0.3):
            exposed, unexposed = rng.binomial(15, base), rng.binomial(40, base)
            rows.append((exposed, 15 - exposed, unexposed, 40 - unexposed))
        test = exact_conditional_test(strata(*rows))
        hits += test is not None and test.p_value <= 0.05
    assert 2 <= hits <= 29  # 400 x 0.05 = 20 at most on average; 29 is beyond the 97.5 % point
