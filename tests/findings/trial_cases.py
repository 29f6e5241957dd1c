"""Questions, spreads and filled-in results that the tests of trials share."""

import pandas as pd

from auditkit.findings.trial_results import result_columns
from auditkit.findings.trial_spreads import SPREADS
from auditkit.findings.typed_columns import typed_frame

QUESTIONS = pd.DataFrame(
    [
        ("crater", "part_ground_ohm", "above", "cannot tell", 0.02, ()),
        ("dry spray", "standoff_mm", "above", "leaning", 0.08, ()),
        ("orange peel", "pot_kpa", "above", "not separable from", 0.10, (("follow_through_s", "above"),)),
        ("dry spray", "overlap_pct", "below", "supported", 0.08, ()),
        ("crater", "humidity_pct", "above", "cannot tell", 0.02, ()),
    ],
    columns=["defect", "condition", "side", "grade", "risk_observed", "not_separable_from"],
)
WORN = pd.DataFrame([("spit", "brush_wear_pct", "above", "leaning", 0.04, ())], columns=QUESTIONS.columns)
RUNS = pd.DataFrame({"standoff_mm": [150.0, 200.0], "operator_id": ["OP2", "OP1"]})


def spreads(*, run_sd=2.0, reading_sd=1.0, worth=8.0):
    row = {"response": "facing_um", "mean": 80.0, "run_sd": run_sd, "reading_sd": reading_sd, "worth": worth}
    return typed_frame([row | {"n": 100, "areas": 20, "why": ""}], SPREADS)


def filled(plan, *, effects=None, rng=None, sd=1.0, run_effect=None):
    """Return results of a plan: each response 50 plus half its effects times the coded factors, plus chance."""
    coded = plan.coded
    frame = coded[["run_id"]].copy()
    level = pd.Series(50.0, index=coded.index)
    for factor, size in (effects or {}).items():
        level = level + size / 2 * coded[factor]
    if run_effect is not None:
        level = level + run_effect
    for row in result_columns(plan.responses).to_dict("records"):
        chance = 0.0 if rng is None else rng.normal(0.0, sd, len(coded))
        frame[row["column"]] = level + chance if row["unit"] else 0.0
    return frame.assign(part_ground_ohm=1e5, operator_ground_ohm=5e6)
