"""Conditions: windows with their sources, overridden only on purpose."""

import pandas as pd
import pytest

from auditkit.errors import DeclarationError
from auditkit.findings.delivery import find_delivery
from auditkit.trade.conditions import load_conditions, override_windows, side_of_window
from auditkit.trade.timeline import build_timeline


@pytest.fixture(scope="module")
def conditions():
    return load_conditions()


def test_windows_are_those_of_the_trade(conditions):
    # Common practice, no source: 6 to 8 in; 5 to 7 psi, rounded outward to whole kPa.
    assert (conditions["standoff_mm"].low, conditions["standoff_mm"].high) == (150.0, 200.0)
    assert (conditions["pot_kpa"].low, conditions["pot_kpa"].high) == (34.0, 48.0)
    # NFPA 33 and NFPA 77: objects and persons have different limits.
    assert conditions["part_ground_ohm"].high == 1e6
    assert (conditions["operator_ground_ohm"].low, conditions["operator_ground_ohm"].high) == (1e6, 1e8)
    assert conditions["surface_margin_c"].low == 3.0  # ISO 12944-7, from memory


def test_every_condition_says_where_its_window_comes_from(conditions):
    for condition in conditions.values():
        assert condition.source
        assert condition.sense
        assert condition.has_window or "no published window" in condition.source


def test_every_condition_is_a_column_of_the_timeline_or_of_what_is_joined_to_it(conditions, clean_dossier):
    runs = build_timeline(clean_dossier.tables).runs
    assert [name for name in conditions if name not in runs.columns] == ["delivery_ratio"]
    assert "delivery_ratio" in find_delivery(runs).runs
    assert {column for condition in conditions.values() for column in condition.not_for} <= set(runs.columns)


def test_a_condition_that_was_not_joined_is_recorded_for_no_run(conditions):
    runs = pd.DataFrame({"run_id": ["R1", "R2"]}, index=[3, 1])
    assert side_of_window(runs, conditions["delivery_ratio"]).tolist() == ["not recorded"] * 2


def test_a_pause_is_held_to_five_minutes_but_not_before_the_first_run_of_a_day(conditions):
    runs = pd.DataFrame({"pause_min": [5.0, 5.1, 0.0, None], "first_of_day": [False, False, False, True]})
    sides = side_of_window(runs, conditions["pause_min"]).tolist()
    assert sides == ["inside", "above", "inside", "does not apply"]


def test_sides_of_a_window(conditions):
    runs = pd.DataFrame({"brush_wear_pct": [49.9, 50.0, None]})
    assert side_of_window(runs, conditions["brush_wear_pct"]).tolist() == ["inside", "above", "not recorded"]
    runs = pd.DataFrame({"overlap_pct": [10.0, 10.0, None], "stroke_pattern": ["parallel", "circular", "circular"]})
    assert side_of_window(runs, conditions["overlap_pct"]).tolist() == ["below", "does not apply", "does not apply"]
    runs = pd.DataFrame({"viscosity_mm2_s": [70.0, None]})
    assert side_of_window(runs, conditions["viscosity_mm2_s"]).tolist() == ["no window", "not recorded"]


def test_an_override_gives_a_window_where_there_was_none(conditions):
    changed = override_windows(conditions, {"viscosity_mm2_s": {"low": 60, "high": 90}})
    runs = pd.DataFrame({"viscosity_mm2_s": [59.0, 60.0, 91.0]})
    assert side_of_window(runs, changed["viscosity_mm2_s"]).tolist() == ["below", "inside", "above"]
    assert conditions["viscosity_mm2_s"].has_window is False


@pytest.mark.parametrize(
    ("overrides", "message"),
    [
        ({"stand_off": {"low": 1}}, "conditions.stand_off: must be a known condition: standoff_mm"),
        ({"standoff_mm": {"lo": 1}}, "only low and high can be set; given lo"),
        ({"standoff_mm": {"low": 300}}, r"low may not exceed high; given 300 > 200"),
        ({"standoff_mm": {"low": "near"}}, r"conditions.standoff_mm.low: must be a number; given 'near'"),
    ],
)
def test_overrides_that_cannot_be(conditions, overrides, message):
    with pytest.raises(DeclarationError, match=message):
        override_windows(conditions, overrides)


@pytest.mark.parametrize(
    ("entry", "message"),
    [
        ("{title: T, unit: mm, source: s, sense: s, hi: 3}", "keys must be among .*; given hi"),
        ("{title: T, unit: mm, source: s}", "title, unit, source and sense must be given; given no sense"),
        ("{title: T, unit: mm, source: s, sense: s, low: far}", r"x.low: must be a number; given 'far'"),
        ("{title: T, unit: mm, source: s, sense: s, not_for: [a]}", r"must map columns to lists of values"),
    ],
)
def test_a_file_of_conditions_is_read_strictly(tmp_path, entry, message):
    path = tmp_path / "conditions.yaml"
    path.write_text(f"conditions:\n  x: {entry}\n", encoding="utf-8")
    with pytest.raises(DeclarationError, match=message):
        load_conditions(path)
