"""The timeline: settings inside the run, last notes before it, and a count of what could not be joined."""

import pandas as pd
import pytest

from auditkit.errors import DeclarationError
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


def test_a_run_carries_its_hose_its_paint_and_the_spread_of_its_standoff(clean_dossier):
    tables = dict(clean_dossier.tables)
    runs = tables["spray_runs"]
    unit = runs["unit_id"].iloc[0]
    hose = pd.DataFrame({"unit_id": [unit], "hose_length_m": [10.0], "hose_bore_mm": [6.0], "rise_m": [1.5]})
    tables["units"] = hose.astype({"unit_id": "str"})
    tables["jobs"] = tables["jobs"].assign(paint_density_kg_m3=1100.0)
    tables["spray_runs"] = runs.assign(standoff_min_mm=150.0, standoff_max_mm=195.0)
    got = build_timeline(tables).runs
    here = got["unit_id"] == unit
    assert got.loc[here, ["hose_length_m", "hose_bore_mm", "rise_m"]].drop_duplicates().to_numpy().tolist() == [
        [10.0, 6.0, 1.5]
    ]
    assert got.loc[~here, "hose_length_m"].isna().all()
    assert (got["paint_density_kg_m3"] == 1100.0).all()
    assert (got["standoff_spread_mm"] == 45.0).all()


def test_records_without_the_newer_columns_leave_them_blank(clean_dossier):
    tables = dict(clean_dossier.tables)
    tables.pop("units", None)
    newer = {"jobs": ["paint_density_kg_m3"], "spray_runs": ["standoff_min_mm", "standoff_max_mm"]}
    newer["startup_checks"] = ["feed_tube_for_mm"]
    for name, columns in newer.items():
        tables[name] = tables[name].drop(columns=columns, errors="ignore")
    got = build_timeline(tables).runs
    blank = ["hose_length_m", "rise_m", "paint_density_kg_m3", "standoff_spread_mm", "bell_matches_feed_tube"]
    assert got[blank].isna().all(axis=None)


def test_the_start_up_of_the_run_says_its_shift_and_whether_the_feed_tube_was_set_for_the_bell(clean_dossier):
    tables = dict(clean_dossier.tables)
    one = tables["spray_runs"].head(1)
    tables["spray_runs"] = one.assign(started_at=at("15T14:30"), ended_at=at("15T14:50"), bell_diameter_mm=70.0)
    check = tables["startup_checks"].head(1).assign(unit_id=one["unit_id"].iloc[0])
    early = check.assign(checked_at=at("15T06:00"), shift="early", feed_tube_for_mm=50.0)
    late = check.assign(checked_at=at("15T14:00"), shift="late", feed_tube_for_mm=70.0)
    tables["startup_checks"] = pd.concat([late, early])
    got = build_timeline(tables).runs
    assert got[["shift", "bell_matches_feed_tube"]].to_numpy().tolist() == [["late", True]]
    tables["startup_checks"] = early
    got = build_timeline(tables).runs
    assert got[["shift", "bell_matches_feed_tube"]].to_numpy().tolist() == [["early", False]]


def test_pause_and_filter_hours_are_those_of_the_unit(clean_dossier):
    timeline = build_timeline(clean_dossier.tables, time_zone=clean_dossier.time_zone)
    runs = timeline.runs.set_index("run_id")
    filters = timeline.parts[timeline.parts["part"] == "filter"].set_index("run_id")["clean_h"]
    pd.testing.assert_series_equal(runs["filter_clean_h"].sort_index(), filters.sort_index(), check_names=False)
    firsts = runs.groupby(["unit_id", "day"])["first_of_day"].sum()
    assert (firsts == 1).all()
    assert (runs["pause_min"].isna() == runs["first_of_day"]).all()


def test_viscosity_is_brought_to_20_c_only_for_a_coating_with_measured_points(clean_dossier):
    tables = clean_dossier.tables
    coatings = tables["jobs"]["coating"].unique()
    points = {coatings[0]: [{"temp_c": 15, "mm2_s": 62.0}, {"temp_c": 25, "mm2_s": 41.0}]}
    timeline = build_timeline(tables, viscosity_points=points)
    runs = timeline.runs
    here = (runs["coating"] == coatings[0]) & runs["viscosity_mm2_s"].notna()
    near = here & runs["paint_temp_c"].between(10, 30)
    assert near.sum() > 20
    assert (runs["viscosity_20c_mm2_s"].notna() == near).all()
    colder = near & (runs["paint_temp_c"] < 20)
    assert (runs.loc[colder, "viscosity_20c_mm2_s"] < runs.loc[colder, "viscosity_mm2_s"]).all()
    counts = timeline.not_joined.set_index("what").loc["runs whose viscosity could not be brought to 20 C"]
    assert (counts["n"], counts["of"]) == (here.sum() - near.sum(), here.sum())
    assert build_timeline(tables).runs["viscosity_20c_mm2_s"].isna().all()


def test_points_that_give_no_line_are_a_fault_of_the_declaration(clean_dossier):
    points = {"alkyd": [{"temp_c": 15, "mm2_s": 41.0}, {"temp_c": 25, "mm2_s": 62.0}]}
    said = (
        r"dossier.yaml, viscosity_points.alkyd: viscosity must fall as the paint gets warmer.*given 41.0 mm2/s at 15 C"
    )
    with pytest.raises(DeclarationError, match=said):
        build_timeline(clean_dossier.tables, viscosity_points=points)
