"""Skill: printed scores of scikit-learn's documentation, its functions, and what no model can know."""

import numpy as np
import pandas as pd
import pytest
from sklearn.metrics import brier_score_loss, log_loss, roc_auc_score

from auditkit.stats.skill import grouped_predictions, losses, skill_score, within_cluster_auc


def test_losses_as_printed():
    # Examples of scikit-learn's documentation, from memory: brier_score_loss .0375, log_loss .21616.
    assert losses([0, 1, 1, 0], [0.1, 0.9, 0.8, 0.3]).mean() == pytest.approx(0.0375)
    assert losses([1, 0, 0, 1], [0.9, 0.1, 0.2, 0.65], loss="log").mean() == pytest.approx(0.21616, abs=5e-6)


def test_losses_and_skill_agree_with_scikit_learn():
    rng = np.random.default_rng(2)
    y, risk, base = rng.integers(0, 2, 60), rng.uniform(0.05, 0.95, 60), rng.uniform(0.2, 0.6, 60)
    jobs = np.arange(60) // 10
    brier = skill_score(y, risk, reference=base, clusters=jobs)
    assert brier.score == pytest.approx(1 - brier_score_loss(y, risk) / brier_score_loss(y, base))
    log = skill_score(y, risk, reference=base, clusters=jobs, loss="log")
    assert log.score == pytest.approx(1 - log_loss(y, risk) / log_loss(y, base))
    assert (log.n, log.events, log.clusters) == (60, int(y.sum()), 6)
    assert log.low < log.score < log.high


def test_sure_and_wrong_is_finite():
    assert losses([1], [0.0], loss="log")[0] == pytest.approx(-np.log(1e-6))


def test_limits_are_those_of_the_jackknife_by_hand():
    # Two clusters: losses 1 and 3 over 4 and 4; without the one 1/4, without the other 3/4 of the reference.
    y, risk = [1.0, 1.0], [0.5, 1 - np.sqrt(0.75)]
    found = skill_score(y, risk, reference=[0.0, 0.0], clusters=["a", "b"])
    assert found.score == pytest.approx(0.5)
    error = np.sqrt(1 / 2 * (0.25**2 + 0.25**2))
    assert found.low == pytest.approx(0.5 - 12.7062 * error, abs=1e-4)  # t(.975, 1), from tables
    assert found.high == 1.0


def test_auc_as_printed_within_one_cluster_and_never_across():
    # Example of scikit-learn's roc_auc_score, from memory: .75.
    assert within_cluster_auc([0, 0, 1, 1], [0.1, 0.4, 0.35, 0.8], clusters=["a"] * 4) == pytest.approx(0.75)
    rng = np.random.default_rng(4)
    y, risk = rng.integers(0, 2, 80), rng.integers(0, 5, 80) / 5  # with ties
    assert within_cluster_auc(y, risk, clusters=np.zeros(80)) == pytest.approx(roc_auc_score(y, risk))
    jobs = rng.integers(0, 3, 80)
    pairs = [
        (y[jobs == j].sum() * (1 - y[jobs == j]).sum(), roc_auc_score(y[jobs == j], risk[jobs == j])) for j in range(3)
    ]
    expected = sum(n * auc for n, auc in pairs) / sum(n for n, _ in pairs)
    assert within_cluster_auc(y, risk, clusters=jobs) == pytest.approx(expected)
    assert within_cluster_auc(y, risk + jobs, clusters=jobs) == pytest.approx(expected)
    assert np.isnan(within_cluster_auc([0, 0, 1], [0.1, 0.2, 0.3], clusters=["a", "a", "b"]))


def test_no_group_is_seen_by_the_model_that_foretells_it():
    groups = np.repeat([f"g{i:02d}" for i in range(12)], 5)
    terms = pd.DataFrame({"group": groups})
    y = np.tile([0, 1, 0, 0, 1], 12)

    def fit(seen, outcome):
        known = set(seen["group"])
        return lambda rows: rows["group"].isin(known).to_numpy(dtype=float)

    made = grouped_predictions(terms, y, groups=groups, fit=fit)
    assert (made.risk == 0.0).all()
    assert len(made.models) == 10  # twelve groups in ten folds
    assert made.base == pytest.approx(np.full(60, 0.4))
    few = grouped_predictions(terms, y, groups=groups, fit=fit, most_folds=3)
    assert sorted(set(few.fold)) == [0, 1, 2]


def test_base_rate_is_that_of_the_others_and_all_there_is_without_both_outcomes():
    made = grouped_predictions(
        pd.DataFrame({"x": [1, 2, 3, 4]}),
        [0, 1, 0, 0],
        groups=["a", "a", "b", "b"],
        fit=lambda x, y: lambda r: r["x"] * 0.1,
    )
    # Without a all are 0: no model. Without b half are 1.
    assert made.base.tolist() == [0.0, 0.0, 0.5, 0.5]
    assert made.risk.tolist() == pytest.approx([0.0, 0.0, 0.3, 0.4])
    assert [model is None for model in made.models].count(True) == 1


def test_the_base_rate_has_no_skill_against_itself_and_noise_has_less():
    rng = np.random.default_rng(5)
    y, base, jobs = rng.integers(0, 2, 300), np.full(300, 0.5), np.arange(300) % 10
    assert skill_score(y, base, reference=base, clusters=jobs).score == 0.0
    assert skill_score(y, rng.uniform(size=300), reference=base, clusters=jobs).high < 0


def test_cluster_order_does_not_matter():
    rng = np.random.default_rng(6)
    y, risk, jobs = rng.integers(0, 2, 90), rng.uniform(size=90), rng.integers(0, 5, 90)
    order = rng.permutation(90)
    one = skill_score(y, risk, reference=np.full(90, 0.5), clusters=jobs)
    other = skill_score(y[order], risk[order], reference=np.full(90, 0.5), clusters=jobs[order])
    assert (one.low, one.high, one.auc) == pytest.approx((other.low, other.high, other.auc))


def test_what_is_refused():
    with pytest.raises(ValueError, match=r"loss must be one of \['brier', 'log'\]; given 'hinge'"):
        losses([0, 1], [0.1, 0.2], loss="hinge")
    with pytest.raises(ValueError, match=r"the outcome must be one row of 0 and 1; given \[0\.0, 2\.0\]"):
        losses([0, 2], [0.1, 0.2])
    with pytest.raises(ValueError, match="two clusters or more are needed, for limits; given 1"):
        skill_score([0, 1], [0.1, 0.2], reference=[0.5, 0.5], clusters=["a", "a"])
    with pytest.raises(ValueError, match="two groups or more are needed, to leave one out; given 1"):
        grouped_predictions(pd.DataFrame({"x": [1, 2]}), [0, 1], groups=["a", "a"], fit=lambda x, y: lambda rows: rows)
    with pytest.raises(ValueError, match="confidence must lie"):
        skill_score([0, 1], [0.1, 0.2], reference=[0.5, 0.5], clusters=["a", "b"], confidence=1.0)
