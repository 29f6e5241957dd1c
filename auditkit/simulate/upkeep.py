"""The units' hidden states (brush, filter, bell) and the maintenance records that only bracket them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from auditkit.simulate.plan import UNITS, workdays

if TYPE_CHECKING:
    import numpy.typing as npt

    from auditkit.simulate.truth import Truth

__all__ = ["Upkeep", "bell_wipes", "simulate_upkeep", "states_at"]

_OTHER_PARTS = ("lid gasket", "fluid hose", "pickup stem", "elbow", "feed tube", "o-rings", "bell", "cable end")
_FILTER_LOSS_PER_DAY = 0.015
_REPLACE_AT_PCT = 50.0  # common practice, no source


@dataclass(frozen=True, slots=True, kw_only=True)
class Upkeep:
    """The states of the units through the days, and what was written down.

    Parameters
    ----------
    records : DataFrame
        Maintenance records in contract form, times local without zone.
    brush_wear_pct : dict of str to ndarray, shape (days, 2)
        Wear of each unit's brush at 8:00 and at 16:00 of each working day `[%]`.
    filter_open_share : dict of str to ndarray, shape (days, 2)
        Share of the clean flow each unit's filter lets through, at 8:00 and 16:00 `[-]`.
    """

    records: pd.DataFrame
    brush_wear_pct: dict[str, npt.NDArray[np.float64]]
    filter_open_share: dict[str, npt.NDArray[np.float64]]


def simulate_upkeep(truth: Truth, rng: np.random.Generator) -> Upkeep:
    """Return the units' states and maintenance records over the refit.

    Examples
    --------
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> upkeep = simulate_upkeep(DEFAULT_TRUTH, np.random.default_rng(1))
    >>> round(float(upkeep.filter_open_share["U3"].min()), 2)
    0.5
    """
    rows: list[dict[str, object]] = []
    wear: dict[str, npt.NDArray[np.float64]] = {}
    is_open: dict[str, npt.NDArray[np.float64]] = {}
    for unit in UNITS:
        wear[unit], brush_rows = _brush(unit, truth, rng)
        is_open[unit], filter_rows = _filter(unit, truth, rng)
        rows += brush_rows + filter_rows + _bell(unit, truth, rng) + _other_parts(unit, truth, rng)
    columns = ["unit_id", "part", "action", "wear_pct", "found", "done_at"]
    return Upkeep(records=pd.DataFrame(rows, columns=columns), brush_wear_pct=wear, filter_open_share=is_open)


def states_at(runs: pd.DataFrame, upkeep: Upkeep) -> pd.DataFrame:
    """Return the true state of the unit at the start of each run.

    Returns
    -------
    DataFrame
        Columns `brush_wear_pct` [%], `filter_open_share` [-], `bell_hours` [h]
        since the last morning on which the bell was cleaned; index and order
        of `runs`.

    Examples
    --------
    >>> from auditkit.simulate.plan import areas_table, plan_runs
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> rng = np.random.default_rng(1)
    >>> runs = plan_runs(areas_table(rng), DEFAULT_TRUTH, rng)
    >>> states = states_at(runs, simulate_upkeep(DEFAULT_TRUTH, rng))
    >>> bool(states["brush_wear_pct"].between(0, 100).all())
    True
    """
    started = runs["started_at"]
    hour = (started.dt.hour + started.dt.minute / 60).to_numpy(dtype="float64")
    share = np.clip((hour - 8) / 8, 0, 1)
    units = runs["unit_id"].to_numpy()
    days = runs["day"].to_numpy()
    records = upkeep.records
    cleans = records.loc[(records["part"] == "bell") & (records["action"] == "cleaned"), ["unit_id", "done_at"]]
    looked_up = pd.merge_asof(
        runs[["unit_id", "started_at"]].sort_values("started_at", kind="stable").reset_index(),
        cleans.sort_values("done_at").rename(columns={"done_at": "cleaned_at"}),
        left_on="started_at",
        right_on="cleaned_at",
        by="unit_id",
    ).set_index("index")
    hours = (looked_up["started_at"] - looked_up["cleaned_at"]).dt.total_seconds() / 3600
    return pd.DataFrame(
        {
            "brush_wear_pct": _between(upkeep.brush_wear_pct, units, days, share),
            "filter_open_share": _between(upkeep.filter_open_share, units, days, share),
            "bell_hours": hours.reindex(runs.index),
        },
        index=runs.index,
    )


def bell_wipes(runs: pd.DataFrame, records: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> pd.DataFrame:
    """Return the cleanings of bells between two runs of a unit on one day, in contract form, times local.

    They are made only on days on which the bell was cleaned in the morning, so
    that a bell is as many days of use from its cleaning as without them; some
    operators forget more than others.

    Parameters
    ----------
    runs : DataFrame
        Planned runs, from `plan_runs`.
    records : DataFrame
        Notes of `simulate_upkeep`.
    truth : Truth
    rng : Generator
        Which pauses, and how soon after the run before.

    Examples
    --------
    >>> from auditkit.simulate.plan import areas_table, plan_runs
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> rng = np.random.default_rng(1)
    >>> runs = plan_runs(areas_table(rng), DEFAULT_TRUTH, rng)
    >>> wipes = bell_wipes(runs, simulate_upkeep(DEFAULT_TRUTH, rng).records, DEFAULT_TRUTH, rng)
    >>> wipes["action"].unique().tolist()
    ['cleaned']
    """
    bells = records[(records["part"] == "bell") & (records["action"] == "cleaned")]
    mornings = set(zip(bells["unit_id"], bells["done_at"].dt.normalize(), strict=True))
    ordered = runs.sort_values(["unit_id", "started_at"], kind="stable")
    gap = ordered.groupby(["unit_id", "day"])["started_at"].shift(-1) - ordered["ended_at"]
    pauses = ordered.assign(gap_min=gap.dt.total_seconds() / 60)[gap >= pd.Timedelta(minutes=2)]
    drawn, after_min = rng.random(len(pauses)), rng.integers(1, 5, len(pauses))
    keys = zip(pauses["unit_id"], pauses["started_at"].dt.normalize(), strict=True)
    cleaned = np.array([key in mornings for key in keys], dtype=bool)
    share = pauses["operator_id"].map(dict(truth.operator_bell_wipe_share)).to_numpy(dtype="float64")
    minutes = np.minimum(after_min, pauses["gap_min"].to_numpy() - 1)
    done = pauses["ended_at"] + pd.to_timedelta(minutes, unit="min")
    wiped = pauses.assign(done_at=done)[cleaned & (drawn < share)]
    rows = [_row(str(unit), "bell", "cleaned", at) for unit, at in zip(wiped["unit_id"], wiped["done_at"], strict=True)]
    return pd.DataFrame(rows, columns=["unit_id", "part", "action", "wear_pct", "found", "done_at"])


def _between(
    states: dict[str, npt.NDArray[np.float64]],
    units: npt.NDArray[np.object_],
    days: npt.NDArray[np.int64],
    share: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    both = np.array([states[unit][day] for unit, day in zip(units, days, strict=True)])
    result: npt.NDArray[np.float64] = both[:, 0] + (both[:, 1] - both[:, 0]) * share
    return result


def _brush(
    unit: str, truth: Truth, rng: np.random.Generator
) -> tuple[npt.NDArray[np.float64], list[dict[str, object]]]:
    days = workdays(truth)
    states = np.empty((len(days), 2))
    rows: list[dict[str, object]] = []
    wear = float(rng.uniform(5, 40))
    due = int(rng.integers(1, truth.brush_check_every_days))
    spare_due = len(days)  # none is waited for
    for day, date in enumerate(days):
        gathered = float(np.clip(rng.normal(truth.brush_wear_per_day_pct, 1.2), 1, 9))
        states[day] = wear, min(wear + gathered, 95.0)
        wear = float(states[day, 1])
        evening = pd.Timestamp(date) + pd.Timedelta(minutes=int(rng.integers(975, 1010)))
        if day == spare_due:
            rows.append(_row(unit, "brush", "replaced", evening, found="worn"))
            wear, due, spare_due = 0.0, day + truth.brush_check_every_days, len(days)
        if day < due or spare_due < len(days):
            continue
        seen = float(np.clip(np.round(wear / 5 + rng.normal(0, 0.3)) * 5, 0, 100))
        worn = seen >= _REPLACE_AT_PCT
        rows.append(_row(unit, "brush", "inspected", evening, wear=seen, found="worn" if worn else "good"))
        if worn:
            spare_due = day + int(rng.choice([1, 2, 3, 4, 5]))
        late = int(rng.choice([0, 1, 2, 3], p=[0.6, 0.15, 0.15, 0.1]))
        due = day + truth.brush_check_every_days + late
    return states, rows


def _filter(
    unit: str, truth: Truth, rng: np.random.Generator
) -> tuple[npt.NDArray[np.float64], list[dict[str, object]]]:
    days = workdays(truth)
    clogged = [day for day, date in enumerate(days) if truth.clogging_from <= date <= truth.clogging_until]
    first, last = (clogged[0], clogged[-1]) if unit == truth.clogging_unit else (len(days), len(days))
    states = np.empty((len(days), 2))
    rows: list[dict[str, object]] = []
    open_share = 1.0
    for day, date in enumerate(days):
        evening = pd.Timestamp(date) + pd.Timedelta(minutes=int(rng.integers(955, 975)))
        if first <= day <= last:
            gone = np.array([day - first, day - first + 1]) / (last - first + 1)
            states[day] = 1 - (1 - truth.clogged_share) * gone**1.2
        else:
            states[day] = open_share, open_share - _FILTER_LOSS_PER_DAY
        open_share = float(states[day, 1])
        if day == first + 4:
            rows.append(_row(unit, "filter", "inspected", evening, found="good"))
        elif day == last:
            rows.append(_row(unit, "filter", "inspected", evening, found="clogged"))
            rows.append(_row(unit, "filter", "cleaned", evening + pd.Timedelta(minutes=12), found="clogged"))
            open_share = 1.0
        elif not first <= day < last and (day + 1 == first or rng.random() < 0.88):
            rows.append(_row(unit, "filter", "cleaned", evening, found="good"))
            open_share = 1.0
    return states, rows


def _bell(unit: str, truth: Truth, rng: np.random.Generator) -> list[dict[str, object]]:
    rows = []
    for date in workdays(truth):
        morning = pd.Timestamp(date) + pd.Timedelta(minutes=int(rng.integers(448, 468)))
        if date == truth.first_day or rng.random() >= truth.bell_skip_share:
            rows.append(_row(unit, "bell", "cleaned", morning))
    return rows


def _other_parts(unit: str, truth: Truth, rng: np.random.Generator) -> list[dict[str, object]]:
    rows = []
    for day, date in enumerate(workdays(truth)):
        if day % 5 != 3:
            continue
        for part in _OTHER_PARTS:
            if rng.random() < 0.35:
                continue
            done = pd.Timestamp(date) + pd.Timedelta(minutes=int(rng.integers(1012, 1040)))
            found = str(rng.choice(["good", "worn"], p=[0.92, 0.08]))
            rows.append(_row(unit, part, "inspected", done, found=found))
            if found == "worn" and part in {"o-rings", "lid gasket"}:
                rows.append(_row(unit, part, "replaced", done + pd.Timedelta(minutes=10), found=found))
    return rows


def _row(
    unit: str, part: str, action: str, done: pd.Timestamp, *, wear: float | None = None, found: str | None = None
) -> dict[str, object]:
    return {"unit_id": unit, "part": part, "action": action, "wear_pct": wear, "found": found, "done_at": done}
