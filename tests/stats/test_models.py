"""Models: published fits, agreement with statsmodels, and limits that count clusters rather than rows."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from auditkit.stats.models import firth_logistic, linear_model, poisson_rate
from auditkit.stats.ordinal import proportional_odds

PUBLISHED = Path(__file__).parent.parent / "published"


def sex2() -> pd.DataFrame:
    """Case-control study of Foxman et al. as in Heinze & Schemper (2002), Statistics in Medicine 21, 2409.

    Data set sex2 of the CRAN package logistf, tabulated: one line a pattern, with how often it occurs.
    """
    table = pd.read_csv(PUBLISHED / "sex2.csv")
    return table.loc[np.repeat(table.index, table["count"])].drop(columns="count").reset_index(drop=True)


def panels() -> pd.DataFrame:
    """Finish defects on grille panels, Montgomery, Design and Analysis of Experiments 8e, Ex. 15.3."""
    signs = (
        "----+-+-+ +---+--+- -+---++-- ++---+-++ --+-++-++ +-+-+++-- -++----+- +++---+-+ "
        "---+-++++ +--+-+--- -+-++-++- ++-++---+ --++----+ +-++--++- -+++++--- +++++++++"
    )
    counts = [56, 17, 2, 4, 3, 4, 50, 2, 1, 0, 3, 12, 3, 4, 0, 0]
    return pd.DataFrame(signs_frame(signs.split(" ")), columns=list("ABCDEFGHJ")).assign(c=counts)


def signs_frame(signs: list[str]) -> list[list[float]]:
    return [[1.0 if sign == "+" else -1.0 for sign in run] for run in signs]


def clustered(rng: np.random.Generator, sizes: list[int]) -> pd.DataFrame:
    group = np.repeat(np.arange(len(sizes)), sizes)
    x = rng.normal(size=len(group)) + rng.normal(size=len(sizes))[group]
    y = 1.0 + 0.5 * x + rng.normal(size=len(group)) + rng.normal(size=len(sizes))[group]
    return pd.DataFrame({"g": group, "x": x, "y": y, "z": rng.normal(size=len(group))})


def test_firth_sex2_as_logistf_prints_it():
    fit = firth_logistic(sex2(), outcome="case", terms=["age", "oc", "vic", "vicl", "vis", "dia"])
    printed = pd.DataFrame(
        {  # estimates as in the CRAN package logistf; limits as quoted from it in public tests
            "intercept": (0.12025405, -0.8185591, 1.07315122),
            "age": (-1.10598131, -1.9737884, -0.30742514),
            "oc": (-0.06881673, -0.9414363, 0.78920202),
            "vic": (2.26887464, 1.2730216, 3.43543273),
            "vicl": (-2.11140817, -3.2608611, -1.11773495),
            "vis": (-0.78831694, -1.6080879, 0.01518468),
            "dia": (3.09601166, 0.7745682, 8.03029352),
        }
    ).T
    assert fit.table["term"].tolist() == printed.index.tolist()
    np.testing.assert_allclose(fit.table[["estimate", "low", "high"]], printed, rtol=1e-5)
    assert fit.n == 239


def test_firth_limits_and_test_agree():
    table = firth_logistic(sex2(), outcome="case", terms=["age", "vic", "vis", "dia"]).table
    excludes_zero = (table["low"] > 0) | (table["high"] < 0)
    assert (excludes_zero == (table["p"] < 0.05)).all()
    assert 0 < excludes_zero.sum() < len(table)


def test_firth_two_by_two_is_half_added_to_each_cell():
    # Saturated model: Jeffreys' prior is half an observation in each cell (Firth 1993, section 4).
    frame = pd.DataFrame({"x": [0] * 10 + [1] * 8, "y": [1] * 3 + [0] * 7 + [1] * 8})
    estimate = firth_logistic(frame, outcome="y", terms=["x"]).table["estimate"]
    assert estimate[0] == pytest.approx(np.log(3.5 / 7.5), abs=1e-7)
    assert estimate[1] == pytest.approx(np.log(8.5 / 0.5) - np.log(3.5 / 7.5), abs=1e-7)


def test_firth_nears_statsmodels_as_rows_grow():
    import statsmodels.api as sm

    rng = np.random.default_rng(1)
    x = rng.normal(size=20_000)
    frame = pd.DataFrame({"x": x, "y": (rng.random(20_000) < 1 / (1 + np.exp(0.5 - x))).astype(int)})
    ours = firth_logistic(frame, outcome="y", terms=["x"])
    theirs = sm.Logit(frame["y"], sm.add_constant(frame["x"])).fit(disp=0)
    np.testing.assert_allclose(ours.table["estimate"], theirs.params, atol=5e-4)
    np.testing.assert_allclose(ours.table["std_error"], theirs.bse, rtol=1e-3)
    np.testing.assert_allclose(ours.table[["low", "high"]], theirs.conf_int(), atol=3e-3)


def test_poisson_grille_panels():
    frame = panels().assign(BG=lambda f: f["B"] * f["G"])
    before = frame.copy()
    fit = poisson_rate(frame, outcome="c", terms=["D", "F", "BG"])
    np.testing.assert_allclose(fit.table["estimate"], [1.128, -0.896, -1.176, -0.737], atol=5e-4)
    design = np.column_stack([np.ones(16), frame[["D", "F", "BG"]]])
    predictor = design @ fit.table["estimate"].to_numpy()
    error = np.sqrt(np.einsum("ij,jk,ik->i", design, fit.covariance.to_numpy(), design))
    printed = [(51.26, 42.45, 61.90), (11.74, 8.14, 16.94), (1.12, 0.60, 2.08), (4.88, 2.87, 8.32)]
    fitted = np.exp(np.column_stack([predictor, predictor - 1.96 * error, predictor + 1.96 * error]))
    np.testing.assert_allclose(fitted[:4], printed, atol=6e-3)
    pd.testing.assert_frame_equal(frame, before)


def test_poisson_offset_agrees_with_statsmodels():
    import statsmodels.api as sm

    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"m2": rng.uniform(1, 9, 80), "x": rng.normal(size=80)})
    frame["n"] = rng.poisson(frame["m2"] * np.exp(0.2 + 0.4 * frame["x"]))
    ours = poisson_rate(frame, outcome="n", terms=["x"], exposure="m2")
    theirs = sm.GLM(
        frame["n"], sm.add_constant(frame["x"]), family=sm.families.Poisson(), offset=np.log(frame["m2"])
    ).fit()
    np.testing.assert_allclose(ours.table["estimate"], theirs.params, atol=1e-7)
    np.testing.assert_allclose(ours.table["std_error"], theirs.bse, rtol=1e-5)
    assert ours.log_likelihood == pytest.approx(theirs.llf)
    assert ours.dispersion == pytest.approx(theirs.pearson_chi2 / theirs.df_resid)


def test_linear_agrees_with_statsmodels():
    import statsmodels.api as sm

    frame = clustered(np.random.default_rng(3), [5, 7, 9])
    ours = linear_model(frame, outcome="y", terms=["x", "z"])
    theirs = sm.OLS(frame["y"], sm.add_constant(frame[["x", "z"]])).fit()
    np.testing.assert_allclose(ours.table["estimate"], theirs.params)
    np.testing.assert_allclose(ours.table[["low", "high"]], theirs.conf_int())
    np.testing.assert_allclose(ours.table["p"], theirs.pvalues)


def test_linear_cluster_covariance_is_cv3():
    # MacKinnon, Nielsen & Webb (2023), CV3 in closed form: scores X_g' M_gg^-1 u_g, factor (G-1)/G.
    frame = clustered(np.random.default_rng(4), [3, 5, 8, 4])
    x = np.column_stack([np.ones(len(frame)), frame["x"]])
    bread = np.linalg.inv(x.T @ x)
    residual = frame["y"].to_numpy() - x @ (bread @ x.T @ frame["y"].to_numpy())
    meat = np.zeros((2, 2))
    for g in range(4):
        own = (frame["g"] == g).to_numpy()
        score = x[own].T @ np.linalg.solve(np.eye(own.sum()) - x[own] @ bread @ x[own].T, residual[own])
        meat += np.outer(score, score)
    fit = linear_model(frame, outcome="y", terms=["x"], cluster="g")
    np.testing.assert_allclose(fit.covariance, 0.75 * bread @ meat @ bread)
    assert fit.clusters == 4


def test_one_cluster_a_row_is_the_plain_jackknife():
    frame = panels().assign(row=range(16))
    fit = poisson_rate(frame, outcome="c", terms=["D", "F"], cluster="row")
    left = [poisson_rate(frame.drop(index=i), outcome="c", terms=["D", "F"]).table["estimate"] for i in range(16)]
    away = np.array(left) - fit.table["estimate"].to_numpy()
    np.testing.assert_allclose(fit.covariance, 15 / 16 * away.T @ away, rtol=1e-5)


def test_firth_cluster_jackknife_is_each_cluster_left_out():
    frame = sex2().assign(g=lambda f: np.arange(len(f)) % 9)
    terms = ["age", "vic", "vicl"]
    fit = firth_logistic(frame, outcome="case", terms=terms, cluster="g")
    left = [
        firth_logistic(frame[frame["g"] != g], outcome="case", terms=terms).table["estimate"].to_numpy()
        for g in range(9)
    ]
    away = np.array(left) - fit.table["estimate"].to_numpy()
    np.testing.assert_allclose(fit.covariance, 8 / 9 * away.T @ away, rtol=1e-5)


def test_cluster_limits_keep_their_promise_where_row_limits_do_not():
    # 12 clusters of unequal size, a term that varies between and within them; 300 data sets, known slope .5.
    rng, sizes = np.random.default_rng(5), [4, 4, 6, 6, 8, 8, 10, 12, 14, 16, 20, 24]
    kept = {"g": 0, None: 0}
    for _ in range(300):
        frame = clustered(rng, sizes)
        for cluster in kept:
            row = linear_model(frame, outcome="y", terms=["x"], cluster=cluster).table.iloc[1]
            kept[cluster] += row["low"] <= 0.5 <= row["high"]
    assert 0.92 <= kept["g"] / 300 <= 0.99
    assert kept[None] / 300 < 0.88


def test_proportional_odds_agrees_with_logistic_on_each_cut():
    # Under the model every cut between grades has the same odds ratio (McCullagh 1980).
    rng = np.random.default_rng(6)
    x = rng.normal(size=6000)
    latent = 0.8 * x + rng.logistic(size=6000)
    frame = pd.DataFrame({"x": x, "grade": np.select([latent < -1, latent < 1], ["low", "mid"], "high")})
    fit = proportional_odds(frame, outcome="grade", grades=["low", "mid", "high"], terms=["x"])
    estimate = fit.table["estimate"].iloc[0]
    assert estimate == pytest.approx(0.8, abs=3 * fit.table["std_error"].iloc[0])
    for grades in (["high"], ["mid", "high"]):
        cut = frame.assign(y=frame["grade"].isin(grades).astype(int))
        assert estimate == pytest.approx(firth_logistic(cut, outcome="y", terms=["x"]).table["estimate"][1], abs=0.1)


def test_proportional_odds_two_groups_is_the_wilcoxon_score():
    # The score statistic of the model for two groups is Wilcoxon's (McCullagh 1980): sign and p go with it.
    from scipy.stats import mannwhitneyu

    frame = pd.DataFrame(
        {"x": [0] * 20 + [1] * 20, "g": ([1] * 9 + [2] * 7 + [3] * 4) + ([1] * 4 + [2] * 6 + [3] * 10)}
    )
    row = proportional_odds(frame, outcome="g", grades=[1, 2, 3, 4], terms=["x"]).table.iloc[0]
    rank = mannwhitneyu(frame.loc[frame["x"] == 1, "g"], frame.loc[frame["x"] == 0, "g"], method="asymptotic")
    assert row["estimate"] > 0
    assert row["p"] == pytest.approx(rank.pvalue, rel=0.15)


def test_proportional_odds_clusters():
    rng = np.random.default_rng(7)
    frame = pd.DataFrame({"x": rng.normal(size=60), "g": np.arange(60) % 6, "y": rng.integers(1, 4, 60)})
    fit = proportional_odds(frame, outcome="y", grades=[1, 2, 3], terms=["x"], cluster="g")
    left = [
        proportional_odds(frame[frame["g"] != g], outcome="y", grades=[1, 2, 3], terms=["x"]).table["estimate"][0]
        for g in range(6)
    ]
    variance = 5 / 6 * ((np.array(left) - fit.table["estimate"][0]) ** 2).sum()
    assert fit.covariance.iloc[0, 0] == pytest.approx(variance, rel=1e-4)


def test_row_order_and_names_of_levels_do_not_matter():
    frame = sex2().assign(crew=lambda f: np.where(f["oc"] + f["vis"] > 1, "north", "south"))
    fit = firth_logistic(frame, outcome="case", terms=["vic", "crew"])
    turned = frame.iloc[::-1].assign(crew=lambda f: f["crew"].map({"north": "1", "south": "2"}))
    again = firth_logistic(turned, outcome="case", terms=["vic", "crew"])
    columns = ["estimate", "low", "high"]
    np.testing.assert_allclose(fit.table[columns], again.table[columns], atol=1e-6)


def test_gaps_are_counted():
    frame = panels().astype({"c": float})
    frame.loc[[2, 5], "D"] = np.nan
    fit = poisson_rate(frame, outcome="c", terms=["D"], missing="exclude")
    assert (fit.n, fit.excluded) == (14, 2)
    with pytest.raises(ValueError, match=r"2 of 16 rows have a gap"):
        poisson_rate(frame, outcome="c", terms=["D"])


def test_what_is_refused():
    frame = sex2().assign(twice=lambda f: 2 * f["vic"], one=1, crew=lambda f: np.where(f.index < 20, "A", "B"))
    with pytest.raises(ValueError, match=r"no column of the model may follow from those before it; \['twice'\] do"):
        firth_logistic(frame, outcome="case", terms=["vic", "twice"])
    with pytest.raises(ValueError, match=r"a term must take two values or more; \['one'\] do not"):
        firth_logistic(frame, outcome="case", terms=["vic", "one"])
    with pytest.raises(ValueError, match="case must hold 0 and 1, both of them"):
        firth_logistic(frame[frame["case"] == 1], outcome="case", terms=["vic"])
    with pytest.raises(ValueError, match=r"without 'A' the model loses \['crew\[A\]'\]"):
        firth_logistic(frame, outcome="case", terms=["vic", "crew"], cluster="crew")
    with pytest.raises(ValueError, match="two clusters or more are needed"):
        linear_model(frame, outcome="age", terms=["vic"], cluster="one")
    with pytest.raises(ValueError, match="must hold counts"):
        poisson_rate(frame.assign(c=0.5), outcome="c", terms=["vic"])
    with pytest.raises(ValueError, match=r"A must be above 0 in every row; the least is -1\.0"):
        poisson_rate(panels(), outcome="c", terms=["D"], exposure="A")
    with pytest.raises(ValueError, match="did not converge: a term may separate the outcomes"):
        poisson_rate(pd.DataFrame({"c": [0, 0, 0, 3, 4, 5], "x": [0, 0, 0, 1, 1, 1]}), outcome="c", terms=["x"])
    with pytest.raises(ValueError, match="three grades or more must have been given; 2 were"):
        proportional_odds(frame, outcome="case", grades=[0, 1, 2], terms=["vic"])
    with pytest.raises(ValueError, match=r"given also \['1'\]"):
        proportional_odds(frame, outcome="case", grades=[0], terms=["vic"])
    separated = pd.DataFrame({"g": [1, 1, 1, 2, 2, 2, 3, 3, 3], "x": [0, 0, 0, 1, 1, 1, 2, 2, 2]})
    with pytest.raises(ValueError, match="may separate the grades"):
        proportional_odds(separated, outcome="g", grades=[1, 2, 3], terms=["x"])
    with pytest.raises(ValueError, match="more rows than coefficients"):
        linear_model(pd.DataFrame({"y": [1.0, 2.0], "x": [0, 1]}), outcome="y", terms=["x"])


def test_origin_and_unit_of_a_term_do_not_matter():
    rng = np.random.default_rng(8)
    x = rng.normal(size=120)
    y = (rng.random(120) < 1 / (1 + np.exp(1 - x))).astype(int)
    plain = firth_logistic(pd.DataFrame({"x": x, "y": y}), outcome="y", terms=["x"]).table.iloc[1]
    for origin, unit in ((101_325.0, 1.0), (0.0, 1e4), (300.0, 1e-3)):
        frame = pd.DataFrame({"x": origin + unit * x, "y": y})
        moved = firth_logistic(frame, outcome="y", terms=["x"]).table.iloc[1]
        for column in ("estimate", "low", "high"):
            assert moved[column] * unit == pytest.approx(plain[column], rel=1e-5)
        assert moved["p"] == pytest.approx(plain["p"], rel=1e-4)
