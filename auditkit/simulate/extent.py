"""Spots measured outward from areas that came out thin, to find how far the thin film reaches."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from auditkit.simulate.film import gauge_bias
from auditkit.simulate.instruments import GAUGES
from auditkit.simulate.plan import JOBS

if TYPE_CHECKING:
    from auditkit.simulate.truth import Truth

__all__ = ["Extent", "extent_spots"]

_GAUGE = "G2"
_AREAS = 3
_READINGS = 3
_FIRST_MINUTE = 750
# Directions in which there is something to measure, by shape: along a rail, the next frame of a row, a wall above deck.
_DIRECTIONS = {"tube": (3, 7), "unit": (1, 3, 5, 7), "flat": (1, 2, 3, 4, 6, 7, 8)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Extent:
    """The spots around thin areas, and how far the film is truly thin.

    Parameters
    ----------
    spots : DataFrame
        Extent spots in contract form, times local without zone.
    zones : dict
        By area: side, basis, thin_um, sound_um, thin_to_step (last truly thin
        step by direction, 0 where the first step is sound) and
        open_directions, as plain JSON values.
    """

    spots: pd.DataFrame
    zones: dict[str, object]


def extent_spots(
    readings: pd.DataFrame, film: pd.DataFrame, areas: pd.DataFrame, truth: Truth, rng: np.random.Generator
) -> Extent:
    """Return the spots an inspector took around the thinnest areas judged by SSPC-PA 2.

    The inspector walks each direction until two consecutive spots lie within
    the contract's minimum and maximum, as section 9 of SSPC-PA 2 has it; around
    the second area one direction is given up a spot too early.

    Parameters
    ----------
    readings : DataFrame
        Film readings in contract form, times local.
    film : DataFrame
        True film of each area.
    areas : DataFrame
        Inspection areas.

    Examples
    --------
    >>> from auditkit.simulate.audit import simulate_audit
    >>> spots = simulate_audit(seed=20270104).tables["extent_spots"]
    >>> spots["area_id"].nunique(), sorted(spots["basis"].unique().tolist())
    (3, ['distance', 'unit'])
    """
    about = areas.set_index("area_id")
    true = {side: film.set_index("area_id")[f"{side}_um"].to_dict() for side in ("facing", "reverse")}
    rows: list[dict[str, object]] = []
    zones: dict[str, object] = {}
    thin = _thin_sides(readings, areas)
    for order, (area_id, side, minimum, maximum) in enumerate(thin):
        is_unit = str(about.loc[area_id, "description"]).startswith("seat frame")
        directions = _DIRECTIONS["unit" if is_unit else "flat" if about.loc[area_id, "geometry"] == "flat" else "tube"]
        thin_um, sound_um = float(true[side][area_id]), truth.extent_sound_ratio * minimum
        reach = {way: int(rng.integers(0, truth.extent_most_steps + 1)) for way in directions}
        when = _first_use_after(readings, area_id)
        minute = _FIRST_MINUTE
        given_up = max(reach, key=lambda way: (reach[way], -way)) if order == 1 else None
        for way in directions:
            levels = [thin_um] * reach[way] + [sound_um] * (truth.extent_most_steps + 6 - reach[way])
            begun = when + pd.Timedelta(minutes=minute)
            walked = _walk(levels, limits=(minimum, maximum), begun=begun, truth=truth, rng=rng)
            walked = walked[:-1] if way == given_up else walked
            for step, (at, shown) in enumerate(walked, start=1):
                rows.extend(
                    {
                        "area_id": area_id,
                        "side": side,
                        "direction": way,
                        "basis": "unit" if is_unit else "distance",
                        "step": step,
                        "repeat": repeat,
                        "dft_um": value,
                        "gauge_id": _GAUGE,
                        "taken_at": at,
                    }
                    for repeat, value in enumerate(shown, start=1)
                )
            minute += len(walked) + 1
        zones[area_id] = {
            "side": side,
            "basis": "unit" if is_unit else "distance",
            "thin_um": round(thin_um, 2),
            "sound_um": round(sound_um, 2),
            "thin_to_step": {str(way): last for way, last in reach.items()},
            "open_directions": [given_up] if given_up is not None else [],
        }
    columns = ["area_id", "side", "direction", "basis", "step", "repeat", "dft_um", "gauge_id"]
    spots = pd.DataFrame(rows, columns=[*columns, "taken_at"])
    return Extent(spots=spots.assign(taken_at=pd.to_datetime(spots["taken_at"])), zones=zones)


def _thin_sides(readings: pd.DataFrame, areas: pd.DataFrame) -> list[tuple[str, str, float, float]]:
    """Return area, side, minimum and maximum of the thinnest areas under SSPC-PA 2, thinnest first."""
    jobs = {job.job_id: job for job in JOBS}
    job_of = areas.set_index("area_id")["job_id"]
    found: list[tuple[float, tuple[str, str, float, float]]] = []
    judged = readings[readings["side"].isin(["facing", "reverse"])]
    means = judged.groupby(["area_id", "side"], as_index=False)["dft_um"].mean()
    for area_id, side, mean in means.itertuples(index=False):
        job = jobs[str(job_of[area_id])]
        minimum = job.minimum_um if side == "facing" else job.reverse_minimum_um
        if job.rule == "sspc-pa-2" and minimum is not None and mean < minimum:
            maximum = np.inf if job.maximum_um is None else job.maximum_um
            found.append((mean / minimum, (str(area_id), str(side), minimum, maximum)))
    sides: dict[str, tuple[str, str, float, float]] = {}
    for _, thin in sorted(found):
        sides.setdefault(thin[0], thin)
    return list(sides.values())[:_AREAS]


def _first_use_after(readings: pd.DataFrame, area_id: str) -> pd.Timestamp:
    """Return the first day after an area was read on which the gauge was in use, and so was checked."""
    days = readings.loc[readings["gauge_id"] == _GAUGE, "taken_at"].dt.normalize()
    last = readings.loc[readings["area_id"] == area_id, "taken_at"].dt.normalize().max()
    later = days[days > last]
    first: pd.Timestamp = later.min() if len(later) else days.max()
    return first


def _walk(
    levels: list[float], *, limits: tuple[float, float], begun: pd.Timestamp, truth: Truth, rng: np.random.Generator
) -> list[tuple[pd.Timestamp, list[float]]]:
    """Return time and readings of each spot in one direction, a minute each, until two in a row conform."""
    walked: list[tuple[pd.Timestamp, list[float]]] = []
    in_a_row = 0
    for number, level in enumerate(levels):
        at = begun + pd.Timedelta(minutes=number)
        film = level * np.exp(rng.normal(0, truth.spot_sd) + rng.normal(0, truth.reading_sd, _READINGS))
        bias = gauge_bias(_GAUGE, at.date(), np.array([at.hour + at.minute / 60]), truth)
        shown = GAUGES[_GAUGE].read(film * (1 + bias))
        walked.append((at, [float(value) for value in shown]))
        in_a_row = in_a_row + 1 if limits[0] <= shown.mean() <= limits[1] else 0
        if in_a_row == 2:
            break
    return walked
