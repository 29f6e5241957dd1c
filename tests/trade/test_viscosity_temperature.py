"""Viscosity against temperature: worked examples of Walther's equation, and oils of a handbook."""

import numpy as np
import pytest

from auditkit.trade.viscosity_temperature import FARTHEST_K, viscosity_at, viscosity_line


def line_of(*points):
    return viscosity_line([{"temp_c": temp, "mm2_s": mm2_s} for temp, mm2_s in points])


def test_gear_oil_worked_on_a_public_page():
    """A lubricant calculator's page on ASTM D341: 404 at 40 C and 28 at 100 C give 132.126 mm2/s at 60 C (seen)."""
    got = viscosity_at([404.0, 28.0], [40.0, 100.0], line=line_of((40, 404), (100, 28)), target_c=60.0)
    assert got == pytest.approx([132.126, 132.126], abs=0.001)


def test_constants_and_value_of_a_published_work_sheet():
    """A public work sheet on ASTM D341: 32 at 40 C, 5.4 at 100 C: A 9.5259, B 3.7449, 8.5 at 80 C (it adds 273)."""
    line = line_of((40, 32), (100, 5.4))
    assert (line.intercept, line.slope) == pytest.approx((9.5259, 3.7449), rel=0.001)
    assert viscosity_at(32.0, 40.0, line=line, target_c=80.0) == pytest.approx(8.5, abs=0.05)


# A table of fluids for pump work (seen): castor oil 1017, 580, 315, 200 mm2/s at 20, 30, 40, 50 C; China wood oil
# 308, 200, 120 at 20, 30, 40 C. Rounded from charts: the line through the outer two comes within 7 % of the middle.
@pytest.mark.parametrize(
    ("cold", "middle", "warm"),
    [((20, 1017), (30, 580), (40, 315)), ((30, 580), (40, 315), (50, 200)), ((20, 308), (30, 200), (40, 120))],
)
def test_oils_of_a_handbook(cold, middle, warm):
    got = viscosity_at(cold[1], cold[0], line=line_of(cold, warm), target_c=middle[0])
    assert got == pytest.approx(middle[1], rel=0.07)


def test_the_points_themselves_are_met_and_there_and_back_is_where_it_was():
    line = line_of((15, 62), (25, 41))
    assert viscosity_at(62.0, 15.0, line=line, target_c=25.0) == pytest.approx(41.0)
    there = viscosity_at([50.0, 90.0], [14.0, 22.0], line=line, target_c=20.0)
    back = viscosity_at(there, 20.0, line=line, target_c=14.0)
    assert back[0] == pytest.approx(50.0)
    assert there[1] > 90.0  # colder than measured: thicker


def test_more_points_than_two_are_fitted_and_their_order_does_not_matter():
    fit = line_of((10, 80), (15, 62), (25, 41), (30, 34))
    other = line_of((30, 34), (15, 62), (10, 80), (25, 41))
    assert (fit.n, fit.from_c, fit.to_c) == (4, 10.0, 30.0)
    assert (fit.intercept, fit.slope) == pytest.approx((other.intercept, other.slope))
    temps = np.log10(np.array([10, 15, 25, 30]) + 273.15)
    slope, intercept = np.polyfit(temps, np.log10(np.log10(np.array([80, 62, 41, 34]) + 0.7)), 1)
    assert (fit.intercept, fit.slope) == pytest.approx((intercept, -slope))


def test_far_from_the_points_and_where_something_is_missing_there_is_no_number():
    line = line_of((15, 62), (25, 41))
    temps = np.array([15 - FARTHEST_K, 9.9, 25 + FARTHEST_K, 30.1, np.nan])
    assert line.holds_at(temps).tolist() == [True, False, True, False, False]
    got = viscosity_at(50.0, temps, line=line)
    assert np.isnan(got).tolist() == [False, True, False, True, True]
    assert np.isnan(viscosity_at([50.0, np.nan, 1.9], [20.0, 20.0, 20.0], line=line)).tolist() == [False, True, True]
    assert np.isnan(viscosity_at(50.0, 20.0, line=line, target_c=40.0))
    assert viscosity_at([], [], line=line).shape == (0,)


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ([(15, 62)], r"two points at least 5 K apart are needed; given \[15.0\] C"),
        ([(15, 62), (19.9, 50)], "at least 5 K apart"),
        ([(15, 62), (25, 1.5)], "mm2_s must be above 2; given 1.5"),
        ([(15, 41), (25, 62)], r"must fall as the paint gets warmer; given \[41.0, 62.0\] mm2/s at \[15.0, 25.0\] C"),
        ([], "two points at least"),
    ],
)
def test_points_that_cannot_be(points, message):
    with pytest.raises(ValueError, match=message):
        line_of(*points)
