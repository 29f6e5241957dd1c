"""The spray units, what was noted of their application, and the notes that contradict others."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from auditkit.simulate import DEFAULT_TRUTH, Simulated
from auditkit.simulate.coatings import COATINGS, viscosity_points
from auditkit.simulate.machines import extra_notes
from auditkit.simulate.upkeep import simulate_upkeep


@pytest.fixture(scope="module")
def notes(shipped: Simulated) -> pd.DataFrame:
    return shipped.tables["maintenance"].assign(
        local=shipped.tables["maintenance"]["done_at"].dt.tz_convert(DEFAULT_TRUTH.time_zone).dt.tz_localize(None)
    )


def named(notes: pd.DataFrame, conflict: dict[str, object]) -> pd.DataFrame:
    """Return the accepted notes a contradiction names, each found by unit, part, action and time."""
    told = pd.DataFrame(conflict["notes"]).assign(unit_id=conflict["unit_id"], part=conflict["part"])
    told["local"] = pd.to_datetime(told["done_at"]).dt.as_unit("us")
    found = notes.merge(told.drop(columns="done_at"), on=["unit_id", "part", "action", "local"])
    assert len(found) == len(told)
    return found.sort_values("local")


def conflicts(shipped: Simulated, kind: str) -> list[dict[str, object]]:
    found = [conflict for conflict in shipped.truth["note_conflicts"] if conflict["kind"] == kind]  # type: ignore[attr-defined]
    assert found
    return found


def test_every_kind_of_contradiction_is_in_the_notes_as_told(shipped: Simulated, notes: pd.DataFrame) -> None:
    for conflict in conflicts(shipped, "before it was fitted"):
        both = named(notes, conflict)
        assert both["action"].tolist() == ["replaced", "fitted"]
    since = shipped.tables["units"].set_index("unit_id")["in_service_at"]
    for conflict in conflicts(shipped, "before the unit was in service"):
        early = named(notes, conflict)
        assert (early["done_at"] < early["unit_id"].map(since)).all()
    for conflict in conflicts(shipped, "two states at one instant"):
        both = named(notes, conflict)
        assert both["done_at"].iloc[0] == both["done_at"].iloc[1]
        assert set(both["found"]) == {"good", "clogged"}
    for conflict in conflicts(shipped, "wear fell by itself"):
        first, second = named(notes, conflict).to_dict("records")
        own = notes[(notes["unit_id"] == conflict["unit_id"]) & (notes["part"] == conflict["part"])]
        between = own[own["done_at"].between(first["done_at"], second["done_at"])]
        assert second["wear_pct"] < first["wear_pct"] - 10
        assert set(between["action"]) == {"inspected"}


def test_no_other_note_comes_before_its_unit_s_service_or_its_part_s_fitting(
    shipped: Simulated, notes: pd.DataFrame
) -> None:
    since = shipped.tables["units"].set_index("unit_id")["in_service_at"]
    fitted = notes[notes["action"] == "fitted"].set_index(["unit_id", "part"])["done_at"]
    assert (notes["done_at"] < notes["unit_id"].map(since)).sum() == 1
    when = pd.Series(list(zip(notes["unit_id"], notes["part"], strict=True))).map(fitted)
    assert (notes["done_at"] < when).sum() == 1


def test_what_is_known_of_brush_bell_and_filter_at_a_run_is_not_touched(shipped: Simulated) -> None:
    rng = np.random.default_rng(3)
    planted = extra_notes(simulate_upkeep(DEFAULT_TRUTH, rng).records, DEFAULT_TRUTH, rng).records
    of_conditions = planted[planted["part"].isin(["brush", "bell", "filter"])]
    last_run = shipped.tables["spray_runs"]["ended_at"].max().tz_convert(DEFAULT_TRUTH.time_zone).tz_localize(None)
    assert len(of_conditions) == 1
    assert (of_conditions["done_at"] > last_run).all()


def test_a_unit_has_served_as_long_as_its_brush_is_worn(shipped: Simulated) -> None:
    units, upkeep = shipped.tables["units"], simulate_upkeep(DEFAULT_TRUTH, np.random.default_rng([20270104, 2]))
    assert units["in_service_at"].isna().tolist() == [False, False, False, True]
    for unit, since in units.dropna().set_index("unit_id")["in_service_at"].items():
        days = np.busday_count(since.date(), DEFAULT_TRUTH.first_day)
        worn = upkeep.brush_wear_pct[str(unit)][0, 0]
        assert days * DEFAULT_TRUTH.brush_wear_per_day_pct == pytest.approx(
            worn, abs=DEFAULT_TRUTH.brush_wear_per_day_pct
        )


def test_the_hose_alone_lets_through_a_little_more_than_the_clean_unit(shipped: Simulated) -> None:
    # Hagen-Poiseuille: Q = pi d^4 p / (128 mu L), mu = viscosity times density
    constants = dict(DEFAULT_TRUTH.unit_flow_constant)
    for unit in shipped.tables["units"].itertuples():
        for coating in COATINGS.values():
            resistance = 128 * 1e-6 * coating.density_kg_m3 * unit.hose_length_m
            ml_min = math.pi * (unit.hose_bore_mm * 1e-3) ** 4 * 1e3 / resistance * 6e7
            assert 1.13 < ml_min / constants[unit.unit_id] < 1.27


def test_the_measured_viscosities_are_those_the_paint_has() -> None:
    (points,) = viscosity_points().values()
    assert [point["mm2_s"] for point in points] == [pytest.approx(62 * math.exp(0.03 * 13), abs=0.05), 62.0]


def test_the_feed_tube_is_set_for_the_next_run_s_bell_but_for_slips(shipped: Simulated) -> None:
    checks, runs = shipped.tables["startup_checks"], shipped.tables["spray_runs"]
    following = pd.merge_asof(
        checks.sort_values("checked_at"),
        runs[["unit_id", "started_at", "bell_diameter_mm"]].sort_values("started_at"),
        left_on="checked_at",
        right_on="started_at",
        by="unit_id",
        direction="forward",
    ).dropna(subset=["feed_tube_for_mm"])
    slips = (following["feed_tube_for_mm"] != following["bell_diameter_mm"]).mean()
    assert 0.005 < slips < 0.06
    assert set(following["feed_tube_for_mm"]) == {50.0, 70.0}


def test_ranges_of_standoff_are_those_of_each_operator_s_habit(shipped: Simulated) -> None:
    runs = shipped.tables["spray_runs"].dropna(subset=["standoff_max_mm"])
    spread = (runs["standoff_max_mm"] - runs["standoff_min_mm"]).groupby(runs["operator_id"]).median()
    for operator, habit in DEFAULT_TRUTH.operator_standoff_range_mm:
        assert spread[operator] == pytest.approx(habit, rel=0.2)
    assert 0.02 < shipped.tables["spray_runs"]["standoff_min_mm"].isna().mean() < 0.2
