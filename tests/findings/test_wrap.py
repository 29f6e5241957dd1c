"""Wrap: ratings against the requirement, by hand."""

import pandas as pd
import pytest

from auditkit.findings.wrap import find_wrap

SPOTS = pd.DataFrame(
    {
        "area_id": ["A1", "A1", "A2", "A2"],
        "part": 1,
        "side": ["facing", "reverse"] * 2,
        "spot": 1,
        "n": 3,
        "dft_um": [80.0, 40.0, 80.0, 60.0],
        "low_um": 0.0,
        "high_um": 100.0,
    }
)


def tables(required, ratings):
    areas = sorted({"A1", "A2", *(area for area, *_ in ratings)})
    observations = pd.DataFrame(ratings, columns=["area_id", "inspector_id", "rating", "scale"])
    return {
        "jobs": pd.DataFrame({"job_id": ["J1"], "wrap_min_pct": [required]}).astype({"wrap_min_pct": "float64"}),
        "areas": pd.DataFrame({"area_id": areas, "job_id": "J1", "geometry": "tube"}),
        "wrap_observations": observations.astype({"rating": "float64"}),
    }


def verdict(required, ratings, area="A1"):
    wrap = find_wrap(tables(required, ratings), SPOTS)
    return wrap.areas.set_index("area_id").loc[area]


def test_an_inspector_who_rates_often_counts_once():
    # IN1 rates 5, 5, 5 (100 %), IN2 once 3 (60 %): the mean over inspectors is 80 %, not 90 %.
    rated = [("A1", "IN1", 5, "five-best")] * 3 + [("A1", "IN2", 3, "five-best")]
    row = verdict(80.0, rated)
    assert row["wrap_pct"] == pytest.approx(80.0)
    assert row["verdict"] == "conforms"
    assert (row["ratings"], row["inspectors"]) == (4, 2)


@pytest.mark.parametrize(
    ("rating", "expected"),
    [(69.9, "does not conform"), (70.0, "conforms"), (70.1, "conforms"), (0.0, "does not conform")],
)
def test_the_requirement_is_a_least(rating, expected):
    assert verdict(70.0, [("A1", "IN1", rating, "percent")])["verdict"] == expected


def test_a_mean_that_ties_with_the_requirement_meets_it():
    # Inspectors' means of 51.67, 68.33 and 75 % are 65 % on average; in binary that falls a hair short.
    ratings = {"IN1": (4.5, 4.5, 6.5), "IN2": (4.5, 6.5, 9.5), "IN3": (7.5,)}
    rated = [("A1", name, rating, "ten-best") for name, own in ratings.items() for rating in own]
    assert verdict(65.0, rated)["wrap_pct"] < 65.0
    assert verdict(65.0, rated)["verdict"] == "conforms"


def test_nothing_asked_and_nothing_rated_are_told_apart():
    assert verdict(None, [("A1", "IN1", 10, "percent")])["verdict"] == "not required"
    assert verdict(70.0, [("A1", "IN1", 90, "percent")], area="A2")["verdict"] == "not assessable"


def test_ratio_and_its_interval_by_hand():
    shape = find_wrap(tables(70.0, [("A1", "IN1", 90, "percent")]), SPOTS).geometries.iloc[0]
    assert shape["ratio"] == pytest.approx((40 / 80 + 60 / 80) / 2)
    # Student's t with one degree of freedom, 12.706; standard error 0.25 / sqrt(2) / sqrt(2).
    assert shape["ratio_high"] - shape["ratio"] == pytest.approx(12.706 * 0.125, rel=1e-4)
