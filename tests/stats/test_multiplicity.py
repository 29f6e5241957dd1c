"""Benjamini-Hochberg against the authors' own example and the reference library."""

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from auditkit.stats.multiplicity import benjamini_hochberg

# Benjamini and Hochberg (1995), section 4.1, as quoted in independent public tests.
PRINTED = [0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459]
PRINTED += [0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.000]


def test_printed_example_rejects_four_where_bonferroni_rejects_three():
    q = benjamini_hochberg(PRINTED)
    assert (q <= 0.05).sum() == 4
    assert (np.array(PRINTED) <= 0.05 / 15).sum() == 3


def test_agrees_with_statsmodels_in_any_order():
    rng = np.random.default_rng(3)
    for size in (1, 2, 7, 200):
        p = rng.uniform(size=size) ** 2
        assert benjamini_hochberg(p) == pytest.approx(multipletests(p, method="fdr_bh")[1], rel=1e-12)


def test_tests_not_made_stay_missing_and_do_not_count():
    p = np.array([np.nan, 0.01, np.nan, 0.04, 0.03])
    before = p.copy()
    q = benjamini_hochberg(p)
    assert np.isnan(q[[0, 2]]).all()
    assert q[[1, 3, 4]] == pytest.approx(benjamini_hochberg([0.01, 0.04, 0.03]))
    assert np.array_equal(p, before, equal_nan=True)


def test_ties_get_the_same_and_nothing_exceeds_one():
    assert benjamini_hochberg([0.02, 0.02, 1.0, 0.9]).tolist() == pytest.approx([0.04, 0.04, 1.0, 1.0])
    assert len(benjamini_hochberg([])) == 0
    assert np.isnan(benjamini_hochberg([np.nan])).all()


def test_errors():
    with pytest.raises(ValueError, match=r"a p-value must lie between 0 and 1; given 1\.2"):
        benjamini_hochberg([0.1, 1.2])
    with pytest.raises(ValueError, match="p must be one row of numbers"):
        benjamini_hochberg([[0.1], [0.2]])
