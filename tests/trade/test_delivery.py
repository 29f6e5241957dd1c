"""Delivery: worked pipe flows of the textbooks, and conductance from catch tests of known truth."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from auditkit.trade.delivery import (
    clean_state,
    delivery_ratio,
    flow_ml_min,
    hose_conductance,
    hose_delivery,
    pressure_for_flow,
    static_heads,
    static_pressure_kpa,
)

HOSE = {"viscosity_mm2_s": 60.0, "density_kg_m3": 1100.0, "hose_m": 10.0, "bore_mm": 6.0}


def catches(rng: np.random.Generator, *, each: int = 5, noise: float = 0.03, static_kpa: float = 0.0) -> pd.DataFrame:
    truth = {"U1": 200.0, "U2": 240.0}
    unit = np.repeat(list(truth), each)
    pot = rng.uniform(34, 48, len(unit)).round(1)
    viscosity = rng.uniform(50, 80, len(unit)).round(1)
    flow = np.array([truth[u] for u in unit]) * (pot - static_kpa) / viscosity * np.exp(rng.normal(0, noise, len(unit)))
    return pd.DataFrame({"unit_id": unit, "pot_kpa": pot, "viscosity_mm2_s": viscosity, "flow_ml_min": flow})


def test_needle_of_college_physics():
    """OpenStax, College Physics 12.4, needle example (from memory): 1.62e4 Pa with 1.066e3 Pa to overcome; Re 523."""
    got = pressure_for_flow(
        0.120 * 60, viscosity_mm2_s=1e-3 / 1025 * 1e6, density_kg_m3=1025, hose_m=0.025, bore_mm=0.300
    )
    assert got.pressure_kpa + 1.066 == pytest.approx(16.2, abs=0.05)
    assert got.pressure_kpa == pytest.approx(15.090, abs=0.0005)
    assert got.speed_m_s == pytest.approx(1.70, abs=0.005)
    assert got.reynolds == pytest.approx(523, abs=1.0)
    assert got.laminar


def test_white_example_6_4():
    """White, Fluid Mechanics, Ex. 6.4 (from memory): 10 m of 6 cm pipe 40 degrees up, 350 to 250 kPa."""
    got = flow_ml_min(
        100.0,
        viscosity_mm2_s=200.0,
        density_kg_m3=900.0,
        hose_m=10.0,
        bore_mm=60.0,
        rise_m=10 * math.sin(math.radians(40)),
    )
    assert got.flow_ml_min / 6e7 == pytest.approx(0.0076, abs=0.00005)
    assert got.speed_m_s == pytest.approx(2.7, abs=0.05)
    assert got.reynolds == pytest.approx(810, abs=5)


def test_fine_bore_as_arithmetic_and_flagged():
    """Public homework page: 85 254.55 Pa; its Reynolds number of about 3 600 is not laminar."""
    got = pressure_for_flow(1e-6 * 6e7, viscosity_mm2_s=1.0, density_kg_m3=1000, hose_m=0.0314, bore_mm=0.35)
    assert got.pressure_kpa == pytest.approx(85.25455, rel=5e-5)
    assert got.reynolds == pytest.approx(3600, abs=50)
    assert not got.laminar


def test_pressure_and_flow_are_inverse():
    back = pressure_for_flow(flow_ml_min(40.0, rise_m=1.2, **HOSE).flow_ml_min, rise_m=1.2, **HOSE)
    assert back.pressure_kpa == pytest.approx(40.0)


def test_flow_goes_with_the_fourth_power_of_the_bore_and_stops_at_the_rise():
    assert flow_ml_min(40.0, **HOSE | {"bore_mm": 12.0}).flow_ml_min == pytest.approx(
        16 * flow_ml_min(40.0, **HOSE).flow_ml_min
    )
    head = static_pressure_kpa(density_kg_m3=1100, rise_m=4.0)
    assert head == pytest.approx(43.149, abs=0.0005)
    assert flow_ml_min(40.0, rise_m=4.0, **HOSE).flow_ml_min == 0.0


def test_conductance_is_flow_times_viscosity_over_pressure():
    flow = flow_ml_min(40.0, **HOSE).flow_ml_min
    conductance = hose_conductance(density_kg_m3=1100.0, hose_m=10.0, bore_mm=6.0)
    assert flow * 60.0 / 40.0 == pytest.approx(conductance)


def test_clean_state_by_hand():
    frame = pd.DataFrame(
        {"unit_id": ["U1", "U1", "U2"], "pot_kpa": 40.0, "viscosity_mm2_s": 60.0, "flow_ml_min": [120.0, 132.0, 140.0]}
    )
    clean = clean_state(frame)
    half = math.log(1.1) / 2
    assert clean.units["conductance"].tolist() == pytest.approx([180 * math.sqrt(1.1), 210])
    assert clean.scatter_pct == pytest.approx(100 * half * math.sqrt(2))
    assert clean.df == 1
    assert clean.units["u_conductance_pct"].tolist() == pytest.approx([100 * half, 100 * half * math.sqrt(2)])


def test_clean_state_finds_the_truth_within_its_uncertainty():
    """250 sets of catches with 3 % scatter: truth within one standard uncertainty in about 66 % (t on 8 df)."""
    rng = np.random.default_rng(71)
    z, scatter = [], []
    for _ in range(250):
        clean = clean_state(catches(rng))
        z += (np.log(clean.units["conductance"] / [200.0, 240.0]) / clean.units["u_conductance_pct"] * 100).tolist()
        scatter.append(clean.scatter_pct)
    assert np.mean(np.abs(z) < 1) == pytest.approx(0.653, abs=0.06)
    assert np.sqrt(np.mean(np.square(scatter))) == pytest.approx(3.0, abs=0.1)


def test_a_rise_is_taken_off():
    rng = np.random.default_rng(72)
    clean = clean_state(catches(rng, static_kpa=12.0, noise=1e-6).assign(static_kpa=12.0))
    assert clean.units["conductance"].tolist() == pytest.approx([200, 240], rel=1e-4)
    lower = catches(rng, each=1, static_kpa=-5.0, noise=1e-6).assign(static_kpa=-5.0, run_id=["R1", "R2"])
    assert delivery_ratio(lower, clean)["delivery_ratio"].tolist() == pytest.approx([1, 1], rel=1e-4)
    untold = delivery_ratio(lower.drop(columns="static_kpa"), clean)["delivery_ratio"]
    assert (untold > 1.08).all()


def test_ratio_and_its_uncertainty():
    clean = clean_state(catches(np.random.default_rng(73), noise=1e-9))
    runs = pd.DataFrame(
        {
            "run_id": ["R2", "R1", "R4", "R3", "R5"],
            "unit_id": ["U1", "U2", "U9", "U1", "U1"],
            "pot_kpa": [40.0, 40.0, 40.0, 40.0, 40.0],
            "viscosity_mm2_s": [50.0, 60.0, 60.0, np.nan, 60.0],
            "flow_ml_min": [80.0, 160.0, 160.0, 160.0, np.nan],
        }
    )
    before = runs.copy()
    ratios = delivery_ratio(runs, clean, u_reading_pct=4.0)
    assert ratios["run_id"].tolist() == ["R1", "R2", "R3", "R4", "R5"]
    assert ratios["delivery_ratio"].tolist()[:2] == pytest.approx([1.0, 0.5])
    assert ratios["u_delivery_ratio"].tolist()[:2] == pytest.approx([0.04, 0.02])
    assert ratios["delivery_ratio"].isna().tolist() == [False, False, True, True, True]
    assert ratios["why"].tolist() == ["", "", "no valid cup time", "no clean catch of the unit", "no paint was caught"]
    pd.testing.assert_frame_equal(runs, before)


def test_uncertainty_of_the_ratio_is_held_to_by_simulation():
    """A clean unit's ratio lies within two of its standard uncertainties in about 95 % of new runs."""
    rng = np.random.default_rng(74)
    held = []
    for _ in range(100):
        clean = clean_state(catches(rng, each=8))
        runs = catches(rng, each=3).assign(run_id=[f"R{i}" for i in range(6)])
        ratios = delivery_ratio(runs, clean)
        held += (abs(ratios["delivery_ratio"] - 1) < 2 * ratios["u_delivery_ratio"]).tolist()
    assert np.mean(held) == pytest.approx(0.94, abs=0.035)  # 2 sd of a t on 14 df holds 93.5 %


def test_missing_catches_are_counted_and_rows_may_come_in_any_order():
    frame = catches(np.random.default_rng(75))
    gaps = pd.concat([frame, frame.head(2).assign(flow_ml_min=np.nan)])
    clean, other = clean_state(frame), clean_state(gaps.iloc[::-1])
    assert (other.n, other.excluded) == (10, 2)
    pd.testing.assert_frame_equal(clean.units, other.units)


def test_refusals():
    frame = catches(np.random.default_rng(76))
    with pytest.raises(ValueError, match=r"at least one unit needs two clean catches.*given 2 catches of 2 units"):
        clean_state(frame.iloc[[0, 5]])
    with pytest.raises(ValueError, match="flow_ml_min must be above 0; 1 of 10 are not, first -3"):
        clean_state(frame.assign(flow_ml_min=[-3.0, *frame["flow_ml_min"][1:]]))
    with pytest.raises(ValueError, match="pot_kpa must be above 0 and the pressure that the rise takes; 10 of 10"):
        clean_state(frame.assign(static_kpa=60.0))
    with pytest.raises(ValueError, match=r"catches must have the columns \['pot_kpa'\]"):
        clean_state(frame.drop(columns="pot_kpa"))
    runs = frame.head(2).assign(run_id="R1")
    with pytest.raises(ValueError, match=r"run_id must not occur twice; \['R1'\] do"):
        delivery_ratio(runs, clean_state(frame))
    with pytest.raises(ValueError, match=r"above 0; given {'bore_mm': 0}"):
        hose_conductance(density_kg_m3=1000, hose_m=1, bore_mm=0)
    with pytest.raises(ValueError, match="u_reading_pct must be finite and above 0; given 0"):
        delivery_ratio(frame.head(2).assign(run_id=["R1", "R2"]), clean_state(frame), u_reading_pct=0)
    with pytest.raises(ValueError, match="wanted_ml_min must be 0 or more; given -1"):
        pressure_for_flow(-1, **HOSE)


def test_heads_are_density_times_gravity_times_rise_for_a_unit_that_always_says_so():
    runs = pd.DataFrame(
        {
            "unit_id": ["U1", "U2", "U1", "U2", "U3"],
            "rise_m": [1.5, 2.0, 1.5, 2.0, -1.0],
            "paint_density_kg_m3": [1000.0, 1100.0, 1200.0, None, 1000.0],
        },
        index=[4, 3, 2, 1, 0],
    )
    before = runs.copy()
    got = static_heads(runs)
    # rho g h with g = 9.80665 m/s2: 1000 x 9.80665 x 1.5 / 1000 = 14.710 kPa; a bell below the pot gains pressure
    assert got.tolist() == pytest.approx([14.710, 0.0, 17.652, 0.0, -9.80665], abs=0.001)
    assert got.index.tolist() == [4, 3, 2, 1, 0]
    pd.testing.assert_frame_equal(runs, before)


HOSES = pd.DataFrame(
    {
        "run_id": ["R5", "R1", "R2", "R3", "R4"],
        "pot_kpa": [100.0, 40.0, 40.0, 40.0, np.nan],
        "viscosity_mm2_s": [200.0, 60.0, np.nan, 60.0, 60.0],
        "paint_density_kg_m3": [900.0, 1100.0, 1100.0, np.nan, 1100.0],
        "hose_length_m": [10.0, 10.0, 10.0, 10.0, 10.0],
        "hose_bore_mm": [60.0, 6.0, 6.0, 6.0, 6.0],
        "rise_m": [10 * math.sin(math.radians(40)), np.nan, 0.0, 0.0, 0.0],
    }
)


def test_what_the_hose_alone_would_let_through():
    """R5 is White, Fluid Mechanics, Ex. 6.4 (from memory): 0.0076 m3/s, Re 810."""
    before = HOSES.copy()
    got = hose_delivery(HOSES)
    assert got["run_id"].tolist() == ["R1", "R2", "R3", "R4", "R5"]
    assert got["hose_ml_min"][0] == pytest.approx(flow_ml_min(40.0, **HOSE).flow_ml_min)
    assert got["hose_ml_min"][4] / 6e7 == pytest.approx(0.0076, abs=0.00005)
    assert got["hose_reynolds"][4] == pytest.approx(810, abs=5)
    assert got["hose_why"].tolist() == ["", "no valid cup time", "no paint density", "no pressure", ""]
    assert [None if pd.isna(value) else bool(value) for value in got["hose_laminar"]] == [True, None, None, None, True]
    pd.testing.assert_frame_equal(got, hose_delivery(HOSES.iloc[::-1]))
    pd.testing.assert_frame_equal(HOSES, before)
    assert len(hose_delivery(HOSES.head(0))) == 0


def test_a_flow_that_is_not_laminar_gives_no_figure():
    thin = HOSES[HOSES["run_id"] == "R5"].assign(viscosity_mm2_s=50.0, pot_kpa=200.0, run_id="R9")
    got = hose_delivery(thin).iloc[0]
    assert got["hose_reynolds"] > 2000
    assert not got["hose_laminar"]
    assert np.isnan(got["hose_ml_min"])
    assert got["hose_why"] == "the flow is not laminar"


def test_refusals_of_hoses():
    with pytest.raises(ValueError, match=r"run_id must not occur twice; \['R1'.*do"):
        hose_delivery(HOSES.assign(run_id="R1"))
    with pytest.raises(ValueError, match=r"runs must have the columns \['rise_m'\]"):
        hose_delivery(HOSES.drop(columns="rise_m"))
    with pytest.raises(ValueError, match=r"runs must have the columns \['rise_m'\]"):
        static_heads(HOSES.assign(unit_id="U1").drop(columns="rise_m"))
