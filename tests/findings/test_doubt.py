"""The probability that a verdict is right: calibrated where the true film is known, and by hand where it can be."""

import math
from itertools import pairwise
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from auditkit.findings.budget import side_spreads
from auditkit.findings.doubt import find_doubt
from auditkit.findings.film import find_film
from auditkit.findings.true_film import area_variance

CHECKED = pd.Timestamp("2027-01-12 07:00", tz="UTC")
N_AREAS, PER_JOB = 2000, 20
KEY = ["area_id", "side"]


def checks_of(gauges, *, tolerance=3.0, standard=1.0, errors=(0.0, 0.0, 0.0), at=(CHECKED,)):
    frame = pd.DataFrame({"gauge_id": gauges}).merge(pd.DataFrame({"checked_at": list(at)}), how="cross")
    frame = frame.merge(pd.DataFrame({"reading_um": [100.0 + e for e in errors]}), how="cross")
    return frame.assign(
        stage="before use",
        certified_um=100.0,
        repeat=frame.groupby(["gauge_id", "checked_at"]).cumcount() + 1,
        gauge_tolerance_pct=tolerance,
        standard_tolerance_pct=standard,
    )


def jobs_of(names, *, rule="sspc-pa-2", minimum=60.0, nominal=75.0, maximum=105.0):
    return pd.DataFrame(
        {
            "job_id": names,
            "acceptance_rule": rule,
            "restriction_level": pd.array([3 if rule == "sspc-pa-2" else None] * len(names), "Int64"),
            "film_min_um": minimum,
            "film_nominal_um": nominal,
            "film_max_um": maximum,
            "film_reverse_min_um": math.nan,
        }
    )


def readings_of(values, *, gauge_of):
    """Readings from an array (areas, spots, repeats), facing side."""
    index = np.indices(values.shape).reshape(3, -1)
    return pd.DataFrame(
        {
            "area_id": [f"A{i:04d}" for i in index[0]],
            "side": "facing",
            "part": pd.array([None] * values.size, "Int64"),
            "spot": pd.array(index[1] + 1, "Int64"),
            "repeat": pd.array(index[2] + 1, "Int64"),
            "dft_um": values.reshape(-1),
            "gauge_id": [gauge_of[i] for i in index[0]],
            "taken_at": CHECKED + pd.Timedelta(hours=1),
        }
    )


def dossier_of(values, *, job_of, rule="sspc-pa-2", profile="smooth", size=2.0, checks=None, **limits):
    jobs = sorted(set(job_of))
    areas = pd.DataFrame(
        {
            "area_id": [f"A{i:04d}" for i in range(len(values))],
            "job_id": list(job_of),
            "geometry": "tube",
            "size_m2": size,
            "surface_profile": profile,
        }
    )
    gauges = [f"G-{job}" for job in jobs]
    return {
        "jobs": jobs_of(jobs, rule=rule, **limits),
        "areas": areas,
        "film_readings": readings_of(values, gauge_of=[f"G-{job}" for job in job_of]),
        "gauge_checks": checks_of(gauges) if checks is None else checks,
        "spray_runs": pd.DataFrame({"area_id": ["A0000"], "ended_at": [CHECKED - pd.Timedelta(days=1)]}),
    }


def world(
    rng, *, spots, repeats, areas=N_AREAS, jobs_at=(62.0, 10.0), area_sd=4.0, spot_sd=5.0, reading_sd=2.0, tolerance=3.0
):
    """True and read film of areas in jobs of 20, a gauge a job, its bias within tolerance, its standard's within 1 %.

    Jobs differ in level by more than a gauge can err: the level of a job is held unknown beforehand.
    """
    jobs = areas // PER_JOB
    job = np.repeat(np.arange(jobs), PER_JOB)
    level = rng.normal(*jobs_at, jobs)
    mean = level[job] + rng.normal(0, area_sd, areas)
    true = mean[:, None] + rng.normal(0, spot_sd, (areas, spots))
    bias = (rng.uniform(-tolerance, tolerance, jobs) + rng.uniform(-1, 1, jobs))[job] / 100
    read = true[:, :, None] * (1 + bias[:, None, None]) + rng.normal(0, reading_sd, (areas, spots, repeats))
    return SimpleNamespace(level=level, mean=mean, true=true, read=read, job_of=[f"J{j:03d}" for j in job])


def assert_calibrated(probability, truth, *, edges):
    """In each class of probability the share that is true is the mean probability, within 3.5 standard errors.

    The standard error is binomial, or that of the sums over jobs where it is larger: areas of a job share a gauge.
    """
    checked = 0
    job = np.arange(len(probability)) // PER_JOB
    for low, high in pairwise(edges):
        inside = (probability >= low) & ((probability < high) | (high == 1.0))
        if inside.sum() < 25:
            continue
        p, residual = probability[inside], truth[inside] - probability[inside]
        binomial, clustered = (p * (1 - p)).sum(), (np.bincount(job[inside], weights=residual) ** 2).sum()
        error = math.sqrt(max(binomial, clustered)) / len(p)
        assert abs(residual.mean()) <= 3.5 * error + 0.5 / len(p), (low, high, len(p), residual.mean())
        checked += 1
    return checked


@pytest.fixture(scope="module")
def spots_judged():
    seen = world(np.random.default_rng(100), spots=5, repeats=3)
    tables = dossier_of(seen.read, job_of=seen.job_of)
    found = find_doubt(tables, find_film(tables), rng=np.random.default_rng(0), draws=600)
    facing = found.sides[found.sides["side"] == "facing"]
    # SSPC-PA 2, level 3, written out: mean 60 to 105, every spot 48 to 126
    conforms = (seen.mean >= 60) & (seen.mean <= 105) & (seen.true >= 48).all(axis=1) & (seen.true <= 126).all(axis=1)
    return SimpleNamespace(found=found, facing=facing, conforms=conforms, seen=seen)


def test_probabilities_of_conforming_are_calibrated_in_every_decile(spots_judged):
    p = spots_judged.facing["probability_conforms"].to_numpy()
    assert len(p) == N_AREAS
    assert assert_calibrated(p, spots_judged.conforms, edges=np.linspace(0, 1, 11)) == 10


def test_of_those_given_90_to_95_percent_about_that_share_truly_conform(spots_judged):
    p = spots_judged.facing["probability_conforms"].to_numpy()
    inside = (p >= 0.90) & (p <= 0.95)
    assert inside.sum() >= 40
    assert assert_calibrated(p, spots_judged.conforms, edges=np.array([0.90, 0.95])) == 1


def test_probability_that_the_verdict_is_right_is_the_share_of_right_verdicts(spots_judged):
    facing = spots_judged.facing
    right = (facing["verdict"] == "conforms").to_numpy() == spots_judged.conforms
    expected = facing["probability_right"].to_numpy()
    error = math.sqrt((expected * (1 - expected)).sum()) / N_AREAS
    assert abs(right.mean() - expected.mean()) < 3.5 * error


def test_expected_wrong_verdicts_are_those_that_are_wrong(spots_judged):
    risks = spots_judged.found.risks
    risks = risks[risks["side"] == "facing"]
    accepted = (spots_judged.facing["verdict"] == "conforms").to_numpy()
    wrong = (accepted & ~spots_judged.conforms).sum(), (~accepted & spots_judged.conforms).sum()
    for expected, seen in zip((risks["accepted_wrongly"].sum(), risks["rejected_wrongly"].sum()), wrong, strict=True):
        assert abs(expected - seen) < 3.5 * math.sqrt(seen)
    assert risks["n_accepted"].sum() == accepted.sum()


def test_global_risks_of_the_mean_are_the_shares_of_wrong_tests_on_the_mean(spots_judged):
    seen = spots_judged.seen
    measured, true = seen.read.mean(axis=(1, 2)), seen.mean
    risks = spots_judged.found.risks
    risks = risks[risks["side"] == "facing"]
    accepted_thin = ((measured >= 60) & (true < 60)).mean()
    rejected_good = ((measured < 60) & (true >= 60)).mean()
    assert risks["consumer_mean_pct"].mean() == pytest.approx(100 * accepted_thin, abs=1.2)
    assert risks["producer_mean_pct"].mean() == pytest.approx(100 * rejected_good, abs=1.2)
    assert risks["population_mean_um"].to_numpy() == pytest.approx(seen.level, abs=8.0)
    assert risks["population_mean_um"].mean() == pytest.approx(seen.level.mean(), abs=1.0)
    assert risks["population_sd_um"].mean() == pytest.approx(4.0, abs=0.4)


def test_guarded_verdict_keeps_the_share_accepted_wrongly_low(spots_judged):
    guarded = (spots_judged.facing["guarded_verdict"] == "conforms").to_numpy()
    plain = (spots_judged.facing["verdict"] == "conforms").to_numpy()
    assert (guarded <= plain).all()
    wrong = [(~spots_judged.conforms[chosen]).mean() for chosen in (guarded, plain)]
    assert wrong[0] < wrong[1] / 4
    assert wrong[0] < 0.01
    assert set(spots_judged.facing.loc[plain & ~guarded, "guarded_verdict"]) == {"not shown to conform"}


def test_single_readings_are_calibrated_where_repeatability_comes_from_the_standards():
    # 90/10 practice: at least 9 of 10 places at or above 60, none below 54; places are read once
    rng = np.random.default_rng(41)
    seen = world(rng, spots=10, repeats=1, areas=1000, jobs_at=(70.0, 7.0), tolerance=3.0)
    gauges = sorted({f"G-{job}" for job in seen.job_of})
    errors = norm.ppf((np.arange(8) + 0.5) / 8)
    errors *= 2.0 / 70 * 100 / errors.std(ddof=1)  # 2 um at 70 um, as the readings have
    tables = dossier_of(
        seen.read,
        job_of=seen.job_of,
        rule="90-10",
        minimum=60.0,
        nominal=60.0,
        maximum=None,
        checks=checks_of(gauges, errors=errors),
    )
    found = find_doubt(tables, find_film(tables), rng=rng, draws=400)
    p = found.sides.loc[found.sides["side"] == "facing", "probability_conforms"].to_numpy()
    conforms = ((seen.true >= 60).mean(axis=1) >= 0.9) & (seen.true >= 54).all(axis=1)
    assert 0.2 < conforms.mean() < 0.8
    assert assert_calibrated(p, conforms, edges=np.linspace(0, 1, 6)) == 5


def small(values, **options):
    return dossier_of(np.asarray(values, dtype=float), job_of=["J1"] * len(values), **options)


def test_spot_alone_is_the_formula_of_jcgm_106():
    # JCGM 106:2012, 7: Phi((y - T) / u); u from the GUM: rectangular tolerances of 3 % and 1 %, three readings
    rng = np.random.default_rng(5)
    tables = small(rng.normal(52, 6, (8, 5, 1)) + rng.normal(0, 2, (8, 5, 3)))
    found = find_doubt(tables, find_film(tables), rng=rng, draws=200)
    spread = found.spread.set_index("side").loc["facing"]
    spot = found.spots.iloc[3]
    bias = math.hypot(3.0, 1.0) / math.sqrt(3) / 100
    u = math.sqrt((bias * spot["film_um"]) ** 2 + spread["reading_sd_um"] ** 2 / 3)
    assert spot["standard_uncertainty_um"] == pytest.approx(u)
    within = norm.cdf((126 - spot["film_um"]) / u) - norm.cdf((48 - spot["film_um"]) / u)
    assert spot["probability_conforms"] == pytest.approx(within, rel=1e-9)
    assert (spot["low_um"], spot["high_um"]) == (48.0, 126.0)


def test_flat_prior_where_no_job_tells_how_areas_differ_agrees_with_the_normal_formula():
    # two areas, no other job: nothing held known; P(mean >= 60) = Phi((mean - 60) / u) with u of the budget
    rng = np.random.default_rng(6)
    values = np.array([61.5, 80.0])[:, None, None] + rng.normal(0, 3, (2, 40, 1)) + rng.normal(0, 1, (2, 40, 3))
    tables = small(values)
    film = find_film(tables)
    found = find_doubt(tables, film, rng=rng, draws=20_000)
    side = found.sides.set_index(KEY).loc[("A0000", "facing")]
    assert side["prior"] == "flat"
    spread = found.spread.set_index("side").loc["facing"]
    mean = film.areas.set_index(KEY).loc[("A0000", "facing"), "mean_um"]
    u = math.hypot(
        math.hypot(3, 1) / math.sqrt(3) / 100 * mean,
        math.sqrt(spread["place_sd_um"] ** 2 / 40 + spread["reading_sd_um"] ** 2 / 120),
    )
    assert side["probability_conforms"] == pytest.approx(norm.cdf((mean - 60) / u), abs=0.02)
    assert math.isnan(found.risks.set_index("side").loc["facing", "consumer_mean_pct"])
    assert "too few areas" in found.risks["reason"].iloc[0]


def test_no_producers_risk_under_a_flat_prior():
    rng = np.random.default_rng(16)
    values = np.array([56.0, 80.0])[:, None, None] + rng.normal(0, 3, (2, 5, 3))
    tables = small(values)
    risks = find_doubt(tables, find_film(tables), rng=rng, draws=500).risks.set_index("side").loc["facing"]
    assert (risks["n_accepted"], risks["n_rejected"]) == (1, 1)
    assert math.isnan(risks["rejected_wrongly"])
    assert math.isnan(risks["producer_pct"])
    assert risks["consumer_pct"] >= 0.0
    assert "no producer's risk: with so few areas nothing is held known beforehand" in risks["reason"]


def test_three_areas_alone_are_fitted_and_two_to_four_take_the_spread_of_all_jobs():
    rng = np.random.default_rng(17)
    values = rng.normal(66, 4, (3, 5, 3))
    tables = small(values)
    alone = find_doubt(tables, find_film(tables), rng=rng, draws=500).sides
    assert set(alone.loc[alone["side"] == "facing", "prior"]) == {"normal, fitted to the groups"}
    tables = dossier_of(np.concatenate([values, values, values]), job_of=["J1", "J1", "J2"] * 3)
    several = find_doubt(tables, find_film(tables), rng=rng, draws=500).sides.set_index(KEY)["prior"]
    assert several["A0000", "facing"] == "normal, fitted to the groups"  # six areas
    assert several["A0002", "facing"] == "normal, its spread given"


def test_the_spread_between_areas_of_all_jobs_is_found_and_pulls_few_areas_together():
    # jobs of two areas, 3 um apart at 60 and 6 um at 120: 5 % of the film either way, spots' share taken off
    rng = np.random.default_rng(18)
    level = np.repeat([60.0, 120.0], 400)
    values = level[:, None, None] * (1 + rng.normal(0, 0.05, (800, 1, 1)) + rng.normal(0, 0.04, (800, 5, 1)))
    values = values + rng.normal(0, 1.0, (800, 5, 3))
    tables = dossier_of(values, job_of=[f"J{n:03d}" for n in np.repeat(np.arange(400), 2)])
    readings = tables["film_readings"].merge(tables["areas"][["area_id", "job_id"]], on="area_id")
    readings = readings.assign(unit=readings["area_id"], number=readings["spot"].astype("int64"))
    spreads = side_spreads(readings, repeat_pct=math.nan)
    keys = ["job_id", "side", "area_id", "unit", "number"]
    places = readings.groupby(keys).agg(n=("dft_um", "size"), dft_um=("dft_um", "mean")).reset_index()
    drawn = area_variance(places, spreads, draws=2000, rng=rng)
    assert drawn is not None
    assert math.sqrt(float(np.median(drawn))) == pytest.approx(0.05, rel=0.08)
    assert area_variance(places[places["job_id"] <= "J002"], spreads, draws=10, rng=rng) is None  # 3 df


def test_few_areas_a_job_are_about_calibrated_and_better_than_flat():
    # areas of a job much alike (sd 1.5) against what five spots of sd 6 tell of a mean: a flat prior is too unsure
    rng = np.random.default_rng(19)
    jobs, per_job = 250, 4
    mean = np.repeat(rng.normal(66, 5, jobs), per_job) + rng.normal(0, 1.5, jobs * per_job)
    true = mean[:, None] + rng.normal(0, 6, (len(mean), 5))
    bias = np.repeat(rng.uniform(-0.03, 0.03, jobs), per_job)
    read = true[:, :, None] * (1 + bias[:, None, None]) + rng.normal(0, 2, (len(mean), 5, 3))
    tables = dossier_of(read, job_of=[f"J{n:03d}" for n in np.repeat(np.arange(jobs), per_job)], maximum=200.0)
    film = find_film(tables)
    found = find_doubt(tables, film, rng=rng, draws=300)
    facing = found.sides[found.sides["side"] == "facing"]
    assert set(facing["prior"]) == {"normal, its spread given"}
    conforms = (mean >= 60) & (true >= 48).all(axis=1)
    p = facing["probability_conforms"].to_numpy()
    residual = (conforms - p).reshape(jobs, per_job).sum(axis=1)
    assert abs(residual.sum()) < 0.045 * len(p)
    rejected = (facing["verdict"] == "does not conform").to_numpy()
    assert p[rejected].sum() > 0.6 * conforms[rejected].sum()


def test_a_side_read_with_a_gauge_in_doubt_is_not_shown_to_conform():
    # the gauge reads 20 % high at the check after use: every reading since the check before is suspect
    rng = np.random.default_rng(20)
    values = np.array([40.0, *[80.0] * 5])[:, None, None] + rng.normal(0, 2, (6, 5, 3))
    after = checks_of(["G-J1"], errors=(20.0,) * 3, at=[CHECKED + pd.Timedelta(hours=9)]).assign(stage="after use")
    tables = small(values, checks=pd.concat([checks_of(["G-J1"]), after], ignore_index=True))
    found = find_doubt(tables, find_film(tables), rng=rng, draws=200)
    facing = found.sides[found.sides["side"] == "facing"].set_index("area_id")
    assert (facing["suspect_readings"] == 15).all()
    assert facing["verdict"].tolist() == ["does not conform", *["conforms"] * 5]
    assert facing.loc["A0001", "probability_conforms"] > 0.95  # which the guard alone would let through
    assert set(facing["guarded_verdict"]) == {"not shown to conform"}
    assert facing["reason"].str.startswith("gauge in doubt").all()
    assert (found.n, found.n_judged) == (6, 6)
    assert "holds only where the gauge was within its tolerance: 6 of 6 sides" in found.method


def test_limits_of_the_mean_without_room_between_are_a_reason():
    rng = np.random.default_rng(21)
    tables = small(rng.normal(70, 4, (6, 5, 3)), minimum=70.0, nominal=70.0, maximum=70.0)
    found = find_doubt(tables, find_film(tables), rng=rng, draws=200)
    risks = found.risks.set_index("side").loc["facing"]
    assert math.isnan(risks["consumer_mean_pct"])
    assert risks["reason"] == "the limits of the mean leave no room: at least 70 um and at most 70 um"


def test_a_gauge_checked_at_zero_alone_has_no_check_above_0():
    values = np.random.default_rng(12).normal(70, 5, (6, 5, 3))
    tables = small(values, checks=checks_of(["G-J1"]).assign(certified_um=0.0, reading_um=0.2))
    found = find_doubt(tables, find_film(tables), rng=np.random.default_rng(1))
    facing = found.sides[found.sides["side"] == "facing"]
    assert facing["reason"].str.startswith("a gauge it was measured with has no check above 0").all()
    assert facing["probability_right"].isna().all()
    assert found.n_judged == 0


def test_verdict_on_a_limit_is_a_coin_toss():
    rng = np.random.default_rng(7)
    values = np.full((4, 30, 3), 80.0) + rng.normal(0, 2, (4, 30, 3))
    values[0] += 60.0 - values[0].mean()
    tables = small(values)
    side = find_doubt(tables, find_film(tables), rng=rng, draws=8000).sides.iloc[0]
    assert side["probability_conforms"] == pytest.approx(0.5, abs=0.02)
    assert bool(side["doubtful"])


def test_budget_by_hand():
    # two spots of two readings: means 70, 80, 60, 74 -> MS within 2 (df 4), MS between spots of a unit (2*25+2*49)/1...
    values = np.array([[[69.0, 71.0], [79.0, 81.0]], [[59.0, 61.0], [73.0, 75.0]], [[64.0, 66.0], [72.0, 74.0]]])
    values = np.concatenate([values, values + 1.0, values - 1.0])
    tables = small(values, checks=checks_of(["G-J1"], errors=(-0.5, 0.0, 0.5)))
    found = find_doubt(tables, find_film(tables), rng=np.random.default_rng(1), draws=100)
    budget = found.budget.set_index("source")["standard_uncertainty_um"]
    within = 2.0  # every pair differs by 2, so s^2 = 2
    ms_spots = 2 * np.mean([10**2 / 2, 14**2 / 2, 8**2 / 2])
    place = math.sqrt((ms_spots - within) / 2)
    level = values.mean()
    assert budget["gauge"] == pytest.approx(0.03 * level / math.sqrt(3))
    assert budget["standard"] == pytest.approx(0.01 * level / math.sqrt(3))
    assert budget["repeatability"] == pytest.approx(0.005 * level / 2)
    assert budget["readings within a spot"] == pytest.approx(math.sqrt(within - (0.005 * level) ** 2) / 2)
    assert budget["spot placement"] == pytest.approx(place / math.sqrt(2))
    total = found.uncertainty.iloc[0]
    assert total["standard_uncertainty_um"] == pytest.approx(math.sqrt((budget**2).sum()))
    assert found.budget["contribution_pct"].sum() == pytest.approx(100.0)
    assert total["expanded_uncertainty_um"] == pytest.approx(
        total["coverage_factor"] * total["standard_uncertainty_um"]
    )


def test_profile_correction_is_in_the_budget_and_widens_the_doubt():
    rng = np.random.default_rng(8)
    values = rng.normal(112, 6, (8, 10, 1))
    tables = small(values, rule="iso-19840", profile="medium", nominal=80.0, maximum=None)
    film = find_film(tables)
    doubted = find_doubt(tables, film, rng=np.random.default_rng(1))
    agreed = find_doubt(tables, film, rng=np.random.default_rng(1), profile_doubt=False)
    row = doubted.budget.set_index(["side", "source"]).loc[("facing", "profile correction")]
    assert row["standard_uncertainty_um"] == pytest.approx(7.5 / math.sqrt(3))
    assert doubted.uncertainty["mean_um"].iloc[0] == pytest.approx(values.mean() - 25)
    assert agreed.budget.set_index(["side", "source"]).loc[("facing", "profile correction"), "contribution_pct"] == 0.0
    distance = [(x.sides["probability_conforms"] - 0.5).abs().mean() for x in (doubted, agreed)]
    assert distance[0] < distance[1]


def test_gauge_from_checks_takes_their_root_mean_square_error():
    values = np.random.default_rng(9).normal(70, 5, (6, 5, 3))
    tables = small(values, checks=checks_of(["G-J1"], errors=(1.0, 1.0), at=[CHECKED, CHECKED + pd.Timedelta(hours=9)]))
    found = find_doubt(tables, find_film(tables), rng=np.random.default_rng(1), draws=100, gauge_from="checks")
    row = found.budget.set_index("source").loc["gauge"]
    assert row["standard_uncertainty_um"] == pytest.approx(0.01 * values.mean())
    assert row["df"] == 2.0


def test_row_order_and_other_seeds_change_nothing_that_matters():
    rng = np.random.default_rng(10)
    tables = small(rng.normal(62, 6, (6, 5, 3)))
    film = find_film(tables)
    before = tables["film_readings"].copy()
    one = find_doubt(tables, film, rng=np.random.default_rng(1))
    shuffled = {**tables, "film_readings": tables["film_readings"].sample(frac=1, random_state=3)}
    two = find_doubt(shuffled, film, rng=np.random.default_rng(1))
    pd.testing.assert_frame_equal(one.sides, two.sides)
    pd.testing.assert_frame_equal(one.spots, two.spots)
    pd.testing.assert_frame_equal(tables["film_readings"], before)
    other = find_doubt(tables, film, rng=np.random.default_rng(2))
    assert (one.sides["probability_conforms"] - other.sides["probability_conforms"]).abs().max() < 0.06


def test_a_side_that_breaks_a_limit_is_doubted_even_without_a_maximum():
    rng = np.random.default_rng(11)
    tables = small(rng.normal(57, 3, (6, 5, 3)), maximum=math.nan)
    found = find_doubt(tables, find_film(tables), rng=rng)
    thin = found.sides[found.sides["verdict"] == "does not conform"]
    assert len(thin)
    assert thin["probability_conforms"].isna().all()
    assert thin["probability_right"].between(0.4, 1.0).all()
    assert set(thin["reason"]) == {"no maximum is specified"}


def test_what_cannot_be_known_is_said():
    values = np.random.default_rng(12).normal(70, 5, (6, 5, 3))
    tables = small(values)
    unchecked = {**tables, "gauge_checks": tables["gauge_checks"].iloc[:0]}
    found = find_doubt(unchecked, find_film(unchecked), rng=np.random.default_rng(1))
    facing = found.sides[found.sides["side"] == "facing"]
    assert set(facing["reason"]) == {"a gauge it was measured with has no checks: its tolerance is not on record"}
    assert set(found.sides.loc[found.sides["side"] == "reverse", "reason"]) == {"no readings"}
    assert (found.n, found.excluded) == (0, 12)
    one_spot = small(values[:2, :1])
    found = find_doubt(one_spot, find_film(one_spot), rng=np.random.default_rng(1))
    assert "not known: fewer than 4 degrees of freedom" in found.sides["reason"].iloc[0]


def test_a_job_with_few_spots_takes_the_relative_spread_of_all_jobs():
    rng = np.random.default_rng(13)
    values = np.concatenate([rng.normal(70, 5, (9, 5, 3)), rng.normal(35, 2.5, (1, 3, 3)).repeat(5, axis=1)[:, :5]])
    tables = dossier_of(values, job_of=["J1"] * 9 + ["J2"])
    tables["film_readings"] = tables["film_readings"][lambda x: (x["area_id"] != "A0009") | (x["spot"] <= 3)]
    spread = find_doubt(tables, find_film(tables), rng=rng, draws=100).spread.set_index(["job_id", "side"])
    assert spread.loc[("J2", "facing"), "basis"].startswith("all jobs, as a share of the film")
    assert spread.loc[("J2", "facing"), "place_df"] > 4


def test_own_limits_and_the_reverse():
    rng = np.random.default_rng(14)
    tables = small(rng.normal(66, 4, (6, 5, 3)), rule="own")
    film = find_film({**tables, "jobs": tables["jobs"].assign(acceptance_rule="90-10")})
    judged = film.areas.assign(rule="own")
    film = SimpleNamespace(areas=judged)
    own = {"J1": {"area_min_um": 60.0, "source": "contract 12-7, clause 4"}}
    found = find_doubt(tables, film, rng=rng, own_limits=own)
    assert (found.sides.loc[found.sides["side"] == "facing", "probability_conforms"] > 0.8).all()
    bare = find_doubt(tables, film, rng=rng)
    assert set(bare.sides.loc[bare.sides["side"] == "facing", "reason"]) == {"no limits are declared for the job"}


def test_empty_tables_give_empty_findings(clean_dossier):
    tables = {name: table.iloc[:0] for name, table in clean_dossier.tables.items()}
    # verdicts are there, readings are not
    film = SimpleNamespace(areas=find_film(clean_dossier.tables).areas.iloc[:0])
    found = find_doubt(tables, film, rng=np.random.default_rng(1))
    assert (found.n, found.excluded) == (0, 0)
    frames = (found.sides, found.spots, found.budget, found.uncertainty, found.spread, found.risks)
    assert all(frame.empty and len(frame.columns) for frame in frames)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"gauge_from": "maker"}, r"gauge_from must be one of \['tolerance', 'checks'\]; given 'maker'"),
        ({"draws": 10}, "draws must be 100 or more, else the shares mean nothing; given 10"),
        ({"guard": 1.0}, "guard must be at least 0.5 and below 1; given 1.0"),
        ({"band": (0.9, 0.1)}, r"band must be two rising probabilities; given \(0.9, 0.1\)"),
        ({"confidence": 95}, "confidence must lie strictly between 0 and 1; given 95"),
    ],
)
def test_options_are_refused_in_words(options, message):
    tables = small(np.full((1, 5, 3), 70.0))
    with pytest.raises(ValueError, match=message):
        find_doubt(tables, find_film(tables), rng=np.random.default_rng(1), **options)


def test_sample_audit(clean_dossier):
    film = find_film(clean_dossier.tables)
    found = find_doubt(clean_dossier.tables, film, rng=np.random.default_rng(1))
    assert len(found.sides) == len(film.areas) == 400
    assert found.sides["probability_right"].dropna().mean() > 0.9
    doubtful = found.sides[found.sides["doubtful"].fillna(False)]
    assert doubtful["probability_conforms"].between(0.05, 0.95, inclusive="neither").all()
