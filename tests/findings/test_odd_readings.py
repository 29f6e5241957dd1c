"""Odd readings: honest audits stay unmarked, planted faults are found and worded so that they can be shown."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.odd_readings import DIGITS, READING, SPOT, find_odd_readings
from auditkit.findings.odd_series import COPIED, STUCK

AREAS = 40


def audit(rng: np.random.Generator, *, step: float = 1.0, areas_um: float = 10.0) -> dict[str, pd.DataFrame]:
    """40 areas of 5 spots of 3, areas 10, spots 6, readings 2.5 um apart, read to a step."""
    area, spot = np.repeat(np.arange(AREAS), 15), np.tile(np.repeat(np.arange(1, 6), 3), AREAS)
    film = 80 + rng.normal(0, areas_um, AREAS)[area] + rng.normal(0, 6, AREAS * 5)[area * 5 + spot - 1]
    film = np.round((film + rng.normal(0, 2.5, AREAS * 15)) / step) * step
    readings = pd.DataFrame(
        {
            "area_id": [f"A{i:02d}" for i in area],
            "side": "facing",
            "spot": pd.array(spot, dtype="Int64"),
            "repeat": pd.array(np.tile([1, 2, 3], AREAS * 5), dtype="Int64"),
            "dft_um": np.round(film, 4),
            "gauge_id": "G1",
            "taken_at": pd.Timestamp("2027-01-11T08:00Z") + pd.to_timedelta(np.arange(AREAS * 15) // 3, unit="min"),
        }
    )
    areas = pd.DataFrame({"area_id": [f"A{i:02d}" for i in range(AREAS)], "job_id": "J1"})
    return {"film_readings": readings, "areas": areas}


def planted(tables: dict[str, pd.DataFrame], rows: slice, values: object) -> dict[str, pd.DataFrame]:
    readings = tables["film_readings"].copy()
    readings.iloc[rows, readings.columns.get_loc("dft_um")] = values
    return {**tables, "film_readings": readings}


def find(tables, seed=1, **settings):
    return find_odd_readings(tables, rng=np.random.default_rng(seed), **settings)


@pytest.mark.parametrize("step", [0.1, 1.0, 2.54])
def test_honest_audits_stay_nearly_unmarked(step):
    rng = np.random.default_rng(4)
    found = [find_odd_readings(audit(rng, step=step), rng=rng) for _ in range(15)]
    tested = sum(int(one.tested["tested"].iloc[:2].sum()) for one in found)
    assert tested == 15 * 800
    assert sum(len(one.flags) for one in found) / tested < 0.001  # 0.00047 by the normal curve
    assert sum(one.series["marked"].any() for one in found) <= 2
    assert sum(one.digits["marked"].any() for one in found) <= 2
    assert not any(one.pace["marked"].any() for one in found)


def test_far_reading_and_far_spot_are_marked_with_reason_and_figure():
    tables = planted(audit(np.random.default_rng(5)), slice(30, 31), 140.0)
    tables = planted(tables, slice(105, 108), [190.0, 191.0, 189.0])
    found = find(tables)
    row = found.flags[found.flags["kind"] == READING].iloc[0]
    assert (row["area_id"], row["spot"], row["repeat"], row["value_um"]) == ("A02", 1, 1, 140.0)
    assert row["statistic"] > 3.5 == row["limit"]
    assert row["seen"].startswith("140.0 um where the others of spot 1 read")
    assert "by chance alone" in row["chance"]
    assert "probe" in row["innocent"]
    spots = found.flags[found.flags["kind"] == SPOT]
    assert ("A07", 1) in list(zip(spots["area_id"], spots["spot"], strict=True))
    assert spots["repeat"].isna().all()


def test_stuck_gauge_is_marked():
    found = find(planted(audit(np.random.default_rng(6)), slice(45, 60), 83.0))
    marked = found.series[found.series["marked"]]
    assert marked["kind"].tolist() == [STUCK]
    row = marked.iloc[0]
    assert (row["area_id"], row["length"], row["values_um"]) == ("A03", 15, "83")
    assert row["expected"] < 1e-6
    assert "15 readings in succession of 83 um, through 5 spots, on a gauge read to 1 um" in row["seen"]


def test_copied_series_is_marked_in_both_places():
    tables = audit(np.random.default_rng(7))
    found = find(planted(tables, slice(300, 309), tables["film_readings"]["dft_um"].iloc[60:69].to_numpy()))
    marked = found.series[found.series["marked"]]
    assert marked[["kind", "area_id", "other_area_id", "length"]].values.tolist() == [[COPIED, "A04", "A20", 9]]
    assert "once in" in marked["chance"].iloc[0]


def test_what_chance_explains_on_a_coarse_gauge_is_listed_and_not_marked():
    found = find(audit(np.random.default_rng(8), step=12.7))
    assert len(found.series) > 0
    assert not found.series["marked"].any()
    assert found.series["expected"].min() >= 0.05


def test_liked_digits_are_marked_on_a_mil_gauge():
    tables = audit(np.random.default_rng(9), step=2.54, areas_um=18.0)
    mil = tables["film_readings"]["dft_um"].to_numpy() / 25.4
    found = find(planted(tables, slice(None), np.round(np.round(mil * 2) / 2 * 25.4, 4)))
    row = found.digits.iloc[0]
    assert row["step_um"] == pytest.approx(2.54)
    assert row["marked"]
    assert row["digit"] in (0, 5)
    assert found.tested.set_index("kind").loc[DIGITS, "marked"] == 1


def test_levels_too_close_together_are_not_tested_for_digits():
    found = find(audit(np.random.default_rng(9), step=2.54))  # areas differ by four steps of a tenth of a mil
    assert found.digits["reason"].tolist() == ["fewer than five places whose level is a matter of chance"]
    assert not found.digits["marked"].any()


def test_gauge_that_shows_a_digit_less_from_100_um_is_not_accused():
    tables = audit(np.random.default_rng(10), step=0.1)
    film = tables["film_readings"]["dft_um"].to_numpy() + 15
    found = find(planted(tables, slice(None), np.round(np.where(film < 100, film, np.round(film)), 4)))
    assert found.digits["range"].tolist() == ["all", "under 100 um"]
    assert found.digits["step_um"].tolist() == [1.0, 0.1]
    assert not found.digits["marked"].any()


def test_pace_is_only_told_where_stamps_resolve_it():
    tables = audit(np.random.default_rng(11))
    found = find(tables)
    assert not found.pace["marked"].any()
    assert found.pace["reason"].str.contains("many readings under one stamp are no evidence").all()
    seconds = pd.Timestamp("2027-01-11T08:00:01Z") + pd.to_timedelta(np.arange(AREAS * 15), unit="s")
    quick = {**tables, "film_readings": tables["film_readings"].assign(taken_at=seconds)}
    found = find(quick)
    assert found.pace["marked"].all()
    assert found.pace["pace_per_min"].iloc[0] == pytest.approx(54.0)


def test_nothing_is_changed_and_order_does_not_matter():
    tables = planted(audit(np.random.default_rng(12)), slice(30, 31), 140.0)
    kept = tables["film_readings"].copy()
    one = find(tables)
    pd.testing.assert_frame_equal(tables["film_readings"], kept)
    two = find({**tables, "film_readings": kept.sample(frac=1, random_state=1)})
    pd.testing.assert_frame_equal(one.flags, two.flags)
    pd.testing.assert_frame_equal(one.series, two.series)


def test_empty_tables_and_sample(clean_dossier):
    empty = {name: table.iloc[:0] for name, table in clean_dossier.tables.items()}
    found = find(empty)
    assert found.n == len(found.flags) == len(found.series) == len(found.digits) == len(found.pace) == 0
    found = find(clean_dossier.tables, time_zone=clean_dossier.time_zone)
    assert found.n == len(clean_dossier.tables["film_readings"])
    assert not found.series["marked"].any()  # nobody cheats in the sample
    assert not found.digits["marked"].any()
    assert len(found.flags) < 20
