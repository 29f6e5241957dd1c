"""The written truths: shapes of the effects, and plain JSON."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from auditkit.simulate.finish import risk
from auditkit.simulate.truth import DEFAULT_TRUTH, Effect, as_json


def test_an_effect_rises_from_its_knee_to_its_cap() -> None:
    near = Effect(defect="run or sag", condition="standoff_mm", direction="below", knee=150, per_unit=0.1, cap=2)
    assert near.log_odds(np.array([160.0, 150.0, 140.0, 100.0])) == pytest.approx([0, 0, 1, 2])


def test_risk_is_the_logistic_of_the_written_log_odds() -> None:
    effect = Effect(defect="spit", condition="follow_through_s", direction="below", knee=5, per_unit=1, cap=9)
    truth = replace(DEFAULT_TRUTH, effects=(effect,), baseline_log_odds=(("spit", -2.0),))
    at = pd.DataFrame({"follow_through_s": [6.0, 3.0]})
    # 1 / (1 + e^2) and, two seconds short of the knee, 1 / (1 + e^0)
    assert risk(at, truth, defect="spit") == pytest.approx([1 / (1 + np.e**2), 0.5])


def test_truth_is_plain_json() -> None:
    plain = as_json(replace(DEFAULT_TRUTH, clogging_from=date(2027, 2, 1)))
    assert json.loads(json.dumps(plain)) == plain
    assert plain["clogging_from"] == "2027-02-01"
    assert {"condition": "overlap_pct", "defect": "crater"} in plain["innocent"]


def test_no_innocent_pair_is_also_a_cause() -> None:
    causes = {(effect.condition, effect.defect) for effect in DEFAULT_TRUTH.effects}
    assert causes.isdisjoint(DEFAULT_TRUTH.innocent)
