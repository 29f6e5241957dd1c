"""The planted truths can be found again, and the innocent cleared, with statsmodels alone."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest

from auditkit.simulate import Simulated


class Crude(NamedTuple):
    difference: float
    p: float


@pytest.fixture(scope="module")
def runs(shipped: Simulated) -> pd.DataFrame:
    """Runs with job, mean pressure, dew margin, and state of upkeep as the records alone show it."""
    tables = shipped.tables
    frame = tables["spray_runs"].merge(tables["areas"][["area_id", "job_id"]], on="area_id")
    frame["pot_kpa"] = frame["run_id"].map(tables["pressure_settings"].groupby("run_id")["pot_kpa"].mean())
    air, moist = frame["air_temp_c"], frame["humidity_pct"]
    g = np.log(moist / 100) + 17.62 * air / (243.12 + air)  # WMO-No. 8, Annex 4.B
    frame["dew_margin_c"] = frame["surface_temp_c"] - 243.12 * g / (17.62 - g)
    notes = tables["maintenance"]
    brush = notes.loc[notes["part"] == "brush"].copy()
    brush["known_wear_pct"] = brush["wear_pct"].where(brush["action"] == "inspected", 0.0)
    frame["known_wear_pct"] = last_known(frame, brush)["known_wear_pct"]
    for part in ("bell", "filter"):
        cleaned = notes.loc[(notes["part"] == part) & (notes["action"] == "cleaned")]
        since = frame["started_at"] - last_known(frame, cleaned)["done_at"]
        frame[f"{part}_hours"] = since.dt.total_seconds() / 3600
    return frame


def last_known(runs: pd.DataFrame, notes: pd.DataFrame) -> pd.DataFrame:
    left = runs[["run_id", "unit_id", "started_at"]].reset_index().sort_values("started_at")
    right = notes.drop(columns="part").sort_values("done_at")
    found = pd.merge_asof(left, right, left_on="started_at", right_on="done_at", by="unit_id")
    return found.set_index("index").reindex(runs.index)


def had(runs: pd.DataFrame, shipped: Simulated, defect: str) -> pd.Series:
    defects = shipped.tables["defects"]
    found = defects.loc[(defects["defect"] == defect) & (defects["quantity"] > 0), "run_id"]
    return runs["run_id"].isin(found)


def table(exposed: pd.Series, outcome: pd.Series) -> np.ndarray:
    return np.array(
        [
            [(exposed & outcome).sum(), (exposed & ~outcome).sum()],
            [(~exposed & outcome).sum(), (~exposed & ~outcome).sum()],
        ]
    )


def stratified(exposed: pd.Series, outcome: pd.Series, job: pd.Series) -> tuple[float, float, float, float]:
    """Return the Mantel-Haenszel odds ratio by job, its 95 % limits, and the test's p."""
    from statsmodels.stats.contingency_tables import StratifiedTable

    tables = [table(exposed[job == each], outcome[job == each]) for each in sorted(job.unique())]
    informative = [counts for counts in tables if counts.sum(axis=0).min() > 0 and counts.sum(axis=1).min() > 0]
    result = StratifiedTable(informative)
    low, high = result.oddsratio_pooled_confint()
    return float(result.oddsratio_pooled), float(low), float(high), float(result.test_null_odds(correction=True).pvalue)


def crude(exposed: pd.Series, outcome: pd.Series) -> Crude:
    from statsmodels.stats.proportion import test_proportions_2indep

    counts = table(exposed, outcome)
    (a, b), (c, d) = counts
    result = test_proportions_2indep(a, a + b, c, c + d, compare="diff", method="score")
    return Crude(float(a / (a + b) - c / (c + d)), float(result.pvalue))


CAUSES = [
    ("standoff_mm", "above", 200, "dry spray"),
    ("standoff_mm", "above", 200, "thin back"),
    ("standoff_mm", "below", 150, "run or sag"),
    ("pot_kpa", "above", 48, "run or sag"),
    ("pot_kpa", "above", 48, "orange peel"),
    ("humidity_pct", "above", 85, "crater"),
    ("dew_margin_c", "below", 3, "pinhole"),
    ("known_wear_pct", "above", 49.9, "thin back"),
    ("bell_hours", "above", 24, "spit"),
    ("bell_hours", "above", 24, "inclusion"),
    ("follow_through_s", "below", 5, "spit"),
    ("filter_hours", "above", 72, "dry spray"),
    ("filter_hours", "above", 72, "orange peel"),
]


@pytest.mark.parametrize("cause", CAUSES, ids=str)
def test_a_planted_cause_is_found_within_jobs(
    cause: tuple[str, str, float, str], runs: pd.DataFrame, shipped: Simulated
) -> None:
    condition, side, limit, defect = cause
    known = runs.dropna(subset=[condition])
    exposed = known[condition] > limit if side == "above" else known[condition] < limit
    outcome = had(known, shipped, defect)
    _, low, _, p = stratified(exposed, outcome, known["job_id"])
    assert p < 1e-3
    assert low > 1
    assert 0.10 <= exposed.mean() <= 0.25
    assert 0.15 <= outcome[exposed].mean() <= 0.45  # realistic, not absurd
    assert outcome[~exposed].mean() <= 0.10


def test_an_unearthed_part_is_rare_and_gives_a_thin_back(runs: pd.DataFrame, shipped: Simulated) -> None:
    exposed = runs["part_ground_ohm"] > 1e6  # NFPA 33 and NEC 516.10(B)(5)
    assert 3 <= exposed.sum() <= 16
    outcome = had(runs, shipped, "thin back")
    assert outcome[exposed].mean() > outcome[~exposed].mean()


@pytest.mark.parametrize("defect", ["crater", "pinhole"])
def test_low_overlap_looks_guilty_in_the_crude_table(defect: str, runs: pd.DataFrame, shipped: Simulated) -> None:
    known = runs.dropna(subset=["overlap_pct"])
    found = crude(known["overlap_pct"] < 40, had(known, shipped, defect))
    assert found.difference > 0.1
    assert found.p < 1e-3


@pytest.mark.parametrize("defect", ["crater", "pinhole"])
def test_low_overlap_is_innocent_within_jobs(defect: str, runs: pd.DataFrame, shipped: Simulated) -> None:
    known = runs.dropna(subset=["overlap_pct"])
    ratio, low, high, p = stratified(known["overlap_pct"] < 40, had(known, shipped, defect), known["job_id"])
    assert p > 0.3
    assert low < 1 < high
    assert 0.5 < ratio < 2


def test_both_clear_and_confounded_verdicts_are_no_luck_of_one_seed() -> None:
    from auditkit.simulate import simulate_audit

    guilty, cleared = 0, 0
    for seed in range(1, 5):
        audit = simulate_audit(seed=seed)
        frame = audit.tables["spray_runs"].merge(audit.tables["areas"][["area_id", "job_id"]], on="area_id")
        known = frame.dropna(subset=["overlap_pct"])
        low, outcome = known["overlap_pct"] < 40, had(known, audit, "crater")
        guilty += crude(low, outcome).p < 1e-3
        cleared += stratified(low, outcome, known["job_id"])[3] > 0.05
    assert guilty == 4
    assert cleared >= 3


def test_the_written_slope_of_humidity_is_recovered_by_logistic_regression(
    runs: pd.DataFrame, shipped: Simulated
) -> None:
    import statsmodels.api as sm

    known = runs.dropna(subset=["humidity_pct"])
    effects = shipped.truth["knobs"]["effects"]  # type: ignore[index]
    (effect,) = [each for each in effects if each["defect"] == "crater"]
    added = np.clip((known["humidity_pct"] - effect["knee"]) * effect["per_unit"], 0, effect["cap"])
    design = sm.add_constant(added.to_numpy(dtype="float64"))
    fit = sm.GLM(
        had(known, shipped, "crater").astype("float64").to_numpy(), design, family=sm.families.Binomial()
    ).fit()
    low, high = fit.conf_int()[1]
    assert low < 1 < high  # the written log-odds count once
    assert low > 0.4
