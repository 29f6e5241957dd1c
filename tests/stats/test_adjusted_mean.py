"""Adjusted means: by hand, against statsmodels' mixed model, and limits that hold with few clusters."""

import warnings

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.adjusted_mean import adjusted_mean


def measured(seed, clusters=8, each=10, slope=3.0, between=2.0):
    rng = np.random.default_rng(seed)
    g = np.repeat(np.arange(clusters), each)
    shape = rng.integers(0, 3, len(g))
    x = rng.random(len(g)) + 0.3 * rng.normal(size=clusters)[g]
    y = 60 + slope * x + 4 * shape + between * rng.normal(size=clusters)[g] + 3 * rng.normal(size=len(g))
    return pd.DataFrame({"g": "J" + pd.Series(g).astype(str), "x": x, "shape": pd.Series(shape).map(str), "y": y})


def test_balanced_two_groups_by_hand():
    # Each cluster has one value of each kind: the difference of means, with the t of the paired test.
    from scipy.stats import ttest_rel

    low, high = np.array([50.0, 55, 61, 48, 57, 60]), np.array([58.0, 60, 66, 59, 61, 70])
    frame = pd.DataFrame({"y": np.r_[low, high], "far": [0] * 6 + [1] * 6, "g": list("abcdef") * 2})
    found = adjusted_mean(frame, outcome="y", exposure="far", cluster="g")
    paired = ttest_rel(high, low)
    interval = paired.confidence_interval()
    assert found.difference == pytest.approx((high - low).mean())
    assert found.df == 5
    assert (found.low, found.high) == (pytest.approx(interval.low, rel=1e-4), pytest.approx(interval.high, rel=1e-4))
    assert found.p == pytest.approx(paired.pvalue, rel=1e-3)


def test_agrees_with_statsmodels_mixed_model():
    import statsmodels.formula.api as smf

    frame = measured(1)
    ours = adjusted_mean(frame, outcome="y", exposure="x", adjust=["shape"], cluster="g")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = smf.mixedlm("y ~ x + C(shape)", frame, groups=frame["g"]).fit(reml=True)
    assert ours.difference == pytest.approx(theirs.params["x"], rel=1e-3)
    assert ours.within_sd == pytest.approx(theirs.scale**0.5, rel=1e-3)
    assert ours.between_sd == pytest.approx(float(theirs.cov_re.iloc[0, 0]) ** 0.5, rel=1e-2)
    from scipy.stats import t

    error = (ours.high - ours.low) / 2 / t.isf(0.025, ours.df)
    assert error == pytest.approx(theirs.bse["x"], rel=1e-2)
    assert ours.df == 80 - 8 - 3  # observations less clusters less x and two shapes


@pytest.mark.parametrize("between", [0.0, 2.0])
def test_limits_keep_their_promise(between):
    held = sum(
        found.low <= 3.0 <= found.high
        for found in (
            adjusted_mean(
                measured(seed, clusters=5, each=6, between=between),
                outcome="y",
                exposure="x",
                adjust=["shape"],
                cluster="g",
            )
            for seed in range(100)
        )
    )
    assert 0.88 <= held / 100 <= 0.995


def test_what_repeats_others_is_left_out():
    frame = measured(2).assign(twin=lambda f: f["shape"] + "x", one="k")
    plain = adjusted_mean(frame, outcome="y", exposure="x", adjust=["shape"], cluster="g")
    more = adjusted_mean(frame, outcome="y", exposure="x", adjust=["shape", "twin", "one"], cluster="g")
    assert more.difference == pytest.approx(plain.difference)
    assert more.df == plain.df


def test_an_exposure_between_clusters_has_the_clusters_as_its_units():
    frame = measured(3).assign(x=lambda f: f["g"].isin(["J0", "J1", "J2"]).astype(float))
    found = adjusted_mean(frame, outcome="y", exposure="x", cluster="g")
    assert found.df == 8 - 2


def test_row_order_gaps_and_input():
    frame = measured(4)
    frame.loc[7, "y"] = np.nan
    before = frame.copy()
    model = {"outcome": "y", "exposure": "x", "adjust": ["shape"], "cluster": "g", "missing": "exclude"}
    found, turned = adjusted_mean(frame, **model), adjusted_mean(frame.iloc[::-1], **model)
    assert found.difference == pytest.approx(turned.difference, rel=1e-6)
    assert (found.n, found.excluded, found.clusters) == (79, 1, 8)
    pd.testing.assert_frame_equal(frame, before)


def test_what_is_refused():
    frame = measured(5)
    with pytest.raises(ValueError, match="x must vary where all that is adjusted for is equal; it does not"):
        adjusted_mean(
            frame.assign(x=(frame["shape"] == "1").astype(float)),
            outcome="y",
            exposure="x",
            adjust=["shape"],
            cluster="g",
        )
    with pytest.raises(
        ValueError, match="5 observations or more beyond coefficients and clusters are needed; 1 are left"
    ):
        adjusted_mean(frame.head(11).iloc[[0, 1, 2, 10]], outcome="y", exposure="x", cluster="g")
