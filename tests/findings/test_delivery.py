"""Delivery read as restriction, loss or neither: a hose and its faults simulated as a chain of resistances."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.delivery import LOSS, NEITHER, PRIORS, RESTRICTION, find_delivery, read_pattern

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


def test_refusals():
    with pytest.raises(ValueError, match="delivery_ratio must be above 0; given 0"):
        read_pattern(1.0, 0.0, u_pressure_ratio=0.04, u_delivery_ratio=0.04)
    with pytest.raises(ValueError, match="priors must be given for neither, restriction, loss ahead of the gauge"):
        read_pattern(1.0, 1.0, u_pressure_ratio=0.04, u_delivery_ratio=0.04, priors={NEITHER: 1.0})
    assert sum(PRIORS.values()) == pytest.approx(1)
