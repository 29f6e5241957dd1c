"""How far nonconforming film reaches: the suspect zone round an area, from extra spots measured outward.

References
----------
[1] SSPC-PA 2, section 9: spots at steps of 1.5 m (5 ft), or on each of a row of
    repeating units less than 3 m (10 ft) large, outward until two consecutive
    spots conform; each must lie between the contract's minimum and maximum,
    without the allowance of Table 1. That there are eight directions, and that
    coating within 1.5 m of a nonconforming spot is suspect, is from memory:
    check it against your copy. Figures and sources are in `film_rules.yaml`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.trade.columns import require_columns
from auditkit.trade.film_rules import FilmRules, load_film_rules
from auditkit.trade.film_verdicts import CONFORMS, NOT_ASSESSABLE, NOT_CONFORMING, falls_short, micrometres

__all__ = ["CLOSED", "OPEN", "UNCLEAR", "ExtentMap", "map_extent"]

CLOSED = "closed"
OPEN = "open"
UNCLEAR = "not assessable"

_SPOTS = (
    ("area_id", "str"),
    ("job_id", "str"),
    ("side", "str"),
    ("direction", "int64"),
    ("basis", "str"),
    ("step", "int64"),
    ("n", "int64"),
    ("dft_um", "float64"),
    ("minimum_um", "float64"),
    ("maximum_um", "float64"),
    ("outcome", "str"),
    ("reason", "str"),
)
_DIRECTIONS = (
    ("area_id", "str"),
    ("job_id", "str"),
    ("side", "str"),
    ("direction", "int64"),
    ("basis", "str"),
    ("state", "str"),
    ("steps_measured", "int64"),
    ("last_step", "int64"),
    ("last_nonconforming_step", "int64"),
    ("suspect_steps", "int64"),
    ("suspect_out_m", "float64"),
    ("gaps", "str"),
    ("more_spots", "int64"),
    ("next_steps", "str"),
    ("reason", "str"),
)
_AREAS = (
    ("area_id", "str"),
    ("job_id", "str"),
    ("side", "str"),
    ("directions_measured", "int64"),
    ("closed", "int64"),
    ("open", "int64"),
    ("unclear", "int64"),
    ("not_measured", "str"),
    ("suspect_out_m", "float64"),
    ("suspect_units", "float64"),
    ("more_spots", "int64"),
    ("mapped", "bool"),
    ("reason", "str"),
)
_KEY = ["area_id", "side", "direction"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtentMap:
    """The suspect zone round each area that was followed outward.

    Parameters
    ----------
    spots : DataFrame
        Grain (area_id, side, direction, step), in that order, with job_id,
        basis, n (readings), dft_um (mean), minimum_um, maximum_um `[um]`,
        outcome ('conforms', 'does not conform', 'not assessable'), reason.
    directions : DataFrame
        Grain (area_id, side, direction), in that order, with job_id, basis,
        state ('closed', 'open', 'not assessable'), steps_measured, last_step,
        last_nonconforming_step (0 where none), suspect_steps (steps out to
        which coating is suspect, at least so far where open), suspect_out_m
        (the same `[m]`, NaN for units), gaps, more_spots (least number that
        would close it), next_steps, reason.
    areas : DataFrame
        Grain (area_id, side), in that order, with job_id, directions_measured,
        closed, open, unclear, not_measured, suspect_out_m (farthest
        direction), suspect_units (most units in one direction), more_spots,
        mapped (whether every direction measured is closed), reason.
    step_m : float
        Length of a step `[m]`.
    n, excluded : int
        Readings in spots that could be judged, and in spots with too few.
    from_memory : bool
        Whether figures were used that were not seen printed.
    method : str
        What was done, in a sentence.
    """

    spots: pd.DataFrame
    directions: pd.DataFrame
    areas: pd.DataFrame
    step_m: float
    n: int
    excluded: int
    from_memory: bool
    method: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Walk:
    """One direction: which steps conform, which do not, and what follows from it."""

    state: str
    last_nonconforming: int
    suspect_steps: int
    gaps: tuple[int, ...]
    needed: tuple[int, ...]


def map_extent(
    extent_spots: pd.DataFrame, areas: pd.DataFrame, jobs: pd.DataFrame, *, rules: FilmRules | None = None
) -> ExtentMap:
    """Return how far nonconforming film reaches from each area, by direction.

    A direction is closed by two consecutive conforming spots beyond its last
    nonconforming one. Coating is suspect up to the first of the two: to the
    place of that spot, which is one step beyond the last nonconforming one, or
    to the last unit before it. A step that was passed over, or has too few
    readings, may hide a nonconforming spot, so the zone reaches across it.
    Where a direction is open, the zone reaches at least as far as is said.

    Parameters
    ----------
    extent_spots : DataFrame
        Readings outward of areas that failed: area_id, side, direction, basis
        ('distance' or 'unit'), step, dft_um `[um]`.
    areas : DataFrame
        area_id, job_id.
    jobs : DataFrame
        job_id, film_min_um, film_max_um, film_reverse_min_um `[um]`. The
        reverse is held to film_reverse_min_um where there is one. Where no
        maximum is specified, spots are held to the minimum alone.
    rules : FilmRules, optional
        Left out, the rules that ship with the package.

    Raises
    ------
    ValueError
        A column is not there, a value is missing, a basis is unknown, or an
        area is not in `areas` or its job not in `jobs`.

    References
    ----------
    [1]_ of the module.

    Examples
    --------
    >>> jobs = pd.DataFrame({"job_id": ["J1"], "film_min_um": [60.0], "film_max_um": [160.0],
    ...                      "film_reverse_min_um": [40.0]})
    >>> areas = pd.DataFrame({"area_id": ["A1"], "job_id": ["J1"]})
    >>> spots = pd.DataFrame({"area_id": "A1", "side": "facing", "direction": 1, "basis": "distance",
    ...                       "step": [1] * 3 + [2] * 3 + [3] * 3, "dft_um": [50.0] * 3 + [70.0] * 3 + [72.0] * 3})
    >>> found = map_extent(spots, areas, jobs)
    >>> found.directions[["state", "last_nonconforming_step", "suspect_out_m"]].to_numpy().tolist()
    [['closed', 1, 3.0]]
    """
    rules = rules or load_film_rules()
    _check(extent_spots, areas, jobs)
    spots = _spots(extent_spots, _limits(areas, jobs), rules=rules)
    directions = [_direction(key, group, rules=rules) for key, group in spots.groupby(_KEY, sort=True)]
    directions_frame = _typed(directions, _DIRECTIONS)
    by_area = [
        _area(key, group, rules=rules) for key, group in directions_frame.groupby(["area_id", "side"], sort=True)
    ]
    judged = spots["outcome"] != NOT_ASSESSABLE
    pa2 = rules.pa2
    return ExtentMap(
        spots=spots,
        directions=directions_frame,
        areas=_typed(by_area, _AREAS),
        step_m=pa2.extent_step_m.value,
        n=int(spots.loc[judged, "n"].sum()),
        excluded=int(spots.loc[~judged, "n"].sum()),
        from_memory=pa2.extent_directions.from_memory or pa2.extent_suspect_within_m.from_memory,
        method=(
            f"SSPC-PA 2, section 9: spots at steps of {pa2.extent_step_m.value:g} m (or on each repeating unit less "
            f"than {pa2.extent_units_below_m.value:g} m large), each held to the specified minimum and maximum without "
            "allowance, until two consecutive ones conform; coating within "
            f"{pa2.extent_suspect_within_m.value:g} m of a nonconforming spot is suspect (from memory). "
            "A step passed over is taken as suspect."
        ),
    )


def _check(extent_spots: pd.DataFrame, areas: pd.DataFrame, jobs: pd.DataFrame) -> None:
    columns = [*_KEY, "basis", "step", "dft_um"]
    require_columns(extent_spots, columns, name="extent_spots")
    require_columns(areas, ["area_id", "job_id"], name="areas")
    require_columns(jobs, ["job_id", "film_min_um", "film_max_um", "film_reverse_min_um"], name="jobs")
    gaps = int(extent_spots[columns].isna().any(axis=1).sum())
    if gaps:
        raise ValueError(f"no value may be missing in {columns}; {gaps} rows have a gap. Leave those rows out")
    unknown = sorted(set(extent_spots["basis"]) - {"distance", "unit"})
    if unknown:
        raise ValueError(f"basis must be distance or unit; given {unknown}")
    if (extent_spots["step"] < 1).any():
        raise ValueError(f"steps are counted from 1; given {int(extent_spots['step'].min())}")
    known = set(areas.loc[areas["job_id"].isin(set(jobs["job_id"])), "area_id"])
    strays = sorted(set(extent_spots["area_id"]) - known)
    if strays:
        raise ValueError(f"every area must be in areas, and its job in jobs; {strays[:3]} are not. Add them")


def _limits(areas: pd.DataFrame, jobs: pd.DataFrame) -> pd.DataFrame:
    """Return the specified minimum and maximum of each (area_id, side)."""
    merged = areas[["area_id", "job_id"]].merge(jobs, on="job_id")
    facing = pd.DataFrame(
        {
            "area_id": merged["area_id"],
            "job_id": merged["job_id"],
            "side": "facing",
            "minimum_um": merged["film_min_um"].astype("float64"),
            "maximum_um": merged["film_max_um"].astype("float64"),
        }
    )
    reverse_min = merged["film_reverse_min_um"].astype("float64").fillna(facing["minimum_um"])
    return pd.concat([facing, facing.assign(side="reverse", minimum_um=reverse_min)], ignore_index=True)


def _spots(extent_spots: pd.DataFrame, limits: pd.DataFrame, *, rules: FilmRules) -> pd.DataFrame:
    """Return each spot with its outcome."""
    grouped = extent_spots.groupby([*_KEY, "step"], sort=True)
    spots = grouped.agg(
        basis=("basis", "first"), n_basis=("basis", "nunique"), n=("dft_um", "size"), dft_um=("dft_um", "mean")
    )
    spots = spots.reset_index().merge(limits, on=["area_id", "side"], how="left")
    least = int(rules.pa2.readings_per_spot.value)
    rows: list[dict[str, object]] = []
    for row in spots.to_dict("records"):
        outcome, reason = _outcome(
            n=row["n"],
            value=row["dft_um"],
            minimum=row["minimum_um"],
            maximum=row["maximum_um"],
            one_basis=row["n_basis"] == 1,
            least=least,
        )
        rows.append({**{str(name): value for name, value in row.items()}, "outcome": outcome, "reason": reason})
    return _typed(rows, _SPOTS)


def _outcome(*, n: int, value: float, minimum: float, maximum: float, one_basis: bool, least: int) -> tuple[str, str]:
    """Return whether one spot lies between the specified minimum and maximum, and why not."""
    if not one_basis:
        return NOT_ASSESSABLE, "recorded both as a distance and as a unit"
    if n < least:
        return NOT_ASSESSABLE, f"{n} of the {least} readings of a spot were taken"
    if falls_short(value, minimum):
        return NOT_CONFORMING, f"{micrometres(value)} is below the specified minimum of {micrometres(minimum)}"
    if not np.isnan(maximum) and falls_short(maximum, value):
        return NOT_CONFORMING, f"{micrometres(value)} is above the specified maximum of {micrometres(maximum)}"
    untested = "; no maximum is specified" if np.isnan(maximum) else ""
    return CONFORMS, f"at or above the specified minimum of {micrometres(minimum)}{untested}"


def _direction(key: Iterable[object], group: pd.DataFrame, *, rules: FilmRules) -> dict[str, object]:
    """Return one row of `directions`."""
    bases = set(group["basis"])
    basis = "both" if len(bases) > 1 else str(bases.pop())
    outcomes = dict(zip(group["step"].tolist(), group["outcome"].tolist(), strict=True))
    walk = _walk(outcomes, in_a_row=int(rules.pa2.extent_conforming_in_a_row.value))
    state = UNCLEAR if basis == "both" else walk.state
    by_distance = basis == "distance"
    reach_m = (walk.suspect_steps - 1) * rules.pa2.extent_step_m.value + rules.pa2.extent_suspect_within_m.value
    return {
        **dict(zip(_KEY, key, strict=True)),
        "job_id": group["job_id"].iloc[0],
        "basis": basis,
        "state": state,
        "steps_measured": len(outcomes),
        "last_step": max(outcomes),
        "last_nonconforming_step": walk.last_nonconforming,
        # a spot on the next unit is a spot on another piece, so the unit itself is not suspect
        "suspect_steps": walk.suspect_steps if by_distance else walk.suspect_steps - 1,
        "suspect_out_m": reach_m if by_distance else np.nan,
        "gaps": _numbers(walk.gaps),
        "more_spots": len(walk.needed),
        "next_steps": _numbers(walk.needed),
        "reason": "its steps are recorded both as distances and as units" if basis == "both" else _words(walk),
    }


def _walk(outcomes: Mapping[int, str], *, in_a_row: int) -> _Walk:
    """Return what the outcomes of the steps of one direction come to."""
    conforming = {step for step, outcome in outcomes.items() if outcome == CONFORMS}
    failed = [step for step, outcome in outcomes.items() if outcome == NOT_CONFORMING]
    last, end = max(failed, default=0), max(outcomes)
    # every run of steps that could close the direction, by how many of its spots are still wanted, then nearest first
    runs = [range(start, start + in_a_row) for start in range(last + 1, end + 2)]
    run = min(runs, key=lambda steps: (len([step for step in steps if step not in conforming]), steps.start))
    needed = tuple(step for step in run if step not in conforming)
    # steps passed over on the way to one that was judged
    before = run.start if not needed else max([0, *failed, *conforming])
    gaps = tuple(step for step in range(1, before) if step not in conforming and step not in failed)
    return _Walk(
        state=OPEN if needed else CLOSED,
        last_nonconforming=last,
        suspect_steps=max([last, *gaps]) + 1 if needed else run.start,
        gaps=gaps,
        needed=needed,
    )


def _words(walk: _Walk) -> str:
    """Return why a direction is closed or open, in words."""
    found = (
        f"the last nonconforming spot is at step {walk.last_nonconforming}"
        if walk.last_nonconforming
        else "no spot is nonconforming"
    )
    gaps = (
        f"; step {_numbers(walk.gaps)} not measured, or with too few readings, is taken as suspect" if walk.gaps else ""
    )
    if walk.state == CLOSED:
        return f"{found}, then two consecutive spots conform{gaps}"
    several = "" if len(walk.needed) == 1 else "s"
    return (
        f"{found}, and no two consecutive spots beyond conform{gaps}; at least {len(walk.needed)} more spot{several} "
        f"needed, at step {_numbers(walk.needed)}"
    )


def _area(key: Iterable[object], group: pd.DataFrame, *, rules: FilmRules) -> dict[str, object]:
    """Return one row of `areas`."""
    area_id, side = key
    every = range(1, int(rules.pa2.extent_directions.value) + 1)
    absent = [number for number in every if number not in set(group["direction"])]
    states = group["state"].value_counts().to_dict()
    units = group.loc[group["basis"] == "unit", "suspect_steps"]
    unfinished = group[group["state"] != CLOSED]
    reasons = []
    if len(unfinished):
        reasons.append(f"direction {_numbers(unfinished['direction'])} not closed")
    if absent:
        reasons.append(f"direction {_numbers(absent)} not measured; the records do not say whether there is coating")
    return {
        "area_id": area_id,
        "side": side,
        "job_id": group["job_id"].iloc[0],
        "directions_measured": len(group),
        "closed": states.get(CLOSED, 0),
        "open": states.get(OPEN, 0),
        "unclear": states.get(UNCLEAR, 0),
        "not_measured": _numbers(absent),
        "suspect_out_m": group["suspect_out_m"].max(),
        "suspect_units": float(units.max()) if len(units) else np.nan,
        "more_spots": int(group["more_spots"].sum()),
        "mapped": unfinished.empty,
        "reason": "; ".join(reasons) or "every direction is closed",
    }


def _numbers(steps: Iterable[int]) -> str:
    return ", ".join(str(step) for step in steps)


def _typed(rows: list[dict[str, object]], columns: Iterable[tuple[str, str]]) -> pd.DataFrame:
    """Return the rows as a frame whose types do not depend on which values are there."""
    return pd.DataFrame({column: pd.Series([row[column] for row in rows], dtype=kind) for column, kind in columns})
