"""Repeated series: the chances are those of the model, simulated."""

from __future__ import annotations

import numpy as np
import pytest

from auditkit.stats.repeated_series import chance_of_equal_run, chance_of_match, equal_runs, matching_stretches

DRAWS = 400_000


@pytest.mark.parametrize(
    ("sizes", "within", "between", "step"),
    [([3], 1.0, 0.0, 1.0), ([3, 3], 1.0, 1.5, 2.0), ([2, 2], 2.0, 3.0, 2.0), ([5], 0.3, 0.0, 1.0)],
)
def test_chance_of_an_equal_run_is_the_simulated_one(sizes, within, between, step):
    rng = np.random.default_rng(1)
    level = rng.uniform(0, step, DRAWS)
    read = []
    for size in sizes:
        spot = level + between * rng.standard_normal(DRAWS)
        read += [np.round((spot + rng.normal(0, within, DRAWS)) / step) for _ in range(size)]
    share = np.all([one == read[0] for one in read], axis=0).mean()
    found = chance_of_equal_run(sizes, within_sd=within, between_sd=between, step=step)
    assert found == pytest.approx(share, abs=4 * np.sqrt(share / DRAWS))


@pytest.mark.parametrize(
    ("sizes", "within", "between", "outer", "step"),
    [([3], 1.0, 1.0, 1.0, 2.0), ([2, 2], 1.0, 1.5, 3.0, 2.0), ([2], 2.0, 3.0, 0.0, 2.54)],
)
def test_chance_of_a_match_is_the_simulated_one(sizes, within, between, outer, step):
    rng = np.random.default_rng(2)
    phase = rng.uniform(0, step, DRAWS)
    one, two = (phase + outer * rng.standard_normal(DRAWS) for _ in range(2))
    same = np.ones(DRAWS, dtype=bool)
    for size in sizes:
        spots = [place + between * rng.standard_normal(DRAWS) for place in (one, two)]
        for _ in range(size):
            a, b = (np.round((spot + rng.normal(0, within, DRAWS)) / step) for spot in spots)
            same &= a == b
    found = chance_of_match(sizes, within_sd=within, between_sd=between, outer_sd=outer, step=step)
    assert found == pytest.approx(same.mean(), abs=4 * np.sqrt(same.mean() / DRAWS) + 0.02 * same.mean())


def test_runs_and_matches_stay_in_their_series():
    assert equal_runs([5, 5, 5], series=[0, 0, 1], at_least=2).values.tolist() == [[0, 2, 5]]
    codes = [1, 2, 3, 4, 1, 2, 3, 4]
    assert matching_stretches(codes, series=[0] * 4 + [1] * 4, at_least=3).values.tolist() == [[0, 4, 4]]
    assert matching_stretches(codes, series=[0, 0, 1, 1, 2, 2, 3, 3], at_least=3).empty
    assert matching_stretches(codes, series=[0] * 8, at_least=3).values.tolist() == [[0, 4, 4]]
    assert matching_stretches([1] * 20, series=[0] * 20, at_least=3).empty  # one value is another matter
    assert equal_runs([], series=[]).empty


def test_three_copies_are_three_pairs():
    found = matching_stretches([1, 2, 3, 9, 1, 2, 3, 8, 1, 2, 3], series=[0] * 11, at_least=3)
    assert found.values.tolist() == [[0, 4, 3], [0, 8, 3], [4, 8, 3]]


def test_errors_say_what_is_wrong():
    with pytest.raises(ValueError, match="step must be above 0; given 0"):
        chance_of_equal_run([2], within_sd=1, between_sd=1, step=0)
    with pytest.raises(ValueError, match="standard deviations must be 0 or more"):
        chance_of_match([2], within_sd=-1, between_sd=1, outer_sd=1, step=1)
    with pytest.raises(ValueError, match="each spot must hold one value or more"):
        chance_of_equal_run([], within_sd=1, between_sd=1, step=1)
    with pytest.raises(ValueError, match="each value must have its series"):
        equal_runs([1, 2], series=[0])
    with pytest.raises(ValueError, match="at_least must be 2 or more; given 1"):
        matching_stretches([1], series=[0], at_least=1)
