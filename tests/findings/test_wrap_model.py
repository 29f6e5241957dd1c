"""Wrap model: coefficients, limits and association as statsmodels has them, and what it refuses."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from scipy.stats import t
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.outliers_influence import variance_inflation_factor

from auditkit.findings.wrap_model import find_wrap_model

BACK = {"flat": 0.36, "tube": 0.78, "mesh": 0.84}


def records(seed=1, *, jobs=8, per_job=24, job_sd=0.05, standoff=-0.003):
    """Areas of jobs and two runs on each; the ratio falls with standoff and with nothing else but geometry."""
    rng = np.random.default_rng(seed)
    n = jobs * per_job
    areas = pd.DataFrame(
        {
            "area_id": [f"A{i:03d}" for i in range(n)],
            "job_id": np.repeat([f"J{i}" for i in range(jobs)], per_job),
            "geometry": rng.choice(list(BACK), n, p=[0.25, 0.5, 0.25]),
        }
    )
    runs = pd.DataFrame(
        {
            "area_id": np.tile(areas["area_id"], 2),
            "standoff_mm": rng.uniform(150, 230, 2 * n),
            "part_ground_ohm": 10 ** rng.uniform(3, 7, 2 * n),
            "brush_wear_pct": rng.uniform(0, 70, 2 * n),
            "viscosity_mm2_s": rng.uniform(40, 90, 2 * n),
            "bell_diameter_mm": rng.choice([50.0, 70.0], 2 * n),
        }
    )
    means = runs.groupby("area_id")["standoff_mm"].mean().reindex(areas["area_id"]).to_numpy()
    of_job = np.repeat(rng.normal(0, job_sd, jobs), per_job)
    log_ratio = np.log(areas["geometry"].map(BACK)) + standoff * (means - 178) + of_job + rng.normal(0, 0.1, n)
    return areas.assign(ratio=np.exp(log_ratio), wrap_pct=60 + 20 * log_ratio), runs


def statsmodels_fit(areas, runs):
    """The same model by formula, and each of its refits without a job."""
    own = runs.assign(ground=np.log10(runs["part_ground_ohm"])).groupby("area_id").mean().reset_index()
    frame = areas.merge(own, on="area_id").assign(y=lambda f: np.log(f["ratio"]))
    most = frame["geometry"].value_counts().idxmax()
    formula = f"y ~ C(geometry, Treatment('{most}')) + ground + standoff_mm + brush_wear_pct + viscosity_mm2_s"
    formula += " + bell_diameter_mm"
    whole = smf.ols(formula, frame).fit()
    left = [smf.ols(formula, frame[frame["job_id"] != job]).fit().params for job in frame["job_id"].unique()]
    return whole, np.array(left)


def test_coefficients_and_limits_as_statsmodels_has_them():
    areas, runs = records()
    found = find_wrap_model(areas, runs)
    film = found.terms[found.terms["outcome"] == "film ratio"].set_index("term")
    whole, left = statsmodels_fit(areas, runs)
    assert film.loc["standoff_mm", "estimate"] == pytest.approx(np.exp(10 * whole.params["standoff_mm"]))
    assert film.loc["part_ground_log10_ohm", "estimate"] == pytest.approx(np.exp(whole.params["ground"]))
    flat = next(name for name in whole.params.index if "T.flat" in name)
    assert film.loc["geometry[flat]", "estimate"] == pytest.approx(np.exp(whole.params[flat]))
    # CV3 of MacKinnon, Nielsen and Webb (2023): (G - 1) / G times the sum of squares about the estimate.
    place = list(whole.params.index).index("standoff_mm")
    error = np.sqrt(7 / 8 * ((left[:, place] - whole.params["standoff_mm"]) ** 2).sum())
    low, high = whole.params["standoff_mm"] + np.array([-1, 1]) * t.ppf(0.975, 7) * error
    assert film.loc["standoff_mm", ["low", "high"]].tolist() == pytest.approx(np.exp([10 * low, 10 * high]).tolist())
    assert film.loc["standoff_mm", "p"] == pytest.approx(2 * t.sf(abs(whole.params["standoff_mm"]) / error, 7))
    model = found.models.set_index("outcome").loc["film ratio"]
    assert model["r2"] == pytest.approx(whole.rsquared)
    assert (model["n"], model["jobs"], model["excluded"], model["verdict"]) == (192, 8, 0, "described")


def test_partial_association_and_inflation_as_statsmodels_has_them():
    areas, runs = records()
    film = find_wrap_model(areas, runs).terms.query("outcome == 'film ratio'").set_index("term")
    whole, _ = statsmodels_fit(areas, runs)
    squared = whole.tvalues["standoff_mm"] ** 2
    assert film.loc["standoff_mm", "partial_r2"] == pytest.approx(squared / (squared + whole.df_resid))
    place = whole.model.exog_names.index("bell_diameter_mm")
    assert film.loc["bell_diameter_mm", "inflation"] == pytest.approx(
        variance_inflation_factor(whole.model.exog, place)
    )


def test_false_discoveries_are_held_over_both_outcomes():
    terms = find_wrap_model(*records()).terms
    assert len(terms) == 14
    assert terms["q"].to_numpy() == pytest.approx(multipletests(terms["p"], method="fdr_bh")[1])


def test_the_planted_terms_are_found_and_read_the_right_way_round():
    terms = find_wrap_model(*records(seed=5)).terms.set_index(["outcome", "term"])
    for outcome in ("film ratio", "rated wrap"):
        assert terms.loc[(outcome, "standoff_mm"), "reading"] == "goes with less wrap"
        assert terms.loc[(outcome, "geometry[flat]"), "reading"] == "goes with less wrap"
    assert terms.loc[("film ratio", "standoff_mm"), "step"] == "10 mm more"
    assert terms.loc[("film ratio", "standoff_mm"), "estimate"] == pytest.approx(np.exp(-0.03), abs=0.012)
    assert terms.loc[("rated wrap", "standoff_mm"), "estimate"] == pytest.approx(-0.6, abs=0.25)
    more = find_wrap_model(*records(seed=5, standoff=0.003)).terms.set_index(["outcome", "term"])
    assert more.loc[("film ratio", "standoff_mm"), "reading"] == "goes with more wrap"


def test_readings_never_speak_of_causes():
    found = find_wrap_model(*records())
    assert set(found.terms["reading"]) <= {"goes with more wrap", "goes with less wrap", "not clear"}
    assert "nothing here says that it causes it" in found.method


def test_limits_hold_a_true_factor_in_jobs_that_differ():
    """Of 40 audits of 8 jobs, 95 % limits hold the true factor of standoff in 34 or more."""
    held = []
    for seed in range(40):
        areas, runs = records(200 + seed, per_job=12, job_sd=0.15)
        runs = runs[["area_id", "standoff_mm"]].assign(part_ground_ohm=1e5)
        terms = find_wrap_model(areas.assign(wrap_pct=np.nan), runs).terms.set_index("term")
        held.append(terms.loc["standoff_mm", "low"] <= np.exp(-0.03) <= terms.loc["standoff_mm", "high"])
    assert np.sum(held) >= 34


def test_a_term_that_follows_from_another_is_left_out_and_said():
    areas, runs = records()
    shape = runs["area_id"].map(areas.set_index("area_id")["geometry"])
    tied = runs.assign(bell_diameter_mm=np.where(shape == "mesh", 50.0, 70.0), viscosity_mm2_s=60.0)
    reason = find_wrap_model(areas, tied).left_out.query("outcome == 'film ratio'").set_index("term")["reason"]
    assert reason["bell_diameter_mm"] == "it follows from geometry: it cannot be told apart"
    assert reason["viscosity_mm2_s"] == "the same for all areas"
    assert reason["resistivity of the paint"] == "not recorded: no such record is kept"


def test_a_term_that_varies_in_one_job_only_is_left_out():
    areas, runs = records()
    in_one = runs["area_id"].isin(areas.loc[areas["job_id"] == "J3", "area_id"])
    one = runs.assign(bell_diameter_mm=runs["bell_diameter_mm"].where(in_one, 70.0))
    reason = find_wrap_model(areas, one).left_out.set_index("term")["reason"]
    expected = "without job J3 it is the same for all areas or follows from the other terms"
    assert reason["bell_diameter_mm"].tolist() == [expected] * 2


def test_a_term_seldom_recorded_is_left_out_and_gaps_are_counted():
    areas, runs = records()
    known = areas["area_id"].iloc[:90]
    gaps = runs.assign(
        viscosity_mm2_s=runs["viscosity_mm2_s"].where(runs["area_id"].isin(known)),
        standoff_mm=runs["standoff_mm"].mask(runs["area_id"].isin(known[:10])),
    )
    found = find_wrap_model(areas, gaps)
    reason = found.left_out.set_index("term")["reason"]
    assert reason["viscosity_mm2_s"].tolist() == ["recorded for 90 of 192 areas"] * 2
    assert found.models[["n", "excluded"]].values.tolist() == [[182, 10]] * 2
    assert (found.n, found.excluded) == (182, 10)


def test_a_geometry_of_one_job_only_is_left_out():
    areas, runs = records()
    odd = areas.assign(geometry=areas["geometry"].mask(areas["area_id"].isin(["A000", "A001"]), "angle"))
    found = find_wrap_model(odd, runs)
    assert found.models["excluded"].tolist() == [2, 2]
    assert not found.terms["term"].str.contains("angle").any()


def test_terms_that_travel_together_are_named():
    areas, runs = records()
    rng = np.random.default_rng(3)
    close = runs.assign(viscosity_mm2_s=runs["standoff_mm"] / 3 + rng.normal(0, 1.0, len(runs)))
    terms = find_wrap_model(areas, close).terms.query("outcome == 'film ratio'").set_index("term")
    assert terms.loc["standoff_mm", "inflation"] > 5
    assert terms.loc["standoff_mm", "travels_with"].startswith("viscosity_mm2_s")
    assert terms.loc["brush_wear_pct", "travels_with"] == ""


def test_probability_of_a_worn_brush_stands_for_its_wear_where_there_is_one():
    areas, runs = records()
    worn = runs.assign(brush_worn_p=np.clip(runs["brush_wear_pct"] / 70, 0, 1))
    terms = find_wrap_model(areas, worn).terms["term"].tolist()
    assert "brush_worn_p" in terms
    assert "brush_wear_pct" not in terms
    none = find_wrap_model(areas, runs.assign(brush_worn_p=np.nan)).terms["term"].tolist()
    assert "brush_wear_pct" in none
    assert "brush_worn_p" not in none


def test_bare_backs_have_no_ratio_and_are_counted():
    areas, runs = records()
    bare = areas.assign(ratio=areas["ratio"].mask(areas.index < 3, 0.0))
    model = find_wrap_model(bare, runs).models.set_index("outcome")
    assert model.loc["film ratio", ["n", "bare"]].tolist() == [189, 3]
    assert model.loc["rated wrap", ["n", "bare"]].tolist() == [192, 0]


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"jobs": 4}, "areas of 4 jobs; limits that rest on jobs need 5"),
        ({"per_job": 4}, "32 areas for 8 coefficients; 5 for each are needed"),
    ],
)
def test_too_little_cannot_tell(change, reason):
    found = find_wrap_model(*records(**change))
    assert found.models["verdict"].tolist() == ["cannot tell"] * 2
    assert found.models["reason"].tolist() == [reason] * 2
    assert found.terms.empty
    assert found.n == 0


def test_nothing_recorded():
    areas, runs = records()
    none = find_wrap_model(areas.assign(ratio=np.nan, wrap_pct=np.nan), runs)
    assert none.models["reason"].tolist() == ["no term is recorded that varies"] * 2
    empty = find_wrap_model(areas.iloc[:0], runs.iloc[:0])
    assert (empty.n, empty.excluded, len(empty.terms), len(empty.models)) == (0, 0, 0, 2)
    assert empty.terms.dtypes.to_dict() == find_wrap_model(areas, runs).terms.dtypes.to_dict()
    single = find_wrap_model(areas.head(1), runs.head(1))
    assert single.models["verdict"].tolist() == ["cannot tell"] * 2


def test_order_of_rows_does_not_matter_and_inputs_stay():
    areas, runs = records()
    before = areas.copy(), runs.copy()
    one = find_wrap_model(areas, runs)
    other = find_wrap_model(areas.sample(frac=1, random_state=1), runs.sample(frac=1, random_state=2))
    pd.testing.assert_frame_equal(one.terms, other.terms)
    pd.testing.assert_frame_equal(areas, before[0])
    pd.testing.assert_frame_equal(runs, before[1])


def test_refusals():
    with pytest.raises(ValueError, match="confidence must lie strictly between 0 and 1"):
        find_wrap_model(*records(), confidence=1.0)
