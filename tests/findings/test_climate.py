"""Climate through the day, worked by hand."""

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.climate import find_climate
from auditkit.trade.conditions import load_conditions, override_windows
from auditkit.trade.timeline import build_timeline


def runs_of(*rows):
    """Rows of run, site, start, minutes, air, surface, humidity, dew point."""
    names = ["run_id", "site", "start", "minutes", "air_temp_c", "surface_temp_c", "humidity_pct", "dew_point_c"]
    frame = pd.DataFrame(rows, columns=names).astype(dict.fromkeys(names[3:], "float64"))
    start = pd.to_datetime([f"2027-01-{text}Z" for text in frame["start"]], utc=True)
    return frame.assign(
        day="2027-01-" + frame["start"].str[:2],
        started_at=start,
        ended_at=start + pd.to_timedelta(frame["minutes"], unit="min"),
        surface_margin_c=frame["surface_temp_c"] - frame["dew_point_c"],
    )


RUNS = runs_of(
    ("R1", "quay", "11T07:10", 30, 8.0, 7.0, 90.0, 6.4),  # margin 0.6
    ("R2", "quay", "11T07:50", 45, 9.0, 8.5, 80.0, 5.7),  # 2.8
    ("R3", "quay", "11T14:20", 60, 12.0, 13.0, 60.0, 4.5),  # 8.5
    ("R4", "quay", "12T08:00", 30, 10.0, 11.0, 70.0, 4.8),
    ("R5", "dock", "11T08:00", 30, None, None, None, None),
    ("R6", "dock", "11T09:00", 30, 10.0, 11.0, 70.0, 4.8),
)


def test_days_count_runs_and_hours_below_the_margin_and_name_the_worst_moment():
    days = find_climate(RUNS, conditions=load_conditions()).days.set_index(["site", "day"])
    wet = days.loc[("quay", "2027-01-11")]
    assert (wet["runs"], wet["measured"], wet["below_margin"], wet["too_humid"]) == (3, 3, 2, 1)
    assert (wet["below_margin_h"], wet["too_humid_h"]) == pytest.approx((1.25, 0.5))
    assert (wet["lowest_margin_c"], wet["worst_run_id"]) == (pytest.approx(0.6), "R1")
    assert wet["worst_at"] == pd.Timestamp("2027-01-11T07:10Z")
    assert wet["highest_humidity_pct"] == 90.0
    assert wet["longest_gap_h"] == pytest.approx(6.5)  # 07:50 to 14:20
    assert days["verdict"].to_dict() == {
        ("dock", "2027-01-11"): "cannot tell",
        ("quay", "2027-01-11"): "left",
        ("quay", "2027-01-12"): "kept",
    }
    assert days.loc[("dock", "2027-01-11"), "longest_gap_h"] == pytest.approx(1.0)


def test_the_course_of_the_day_is_by_local_hour():
    course = find_climate(RUNS, conditions=load_conditions(), time_zone="Europe/Oslo").course
    quay = course[(course["site"] == "quay") & (course["day"] == "2027-01-11")]
    assert quay["hour"].tolist() == [8, 15]
    assert quay["runs"].tolist() == [2, 1]
    assert quay["below_margin"].tolist() == [2, 0]
    assert quay["lowest_margin_c"].tolist() == pytest.approx([0.6, 8.5])
    assert quay["humidity_pct"].tolist() == pytest.approx([85.0, 60.0])
    dock = course[course["site"] == "dock"].iloc[0]
    assert (dock["measured"], np.isnan(dock["lowest_margin_c"])) == (0, True)


def test_three_degrees_are_kept_and_less_is_not():
    at_limit = RUNS.assign(surface_margin_c=[3.0, 2.99, 3.01, 5.0, None, 5.0], humidity_pct=85.0)
    found = find_climate(at_limit, conditions=load_conditions())
    assert found.runs.set_index("run_id")["margin"].to_dict() == {
        "R1": "inside",
        "R2": "below",
        "R3": "inside",
        "R4": "inside",
        "R5": "not recorded",
        "R6": "inside",
    }
    assert (found.runs["humidity"] == "inside").all()
    assert (found.n, found.excluded) == (5, 1)
    assert "at least 3 (ISO 12944-7" in found.method
    other = override_windows(load_conditions(), {"surface_margin_c": {"low": 2}})
    assert find_climate(at_limit, conditions=other).days["below_margin"].sum() == 0


def test_order_input_and_nothing_at_all():
    before = RUNS.copy()
    found, other = (find_climate(rows, conditions=load_conditions()) for rows in (RUNS, RUNS.iloc[::-1]))
    for name in ("runs", "days", "course"):
        pd.testing.assert_frame_equal(getattr(found, name), getattr(other, name))
    pd.testing.assert_frame_equal(RUNS, before)
    none = find_climate(RUNS.head(0), conditions=load_conditions())
    assert (len(none.runs), len(none.days), len(none.course), none.n) == (0, 0, 0, 0)
    assert none.days.dtypes.astype(str).tolist() == found.days.dtypes.astype(str).tolist()


def test_the_sample_adds_up(clean_dossier):
    runs = build_timeline(clean_dossier.tables, time_zone=clean_dossier.time_zone).runs
    found = find_climate(runs, conditions=load_conditions(), time_zone=clean_dossier.time_zone)
    assert found.days["runs"].sum() == found.course["runs"].sum() == len(runs)
    low = runs["surface_margin_c"] < 3
    assert found.days["below_margin"].sum() == low.sum() > 0
    assert found.days["below_margin_h"].sum() == pytest.approx(runs.loc[low, "minutes"].sum() / 60)
    # the cold damp mornings of the simulator: runs below the margin start before half past ten, local time
    assert found.runs.loc[found.runs["margin"] == "below", "hour"].median() <= 10
