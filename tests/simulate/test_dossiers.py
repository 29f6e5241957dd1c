"""Both forms of the sample, read by the intake, are one audit; every bad row is set aside for its reason."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pandas as pd
import pytest

from auditkit.dossier import Dossier
from auditkit.intake import read_dossier
from auditkit.simulate import Simulated
from auditkit.simulate.audit import COLUMNS

SAMPLE = Path(__file__).parents[2] / "sample_data"


@pytest.fixture(scope="module")
def clean() -> Dossier:
    return read_dossier(SAMPLE / "clean")


@pytest.fixture(scope="module")
def raw() -> Dossier:
    return read_dossier(SAMPLE / "raw")


@pytest.mark.parametrize("record", sorted(COLUMNS))
def test_raw_and_clean_give_the_simulated_table_to_the_last_bit(
    record: str, clean: Dossier, raw: Dossier, shipped: Simulated
) -> None:
    pd.testing.assert_frame_equal(clean.tables[record], shipped.tables[record], check_exact=True)
    pd.testing.assert_frame_equal(raw.tables[record], shipped.tables[record], check_exact=True)


def test_nothing_of_the_clean_sample_is_set_aside(clean: Dossier, raw: Dossier) -> None:
    assert len(clean.ledger) == 0
    assert clean.tables_digest() == raw.tables_digest()
    assert clean.digest() != raw.digest()  # the log came in two forms


def test_both_declare_the_same_settings_and_one_log_of_the_same_unit(clean: Dossier, raw: Dossier) -> None:
    for name in ("replacement_costs", "viscosity_points", "absent_defect_means"):
        assert clean.settings[name] == raw.settings[name]
    assert raw.settings["replacement_costs"]["brush"] == (40.0, 900.0)
    (kept,), (exported,) = clean.settings["pressure_logs"], raw.settings["pressure_logs"]
    assert (kept.unit, exported.unit) == ("kpa", "psi")
    assert dict(exported.columns) == {"Time": "logged_at", "Pot psi": "pot_kpa"}
    assert dict(exported.constants) == {"unit_id": "U3"}
    assert kept.name not in set(clean.files["file"])


def test_the_ledger_holds_the_bad_rows_that_truth_lists_and_no_others(raw: Dossier) -> None:
    dirt = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["dirt"]
    listed: Counter[str] = Counter()
    for line in dirt["lines"]:
        listed[line["file"]] += line["rows"]
    found = raw.ledger.groupby("file")["row_no"].nunique()
    assert found.to_dict() == dict(listed)


def test_every_bad_row_is_set_aside_for_the_rule_it_breaks(raw: Dossier) -> None:
    dirt = json.loads((SAMPLE / "truth.json").read_text(encoding="utf-8"))["dirt"]["by_record"]
    found = raw.ledger.groupby(["record", "rule"])["row_no"].nunique()
    short = {
        (record, rule): rows
        for record, rules in dirt.items()
        for rule, rows in rules.items()
        if found.get((record, rule), 0) < rows
    }
    assert short == {}
