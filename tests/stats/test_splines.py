"""Splines and the coding of terms: the defining properties, and a second library."""

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.coding import code_terms, design_matrix
from auditkit.stats.splines import harrell_knots, natural_spline

KNOTS = [1.0, 2.0, 4.0, 7.0]


def test_basis_by_hand():
    # Hastie et al. (2009) eqs. 5.4, 5.5 at x = 5, scaled by Harrell's (7 - 1)^2.
    d = [((5 - k) ** 3) / (7 - k) for k in (1.0, 2.0, 4.0)]
    expected = [5.0, (d[0] - d[2]) * (7 - 1) / 36, (d[1] - d[2]) * (7 - 2) / 36]
    np.testing.assert_allclose(natural_spline([5.0], knots=KNOTS)[0], expected)


def test_straight_beyond_the_outer_knots_and_smooth_at_the_inner():
    below, above = np.linspace(-5, 1, 20), np.linspace(7, 20, 20)
    for x in (below, above):
        np.testing.assert_allclose(np.diff(natural_spline(x, knots=KNOTS), n=2, axis=0), 0, atol=1e-9)
    assert np.abs(np.diff(natural_spline(np.linspace(1, 7, 20), knots=KNOTS), n=2, axis=0)[:, 1:]).max() > 1e-3
    for knot in KNOTS:
        near = natural_spline([knot - 2e-4, knot - 1e-4, knot, knot + 1e-4, knot + 2e-4], knots=KNOTS)
        left, right = np.diff(near, n=2, axis=0)[[0, 2]] / 1e-8
        np.testing.assert_allclose(left, right, atol=5e-3)


def test_same_curves_as_the_interpolating_natural_spline_of_scipy():
    from scipy.interpolate import CubicSpline

    x = np.linspace(1, 7, 60)
    target = CubicSpline(KNOTS, [0.0, 3.0, -1.0, 2.0], bc_type="natural")(x)
    design = np.column_stack([np.ones(60), natural_spline(x, knots=KNOTS)])
    fitted = design @ np.linalg.lstsq(design, target, rcond=None)[0]
    np.testing.assert_allclose(fitted, target, atol=1e-9)


def test_harrell_knots_of_the_table():
    # Harrell (2015) Table 2.3, five knots.
    assert harrell_knots(np.arange(1001), count=5) == pytest.approx((50, 275, 500, 725, 950))
    with pytest.raises(ValueError, match="3 to 7 knots; given 8"):
        harrell_knots(range(99), count=8)
    with pytest.raises(ValueError, match="4 knots must lie apart"):
        harrell_knots([1.0] * 50 + [2.0, 3.0])
    with pytest.raises(ValueError, match="three or more knots that rise"):
        natural_spline([1.0], knots=[1.0, 1.0, 2.0])


def test_coding_is_kept_for_other_rows():
    frame = pd.DataFrame({"crew": ["a", "b", "b", "c"], "x": [1.0, 2.0, 3.0, 9.0], "ok": [True, False, True, True]})
    before = frame.copy()
    coding = code_terms(frame, terms=["crew", "x", "ok"], knots={"x": 3})
    design = design_matrix(frame, coding=coding)
    assert list(design.columns) == ["intercept", "crew[a]", "crew[c]", "x", "x'", "ok"]
    pd.testing.assert_frame_equal(design_matrix(frame.iloc[[2]], coding=coding), design.iloc[[2]])
    pd.testing.assert_frame_equal(frame, before)
    with pytest.raises(ValueError, match=r"crew must be one of \['b', 'a', 'c'\]; given also \['z'\]"):
        design_matrix(frame.assign(crew="z"), coding=coding)


def test_what_coding_refuses():
    frame = pd.DataFrame({"crew": ["a", "b"], "x": [1.0, 2.0]})
    with pytest.raises(ValueError, match="each term must be named once"):
        code_terms(frame, terms=["x", "x"])
    with pytest.raises(ValueError, match=r"not so \['y'\]"):
        code_terms(frame, terms=["y"])
    with pytest.raises(ValueError, match=r"a spline is of numbers; \['crew'\] hold labels"):
        code_terms(frame, terms=["crew"], knots={"crew": 3})
