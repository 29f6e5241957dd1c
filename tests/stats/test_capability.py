"""Capability: published indices, and limits that keep their promise."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.capability import capability, cpk_limits
from auditkit.stats.capability_indices import capability_indices, quantile_capability

VOLUMES = [
    *(755.81, 750.54, 751.05, 749.52, 749.21, 748.38, 748.11, 753.07, 749.56, 750.08),
    *(747.16, 747.53, 749.22, 746.76, 747.64, 750.46, 749.27, 750.33, 750.26, 751.29),
]


def grouped(rng: np.random.Generator, groups: int, size: int, between: float, within: float = 1.0) -> pd.DataFrame:
    y = rng.normal(0, math.sqrt(between), (groups, 1)) + rng.normal(0, math.sqrt(within), (groups, size))
    return pd.DataFrame({"g": np.repeat(np.arange(groups), size), "y": y.ravel()})


def estimates(result) -> pd.Series:
    return result.indices.set_index("index")["estimate"]


def test_nist_indices():
    # NIST/SEMATECH e-Handbook 6.1.6 [seen]
    found = capability_indices(16, 2, lower=8, upper=20)
    assert (found.cp, found.k, found.cpk) == pytest.approx((1.0, 0.3333, 0.6667), abs=5e-5)
    assert (found.cpu, found.cpl) == pytest.approx((0.6667, 1.3333), abs=5e-5)
    assert found.cpk == pytest.approx(found.cp * (1 - found.k))


def test_volumes():
    # CRAN package SixSigma, tests [seen]
    result = capability(pd.DataFrame({"y": VOLUMES}), response="y", spread="overall", lower=740, upper=760)
    assert estimates(result)[["Pp", "Ppk"]].tolist() == pytest.approx([1.58413633507089, 1.54651309711296], rel=1e-13)
    assert result.n == 20
    assert result.groups == 0


def test_pp_limits_are_chi_square():
    from scipy.stats import chi2

    row = capability(pd.DataFrame({"y": VOLUMES}), response="y", spread="overall", lower=740, upper=760).indices.iloc[0]
    expected = [1.58413633507089 * math.sqrt(chi2.ppf(p, 19) / 19) for p in (0.025, 0.975)]
    assert [row["low"], row["high"]] == pytest.approx(expected)


def test_bissell_limits_from_the_printed_formula():
    # Bissell (1990): Cpk +- z sqrt(1/(9n) + Cpk^2/(2(n-1)))
    low, high = cpk_limits(1.5, n_effective=40, df=39)
    reach = 1.959964 * math.sqrt(1 / 360 + 2.25 / 78)
    assert (float(low), float(high)) == pytest.approx((1.5 - reach, 1.5 + reach), abs=1e-6)


def test_cpm_falls_with_the_distance_from_the_target():
    # Taguchi index: (U - L) / (6 sqrt(s^2 + (mean - T)^2))
    found = capability_indices(16, 2, lower=8, upper=20, target=14)
    assert found.cpm == pytest.approx(12 / (6 * math.sqrt(8)))


def test_one_limit_gives_one_index():
    result = capability(pd.DataFrame({"y": VOLUMES}), response="y", spread="overall", lower=740)
    assert result.indices["index"].tolist() == ["Ppl", "Ppk"]
    assert estimates(result)["Ppk"] == estimates(result)["Ppl"]


def test_which_standard_deviation_is_said_and_matters():
    frame = grouped(np.random.default_rng(1), 12, 4, between=4.0)
    settings = {"response": "y", "group": "g", "lower": -8, "upper": 8}
    within, total = (capability(frame, spread=s, **settings) for s in ("within", "between+within"))
    assert within.indices["index"].tolist() == ["Cp", "Cpl", "Cpu", "Cpk"]
    assert total.indices["index"].tolist() == ["Pp", "Ppl", "Ppu", "Ppk"]
    pooled = math.sqrt(frame.groupby("g")["y"].var().mean())
    assert within.sd == pytest.approx(pooled)
    between = frame.groupby("g")["y"].mean().var() - pooled**2 / 4
    assert total.sd == pytest.approx(math.sqrt(between + pooled**2))
    assert total.n_effective < 20 < total.n


@pytest.mark.parametrize("n", [30, 100])
def test_limits_of_independent_observations_keep_their_promise(n):
    # true Pp 1.5 (limits -3.5, 5.5 about 0, sd 1), Ppk 3.5/3; 2 000 data sets, 95 %
    from scipy.stats import chi2

    rng = np.random.default_rng(2)
    y = rng.normal(0, 1, (2000, n))
    sd = y.std(axis=1, ddof=1)
    ppk = np.minimum(y.mean(axis=1) + 3.5, 5.5 - y.mean(axis=1)) / (3 * sd)
    low, high = cpk_limits(ppk, n_effective=n, df=n - 1)
    assert 0.93 <= ((low <= 3.5 / 3) & (high >= 3.5 / 3)).mean() <= 0.97
    low, high = (1.5 / sd * math.sqrt(chi2.ppf(p, n - 1) / (n - 1)) for p in (0.025, 0.975))
    assert 0.93 <= ((low <= 1.5) & (high >= 1.5)).mean() <= 0.97


@pytest.mark.parametrize(("groups", "between"), [(20, 1.0), (20, 4.0), (12, 1.0)])
def test_limits_of_grouped_observations_keep_their_promise(groups, between):
    # groups of 5, within 1, limits 3.5 below and 5.5 above the mean in standard deviations / sqrt 2;
    # 2 000 data sets, 95 %; the arithmetic is held to the public function in the test below
    total = 1.0 + between
    below, above = 3.5 * math.sqrt(total / 2), 5.5 * math.sqrt(total / 2)
    truth = {"Pp": (below + above) / (6 * math.sqrt(total)), "Ppk": below / (3 * math.sqrt(total))}
    rng = np.random.default_rng(3)
    y = rng.normal(0, math.sqrt(between), (2000, groups, 1)) + rng.normal(0, 1, (2000, groups, 5))
    for name, (low, high) in grouped_limits(y, -below, above).items():
        assert 0.93 <= ((low <= truth[name]) & (truth[name] <= high)).mean() <= 0.97, name


def test_trap_grouped_observations_taken_as_independent():
    # 20 groups of 5, equal components: the plain standard deviation promises 95 % and covers Pp in about 83 %
    from scipy.stats import chi2

    rng = np.random.default_rng(3)
    y = (rng.normal(0, 1, (2000, 20, 1)) + rng.normal(0, 1, (2000, 20, 5))).reshape(2000, 100)
    truth = 9 / (6 * math.sqrt(2))
    pp = 9 / (6 * y.std(axis=1, ddof=1))
    low, high = (pp * math.sqrt(chi2.ppf(p, 99) / 99) for p in (0.025, 0.975))
    assert ((low <= truth) & (truth <= high)).mean() < 0.88


def test_public_function_gives_the_limits_that_were_simulated():
    frame = grouped(np.random.default_rng(12), 20, 5, between=1.0)
    y = frame["y"].to_numpy().reshape(1, 20, 5)
    result = capability(frame, response="y", spread="between+within", group="g", lower=-3.5, upper=5.5)
    rows = result.indices.set_index("index")
    for name, (low, high) in grouped_limits(y, -3.5, 5.5).items():
        assert (rows.loc[name, "low"], rows.loc[name, "high"]) == pytest.approx((low[0], high[0]))


def grouped_limits(y: np.ndarray, lower: float, upper: float) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Limits of Pp and Ppk by 'between+within' for many balanced data sets at once."""
    from auditkit.stats.mean_squares import modified_large_sample_limits

    _, a, n = y.shape
    group = y.mean(axis=2)
    mean = group.mean(axis=1)
    between_ms = n * ((group - mean[:, None]) ** 2).sum(axis=1) / (a - 1)
    within = ((y - group[..., None]) ** 2).sum(axis=(1, 2)) / (a * (n - 1))
    between = np.maximum((between_ms - within) / n, 0)
    total = between + within
    means, rest = between + within / n, within * (1 - 1 / n)
    df = total**2 / (means**2 / (a - 1) + rest**2 / (a * (n - 1)))
    ppk = np.minimum(mean - lower, upper - mean) / (3 * np.sqrt(total))
    low, high = modified_large_sample_limits(
        np.stack([between_ms, within], axis=-1), df=[a - 1, a * (n - 1)], coefficients=[1 / n, 1 - 1 / n]
    )
    return {
        "Pp": ((upper - lower) / (6 * np.sqrt(high)), (upper - lower) / (6 * np.sqrt(low))),
        "Ppk": cpk_limits(ppk, n_effective=total / (means / a), df=df),
    }


def test_cpm_limits_keep_their_promise():
    # 50 observations two standard deviations off the target; 500 data sets, 95 %
    rng = np.random.default_rng(4)
    truth = 8 / (6 * math.sqrt(5))
    hits = 0
    for _ in range(500):
        frame = pd.DataFrame({"y": rng.normal(2.0, 1, 50)})
        row = capability(frame, response="y", spread="overall", lower=-4, upper=4, target=0).indices.iloc[-1]
        assert row["index"] == "Cpm"
        hits += row["low"] <= truth <= row["high"]
    assert 0.92 <= hits / 500 <= 0.98


def test_quantile_method_is_the_normal_one_for_a_normal_spread():
    values = np.random.default_rng(5).normal(50, 2, 200_000)
    plain, by_quantile = (
        capability_indices(values.mean(), values.std(), lower=42, upper=60),
        quantile_capability(values, lower=42, upper=60, distribution="empirical"),
    )
    assert by_quantile.cp == pytest.approx(plain.cp, rel=0.02)
    assert by_quantile.cpk == pytest.approx(plain.cpk, rel=0.02)


def test_quantile_method_for_a_lognormal_spread():
    # true quantiles: exp(mu -+ 3 sigma) to three places
    rng = np.random.default_rng(6)
    found = quantile_capability(np.exp(rng.normal(4, 0.25, 20_000)), lower=20, upper=150, distribution="lognormal")
    median = math.exp(4)
    assert found.cpu == pytest.approx((150 - median) / (math.exp(4.75) - median), rel=0.03)
    assert found.cpl == pytest.approx((median - 20) / (median - math.exp(3.25)), rel=0.03)
    assert found.cpu != pytest.approx((150 - median) / (3 * 0.25 * median), rel=0.1)  # the normal formula is another


@pytest.mark.parametrize("distribution", ["gamma", "weibull"])
def test_other_fitted_distributions_agree_with_their_own_quantiles(distribution):
    from scipy import stats

    family = {"gamma": stats.gamma(9, scale=8), "weibull": stats.weibull_min(3, scale=80)}[distribution]
    values = family.rvs(20_000, random_state=np.random.default_rng(7))
    found = quantile_capability(values, upper=300, distribution=distribution)
    _, median, high = family.ppf([0.00135, 0.5, 0.99865])
    assert found.cpk == pytest.approx((300 - median) / (high - median), rel=0.03)


def test_row_order_does_not_matter_and_input_stays():
    frame = grouped(np.random.default_rng(8), 6, 4, between=1.0)
    kept = frame.copy()
    settings = {"response": "y", "group": "g", "spread": "between+within", "lower": -5}
    one = capability(frame, **settings).indices
    two = capability(frame.sample(frac=1.0, random_state=1), **settings).indices
    pd.testing.assert_frame_equal(one, two)
    pd.testing.assert_frame_equal(frame, kept)


def test_missing_values_are_counted():
    frame = pd.DataFrame({"y": [*VOLUMES, np.nan]})
    result = capability(frame, response="y", spread="overall", lower=740, missing="exclude")
    assert (result.n, result.excluded) == (20, 1)


def test_errors_say_what_is_wrong():
    frame = grouped(np.random.default_rng(9), 6, 4, between=1.0)
    with pytest.raises(ValueError, match="treats rows as independent, which rows of one group are not"):
        capability(frame, response="y", spread="overall", group="g", lower=0)
    with pytest.raises(ValueError, match="spread='within' needs the column of the groups"):
        capability(frame, response="y", spread="within", lower=0)
    with pytest.raises(ValueError, match=r"spread must be one of \['within', 'between\+within', 'overall'\]"):
        capability(frame, response="y", spread="total", lower=0)
    with pytest.raises(ValueError, match="a target needs spread='overall' and both limits"):
        capability(frame, response="y", spread="within", group="g", lower=0, target=1)
    with pytest.raises(ValueError, match="the overall spread of y is 0"):
        capability(frame.assign(y=1.0), response="y", spread="overall", lower=0)
    with pytest.raises(ValueError, match="give a lower limit, an upper limit, or both"):
        capability(frame, response="y", spread="overall")
    with pytest.raises(ValueError, match="lower limit must lie below the upper; given 3 and 1"):
        capability_indices(1, 1, lower=3, upper=1)
    with pytest.raises(ValueError, match="sd must be above 0; given 0"):
        capability_indices(1, 0, lower=0)
    with pytest.raises(ValueError, match="at least 1000 values are needed; given 20"):
        quantile_capability(VOLUMES, lower=740, distribution="empirical")
    with pytest.raises(ValueError, match="a gamma spread needs values above 0; the least given is -1"):
        quantile_capability([-1.0, *VOLUMES], lower=740, distribution="gamma")
    with pytest.raises(ValueError, match="distribution must be one of"):
        quantile_capability(VOLUMES, lower=740, distribution="normal")
