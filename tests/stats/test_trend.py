"""Trend: Fleiss's smokers, Greenland and Longnecker's alcohol, and what the tests must agree with."""

import numpy as np
import pytest

from auditkit.stats.trend import dose_response_slope, proportion_trend

SMOKERS = {"counts": [83, 90, 129, 70], "totals": [86, 93, 136, 82]}
ALCOHOL = {
    "ratios": [1, 0.80, 1.16, 1.57],
    "low": [1, 0.51, 0.73, 0.99],
    "high": [1, 1.27, 1.85, 2.51],
    "cases": [165, 74, 90, 122],
    "controls": [172, 93, 96, 90],
}


def test_smokers_as_published():
    # Fleiss (1981) p. 139; R's prop.trend.test prints 8.2249, p .004132.
    found = proportion_trend(SMOKERS["counts"], totals=SMOKERS["totals"])
    assert found.statistic == pytest.approx(8.2249, abs=5e-5)
    assert found.p == pytest.approx(0.004132, abs=5e-7)
    assert found.n == 397


def test_trend_does_not_depend_on_origin_or_unit_of_the_dose_and_of_two_groups_is_the_plain_test():
    from scipy.stats import chi2_contingency

    counts, totals = SMOKERS["counts"], SMOKERS["totals"]
    first = proportion_trend(counts, totals=totals)
    again = proportion_trend(counts[::-1], totals=totals[::-1], scores=[70, 50, 30, 10])
    assert again.statistic == pytest.approx(first.statistic)
    assert again.estimate == pytest.approx(first.estimate / 20)
    two = proportion_trend([12, 30], totals=[50, 60])
    assert two.statistic == pytest.approx(chi2_contingency([[12, 38], [30, 30]], correction=False).statistic)
    assert two.estimate == pytest.approx(30 / 60 - 12 / 50)


def test_alcohol_as_published():
    # Greenland & Longnecker (1992), alcohol and breast cancer; ratio at 11 as R's dosresmeta prints it.
    found = dose_response_slope([0, 2, 6, 11], **ALCOHOL)
    assert found.estimate == pytest.approx(0.0454, abs=5e-5)
    assert found.std_error == pytest.approx(0.0207, abs=5e-5)
    at_11 = np.exp(11 * np.array([found.estimate, found.low, found.high]))
    np.testing.assert_allclose(at_11, [1.648255, 1.055709, 2.573384], rtol=2e-4)


def test_leaving_the_shared_reference_out_of_account_gives_another_slope():
    # The trap: weights by the errors alone, as if the three ratios were independent.
    errors = (np.log(ALCOHOL["high"][1:]) - np.log(ALCOHOL["low"][1:])) / (2 * 1.959964)
    dose, logs = np.array([2, 6, 11]), np.log(ALCOHOL["ratios"][1:])
    naive = (dose * logs / errors**2).sum() / (dose**2 / errors**2).sum()
    assert abs(naive - dose_response_slope([0, 2, 6, 11], **ALCOHOL).estimate) > 0.005


def test_crude_ratios_give_the_logistic_slope():
    # With crude ratios and their own errors the slope nears that of a logistic model on the counts.
    import statsmodels.api as sm

    dose, cases, controls = np.array([0, 1, 2, 4]), np.array([900, 800, 950, 1400]), np.array([1500, 1100, 1000, 1000])
    ratios = cases * controls[0] / (controls * cases[0])
    errors = np.sqrt(1 / cases + 1 / controls + 1 / cases[0] + 1 / controls[0])
    found = dose_response_slope(
        dose,
        ratios=ratios,
        low=ratios * np.exp(-1.959964 * errors),
        high=ratios * np.exp(1.959964 * errors),
        cases=cases,
        controls=controls,
    )
    theirs = sm.GLM(np.column_stack([cases, controls]), sm.add_constant(dose), family=sm.families.Binomial()).fit()
    assert found.estimate == pytest.approx(theirs.params[1], abs=0.003)
    assert found.std_error == pytest.approx(theirs.bse[1], rel=0.03)


def test_what_is_refused():
    with pytest.raises(ValueError, match="must be of one length; given 2, 3 and 2"):
        proportion_trend([1, 2], totals=[3, 4, 5])
    with pytest.raises(ValueError, match="0 <= count <= total"):
        proportion_trend([5, 2], totals=[3, 4])
    with pytest.raises(ValueError, match="a trend needs two doses or more"):
        proportion_trend([1, 2], totals=[3, 4], scores=[2, 2])
    with pytest.raises(ValueError, match="with and without the outcome"):
        proportion_trend([0, 0], totals=[3, 4])
    with pytest.raises(ValueError, match="the first ratio, of the reference, must be 1"):
        dose_response_slope([0, 2, 6, 11], **(ALCOHOL | {"ratios": [0.9, 0.80, 1.16, 1.57]}))
    with pytest.raises(ValueError, match=r"all must be of one length; given \[3, 4, 4, 4, 4, 4\]"):
        dose_response_slope([0, 2, 6], **ALCOHOL)
