"""Other outcomes: severity, number, film and wrap outside against inside the window, and reasons where none."""

import numpy as np
import pandas as pd
import pytest

from auditkit.findings.cause_outcomes import ALL_KINDS, find_outcomes
from auditkit.trade.conditions import load_conditions

from .cause_records import adjustments, found_of, records

KNOWN = load_conditions()


def material(seed=1, n=600, worse=0.0, more=0.0, thinner=0.0):
    """Return runs, found, ratings and areas in which far runs are worse, have more defects and thinner film."""
    rng = np.random.default_rng(seed)
    runs = records(seed, n).assign(crater=False)
    far = runs["standoff_mm"] > 200
    latent = worse * far + rng.logistic(size=n)
    runs["grade"] = np.digitize(latent, [1.0, 2.0, 3.0])
    runs["spit"] = runs["grade"] > 0
    runs["crater"] = rng.random(n) < 0.2 * np.exp(more * far)
    ratings = pd.concat(
        [
            runs.loc[runs["spit"], ["run_id", "grade"]].rename(columns={"grade": "quantity"}).assign(defect="spit"),
            runs.loc[runs["crater"], ["run_id"]].assign(defect="crater", quantity=1),
        ],
        ignore_index=True,
    )
    share = far.groupby(runs["area_id"]).mean()
    areas = pd.DataFrame({"area_id": share.index, "size_m2": rng.uniform(1, 5, len(share))})
    areas["facing_um"] = 75 - thinner * share.to_numpy() + 4 * rng.normal(size=len(share))
    return runs, found_of(runs, "spit", "crater"), ratings, areas


def outcomes_of(material, names=("standoff_mm",), adjust_for=("operator_id",), **settings):
    runs, found, ratings, areas = material
    conditions = {name: KNOWN[name] for name in names}
    return find_outcomes(
        runs,
        found,
        ratings=ratings,
        areas=areas,
        conditions=conditions,
        adjustments=adjustments(conditions, adjust_for, defects=tuple(found.columns)),
        **settings,
    )


def pick(frame, side="above", **key):
    for name, value in key.items():
        frame = frame[frame[name] == value]
    return frame[frame["side"] == side].iloc[0]


def test_severity_finds_the_planted_odds_ratio():
    result = outcomes_of(material(1, 1500, worse=1.0))
    row = pick(result.severity, defect="spit")
    assert row["low"] < np.e < row["high"]
    assert row["low"] > 1.5
    assert row["p"] < 1e-4
    assert row["proportional_p"] > 0.01
    assert row["grades"] == "0 | 1 | 2 | 3"
    below = pick(result.severity, "below", defect="spit")
    assert below["low"] < 1 < below["high"]
    assert row["adjusted_for"] == ("operator_id",)


def test_rates_and_means_find_what_was_planted():
    runs, found, ratings, areas = material(2, 1500, more=0.9, thinner=8.0)
    result = outcomes_of((runs, found, ratings, areas))
    rate = pick(result.rates, outcome=ALL_KINDS)
    assert rate["low"] > 1.0
    used = runs["standoff_mm"] >= 150
    assert rate["total"] == found.loc[runs.loc[used, "run_id"]].sum().sum()
    mean = pick(result.means, outcome="facing_um")
    assert mean["low"] < -8.0 < mean["high"]
    assert mean["high"] < -4.0
    below = pick(result.means, "below", outcome="facing_um")
    assert abs(below["difference"]) < 4.0
    assert set(result.means["outcome"]) == {"facing_um"}  # no other outcome was given
    assert (result.n, result.areas, result.excluded) == (1500, 750, 0)


def test_a_rate_is_over_the_size_of_the_area():
    runs, found, ratings, areas = material(3, 600)
    plain = pick(outcomes_of((runs, found, ratings, areas.assign(size_m2=2.0))).rates)
    far = runs.loc[runs["standoff_mm"] > 200, "area_id"]
    own = runs.drop_duplicates("area_id", keep=False)  # none: every area has two runs
    assert own.empty
    alone = runs.assign(area_id=runs["run_id"])
    size = pd.DataFrame({"area_id": alone["area_id"], "size_m2": np.where(runs["standoff_mm"] > 200, 4.0, 2.0)})
    doubled = pick(outcomes_of((alone, found, ratings, size)).rates)
    assert len(far) > 20
    assert plain["rate_ratio"] / doubled["rate_ratio"] == pytest.approx(2.0, rel=0.02)


def test_an_area_counts_by_its_spraying_time():
    runs, found, ratings, areas = material(4, 400, thinner=8.0)
    result = outcomes_of((runs, found, ratings, areas))
    used = runs[runs["standoff_mm"] >= 150]
    share = (used["standoff_mm"] > 200).groupby(used["area_id"]).mean()
    row = pick(result.means, outcome="facing_um")
    assert row["share_outside"] == pytest.approx(share.mean())
    assert (row["n"], row["n_outside"]) == (len(share), (share > 0).sum())
    longer = runs.assign(minutes=np.where(runs["standoff_mm"] > 200, 60.0, 20.0))
    again = pick(outcomes_of((longer, found, ratings, areas)).means, outcome="facing_um")
    weights = longer.loc[used.index, "minutes"]
    weighted = (weights * (used["standoff_mm"] > 200)).groupby(used["area_id"]).sum() / weights.groupby(
        used["area_id"]
    ).sum()
    assert again["share_outside"] == pytest.approx(weighted.mean())


def test_not_inspected_is_not_grade_nought():
    runs, found, ratings, areas = material(5, 400)
    partly = found.copy()
    clean = runs.loc[~runs["spit"], "run_id"].head(100)
    partly.loc[clean, "spit"] = pd.NA
    whole, part = (pick(outcomes_of((runs, f, ratings, areas)).severity, defect="spit")["n"] for f in (found, partly))
    dropped = runs["run_id"].isin(clean) & (runs["standoff_mm"] >= 150)
    assert whole - part == dropped.sum()


@pytest.mark.parametrize(
    ("change", "severity", "rates", "means"),
    [
        (
            lambda f: f.assign(standoff_mm=180.0),
            "0 runs outside the window; 5 are needed",
            "0 runs outside the window; 5 are needed",
            "0 areas outside the window; 5 are needed",
        ),
        (
            lambda f: f.assign(standoff_mm=np.nan),
            "the condition was not recorded for any run, or applies to none",
            "the condition was not recorded for any run, or applies to none",
            "the condition was not recorded for any run, or applies to none",
        ),
        (
            lambda f: f.head(0),
            "the condition was not recorded for any run, or applies to none",
            "the condition was not recorded for any run, or applies to none",
            "the condition was not recorded for any run, or applies to none",
        ),
        (lambda f: f.assign(job_id="J1"), "", "", "the areas are of one job; two are needed"),
    ],
    ids=["inside", "blank", "no run", "one job"],
)
def test_too_little_gives_a_reason_and_no_number(change, severity, rates, means):
    runs, found, ratings, areas = material(6, 300)
    result = outcomes_of((change(runs), found, ratings, areas))
    for frame, why, number in (
        (result.severity, severity, "odds_ratio"),
        (result.rates, rates, "rate_ratio"),
        (result.means, means, "difference"),
    ):
        row = pick(frame)
        assert row["why"] == why
        assert np.isnan(row[number]) == bool(why)


def test_a_defect_with_few_grades_and_none_at_all_are_refused():
    runs, found, ratings, areas = material(7, 300)
    result = outcomes_of((runs, found, ratings, areas))
    why = "three grades with 5 records or more each are needed; merged to that, 2 are left"
    assert pick(result.severity, defect="crater")["why"] == why
    none = outcomes_of((runs, found.astype("boolean") & False, ratings.head(0), areas))
    assert pick(none.severity, defect="spit")["why"].endswith("merged to that, 1 are left")
    assert pick(none.rates)["why"] == "0 defects; 10 are needed"


def test_not_planned_order_and_input():
    runs, found, ratings, areas = material(8, 300)
    before = [frame.copy() for frame in (runs, found, ratings, areas)]
    seen = []
    result = outcomes_of((runs, found, ratings, areas), on_progress=lambda *a: seen.append(a))
    assert seen == [("Standoff", 1, 1)]
    turned = outcomes_of((runs.iloc[::-1], found, ratings.iloc[::-1], areas.iloc[::-1]))
    for name in ("severity", "rates", "means"):
        pd.testing.assert_frame_equal(getattr(result, name), getattr(turned, name), rtol=1e-6)
    for frame, old in zip((runs, found, ratings, areas), before, strict=True):
        pd.testing.assert_frame_equal(frame, old)
    conditions = {"standoff_mm": KNOWN["standoff_mm"]}
    none = find_outcomes(
        runs, found, ratings=ratings, areas=areas, conditions=conditions, adjustments=adjustments(["pot_kpa"])
    )
    for frame in (none.severity, none.rates, none.means):
        assert (frame["why"] == "the causal diagram does not say what to hold equal").all()
