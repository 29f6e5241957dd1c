"""Life draws: the probability with all doubt about the life, against the one with none and against brute force."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.frailty import fit_group_lives
from auditkit.stats.life_draws import draw_lives, probability_failed_over
from auditkit.stats.weibull import Weibull, fit_weibull, life_quantile, probability_failed, survival_at

AGES = np.random.default_rng(61).weibull(2.0, 60) * 50.0
FIT = fit_weibull(pd.DataFrame({"last_good": AGES, "first_bad": AGES}))


def test_one_draw_is_the_life_itself():
    draws = pd.DataFrame({"weight": [1.0], "scale": [40.0], "shape": [1.7]})
    asked = {"last_good": [10.0, 10.0, 0.0, 25.0], "first_bad": [60.0, np.inf, 30.0, 26.0]}
    ages = [20.0, 45.0, 30.0, 20.0]
    told = probability_failed_over(draws, ages, **asked)
    alone = probability_failed(ages, **asked, life=Weibull(scale=40.0, shape=1.7))
    for column in ("estimate", "low", "high"):
        assert told[column].to_numpy() == pytest.approx(alone)
    assert told["estimate"].tolist()[2:] == [1.0, 0.0]


def test_mean_and_quantiles_over_weighted_draws():
    """Of five constant hazards: S(10) = exp(-10 / scale), worked by hand."""
    scales = np.array([10.0, 20.0, 30.0, 40.0, 50.0])
    weight = np.array([0.15, 0.2, 0.3, 0.2, 0.15])
    draws = pd.DataFrame({"weight": weight, "scale": scales, "shape": 1.0})
    shares = 1 - np.exp(-10.0 / scales)
    told = probability_failed_over(draws, 10.0, last_good=0.0, first_bad=np.inf, confidence=0.8).iloc[0]
    assert told["estimate"] == pytest.approx(weight @ shares)
    assert (told["low"], told["high"]) == pytest.approx((shares[4], shares[0]))


def test_draws_of_one_life_carry_the_fit_s_own_limits():
    """The delta method of Meeker and Escobar (1998) 8.4 rests on the same normal limit, made straight."""
    draws = draw_lives(FIT, n=4096)
    assert draws["weight"].sum() == pytest.approx(1.0)
    log_scale, log_sigma = np.log(draws["scale"]), -np.log(draws["shape"])
    assert np.cov(log_scale, log_sigma) == pytest.approx(np.array(FIT.covariance), rel=0.03, abs=1e-5)
    told = probability_failed_over(draws, 30.0, last_good=0.0, first_bad=np.inf).iloc[0]
    good = survival_at(FIT, age=30.0)
    assert (1 - told["high"], 1 - told["low"]) == pytest.approx((good.low, good.high), abs=0.015)
    tenth = draws["scale"] * (-np.log(0.9)) ** (1 / draws["shape"])
    limits = life_quantile(FIT, failed_share=0.1)
    assert tenth.quantile([0.025, 0.975]).tolist() == pytest.approx([limits.low, limits.high], rel=0.03)


def test_draws_of_groups_average_to_the_groups_own_figures():
    rng = np.random.default_rng(62)
    unit = np.repeat(["a", "b", "c"], 12)
    ages = 30 * (rng.exponential(size=36) / np.repeat([0.4, 1.0, 2.0], 12)) ** 0.5
    fit = fit_group_lives(pd.DataFrame({"unit": unit, "last_good": ages, "first_bad": ages}), group="unit")
    draws = fit.draws.assign(log_scale=np.log(fit.draws["scale"]))
    by = draws.groupby("group")
    assert by["weight"].sum().to_numpy() == pytest.approx(np.ones(3))
    mean = (draws["log_scale"] * draws["weight"]).groupby(draws["group"]).sum()
    assert np.exp(mean.to_numpy()) == pytest.approx(fit.groups["scale"].to_numpy(), rel=0.01)
    assert mean.is_monotonic_decreasing
    spread = by["log_scale"].std()
    assert (spread > 0.05).all()


def test_cannot_tell_has_no_draws_and_wrong_ages_are_refused():
    frame = pd.DataFrame({"unit": ["a", "b"], "last_good": [3.0, 4.0], "first_bad": [np.inf, np.inf]})
    none = fit_group_lives(frame, group="unit").draws
    assert none.empty
    with pytest.raises(ValueError, match="at least one draw is needed; given none"):
        probability_failed_over(none, 1.0, last_good=0.0, first_bad=2.0)
    with pytest.raises(ValueError, match="a fitted life is needed; this fit cannot tell: no failure among 2 items"):
        draw_lives(fit_weibull(frame))
    with pytest.raises(ValueError, match="n must be 1 or more; given 0"):
        draw_lives(FIT, n=0)
    with pytest.raises(ValueError, match="last_good finite and not after first_bad"):
        probability_failed_over(draw_lives(FIT), 1.0, last_good=3.0, first_bad=2.0)


def test_a_bracket_before_any_hazard_to_speak_of_still_has_a_place_in_it():
    draws = pd.DataFrame({"weight": [1.0], "scale": [1e6], "shape": [80.0]})
    told = probability_failed_over(draws, [1.0, 3.0], last_good=0.0, first_bad=[4.0, np.inf])
    assert told["estimate"].tolist() == [0.25, 0.0]


def test_a_failure_seen_at_one_moment_is_no_division_by_nothing():
    draws = pd.DataFrame({"weight": [1.0], "scale": [50.0], "shape": [2.0]})
    told = probability_failed_over(draws, [2.0, 3.0, 4.0], last_good=3.0, first_bad=3.0)
    assert told["estimate"].tolist() == [0.0, 1.0, 1.0]
