"""The simulated audit: contract form, counts, and a plausible working day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import yaml

from auditkit.simulate import DEFAULT_TRUTH, Simulated, simulate_audit
from auditkit.simulate.audit import COLUMNS, KEYS

SCHEMAS = Path(__file__).parents[2] / "schemas"


def contract(name: str) -> Mapping[str, object]:
    loaded: Mapping[str, object] = yaml.safe_load((SCHEMAS / f"{name}.yaml").read_text(encoding="utf-8"))
    return loaded


@pytest.mark.parametrize("name", sorted(COLUMNS))
def test_table_holds_to_its_contract(name: str, shipped: Simulated) -> None:
    from pandera.config import ValidationDepth, config_context
    from pandera.io.pandas_io import from_yaml

    schema = from_yaml((SCHEMAS / f"{name}.yaml").read_text(encoding="utf-8"))
    with config_context(validation_enabled=True, validation_depth=ValidationDepth.SCHEMA_AND_DATA):
        schema.validate(shipped.tables[name], lazy=True)


@pytest.mark.parametrize("name", sorted(COLUMNS))
def test_columns_keys_and_links_are_those_of_the_contract(name: str, shipped: Simulated) -> None:
    declared = contract(name)
    about = declared["metadata"]["auditkit"]  # type: ignore[index]
    table = shipped.tables[name]
    assert list(table.columns) == list(declared["columns"])  # type: ignore[call-overload]
    assert KEYS[name] == about["key"]
    assert not table.duplicated(KEYS[name]).any()
    pd.testing.assert_frame_equal(table, table.sort_values(KEYS[name], ignore_index=True))
    for link in about["links"]:
        parent, column = link["to"].split(".")
        assert set(table[link["column"]].dropna()) <= set(shipped.tables[parent][column])


def test_row_rules_of_the_contracts_hold(shipped: Simulated) -> None:
    tables = shipped.tables
    runs, settings, jobs = tables["spray_runs"], tables["pressure_settings"], tables["jobs"]
    assert (runs["ended_at"] > runs["started_at"]).all()
    seen = runs.dropna(subset=["standoff_max_mm"])
    assert (seen["standoff_min_mm"] <= seen["standoff_mm"]).all()
    assert (seen["standoff_mm"] <= seen["standoff_max_mm"]).all()
    assert (settings["cup"].isna() == settings["cup_s"].isna()).all()
    assert (settings["catch_ml"].isna() == settings["catch_s"].isna()).all()
    assert (jobs["film_min_um"] <= jobs["film_nominal_um"]).all()
    assert (jobs["film_max_um"].fillna(np.inf) >= jobs["film_nominal_um"]).all()
    assert tables["defects"][["run_id", "area_id"]].notna().any(axis="columns").all()
    top = tables["wrap_observations"]["scale"].map({"five-best": 5.0, "percent": 100.0})
    assert (tables["wrap_observations"]["rating"] <= top).all()


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("jobs", 7, 8),
        ("areas", 195, 205),
        ("spray_runs", 380, 430),
        ("pressure_settings", 800, 1300),
        ("film_readings", 5500, 6500),
        ("wrap_observations", 200, 300),
        ("defects", 150, 300),
        ("maintenance", 500, 800),
        ("startup_checks", 200, 280),
        ("extent_spots", 100, 300),
        ("study_readings", 120, 120),
        ("units", 4, 4),
    ],
)
def test_counts(name: str, low: int, high: int, shipped: Simulated) -> None:
    assert low <= len(shipped.tables[name]) <= high


def test_nobody_is_in_two_places_at_once(shipped: Simulated) -> None:
    runs = shipped.tables["spray_runs"]
    for column in ("unit_id", "operator_id", "area_id"):
        ordered = runs.sort_values([column, "started_at"])
        before = ordered.groupby(column)["ended_at"].shift()
        assert not (ordered["started_at"] < before).any(), column


def test_film_is_read_after_the_last_coat(shipped: Simulated) -> None:
    last = shipped.tables["spray_runs"].groupby("area_id")["ended_at"].max()
    readings = shipped.tables["film_readings"]
    assert (readings["taken_at"] > readings["area_id"].map(last) + pd.Timedelta(days=1)).all()


def test_coats_on_one_area_are_a_night_apart(shipped: Simulated) -> None:
    runs = shipped.tables["spray_runs"]
    days = runs["started_at"].dt.tz_convert("Europe/Oslo").dt.normalize()
    assert not pd.DataFrame({"area": runs["area_id"], "day": days}).duplicated().any()


def test_cup_times_lie_in_the_cups_ranges(shipped: Simulated) -> None:
    # Zahn 2: 20-80 s (ASTM D4212); Ford 4: 20-100 s and from 70 mm2/s (ASTM D1200, from memory), v = 3.85 (t - 4.49)
    times = shipped.tables["pressure_settings"].dropna(subset=["cup"]).groupby("cup")["cup_s"].agg(["min", "max"])
    assert set(times.index) == {"zahn-2", "ford-4"}
    assert times.loc["zahn-2", "min"] >= 20
    assert times.loc["zahn-2", "max"] <= 80
    assert times.loc["ford-4", "min"] >= 70 / 3.85 + 4.49
    assert times.loc["ford-4", "max"] <= 100


def test_flow_follows_pressure_over_viscosity_with_each_unit_s_constant(shipped: Simulated) -> None:
    settings = shipped.tables["pressure_settings"].merge(shipped.tables["spray_runs"], on="run_id")
    caught = settings.dropna(subset=["catch_ml", "cup_s"])
    is_zahn = caught["cup"] == "zahn-2"
    viscosity = np.where(is_zahn, 3.5 * (caught["cup_s"] - 14), 3.85 * (caught["cup_s"] - 4.49))
    filter_open = caught["run_id"].map(
        {run: state["filter_open_share"] for run, state in shipped.truth["runs"].items()}
    )
    constant = caught["catch_ml"] * 2 * viscosity / (caught["pot_kpa"] * filter_open)
    by_unit = constant.groupby(caught["unit_id"]).mean()
    for unit, expected in DEFAULT_TRUTH.unit_flow_constant:
        assert by_unit[unit] == pytest.approx(expected, rel=0.02)


def test_another_seed_gives_another_audit_and_the_same_seed_the_same() -> None:
    one, again, other = (simulate_audit(seed=seed) for seed in (7, 7, 8))
    for name, table in one.tables.items():
        pd.testing.assert_frame_equal(table, again.tables[name])
    assert one.truth == again.truth
    assert not one.tables["film_readings"].equals(other.tables["film_readings"])


def test_a_cause_taken_out_takes_its_defects_away() -> None:
    innocent = tuple(effect for effect in DEFAULT_TRUTH.effects if effect.defect != "crater")
    without = simulate_audit(seed=7, truth=replace(DEFAULT_TRUTH, effects=innocent)).tables["defects"]
    with_ = simulate_audit(seed=7).tables["defects"]

    def craters(defects: pd.DataFrame) -> int:
        return int(((defects["defect"] == "crater") & (defects["quantity"] > 0)).sum())

    assert craters(without) < craters(with_) / 2
