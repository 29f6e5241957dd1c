"""The spray units themselves: since when they serve, their hoses, and notes that cannot be true."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from auditkit.simulate.instruments import recorded
from auditkit.simulate.plan import UNITS, workdays

if TYPE_CHECKING:
    from auditkit.simulate.truth import Truth
    from auditkit.simulate.upkeep import Upkeep

__all__ = ["ExtraNotes", "extra_notes", "units_table"]

_HOSE_FT = {"U1": 24.0, "U2": 26.0, "U3": 24.0, "U4": 25.0}
_BORE_IN = 0.25
_SINCE_UNKNOWN = "U4"
_COLUMNS = ["unit_id", "part", "action", "wear_pct", "found", "done_at"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ExtraNotes:
    """Notes beside those of `simulate_upkeep`, and which of them contradict others.

    Parameters
    ----------
    records : DataFrame
        Maintenance records in contract form, times local without zone.
    conflicts : list of dict
        One entry a contradiction, as plain JSON values: kind, unit_id, part,
        notes (action and local time of each note it consists of) and why.
    """

    records: pd.DataFrame
    conflicts: list[dict[str, object]]


def units_table(upkeep: Upkeep, truth: Truth) -> pd.DataFrame:
    """Return the spray units, in contract form, times local; one row a unit.

    A unit came into service with a new brush, as many working days before the
    refit as its brush is worn on the first morning; of one unit nobody knows.

    Examples
    --------
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> from auditkit.simulate.upkeep import simulate_upkeep
    >>> table = units_table(simulate_upkeep(DEFAULT_TRUTH, np.random.default_rng(1)), DEFAULT_TRUTH)
    >>> table["hose_length_m"].tolist()
    [7.3152, 7.9248, 7.3152, 7.62]
    """
    morning = pd.Timestamp(truth.first_day) + pd.Timedelta(hours=7, minutes=30)
    worn = [float(upkeep.brush_wear_pct[unit][0, 0]) for unit in UNITS]
    before = [max(1, round(wear / truth.brush_wear_per_day_pct)) for wear in worn]
    since = pd.Series([morning - pd.offsets.BDay(days) for days in before])
    hose = np.array([_HOSE_FT[unit] for unit in UNITS]) * 0.3048
    n = len(UNITS)
    return pd.DataFrame(
        {
            "unit_id": list(UNITS),
            "in_service_at": since.mask(pd.Series(UNITS) == _SINCE_UNKNOWN),
            "hose_length_m": recorded(hose, "units", "hose_length_m"),
            "hose_bore_mm": recorded(np.full(n, _BORE_IN * 25.4), "units", "hose_bore_mm"),
            "rise_m": recorded(np.zeros(n), "units", "rise_m"),
        }
    )


def extra_notes(records: pd.DataFrame, truth: Truth, rng: np.random.Generator) -> ExtraNotes:
    """Return notes on set screws, and notes that contradict others, for the same refit.

    None of them says anything of a bell, filter or brush that would be known
    at the start of a run.

    Parameters
    ----------
    records : DataFrame
        Notes of `simulate_upkeep`.
    truth : Truth
    rng : Generator
        When in the morning or evening the notes were made.

    Examples
    --------
    >>> from auditkit.simulate.truth import DEFAULT_TRUTH
    >>> from auditkit.simulate.upkeep import simulate_upkeep
    >>> rng = np.random.default_rng(1)
    >>> notes = extra_notes(simulate_upkeep(DEFAULT_TRUTH, rng).records, DEFAULT_TRUTH, rng)
    >>> sorted({conflict["kind"] for conflict in notes.conflicts})
    ['before it was fitted', 'before the unit was in service', 'two states at one instant', 'wear fell by itself']
    """
    days = workdays(truth)
    rows = _set_screws(truth, rng)
    conflicts: list[dict[str, object]] = []

    def plant(kind: str, why: str, *notes: dict[str, object], beside: tuple[dict[str, object], ...] = ()) -> None:
        rows.extend(notes)
        told = [{"action": note["action"], "done_at": str(note["done_at"])} for note in (*beside, *notes)]
        about = {"unit_id": notes[0]["unit_id"], "part": notes[0]["part"]}
        conflicts.append({"kind": kind, **about, "notes": told, "why": why})

    def at(day: int, hour: int) -> pd.Timestamp:
        return _at(days[min(day, len(days) - 1)], hour, rng)

    fitted = next(row for row in rows if row["unit_id"] == "U4" and row["action"] == "fitted")
    plant(
        "before it was fitted",
        "the set screw is noted as replaced before it is noted as first fitted",
        _note("U4", "set screw", "replaced", at(7, 17), found="worn"),
        beside=(fitted,),
    )
    plant(
        "before the unit was in service",
        "the year is mistyped; the unit was put into service later",
        _note("U1", "o-rings", "replaced", at(8, 17) - pd.DateOffset(years=1), found="worn"),
    )
    instant = at(17, 16)
    plant(
        "two states at one instant",
        "found good and found clogged at the same moment",
        _note("U2", "pickup stem", "inspected", instant, found="good"),
        _note("U2", "pickup stem", "cleaned", instant, found="clogged"),
    )
    plant(
        "wear fell by itself",
        "two weeks later it is less worn, and nothing was replaced",
        _note("U3", "feed tube", "inspected", at(11, 18), wear=45.0, found="good"),
        _note("U3", "feed tube", "inspected", at(21, 18), wear=15.0, found="good"),
    )
    last = _last_brush_look(records)
    plant(
        "wear fell by itself",
        "the brush is less worn than when it was last looked at, and was not replaced",
        _note(str(last["unit_id"]), "brush", "inspected", at(len(days) - 1, 18), wear=5.0, found="good"),
        beside=(last,),
    )
    return ExtraNotes(records=pd.DataFrame(rows, columns=_COLUMNS), conflicts=conflicts)


def _set_screws(truth: Truth, rng: np.random.Generator) -> list[dict[str, object]]:
    """Return when the set screws were fitted, on the first morning or in the fourth week, and looked at since."""
    days = workdays(truth)
    rows: list[dict[str, object]] = []
    for unit in UNITS:
        first = 0 if unit != "U4" else min(15, len(days) - 1)
        rows.append(_note(unit, "set screw", "fitted", _at(days[first], 6, rng)))
        rows.extend(
            _note(unit, "set screw", "inspected", _at(date, 17, rng), found="good")
            for day, date in enumerate(days)
            if day > first and day % 10 == 9
        )
    return rows


def _last_brush_look(records: pd.DataFrame) -> dict[str, object]:
    """Return the most worn of the units' last looks at a brush that was not replaced since."""
    brush = records.loc[records["part"] == "brush"].sort_values(["done_at", "unit_id"], kind="stable")
    last = brush.drop_duplicates("unit_id", keep="last")
    looks = last.loc[last["action"] == "inspected"].sort_values(["wear_pct", "unit_id"], kind="stable")
    return {str(name): value for name, value in looks.iloc[-1].items()}


def _at(date: object, hour: int, rng: np.random.Generator) -> pd.Timestamp:
    return pd.Timestamp(str(date)) + pd.Timedelta(hours=hour, minutes=int(rng.integers(22, 58)))


def _note(
    unit: str, part: str, action: str, done: pd.Timestamp, *, wear: float | None = None, found: str | None = None
) -> dict[str, object]:
    return {"unit_id": unit, "part": part, "action": action, "wear_pct": wear, "found": found, "done_at": done}
