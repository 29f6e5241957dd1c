"""Acceptance sampling by attributes: published plans and operating characteristics."""

from __future__ import annotations

import numpy as np
import pytest

from auditkit.stats import sampling_tables as tables
from auditkit.stats.sampling import (
    acceptance_probability,
    code_letter,
    fraction_accepted,
    oc_curve,
    single_plan,
)

FRACTIONS = [0.01, 0.025, 0.04, 0.065, 0.10, 0.20]
# binomial, computed apart from this package and printed to four places
OC = {
    (5, 0): [0.9510, 0.8811, 0.8154, 0.7146, 0.5905, 0.3277],
    (13, 0): [0.8775, 0.7195, 0.5882, 0.4174, 0.2542, 0.0550],
    (13, 1): [0.9928, 0.9594, 0.9068, 0.7946, 0.6213, 0.2336],
    (20, 1): [0.9831, 0.9118, 0.8103, 0.6233, 0.3917, 0.0692],
    (32, 2): [0.9960, 0.9548, 0.8651, 0.6544, 0.3667, 0.0317],
    (50, 1): [0.9106, 0.6435, 0.4005, 0.1554, 0.0338, 0.0002],
    (50, 3): [0.9984, 0.9638, 0.8609, 0.5896, 0.2503, 0.0057],
    (80, 2): [0.9534, 0.6767, 0.3748, 0.1009, 0.0107, 0.0000],
    (80, 5): [0.9998, 0.9848, 0.8988, 0.5798, 0.1769, 0.0006],
    (125, 3): [0.9626, 0.6189, 0.2593, 0.0346, 0.0010, 0.0000],
}
# NIST/SEMATECH e-Handbook 6.2.3.2, plan (52, 3), from memory; AOQ and ATI computed for lots of 10 000
NIST_P = np.arange(1, 13) / 100
NIST_PA = [0.998, 0.980, 0.930, 0.845, 0.739, 0.620, 0.502, 0.394, 0.300, 0.223, 0.162, 0.115]
NIST_AOQ = [0.0099, 0.0195, 0.0277, 0.0337, 0.0367, 0.0370, 0.0349, 0.0313, 0.0269, 0.0222, 0.0177, 0.0138]
NIST_ATI = [70, 253, 753, 1584, 2655, 3836, 5008, 6083, 7013, 7780, 8388, 8854]


@pytest.mark.parametrize(
    ("lot", "letters"),
    # MIL-STD-105E table I: level II seen in a published table, I and III from memory; both ends of a row
    [
        (2, "AAB"),
        (8, "AAB"),
        (9, "ABC"),
        (25, "BCD"),
        (26, "CDE"),
        (90, "CEF"),
        (150, "DFG"),
        (280, "EGH"),
        (281, "FHJ"),
        (1200, "GJK"),
        (1201, "HKL"),
        (10_000, "JLM"),
        (35_001, "LNP"),
        (500_000, "MPQ"),
        (500_001, "NQR"),
    ],
)
def test_code_letters(lot, letters):
    assert "".join(code_letter(lot, level=level) for level in ("I", "II", "III")) == letters


def test_example_of_a_lot_of_three_thousand():
    # MIL-STD-105E tables, as the e-Handbook uses them (from memory): K, 125, 3, 4
    plan = single_plan(3000, aql=1.0)
    assert (plan.code_letter, plan.n, plan.accept, plan.reject) == ("K", 125, 3, 4)
    assert plan.sure == "seen"
    assert single_plan(3000, aql=1.0, level="I").sure == "from memory"


@pytest.mark.parametrize(
    ("lot", "aql", "letter", "n", "accept"),
    # table II-A of MIL-STD-105E [seen], arrows resolved with the sample size they lead to
    [
        (5, 4.0, "B", 3, 0),
        (40, 2.5, "C", 5, 0),
        (40, 4.0, "E", 13, 1),
        (80, 2.5, "F", 20, 1),
        (80, 1.0, "E", 13, 0),
        (120, 1.0, "E", 13, 0),
        (200, 1.0, "H", 50, 1),
        (400, 4.0, "H", 50, 5),
        (1000, 2.5, "J", 80, 5),
        (20_000, 4.0, "M", 315, 21),
    ],
)
def test_normal_plans(lot, aql, letter, n, accept):
    plan = single_plan(lot, aql=aql)
    assert (plan.letter, plan.n, plan.accept, plan.reject) == (letter, n, accept, accept + 1)


def test_arrow_takes_its_own_sample_size():
    plan = single_plan(40, aql=4.0)  # letter D, arrow down to E: 13, not 8
    assert (plan.code_letter, plan.letter, plan.n) == ("D", "E", 13)


def test_sample_as_large_as_the_lot_means_every_item():
    plan = single_plan(10, aql=1.0)
    assert (plan.n, plan.inspect_all) == (10, True)
    assert not single_plan(14, aql=1.0).inspect_all


@pytest.mark.parametrize(
    ("lot", "aql", "n", "accept"), [(100, 4.0, 20, 1), (200, 2.5, 32, 1), (400, 2.5, 50, 2), (600, 1.0, 80, 1)]
)
def test_tightened_plans_accept_less(lot, aql, n, accept):
    # table II-B of MIL-STD-105E [seen]
    plan = single_plan(lot, aql=aql, severity="tightened")
    assert (plan.n, plan.accept) == (n, accept)
    assert plan.accept < single_plan(lot, aql=aql).accept


def test_every_plan_accepts_good_lots_and_every_arrow_leads_to_a_plan():
    for aql, rows in tables.NORMAL.items():
        for letter, entry in rows.items():
            accept = rows[entry] if isinstance(entry, str) else entry
            size = tables.SIZES[entry if isinstance(entry, str) else letter]
            assert isinstance(accept, int), (aql, letter)
            # the scheme's plans accept lots at the AQL with .87 to 1
            assert 0.87 <= float(acceptance_probability(aql / 100, n=size, accept=accept)) <= 1.0


@pytest.mark.parametrize(("plan", "printed"), OC.items())
def test_operating_characteristics(plan, printed):
    n, accept = plan
    assert acceptance_probability(FRACTIONS, n=n, accept=accept) == pytest.approx(printed, abs=5e-5)


@pytest.mark.parametrize(
    ("n", "accept", "p_accept", "percent", "places"),
    [
        (20, 1, 0.95, 1.81, 0.005),
        (20, 1, 0.10, 18.10, 0.005),
        (32, 2, 0.95, 2.60, 0.005),
        (32, 2, 0.10, 15.79, 0.005),
        (50, 3, 0.95, 2.78, 0.005),
        (50, 3, 0.10, 12.88, 0.005),
        (80, 2, 0.95, 1.03, 0.005),
        (80, 2, 0.10, 6.52, 0.005),
        (68, 2, 0.95, 1.213, 0.0005),  # printed in a sampling forum, 2006 [seen]
        (68, 2, 0.05, 8.970, 0.0005),
    ],
)
def test_inverse_points(n, accept, p_accept, percent, places):
    assert 100 * fraction_accepted(p_accept, n=n, accept=accept) == pytest.approx(percent, abs=places)


def test_nist_plan():
    curve = oc_curve(NIST_P, n=52, accept=3, lot_size=10_000)
    assert curve["p_accept"].to_numpy() == pytest.approx(NIST_PA, abs=0.001)
    assert curve["aoq"].to_numpy() == pytest.approx(NIST_AOQ, abs=0.001)
    assert curve["ati"].to_numpy() == pytest.approx(NIST_ATI, abs=0.6)
    assert curve.loc[curve["aoq"].idxmax(), "fraction"] == 0.06  # the worst outgoing quality


def test_hypergeometric_by_counting():
    from math import comb

    # lot of 20 with 4 marked, sample 5, accept 1
    by_hand = (comb(16, 5) + 4 * comb(16, 4)) / comb(20, 5)
    assert float(acceptance_probability(0.2, n=5, accept=1, lot_size=20)) == pytest.approx(by_hand)
    assert float(acceptance_probability(0.2, n=5, accept=1)) != pytest.approx(by_hand, abs=1e-3)


def test_hypergeometric_nears_the_binomial_in_large_lots():
    small = acceptance_probability([0.01, 0.05], n=50, accept=2)
    large = acceptance_probability([0.01, 0.05], n=50, accept=2, lot_size=1_000_000)
    assert large == pytest.approx(small, abs=1e-4)


def test_errors_say_what_is_wrong():
    with pytest.raises(ValueError, match=r"no tightened plan for letter K at AQL 2.5; they have"):
        single_plan(3000, aql=2.5, severity="tightened")
    with pytest.raises(ValueError, match="no normal plan for letter Q at AQL"):
        single_plan(600_000, aql=1.0)
    with pytest.raises(ValueError, match=r"aql must be one of \[1.0, 2.5, 4.0\] percent"):
        single_plan(3000, aql=0.65)
    with pytest.raises(ValueError, match="severity must be one of"):
        single_plan(3000, aql=1.0, severity="reduced")
    with pytest.raises(ValueError, match="level must be one of"):
        code_letter(100, level="S-3")
    with pytest.raises(ValueError, match="a lot must hold 2 items or more; given 1"):
        code_letter(1)
    with pytest.raises(ValueError, match="fractions must be from 0 to 1; percent must be divided by 100"):
        acceptance_probability(2.5, n=5, accept=0)
    with pytest.raises(ValueError, match="whole number of the lot's 30 items"):
        acceptance_probability(0.05, n=5, accept=0, lot_size=30)
    with pytest.raises(ValueError, match="may not be larger than the lot; given 50 of 30"):
        acceptance_probability(0.1, n=50, accept=0, lot_size=30)
    with pytest.raises(ValueError, match="may not be larger than the lot; given 50 of 30"):
        oc_curve([0.1], n=50, accept=0, lot_size=30)
    with pytest.raises(ValueError, match="p_accept must lie strictly between 0 and 1"):
        fraction_accepted(95, n=5, accept=0)
    with pytest.raises(ValueError, match="accepts every lot"):
        fraction_accepted(0.9, n=5, accept=5)
    with pytest.raises(ValueError, match="a plan needs a sample of 1 or more"):
        acceptance_probability(0.1, n=0, accept=0)
