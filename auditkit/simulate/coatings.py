"""The coatings as sprayed, and their viscosity as somebody measured it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import numpy.typing as npt

__all__ = ["COATINGS", "THINS_PER_C", "Coating", "viscosity_points"]

THINS_PER_C = 0.03
"""Share by which each coating thins for each degree, on the log scale `[1/C]`."""

_MEASURED_AT_C = (12.0, 25.0)
_MEASURED_COATING = "alkyd finish K"


@dataclass(frozen=True, slots=True, kw_only=True)
class Coating:
    """One coating as sprayed; viscosity at 25 C `[mm2/s]`, density `[kg/m3]`, solids and thinner `[%]` by volume."""

    name: str
    solids_pct: float
    thinner: str
    thinner_pct: float
    mm2_s_at_25: float
    density_kg_m3: float
    cup: str

    def viscosity(self, temp_c: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Return the viscosity at temperatures `[C]`, thinning by the same share for each degree `[mm2/s]`.

        Examples
        --------
        >>> COATINGS["alkyd finish K"].viscosity(np.array([25.0, 15.0])).round(1).tolist()
        [62.0, 83.7]
        """
        result: npt.NDArray[np.float64] = self.mm2_s_at_25 * np.exp(THINS_PER_C * (25 - temp_c))
        return result


COATINGS: dict[str, Coating] = {
    coating.name: coating
    for coating in (
        Coating(
            name="alkyd finish K",
            solids_pct=48.0,
            thinner="thinner K2",
            thinner_pct=10.0,
            mm2_s_at_25=62.0,
            density_kg_m3=1250.0,
            cup="ford-4",
        ),
        Coating(
            name="two-pack finish P",
            solids_pct=55.0,
            thinner="thinner P1",
            thinner_pct=8.0,
            mm2_s_at_25=49.0,
            density_kg_m3=1340.0,
            cup="zahn-2",
        ),
    )
}


def viscosity_points() -> dict[str, list[dict[str, float]]]:
    """Return the viscosity of one coating as measured, to 0.1 mm2/s, at two temperatures; nobody measured the other.

    Examples
    --------
    >>> viscosity_points()
    {'alkyd finish K': [{'temp_c': 12.0, 'mm2_s': 91.6}, {'temp_c': 25.0, 'mm2_s': 62.0}]}
    """
    measured = COATINGS[_MEASURED_COATING].viscosity(np.array(_MEASURED_AT_C)).round(1).tolist()
    points = [{"temp_c": at, "mm2_s": value} for at, value in zip(_MEASURED_AT_C, measured, strict=True)]
    return {_MEASURED_COATING: points}
