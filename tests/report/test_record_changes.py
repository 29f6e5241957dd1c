"""What changes when files come into a dossier: rows by their keys, verdicts with old and new, windows."""

from dataclasses import replace

import pandas as pd
import pytest

import auditkit
from auditkit.report.record_changes import change_lines, changes_between

from .small_dossier import RUNS, WRAP, write_small

NEAR = RUNS.replace("70,203.2,parallel", "70,140,parallel")


@pytest.fixture(scope="module")
def before(tmp_path_factory):
    return write_small(tmp_path_factory.mktemp("before") / "records", runs=NEAR)


@pytest.fixture(scope="module")
def changed(before, tmp_path_factory):
    """Return what changes when an inspector rates A1 worse, R2 stands off too far, and a unit is gone."""
    runs = NEAR.replace("70,180,parallel", "70,400,parallel").replace("55,8,13.6", "55,9,13.6")
    wrap = WRAP.replace("4.5,five-best", "1,five-best")
    after = write_small(tmp_path_factory.mktemp("after") / "records", runs=runs, wrap=wrap, units=None)
    return changes_between(before, auditkit.read_dossier(after), judged=True)


def test_rows_are_counted_by_their_keys(changed):
    assert changed.rows.to_numpy().tolist() == [
        ["spray_runs", 0, 0, 2],
        ["units", 0, 1, 0],
        ["wrap_observations", 0, 0, 1],
    ]
    assert changed.removed.to_numpy().tolist() == [["units", "U1"]]
    assert (changed.judged, changed.unread, changed.breaches) == (True, "", True)


def test_verdicts_that_change_are_told_with_old_and_new(changed):
    wrap = changed.verdicts[changed.verdicts["topic"] == "wrap"]
    assert wrap[["key", "before", "after", "why"]].to_numpy().tolist() == [
        ["A1", "conforms", "does not conform", "spray_runs: 1 changed; wrap_observations: 1 changed"]
    ]


def test_windows_are_told_where_other_runs_lie_outside(changed):
    windows = changed.windows.set_index("condition")
    # of 150 to 200 mm: R1 sprays at 140 mm, R2 went from 180 to 400 mm
    assert windows.loc["standoff_mm"].tolist() == [1, 2, 2, 2]
    assert "humidity_pct" not in windows.index
    assert changed.n == len(changed.verdicts) + len(changed.windows) + int(changed.rows.iloc[:, 1:].to_numpy().sum())


def test_the_lines_name_what_changed(changed):
    lines = change_lines(changed)
    assert lines[:4] == (
        "spray_runs: accepted rows: 2 changed",
        "units: accepted rows: 1 removed",
        "wrap_observations: accepted rows: 1 changed",
        "units: accepted before, and now gone or set aside: U1",
    )
    assert "wrap A1: conforms became does not conform; spray_runs: 1 changed; wrap_observations: 1 changed" in lines
    assert "standoff_mm: 1 of 2 runs outside the window became 2 of 2" in lines


def test_long_lists_are_cut_with_their_number(changed):
    many = pd.DataFrame({"record": "units", "key": [f"U{n}" for n in range(5)]})
    verdicts = pd.concat([changed.verdicts.head(1)] * 3)
    lines = change_lines(replace(changed, removed=many, verdicts=verdicts), most=2)
    assert "units: accepted before, and now gone or set aside: U0; U1; and 3 more" in lines
    assert "... and 1 more verdicts" in lines


def test_nothing_changes_from_a_folder_to_itself(before):
    same = changes_between(before, auditkit.read_dossier(before), judged=False)
    assert (same.n, len(same.rows), len(same.verdicts), len(same.windows)) == (0, 0, 0, 0)
    assert same.breaches is False  # not asked for
    assert change_lines(same) == ("Accepted rows: none changed", "Verdicts and windows were not asked for.")
    assert "No verdict changed." in change_lines(replace(same, judged=True))


def test_what_cannot_be_read_is_not_compared(before, tmp_path):
    told = changes_between(tmp_path, auditkit.read_dossier(before), judged=False)
    assert "must hold at least one row of records" in told.unread
    assert (told.judged, told.n) == (False, 0)
    assert change_lines(told) == (f"Nothing to compare with, as what is there cannot be read by itself: {told.unread}",)
