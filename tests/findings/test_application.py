"""How the runs were sprayed, against each practice, by hand."""

import pandas as pd
import pytest

from auditkit.findings.application import find_application
from auditkit.trade.conditions import load_conditions, override_windows
from auditkit.trade.timeline import build_timeline

RUNS = pd.DataFrame(
    {
        "run_id": ["R3", "R1", "R2", "R4"],
        "unit_id": ["U1", "U1", "U2", "U2"],
        "operator_id": ["OP1", "OP1", "OP2", "OP2"],
        "standoff_mm": [180.0, 140.0, 170.0, None],
        "standoff_min_mm": [160.0, 130.0, 140.0, None],
        "standoff_max_mm": [195.0, 150.0, 220.0, None],
        "overlap_pct": [50.0, 20.0, 50.0, None],
        "stroke_pattern": ["parallel", "parallel", "circular", None],
        "follow_through_s": [6.0, 2.0, 12.0, None],
        "first_of_day": [True, False, False, False],
        "pause_min": [None, 4.0, 30.0, None],
        "bell_diameter_mm": [70.0, 70.0, 70.0, 70.0],
        "bell_matches_feed_tube": pd.array([True, False, None, None], dtype="boolean"),
    }
)


def test_practices_are_counted_by_hand():
    found = find_application(RUNS, conditions=load_conditions())
    practices = found.practices.set_index("practice")
    assert practices[["n", "left", "not_recorded", "does_not_apply"]].to_numpy().tolist() == [
        [3, 1, 1, 0],  # standoff: R1 too near
        [3, 2, 1, 0],  # nearest to farthest: R1, R2
        [2, 1, 1, 1],  # overlap: R1; circular strokes need none
        [3, 2, 1, 0],  # follow-through: R1, R2
        [2, 1, 1, 1],  # pause: R2; R3 is the first of its day
        [2, 1, 2, 0],  # bell: R1
    ]
    assert (practices["kept"] + practices["left"] == practices["n"]).all()
    assert practices["left_pct"].tolist() == pytest.approx([100 / 3, 200 / 3, 50.0, 200 / 3, 50.0, 50.0])
    assert practices["source"].str.contains("no source").sum() == 6
    assert (found.n, found.excluded) == (3, 1)


def test_runs_and_operators():
    found = find_application(RUNS, conditions=load_conditions())
    runs = found.runs.set_index("run_id")
    assert runs.index.tolist() == ["R1", "R2", "R3", "R4"]
    assert runs["outside_pct"].tolist()[:3] == pytest.approx([100.0, 37.5, 0.0])
    assert runs["spread_mm"].tolist()[:3] == [20.0, 80.0, 35.0]
    operators = found.operators.set_index("operator_id")
    assert operators["runs"].to_dict() == {"OP1": 2, "OP2": 2}
    assert operators["bell_wrong"].to_dict() == {"OP1": 1, "OP2": 0}
    assert operators.loc["OP1", ["standoff_mm", "outside_pct", "pause_min"]].tolist() == [160.0, 50.0, 4.0]


def test_an_overridden_window_governs_both_rows_of_the_standoff():
    wider = override_windows(load_conditions(), {"standoff_mm": {"low": 120, "high": 230}})
    practices = find_application(RUNS, conditions=wider).practices.set_index("practice")
    assert practices.loc[["standoff_mm", "standoff_range"], "left"].tolist() == [0, 0]
    opened = override_windows(load_conditions(), {"standoff_mm": {"low": None, "high": None}})
    none = find_application(RUNS, conditions=opened).practices.set_index("practice")
    assert none.loc[["standoff_mm", "standoff_range"], "n"].tolist() == [0, 0]
    assert none.loc["standoff_range", "no_window"] == 4


def test_order_input_and_nothing_at_all():
    before = RUNS.copy()
    found, other = (find_application(rows, conditions=load_conditions()) for rows in (RUNS, RUNS.iloc[::-1]))
    for name in ("practices", "runs", "operators"):
        pd.testing.assert_frame_equal(getattr(found, name), getattr(other, name))
    pd.testing.assert_frame_equal(RUNS, before)
    none = find_application(RUNS.head(0), conditions=load_conditions())
    assert (none.n, none.excluded, len(none.runs), len(none.operators)) == (0, 0, 0, 0)
    assert none.practices["left_pct"].isna().all()


def test_the_sample_adds_up(clean_dossier):
    runs = build_timeline(clean_dossier.tables, time_zone=clean_dossier.time_zone).runs
    found = find_application(runs, conditions=load_conditions())
    places = found.practices[["n", "not_recorded", "does_not_apply", "no_window"]].sum(axis="columns")
    assert (places == len(runs)).all()
    assert found.operators["runs"].sum() == len(runs)
