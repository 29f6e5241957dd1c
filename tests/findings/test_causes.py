"""Defects against conditions: the right comparison, honest about what it cannot tell."""

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.contingency_tables import StratifiedTable
from statsmodels.stats.multitest import multipletests

from auditkit.findings.causes import find_causes, ranked
from auditkit.trade.conditions import load_conditions
from auditkit.trade.defects import RunDefects


def audit_of(runs, found, names=("standoff_mm",), **settings):
    conditions = {name: load_conditions()[name] for name in names}
    frame = pd.DataFrame({"spit": pd.array(found, "boolean")}, index=pd.Index(runs["run_id"], name="run_id"))
    recorded = frame.notna().any(axis="columns")
    defects = RunDefects(found=frame, recorded=recorded, joined=int(recorded.sum()), not_joined=0, reasons={})
    return find_causes(runs, defects, conditions=conditions, **settings)


def runs_of(standoff, job):
    n = len(standoff)
    ids = [f"R{i:04d}" for i in range(n)]
    frame = pd.DataFrame({"run_id": ids, "standoff_mm": standoff, "job_id": job})
    # Operators and days that have nothing to do with anything, so that every one has runs on both sides.
    return frame.assign(operator_id=[f"OP{i % 2}" for i in range(n)], day=[f"2027-01-{11 + i % 3}" for i in range(n)])


def table_2x2(job, outside, found_outside, inside, found_inside):
    """Rows of one job: standoff far for those outside, 180 mm for those inside."""
    standoff = [250.0] * outside + [180.0] * inside
    found = [i < found_outside for i in range(outside)] + [i < found_inside for i in range(inside)]
    return standoff, [job] * (outside + inside), found


def several(*tables):
    parts = [table_2x2(*table) for table in tables]
    standoff, job, found = ([x for part in parts for x in part[i]] for i in range(3))
    return runs_of(standoff, job), found


def row(result, side="above"):
    return result.table[result.table["side"] == side].iloc[0]


def test_crude_and_within_job_figures_agree_with_statsmodels():
    runs, found = several(("J1", 40, 12, 60, 6), ("J2", 30, 9, 50, 8))
    seen = row(audit_of(runs, found))
    tables = [np.array([[12, 28], [6, 54]]), np.array([[9, 21], [8, 42]])]
    reference = StratifiedTable(tables)
    assert seen["risk_outside"] == pytest.approx(21 / 70)
    assert seen["difference"] == pytest.approx(21 / 70 - 14 / 110)
    assert seen["within_ratio"] == pytest.approx(reference.riskratio_pooled)
    assert (seen["n_outside"], seen["found_outside"], seen["n_inside"], seen["found_inside"]) == (70, 21, 110, 14)


def test_newcombe_interval_of_the_crude_difference_as_printed():
    # Newcombe (1998) Stat Med 17:873, method 10: 56/70 against 48/80 gives 0.0524 to 0.3339 (quoted).
    runs, found = several(("J1", 70, 56, 80, 48))
    seen = row(audit_of(runs, found))
    assert (round(seen["low"], 4), round(seen["high"], 4)) == (0.0524, 0.3339)


def test_a_confounder_is_seen_through():
    # In J1 the defect is common and far standoff is usual, in J2 neither; within each nothing differs.
    runs, found = several(("J1", 80, 40, 40, 20), ("J2", 20, 1, 160, 8))
    seen = row(audit_of(runs, found))
    assert seen["low"] > 0.1  # the crude table calls it guilty
    assert seen["reading"] == "not clear"
    assert seen["within_difference"] == pytest.approx(0.0)
    assert seen["crude_only"]


def test_a_true_effect_within_every_job_is_found_and_an_opposite_one_said():
    runs, found = several(("J1", 60, 30, 60, 5), ("J2", 60, 28, 60, 6))
    assert row(audit_of(runs, found))["reading"] == "goes with more"
    runs, found = several(("J1", 60, 5, 60, 30), ("J2", 60, 6, 60, 28))
    assert row(audit_of(runs, found))["reading"] == "goes with fewer"


def test_too_little_is_said_to_be_too_little():
    # One run outside, and defects so common that even a defect on it would be no surprise.
    runs, found = several(("J1", 1, 1, 30, 6), ("J2", 0, 0, 60, 2))
    seen = row(audit_of(runs, found))
    assert seen["reading"] == "cannot tell"
    assert pd.isna(seen["p"])
    assert seen["note"]


def test_no_run_outside_no_run_inside_and_no_defect_give_no_number():
    runs, found = several(("J1", 0, 0, 40, 4))
    seen = row(audit_of(runs, found))
    assert (seen["reading"], seen["note"]) == ("cannot tell", "no run outside the window")
    runs, found = several(("J1", 40, 4, 0, 0))
    assert row(audit_of(runs, found))["note"] == "no run inside the window"
    runs, found = several(("J1", 40, 0, 40, 0))
    seen = row(audit_of(runs, found))
    assert seen["reading"] == "cannot tell"
    assert seen["difference"] == 0.0


def test_what_was_not_recorded_or_not_inspected_is_left_out_and_counted():
    runs, found = several(("J1", 40, 12, 60, 6))
    runs.loc[:4, "standoff_mm"] = np.nan
    found[10:13] = [None] * 3
    seen = row(audit_of(runs, found))
    assert (seen["not_recorded"], seen["not_inspected"], seen["other_side"]) == (5, 3, 0)
    assert seen["n_outside"] == 40 - 8


def test_an_effect_of_the_operator_alone_is_not_firm():
    # One operator stands far and spits often, the other does neither; within either nothing differs.
    runs, found = several(("J1", 60, 30, 60, 6))
    runs["operator_id"] = ["OP1"] * 60 + ["OP2"] * 60
    seen = row(audit_of(runs, found))
    assert seen["reading"] == "goes with more"
    assert not seen["firm"]
    runs["operator_id"] = ["OP1", "OP2"] * 60
    assert row(audit_of(runs, found))["firm"]


def test_a_row_that_vanishes_within_operators_who_did_both_is_not_firm():
    # OP1 mostly stands far and spits in half his runs, OP2 mostly near and in a tenth; within either nothing differs.
    runs, found = several(("J1", 80, 40, 20, 10), ("J1", 20, 2, 80, 8))
    runs["operator_id"] = ["OP1"] * 100 + ["OP2"] * 100
    seen = row(audit_of(runs, found))
    assert seen["reading"] == "goes with more"
    assert seen["operator_low"] < 0 < seen["operator_high"]
    assert not seen["firm"]


def test_a_condition_that_travels_with_another_says_so():
    rng = np.random.default_rng(8)
    n = 600
    damp = rng.random(n) < 0.3
    cold = np.where(rng.random(n) < 0.9, damp, ~damp)
    found = (rng.random(n) < np.where(damp, 0.4, 0.05)).tolist()
    runs = runs_of([180.0] * n, ["J1"] * n).assign(
        humidity_pct=np.where(damp, 95.0, 60.0), surface_margin_c=np.where(cold, 1.0, 6.0)
    )
    table = audit_of(runs, found, names=("humidity_pct", "surface_margin_c")).table.set_index("condition")
    assert table.loc["surface_margin_c", "travels_with"] == "humidity_pct"
    assert table.loc["surface_margin_c", "travels_n"] == (damp & cold).sum()
    # Apart from the true one, the fellow traveller has nothing left; the true one keeps its effect.
    assert table.loc["surface_margin_c", "apart_low"] < 0 < table.loc["surface_margin_c", "apart_high"]
    assert table.loc["humidity_pct", "apart_low"] > 0.1


def test_below_and_above_are_kept_apart():
    runs, found = several(("J1", 40, 12, 60, 6))
    runs["standoff_mm"] = runs["standoff_mm"].mask(runs.index < 20, 100.0)
    result = audit_of(runs, found)
    assert row(result, "below")["n_outside"] == 20
    assert row(result, "above")["n_outside"] == 20


def test_the_false_discovery_rate_is_held_over_the_whole_table(findings):
    table = findings.causes.table
    tested = table["p"].notna()
    q = multipletests(table.loc[tested, "p"], method="fdr_bh")[1]
    np.testing.assert_allclose(table.loc[tested, "q"], q)
    assert table.loc[~tested, "q"].isna().all()
    assert (ranked(table)["q"] <= 0.05).all()


def test_row_order_does_not_matter():
    runs, found = several(("J1", 40, 12, 60, 6), ("J2", 30, 9, 50, 8))
    order = np.random.default_rng(3).permutation(len(runs))
    one = audit_of(runs, found).table
    other = audit_of(runs.iloc[order].reset_index(drop=True), [found[i] for i in order]).table
    pd.testing.assert_frame_equal(one, other)
