"""Figures of doubt: sorted, the doubtful band with its count, verdicts by shape."""

import math

import pandas as pd
import pytest

from auditkit.views.doubt_figures import conformance_probabilities, uncertainty_shares


@pytest.fixture
def sides():
    return pd.DataFrame(
        {
            "area_id": ["A1", "A2", "A3", "A4", "A5"],
            "side": "facing",
            "verdict": ["conforms", "does not conform", "conforms", "not assessable", "conforms"],
            "probability_conforms": [0.9, 0.02, 0.97, math.nan, 1.0],
            "probability_right": [0.9, 0.98, 0.97, math.nan, 1.0],
        }
    )


def test_sides_are_sorted_and_counted(sides):
    figure = conformance_probabilities(sides)
    points = sorted((x, y, trace.marker.symbol) for trace in figure.data for x, y in zip(trace.x, trace.y, strict=True))
    assert points == [(1, 2.0, "x"), (2, 90.0, "circle"), (3, 97.0, "circle")]
    assert figure.layout.title.text == "Probability that a side conforms (3 sides; 1 more are near certain)"
    assert figure.layout.annotations[0].text == "doubtful: 1 of 4 sides"
    assert (figure.layout.shapes[0].y0, figure.layout.shapes[0].y1) == (5.0, 95.0)


def test_all_sides_can_be_shown(sides):
    figure = conformance_probabilities(sides, show="all")
    assert sum(len(trace.x) for trace in figure.data) == 4
    with pytest.raises(ValueError, match="show must be 'doubtful' or 'all'; given 'some'"):
        conformance_probabilities(sides, show="some")


def test_nothing_to_draw_does_not_fail(sides):
    assert "(0 sides" in conformance_probabilities(sides.iloc[:0]).layout.title.text


def test_shares_of_the_budget_are_stacked_by_job_and_gauge():
    key = {"job_id": "J1", "side": "facing", "gauge_id": "G1"}
    budget = pd.DataFrame(
        [{**key, "source": s, "contribution_pct": p} for s, p in (("gauge", 30.0), ("spot placement", 70.0))]
    )
    totals = pd.DataFrame(
        [
            {**key, "expanded_uncertainty_um": 5.04, "reason": ""},
            {**key, "gauge_id": "G2", "expanded_uncertainty_um": math.nan, "reason": "the gauge has no checks"},
        ]
    )
    figure = uncertainty_shares(budget, totals)
    assert {trace.name: (list(trace.x), list(trace.y)) for trace in figure.data} == {
        "gauge": ([30.0], ["J1, G1: ±5.0 µm"]),
        "spot placement": ([70.0], ["J1, G1: ±5.0 µm"]),
    }
    assert len({trace.marker.pattern.shape for trace in figure.data}) == 2
    assert not uncertainty_shares(budget.iloc[:0], totals.iloc[:0]).data
