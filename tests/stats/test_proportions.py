"""Intervals for proportions against Newcombe's tables, the reference library, and edges."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import confint_proportions_2indep, proportion_confint

from auditkit.stats.proportions import newcombe_difference, score_ratio, wilson


@pytest.mark.parametrize(
    ("count", "n", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_as_printed_by_newcombe(count, n, low, high):
    # Newcombe (1998), Statistics in Medicine 17, 857, Table I, method 3.
    share = wilson(count, n)
    assert (share.low, share.high) == pytest.approx((low, high), abs=5e-5)
    assert share.estimate == count / n
    assert share.n == n


def test_difference_as_printed_by_newcombe():
    # Newcombe (1998), Statistics in Medicine 17, 873, Table II, method 10.
    first = newcombe_difference(56, 70, 48, 80)
    assert (first.low, first.high) == pytest.approx((0.0524, 0.3339), abs=5e-5)
    second = newcombe_difference(5, 56, 0, 29)
    assert (second.low, second.high) == pytest.approx((-0.0381, 0.1926), abs=5e-5)


def test_ratio_as_printed_by_koopman():
    # Koopman (1984), Biometrics 40, 513: 36/40 against 16/80, 2.94 to 7.15 (from memory).
    ratio = score_ratio(36, 40, 16, 80)
    assert ratio.estimate == pytest.approx(4.5)
    assert (ratio.low, ratio.high) == pytest.approx((2.94, 7.15), abs=5e-3)


counts = st.integers(1, 60).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))


@given(counts, st.sampled_from([0.8, 0.95, 0.99]))
def test_wilson_agrees_with_statsmodels(pair, confidence):
    count, n = pair
    low, high = proportion_confint(count, n, alpha=1 - confidence, method="wilson")
    share = wilson(count, n, confidence=confidence)
    assert (share.low, share.high) == pytest.approx((low, high), abs=1e-12)


@given(counts, counts)
def test_difference_agrees_with_statsmodels_and_turns_round(one, two):
    low, high = confint_proportions_2indep(*one, *two, compare="diff", method="newcomb")
    difference = newcombe_difference(*one, *two)
    assert (difference.low, difference.high) == pytest.approx((low, high), abs=1e-9)
    other = newcombe_difference(*two, *one)
    assert (-other.high, -other.low) == pytest.approx((difference.low, difference.high), abs=1e-12)


@given(counts, counts)
def test_ratio_ends_lie_on_the_critical_value_and_turn_round(one, two):
    ratio, other = score_ratio(*one, *two), score_ratio(*two, *one)
    if not math.isnan(ratio.estimate):
        assert ratio.low <= ratio.estimate <= ratio.high
    assert ratio.low == pytest.approx(1 / other.high if other.high else math.inf, rel=1e-6)
    for end in (ratio.low, ratio.high):
        if 0 < end < math.inf:
            assert _constrained_statistic(end, *one, *two) == pytest.approx(1.959964**2, rel=1e-5)


def _constrained_statistic(ratio, x_1, n_1, x_2, n_2):
    """Return the score statistic with the constrained proportions found by brute force, without the closed form."""
    from scipy.optimize import minimize_scalar

    top = min(1.0, 1 / ratio)

    def loss(p_2):
        p_1 = ratio * p_2
        pairs = ((x_1, p_1), (n_1 - x_1, 1 - p_1), (x_2, p_2), (n_2 - x_2, 1 - p_2))
        return -sum(count * math.log(max(p, 1e-300)) for count, p in pairs if count)

    p_2 = minimize_scalar(loss, bounds=(0, top), method="bounded", options={"xatol": 1e-13}).x
    total = 0.0
    for x, n, p in ((x_1, n_1, ratio * p_2), (x_2, n_2, p_2)):
        if 1e-9 < p < 1 - 1e-9:
            total += (x - n * p) ** 2 / (n * p * (1 - p))
    return total


def test_ratio_agrees_with_statsmodels_away_from_the_edges():
    for one, two in (((15, 148), (30, 150)), ((8, 40), (21, 60)), ((3, 30), (4, 31))):
        low, high = confint_proportions_2indep(*one, *two, compare="ratio", method="score", correction=False)
        ratio = score_ratio(*one, *two)
        assert (ratio.low, ratio.high) == pytest.approx((low, high), rel=1e-5)


def test_ratio_with_empty_cells():
    none_in_first = score_ratio(0, 25, 6, 30)
    assert (none_in_first.estimate, none_in_first.low) == (0.0, 0.0)
    assert 0 < none_in_first.high < 1
    none_in_second = score_ratio(6, 30, 0, 25)
    assert none_in_second.low == pytest.approx(1 / none_in_first.high, rel=1e-9)
    assert (none_in_second.estimate, none_in_second.high) == (math.inf, math.inf)
    neither = score_ratio(0, 25, 0, 30)
    assert math.isnan(neither.estimate)
    assert (neither.low, neither.high) == (0.0, math.inf)


def test_ratio_where_all_succeed():
    # Only the second group can have failed: its statistic is n (ratio - 1), so the end is 1 + z2 / n.
    ratio = score_ratio(20, 20, 30, 30)
    assert ratio.estimate == 1
    assert ratio.high == pytest.approx(1 + 1.959964**2 / 30, rel=1e-6)
    assert 1 / ratio.low == pytest.approx(1 + 1.959964**2 / 20, rel=1e-6)


def test_more_confidence_is_wider():
    assert wilson(5, 40, confidence=0.99).high > wilson(5, 40, confidence=0.9).high
    assert score_ratio(5, 40, 9, 40, confidence=0.99).low < score_ratio(5, 40, 9, 40, confidence=0.9).low


def test_results_are_python_numbers():
    for interval in (wilson(5, 40), newcombe_difference(5, 40, 6, 50), score_ratio(5, 40, 6, 50)):
        assert {type(interval.estimate), type(interval.low), type(interval.high)} == {float}
        assert type(interval.n) is int


@pytest.mark.parametrize("bad", [(5, 4), (-1, 4), (0, 0), (1.5, 4)])
def test_impossible_counts(bad):
    message = f"0 <= count <= n and n >= 1; given {bad[0]} of {bad[1]}"
    for call in (wilson, lambda *pair: newcombe_difference(1, 2, *pair), lambda *pair: score_ratio(*pair, 1, 2)):
        with pytest.raises(ValueError, match=message):
            call(*bad)


def test_impossible_confidence():
    for call in (lambda: wilson(1, 2, confidence=95), lambda: score_ratio(1, 2, 1, 2, confidence=0)):
        with pytest.raises(ValueError, match="confidence must lie strictly between 0 and 1"):
            call()
