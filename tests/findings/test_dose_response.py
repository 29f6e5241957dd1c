"""Dose-response: known curves, none where there is no data, and the data's own density beneath."""

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.dose_response import LEAST_JOBS_NEAR, LEAST_RUNS_NEAR, find_dose_response
from auditkit.trade.conditions import load_conditions

from .cause_records import adjustments, found_of, records

KNOWN = load_conditions()


def dose_of(runs, names=("standoff_mm",), found=None, **settings):
    return find_dose_response(
        runs,
        found_of(runs) if found is None else found,
        conditions=KNOWN,
        adjustments=adjustments(names, settings.pop("adjust_for", ("job_id", "operator_id"))),
        drawn=names,
        **settings,
    )


def test_a_known_curve_is_drawn_and_too_near_and_too_far_are_both_guilty():
    runs = records(1, 3000, far=0.10, near=0.10)
    result = dose_of(runs)
    curve = result.curve[result.curve["supported"]].set_index("value")["risk"]
    middle = curve[(curve.index > 165) & (curve.index < 185)].mean()
    assert middle == pytest.approx(1 / (1 + np.exp(2.0)), abs=0.05)
    assert curve.iloc[0] > middle + 0.1
    assert curve.iloc[-1] > middle + 0.1
    assert result.pairs.loc[0, "flatness_p"] < 1e-6
    assert result.pairs.loc[0, "shape"] == "natural spline"


def test_a_flat_truth_lies_in_the_band():
    runs = records(2, 400, crew=0.8)
    result = dose_of(runs)
    drawn = result.curve[result.curve["supported"]]
    within = (drawn["low"] <= runs["p"].mean()) & (runs["p"].mean() <= drawn["high"])
    assert within.mean() > 0.9
    assert result.pairs.loc[0, "flatness_p"] > 0.05


def test_no_curve_where_there_is_no_data():
    runs = records(3, 300)
    runs.loc[0, "standoff_mm"] = 400.0
    result = dose_of(runs)
    curve = result.curve
    assert curve["value"].max() == 400.0
    assert not curve.loc[curve["value"] > 260, "supported"].any()
    assert curve.loc[~curve["supported"], ["risk", "low", "high"]].isna().all(axis=None)
    assert curve.loc[curve["supported"], ["risk", "low", "high"]].notna().all(axis=None)
    enough = (curve["runs_near"] >= LEAST_RUNS_NEAR) & (curve["jobs_near"] >= LEAST_JOBS_NEAR)
    assert (enough == curve["supported"]).all()
    # Counted again by hand at one point.
    at, width = curve["value"][10], result.density["bandwidth"][0]
    near = (runs["standoff_mm"] - at).abs() <= width
    assert (curve["runs_near"][10], curve["jobs_near"][10]) == (near.sum(), runs.loc[near, "job_id"].nunique())


def test_runs_of_one_job_draw_no_curve_there():
    runs = records(4, 300).assign(standoff_mm=lambda f: np.where(f["job_id"] == "J1", 230.0, 165.0) + f.index % 15)
    curve = dose_of(runs, adjust_for=()).curve
    assert not curve.loc[curve["value"] > 225, "supported"].any()
    assert curve.loc[curve["value"] < 180, "supported"].all()


def test_density_is_that_of_the_runs():
    from scipy.stats import gaussian_kde

    runs = records(5, 300)
    density = dose_of(runs).density
    width = density["bandwidth"][0]
    spread = runs["standoff_mm"].std()
    quartiles = np.subtract(*np.quantile(runs["standoff_mm"], [0.75, 0.25])) / 1.34
    assert width == pytest.approx(0.9 * min(spread, quartiles) * 300**-0.2)  # Silverman (1986), eq. 3.31
    theirs = gaussian_kde(runs["standoff_mm"], bw_method=width / spread)(density["value"])
    np.testing.assert_allclose(density["density"], theirs, rtol=1e-9)
    assert np.trapezoid(density["density"], density["value"]) == pytest.approx(1.0, abs=0.02)
    assert (density["runs"] == 300).all()


def test_resistance_is_drawn_over_powers_of_ten_in_its_own_unit():
    runs = records(6, 400)
    result = dose_of(runs, ("part_ground_ohm",))
    values = result.curve["value"]
    steps = np.diff(np.log10(values))
    np.testing.assert_allclose(steps, steps[0], rtol=1e-6)
    assert values.max() == pytest.approx(runs["part_ground_ohm"].max(), rel=1e-9)
    np.testing.assert_allclose(result.density["value"], values)


def test_few_values_are_drawn_as_points_on_a_line():
    result = dose_of(records(7, 300), ("bell_used_d",))
    assert result.curve["value"].tolist() == [0.0, 1.0, 2.0]
    assert result.pairs.loc[0, "shape"] == "straight line"


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda f: f.assign(standoff_mm=np.nan), "the condition was not recorded for any run, or applies to none"),
        (
            lambda f: f.assign(standoff_mm=np.where(f.index % 2, 160.0, 220.0)),
            "2 values of the condition; 3 are needed",
        ),
        (lambda f: f.assign(spit=False), "0 runs with the defect; 5 are needed"),
        (lambda f: f.assign(spit=f.index == f.index[0]), "1 run with the defect; 5 are needed"),
        (lambda f: f.assign(spit=True), "0 runs without the defect; 5 are needed"),
        (lambda f: f.assign(job_id="J1"), "nowhere along the condition do enough runs of enough jobs lie"),
        (
            lambda f: f.assign(operator_id=None),
            "no run has its job, its operator and what is to be held equal recorded",
        ),
        (
            lambda f: f.assign(standoff_mm=f["job_id"].str[1:].astype(float) * 20 + 100),
            "what is held equal (job_id, operator_id) all but decides the condition",
        ),
        (lambda f: f.drop(columns="standoff_mm"), "the condition was not recorded"),
        (lambda f: f.head(0), "the condition was not recorded for any run, or applies to none"),
    ],
    ids=[
        "blank",
        "two values",
        "no defect",
        "one defect",
        "all defects",
        "one job",
        "no operator",
        "by job",
        "no column",
        "no run",
    ],
)
def test_too_little_gives_a_reason_and_no_curve(change, why):
    result = dose_of(change(records(8, 200)))
    assert result.pairs["why"].tolist() == [why]
    assert result.curve.empty


def test_not_planned_order_and_input():
    runs = records(9, 250, far=0.05)
    before = runs.copy()
    seen = []
    names = ("standoff_mm", "bell_used_d")
    result = dose_of(runs, names, on_progress=lambda name, number, of: seen.append((number, of)))
    assert seen == [(1, 2), (2, 2)]
    turned = dose_of(runs.iloc[::-1], names)
    pd.testing.assert_frame_equal(result.curve, turned.curve, rtol=1e-6)
    pd.testing.assert_frame_equal(result.density, turned.density, rtol=1e-6)
    pd.testing.assert_frame_equal(runs, before)
    assert (result.n, result.excluded) == (250, 0)
    none = find_dose_response(
        runs, found_of(runs), conditions=KNOWN, adjustments=adjustments(["pot_kpa"]), drawn=["standoff_mm", "unknown"]
    )
    assert none.pairs["why"].tolist() == ["the causal diagram does not say what to hold equal"]
    assert none.excluded == 250
