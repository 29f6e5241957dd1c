"""Rows: numbers to so many digits, against Python's own rounding to significant digits."""

import numpy as np
import pytest

from auditkit.stats.rows import significant


def test_digits_are_those_that_python_prints():
    rng = np.random.default_rng(5)
    values = rng.normal(size=2000) * 10.0 ** rng.uniform(-12, 12, size=2000)
    for digits in (3, 9):
        printed = [float(f"{value:.{digits}g}") for value in values]
        np.testing.assert_allclose(significant(values, digits=digits), printed, rtol=1e-15, atol=0.0)


def test_what_is_no_ordinary_number_stays():
    given = [np.nan, np.inf, -np.inf, 0.0, 1e250, 5e-324]
    np.testing.assert_array_equal(significant(given), given)
    assert significant(1234.5678, digits=3) == pytest.approx(1230.0)
    assert significant(np.empty((0, 3))).shape == (0, 3)
