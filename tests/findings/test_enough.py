"""Was enough measured, and what would decide the rest: counts by hand, agreement with the verdicts, clustering."""

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.enough import find_enough
from auditkit.trade.film import judge_areas


def spots(area, *sizes, side="facing", part=None, film=80.0):
    """Return readings, a spot a size."""
    rows = [(area, part, side, spot, film) for spot, n in enumerate(sizes, start=1) for _ in range(n)]
    return pd.DataFrame(rows, columns=["area_id", "part", "side", "spot", "dft_um"]).astype({"part": "Int64"})


@pytest.fixture
def jobs():
    return pd.DataFrame(
        {
            "job_id": ["J1", "J2", "J3", "J4"],
            "acceptance_rule": ["sspc-pa-2", "iso-19840", "90-10", "own"],
            "restriction_level": pd.array([3, None, None, None], dtype="Int64"),
            "film_min_um": [60.0, 80.0, 60.0, 60.0],
            "film_nominal_um": [80.0] * 4,
            "film_max_um": [160.0, np.nan, np.nan, 160.0],
            "film_reverse_min_um": [40.0, np.nan, np.nan, np.nan],
        }
    )


@pytest.fixture
def areas():
    return pd.DataFrame(
        {
            "area_id": ["A1", "A2", "A3", "A4", "A5"],
            "job_id": ["J1", "J1", "J2", "J3", "J4"],
            "size_m2": [3.0, 14.0, 2.0, 16.0, 3.0],
            "surface_profile": "fine",
        }
    )


@pytest.fixture
def readings():
    return pd.concat(
        [
            spots("A1", 3, 3, 2, 3, 1),
            spots("A2", 3, 3, 3, 3, 3, part=1),
            spots("A3", 1, 1, 1, 1, 1, 1, 1),
            spots("A4", 3),
            spots("A5", 2, 2),
            spots("A1", 5, side="edge"),
        ],
        ignore_index=True,
    )


@pytest.fixture
def tables(jobs, areas, readings):
    return {"jobs": jobs, "areas": areas, "film_readings": readings, "spray_runs": NO_RUNS}


NO_RUNS = pd.DataFrame({"area_id": [], "ended_at": []})
OWN = {"J4": {"area_min_um": 60, "readings_per_spot": 2, "spots_per_part": 3, "source": "contract 12-7, clause 4"}}


def row_of(found, area, rule, side="facing"):
    rows = found.required
    return rows[(rows["area_id"] == area) & (rows["rule"] == rule) & (rows["side"] == side)].iloc[0]


@pytest.mark.parametrize(
    ("area", "rule", "expected"),  # readings asked for, taken, missing, where
    [
        ("A1", "sspc-pa-2", (15, 12, 3, "3 of 5 spots, spot 3 has 2 of 3 readings, spot 5 has 1 of 3 readings")),
        ("A1", "iso-19840", (10, 12, 0, "")),  # 3 m2: 10 (from memory)
        ("A1", "90-10", (3, 12, 0, "")),
        ("A2", "sspc-pa-2", (30, 15, 15, "1 of 2 parts")),
        ("A2", "iso-19840", (20, 15, 5, "15 of 20 readings")),  # 10 to 30 m2: 20 (seen)
        ("A3", "iso-19840", (10, 7, 3, "7 of 10 readings")),
        ("A3", "sspc-pa-2", (15, 7, 10, "0 of 5 spots, " + ", ".join(
            f"spot {n} has 1 of 3 readings" for n in range(1, 6)))),
        ("A4", "90-10", (4, 3, 1, "3 of 4 readings")),  # one for each 5 m2 of 16
        ("A5", "own", (6, 4, 2, "2 of 3 spots")),
    ],
)  # fmt: skip
def test_what_each_rule_asks_for_by_hand(tables, area, rule, expected):
    row = row_of(find_enough(tables, own_limits=OWN), area, rule)
    columns = ["readings_required", "readings_taken", "readings_missing", "where"]
    assert tuple(row[columns]) == expected
    assert row["enough"] == (expected[2] == 0)


def test_rows_are_there_for_every_side_and_rule_and_the_jobs_own_is_marked(tables):
    found = find_enough(tables, own_limits=OWN)
    assert len(found.required) == 5 * 2 * 3 + 2
    assert found.required["named"].sum() == 10
    assert row_of(found, "A1", "iso-19840")["from_memory"]
    assert not row_of(found, "A2", "iso-19840")["from_memory"]
    assert row_of(found, "A4", "90-10", side="reverse")["readings_missing"] == 4
    jobs = found.jobs.set_index(["job_id", "rule"])
    assert jobs.loc[("J1", "sspc-pa-2"), ["sides", "measured", "enough", "spots_missing"]].tolist() == [4, 2, 0, 22]
    assert pd.isna(jobs.loc[("J2", "iso-19840"), "spots_missing"])
    assert (found.n, found.excluded) == (12 + 15 + 7 + 3 + 4, 5)


def test_it_agrees_with_the_verdicts(tables):
    found = find_enough(tables, own_limits=OWN)
    judged = judge_areas(tables["film_readings"], tables["areas"], tables["jobs"], own_limits=OWN)
    named = found.required[found.required["named"]].reset_index(drop=True)
    missing = named["spots_missing"].fillna(named["readings_missing"]).astype("int64")
    assert missing.tolist() == judged["short_by"].tolist()
    assert (judged.loc[~named["enough"], "verdict"] != "conforms").all()


def nested(rng, *, means, between, within, spots=5, repeats=3):
    rows = []
    for number, mean in enumerate(means, start=1):
        for spot in range(1, spots + 1):
            centre = mean + rng.normal(0, between)
            rows += [(f"A{number:02d}", "facing", spot, centre + rng.normal(0, within)) for _ in range(repeats)]
    return pd.DataFrame(rows, columns=["area_id", "side", "spot", "dft_um"])


def one_job(jobs, film):
    areas = pd.DataFrame({"area_id": sorted(set(film["area_id"])), "size_m2": 3.0, "surface_profile": "fine"})
    return {"jobs": jobs[:1], "areas": areas.assign(job_id="J1"), "film_readings": film, "spray_runs": NO_RUNS}


def test_readings_of_film_since_sprayed_over_are_left_out_and_counted(tables):
    at = pd.Timestamp("2027-01-11T08:00Z")
    runs = pd.DataFrame({"area_id": ["A3"], "ended_at": [at + pd.Timedelta(hours=1)]})
    film = tables["film_readings"].assign(taken_at=at)
    found = find_enough(tables | {"film_readings": film, "spray_runs": runs})
    assert row_of(found, "A3", "iso-19840")["readings_taken"] == 0
    assert row_of(found, "A4", "90-10")["readings_taken"] == 3
    assert (found.n, found.excluded, found.superseded) == (12 + 15 + 3 + 4, 5 + 7, 7)
    assert "A3" not in set(found.means["area_id"])
    measured_anew = find_enough(
        tables | {"film_readings": film.assign(taken_at=at + pd.Timedelta(hours=2)), "spray_runs": runs}
    )
    assert measured_anew.superseded == 0


def test_clustering_is_counted_in(jobs):
    # Standard deviations 6 between spots and 2 within: the variance of a mean of five spots of three is
    # 36/5 + 4/15 = 7.47. Fifteen readings taken as independent have a variance of (36 x 12 + 4 x 14)/14 = 34.9 within
    # their area, and their mean one of 34.9/15 = 2.32: less than a third of the truth.
    film = nested(np.random.default_rng(3), means=[65.0] * 60, between=6.0, within=2.0)
    found = find_enough(one_job(jobs, film))
    known = found.components.loc[0]
    assert known["between_var_um2"] == pytest.approx(36.0, rel=0.2)
    assert known["within_var_um2"] == pytest.approx(4.0, rel=0.15)
    assert known["df"] == 60 * 4
    means = found.means
    exact = known["between_var_um2"] / 5 + known["within_var_um2"] / 15
    assert means["se_um"].to_numpy() == pytest.approx(np.full(60, exact**0.5))
    assert means["naive_se_um"].iloc[0] / means["se_um"].iloc[0] == pytest.approx((2.32 / 7.47) ** 0.5, abs=0.02)
    # A true 65 is told from 60 for some areas only; counted naively, for more of them, and more of those wrongly sure.
    assert 0 < (means["decided"] == "doubtful").sum() < 60
    assert (means["naive_decided"] == "doubtful").sum() < (means["decided"] == "doubtful").sum()


def test_the_interval_holds_its_confidence_and_the_naive_one_does_not(jobs):
    film = nested(np.random.default_rng(5), means=[60.0] * 600, between=6.0, within=2.0)
    means = find_enough(one_job(jobs, film)).means
    held = (means["low_um"] <= 60.0) & (means["high_um"] >= 60.0)
    assert held.mean() == pytest.approx(0.95, abs=0.03)  # three standard errors of a share of 600
    assert (means["naive_decided"] != "doubtful").mean() > 0.15  # sure of a side although the truth is the limit


def test_further_spots_by_hand(jobs):
    # Spots lie 3 either side of their area's mean, readings do not differ: between = 2 x 9/1 = 18, df = 1 an area.
    film = pd.concat(
        [
            spots(f"A{n:02d}", 3, 3).assign(dft_um=lambda f, m=mean: m + 3.0 * (2 * f["spot"] - 3))
            for n, mean in enumerate([62.0, 90.0, 90.0, 90.0, 60.3, 60.0], start=1)
        ]
    )
    found = find_enough(one_job(jobs, film))
    known = found.components.loc[0, ["between_var_um2", "within_var_um2", "df"]].tolist()
    assert known == pytest.approx([18.0, 0.0, 6.0], abs=1e-9)
    means = found.means.set_index("area_id")
    # (2.447 + 0.906)^2 x 18/4 = 50.6, so 51 spots, 49 more
    assert means.loc["A01", ["distance_um", "decided", "further_spots", "further_readings"]].tolist() == [
        2.0, "doubtful", 49, 147,
    ]  # fmt: skip
    assert means.loc["A01", "said"] == (
        "49 more spots (147 readings) would decide it 4 times in 5, if the mean truly lies there, the gauge apart"
    )
    assert means.loc["A01", "naive_readings"] < 49
    assert means.loc["A02", ["decided", "further_spots"]].tolist() == ["conforms", 0]
    for area in ("A05", "A06"):
        assert pd.isna(means.loc[area, "further_spots"])
        assert means.loc[area, "said"] == "not feasible: more than 50 further spots would be needed"
    assert find_enough(one_job(jobs, film), most_spots=48).means["further_spots"].isna().sum() == 3


def test_the_nearer_limit_is_the_one_held_against(jobs):
    film = nested(np.random.default_rng(1), means=[62.0, 158.0, 170.0], between=3.0, within=1.0)
    means = find_enough(one_job(jobs, film)).means
    assert means["limit_um"].tolist() == [60.0, 160.0, 160.0]
    assert means["holds"].tolist() == ["at least", "at most", "at most"]
    assert means.loc[2, "distance_um"] < 0
    assert means.loc[2, "decided"] == "does not conform"


def test_single_readings_and_rules_without_a_mean(tables):
    found = find_enough(tables, own_limits=OWN)
    about = found.components.set_index("job_id")
    assert about.loc["J2", "note"] == "one reading a spot: spread between and within spots taken as one"
    assert about.loc["J3", "note"].startswith("no place has two spots")
    reasons = found.left_out.set_index("reason")["n"]
    assert reasons["the 90/10 practice has no test of the mean"] == 1
    assert reasons["no readings"] == 5


def test_without_records_frames_are_empty_and_of_the_same_kinds(tables):
    full = find_enough(tables)
    unread = find_enough(tables | {"film_readings": tables["film_readings"][:0]})
    nothing = find_enough({name: frame[:0] for name, frame in tables.items()})
    assert set(unread.required["readings_taken"]) == {0}
    for found in (unread, nothing):
        for name in ("required", "jobs", "components", "means"):
            assert getattr(found, name).dtypes.to_dict() == getattr(full, name).dtypes.to_dict()
    assert nothing.required.empty
    assert nothing.left_out.empty


def test_order_does_not_matter_and_input_is_left(tables):
    before = {name: frame.copy() for name, frame in tables.items()}
    found = find_enough(tables)
    mixed = find_enough({name: frame.sample(frac=1, random_state=2) for name, frame in tables.items()})
    for name, frame in tables.items():
        pd.testing.assert_frame_equal(frame, before[name])
    for name in ("required", "jobs", "components", "means", "left_out"):
        pd.testing.assert_frame_equal(getattr(found, name), getattr(mixed, name))
