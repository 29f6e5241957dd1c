"""Sampling plans on lots of areas: decisions worked by hand from the published tables, and plans refused."""

from __future__ import annotations

from dataclasses import replace
from math import comb

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.film import find_film
from auditkit.findings.item_sampling import find_item_sampling
from auditkit.findings.item_variables import judge_readings, judge_values


@pytest.fixture(scope="module")
def film(clean_dossier):
    return find_film(clean_dossier.tables)


@pytest.fixture(scope="module")
def sample(clean_dossier, film):
    return find_item_sampling(clean_dossier.tables, film)


def lot_of(tables, film, verdicts):
    """A single lot of areas with these verdicts, measured in this order."""
    ids = [f"X{number:03d}" for number in range(len(verdicts))]
    areas = pd.concat([tables["areas"].iloc[:1]] * len(ids), ignore_index=True).assign(area_id=ids, job_id="J1")
    readings = pd.concat([tables["film_readings"].iloc[:1]] * len(ids), ignore_index=True).assign(area_id=ids)
    start = pd.Timestamp("2027-01-11T08:00Z")
    readings["taken_at"] = [start + pd.Timedelta(minutes=number) for number in range(len(ids))]
    by_area = pd.DataFrame({"area_id": ids, "job_id": "J1", "verdict": verdicts, "reason": ""})
    own = dict(tables) | {"areas": areas, "film_readings": readings}
    return own, replace(film, by_area=by_area, areas=film.areas.iloc[:0])


def decide(clean_dossier, film, verdicts, **options):
    tables, made = lot_of(clean_dossier.tables, film, verdicts)
    return find_item_sampling(tables, made, **options)


GOOD, BAD, OPEN = "conforms", "does not conform", "not assessable"


@pytest.mark.parametrize(
    "case",
    [
        # MIL-STD-105E, level II: 100 items, letter F, n 20, AQL 2.5 -> 1/2
        ([BAD] + [GOOD] * 99, 2.5, ("F", "F", 20, 1, 2, 1), "accept"),
        ([BAD] * 2 + [GOOD] * 98, 2.5, ("F", "F", 20, 1, 2, 2), "reject"),
        ([GOOD] * 20 + [BAD] * 80, 2.5, ("F", "F", 20, 1, 2, 0), "accept"),  # what the sample did not see
        # an arrow leads letter F at AQL 1.0 up to E, its sample size and all: n 13, 0/1
        ([BAD] + [GOOD] * 99, 1.0, ("F", "E", 13, 0, 1, 1), "reject"),
        ([GOOD] * 19 + [OPEN] * 81, 2.5, ("F", "F", 20, 1, 2, 0), "cannot be decided"),
        ([OPEN] * 40 + [GOOD] * 20 + [OPEN] * 40, 2.5, ("F", "F", 20, 1, 2, 0), "accept"),
        # enough found already, though the sample is not complete
        ([BAD] * 2 + [OPEN] * 98, 2.5, ("F", "F", 20, 1, 2, 2), "reject"),
        # 10 items, AQL 1.0: letter B, arrow to E, n 13 is more than the lot: every item
        ([GOOD] * 10, 1.0, ("B", "E", 10, 0, 1, 0), "accept"),
    ],
)
def test_decisions_by_the_table(clean_dossier, film, case):
    verdicts, aql, plan, decision = case
    row = decide(clean_dossier, film, verdicts, aql=aql, severities=("normal",)).lots.iloc[0]
    columns = ["code_letter", "letter", "sample_n", "accept", "reject", "sample_nonconforming"]
    assert tuple(row[columns]) == plan
    assert row["decision"] == decision


def test_tightened_is_tighter_and_is_refused_where_it_is_not_held(clean_dossier, film):
    lots = decide(clean_dossier, film, [BAD] * 3 + [GOOD] * 397, aql=2.5).lots.set_index("severity")  # letter H, n 50
    assert (lots.loc["normal", "accept"], lots.loc["normal", "decision"]) == (3, "accept")
    assert (lots.loc["tightened", "accept"], lots.loc["tightened", "decision"]) == (2, "reject")
    small = decide(clean_dossier, film, [GOOD] * 30).lots.set_index("severity")
    assert small.loc["tightened", "decision"] == "no plan"
    assert "Take it from your copy of the standard" in small.loc["tightened", "reason"]


def test_the_chance_of_another_sample_is_counted(clean_dossier, film):
    """4 of 37 nonconforming, sample of 5, none allowed: C(33, 5) / C(37, 5)."""
    row = decide(clean_dossier, film, [BAD] * 4 + [GOOD] * 33 + [OPEN], severities=("normal",)).lots.iloc[0]
    assert row["again_pct"] == pytest.approx(100 * comb(33, 5) / comb(37, 5))
    assert (row["inspected"], row["nonconforming"]) == (37, 4)


def test_a_lot_inspected_whole_has_no_interval_and_one_inspected_in_part_has(clean_dossier, film):
    whole = decide(clean_dossier, film, [BAD] + [GOOD] * 29).lots.iloc[0]
    assert whole["share_low_pct"] == whole["share_high_pct"] == pytest.approx(100 / 30)
    # Wilson 1 of 29: .0061 to .1718 (Newcombe 1998)
    part = decide(clean_dossier, film, [BAD] + [GOOD] * 28 + [OPEN]).lots.iloc[0]
    assert part["share_low_pct"] == pytest.approx(0.61, abs=0.005)
    assert part["share_high_pct"] == pytest.approx(17.18, abs=0.005)


def test_risks_are_those_of_the_published_curve(clean_dossier, film):
    """Plan 50, 3: accepted .9638 at 2.5 %; 2.78 % accepted with .95 and 12.88 % with .10 (binomial, computed)."""
    found = decide(clean_dossier, film, [GOOD] * 400, aql=2.5, severities=("normal",))
    risk = found.risks.iloc[0]
    assert risk["rejected_at_aql_pct"] == pytest.approx(100 - 96.38, abs=0.005)
    assert risk["pct_accepted_95"] == pytest.approx(2.78, abs=0.005)
    assert risk["pct_accepted_10"] == pytest.approx(12.88, abs=0.005)
    curve = found.oc.set_index("fraction")["p_accept"]
    assert curve[0.04] == pytest.approx(0.8609, abs=5e-5)
    assert (curve.diff().dropna() <= 0).all()


def test_levels_and_lots_can_be_chosen(clean_dossier, film):
    found = find_item_sampling(clean_dossier.tables, film, level="I", lots=("job_id", "geometry"))
    assert "J4, angle" in set(found.lots["lot"])
    assert found.lots["items"].sum() == 2 * 200
    assert set(found.lots.loc[found.lots["decision"] != "no plan", "sure"]) == {"from memory"}


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"lots": ("geometry",)}, "lots must name job_id first"),
        ({"lots": ("job_id", "size_m2")}, "lots must name job_id first"),
        ({"aql": 3.0}, "aql must be one of"),
        ({"level": "IV"}, "level must be one of"),
        ({"severities": ("reduced",)}, "severities must be of"),
    ],
)
def test_what_is_not_held_is_refused(clean_dossier, film, options, message):
    with pytest.raises(ValueError, match=message):
        find_item_sampling(clean_dossier.tables, film, **options)


def test_counts_are_conserved_and_order_of_rows_does_not_matter(clean_dossier, film, sample):
    assert sample.n + sample.excluded == 200
    tables = {name: table.sample(frac=1, random_state=5) for name, table in clean_dossier.tables.items()}
    again = find_item_sampling(tables, film)
    pd.testing.assert_frame_equal(again.lots, sample.lots)
    pd.testing.assert_frame_equal(again.variables, sample.variables)


def test_empty_tables_give_empty_frames(clean_dossier, film):
    empty = {name: table.iloc[:0] for name, table in clean_dossier.tables.items()}
    none = replace(film, areas=film.areas.iloc[:0], by_area=film.by_area.iloc[:0])
    found = find_item_sampling(empty, none)
    for frame in (found.lots, found.risks, found.oc, found.variables):
        assert len(frame) == 0
    assert "decision" in found.lots.columns


def test_single_readings_are_always_refused_and_area_means_judged(sample):
    by_basis = sample.variables.groupby("basis")["decision"].unique()
    assert set(by_basis["single readings"]) == {"refused"}
    assert "accept" in set(by_basis["area means"])
    readings = sample.variables[sample.variables["basis"] == "single readings"]
    assert (readings["n_independent"] < readings["n"] / 3).all()


def test_naive_use_on_clustered_readings_would_break_its_promise():
    """5 items of 3 readings, correlation .8 within: the plan for 15 values (k 1.47) is not the plan it says.

    It accepts fewer lots that are 2.5 % nonconforming, and more that are 20 %, than it promises.
    """
    from scipy.stats import norm

    from auditkit.stats.variables_sampling import variables_acceptance

    rng = np.random.default_rng(7)
    z = np.sqrt(0.8) * np.repeat(rng.normal(size=(4000, 5)), 3, axis=1) + np.sqrt(0.2) * rng.normal(size=(4000, 15))
    for fraction, worse in ((0.025, -0.05), (0.20, 0.05)):
        distance = norm.isf(fraction)
        accepted = ((z.mean(axis=1) + distance) / z.std(axis=1, ddof=1) >= 1.47).mean()
        promised = float(variables_acceptance(fraction, n=15, k=1.47))
        assert (accepted - promised) / worse > 1


def test_repeated_items_are_sent_back_as_clustered():
    values = pd.DataFrame({"area_id": ["A1", "A1", "A2", "A2"], "um": [60.0, 61.0, 70.0, 71.5]})
    judged = judge_values(values, item="area_id", value="um", lower=50.0, aql=2.5)
    assert (judged["basis"], judged["decision"]) == ("single readings", "refused")
    assert "one mean an area" in judged["reason"]


def test_values_that_are_not_normal_or_too_few_or_flat_are_refused():
    skewed = pd.DataFrame({"a": range(10), "um": [60.0, 60.1, 60.2, 60.1, 60.3, 60.2, 60.1, 60.0, 95.0, 99.0]})
    assert "not normal" in judge_values(skewed, item="a", value="um", lower=50.0, aql=2.5)["reason"]
    assert "too few" in judge_values(skewed.iloc[:2], item="a", value="um", lower=50.0, aql=2.5)["reason"]
    flat = skewed.assign(um=60.0)
    assert "do not vary" in judge_values(flat, item="a", value="um", lower=50.0, aql=2.5)["reason"]


def test_a_plan_by_variables_by_hand():
    """Letter F, AQL 2.5: n 10, k 1.41. Mean 64.5, s 3.0277: (64.5 - 60) / 3.0277 = 1.486, accept; from 60.5, reject."""
    values = pd.DataFrame({"a": range(10), "um": [float(v) for v in range(60, 70)]})
    assert judge_values(values, item="a", value="um", lower=60.0, aql=2.5)["decision"] == "accept"
    rejected = judge_values(values, item="a", value="um", lower=60.5, aql=2.5)
    assert rejected["decision"] == "reject"
    assert rejected["quality_index"] == pytest.approx(4.0 / np.std(np.arange(10), ddof=1))


def test_readings_that_do_not_vary_are_refused_in_words():
    judged = judge_readings(pd.DataFrame({"a": list("xxyy"), "um": [42.1] * 4}), item="a", value="um", lower=50.0)
    assert judged["decision"] == "refused"
    assert judged["reason"].startswith("the readings do not vary")
    alike = pd.DataFrame({"a": list("xxyy"), "um": [42.0, 44.0] * 2})  # areas do not differ: every reading counts
    assert judge_readings(alike, item="a", value="um", lower=50.0)["n_independent"] == pytest.approx(4.0)


def test_effective_size_of_readings_that_agree_fully_is_the_number_of_items():
    readings = pd.DataFrame({"a": ["x"] * 3 + ["y"] * 3 + ["z"] * 3, "um": [60.0] * 3 + [70.0] * 3 + [65.0] * 3})
    assert judge_readings(readings, item="a", value="um", lower=50.0)["n_independent"] == pytest.approx(3.0)
