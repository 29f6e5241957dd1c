"""Delivery read as restriction, loss or neither: a hose and its faults simulated as a chain of resistances."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.delivery import (
    FROM_CATCHES,
    FROM_HOSE,
    LOSS,
    NEITHER,
    PRIORS,
    RESTRICTION,
    find_delivery,
    read_pattern,
)

CONDUCTANCE = 205.0
U_GAUGE, U_CUP, U_CATCH, SETTING = 0.02, 0.03, 0.02, 0.03


def runs_of(
    rng: np.random.Generator, fault: str, n: int, *, left: tuple[float, float] = (0.35, 0.85), raised: float = 0.8
) -> pd.DataFrame:
    """Runs of one unit under a fault, as written down.

    Pot, kink, gauge, filter, hose and bell lie one behind the other; each takes
    pressure in proportion to flow. The regulator holds the pot at what was
    set; a leaking gasket lets it sink. Against a clogged filter the operator
    turns the pressure up by a part of what the flow lost, up to `raised`.
    """
    asked = 42.0 * np.exp(rng.normal(0, SETTING, n))
    viscosity = rng.uniform(50, 80, n)
    downstream = viscosity / CONDUCTANCE  # kPa min/mL
    share = rng.uniform(*left, n)  # of flow, or of pressure, that the fault leaves
    kink = downstream * (1 / share - 1) if fault == "kink" else 0.0
    clog = downstream * (1 / share - 1) if fault == "clog" else 0.0
    pot = asked * share if fault == "gasket" else asked
    if fault == "clog":
        pot = asked * share ** -rng.uniform(0, raised, n)
    flow = pot / (downstream + kink + clog)
    gauge = flow * (downstream + clog)
    return pd.DataFrame(
        {
            "run_id": [f"{fault}{i:04d}" for i in range(n)],
            "unit_id": "U1",
            "pot_kpa": gauge * np.exp(rng.normal(0, U_GAUGE, n)),
            "viscosity_mm2_s": viscosity * np.exp(rng.normal(0, U_CUP, n)),
            "flow_ml_min": flow * np.exp(rng.normal(0, U_CATCH, n)),
        }
    )


def read_after_clean(rng: np.random.Generator, runs: pd.DataFrame, *, catches: int = 12) -> pd.DataFrame:
    """The runs as read after so many catches in the clean state, with the likeliest name first."""
    base = runs_of(rng, "none", catches).assign(filter_clean_h=1.0)
    base["run_id"] = "base" + base["run_id"]
    read = find_delivery(pd.concat([base, runs])).runs
    read = read[~read["run_id"].str.startswith("base")]
    names = {"restriction": RESTRICTION, "loss": LOSS, "neither": NEITHER}
    return read.assign(first=read[list(names)].idxmax(axis=1).map(names))


def named(rng: np.random.Generator, fault: str) -> pd.DataFrame:
    """500 runs under a fault, in 25 lots, each after its own clean catches."""
    return pd.concat([read_after_clean(rng, runs_of(rng, fault, 20)) for _ in range(25)])


@pytest.mark.parametrize(("fault", "right"), [("clog", RESTRICTION), ("kink", LOSS), ("gasket", LOSS)])
def test_the_right_fault_is_named_first(fault, right):
    """Of 500 cases at least 90 % have the right one first, and at most 5 % get a wrong name."""
    read = named(np.random.default_rng(81), fault)
    assert (read["first"] == right).mean() >= 0.90
    assert (~read["named"].isin([right, "cannot tell"])).mean() <= 0.05


def test_clean_runs_are_seldom_given_a_fault():
    read = named(np.random.default_rng(82), "none")
    assert read["named"].isin([RESTRICTION, LOSS]).mean() <= 0.03
    assert (read["named"] == NEITHER).mean() >= 0.80


def test_probabilities_mean_what_they_say():
    """Faults as often and as strong as the priors hold: of readings given about p, about a share p are restrictions."""
    rng = np.random.default_rng(83)
    parts = {"none": 1800, "clog": 600, "kink": 300, "gasket": 300}
    runs = pd.concat([runs_of(rng, fault, n, left=(0.20, 0.95), raised=1.0) for fault, n in parts.items()])
    read = read_after_clean(rng, runs, catches=40)
    assert len(read) == 3000
    true = read["run_id"].str.startswith("clog")
    for low, high in ((0.0, 0.1), (0.1, 0.9), (0.9, 1.0)):
        here = read["restriction"].between(low, high)
        assert here.sum() > 50
        assert true[here].mean() == pytest.approx(read.loc[here, "restriction"].mean(), abs=0.12)


@pytest.mark.parametrize("catches", [3, 5])
def test_few_clean_catches_give_no_wrong_name(catches):
    """Scatter told by two or four degrees of freedom: at most 5 % of 200 runs a kind get a wrong name."""
    rng = np.random.default_rng(86)
    for fault, right in (("clog", RESTRICTION), ("kink", LOSS), ("none", NEITHER)):
        lots = [read_after_clean(rng, runs_of(rng, fault, 5), catches=catches) for _ in range(40)]
        assert (~pd.concat(lots)["named"].isin([right, "cannot tell"])).mean() <= 0.05


def test_two_clean_catches_name_nothing():
    """With one degree of freedom some 7 % of the names were wrong."""
    rng = np.random.default_rng(86)
    runs = pd.concat([runs_of(rng, "none", 2).assign(filter_clean_h=1.0), runs_of(rng, "clog", 5)])
    found = find_delivery(runs)
    assert found.clean is None
    assert set(found.runs["named"]) == {"cannot tell"}
    assert found.reason.startswith("cannot tell: the scatter of clean catches rests on 2 of them alone")


@pytest.mark.parametrize(
    ("pressure", "flow", "expected"),
    [(1.15, 0.60, RESTRICTION), (1.0, 0.60, RESTRICTION), (0.70, 1.0, LOSS), (0.65, 0.70, LOSS), (1.0, 1.0, NEITHER)],
)
def test_plain_cases(pressure, flow, expected):
    reading = read_pattern(pressure, flow, u_pressure_ratio=0.03, u_delivery_ratio=0.03)
    assert reading.named == expected
    assert reading.restriction + reading.loss + reading.neither == pytest.approx(1)


def test_reasons_in_words():
    said = read_pattern(0.70, 1.0, u_pressure_ratio=0.03, u_delivery_ratio=0.03).reason
    assert said == (
        "pressure 30 % down, flow just what that pressure gives when clean: loss ahead of the gauge (a kinked hose or "
        "a leaking lid gasket), unless the pressure was set low, probability 1.00"
    )
    clean = read_pattern(1.0, 1.0, u_pressure_ratio=0.03, u_delivery_ratio=0.03).reason
    assert clean.endswith("gives when clean: neither a restriction nor a loss shows, probability 1.00")


def test_little_or_odd_evidence_cannot_tell():
    vague = read_pattern(0.93, 0.88, u_pressure_ratio=0.06, u_delivery_ratio=0.06)
    assert vague.named == "cannot tell"
    seen, said = vague.reason.split(": ")
    assert seen == "pressure 7 % down, flow 12 % below what that pressure gives when clean"
    assert said == (
        f"cannot tell (restriction {vague.restriction:.2f}, loss ahead of the gauge {vague.loss:.2f}, "
        f"neither {vague.neither:.2f})"
    )
    odd = read_pattern(1.0, 1.6, u_pressure_ratio=0.03, u_delivery_ratio=0.05)
    assert odd.named == "cannot tell"
    assert odd.reason.endswith("when clean: neither fault explains that, look at the readings")


def test_priors_move_the_answer_and_are_in_the_method():
    keen = {NEITHER: 0.1, RESTRICTION: 0.8, LOSS: 0.1}
    one = read_pattern(1.0, 0.9, u_pressure_ratio=0.04, u_delivery_ratio=0.04)
    other = read_pattern(1.0, 0.9, u_pressure_ratio=0.04, u_delivery_ratio=0.04, priors=keen)
    assert other.restriction > one.restriction
    odds = (other.restriction / other.neither) / (one.restriction / one.neither)
    assert odds == pytest.approx((0.8 / 0.1) / (0.2 / 0.6))
    runs = runs_of(np.random.default_rng(84), "none", 4).assign(filter_clean_h=1.0)
    assert "prior restriction 0.8" in find_delivery(runs, priors=keen).method


def test_runs_without_a_ratio_or_a_clean_state_say_so():
    runs = runs_of(np.random.default_rng(85), "none", 5).assign(filter_clean_h=[1.0, 2.0, 3.0, 99.0, 99.0])
    runs.loc[4, "flow_ml_min"] = np.nan
    before = runs.copy()
    found = find_delivery(runs)
    assert (found.n, found.excluded) == (4, 1)
    last = found.runs.iloc[4]
    assert (last["named"], last["reason"]) == ("cannot tell", "no paint was caught")
    pd.testing.assert_frame_equal(runs, before)
    none = find_delivery(runs.assign(filter_clean_h=np.nan))
    assert (none.n, none.excluded, none.clean) == (0, 5, None)
    assert none.reason.startswith("cannot tell: at least one unit needs two clean catches")
    assert list(none.runs.columns) == list(found.runs.columns)
    assert set(none.runs["named"]) == {"cannot tell"}


def with_hose(runs: pd.DataFrame) -> pd.DataFrame:
    return runs.assign(paint_density_kg_m3=1100.0, hose_length_m=10.0, hose_bore_mm=7.0, rise_m=1.0)


def test_the_hose_is_shown_beside_the_clean_state_and_the_rise_is_taken_off():
    runs = with_hose(runs_of(np.random.default_rng(87), "none", 12).assign(filter_clean_h=1.0))
    found = find_delivery(runs)
    head = 1100 * 9.80665 * 1.0 / 1000
    assert found.runs["static_kpa"].tolist() == pytest.approx([head] * 12)
    assert set(found.runs["expected_from"]) == {FROM_CATCHES}
    # pi D^4 / (128 rho L) by hand, in mL/min mm2/s per kPa
    conductance = np.pi * 0.007**4 / (128 * 1100 * 10) * 6e7 * 1e3 * 1e6
    given = runs.sort_values("run_id", ignore_index=True)
    expected = conductance * (given["pot_kpa"] - head) / given["viscosity_mm2_s"]
    assert found.runs["hose_ml_min"].tolist() == pytest.approx(expected.tolist())
    assert found.runs["hose_laminar"].all()
    unit = found.units.iloc[0]
    clean = given["flow_ml_min"] * given["viscosity_mm2_s"] / (given["pot_kpa"] - head)
    assert unit["conductance"] == pytest.approx(np.exp(np.log(clean).mean()))
    assert unit["hose_share"] == pytest.approx(unit["conductance"] / conductance)
    assert unit["note"] == ""
    narrow = find_delivery(runs.assign(hose_bore_mm=5.0)).units.iloc[0]
    assert narrow["note"].startswith("clean flow exceeds what the recorded hose could let through")


def test_without_clean_catches_the_hose_alone_names_no_fault():
    runs = with_hose(runs_of(np.random.default_rng(88), "clog", 6).assign(filter_clean_h=99.0))
    found = find_delivery(runs)
    assert set(found.runs["expected_from"]) == {FROM_HOSE}
    assert set(found.runs["named"]) == {"cannot tell"}
    assert found.runs[["delivery_ratio", "restriction", "loss", "neither", "expected_ml_min"]].isna().all(axis=None)
    first = found.runs.iloc[0]
    assert first["reason"] == (
        f"no clean state is known; the hose alone would let through at most {first['hose_ml_min']:.0f} mL/min, which "
        "names no fault"
    )
    assert found.units["note"].tolist() == ["no clean catch: no fault is named"]
    # another unit's clean catches do not speak for this one
    other = runs_of(np.random.default_rng(89), "none", 6).assign(filter_clean_h=1.0, unit_id="U2")
    both = find_delivery(pd.concat([runs, with_hose(other)]))
    mine = both.runs[both.runs["unit_id"] == "U1"]
    assert set(mine["named"]) == {"cannot tell"}
    assert mine["reason"].str.startswith("no clean catch of the unit; the hose alone").all()


def test_figures_that_admit_no_ratio_say_why_and_stop_nothing():
    runs = with_hose(runs_of(np.random.default_rng(90), "none", 8).assign(filter_clean_h=1.0))
    runs.loc[2, "flow_ml_min"] = 0.0
    runs.loc[5, "pot_kpa"] = 5.0
    found = find_delivery(runs)
    assert (found.n, found.excluded) == (6, 2)
    assert found.runs.loc[2, "reason"] == "no paint came into the catch: blocked, or never opened; look at the unit"
    assert found.runs.loc[5, "reason"].startswith("the recorded pressure does not lift the paint to the bell")
    assert found.clean is not None
    assert found.clean.n == 6
    assert find_delivery(runs.head(0)).runs.empty


def test_readings_that_agree_to_the_last_digit_are_not_held_to_be_sure():
    runs = pd.DataFrame(
        {
            "run_id": ["R1", "R2", "R3", "R4"],
            "unit_id": "U1",
            "pot_kpa": 40.0,
            "viscosity_mm2_s": 60.0,
            "flow_ml_min": [135.0, 135.0, 135.0, 133.0],
            "filter_clean_h": [1.0, 2.0, 3.0, 90.0],
        }
    )
    found = find_delivery(runs)
    assert found.runs["u_delivery_ratio"].max() < 1e-9
    assert RESTRICTION not in set(found.runs["named"])
    assert found.runs[["restriction", "loss", "neither"]].sum(axis="columns").tolist() == pytest.approx([1.0] * 4)


def test_units_count_their_runs_and_row_order_does_not_matter():
    rng = np.random.default_rng(91)
    runs = pd.concat([runs_of(rng, "none", 10).assign(filter_clean_h=1.0), runs_of(rng, "clog", 5)])
    found = find_delivery(runs)
    unit = found.units.iloc[0]
    assert (unit["runs"], unit["read"]) == (15, 15)
    assert unit[["restriction", "loss", "neither", "cannot_tell"]].sum() == 15
    lowest = found.runs.sort_values("delivery_ratio").iloc[0]
    assert (unit["lowest_run_id"], unit["lowest_ratio"]) == (lowest["run_id"], lowest["delivery_ratio"])
    other = find_delivery(runs.iloc[::-1])
    pd.testing.assert_frame_equal(found.runs, other.runs)
    pd.testing.assert_frame_equal(found.units, other.units)


def test_refusals():
    with pytest.raises(
        ValueError, match="ratios must be above 0 and their uncertainties not below; delivery_ratio has 0"
    ):
        read_pattern(1.0, 0.0, u_pressure_ratio=0.04, u_delivery_ratio=0.04)
    with pytest.raises(ValueError, match=r"u_pressure_ratio has -0\.1"):
        read_pattern(1.0, 1.0, u_pressure_ratio=-0.1, u_delivery_ratio=0.04)
    with pytest.raises(ValueError, match="priors must be given for neither, restriction, loss ahead of the gauge"):
        read_pattern(1.0, 1.0, u_pressure_ratio=0.04, u_delivery_ratio=0.04, priors={NEITHER: 1.0})
    assert sum(PRIORS.values()) == pytest.approx(1)
