"""Area outcomes: film over nominal and wrap, reckoned to a mean geometry by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.area_outcomes import area_outcomes

AREAS = pd.DataFrame(
    {
        "area_id": ["A3", "A1", "A2", "A4"],
        "job_id": ["J1", "J1", "J2", "J2"],
        "geometry": ["mesh", "flat", "flat", "mesh"],
        "facing_um": [75.0, 60.0, 40.0, np.nan],
        "reverse_um": [60.0, 30.0, 10.0, np.nan],
        "wrap_pct": [90.0, 50.0, 70.0, 80.0],
    }
)
JOBS = pd.DataFrame({"job_id": ["J1", "J2"], "film_nominal_um": [75.0, 40.0]})


def test_film_over_nominal_at_a_mean_geometry():
    before = AREAS.copy()
    found = area_outcomes(AREAS, JOBS)
    assert found["area_id"].tolist() == ["A1", "A2", "A3", "A4"]
    # facing over nominal: flat 0.8 and 1.0 (mean 0.9), mesh 1.0; the mean of all 2.8 / 3.
    assert found["film_facing"].tolist()[:3] == pytest.approx([2.8 / 3 - 0.1, 2.8 / 3 + 0.1, 2.8 / 3])
    # reverse: flat 0.4 and 0.25 (mean 0.325), mesh 0.8; the mean of all 1.45 / 3.
    assert found["film_reverse"].tolist()[:3] == pytest.approx([1.45 / 3 + 0.075, 1.45 / 3 - 0.075, 1.45 / 3])
    assert found["wrap_pct"].tolist() == pytest.approx([62.5, 82.5, 77.5, 67.5])
    assert found.loc[3, ["film_facing", "film_reverse"]].isna().all()
    pd.testing.assert_frame_equal(AREAS, before)


def test_nothing_recorded():
    assert area_outcomes(AREAS.iloc[:0], JOBS).columns.tolist() == [
        "area_id",
        "film_facing",
        "film_reverse",
        "wrap_pct",
    ]
