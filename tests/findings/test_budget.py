"""Spread of film by job and side: a side without film has no part in what others borrow."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.budget import side_spreads


def readings(film, *, job="J1", side="facing"):
    """One area a row of film, spots of two readings."""
    film = np.asarray(film, dtype=float)
    area, spot, _ = np.indices(film.shape).reshape(3, -1)
    units = [f"{job}-A{i}" for i in area]
    return pd.DataFrame({"job_id": job, "side": side, "unit": units, "spot": spot + 1, "dft_um": film.ravel()})


def test_a_side_that_reads_nothing_has_no_part_in_the_relative_spread():
    rng = np.random.default_rng(1)
    full = readings(70 + rng.normal(0, 4, (6, 3, 1)) + rng.normal(0, 1, (6, 3, 2)))
    small = readings(70 + rng.normal(0, 4, (1, 2, 2)), job="J2")
    bare = readings(np.zeros((6, 3, 2)), side="reverse")
    without = side_spreads(pd.concat([full, small]), repeat_pct=1.0)
    found = side_spreads(pd.concat([full, small, bare]), repeat_pct=1.0)
    for name in ("place_sd_um", "reading_sd_um", "spot_means_sd_um", "place_df"):
        one, two = (getattr(spreads["J2", "facing"], name) for spreads in (without, found))
        assert one == pytest.approx(two)
    assert found["J2", "facing"].place_sd_um > 0
    assert found["J2", "facing"].basis.startswith("all jobs")
    assert (found["J1", "reverse"].place_sd_um, found["J1", "reverse"].reading_sd_um) == (0.0, 0.0)


def test_where_every_side_reads_nothing_the_shares_are_not_known():
    found = side_spreads(readings(np.zeros((1, 2, 2))), repeat_pct=1.0)["J1", "facing"]
    assert math.isnan(found.place_sd_um)
    assert found.basis.startswith("not known")


def test_input_is_left_and_row_order_does_not_matter():
    frame = readings(70 + np.random.default_rng(2).normal(0, 4, (6, 3, 2)))
    kept = frame.copy()
    one = side_spreads(frame, repeat_pct=1.0)["J1", "facing"]
    two = side_spreads(frame.sample(frac=1.0, random_state=1), repeat_pct=1.0)["J1", "facing"]
    pd.testing.assert_frame_equal(frame, kept)
    assert (one.place_sd_um, one.reading_sd_um) == pytest.approx((two.place_sd_um, two.reading_sd_um))
