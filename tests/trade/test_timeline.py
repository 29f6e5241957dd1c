"""The timeline: settings inside the run, last notes before it, and a count of what could not be joined."""

import pandas as pd
import pytest

from auditkit.trade.timeline import build_timeline, run_settings


def at(*times):
    return pd.to_datetime([f"2027-01-{time}Z" if time else None for time in times], utc=True)


def settings_frame(**columns):
    n = len(columns["set_at"])
    blank = {"cup": [None] * n, "cup_s": [float("nan")] * n, "paint_temp_c": [float("nan")] * n}
    blank |= {"catch_ml": [float("nan")] * n, "catch_s": [float("nan")] * n}
    frame = pd.DataFrame(blank | columns)
    return frame.astype({"cup": "str"})


@pytest.fixture
def runs():
    return pd.DataFrame(
        {"run_id": ["R2", "R1"], "started_at": at("12T08:00", "11T08:00"), "ended_at": at("12T08:30", "11T08:30")}
    )


def test_settings_before_the_lead_or_after_the_end_are_not_of_the_run(runs):
    settings = settings_frame(
        run_id=["R1"] * 5,
        set_at=at("11T06:59", "11T07:00", "11T08:30", "11T08:31", "12T08:00"),
        pot_kpa=[99.0, 40.0, 44.0, 98.0, 97.0],
    )
    result = run_settings(runs, settings).set_index("run_id")
    assert result.loc["R1", ["settings", "settings_outside"]].tolist() == [2, 3]
    assert result.loc["R1", "pot_kpa"] == 40.0  # 44 was read at the very end and was in force for no time
    assert result.loc["R2", "settings"] == 0
    assert pd.isna(result.loc["R2", "pot_kpa"])


def test_pressure_is_weighted_by_the_time_it_was_in_force(runs):
    settings = settings_frame(
        run_id=["R1"] * 3, set_at=at("11T07:05", "11T07:58", "11T08:20"), pot_kpa=[62.0, 40.0, 50.0]
    )
    result = run_settings(runs, settings).set_index("run_id")
    # 62 was replaced before the trigger was pulled; then 20 of 30 minutes at 40 and 10 at 50.
    assert result.loc["R1", "pot_kpa"] == pytest.approx((20 * 40 + 10 * 50) / 30)


def test_a_catch_without_a_time_is_no_catch(runs):
    settings = settings_frame(
        run_id=["R1", "R1"],
        set_at=at("11T08:00", "11T08:10"),
        pot_kpa=[40.0, 40.0],
        catch_ml=[30.0, 30.0],
        catch_s=[20.0, float("nan")],
    )
    assert run_settings(runs, settings).set_index("run_id").loc["R1", "flow_ml_min"] == pytest.approx(90.0)


def test_a_start_up_list_covers_the_hours_after_it_and_not_the_calendar_day(clean_dossier):
    tables = dict(clean_dossier.tables)
    one = tables["spray_runs"].head(1)
    tables["spray_runs"] = one.assign(started_at=at("16T00:30"), ended_at=at("16T00:50"))
    check = tables["startup_checks"].head(1).assign(unit_id=one["unit_id"].iloc[0])
    for time, covered in (("15T22:00", True), ("15T12:29", False), ("16T00:31", False)):
        tables["startup_checks"] = check.assign(checked_at=at(time))
        assert build_timeline(tables, time_zone="UTC").runs["startup_checked"].tolist() == [covered]


def test_viscosity_is_the_cup_equation_and_an_impossible_time_gives_no_number(runs):
    settings = settings_frame(
        run_id=["R1", "R2"],
        set_at=at("11T08:00", "12T08:00"),
        pot_kpa=[40.0, 40.0],
        cup=["zahn-2"] * 2,
        cup_s=[33.0, 90.0],
    )
    result = run_settings(runs, settings).set_index("run_id")
    assert result.loc["R1", "viscosity_mm2_s"] == pytest.approx(3.5 * (33 - 14))  # ASTM D4212, cup 2: 66.5
    assert pd.isna(result.loc["R2", "viscosity_mm2_s"])  # over 80 s
    assert result["cups_out_of_range"].tolist() == [0, 1]


def test_flow_is_all_paint_over_all_time(runs):
    settings = settings_frame(
        run_id=["R1", "R1"],
        set_at=at("11T08:00", "11T08:10"),
        pot_kpa=[40.0, 40.0],
        catch_ml=[30.0, 90.0],
        catch_s=[30.0, 60.0],
    )
    result = run_settings(runs, settings).set_index("run_id")
    assert result.loc["R1", "flow_ml_min"] == pytest.approx(120 / 90 * 60)


def test_neither_row_order_nor_a_stranger_matters(runs):
    settings = settings_frame(
        run_id=["R1", "R2", "R9"], set_at=at("11T08:00", "12T08:00", "12T08:00"), pot_kpa=[40.0, 41.0, 9.0]
    )
    before = settings.copy()
    one, other = run_settings(runs, settings), run_settings(runs.iloc[::-1], settings.iloc[::-1])
    pd.testing.assert_frame_equal(one, other)
    pd.testing.assert_frame_equal(settings, before)


def test_the_sample_timeline_has_one_row_a_run_and_loses_none(clean_dossier):
    timeline = build_timeline(clean_dossier.tables, time_zone=clean_dossier.time_zone)
    runs = clean_dossier.tables["spray_runs"]
    assert sorted(timeline.runs["run_id"]) == sorted(runs["run_id"])
    assert timeline.runs["started_at"].is_monotonic_increasing
    assert len(timeline.parts) == 11 * len(runs)
    margin = timeline.runs["surface_temp_c"] - timeline.runs["dew_point_c"]
    pd.testing.assert_series_equal(timeline.runs["surface_margin_c"], margin, check_names=False)


def test_a_day_is_a_local_day(clean_dossier):
    # 23:30 UTC is past midnight in Oslo.
    tables = dict(clean_dossier.tables)
    one = tables["spray_runs"].head(1)
    tables["spray_runs"] = one.assign(started_at=at("15T23:30"), ended_at=at("15T23:50"))
    assert build_timeline(tables, time_zone="Europe/Oslo").runs["day"].tolist() == ["2027-01-16"]
    assert build_timeline(tables, time_zone="UTC").runs["day"].tolist() == ["2027-01-15"]


def test_what_was_not_joined_is_counted(clean_dossier):
    tables = dict(clean_dossier.tables)
    tables["pressure_settings"] = tables["pressure_settings"].head(0)
    tables["startup_checks"] = tables["startup_checks"].head(0)
    n = len(tables["spray_runs"])
    counts = build_timeline(tables).not_joined.set_index("what")["n"]
    assert counts["runs without a pressure setting"] == n
    assert counts["runs without a start-up check in the 12 hours before"] == n
