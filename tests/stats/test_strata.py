"""Stratified 2x2 tables against published results, the reference library, and simulation."""

import math

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.contingency_tables import StratifiedTable

from auditkit.stats.strata import stratified

# Agresti's rabbits, and a second set, as [exposed with, without; unexposed with, without];
# both with R's results as saved by statsmodels' own tests.
RABBITS = [(0, 6, 0, 5), (3, 3, 0, 6), (6, 0, 2, 4), (5, 1, 6, 0), (2, 0, 5, 0)]
SECOND = [(20, 10, 14, 24), (15, 3, 12, 15), (3, 3, 2, 2), (12, 7, 3, 5), (1, 3, 0, 2)]
# Rothman, Greenland and Lash (2008), Modern Epidemiology, 3rd ed.: Table 15-1, deaths under tolbutamide
# and placebo by age. Expected values from metafor's saved tests of that example, at 90 % confidence.
ROTHMAN = [(8, 98, 5, 115), (22, 76, 16, 69)]


def rows(tables, *, order=None):
    """Return one row a unit of observation for a list of 2x2 tables."""
    pieces = [
        pd.DataFrame(
            {
                "exposed": [True] * (a + b) + [False] * (c + d),
                "found": [True] * a + [False] * b + [True] * c + [False] * d,
                "job": f"J{number}",
            }
        )
        for number, (a, b, c, d) in enumerate(tables)
    ]
    frame = pd.concat(pieces, ignore_index=True)
    return frame if order is None else frame.sample(frac=1, random_state=order)


def compare(tables, **options):
    return stratified(rows(tables), exposure="exposed", outcome="found", stratum="job", **options)


def test_rabbits_odds_ratio_and_corrected_test():
    result = compare(RABBITS)
    ratio = result.odds_ratio
    assert ratio.estimate == pytest.approx(7, abs=1e-9)
    assert (ratio.low, ratio.high) == pytest.approx((1.026713, 47.725133), abs=5e-7)
    assert result.chi2_corrected == pytest.approx(3.9286, abs=5e-5)
    assert result.p_value_corrected == pytest.approx(0.04747, abs=5e-6)


def test_rabbits_leave_two_strata_uninformative_and_homogeneity_undefined():
    result = compare(RABBITS)
    assert result.homogeneity is None
    assert "fewer than two strata have an odds ratio of their own" in result.reasons["homogeneity"]
    assert result.strata["used_for_odds"].tolist() == [False, True, True, True, False]
    assert result.strata_used == 3
    assert result.strata.loc[0, "why"] == "no row has the outcome: informs the risk difference only"
    assert result.strata.loc[4, "why"] == "every row has the outcome: does not inform the odds"
    assert (result.n, result.odds_ratio.n) == (11 + 12 + 12 + 12 + 7, 12 + 12 + 12)


def test_second_set_odds_ratio_test_and_homogeneity():
    result = compare(SECOND)
    ratio = result.odds_ratio
    assert ratio.estimate == pytest.approx(3.5912, abs=5e-5)
    assert (ratio.low, ratio.high) == pytest.approx((1.781135, 7.240633), abs=5e-7)
    assert result.chi2_corrected == pytest.approx(11.8852, abs=5e-5)
    homogeneity = result.homogeneity
    assert homogeneity.breslow_day == pytest.approx(1.8438, abs=5e-5)
    assert homogeneity.breslow_day_p == pytest.approx(0.7645, abs=5e-5)
    assert homogeneity.tarone == pytest.approx(1.8436, abs=5e-5)
    assert homogeneity.df == 4


def test_rothman_table_15_1_all_three_measures_at_90_percent():
    result = compare(ROTHMAN, confidence=0.9)
    difference, risk, odds = result.risk_difference, result.risk_ratio, result.odds_ratio
    assert (difference.estimate, difference.low, difference.high) == pytest.approx((0.0349, -0.0176, 0.0874), abs=5e-5)
    assert (risk.estimate, risk.low, risk.high) == pytest.approx((1.3256, 0.8658, 2.0296), abs=5e-5)
    assert (odds.estimate, odds.low, odds.high) == pytest.approx((1.4031, 0.8411, 2.3409), abs=5e-5)
    # MH there; Cochran's own form of the test, without n - 1, gives 1.1976 and must not come out.
    assert (result.chi2, result.p_value) == pytest.approx((1.1914, 0.2750), abs=5e-5)
    assert (result.homogeneity.tarone, result.homogeneity.tarone_p) == pytest.approx((0.3489, 0.5547), abs=5e-5)


def test_agrees_with_statsmodels_on_random_tables():
    rng = np.random.default_rng(20270111)
    for _ in range(25):
        tables = rng.integers(1, 30, size=(int(rng.integers(2, 7)), 4))
        ours = compare([tuple(map(int, table)) for table in tables])
        theirs = StratifiedTable([table.reshape(2, 2) for table in tables])
        assert ours.odds_ratio.estimate == pytest.approx(theirs.oddsratio_pooled, rel=1e-12)
        assert (ours.odds_ratio.low, ours.odds_ratio.high) == pytest.approx(theirs.oddsratio_pooled_confint(), rel=1e-9)
        assert ours.risk_ratio.estimate == pytest.approx(theirs.riskratio_pooled, rel=1e-12)
        assert (ours.chi2, ours.p_value) == pytest.approx(_pair(theirs.test_null_odds(correction=False)), rel=1e-9)
        corrected = _pair(theirs.test_null_odds(correction=True))
        if abs((tables[:, 0] - _expected(tables)).sum()) >= 0.5:  # below that, ours stops at 0 and theirs turns back
            assert (ours.chi2_corrected, ours.p_value_corrected) == pytest.approx(corrected, rel=1e-9)
        plain, adjusted = theirs.test_equal_odds(adjust=False), theirs.test_equal_odds(adjust=True)
        assert (ours.homogeneity.breslow_day, ours.homogeneity.breslow_day_p) == pytest.approx(_pair(plain), rel=1e-7)
        assert (ours.homogeneity.tarone, ours.homogeneity.tarone_p) == pytest.approx(_pair(adjusted), rel=1e-7)


def _pair(test):
    return test.statistic, test.pvalue


def _expected(tables):
    return (tables[:, 0] + tables[:, 1]) * (tables[:, 0] + tables[:, 2]) / tables.sum(axis=1)


def test_one_stratum_is_the_plain_table():
    result = compare([(10, 30, 5, 45)])
    assert result.odds_ratio.estimate == pytest.approx(10 * 45 / (30 * 5))
    assert result.risk_ratio.estimate == pytest.approx((10 / 40) / (5 / 50))
    assert result.risk_difference.estimate == pytest.approx(10 / 40 - 5 / 50)
    # In one stratum Robins-Breslow-Greenland is Woolf's interval, and Greenland-Robins the usual one.
    woolf = math.sqrt(1 / 10 + 1 / 30 + 1 / 5 + 1 / 45)
    assert math.log(result.odds_ratio.high / result.odds_ratio.estimate) == pytest.approx(1.959964 * woolf, rel=1e-6)
    katz = math.sqrt(1 / 10 - 1 / 40 + 1 / 5 - 1 / 50)
    assert math.log(result.risk_ratio.high / result.risk_ratio.estimate) == pytest.approx(1.959964 * katz, rel=1e-6)
    assert result.homogeneity is None


def test_confounded_exposure_is_innocent_within_strata():
    # Risk 50 % in one job and 5 % in the other whatever the exposure; exposure is common in the first.
    result = compare([(40, 40, 10, 10), (1, 19, 4, 76)])
    assert result.risk_difference.estimate == pytest.approx(0, abs=1e-12)
    assert result.odds_ratio.estimate == pytest.approx(1)
    assert 41 / 100 - 14 / 100 > 0.2  # what the crude table would say


def test_mantel_fleiss_margin_by_hand():
    # Expected 6 x 3 / 12 = 1.5; the margins allow 0 to 3.
    assert compare([(3, 3, 0, 6)]).mantel_fleiss == pytest.approx(1.5)
    # Expected 8 x 7 / 10 = 5.6; of 7 at most 2 are unexposed, so the margins allow 5 to 7.
    assert compare([(6, 2, 1, 1)]).mantel_fleiss == pytest.approx(0.6)
    # Together: 7.1 lies 2.1 above the least and 2.9 below the most.
    assert compare([(3, 3, 0, 6), (6, 2, 1, 1)]).mantel_fleiss == pytest.approx(2.1)


@pytest.mark.parametrize(
    ("tables", "missing"),
    [
        ([(0, 10, 0, 12), (0, 4, 0, 5)], {"odds_ratio", "risk_ratio", "risk_difference", "chi2"}),  # no outcome at all
        ([(5, 5, 0, 0), (0, 0, 3, 9)], {"odds_ratio", "risk_ratio", "risk_difference", "chi2"}),  # never both
        ([(7, 0, 9, 0)], {"odds_ratio", "risk_ratio", "risk_difference", "chi2"}),  # always the outcome
        ([(0, 10, 4, 8), (0, 5, 3, 2)], {"odds_ratio", "risk_ratio"}),  # never when exposed
        ([(4, 0, 4, 8)], {"odds_ratio"}),  # always when exposed
    ],
)
def test_undefined_estimates_are_none_with_a_reason(tables, missing):
    result = compare(tables)
    names = {"odds_ratio", "risk_ratio", "risk_difference", "chi2"}
    assert {name for name in names if getattr(result, name) is None} == missing
    assert missing <= set(result.reasons)
    assert all(len(reason) > 20 for reason in result.reasons.values())
    for interval in (result.odds_ratio, result.risk_ratio, result.risk_difference):
        assert interval is None or all(map(math.isfinite, (interval.estimate, interval.low, interval.high)))


def test_missing_values_are_left_out_and_counted():
    frame = rows(SECOND)
    gaps = frame.astype({"exposed": "boolean", "found": "boolean"})
    extra = pd.DataFrame({"exposed": [None, True, True], "found": [True, None, True], "job": ["J0", "J1", None]})
    gaps = pd.concat([gaps, extra.astype({"exposed": "boolean", "found": "boolean"})], ignore_index=True)
    result = stratified(gaps, exposure="exposed", outcome="found", stratum="job")
    assert result.excluded == 3
    assert result.odds_ratio == compare(SECOND).odds_ratio


def test_row_order_and_names_of_strata_do_not_matter_and_the_input_is_unchanged():
    frame = rows(SECOND, order=1)
    before = frame.copy()
    result = stratified(frame, exposure="exposed", outcome="found", stratum="job")
    pd.testing.assert_frame_equal(frame, before)
    renamed = frame.assign(job=frame["job"].map(lambda job: "K" + str(9 - int(job[1]))))
    other = stratified(renamed, exposure="exposed", outcome="found", stratum="job")
    for one, two in ((result, compare(SECOND)), (result, other)):
        assert one.odds_ratio.high == pytest.approx(two.odds_ratio.high, rel=1e-12)
        assert one.homogeneity.tarone == pytest.approx(two.homogeneity.tarone, rel=1e-9)


def test_exchanging_the_outcome_turns_the_odds_ratio_round():
    frame = rows(SECOND)
    other = stratified(frame.assign(found=~frame["found"]), exposure="exposed", outcome="found", stratum="job")
    assert other.odds_ratio.low == pytest.approx(1 / compare(SECOND).odds_ratio.high, rel=1e-12)


def test_several_stratum_columns_are_crossed():
    frame = rows(SECOND).assign(unit=lambda frame: np.where(frame.index % 2, "U1", "U2"))
    crossed = frame.assign(both=frame["job"] + frame["unit"])
    one = stratified(crossed, exposure="exposed", outcome="found", stratum=["job", "unit"])
    two = stratified(crossed, exposure="exposed", outcome="found", stratum="both")
    assert one.odds_ratio == two.odds_ratio
    assert list(one.strata.columns[:2]) == ["job", "unit"]


def test_sato_interval_covers_in_many_small_strata():
    # 2,000 data sets of 40 strata with 3 exposed and 4 unexposed each; true difference 0.2 in every stratum.
    # Coverage of a 95 % interval should be within 93.5 and 96.5 % here (binomial noise about 0.5 %).
    rng = np.random.default_rng(7)
    base = rng.uniform(0.05, 0.6, size=40)
    inside = 0
    for _ in range(2000):
        a, c = rng.binomial(3, base + 0.2), rng.binomial(4, base)
        weight = 3 * 4 / 7 * 40
        result = _sato(a, 3 - a, c, 4 - c)
        assert result.estimate == pytest.approx(float((a * 4 - c * 3).sum() / 7 / weight))
        inside += result.low <= 0.2 <= result.high
    assert 0.935 <= inside / 2000 <= 0.965


def _sato(a, b, c, d):
    from auditkit.stats.strata import _risk_difference, _Tables

    tables = _Tables(a=a.astype(float), b=b.astype(float), c=c.astype(float), d=d.astype(float))
    return _risk_difference(tables, 1.959964, 0.95)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"exposure": "nowhere"}, r"the frame must have the columns \['nowhere'\]"),
        ({"exposure": "found"}, "must be different columns"),
        ({"outcome": "text"}, "text must hold yes and no as bool, or 0 and 1; given"),
        ({"confidence": 95}, "confidence must lie strictly between 0 and 1; given 95"),
        ({"outcome": "empty"}, "at least one row must be complete"),
        ({"stratum": "n"}, r"a stratum column may not be called \['n'\]"),
    ],
)
def test_errors(change, message):
    frame = rows(ROTHMAN).assign(text="maybe", empty=pd.array([None] * 409, dtype="boolean"), n=1)
    with pytest.raises(ValueError, match=message):
        stratified(frame, **({"exposure": "exposed", "outcome": "found", "stratum": "job"} | change))
