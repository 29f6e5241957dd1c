"""Pooled lives: the closed form of the literature, shrinkage by simulation, and what one group cannot say."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.special import gammaln

from auditkit.stats.frailty import _Marginal, fit_group_lives
from auditkit.stats.lifetimes import read_lives
from auditkit.stats.weibull import fit_weibull


def grouped(
    rng: np.random.Generator, *, groups: int, each: int, variance: float, until: float = 150.0
) -> tuple[pd.DataFrame, np.ndarray]:
    """Lives of known factors; those that outlast `until` are not seen to fail."""
    factors = rng.gamma(1 / variance, variance, groups) if variance else np.ones(groups)
    unit = np.repeat(np.arange(groups), each)
    ages = 100 * (rng.exponential(size=groups * each) / factors[unit]) ** 0.5
    frame = pd.DataFrame({"unit": unit, "last_good": np.minimum(ages, until)})
    return frame.assign(first_bad=np.where(ages <= until, ages, np.inf)), factors


def test_marginal_likelihood_and_factors_against_the_closed_form():
    """Duchateau & Janssen (2008) 2.2: with exact and right-censored lives both are known."""
    frame, _ = grouped(np.random.default_rng(31), groups=6, each=8, variance=0.5)
    fit = fit_group_lives(frame, group="unit")
    assert fit.variance > 0.01
    shape, scale, alpha = fit.life.shape, fit.life.scale, 1 / fit.variance
    hazard = ((frame["last_good"] / scale) ** shape).groupby(frame["unit"]).sum()
    failed = np.isfinite(frame["first_bad"])
    deaths = failed.groupby(frame["unit"]).sum()
    log_hazard = math.log(shape / scale) + (shape - 1) * np.log(frame["last_good"] / scale)
    closed = (
        log_hazard.where(failed, 0.0).groupby(frame["unit"]).sum()
        + alpha * math.log(alpha)
        - gammaln(alpha)
        + gammaln(alpha + deaths)
        - (alpha + deaths) * np.log(alpha + hazard)
    )
    at = np.array([math.log(scale), math.log(shape), math.log(fit.variance)])
    factors, by_group, shares = _Marginal(read_lives(frame), frame["unit"].to_numpy())._by_group(at)
    assert by_group == pytest.approx(closed.to_numpy(), abs=1e-3)
    assert shares @ factors == pytest.approx(((alpha + deaths) / (alpha + hazard)).to_numpy(), rel=1e-3)


def test_pooling_beats_going_alone_and_ignoring_groups():
    """Error of each group's share still good at 60: less than of its own fit, and of one fit for all."""
    rng = np.random.default_rng(32)

    def good(scale: float, shape: float) -> float:
        return math.exp(-((60 / scale) ** shape))

    pooled, alone, together, covered = [], [], [], []
    for _ in range(10):
        frame, factors = grouped(rng, groups=10, each=5, variance=0.5)
        truth = np.exp(-(0.6**2) * factors)
        fit = fit_group_lives(frame, group="unit")
        one = fit_weibull(frame).life
        own = [fit_weibull(rows).life for _, rows in frame.groupby("unit")]
        pooled.append(np.exp(-((60 / fit.groups["scale"]) ** fit.groups["shape"])) - truth)
        together.append(good(one.scale, one.shape) - truth)
        alone.append([np.nan if life is None else good(life.scale, life.shape) for life in own] - truth)
        covered.append((fit.groups["low"] <= factors) & (factors <= fit.groups["high"]))
    error, of_alone, of_all = (float(np.sqrt(np.nanmean(np.square(e)))) for e in (pooled, alone, together))
    assert error < 0.85 * of_alone
    assert error < 0.85 * of_all
    assert 0.90 < np.mean(covered) < 0.99


def test_a_group_with_little_history_stays_near_the_rest():
    frame, _ = grouped(np.random.default_rng(33), groups=8, each=20, variance=0.6)
    newcomer = pd.DataFrame({"unit": [99], "last_good": [20.0], "first_bad": [20.0]})
    groups = fit_group_lives(pd.concat([frame, newcomer]), group="unit").groups.set_index("group")
    own = 1 / (20.0 / 100) ** 2  # a factor that would make 20 the expected cumulative hazard of 1
    assert 1 < groups.loc[99, "factor"] < own / 5
    assert groups.loc[99, "high"] - groups.loc[99, "low"] > (groups["high"] - groups["low"]).drop(99).median()


def test_brackets_say_what_exact_ages_say():
    frame, _ = grouped(np.random.default_rng(34), groups=5, each=20, variance=0.6)
    failed = np.isfinite(frame["first_bad"])
    narrow = frame.assign(
        last_good=np.where(failed, frame["last_good"] * 0.999, frame["last_good"]), first_bad=frame["first_bad"] * 1.001
    )
    exact, bracketed = fit_group_lives(frame, group="unit"), fit_group_lives(narrow, group="unit")
    assert bracketed.groups["factor"].to_numpy() == pytest.approx(exact.groups["factor"].to_numpy(), rel=5e-3)
    assert bracketed.life.shape == pytest.approx(exact.life.shape, rel=5e-3)


def test_alike_groups_are_seldom_told_apart():
    """Without a difference p falls under 0.05 about once in twenty; half the time no variance is seen at all."""
    rng = np.random.default_rng(35)
    samples = [grouped(rng, groups=6, each=10, variance=0.0)[0] for _ in range(14)]
    fits = [fit_group_lives(sample, group="unit") for sample in samples]
    assert sum(fit.p_value < 0.05 for fit in fits) <= 3
    same = [fit for fit in fits if fit.variance == 0]
    assert [fit.life for fit in same] == [
        fit_weibull(sample).life for sample, fit in zip(samples, fits, strict=True) if fit.variance == 0
    ]
    assert len(same) >= 3
    assert np.mean([fit.p_value for fit in fits if fit.variance > 0]) == pytest.approx(
        0.25, abs=0.13
    )  # even on 0 to 0.5
    assert np.mean([np.abs(np.log(fit.groups["factor"])).mean() for fit in same]) < 0.12
    assert same[0].notes == ("no difference between groups was seen: their factors stay near 1",)


def test_names_and_order_of_groups_do_not_matter():
    frame, _ = grouped(np.random.default_rng(36), groups=4, each=8, variance=0.8)
    renamed = frame.assign(unit=frame["unit"].map({0: "d", 1: "c", 2: "b", 3: "a"})).iloc[::-1]
    before = frame.copy()
    factors = fit_group_lives(frame, group="unit").groups["factor"].to_numpy()
    assert fit_group_lives(renamed, group="unit").groups["factor"].to_numpy()[::-1] == pytest.approx(factors, rel=1e-4)
    pd.testing.assert_frame_equal(frame, before)


def test_cannot_tell_and_refusals():
    frame = pd.DataFrame({"unit": ["a", "b"], "last_good": [3.0, 4.0], "first_bad": [np.inf, np.inf]})
    fit = fit_group_lives(frame, group="unit")
    assert (fit.verdict, fit.life, fit.p_value) == ("cannot tell", None, None)
    assert fit.groups[["factor", "scale"]].isna().all(axis=None)
    with pytest.raises(ValueError, match=r"unit must hold two groups or more; given \['a'\]"):
        fit_group_lives(frame.head(1), group="unit")
