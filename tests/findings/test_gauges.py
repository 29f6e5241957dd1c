"""Gauge checks, what they put in doubt, which verdicts hang on them, and drift."""

import math

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.film import find_film
from auditkit.findings.gauges import find_gauges

DAY = pd.Timestamp("2027-01-13", tz="UTC")


def at(hour, day=0):
    return DAY + pd.Timedelta(days=day, hours=hour)


def checks_of(rows, *, gauge="G1", certified=100.0, tolerance=5.0, standard=5.0):
    """Checks from rows of (time, stage, reading)."""
    frame = pd.DataFrame(rows, columns=["checked_at", "stage", "reading_um"])
    return frame.assign(
        gauge_id=gauge,
        certified_um=certified,
        repeat=1,
        gauge_tolerance_pct=tolerance,
        standard_tolerance_pct=standard,
    )


def series_of(errors, *, stage="after use", **options):
    """One check a day with these errors in per cent."""
    return checks_of(
        [(at(16 if stage == "after use" else 7, day), stage, 100.0 + error) for day, error in enumerate(errors)],
        **options,
    )


def tables_of(checks, readings=()):
    jobs = pd.DataFrame(
        {
            "job_id": ["J1"],
            "acceptance_rule": ["90-10"],
            "restriction_level": pd.array([None], "Int64"),
            "film_min_um": [60.0],
            "film_nominal_um": [60.0],
            "film_max_um": [math.nan],
            "film_reverse_min_um": [math.nan],
        }
    )
    areas = pd.DataFrame(
        {"area_id": ["A1", "A2"], "job_id": "J1", "geometry": "tube", "size_m2": 2.0, "surface_profile": "smooth"}
    )
    columns = ["area_id", "side", "spot", "repeat", "dft_um", "gauge_id", "taken_at"]
    film = pd.DataFrame(list(readings), columns=columns)
    film["taken_at"] = pd.to_datetime(film["taken_at"], utc=True)
    runs = pd.DataFrame({"area_id": ["A1"], "ended_at": [at(-24)]})
    return {"jobs": jobs, "areas": areas, "film_readings": film, "gauge_checks": checks, "spray_runs": runs}


def reading(area, spot, value, when, gauge="G1"):
    return (area, "facing", spot, 1, value, gauge, when)


@pytest.fixture
def one_bad_evening():
    """Three thick readings taken by a gauge that then failed, after four good ones; three uncovered ones elsewhere."""
    checks = checks_of(
        [(at(7), "before use", 101.0), (at(12), "after use", 101.0), (at(16), "after use", 120.0)],
        tolerance=3,
        standard=1,
    )
    rows = [reading("A1", spot, 61.0, at(9)) for spot in (1, 2, 3, 4)]
    rows += [reading("A1", 5, 50.0, at(14))]
    rows += [reading("A2", spot, 61.0, at(9), "G2") for spot in (1, 2)] + [reading("A2", 3, 61.0, at(14), "G2")]
    morning = checks_of([(at(7), "before use", 100.0), (at(12), "after use", 100.0)], gauge="G2")
    checks = pd.concat([checks, morning], ignore_index=True)
    return tables_of(checks, rows)


def test_a_failed_check_after_use_changes_the_verdicts_that_hang_on_it(one_bad_evening):
    # SSPC-PA 2, 5.5: A1's thin reading was taken since the last good check; without it the side conforms
    found = find_gauges(one_bad_evening)
    rows = found.verdicts.set_index(["area_id", "side"])
    thin = rows.loc[("A1", "facing")]
    assert (thin["verdict"], thin["verdict_without"], thin["changed"]) == ("does not conform", "conforms", True)
    assert (thin["n_readings"], thin["n_suspect"], thin["n_uncovered"]) == (5, 1, 0)
    assert "lowest reading 50 um" in thin["reason"]
    assert thin["reason_without"] == "every test passed"
    # A2's last reading has no check after it: it stays in the first variant and goes in the second
    late = rows.loc[("A2", "facing")]
    assert (late["verdict"], late["verdict_without"], late["verdict_covered"]) == (
        "conforms",
        "conforms",
        "not assessable",
    )
    assert (late["n_suspect"], late["n_uncovered"], late["changed_covered"]) == (0, 1, True)
    assert late["reason_covered"] == "2 of the 3 readings were taken"
    counts = ["n_checks", "n_failed", "n_suspect", "n_uncovered", "verdicts_changed"]
    assert found.gauges[counts].to_numpy().tolist() == [[3, 1, 1, 0, 1], [2, 0, 0, 1, 0]]
    assert found.gauges.loc[0, "first_failed_at"] == at(16)


def test_which_rule_was_used_is_recorded_and_decides():
    # +-5 % and +-5 %: 7.07 % by root-sum-square, 10 % by simple sum (SSPC-PA 2 example, from memory); error 8 %
    checks = checks_of([(at(7), "before use", 100.0), (at(16), "after use", 108.0)])
    rows = [reading("A1", spot, 61.0, at(9)) for spot in (1, 2, 3)]
    strict, wide = (find_gauges(tables_of(checks, rows), combine=rule) for rule in ("root-sum-square", "simple sum"))
    assert (strict.method_used, wide.method_used) == ("root-sum-square", "simple sum")
    last = strict.checks.iloc[-1]
    assert (last["allowed_um"], last["allowed_other_um"]) == pytest.approx((math.hypot(5, 5), 10.0))
    assert (last["passed"], last["passed_other"]) == (False, True)
    assert (len(strict.readings), len(wide.readings)) == (3, 0)
    assert (strict.gauges.loc[0, "n_suspect"], strict.gauges.loc[0, "n_suspect_other_rule"]) == (3, 0)
    assert (wide.gauges.loc[0, "n_failed"], wide.gauges.loc[0, "n_failed_other_rule"]) == (0, 1)
    assert strict.verdicts["changed"].sum() == 1
    assert wide.verdicts["changed"].sum() == 0
    assert "root-sum-square" in strict.method


def test_drift_by_hand():
    # 0.1 % of 200 um a day is 0.2 um a day, 1.4 um a week; the band of 1 % is left on the 11th day (index 11: 1.1 %)
    found = find_gauges(
        tables_of(
            series_of(0.1 * np.arange(20), certified=200.0, tolerance=1.0, standard=0.0).assign(
                reading_um=lambda x: 200.0 * (1 + 0.001 * np.arange(20))
            )
        ),
        time_zone="Pacific/Auckland",
    )
    row = found.drift.iloc[0]
    assert row["slope_um_per_week"] == pytest.approx(1.4)
    assert row["slope_pct_per_week"] == pytest.approx(0.7)
    assert row["slope_um_low"] == pytest.approx(1.4, abs=1e-6)
    assert bool(row["drifts"])
    assert row["first_failed_at"] == at(16, 11)
    assert row["first_failed_day"] == "2027-01-25"  # 16:00 UTC on the 24th is the 25th in New Zealand
    # by hand: target is the mean of the first ten, 0.45 %; sd 0.1 / 1.128; limits 3 sd sqrt(1/10 + 1/9)
    reach = 3 * 0.1 / 1.12838 * math.sqrt(1 / 10 + 1 / 9)
    assert found.watch["high_pct"].iloc[0] == pytest.approx(0.45 + reach, abs=1e-4)
    assert found.watch["average_pct"].iloc[0] == pytest.approx(0.45 + 0.2 * 0.55)
    assert row["ewma_signal_at"] == at(16, 10 + int(found.watch["signal"].to_numpy().argmax()))


def test_standards_and_stages_are_kept_apart():
    still = series_of(np.zeros(12), stage="before use")
    moving = series_of(0.2 * np.arange(12))
    other = series_of(np.tile([0.1, -0.1], 6), certified=50.0).assign(reading_um=lambda x: x["reading_um"] - 50)
    drift = find_gauges(tables_of(pd.concat([still, moving, other], ignore_index=True))).drift
    assert drift[["certified_um", "stage"]].to_numpy().tolist() == [
        [50.0, "after use"],
        [100.0, "after use"],
        [100.0, "before use"],
    ]
    assert drift["drifts"].tolist() == [False, True, False]


def test_the_watch_seldom_cries_wolf_and_sees_a_shift():
    rng = np.random.default_rng(1)
    calm = rng.normal(0, 0.3, (150, 40))
    shifted = calm + np.where(np.arange(40) >= 20, 0.6, 0.0)

    def signalled(series):
        checks = [series_of(errors, gauge=f"G{number:03d}") for number, errors in enumerate(series)]
        return (find_gauges(tables_of(pd.concat(checks, ignore_index=True))).drift["ewma_signals"] > 0).mean()

    assert signalled(calm) < 0.07  # over 30 checks each
    assert signalled(shifted) > 0.85  # two standard deviations, for 20 checks


def test_too_few_checks_are_said():
    drift = find_gauges(tables_of(series_of([0.1, 0.2, 0.1]))).drift.iloc[0]
    assert drift["reason"] == (
        "too few points for limits of a slope: 3 of 6; too few checks to watch for drift: 3 of 15"
    )
    assert pd.isna(drift["drifts"])
    assert pd.isna(drift["ewma_signals"])
    flat = find_gauges(tables_of(series_of(np.zeros(20)))).drift.iloc[0]
    assert "every check read the same" in flat["reason"]


def test_a_certified_value_of_nothing_cannot_be_judged():
    checks = pd.concat([series_of([0.0] * 3), series_of([0.0] * 3, certified=0.0)], ignore_index=True)
    found = find_gauges(tables_of(checks))
    assert (found.n, found.excluded) == (3, 3)
    assert set(found.drift["certified_um"]) == {100.0}


def test_order_of_rows_does_not_matter_and_tables_stay(one_bad_evening):
    before = {name: table.copy() for name, table in one_bad_evening.items()}
    one = find_gauges(one_bad_evening)
    mixed = {name: table.sample(frac=1, random_state=1) for name, table in one_bad_evening.items()}
    two = find_gauges(mixed)
    for name in ("checks", "gauges", "readings", "verdicts", "drift", "watch"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))
    for name, table in before.items():
        pd.testing.assert_frame_equal(one_bad_evening[name], table)


def test_readings_of_a_film_since_sprayed_over_are_left_out(one_bad_evening):
    runs = pd.DataFrame({"area_id": ["A1"], "ended_at": [at(13)]})
    found = find_gauges({**one_bad_evening, "spray_runs": runs})
    assert found.verdicts.set_index(["area_id", "side"]).loc[("A1", "facing"), "n_readings"] == 1


def test_the_drifting_gauge_of_the_sample_audit_is_found_and_the_other_let_go(clean_dossier, truth):
    found = find_gauges(clean_dossier.tables, time_zone=clean_dossier.time_zone)
    gauges = found.gauges.set_index("gauge_id")
    truth = truth["knobs"]
    bad = truth["drifting_gauge"]
    (good,) = set(gauges.index) - {bad}
    assert gauges.loc[bad, "n_failed"] > 0 == gauges.loc[good, "n_failed"]
    drift = found.drift.set_index(["gauge_id", "stage"])
    assert drift.loc[bad, "drifts"].all()
    assert not drift.loc[good, "drifts"].any()
    # in the evening it gathers drift_pct_per_day on each of five working days a week, from drift_from on
    signal = drift.loc[(bad, "after use"), "ewma_signal_at"]
    assert (signal >= pd.Timestamp(truth["drift_from"], tz="UTC")).all()
    assert (signal < pd.Timestamp(truth["drift_from"], tz="UTC") + pd.Timedelta(days=14)).all()
    suspect = find_film(clean_dossier.tables).areas["suspect_readings"].sum()
    assert suspect == found.verdicts["n_suspect"].sum() > 0
    assert found.verdicts["changed"].any()


def test_empty_tables_give_empty_findings(clean_dossier):
    found = find_gauges({name: table.iloc[:0] for name, table in clean_dossier.tables.items()})
    frames = (found.checks, found.gauges, found.readings, found.verdicts, found.drift, found.watch)
    assert all(frame.empty and len(frame.columns) for frame in frames)
    unchecked = {**clean_dossier.tables, "gauge_checks": clean_dossier.tables["gauge_checks"].iloc[:0]}
    found = find_gauges(unchecked)
    assert found.gauges["n_uncovered"].tolist() == found.gauges["n_readings"].tolist()
    assert not found.verdicts["changed"].any()


def test_unknown_rule_is_refused():
    with pytest.raises(ValueError, match=r"combine must be one of \['root-sum-square', 'simple sum'\]; given 'sum'"):
        find_gauges(tables_of(series_of([0.0])), combine="sum")
