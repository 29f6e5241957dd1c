"""Means against their limit: what all readings share is counted in, and no further spot is asked to lessen it."""

import math

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm, t

from auditkit.findings.enough import find_enough
from auditkit.findings.shared_uncertainty import shared_uncertainty
from auditkit.trade.film_rules import load_film_rules

CHECKED = pd.Timestamp("2027-01-12 07:00", tz="UTC")


def checks(*, tolerance=3.0, standard=1.0, gauges=("G1",), certified=100.0):
    return pd.DataFrame(
        {
            "gauge_id": list(gauges),
            "checked_at": CHECKED,
            "certified_um": certified,
            "reading_um": certified,
            "gauge_tolerance_pct": tolerance,
            "standard_tolerance_pct": standard,
        }
    )


def tables_of(means, *, gauge_checks, rule="sspc-pa-2", profile="smooth", apart=2.0, spots=5):
    """Areas whose spots lie evenly about their mean, three equal readings each, with gauge G1."""
    steps = apart * np.linspace(-1, 1, spots)
    rows = [
        (f"A{number:02d}", "facing", spot + 1, mean + step)
        for number, mean in enumerate(means, start=1)
        for spot, step in enumerate(steps)
        for _ in range(3)
    ]
    film = pd.DataFrame(rows, columns=["area_id", "side", "spot", "dft_um"]).assign(gauge_id="G1")
    film = film.assign(part=pd.array([None] * len(film), "Int64"), taken_at=CHECKED)
    jobs = pd.DataFrame(
        {
            "job_id": ["J1"],
            "acceptance_rule": [rule],
            "restriction_level": pd.array([3 if rule == "sspc-pa-2" else None], dtype="Int64"),
            "film_min_um": [60.0],
            "film_nominal_um": [80.0],
            "film_max_um": [160.0],
            "film_reverse_min_um": [np.nan],
        }
    )
    areas = pd.DataFrame({"area_id": sorted(set(film["area_id"])), "job_id": "J1", "size_m2": 3.0})
    runs = pd.DataFrame({"area_id": ["A01"], "ended_at": [CHECKED - pd.Timedelta(days=1)]})
    tables = {"jobs": jobs, "areas": areas.assign(surface_profile=profile), "film_readings": film, "spray_runs": runs}
    return tables if gauge_checks is None else {**tables, "gauge_checks": gauge_checks}


def test_the_decision_counts_the_gauge_and_its_standard_in_by_hand():
    means = find_enough(tables_of([63.0, 63.5, 90.0], gauge_checks=checks())).means.set_index("area_id")
    row = means.loc["A01"]
    se = math.sqrt(2.5 * 2.0**2 / 4 / 5)  # steps -2, -1, 0, 1, 2: variance 2.5
    assert row["se_um"] == pytest.approx(se)
    shared = 63.0 * math.hypot(0.03, 0.01) / math.sqrt(3)  # rectangular, JCGM 100, 4.3.7
    assert row["shared_um"] == pytest.approx(shared)
    half = math.hypot(t.ppf(0.975, 12) * se, norm.ppf(0.975) * shared)
    assert row["high_um"] - row["mean_um"] == pytest.approx(half)
    # 2.2 um away: the spots alone would decide it, the gauge does not let them
    near = find_enough(tables_of([62.2, 90.0, 90.0], gauge_checks=checks())).means.iloc[0]
    assert t.ppf(0.975, 12) * near["se_um"] < near["distance_um"]
    assert near["decided"] == "doubtful"
    assert means.loc["A03", "said"] == "the mean is decided"


def test_further_spots_cover_only_what_the_shared_part_leaves():
    tables = tables_of([63.0, 90.0, 90.0], gauge_checks=checks(tolerance=1.5, standard=0.0), apart=6.0)
    row = find_enough(tables).means.set_index("area_id").loc["A01"]
    assert row["decided"] == "doubtful"
    shared = 63.0 * 0.015 / math.sqrt(3)
    left = math.sqrt(3.0**2 - ((norm.ppf(0.975) + norm.ppf(0.8)) * shared) ** 2)
    variance = 2.5 * 9.0
    needed = math.ceil((t.ppf(0.975, 12) + t.ppf(0.8, 12)) ** 2 * variance / left**2)
    assert row["further_spots"] == needed - 5
    alone = find_enough(tables_of([63.0, 90.0, 90.0], gauge_checks=None, apart=6.0)).means.set_index("area_id")
    assert alone.loc["A01", "further_spots"] < needed - 5
    assert row["said"].endswith("would decide it 4 times in 5, if the mean truly lies there")


def test_where_the_shared_part_alone_is_too_much_nothing_is_promised():
    row = find_enough(tables_of([62.0, 90.0], gauge_checks=checks(tolerance=5.0))).means.iloc[0]
    assert row["decided"] == "doubtful"
    assert pd.isna(row["further_spots"])
    assert pd.isna(row["naive_readings"])
    assert row["said"].startswith("not feasible: gauge, standard and correction alone leave too much doubt")


@pytest.mark.parametrize("gauge_checks", [None, checks(certified=0.0), checks(gauges=["G9"])])
def test_a_gauge_not_known_is_left_apart_and_said(gauge_checks):
    means = find_enough(tables_of([62.0, 90.0], gauge_checks=gauge_checks)).means
    assert means["shared_um"].isna().all()
    assert means["said"].tolist()[1] == "decided as to where the spots fell, the gauge apart"


def test_the_interval_holds_where_gauges_err_and_would_not_without_them():
    # 400 jobs at 60 um, a gauge each within 3 %: an interval from spots alone misses the truth far too often
    rng = np.random.default_rng(4)
    held = {"both": 0, "spots": 0}
    tables = tables_of([60.0] * 400, gauge_checks=checks(standard=0.0))
    film = tables["film_readings"]
    area = film["area_id"].str[1:].astype(int).to_numpy() - 1
    spot = (film.index // 3).to_numpy()
    read = (60.0 + rng.normal(0, 2.0, spot.max() + 1)[spot]) * (1 + rng.uniform(-0.03, 0.03, 400)[area])
    means = find_enough({**tables, "film_readings": film.assign(dft_um=read)}).means
    held["both"] = int(((means["low_um"] <= 60) & (means["high_um"] >= 60)).sum())
    reach = t.ppf(0.975, means["df"]) * means["se_um"]
    held["spots"] = int(((means["mean_um"] - 60).abs() <= reach).sum())
    assert held["both"] >= 0.93 * len(means)  # 95 %, less two standard errors
    assert held["spots"] < 0.9 * len(means)


def test_correction_for_profile_and_two_gauges():
    film = pd.DataFrame(
        {
            "area_id": ["A1", "A1", "A2", "A2"],
            "side": "facing",
            "spot": [1, 2, 1, 2],
            "dft_um": 100.0,
            "gauge_id": ["G1", "G1", "G1", "G2"],
        }
    )
    about = pd.DataFrame({"area_id": ["A1", "A2"], "job_id": "J1", "rule": ["iso-19840", "sspc-pa-2"]})
    areas = pd.DataFrame({"area_id": ["A1", "A2"], "surface_profile": "medium"})
    two = pd.concat([checks(standard=0.0), checks(standard=0.0, tolerance=4.0, gauges=["G2"])])
    before = film.copy()
    found = shared_uncertainty(film, about, areas, two, rules=load_film_rules())
    pd.testing.assert_frame_equal(film, before)
    # half the step between grades, 7.5 um, as in the budget; gauges err apart, each on half the readings
    assert found["A1", "facing", 0] == pytest.approx(math.sqrt((3.0**2 + 7.5**2) / 3))
    assert found["A2", "facing", 1] == pytest.approx(math.sqrt((1.5**2 + 2.0**2) / 3))
    alike = pd.concat([checks(standard=0.0), checks(standard=0.0, gauges=["G2"])])
    found = shared_uncertainty(film, about, areas, alike, rules=load_film_rules())
    assert found["A2", "facing", 1] == pytest.approx(math.sqrt((1.5**2 + 1.5**2) / 3))
