"""Patterns: Bayes' rule by hand, calibration by simulation, and figures that fit nothing."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import multivariate_normal, norm

from auditkit.stats.patterns import Pattern, read_patterns

NONE = Pattern(name="none", prior=0.5, points=np.zeros((1, 2)))
UP = Pattern(name="up", prior=0.3, points=np.array([[1.0, 0.0], [2.0, 0.0], [3.0, 0.0]]))
DOWN = Pattern(name="down", prior=0.2, points=np.array([[-1.0, -1.0], [-2.0, -2.0]]))
PATTERNS = [NONE, UP, DOWN]
COVARIANCE = np.array([[0.30, 0.05], [0.05, 0.20]])


def test_bayes_rule_by_hand():
    density = [norm.pdf(1.2), (norm.pdf(0.2) + norm.pdf(-1.8)) / 2]
    by_hand = 0.7 * density[0] / (0.7 * density[0] + 0.3 * density[1])
    patterns = [
        Pattern(name="a", prior=0.7, points=np.array([[0.0]])),
        Pattern(name="b", prior=0.3, points=np.array([[1.0], [3.0]])),
    ]
    read = read_patterns([[1.2]], covariance=[[1.0]], patterns=patterns)
    assert read["a"].item() == pytest.approx(by_hand)
    assert read["a"].item() + read["b"].item() == pytest.approx(1)


def test_correlated_figures_against_scipy():
    figures = np.random.default_rng(61).normal(0, 1.5, (20, 2))
    density = [
        p.prior * np.mean([multivariate_normal.pdf(figures, point, COVARIANCE) for point in p.points], axis=0)
        for p in PATTERNS
    ]
    read = read_patterns(figures, covariance=COVARIANCE, patterns=PATTERNS)
    assert read[["none", "up", "down"]].to_numpy() == pytest.approx((density / np.sum(density, axis=0)).T)


def test_probabilities_are_calibrated_under_the_model():
    rng = np.random.default_rng(62)
    true = rng.choice(3, 4000, p=[0.5, 0.3, 0.2])
    points = np.array([PATTERNS[k].points[rng.integers(len(PATTERNS[k].points))] for k in true])
    figures = points + rng.multivariate_normal([0, 0], COVARIANCE, 4000)
    read = read_patterns(figures, covariance=COVARIANCE, patterns=PATTERNS)
    p = read["up"].to_numpy()
    for low in (0.0, 0.2, 0.4, 0.6, 0.8):
        here = (p >= low) & (p <= low + 0.2)
        assert (true[here] == 1).mean() == pytest.approx(p[here].mean(), abs=0.06)


def test_nothing_is_named_below_the_threshold_or_where_nothing_fits():
    figures = [[0.5, 0.0], [0.0, 9.0], [3.0, 0.0]]
    read = read_patterns(figures, covariance=COVARIANCE, patterns=PATTERNS, threshold=0.95)
    assert read["named"].tolist() == ["cannot tell", "cannot tell", "up"]
    assert read["fit"].iloc[0] > 0.5
    assert read["fit"].iloc[1] < 1e-6
    assert read_patterns([[0.0, 9.0]], covariance=COVARIANCE * 400, patterns=PATTERNS)["fit"].item() > 0.01


def test_a_matrix_for_each_row_and_the_order_of_patterns():
    figures = np.array([[1.0, 0.2], [-0.5, -0.4]])
    one = read_patterns(figures, covariance=COVARIANCE, patterns=PATTERNS)
    each = read_patterns(figures, covariance=np.stack([COVARIANCE, COVARIANCE]), patterns=PATTERNS[::-1])
    assert each[["none", "up", "down"]].to_numpy() == pytest.approx(one[["none", "up", "down"]].to_numpy())
    assert each["named"].tolist() == one["named"].tolist()


def test_refusals():
    with pytest.raises(ValueError, match="rows of finite numbers"):
        read_patterns([[np.nan, 0.0]], covariance=COVARIANCE, patterns=PATTERNS)
    with pytest.raises(ValueError, match=r"two patterns or more.*given \['up', 'up'\]"):
        read_patterns([[0.0, 0.0]], covariance=COVARIANCE, patterns=[UP, UP])
    flat = Pattern(name="flat", prior=1, points=np.zeros((1, 1)))
    with pytest.raises(ValueError, match="pattern 'flat' needs a prior above 0 and points of 2 columns"):
        read_patterns([[0.0, 0.0]], covariance=COVARIANCE, patterns=[UP, flat])
    with pytest.raises(ValueError, match=r"threshold must lie strictly between 0.5 and 1; given 0.5"):
        read_patterns([[0.0, 0.0]], covariance=COVARIANCE, patterns=PATTERNS, threshold=0.5)
