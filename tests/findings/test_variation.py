"""Variation: components and capability that keep their promise, charts that see a shift, refusals in words."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.film import find_film
from auditkit.findings.film_capability import _lognormal, find_capability
from auditkit.findings.film_stability import FALSE_ALARMS_PCT, find_stability
from auditkit.findings.variation import film_components, find_variation, spread_differences
from auditkit.stats.mean_squares import modified_large_sample_limits
from auditkit.stats.variance import nested_components
from auditkit.trade.timeline import build_timeline

JOBS = pd.DataFrame({"job_id": ["J1"], "film_min_um": [50.0], "film_max_um": [120.0], "film_reverse_min_um": [30.0]})


def film(rng, *, areas=24, spots=5, repeats=3, jobs=1, sds=(10.0, 8.0, 5.0, 2.0), side="facing"):
    """Nested film: jobs, areas, spots, repeats about 80 um."""
    y = 80 + rng.normal(0, sds[0], (jobs, 1, 1, 1)) * (jobs > 1)
    y = y + rng.normal(0, sds[1], (jobs, areas, 1, 1)) + rng.normal(0, sds[2], (jobs, areas, spots, 1))
    y = y + rng.normal(0, sds[3], (jobs, areas, spots, repeats))
    job, area, spot, _ = np.indices(y.shape).reshape(4, -1)
    return pd.DataFrame(
        {
            "job_id": [f"J{i + 1}" for i in job],
            "area_id": [f"J{i + 1}-A{j:02d}" for i, j in zip(job, area, strict=True)],
            "side": side,
            "spot": spot + 1,
            "dft_um": y.ravel(),
            "correction_um": 0.0,
        }
    )


def runs_of(readings, unit="U1", operator="OP1"):
    areas = sorted(readings["area_id"].unique())
    start = pd.Timestamp("2027-01-11T08:00Z")
    return pd.DataFrame(
        {
            "area_id": areas,
            "unit_id": unit,
            "operator_id": operator,
            "started_at": [start + pd.Timedelta(hours=i) for i in range(len(areas))],
        }
    )


@pytest.mark.parametrize("variances", [(4.0, 4.0, 1.0, 0.25), (0.2, 1.0, 1.0, 1.0)])
def test_limits_of_job_area_spot_and_repeat_keep_their_promise(variances):
    # 6 jobs of 5 areas of 5 spots of 3, 2 000 data sets, 95 % limits, by the arithmetic of the public function
    rng = np.random.default_rng(1)
    shape = (2000, 6, 5, 5, 3)
    y = sum(rng.normal(0, math.sqrt(v), (*shape[: depth + 2], *[1] * (3 - depth))) for depth, v in enumerate(variances))
    spot, area, job = y.mean(axis=4), y.mean(axis=(3, 4)), y.mean(axis=(2, 3, 4))
    squares = np.stack(
        [
            75 * job.var(axis=1, ddof=1),
            15 * ((area - job[..., None]) ** 2).sum(axis=(1, 2)) / 24,
            3 * ((spot - area[..., None]) ** 2).sum(axis=(1, 2, 3)) / 120,
            ((y - spot[..., None]) ** 2).sum(axis=(1, 2, 3, 4)) / 300,
        ],
        axis=-1,
    )
    weights = np.array([[1 / 75, -1 / 75, 0, 0], [0, 1 / 15, -1 / 15, 0], [0, 0, 1 / 3, -1 / 3], [0, 0, 0, 1.0]])
    for row, truth in zip(weights, variances, strict=True):
        low, high = modified_large_sample_limits(squares, df=[5, 24, 120, 300], coefficients=row)
        assert 0.93 <= ((low <= truth) & (truth <= high)).mean() <= 0.97
    job_, area_, spot_, _ = np.indices(shape[1:]).reshape(4, -1)
    frame = pd.DataFrame({"job_id": job_, "area_id": area_, "side": "facing", "spot": spot_, "dft_um": y[0].ravel()})
    found, _ = film_components(frame)
    found = found[found["scope"] == "all jobs"]
    assert found["component"].tolist() == ["job", "area", "spot", "repeat"]
    for i, row in enumerate(weights):
        low, high = modified_large_sample_limits(squares[0], df=[5, 24, 120, 300], coefficients=row)
        assert found[["low_um2", "high_um2"]].iloc[i].tolist() == pytest.approx([float(low), float(high)])


def test_components_of_a_job_are_the_nested_analysis_and_sides_are_apart():
    rng = np.random.default_rng(2)
    facing, reverse = film(rng), film(rng, side="reverse", sds=(0, 2, 1, 1))
    found, _ = film_components(pd.concat([facing, reverse]))
    reference = nested_components(facing, response="dft_um", nesting=["area_id", "spot"]).components
    mine = found[(found["scope"] == "J1") & (found["side"] == "facing")]
    assert mine["variance_um2"].tolist() == pytest.approx(reference["variance"].tolist())
    assert mine["share_pct"].sum() == pytest.approx(100)
    other = found[(found["scope"] == "J1") & (found["side"] == "reverse")]
    assert other["sd_um"].iloc[0] < mine["sd_um"].iloc[0] / 2


def test_spots_read_once_have_no_repeat():
    found, refused = film_components(film(np.random.default_rng(3), repeats=1))
    assert found["component"].tolist() == ["area", "spot and repeat"]
    assert refused[0][:4] == ("components", "all jobs", "facing", "job")


def test_limits_that_do_not_hold_their_estimate_are_not_shown():
    rng = np.random.default_rng(4)
    calm, rough = film(rng, areas=30, sds=(0, 1, 0.5, 0.2)), film(rng, areas=4, spots=2, repeats=1, sds=(0, 9, 9, 9))
    found, _ = film_components(pd.concat([calm, rough.assign(area_id="X" + rough["area_id"])]))
    inside = found["low_um2"].isna() | (
        (found["low_um2"] <= found["variance_um2"]) & (found["variance_um2"] <= found["high_um2"])
    )
    assert inside.all()
    assert found.loc[found["low_um2"].isna(), "notes"].str.contains("no limits: groups differ").all()
    assert found["low_um2"].isna().any()


def uneven(rng, factors):
    """Six jobs of 12 areas of 5 spots of 3 and two of 12 of 10 of 1, the spread of each times its factor."""
    frames = []
    for number, factor in enumerate(factors):
        spots, repeats = (5, 3) if number < 6 else (10, 1)
        sds = (0.0, 8.0 * factor, 6.0 * factor, 2.0 * factor)
        frame = film(rng, areas=12, spots=spots, repeats=repeats, sds=sds)
        name = f"J{number + 1}"
        frames.append(frame.assign(job_id=name, area_id=name + frame["area_id"], dft_um=frame["dft_um"] + number))
    return pd.concat(frames, ignore_index=True)


def test_limits_over_all_jobs_are_refused_where_jobs_spread_differently():
    frame = uneven(np.random.default_rng(20), np.linspace(0.6, 1.4, 8))
    found, refused = film_components(frame)
    pooled = found[found["scope"] == "all jobs"]
    assert pooled[["low_um2", "high_um2", "sd_low_um", "sd_high_um"]].isna().all().all()
    assert pooled["variance_um2"].notna().all()
    assert pooled["notes"].str.contains("no limits: jobs differ in how much .*; see the rows of each job").all()
    assert [row[:4] for row in refused] == [("components", "all jobs", "facing", "limits")]
    assert "readings spread within spots (p = " in refused[0][5]
    assert found.loc[found["scope"] != "all jobs", "low_um2"].notna().all()


def test_jobs_that_spread_alike_keep_their_limits_at_the_stated_rate():
    rng, n = np.random.default_rng(21), 100
    below = {"repeat": 0, "spot": 0, "area": 0}
    for _ in range(n):
        frame = uneven(rng, [1.0] * 8)
        p = spread_differences(frame, nesting=["job_id", "area_id", "spot"], variances=[0.0, 64.0, 36.0, 4.0])
        for level in below:
            below[level] += p[level] < 0.1
    # each 10 in 100 by chance, binomial standard deviation 3; three of them either way
    assert all(1 <= count <= 20 for count in below.values()), below
    mixed = frame.sample(frac=1.0, random_state=1)
    again = spread_differences(mixed, nesting=["job_id", "area_id", "spot"], variances=[0.0, 64.0, 36.0, 4.0])
    assert again == pytest.approx(p)


def test_capability_is_of_the_film_less_the_correction_for_the_profile():
    frame = film(np.random.default_rng(22))
    plain, _ = find_capability(frame, JOBS, rng=np.random.default_rng(1))
    less, _ = find_capability(frame.assign(correction_um=10.0), JOBS, rng=np.random.default_rng(1))
    assert less["mean_um"].to_numpy() == pytest.approx(plain["mean_um"].to_numpy() - 10.0)
    one, two = plain.set_index("index")["estimate"], less.set_index("index")["estimate"]
    assert two["Ppl"] == pytest.approx(one["Ppl"] * (plain["mean_um"][0] - 60) / (plain["mean_um"][0] - 50))
    assert less["method"].str.endswith("less the rule's correction for the profile, 10 um").all()
    assert not plain["method"].str.contains("correction").any()


def test_capability_of_the_sample_takes_the_correction_of_the_verdicts(clean_dossier):
    tables = clean_dossier.tables
    found = find_variation(
        tables,
        build_timeline(tables, time_zone=clean_dossier.time_zone).runs,
        rng=np.random.default_rng(1),
        resamples=20,
    )
    film_areas = find_film(tables).areas
    film_areas = film_areas[(film_areas["job_id"] == "J3") & (film_areas["side"] == "facing")]
    corrections = set(film_areas["correction_um"])
    assert corrections == {10.0}  # ISO 19840, fine profile (from memory)
    row = found.capability[(found.capability["job_id"] == "J3") & (found.capability["side"] == "facing")].iloc[0]
    readings = tables["film_readings"]
    own = readings[readings["area_id"].isin(film_areas["area_id"]) & (readings["side"] == "facing")]
    spots = own.groupby(["area_id", "spot"])["dft_um"].mean() - 10.0
    assert row["spots_below"] == (spots < row["lower_um"]).sum()
    assert row["mean_um"] == pytest.approx(spots.mean())


def test_readings_of_film_since_sprayed_over_are_left_out(clean_dossier):
    tables = dict(clean_dossier.tables)
    readings, runs = tables["film_readings"], tables["spray_runs"]
    area = readings["area_id"].iloc[0]
    later = readings["taken_at"].max() + pd.Timedelta(hours=2)
    again = runs[runs["area_id"] == area].iloc[[0]].assign(run_id="RX", started_at=later - pd.Timedelta(hours=1))
    tables["spray_runs"] = pd.concat([runs, again.assign(ended_at=later)], ignore_index=True)
    timed = build_timeline(clean_dossier.tables, time_zone=clean_dossier.time_zone).runs
    before, after = (
        find_variation(t, timed, rng=np.random.default_rng(1), resamples=20) for t in (clean_dossier.tables, tables)
    )
    gone = int((readings["area_id"] == area).sum())
    assert after.superseded - before.superseded == gone > 0
    assert before.n - after.n == int(((readings["area_id"] == area) & (readings["side"] != "edge")).sum())
    assert after.n + after.excluded == len(readings)


def test_capability_keeps_its_promise_and_the_naive_one_is_only_a_note():
    # 20 areas of 5 spots of one reading; spread of a spot of a new area known; 50 data sets through the record
    rng = np.random.default_rng(5)
    truth = (80 - 50) / (3 * math.hypot(8, 5))
    hits = 0
    for _ in range(50):
        frame = film(rng, areas=20, repeats=1, sds=(0, 8, 5, 0))
        found, _ = find_capability(frame, JOBS, rng=rng, resamples=20)
        row = found.set_index("index").loc["Ppk"]
        if row["distribution"] == "normal":
            hits += row["low"] <= truth <= row["high"]
        else:
            hits += 1  # counted as held: 1 to 2 in 100 sets look not normal by chance
    assert hits / 50 > 0.85  # 2 000 sets of the same arithmetic: tests of stats.capability
    assert row["spread"] == "between+within"
    assert "misleading, not to be used: the 100 readings taken as independent" in row["note"]


def test_capability_is_judged_on_the_sides_own_minimum():
    frame = film(np.random.default_rng(6), side="reverse")
    found, _ = find_capability(frame, JOBS, rng=np.random.default_rng(1))
    assert found["lower_um"].eq(30.0).all()
    assert found["index"].tolist() == ["Pp", "Ppl", "Ppu", "Ppk"]
    open_ended = JOBS.assign(film_max_um=np.nan, film_reverse_min_um=np.nan)
    found, _ = find_capability(frame, open_ended, rng=np.random.default_rng(1))
    assert found["lower_um"].eq(50.0).all()
    assert found["index"].tolist() == ["Ppl", "Ppk"]


def test_a_skewed_spread_is_handled_by_quantiles():
    frame = film(np.random.default_rng(7), areas=40, sds=(0, 0.25, 0.2, 0.05))
    skewed = frame.assign(dft_um=np.exp(frame["dft_um"] - 80 + math.log(80)))
    found, _ = find_capability(skewed, JOBS, rng=np.random.default_rng(1))
    row = found.set_index("index").loc["Ppu"]
    assert row["distribution"] == "lognormal"
    # (U - median) / (99.865 % quantile - median), lognormal, on the spread between and within areas
    logs = np.log(skewed.groupby(["area_id", "spot"])["dft_um"].mean()).reset_index()
    sd = math.sqrt(nested_components(logs, response="dft_um", nesting=["area_id"]).total.estimate)
    median = math.exp(logs["dft_um"].mean())
    assert row["estimate"] == pytest.approx((120 - median) / (median * math.exp(3 * sd) - median))
    assert row["low"] < row["estimate"] < row["high"]


def test_limits_by_lognormal_quantiles_keep_their_promise():
    # 30 areas of 5 spots, 250 data sets, 95 %; true quantiles in closed form
    rng, sd = np.random.default_rng(8), math.hypot(0.12, 0.10)
    truth = {
        "Ppl": (80 - 45) / (80 - 80 * math.exp(-3 * sd)),
        "Ppu": (160 - 80) / (80 * math.exp(3 * sd) - 80),
        "Pp": 115 / (80 * math.exp(3 * sd) - 80 * math.exp(-3 * sd)),
    }
    area = np.repeat(np.arange(30), 5)
    hits = dict.fromkeys(truth, 0)
    for _ in range(250):
        y = math.log(80) + rng.normal(0, 0.12, 30)[area] + rng.normal(0, 0.10, 150)
        found = _lognormal(
            pd.DataFrame({"area_id": area, "dft_um": y}), lower=45, upper=160, rng=rng, confidence=0.95
        ).set_index("index")
        for name, value in truth.items():
            hits[name] += found.loc[name, "low"] <= value <= found.loc[name, "high"]
    assert all(0.90 <= n / 250 <= 0.985 for n in hits.values()), hits  # binomial error 0.014


def test_too_few_areas_are_refused_in_words():
    found, refused = find_capability(film(np.random.default_rng(9), areas=9), JOBS, rng=np.random.default_rng(1))
    assert found.empty
    assert refused[0][5].startswith("9 areas, 10 are needed")


def test_charts_of_a_steady_unit_seldom_signal_and_naive_limits_are_refused():
    rng = np.random.default_rng(10)
    signals = points = 0
    for _ in range(5):
        frame = film(rng, areas=40)
        found = find_stability(frame, runs_of(frame))
        means = found.signals[(found.signals["kind"] == "unit") & found.signals["chart"].isin(["individual", "mean"])]
        signals, points = signals + means["signals"].sum(), points + means["points"].sum()
    assert points == 400
    assert signals / points < 0.02  # three standard deviations: 0.3 %, and limits set by forty points
    naive = [row for row in found.refused if row[3] == "mean, limits from within areas"]
    assert len(naive) == 2  # the unit, and its one operator
    assert "limits from the spread within areas would call" in naive[0][5]


def test_signals_by_chance_are_about_as_many_as_expected():
    rng = np.random.default_rng(15)
    seen = {name: [0, 0.0] for name in FALSE_ALARMS_PCT}
    for _ in range(60):
        frame = film(rng, areas=40, sds=(0, 3, 5, 0))
        signals = find_stability(frame, runs_of(frame)).signals
        for row in signals[signals["kind"] == "unit"].itertuples():
            seen[row.chart][0] += row.signals
            seen[row.chart][1] += row.expected_by_chance
    assert seen["individual"][1] == pytest.approx(60 * 40 * 0.25 / 100)
    # Poisson, three standard deviations; the charts with a memory signal in runs
    for name in ("individual", "moving range", "mean", "sd"):
        found, expected = seen[name]
        assert abs(found - expected) <= 3 * math.sqrt(expected), (name, found, expected)
    assert seen["EWMA"][0] + seen["cusum above"][0] + seen["cusum below"][0] <= 12


def test_limits_of_means_come_from_the_component_between():
    frame = film(np.random.default_rng(11), areas=30)
    found = find_stability(frame, runs_of(frame)).charts
    ewma = found[(found["kind"] == "unit") & (found["chart"] == "EWMA")].iloc[0]
    spots = frame.groupby(["area_id", "spot"])["dft_um"].mean().reset_index()
    spots["pct"] = 100 * spots["dft_um"] / spots["dft_um"].mean()
    between, within = nested_components(spots, response="pct", nesting=["area_id"]).components["variance"]
    assert ewma["high"] - ewma["centre"] == pytest.approx(3 * 0.2 * math.sqrt(between + within / 5))
    mean = found[(found["kind"] == "unit") & (found["chart"] == "mean")].iloc[0]
    assert mean["high"] - mean["centre"] == pytest.approx(3 * math.sqrt(between + within / 5))


def test_a_lasting_shift_is_seen_by_the_charts_with_a_memory():
    frame = film(np.random.default_rng(12), areas=40, sds=(0, 3, 3, 1))
    late = frame["area_id"].str[-2:].astype(int) >= 30
    shifted = frame.assign(dft_um=frame["dft_um"] - 9.0 * late)
    found = find_stability(shifted, runs_of(shifted)).signals.set_index(["kind", "chart"])
    assert found.loc[("unit", "cusum below"), "signals"] > 0
    assert found.loc[("unit", "cusum below"), "words"] == "areas may have run thinner than usual"
    assert found.loc[("unit", "EWMA"), "signals"] > 0


def test_jobs_of_other_thickness_are_no_signal():
    rng = np.random.default_rng(13)
    thin, thick = film(rng, areas=20), film(rng, areas=20)
    thick = thick.assign(job_id="J2", area_id="Z" + thick["area_id"], dft_um=thick["dft_um"] * 3)
    frame = pd.concat([thin, thick])
    found = find_stability(frame, runs_of(frame)).signals
    assert found.loc[found["chart"] == "individual", "signals"].max() <= 1


def test_areas_of_several_units_are_left_out_and_counted_and_few_points_refused():
    frame = film(np.random.default_rng(14), areas=22)
    runs = runs_of(frame)
    second = runs.iloc[:3].assign(unit_id="U2", started_at=runs["started_at"].iloc[:3] + pd.Timedelta(days=9))
    found = find_stability(frame, pd.concat([runs.iloc[:-1], second]))
    unit = found.left_out[found.left_out["kind"] == "unit"].iloc[0]
    assert unit[["areas", "charted", "several", "no_run"]].tolist() == [22, 18, 3, 1]
    assert ("monitoring", "unit U1", "facing", "all charts", 18) in [row[:5] for row in found.refused]
    assert "18 areas, 20 are needed" in found.refused[0][5]
    operator = found.charts[(found.charts["kind"] == "operator") & (found.charts["chart"] == "individual")]
    assert operator["area_id"].tolist()[-3:] == ["J1-A00", "J1-A01", "J1-A02"]  # by the last run


def test_unequal_areas_get_no_mean_chart_and_single_spots_no_component():
    frame = film(np.random.default_rng(15), areas=24)
    uneven = frame[~((frame["area_id"].str[-2:].astype(int) < 8) & (frame["spot"] == 5))]
    found = find_stability(uneven, runs_of(uneven))
    assert "mean" not in set(found.charts["chart"])
    assert any("16 areas have equally many spots (5)" in row[5] for row in found.refused)
    single = frame[frame["spot"] == 1]
    found = find_stability(single, runs_of(single))
    assert set(found.charts["chart"]) == {"individual", "moving range"}
    assert any(row[5].startswith("no area has two spots") for row in found.refused)


def test_empty_tables_and_sample(clean_dossier):
    tables = clean_dossier.tables
    runs = build_timeline(tables, time_zone=clean_dossier.time_zone).runs
    empty = find_variation(
        {name: table.iloc[:0] for name, table in tables.items()}, runs.iloc[:0], rng=np.random.default_rng(1)
    )
    assert (empty.n, len(empty.components), len(empty.charts), len(empty.refused)) == (0, 0, 0, 0)
    kept = tables["film_readings"].copy()
    one, two = (find_variation(tables, runs, rng=np.random.default_rng(1)) for _ in range(2))
    pd.testing.assert_frame_equal(tables["film_readings"], kept)
    pd.testing.assert_frame_equal(one.capability, two.capability)
    assert one.n + one.excluded == len(kept)
    assert set(one.refused["topic"]) <= {"components", "capability", "monitoring"}
    assert one.refused["reason"].str.len().gt(10).all()
