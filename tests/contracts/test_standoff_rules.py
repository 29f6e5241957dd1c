"""Rules on rows of runs: the nearest standoff, the typical one and the farthest are in order."""

from __future__ import annotations

import pandas as pd

from auditkit.contracts.collection import contract
from auditkit.contracts.rules import holds


def test_nearest_typical_and_farthest_standoff_are_in_order_where_given():
    rows = pd.DataFrame(
        {
            "standoff_min_mm": [150.0, 180.0, 181.0, None, 200.0, None],
            "standoff_mm": [180.0, 180.0, 180.0, 180.0, None, 180.0],
            "standoff_max_mm": [210.0, 180.0, 210.0, 179.0, 190.0, None],
        }
    )
    (rule,) = (rule for rule in contract("spray_runs").rules if "standoff_min_mm" in rule.columns)
    assert holds(rows, rule).tolist() == [True, True, False, False, False, True]
    assert rule.holds == "the nearest standoff may not exceed the typical one, nor that the farthest"


def test_what_this_round_added_may_be_left_out():
    added = {
        "jobs": ["paint_density_kg_m3"],
        "spray_runs": ["standoff_min_mm", "standoff_max_mm"],
        "startup_checks": ["feed_tube_for_mm"],
    }
    for record, columns in added.items():
        for name in columns:
            column = contract(record).column(name)
            assert column.nullable
            assert not column.required
    assert contract("units").key == ("unit_id",)
    assert contract("maintenance").column("action").choices == ("inspected", "cleaned", "replaced", "fitted")
