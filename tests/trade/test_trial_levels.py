"""Levels of a trial: inside the window, on steps a crew can set, and never of a ground."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.conditions import Condition, load_conditions, side_of_window
from auditkit.trade.trial_levels import SETTINGS, Setting, trial_levels

KNOWN = load_conditions()


def window(low, high, *, outside=False, stop_work=False):
    return Condition(
        name="x", title="X", unit="mm", source="made up", sense="", low=low, high=high, limit_is_outside=outside,
        stop_work=stop_work,
    )  # fmt: skip


def levels(low, high, *, step=1.0, guard=2.0, least=None, **given):
    setting = Setting(step=step, guard=guard, how="so", least=least)
    found = trial_levels(window(low, high, **given), settings={"x": setting})
    return found.low, found.high, found.middle, found.why


def test_levels_by_hand():
    # 34 to 48 less 2 at each end; a window of 33.2 to 48.9 is rounded inwards to whole numbers.
    assert levels(34, 48)[:3] == (36, 46, 41)
    assert levels(33.2, 48.9)[:3] == (36, 46, 41)
    assert levels(10, 20, step=0.5, guard=0.5)[:3] == (10.5, 19.5, 15.0)
    low, high, middle, _ = levels(34, 47)
    assert (low, high) == (36, 45)
    assert np.isnan(middle)  # 40.5 is between steps of 1


def test_a_window_open_below_starts_at_the_least_there_can_be():
    assert levels(None, 50, step=5, guard=5, least=0)[:2] == (0, 45)
    assert (
        levels(None, 50)[3] == "no safe window with two sides is known; declare one from the coating maker's data sheet"
    )
    assert levels(34, None)[3].startswith("no safe window with two sides")


def test_a_window_too_narrow_leaves_no_trial():
    assert levels(34, 42)[:2] == (36, 40)  # twice the guard apart: just enough
    assert np.isnan(levels(34, 41)[0])
    assert levels(34, 41)[3] == "its window (34 to 41) leaves no room for two levels: one of them would lie outside"
    assert "at most 0" in levels(None, 0, guard=0, least=0)[3]


def test_a_limit_that_is_outside_is_never_a_level():
    assert levels(10, 20, guard=0)[:2] == (10, 20)
    assert levels(10, 20, guard=0, outside=True)[:2] == (11, 19)


def test_a_ground_is_never_tried_even_if_someone_says_how():
    found = levels(1e6, 1e8, stop_work=True)
    assert np.isnan(found[0])
    assert found[3] == "a limit of safety is never tried: stay inside it in every run"
    for name in ("part_ground_ohm", "operator_ground_ohm"):
        assert name not in SETTINGS
        assert trial_levels(KNOWN[name]).why


@pytest.mark.parametrize("name", sorted(SETTINGS))
def test_every_level_of_the_shipped_windows_lies_inside_them(name):
    found = trial_levels(KNOWN[name])
    if found.why:
        assert np.isnan([found.low, found.high, found.middle]).all()
        return
    runs = pd.DataFrame({name: [found.low, found.high]})
    assert (side_of_window(runs, KNOWN[name]) == "inside").all()
    assert found.low < found.high
    # ... even when each strays by its guard
    guard = SETTINGS[name].guard
    strayed = pd.DataFrame({name: [max(found.low - guard, SETTINGS[name].least or -np.inf), found.high + guard]})
    if not KNOWN[name].limit_is_outside:
        assert (side_of_window(strayed, KNOWN[name]) == "inside").all()


def test_every_shipped_condition_has_levels_or_a_reason():
    tried = {name for name, condition in KNOWN.items() if not trial_levels(condition).why}
    assert tried == {"standoff_mm", "overlap_pct", "follow_through_s", "pause_min", "pot_kpa", "brush_wear_pct"}
    assert trial_levels(KNOWN["humidity_pct"]).why.startswith("the weather cannot be set")
    unknown = dataclasses.replace(KNOWN["pot_kpa"], name="moon_phase")
    assert trial_levels(unknown).why == "it is not known how a crew would set it"


def test_viscosity_is_tried_once_a_window_is_declared_and_is_hard_to_change():
    declared = dataclasses.replace(KNOWN["viscosity_mm2_s"], low=60.0, high=80.0)
    found = trial_levels(declared)
    assert (found.low, found.high, found.hard) == (62.0, 78.0, True)
