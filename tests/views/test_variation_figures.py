"""Figures of variation: every share, point and mark of the table is drawn, signals by shape and word."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.views.variation_figures import component_shares, control_chart, odd_readings_on_area

COMPONENTS = pd.DataFrame(
    {
        "scope": ["J1", "J1", "J1", "J2", "J2"],
        "side": "facing",
        "component": ["area", "spot", "repeat", "area", "spot and repeat"],
        "share_pct": [60.0, 30.0, 10.0, 75.0, 25.0],
        "sd_um": 2.0,
        "sd_low_um": 1.0,
        "sd_high_um": 3.0,
        "n": [90, 90, 90, 40, 40],
    }
)


def chart():
    return pd.DataFrame(
        {
            "kind": "unit",
            "who": "U1",
            "side": "facing",
            "chart": "EWMA",
            "point": [1, 2, 3],
            "area_id": ["A1", "A2", "A3"],
            "at": pd.to_datetime(["2027-01-11T08:00Z"] * 3),
            "value": [100.0, 101.0, 120.0],
            "centre": 100.0,
            "low": 90.0,
            "high": 110.0,
            "signal": [False, False, True],
            "words": ["", "", "areas have run thicker than usual"],
        }
    )


def test_shares_stack_to_the_whole():
    figure = component_shares(COMPONENTS)
    assert [trace.name for trace in figure.data] == ["area", "spot", "repeat", "spot and repeat"]
    assert np.sum([trace.x for trace in figure.data], axis=0).tolist() == [100.0, 100.0]
    assert figure.data[0].y[0] == "J1, facing (n=90)"
    assert len({trace.marker.pattern.shape for trace in figure.data}) == 4  # told apart without colour


def test_signal_has_its_own_shape_and_words():
    figure = control_chart(chart(), kind="unit", who="U1", side="facing", chart="EWMA")
    by_name = {trace.name: trace for trace in figure.data}
    assert by_name["signal (1)"].marker.symbol != by_name["area (2)"].marker.symbol
    assert [note.text for note in figure.layout.annotations] == ["A3: areas have run thicker than usual"]
    assert "3 points, 1 signals" in figure.layout.title.text
    with pytest.raises(ValueError, match="there is no chart of"):
        control_chart(chart(), kind="unit", who="U9", side="facing", chart="EWMA")


def test_odd_readings_are_marked_where_they_lie():
    readings = pd.DataFrame(
        {
            "area_id": "A1",
            "side": ["facing"] * 6,
            "spot": [1, 1, 1, 2, 2, 2],
            "repeat": [1, 2, 3] * 2,
            "dft_um": [70.0, 71.0, 99.0, 50.0, 51.0, 52.0],
        }
    )
    flags = pd.DataFrame(
        {
            "kind": ["reading far from its spot", "spot far from its area side"],
            "area_id": "A1",
            "side": "facing",
            "spot": [1, 2],
            "repeat": pd.array([3, pd.NA], dtype="Int64"),
            "statistic": [7.1, -4.2],
        }
    )
    figure = odd_readings_on_area(readings, flags, area_id="A1")
    assert [trace.name.rsplit(" (", 1)[0] for trace in figure.data] == [
        "reading",
        "reading far from its spot",
        "spot far from its side (mean)",
    ]
    assert (list(figure.data[1].y), list(figure.data[1].text)) == ([99.0], ["+7.1"])
    assert (list(figure.data[2].y), list(figure.data[2].text)) == ([51.0], ["-4.2"])
    assert len(odd_readings_on_area(readings, flags.iloc[:0], area_id="A1").data) == 1
    with pytest.raises(ValueError, match="area 'A9' has no film readings"):
        odd_readings_on_area(readings, flags, area_id="A9")
