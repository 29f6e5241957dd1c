"""How each instrument on site reads: its unit and its smallest step.

Values are made on the instrument's own grid and then converted as intake
converts them, so that a record typed in the site's units and the same record
in contract form agree to the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from auditkit.units import convert

if TYPE_CHECKING:
    import numpy.typing as npt

__all__ = ["GAUGES", "INSTRUMENTS", "LOGGER", "Instrument", "as_given", "number_text", "recorded"]


@dataclass(frozen=True, slots=True)
class Instrument:
    """An instrument's unit, its steps to one unit, and the contract's unit and decimals."""

    unit: str
    steps: int
    contract_unit: str
    decimals: int

    def read(self, values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Return values in contract unit as the instrument shows them, in contract unit.

        Examples
        --------
        >>> Instrument("mil", 10, "um", 3).read(np.array([60.0])).tolist()
        [60.96]
        """
        return self._to_contract(self._on_grid(values))

    def given(self, values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Return what the instrument showed, in its own unit, for values it has read.

        Raises
        ------
        ValueError
            A value is not one this instrument can show.

        Examples
        --------
        >>> Instrument("mil", 10, "um", 3).given(np.array([60.96])).tolist()
        [2.4]
        """
        shown = self._on_grid(values)
        back = self._to_contract(shown)
        same = np.array_equal(back, values, equal_nan=True)
        if not same:
            odd = values[~((back == values) | np.isnan(values))][0]
            raise ValueError(
                f"{odd} {self.contract_unit} is not on the grid of 1/{self.steps} {self.unit}; "
                "take the value from Instrument.read"
            )
        return shown

    def _on_grid(self, values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        own: npt.NDArray[np.float64] = np.round(convert(values, self.contract_unit, self.unit) * self.steps)
        return own / self.steps

    def _to_contract(self, shown: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return convert(shown, self.unit, self.contract_unit, decimals=self.decimals)


GAUGES: dict[str, Instrument] = {
    "G1": Instrument("um", 10, "um", 4),
    "G2": Instrument("mil", 10, "um", 4),
}

LOGGER = Instrument("psi", 50, "kpa", 2)
"""The pressure logger; its log is no record, and has no contract."""

INSTRUMENTS: dict[tuple[str, str], Instrument] = {
    ("areas", "size_m2"): Instrument("ft2", 2, "m2", 4),
    ("spray_runs", "standoff_mm"): Instrument("in", 4, "mm", 2),
    ("spray_runs", "standoff_min_mm"): Instrument("in", 4, "mm", 2),
    ("spray_runs", "standoff_max_mm"): Instrument("in", 4, "mm", 2),
    ("spray_runs", "follow_through_s"): Instrument("s", 2, "s", 2),
    ("spray_runs", "air_temp_c"): Instrument("f", 2, "c", 2),
    ("spray_runs", "surface_temp_c"): Instrument("f", 2, "c", 2),
    ("spray_runs", "humidity_pct"): Instrument("pct", 1, "pct", 2),
    ("spray_runs", "part_ground_ohm"): Instrument("mohm", 1000, "ohm", 3),
    ("spray_runs", "operator_ground_ohm"): Instrument("mohm", 10, "ohm", 3),
    ("pressure_settings", "pot_kpa"): Instrument("psi", 2, "kpa", 2),
    ("pressure_settings", "cup_s"): Instrument("s", 2, "s", 2),
    ("pressure_settings", "paint_temp_c"): Instrument("f", 2, "c", 2),
    ("pressure_settings", "catch_ml"): Instrument("ml", 1, "ml", 2),
    ("startup_checks", "supply_distance_m"): Instrument("ft", 1, "m", 2),
    ("units", "hose_length_m"): Instrument("ft", 1, "m", 4),
    ("units", "hose_bore_mm"): Instrument("in", 16, "mm", 3),
    ("units", "rise_m"): Instrument("ft", 2, "m", 3),
}


def recorded(values: npt.NDArray[np.float64], record: str, column: str) -> npt.NDArray[np.float64]:
    """Return values as the instrument for this column reads them, in contract unit.

    Examples
    --------
    >>> recorded(np.array([180.0]), "spray_runs", "standoff_mm").tolist()
    [177.8]
    """
    return INSTRUMENTS[record, column].read(values)


def as_given(values: npt.NDArray[np.float64], record: str, column: str) -> npt.NDArray[np.float64]:
    """Return recorded values in the unit the instrument for this column shows.

    Examples
    --------
    >>> as_given(np.array([177.8]), "spray_runs", "standoff_mm").tolist()
    [7.0]
    """
    return INSTRUMENTS[record, column].given(values)


def number_text(value: float) -> str:
    """Return the shortest text that reads back as the same number, without a trailing `.0`.

    Examples
    --------
    >>> number_text(38.0), number_text(60.96)
    ('38', '60.96')
    """
    return repr(float(value)).removesuffix(".0")
