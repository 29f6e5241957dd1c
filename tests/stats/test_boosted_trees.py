"""Boosted trees: scikit-learn's own partial dependence, known shapes, and hand-worked interactions."""

import numpy as np
import pandas as pd
import pytest
from sklearn.inspection import partial_dependence as reference_dependence
from sklearn.linear_model import LogisticRegression

from auditkit.stats.boosted_trees import fit_trees, interaction_strength, partial_dependence, risks, shuffled_losses
from auditkit.stats.skill import grouped_predictions, losses


def records(seed=1, n=400):
    rng = np.random.default_rng(seed)
    terms = pd.DataFrame({"x": rng.uniform(size=n), "z": rng.uniform(size=n), "noise": rng.uniform(size=n)})
    return terms, rng


def test_a_step_is_found_where_it_is():
    terms, rng = records()
    y = rng.random(400) < np.where(terms["x"] > 0.6, 0.7, 0.05)
    score = fit_trees(terms, y)
    grid = np.linspace(0.05, 0.95, 19)
    curve = partial_dependence(lambda rows: risks(score, rows), terms, at={"x": grid})
    step = int(np.argmax(np.diff(curve)))
    assert grid[step] <= 0.6 <= grid[step + 1] + 0.05
    assert curve[:10].max() < 0.2
    assert curve[15:].min() > 0.4


def test_trees_are_the_same_again_and_bear_gaps_and_new_categories():
    terms, rng = records()
    y = rng.random(400) < 0.3
    terms = terms.assign(crew=pd.Categorical(rng.choice(["a", "b"], size=400), categories=["a", "b", "c"]))
    terms.loc[:30, "x"] = np.nan
    one, again = fit_trees(terms, y)(terms), fit_trees(terms, y)(terms)
    np.testing.assert_array_equal(one, again)
    strange = terms.assign(crew=pd.Categorical(["c"] * 400, categories=["a", "b", "c"]))
    assert np.isfinite(fit_trees(terms, y)(strange)).all()


def test_neither_the_last_bit_nor_a_stretched_scale_moves_a_split():
    # Other versions of the libraries differ in the last bit of a mean and in how they take quantiles; what the trees
    # see of a number is its class alone, cut at even shares of the records.
    terms, rng = records()
    y = rng.random(400) < terms["x"]
    shaken = terms * (1.0 + rng.choice([-1.0, 1.0], size=terms.shape) * 2.0**-50)
    np.testing.assert_array_equal(fit_trees(terms, y)(terms), fit_trees(shaken, y)(shaken))
    stretched = terms.assign(x=terms["x"] * 1000.0)
    np.testing.assert_array_equal(fit_trees(terms, y)(terms), fit_trees(stretched, y)(stretched))


def test_more_labels_than_the_library_tells_apart_are_no_fault():
    terms, rng = records()
    names = [f"P{number:03}" for number in range(400)]
    terms = terms.assign(person=pd.Categorical(names, categories=names))
    assert np.isfinite(fit_trees(terms, rng.random(400) < 0.4)(terms)).all()


def test_additive_trees_let_no_two_terms_act_together():
    terms, rng = records()
    y = rng.random(400) < np.where((terms["x"] > 0.5) == (terms["z"] > 0.5), 0.8, 0.1)
    free, alone = fit_trees(terms, y), fit_trees(terms, y, additive=True)
    assert interaction_strength(alone, terms, one="x", other="z") == pytest.approx(0.0, abs=1e-9)
    assert interaction_strength(free, terms, one="x", other="z") > 0.5


def test_partial_dependence_agrees_with_scikit_learn():
    terms, rng = records()
    y = (rng.random(400) < terms["x"]).astype(int)
    model = LogisticRegression().fit(terms, y)
    reference = reference_dependence(model, terms, ["x"], grid_resolution=7, percentiles=(0, 1), kind="average")
    mine = partial_dependence(
        lambda rows: model.predict_proba(rows)[:, 1], terms, at={"x": reference["grid_values"][0]}
    )
    np.testing.assert_allclose(mine, reference["average"][0])
    part = partial_dependence(lambda rows: rows["x"].to_numpy(), terms, at={"z": [0.1]}, rows=np.array([3, 5]))
    assert part[0] == pytest.approx(terms["x"].iloc[[3, 5]].mean())


def test_interaction_strength_by_hand():
    # On the four corners f = x + z + c x z has, centred, sums of squares 4 + 4 and 4 c^2: H squared c^2 / (2 + c^2).
    corners = pd.DataFrame({"x": [-1.0, -1.0, 1.0, 1.0], "z": [-1.0, 1.0, -1.0, 1.0]})
    for c in (0.0, 0.5, 2.0):
        found = interaction_strength(
            lambda rows, c=c: (rows["x"] + rows["z"] + c * rows["x"] * rows["z"]).to_numpy(),
            corners,
            one="x",
            other="z",
        )
        assert found == pytest.approx(c**2 / (2 + c**2))
    flat = interaction_strength(lambda rows: np.zeros(len(rows)), corners, one="x", other="z")
    assert np.isnan(flat)
    assert np.isnan(interaction_strength(lambda rows: np.zeros(len(rows)), corners[:1], one="x", other="z"))


def test_shuffling_what_is_used_costs_and_what_is_not_used_costs_nothing():
    terms, rng = records()
    y = (rng.random(400) < np.where(terms["x"] > 0.5, 0.8, 0.1)).astype(int)
    groups = np.arange(400) % 5

    def fit(x, outcome):
        return lambda rows: np.where(rows["x"] > 0.5, 0.8, 0.1)

    made = grouped_predictions(terms, y, groups=groups, fit=fit)
    own = losses(y, made.risk, loss="log")
    lost = shuffled_losses(terms, y, made, shuffled=["x"], repeats=20, rng=rng)["x"]
    # Shuffled, each record is given .8 or .1 by the share of records on either side.
    share = (terms["x"] > 0.5).mean()
    each = share * losses(y, np.full(400, 0.8), loss="log") + (1 - share) * losses(y, np.full(400, 0.1), loss="log")
    assert lost.mean() == pytest.approx(each.mean(), abs=0.02)
    assert lost.mean() > own.mean() + 0.3
    np.testing.assert_allclose(shuffled_losses(terms, y, made, shuffled=["z"], repeats=2, rng=rng)["z"], own)


def test_where_no_model_was_fitted_shuffling_changes_nothing():
    terms = pd.DataFrame({"x": [1.0, 2.0, 3.0, 4.0]})
    y = [0, 1, 0, 0]
    made = grouped_predictions(
        terms, y, groups=["a", "a", "b", "b"], fit=lambda x, y: lambda rows: rows["x"].to_numpy() / 5
    )
    lost = shuffled_losses(terms, y, made, shuffled=["x"], repeats=3, rng=np.random.default_rng(1))["x"]
    np.testing.assert_allclose(lost[:2], losses(y, made.risk, loss="log")[:2])
