"""Flow cups: efflux time to kinematic viscosity, for the cups and times the standards give.

Good for liquids that are Newtonian or nearly so; a paint with structure reads
its own number on every cup.

References
----------
.. [1] ASTM D4212, Zahn and Shell cups, as tabled by a supplier of viscosity standards.
.. [2] ASTM D1200, Ford cups; equations of cups 3, 4 and 5 from memory, borne out by [1]'s calibration oils.
.. [3] ISO 2431:2019; equations from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.trade.columns import require_columns

__all__ = ["CUPS", "Cup", "cup_faults", "kinematic_viscosity"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cup:
    """One flow cup: `v = slope (t - shift) - inverse / t`, from `least_s` to `most_s`.

    Parameters
    ----------
    slope : float
        `[mm2/s2]`
    shift : float
        `[s]`
    inverse : float
        `[mm2]`
    least_s, most_s : float
        Times for which the standard gives the cup `[s]`.
    temp_c : float
        Temperature of the test `[C]`.
    source : str
        Where the equation comes from.
    from_memory : bool
        Whether the equation was not seen printed.
    """

    slope: float
    shift: float = 0.0
    inverse: float = 0.0
    least_s: float
    most_s: float
    temp_c: float
    source: str
    from_memory: bool


def _d4212(slope: float, shift: float, *, least_s: float = 20, most_s: float = 80) -> Cup:
    """Return a Zahn or Shell cup [1]."""
    return Cup(
        slope=slope, shift=shift, least_s=least_s, most_s=most_s, temp_c=25, source="ASTM D4212", from_memory=False
    )


def _d1200(slope: float, shift: float, *, least_s: float = 20, from_memory: bool) -> Cup:
    """Return a Ford cup [2]."""
    return Cup(
        slope=slope, shift=shift, least_s=least_s, most_s=100, temp_c=25, source="ASTM D1200", from_memory=from_memory
    )


def _iso2431(slope: float, inverse: float) -> Cup:
    """Return an ISO cup [3]."""
    return Cup(slope=slope, inverse=inverse, least_s=30, most_s=100, temp_c=23, source="ISO 2431", from_memory=True)


CUPS: dict[str, Cup] = {
    "zahn-1": _d4212(1.1, 29, least_s=35),
    "zahn-2": _d4212(3.5, 14),
    "zahn-3": _d4212(11.7, 7.5),
    "zahn-4": _d4212(14.8, 5),
    "zahn-5": _d4212(23, 0),
    "shell-1": _d4212(0.226, 13),
    "shell-2": _d4212(0.576, 5),
    "shell-2.5": _d4212(0.925, 3),
    "shell-3": _d4212(1.51, 2),
    "shell-3.5": _d4212(2.17, 1.5),
    "shell-4": _d4212(3.45, 1),
    "shell-5": _d4212(6.5, 1),
    "shell-6": _d4212(16.2, 0.5),
    "ford-1": _d1200(0.49, 35.0, least_s=55, from_memory=False),
    "ford-2": _d1200(1.44, 18.0, least_s=40, from_memory=False),
    "ford-3": _d1200(2.31, 6.58, from_memory=True),
    "ford-4": _d1200(3.85, 4.49, from_memory=True),
    "ford-5": _d1200(12.1, 2.00, from_memory=True),
    "iso-3": _iso2431(0.443, 200),
    "iso-4": _iso2431(1.37, 200),
    "iso-5": _iso2431(3.28, 220),
    "iso-6": _iso2431(6.90, 570),
}
"""Every cup known, by the name the contract of pressure settings gives it."""


def kinematic_viscosity(
    cup_s: npt.ArrayLike, cup: npt.ArrayLike
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Return kinematic viscosities [mm2/s], and which of the times are in their cup's range.

    ASTM D4212 warns that Zahn cups differ by maker and batch.

    Parameters
    ----------
    cup_s : array_like
        Efflux times `[s]`.
    cup : array_like of str
        Name of the cup in `CUPS`: one for all, or one each.

    Returns
    -------
    viscosity : ndarray
        NaN where the time is outside the range of its cup, or where the time
        or the cup is missing `[mm2/s]`.
    in_range : ndarray of bool
        False where the viscosity is NaN.

    Raises
    ------
    ValueError
        A cup is not known.

    References
    ----------
    ASTM D4212; ASTM D1200; ISO 2431. See `CUPS` for which are from memory.

    Examples
    --------
    >>> viscosity, in_range = kinematic_viscosity([33, 48, 12], "zahn-2")
    >>> viscosity
    array([ 66.5, 119. ,   nan])
    >>> in_range
    array([ True,  True, False])
    """
    times = np.atleast_1d(np.asarray(cup_s, dtype=float))
    names = np.broadcast_to(np.asarray(cup, dtype=object), times.shape)
    viscosity = np.full(times.shape, np.nan)
    for name in pd.unique(names.ravel()):
        if pd.isna(name):
            continue
        if name not in CUPS:
            raise ValueError(f"cup must be one of {', '.join(CUPS)}; given {name!r}")
        known = CUPS[name]
        here = (names == name) & (times >= known.least_s) & (times <= known.most_s)
        viscosity[here] = known.slope * (times[here] - known.shift) - known.inverse / times[here]
    return viscosity, ~np.isnan(viscosity)


def cup_faults(settings: pd.DataFrame) -> pd.DataFrame:
    """Return the cup times that give no viscosity, each with the reason and the cure.

    Parameters
    ----------
    settings : DataFrame
        Pressure settings: run_id, set_at, cup, cup_s `[s]`.

    Returns
    -------
    DataFrame
        One row a cup time outside the range of its cup, or without a cup,
        sorted by run_id and set_at: run_id, set_at, cup, cup_s, least_s,
        most_s `[s]`, why.

    Raises
    ------
    ValueError
        A column is not there, or a cup is not known.

    Examples
    --------
    >>> settings = pd.DataFrame({"run_id": ["R1", "R2"], "set_at": pd.to_datetime(["2027-01-11T08:00Z"] * 2),
    ...                          "cup": ["zahn-2", "zahn-2"], "cup_s": [33.0, 90.0]})
    >>> print(cup_faults(settings)["why"][0])
    90 s is over the 80 s to which ASTM D4212 gives zahn-2: no viscosity; take a cup with a wider hole
    """
    require_columns(settings, ["run_id", "set_at", "cup", "cup_s"], name="settings")
    _, readable = kinematic_viscosity(settings["cup_s"], settings["cup"])
    rows = settings.loc[settings["cup_s"].notna() & ~readable, ["run_id", "set_at", "cup", "cup_s"]]
    rows = rows.sort_values(["run_id", "set_at"], kind="stable", ignore_index=True)
    known = [None if pd.isna(cup) else CUPS[cup] for cup in rows["cup"]]
    return rows.assign(
        least_s=np.array([np.nan if cup is None else cup.least_s for cup in known], dtype="float64"),
        most_s=np.array([np.nan if cup is None else cup.most_s for cup in known], dtype="float64"),
        why=pd.array(
            [_fault(name, cup, float(time)) for name, cup, time in zip(rows["cup"], known, rows["cup_s"], strict=True)],
            dtype="str",
        ),
    )


def _fault(name: str, cup: Cup | None, time: float) -> str:
    if cup is None:
        return f"{time:g} s of a cup that is not named: no viscosity; name the cup"
    if time < cup.least_s:
        said, wanted = f"under the {cup.least_s:g} s from which", "narrower"
    else:
        said, wanted = f"over the {cup.most_s:g} s to which", "wider"
    return f"{time:g} s is {said} {cup.source} gives {name}: no viscosity; take a cup with a {wanted} hole"
