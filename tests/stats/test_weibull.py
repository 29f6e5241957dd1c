"""Weibull lives: published fits, a second library for every censoring, and promises held by simulation."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import CensoredData, weibull_min

from auditkit.stats.weibull import (
    Weibull,
    fit_weibull,
    life_quantile,
    mean_life,
    probability_failed,
    survival_at,
)

NIST_FAILURES = [55, 187, 216, 240, 244, 335, 361, 373, 375, 386]
SHOCK_FAILURES = [6700, 9120, 12200, 13150, 14300, 17520, 20100, 20900, 22700, 26510, 27490]
SHOCK_GOOD = (
    "6950 7820 8790 9660 9820 11310 11690 11850 11880 12140 12870 13330 13470 14040 17540 17890 18450 18960 18980 "
    "19410 20100 20150 20320 23490 27410 27890 28100"
)


def lives(*pairs: tuple[float, float]) -> pd.DataFrame:
    return pd.DataFrame(pairs, columns=["last_good", "first_bad"], dtype=float)


def nist() -> pd.DataFrame:
    """NIST/SEMATECH e-Handbook 8.4.1."""
    return lives(*[(t, t) for t in NIST_FAILURES], *[(500, np.inf)] * 10)


def shock_absorbers() -> pd.DataFrame:
    """Meeker & Escobar (1998), Statistical Methods for Reliability Data, shock absorber data, km."""
    return lives(*[(t, t) for t in SHOCK_FAILURES], *[(float(t), np.inf) for t in SHOCK_GOOD.split()])


def inspected(rng: np.random.Generator, life: Weibull, n: int, *, every: float, until: float) -> pd.DataFrame:
    """Lives of known truth, each looked at on its own beat; with the true age at failure."""
    failed = life.scale * rng.weibull(life.shape, n)
    beat = rng.uniform(0.5, 1.5, n) * every
    good = np.minimum(np.floor(failed / beat), np.floor(until / beat)) * beat
    bad = np.where(failed <= np.floor(until / beat) * beat, good + beat, np.inf)
    return pd.DataFrame({"last_good": good, "first_bad": bad, "failed": failed})


def test_nist_as_printed():
    fit = fit_weibull(nist())
    assert fit.life.scale == pytest.approx(606.005, abs=0.0005)
    assert fit.life.shape == pytest.approx(1.72563, abs=0.000005)
    assert fit.log_likelihood == pytest.approx(-75.122, abs=0.0005)
    assert mean_life(fit.life) == pytest.approx(540.175, abs=0.0005)


def test_shock_absorbers_as_printed():
    fit = fit_weibull(shock_absorbers())
    assert math.log(fit.scale.estimate) == pytest.approx(10.2299, abs=0.00005)
    assert math.log(fit.scale.low) == pytest.approx(10.0144824, abs=2e-6)
    assert math.log(fit.scale.high) == pytest.approx(10.4452437, abs=2e-6)
    assert 1 / fit.shape.estimate == pytest.approx(0.3164, abs=0.00005)
    assert 1 / fit.shape.high == pytest.approx(0.2011036, abs=2e-6)
    assert 1 / fit.shape.low == pytest.approx(0.4978267, abs=2e-6)


def test_every_censoring_against_scipy():
    rng = np.random.default_rng(21)
    frame = inspected(rng, Weibull(scale=100, shape=1.8), 120, every=30, until=150)
    exact = rng.random(120) < 0.3
    frame.loc[exact, ["last_good", "first_bad"]] = frame.loc[exact, ["failed", "failed"]].to_numpy()
    left = frame["last_good"] == 0
    right = np.isinf(frame["first_bad"])
    between = ~exact & ~left & ~right
    assert min(exact.sum(), left.sum(), right.sum(), between.sum()) > 5
    data = CensoredData(
        uncensored=frame["failed"][exact],
        left=frame["first_bad"][left],
        right=frame["last_good"][right],
        interval=frame[["last_good", "first_bad"]][between].to_numpy(),
    )
    shape, _, scale = weibull_min.fit(data, floc=0)
    fit = fit_weibull(frame)
    assert fit.life.shape == pytest.approx(shape, rel=1e-3)
    assert fit.life.scale == pytest.approx(scale, rel=1e-3)


def test_limits_of_quantile_and_survival_agree_with_each_other():
    fit = fit_weibull(shock_absorbers())
    at_scale = life_quantile(fit, failed_share=-math.expm1(-1.0))
    assert (at_scale.estimate, at_scale.low) == pytest.approx((fit.scale.estimate, fit.scale.low))
    tenth = life_quantile(fit, failed_share=0.1)
    assert survival_at(fit, age=tenth.estimate).estimate == pytest.approx(0.9)
    still_good = survival_at(fit, age=fit.life.scale)  # there log(-log S) = shape (log t - mu) is 0 and as wide as mu
    assert still_good.estimate == pytest.approx(math.exp(-1))
    assert math.log(-math.log(still_good.low)) == pytest.approx(
        fit.life.shape * math.log(fit.scale.high / fit.life.scale)
    )
    # at any age (log t - mu) / sigma is as wide as mu + sigma z is at that z, over sigma
    at_tenth = survival_at(fit, age=tenth.estimate)
    width = fit.life.shape * math.log(tenth.high / tenth.estimate)
    assert math.log(math.log(at_tenth.low) / math.log(0.9)) == pytest.approx(width)


def test_profile_limits_of_the_shape_drop_the_likelihood_by_half_a_chi_square():
    frame = shock_absorbers()
    fit = fit_weibull(frame, interval="profile")
    failures, good = np.array(SHOCK_FAILURES, float), np.array(SHOCK_GOOD.split(), float)

    def profile(shape: float) -> float:
        # with exact and right-censored lives the best scale at a shape is known: mean of t^shape per failure
        every = np.concatenate([failures, good])
        scale = (np.sum(every**shape) / len(failures)) ** (1 / shape)
        return float(weibull_min.logpdf(failures, shape, scale=scale).sum() - np.sum((good / scale) ** shape))

    for limit in (fit.shape.low, fit.shape.high):
        assert fit.log_likelihood - profile(limit) == pytest.approx(3.841459 / 2, abs=1e-4)
    assert fit.shape.low < fit.shape.estimate < fit.shape.high


def test_limits_keep_their_promise():
    """300 samples of 40 items looked at now and then: 95 % limits cover in 92 to 98 %."""
    rng, life = np.random.default_rng(22), Weibull(scale=100, shape=2.0)
    held = np.zeros(4)
    for _ in range(300):
        fit = fit_weibull(inspected(rng, life, 40, every=30, until=120))
        early = life_quantile(fit, failed_share=0.1)
        good = survival_at(fit, age=60.0)
        held += [
            fit.scale.low <= 100 <= fit.scale.high,
            fit.shape.low <= 2 <= fit.shape.high,
            early.low <= 100 * (-math.log(0.9)) ** 0.5 <= early.high,
            good.low <= math.exp(-0.36) <= good.high,
        ]
    assert (held / 300 > 0.92).all(), held
    assert (held / 300 < 0.985).all(), held


def test_unit_of_time_and_row_order_do_not_matter():
    frame = shock_absorbers()
    fit, other = fit_weibull(frame), fit_weibull(frame.sample(frac=1, random_state=3) / 24_000)
    assert other.life.shape == pytest.approx(fit.life.shape, rel=1e-6)
    assert other.scale.low * 24_000 == pytest.approx(fit.scale.low, rel=1e-5)


def test_without_failures_no_number_is_given():
    fit = fit_weibull(lives((3, np.inf), (8, np.inf)))
    assert fit.verdict == "cannot tell"
    assert fit.life is fit.scale is fit.shape is fit.log_likelihood is None
    assert fit.reason.startswith("no failure among 2 items")
    with pytest.raises(ValueError, match="this fit cannot tell: no failure among 2 items"):
        life_quantile(fit, failed_share=0.1)
    with pytest.raises(ValueError, match="this fit cannot tell"):
        survival_at(fit, age=1.0)


def test_failures_that_fix_no_shape():
    assert "one single age" in fit_weibull(lives((4, 4), (2, np.inf))).reason
    # failed before 3, good at 5 and 9: more lived long than could have failed early under any growing hazard
    upside_down = fit_weibull(lives((0, 3), (0, 3), (5, np.inf), (9, np.inf)))
    assert (upside_down.verdict, upside_down.life) == ("cannot tell", None)
    assert "fix no Weibull life" in upside_down.reason


def test_few_failures_are_said():
    assert fit_weibull(lives((4, 4), (6, 6), (9, np.inf))).notes[0].startswith("few failures (2)")
    assert fit_weibull(nist()).notes == ()


def test_probability_failed_by_hand():
    life = Weibull(scale=10.0, shape=2.0)
    s = [math.exp(-((t / 10) ** 2)) for t in (4, 6, 9)]
    got = probability_failed([3, 6, 6, 9, 20], last_good=4, first_bad=[9, 9, np.inf, 9, 9], life=life)
    assert got == pytest.approx([0, (s[0] - s[1]) / (s[0] - s[2]), 1 - s[1] / s[0], 1, 1])
    assert probability_failed(5.0, last_good=7.0, first_bad=np.inf, life=life) == 0.0  # seen good later


def test_probability_failed_is_calibrated():
    """Fitted on 300 bracketed lives, read on 6 000 others: of those given p, a share p had failed."""
    rng, life = np.random.default_rng(23), Weibull(scale=100, shape=2.2)
    fit = fit_weibull(inspected(rng, life, 300, every=30, until=160))
    others = inspected(rng, life, 6000, every=60, until=160)
    end = np.where(np.isfinite(others["first_bad"]), others["first_bad"], others["last_good"] + 60)
    at = rng.uniform(others["last_good"], end)
    p = probability_failed(at, last_good=others["last_good"], first_bad=others["first_bad"], life=fit.life)
    seen = (others["failed"] <= at).to_numpy()
    for low in np.arange(0, 1, 0.1):
        here = (p >= low) & (p < low + 0.1)
        assert here.sum() > 100
        assert seen[here].mean() == pytest.approx(p[here].mean(), abs=0.06)
    assert seen.mean() == pytest.approx(p.mean(), abs=0.02)


def test_refusals():
    with pytest.raises(ValueError, match="scale must be a finite number above 0; given 0"):
        Weibull(scale=0, shape=1)
    with pytest.raises(ValueError, match="interval must be 'wald' or 'profile'; given 'exact'"):
        fit_weibull(nist(), interval="exact")
    with pytest.raises(ValueError, match="failed_share must lie strictly between 0 and 1; given 1"):
        life_quantile(fit_weibull(nist()), failed_share=1)
    with pytest.raises(ValueError, match="age must be a finite number above 0; given 0"):
        survival_at(fit_weibull(nist()), age=0)
    with pytest.raises(ValueError, match=r"ages must be 0 or more.*last_good .5.0.*first_bad .4.0"):
        probability_failed(1.0, last_good=5.0, first_bad=4.0, life=Weibull(scale=1, shape=1))
