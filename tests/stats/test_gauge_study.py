"""Gauge studies: two published ones, the pooling rule, and limits that keep their promise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.gauge_study import gauge_study
from auditkit.stats.mean_squares import modified_large_sample_limits

# AIAG, Measurement Systems Analysis 4e (2010): 10 parts, 3 appraisers (|), 3 trials
AIAG = (
    ".29 .41 .64|.08 .25 .07|.04 -.11 -.15; -.56 -.68 -.58|-.47 -1.22 -.68|-1.38 -1.13 -.96; "
    "1.34 1.17 1.27|1.19 .94 1.34|.88 1.09 .67; .47 .50 .64|.01 1.03 .20|.14 .20 .11; "
    "-.80 -.92 -.84|-.56 -1.20 -1.28|-1.46 -1.07 -1.45; .02 -.11 -.21|-.20 .22 .06|-.29 -.67 -.49; "
    ".59 .75 .66|.47 .55 .83|.02 .01 .21; -.31 -.20 -.17|-.63 .08 -.34|-.46 -.56 -.49; "
    "2.26 1.99 2.01|1.80 2.12 2.19|1.77 1.45 1.87; -1.36 -1.25 -1.31|-1.68 -1.62 -1.50|-1.49 -1.77 -2.16"
)
# CRAN package SixSigma, tests: 3 prototypes, 3 operators, 3 readings
PROTOTYPES = (
    "1.27 .90 1.09|1.34 1.32 1.27|1.09 1.26 1.09; 1.12 1.09 1.15|1.24 1.00 1.14|1.48 1.15 1.15; "
    "1.73 1.28 1.77|1.64 1.65 1.77|1.64 1.44 1.68"
)


def study_frame(text: str) -> pd.DataFrame:
    rows = [
        (part, "ABC"[who], float(x))
        for part, line in enumerate(text.split(";"))
        for who, cell in enumerate(line.split("|"))
        for x in cell.split()
    ]
    return pd.DataFrame(rows, columns=["part", "who", "y"])


def study(text: str, **settings):
    return gauge_study(study_frame(text), response="y", part="part", operator="who", **settings)


def sds(result) -> pd.Series:
    return result.components.set_index("component")["sd"]


def test_aiag_analysis_of_variance():
    table = study(AIAG, pool_above=1.0).anova
    assert table["ss"].to_numpy() == pytest.approx([88.3619, 3.1673, 0.3590, 2.7589], abs=5e-5)
    assert table["df"].tolist() == [9, 2, 18, 60]
    assert table["f"][2] == pytest.approx(0.434, abs=5e-4)
    # parts and appraisers stand on the interaction where it is kept: 492.29 and 79.41, from memory
    assert table["f"].tolist()[:2] == pytest.approx([492.29, 79.41], abs=0.005)
    assert table["p"][2] == pytest.approx(0.974, abs=5e-4)


def test_aiag_pooled_study():
    result = study(AIAG)
    assert result.pooled
    assert result.anova.iloc[-1][["ss", "df"]].tolist() == pytest.approx([3.1179, 78], abs=5e-5)
    names = ["repeatability", "reproducibility", "gauge", "part"]
    # the printed .302373 is one too high in its last digit: the root of the sum of the other two's squares is .302372
    assert sds(result)[names].to_numpy() == pytest.approx([0.199933, 0.226838, 0.302373, 1.042327], abs=1.5e-6)
    assert sds(result)["total"] == pytest.approx(1.085, abs=5e-4)
    by_name = result.components.set_index("component")
    assert by_name.loc[names, "contribution_pct"].to_numpy() == pytest.approx([3.4, 4.4, 7.8, 92.2], abs=0.05)
    assert by_name.loc[names, "study_variation_pct"].to_numpy() == pytest.approx(
        [18.42, 20.90, 27.86, 96.04], abs=0.005
    )
    assert result.categories_ratio == pytest.approx(4.861, abs=5e-4)
    assert result.categories == 4
    assert result.categories_ratio != pytest.approx(2**0.5 * 1.042327 / 0.302373, abs=5e-3)  # trap: root of 2


def test_trap_unpooled_repeatability():
    # AIAG: without pooling EV is .214435, with it .199933
    assert sds(study(AIAG, pool_above=1.0))["repeatability"] == pytest.approx(0.214435, abs=5e-7)
    assert sds(study(AIAG))["repeatability"] != pytest.approx(0.214435, abs=5e-3)


def test_prototypes_study():
    result = study(PROTOTYPES)
    unpooled = study(PROTOTYPES, pool_above=1.0)
    assert unpooled.anova["ss"].to_numpy() == pytest.approx([1.2007, 0.0529, 0.0834, 0.3854], abs=5e-5)
    names = ["gauge", "repeatability", "reproducibility", "part", "total"]
    printed = [0.14792656, 0.14597518, 0.02394813, 0.25365123, 0.29363449]
    assert sds(result)[names].to_numpy() == pytest.approx(printed, abs=5e-9)
    shares = result.components.set_index("component")["contribution_pct"]
    assert shares[names[:4]].to_numpy() == pytest.approx([25.38, 24.71, 0.67, 74.62], abs=0.005)
    assert result.categories == 2


def test_pooling_rule_is_said_and_can_be_set():
    assert study(AIAG).notes[0] == ("the interaction has p 0.974, above 0.25, and was pooled into the repeatability")
    kept = study(AIAG, pool_above=0.98)
    assert not kept.pooled
    assert kept.notes[0] == "the interaction has p 0.974, not above 0.98, and was kept"
    assert "the component of part x operator came out at" in kept.notes[1]
    assert (kept.components["variance"] >= 0).all()


def test_tolerance_share():
    # six standard deviations of the gauge over the tolerance
    share = study(AIAG, tolerance=4.0).components.set_index("component")["tolerance_pct"]["gauge"]
    assert share == pytest.approx(100 * 6 * 0.302373 / 4.0, abs=1e-3)
    assert study(AIAG).components["tolerance_pct"].isna().all()


@pytest.mark.parametrize("truth", [(1.0, 0.05, 0.02, 0.1), (1.0, 0.3, 0.1, 0.1)])
def test_limits_of_the_study_keep_their_promise(truth):
    # design: 10 parts x 6 operators x 3 repeats, interaction kept, 2 000 data sets, 95 % limits
    from auditkit.stats.gauge_study import _weights

    p, o, r = 10, 6, 3
    rng = np.random.default_rng(31)
    part, operator, inter, error = (
        rng.normal(0, np.sqrt(v), (2000, *shape))
        for v, shape in zip(truth, [(p, 1, 1), (1, o, 1), (p, o, 1), (p, o, r)], strict=True)
    )
    y = part + operator + inter + error
    cell = y.mean(axis=3)
    grand = cell.mean(axis=(1, 2))
    rows, columns = cell.mean(axis=2), cell.mean(axis=1)
    squares = np.stack(
        [
            o * r * ((rows - grand[:, None]) ** 2).sum(axis=1) / (p - 1),
            p * r * ((columns - grand[:, None]) ** 2).sum(axis=1) / (o - 1),
            r
            * ((cell - rows[:, :, None] - columns[:, None, :] + grand[:, None, None]) ** 2).sum(axis=(1, 2))
            / ((p - 1) * (o - 1)),
            ((y - cell[..., None]) ** 2).sum(axis=(1, 2, 3)) / (p * o * (r - 1)),
        ],
        axis=-1,
    )
    df = np.array([p - 1, o - 1, (p - 1) * (o - 1), p * o * (r - 1)])
    v_part, v_operator, v_inter, v_error = truth
    wanted = {
        "repeatability": v_error,
        "reproducibility": v_operator + v_inter,
        "operator": v_operator,
        "part x operator": v_inter,
        "gauge": v_error + v_operator + v_inter,
        "part": v_part,
        "total": sum(truth),
    }
    for name, weight in _weights(p, o, r, pooled=False).items():
        weight = np.where(np.abs(weight) < 1e-12, 0.0, weight)  # noqa: PLW2901
        low, high = modified_large_sample_limits(squares, df=df, coefficients=weight)
        found = float(((low <= wanted[name]) & (wanted[name] <= high)).mean())
        assert 0.93 <= found <= 0.97, name


def test_row_order_and_labels_do_not_matter_and_input_stays():
    frame = study_frame(AIAG)
    kept = frame.copy()
    plain = gauge_study(frame, response="y", part="part", operator="who")
    other = frame.sample(frac=1.0, random_state=2)
    other["who"] = other["who"].map({"A": "r", "B": "q", "C": "p"})
    mixed = gauge_study(other, response="y", part="part", operator="who")
    pd.testing.assert_frame_equal(plain.components, mixed.components)
    pd.testing.assert_frame_equal(frame, kept)


def test_gauge_without_spread_has_no_number_of_categories():
    frame = study_frame(AIAG).assign(y=lambda f: f["part"].astype(float))
    result = gauge_study(frame, response="y", part="part", operator="who", pool_above=0.0)
    assert np.isnan(result.categories_ratio)
    assert result.categories == -1


def test_errors_say_what_is_wrong():
    with pytest.raises(ValueError, match="every cell must hold equally many observations"):
        gauge_study(study_frame(AIAG).iloc[1:], response="y", part="part", operator="who")
    with pytest.raises(ValueError, match="pool_above must be a probability, 0 to 1; given 25"):
        study(AIAG, pool_above=25)
    with pytest.raises(ValueError, match="tolerance must be above 0, or left out; given 0"):
        study(AIAG, tolerance=0)
