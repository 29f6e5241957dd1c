"""Instruments: what is shown reads back to the last bit, in the contracts' decimals."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import yaml

from auditkit.simulate.instruments import GAUGES, INSTRUMENTS, Instrument, as_given, recorded
from auditkit.units import convert

SCHEMAS = Path(__file__).parents[2] / "schemas"


def contract_column(record: str, column: str) -> dict[str, object]:
    contract = yaml.safe_load((SCHEMAS / f"{record}.yaml").read_text(encoding="utf-8"))
    found: dict[str, object] = contract["metadata"]["auditkit"]["columns"][column]
    return found


@pytest.mark.parametrize(("record", "column"), sorted(INSTRUMENTS))
def test_unit_and_decimals_are_those_of_the_contract(record: str, column: str) -> None:
    declared = contract_column(record, column)
    instrument = INSTRUMENTS[record, column]
    assert (instrument.contract_unit, instrument.decimals) == (declared["unit"], declared["decimals"])


@pytest.mark.parametrize("gauge", sorted(GAUGES))
def test_gauges_read_in_the_unit_and_decimals_of_film_readings(gauge: str) -> None:
    declared = contract_column("film_readings", "dft_um")
    assert (GAUGES[gauge].contract_unit, GAUGES[gauge].decimals) == (declared["unit"], declared["decimals"])


@pytest.mark.parametrize(("record", "column"), sorted(INSTRUMENTS))
def test_what_is_shown_converts_to_what_was_recorded_to_the_last_bit(record: str, column: str) -> None:
    values = recorded(np.random.default_rng(5).uniform(1, 60, 400), record, column)
    shown = as_given(values, record, column)
    typed = np.array([float(repr(float(value))) for value in shown])
    instrument = INSTRUMENTS[record, column]
    assert np.array_equal(
        convert(typed, instrument.unit, instrument.contract_unit, decimals=instrument.decimals), values
    )
    assert np.array_equal(np.round(shown * instrument.steps), shown * instrument.steps)


def test_a_tenth_of_a_mil_is_two_point_five_four_micrometres() -> None:
    # 1 inch = 25.4 mm exactly (international yard and pound agreement, 1959)
    assert GAUGES["G2"].read(np.array([74.0])).tolist() == [73.66]


def test_a_value_between_two_steps_is_refused() -> None:
    with pytest.raises(ValueError, match=r"61\.0 um is not on the grid of 1/10 mil; take the value from"):
        Instrument("mil", 10, "um", 3).given(np.array([60.96, 61.0]))
