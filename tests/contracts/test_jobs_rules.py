"""Rules on rows of jobs: the specified film thicknesses are in order, the minimum on the reverse too."""

from __future__ import annotations

import pandas as pd

from auditkit.contracts.collection import contract
from auditkit.contracts.rules import holds


def test_minimum_on_the_reverse_may_not_exceed_the_maximum():
    rows = pd.DataFrame(
        {
            "film_min_um": 60.0,
            "film_nominal_um": 80.0,
            "film_max_um": [160.0, 160.0, 160.0, None, 160.0],
            "film_reverse_min_um": [40.0, 160.0, 300.0, 300.0, None],
        }
    )
    (rule,) = (rule for rule in contract("jobs").rules if "film_reverse_min_um" in rule.columns)
    assert holds(rows, rule).tolist() == [True, True, False, True, True]
    assert rule.holds == "the minimum on the reverse may not exceed the maximum"
