"""Posterior draws, against closed forms, a reference library and their own calibration."""

import numpy as np
import pytest
from scipy.stats import chi2, kstest, t

from auditkit.stats.posterior_draws import draw_excess_variance, draw_nested, draw_sd


def flat(values, **options):
    given = {
        "group": np.zeros(values.shape[1], dtype=int),
        "readings": np.ones(values.shape[1]),
        "place_sd": 1.0,
        "reading_sd": 0.0,
        "fit_population": False,
        "rng": np.random.default_rng(1),
    }
    return draw_nested(values, **{**given, **options})


def test_sd_is_scaled_inverse_chi_square():
    drawn = draw_sd(3.0, df=7, draws=20_000, rng=np.random.default_rng(1))
    assert kstest(7 * 9.0 / drawn**2, chi2(7).cdf).pvalue > 0.01
    assert draw_sd(3.0, df=np.inf, draws=2, rng=np.random.default_rng(1)).tolist() == [3.0, 3.0]


def test_mean_of_few_places_with_estimated_spread_is_students_t():
    # flat prior on mean, inverse chi-square on variance: (mean - true) / (s / sqrt n) is t on n - 1 (Box & Tiao 1973)
    rng = np.random.default_rng(2)
    values = np.array([60.0, 66.0, 57.0, 63.0])
    sds = draw_sd(float(values.std(ddof=1)), df=3, draws=20_000, rng=rng)
    drawn = flat(np.tile(values, (20_000, 1)), place_sd=sds, rng=rng)
    standardised = (drawn.group_means[:, 0] - values.mean()) / (values.std(ddof=1) / 2)
    assert kstest(standardised, t(3).cdf).pvalue > 0.01


def test_place_is_drawn_between_its_group_and_its_readings():
    # known spreads: place precision-weighted, variance of the place given all data by linear algebra
    values, place_sd, reading_sd = np.array([50.0, 60.0, 70.0]), 4.0, 3.0
    count = np.array([1.0, 3.0, 2.0])
    drawn = flat(
        np.tile(values, (60_000, 1)),
        readings=count,
        place_sd=place_sd,
        reading_sd=reading_sd,
        rng=np.random.default_rng(3),
    )
    # independent: joint normal of (mean, places), flat mean, precision matrix inverted
    precision = np.zeros((4, 4))
    precision[0, 0] = 3 / place_sd**2
    precision[0, 1:] = precision[1:, 0] = -1 / place_sd**2
    precision[1:, 1:] = np.diag(1 / place_sd**2 + count / reading_sd**2)
    covariance = np.linalg.inv(precision)
    mean = covariance @ np.concatenate([[0.0], values * count / reading_sd**2])
    both = np.column_stack([drawn.group_means, drawn.places])
    assert both.mean(axis=0) == pytest.approx(mean, abs=0.06)
    assert np.cov(both.T) == pytest.approx(covariance, abs=0.15)


def test_groups_are_drawn_towards_their_population():
    # 300 groups: the pull is close to t^2 / (t^2 + v), 25 / (25 + 16/4)
    rng = np.random.default_rng(4)
    truth = rng.normal(60, 5, 300)
    values = truth[:, None] + rng.normal(0, 4, (300, 4))
    drawn = draw_nested(
        np.tile(values.reshape(-1), (800, 1)),
        group=np.repeat(np.arange(300), 4),
        readings=np.ones(1200),
        place_sd=4.0,
        reading_sd=0.0,
        fit_population=True,
        rng=rng,
    )
    measured = values.mean(axis=1)
    pull = np.polyfit(measured - measured.mean(), drawn.group_means.mean(axis=0), 1)[0]
    assert pull == pytest.approx(1 - 4 / measured.var(ddof=1), abs=0.01)
    assert (drawn.population_mean, drawn.population_sd) == pytest.approx((60, 5), abs=0.7)
    assert drawn.prior == "normal, fitted to the groups"
    assert drawn.places == pytest.approx(np.tile(values.reshape(-1), (800, 1)))


@pytest.mark.parametrize("population_sd", [0.5, 5.0])
def test_true_groups_lie_evenly_among_their_draws(population_sd):
    # rank of the truth among the draws is uniform if the draws are calibrated
    rng = np.random.default_rng(5)
    ranks = []
    for _ in range(150):
        truth = rng.normal(60, population_sd, 8)
        places = np.repeat(truth, 4) + rng.normal(0, 3, 32)
        values = places + rng.normal(0, 1, 32)
        drawn = draw_nested(
            np.tile(values, (200, 1)),
            group=np.repeat(np.arange(8), 4),
            readings=np.ones(32),
            place_sd=3.0,
            reading_sd=1.0,
            fit_population=True,
            rng=rng,
        )
        ranks.append((drawn.group_means < truth).mean(axis=0)[0])
    classes = np.histogram(ranks, bins=5, range=(0, 1))[0]
    # where groups hardly differ the prior is wider than the truth: the truth lies more often in the middle
    outer = classes[[0, 4]].sum() / 150
    assert outer <= 0.4 + 3.5 * np.sqrt(0.24 / 150)
    if population_sd > 3:
        assert chi2.sf(((classes - 30) ** 2 / 30).sum(), 4) > 0.005


def test_two_groups_whose_spread_is_given_follow_the_closed_form():
    # t^2 = 4, v = 1, m flat: group = m + 0.8 (y - m) and its variance 0.8 v + 0.2^2 (t^2 + v)/2; Gelman et al., 5.4
    drawn = draw_nested(
        np.tile([58.0, 62.0], (40_000, 1)),
        group=[0, 1],
        readings=[1, 1],
        place_sd=1.0,
        reading_sd=0.0,
        fit_population=False,
        rng=np.random.default_rng(3),
        group_variance=np.full(40_000, 4.0),
    )
    assert drawn.group_means.mean(axis=0) == pytest.approx([58.4, 61.6], abs=0.02)
    assert drawn.group_means.var(axis=0) == pytest.approx([0.9, 0.9], abs=0.03)
    assert (drawn.population_sd, drawn.prior) == (2.0, "normal, its spread given")
    with pytest.raises(ValueError, match=r"group_variance must be 0 or more, one a draw \(2\)"):
        flat(np.full((2, 3), 60.0), group_variance=np.array([1.0, -1.0]))


def test_excess_variance_is_never_below_zero_and_is_plain_without_noise():
    rng = np.random.default_rng(6)
    assert (draw_excess_variance(1.0, df=10, noise=np.full(1000, 5.0), rng=rng) >= 0).all()
    assert (draw_excess_variance(0.0, df=10, noise=np.full(10, 5.0), rng=rng) == 0).all()
    plain = draw_excess_variance(40.0, df=10, noise=np.zeros(20_000), rng=rng)
    assert kstest(40.0 / plain, chi2(10).cdf).pvalue > 0.01


def test_inputs_are_left_unchanged():
    values = np.full((5, 2), 60.0)
    flat(values)
    assert (values == 60.0).all()


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"group": [0]}, "measured must have a row a draw and a column a place"),
        ({"group": [0, 2]}, "group must number the groups from 0 on, each with at least one place"),
        ({"readings": [1, 0]}, "readings must be 1 or more at every place"),
        ({"place_sd": -1.0}, "place_sd and reading_sd must be 0 or more"),
        ({"fit_population": True}, "a population can be fitted to three groups or more; given 1"),
    ],
)
def test_what_cannot_be_is_refused(options, message):
    with pytest.raises(ValueError, match=message):
        flat(np.full((5, 2), 60.0), **options)


def test_spreads_that_cannot_be_are_refused():
    rng = np.random.default_rng(1)
    with pytest.raises(ValueError, match="sd must be 0 or more, df and draws above 0; given -1, 3 and 5"):
        draw_sd(-1, df=3, draws=5, rng=rng)
    with pytest.raises(ValueError, match="sum_of_squares and noise must be 0 or more, and df above 0"):
        draw_excess_variance(-1.0, df=3, noise=np.ones(2), rng=rng)
