"""Graded odds: a published table, statsmodels, and an assumption that is tested."""

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.graded_odds import _climb, _problem, graded_odds, merged_grades

CHEESE = {  # McCullagh and Nelder (1989), Generalized Linear Models, Table 5.1: four additives rated 1 to 9
    "A": [0, 0, 1, 7, 8, 8, 19, 8, 1],
    "B": [6, 9, 12, 11, 7, 6, 1, 0, 0],
    "C": [1, 1, 6, 8, 23, 7, 5, 1, 0],
    "D": [0, 0, 0, 1, 3, 7, 14, 16, 11],
}


def graded(n, seed, odds=0.8, shifts=(0.0, 0.0, 0.0)):
    rng = np.random.default_rng(seed)
    far, x = rng.random(n) < 0.4, rng.normal(size=n)
    latent = 0.5 * x + rng.logistic(size=n)
    cuts = np.array([0.0, 1.0, 2.5])
    grade = (latent[:, None] > cuts - (odds + np.array(shifts)) * far[:, None]).sum(axis=1)
    return pd.DataFrame({"grade": grade, "far": far, "x": x})


def test_cheese_as_printed():
    # Estimates against D and -2 log L as printed for this table in the manual of a statistics package (from memory;
    # they agree with a fresh computation): 1.6128, 4.9645 (here 4.9646), 3.3227 below D; 711.348.
    rows = [
        (g, [k == "A", k == "B", k == "C"])
        for k, counts in CHEESE.items()
        for g, n in enumerate(counts)
        for _ in range(n)
    ]
    y, x = np.array([g for g, _ in rows], dtype=np.intp), np.array([f for _, f in rows], dtype=float)
    fit = _climb(_problem(y, x, np.zeros(3), np.zeros(3)))
    np.testing.assert_allclose(fit.estimate[:3], [-1.6128, -4.9646, -3.3227], atol=6e-5)
    assert -2 * fit.height == pytest.approx(711.348, abs=5e-4)


def test_nears_statsmodels_as_records_grow():
    from statsmodels.miscmodels.ordinal_model import OrderedModel

    frame = graded(4000, 1)
    ours = graded_odds(frame, outcome="grade", exposure="far", numbers=["x"])
    design = np.column_stack([frame["far"], frame["x"]]).astype(float)
    theirs = OrderedModel(frame["grade"], design, distr="logit").fit(method="bfgs", disp=False)
    assert ours.odds_ratio == pytest.approx(np.exp(theirs.params.iloc[0]), rel=2e-3)
    np.testing.assert_allclose([ours.low, ours.high], np.exp(theirs.conf_int().iloc[0]), rtol=3e-3)
    assert ours.p < 1e-10
    assert ours.proportional_p > 0.01
    assert ours.grades == ((0.0,), (1.0,), (2.0,), (3.0,))


def test_slopes_are_the_derivatives_of_the_height():
    from scipy.optimize import approx_fprime

    from auditkit.stats.graded_odds import _slopes

    frame = graded(120, 2)
    x = np.column_stack([frame["far"], frame["x"]]).astype(float)
    strata = (frame["x"] > 0).to_numpy().astype(np.intp)
    problem = _problem(
        frame["grade"].to_numpy(dtype=np.intp), x, np.array([0.5, 0.0]), np.array([0.0, 1.0]), strata=strata
    )
    where = np.array([0.3, -0.2, -0.5, 0.6, 2.0, -0.4, 0.8, 2.2])
    _, slope, curve = _slopes(problem, where)
    np.testing.assert_allclose(slope, approx_fprime(where, lambda w: _slopes(problem, w)[0], 1e-7), atol=1e-4)
    numeric = np.array([approx_fprime(where, lambda w, i=i: _slopes(problem, w)[1][i], 1e-7) for i in range(8)])
    np.testing.assert_allclose(curve, -numeric, atol=1e-4)


def test_different_odds_at_different_cuts_are_seen():
    same = [graded_odds(graded(500, s), outcome="grade", exposure="far").proportional_p for s in range(40)]
    other = graded_odds(graded(1500, 3, odds=0.0, shifts=(0.0, 0.0, 1.0)), outcome="grade", exposure="far")
    assert other.proportional_p < 1e-3
    assert np.mean(np.array(same) < 0.05) <= 0.175  # 5 % expected; 3.6 standard errors off


def test_limits_and_test_keep_their_promise():
    held, seen = 0, 0
    for seed in range(100):
        rng = np.random.default_rng(seed)
        job = rng.integers(0, 8, 200)
        far = rng.random(200) < 0.3
        latent = 0.6 * rng.normal(size=8)[job] + rng.logistic(size=200)
        frame = pd.DataFrame({"far": far, "job": job.astype(str), "grade": np.digitize(latent, [1.0, 2.0, 3.0])})
        found = graded_odds(frame, outcome="grade", exposure="far", groups=["job"])
        held += found.low <= 1 <= found.high
        seen += found.p < 0.05
    assert 0.89 <= held / 100 <= 0.995
    assert seen / 100 <= 0.11


def test_a_separated_exposure_stays_finite():
    frame = pd.DataFrame({"grade": [0] * 20 + [1] * 8 + [2] * 7 + [3] * 6, "far": [False] * 20 + [True] * 21})
    found = graded_odds(frame, outcome="grade", exposure="far")
    assert found.odds_ratio > 20
    assert np.isfinite([found.low, found.high]).all()
    assert np.isnan(found.proportional_p)


def test_grades_are_merged():
    assert merged_grades([0] * 20 + [2] * 3 + [4] * 3 + [5] * 9) == ((0.0,), (2.0, 4.0), (5.0,))
    assert merged_grades([0] * 4 + [1] * 9) == ((0.0, 1.0),)
    assert merged_grades([3.0]) == ((3.0,),)
    # Each part needs both kinds where the kinds are given.
    assert merged_grades([0] * 10 + [1] * 10, exposed=[True] * 10 + [False] * 10) == ((0.0, 1.0),)


def test_row_order_gaps_and_input():
    frame = graded(150, 4).astype({"grade": float}).assign(crew=lambda f: np.where(f["x"] > 0, "a", "b"))
    frame.loc[5, "grade"] = np.nan
    before = frame.copy()
    model = {"outcome": "grade", "exposure": "far", "groups": ["crew"], "missing": "exclude"}
    found, turned = graded_odds(frame, **model), graded_odds(frame.iloc[::-1], **model)
    assert found.odds_ratio == pytest.approx(turned.odds_ratio, rel=1e-8)
    assert (found.n, found.excluded) == (149, 1)
    pd.testing.assert_frame_equal(frame, before)
    # Exposed and not exposed change places: the odds ratio is turned over.
    assert graded_odds(frame.assign(far=~frame["far"]), **model).odds_ratio == pytest.approx(
        1 / found.odds_ratio, rel=0.02
    )


def test_what_is_refused():
    frame = graded(60, 5)
    with pytest.raises(ValueError, match="records with far and without it are needed; 0 of 60 have it"):
        graded_odds(frame.assign(far=False), outcome="grade", exposure="far")
    with pytest.raises(
        ValueError, match="three grades with 5 records or more each are needed; merged to that, 2 are left"
    ):
        graded_odds(frame.assign(grade=frame["grade"] > 0), outcome="grade", exposure="far")
