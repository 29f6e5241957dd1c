"""Sheets for a unit, one page each: the start-up list of a shift, and the upkeep of its parts."""

from __future__ import annotations

import math
from datetime import date

import pandas as pd

from auditkit.report.sheets import SheetColumn, SheetPart, print_sheet
from auditkit.trade.columns import require_columns
from auditkit.trade.grounding import RUN_RULES, STARTUP_RULES, Rule
from auditkit.trade.upkeep import PARTS, part_states
from auditkit.trade.upkeep_rules import PartRule, load_upkeep_rules

__all__ = ["last_known_parts", "startup_sheet", "upkeep_sheet"]

_STOP = "Any no, any reading out of limit: stop work and get a competent person. A blank is not a pass."


def startup_sheet(*, dated: date, unit_id: str = "", title: str = "Start-up sheet") -> bytes:
    """Return the start-up list of one unit and shift as a PDF of one page, with limits and places to fill in.

    Parameters
    ----------
    dated : date
        Date of issue, which the document bears.
    unit_id : str
        Left blank to be filled in.
    title : str

    Notes
    -----
    The limits are those of `grounding.STARTUP_RULES` and, before the first run
    of the shift, `grounding.RUN_RULES`; each is printed with its source.

    Examples
    --------
    >>> startup_sheet(dated=date(2027, 3, 5))[:5]
    b'%PDF-'
    """
    columns = [
        SheetColumn(heading="No."),
        SheetColumn(heading="What must hold", share=4.6),
        SheetColumn(heading="Limit", share=1.2),
        SheetColumn(heading="Found", share=2),
        SheetColumn(heading="Holds? (ring one)", share=1.3),
        SheetColumn(heading="Source of the limit", share=2.5),
    ]
    count = len(STARTUP_RULES)
    return print_sheet(
        [
            SheetPart(
                columns=[SheetColumn(heading=name, share=1) for name in ("Unit", "Date and time", "Shift", "Operator")],
                rows=[[unit_id, "", "early / late / night", ""]],
                row_mm=8,
            ),
            SheetPart(
                heading="Before the supply is switched on",
                texts=[_STOP],
                columns=columns,
                rows=[_rule_row(number, rule) for number, rule in enumerate(STARTUP_RULES, start=1)],
            ),
            SheetPart(
                heading="Before the first run, and again for every part that is painted",
                texts=["Read with a meter of the kind the maker's manual names, to true earth."],
                columns=columns,
                rows=[_rule_row(number, rule) for number, rule in enumerate(RUN_RULES, start=count + 1)],
            ),
            SheetPart(
                heading="Also written down (no limit of safety)",
                columns=[SheetColumn(heading="What", share=5), SheetColumn(heading="Found", share=3)],
                rows=[
                    ["warm-up of the supply before the switch at the gun", "s"],
                    ["feed tube set for a bell of this diameter", "mm"],
                    ["bell fitted, diameter", "mm"],
                    ["remarks", ""],
                ],
                row_mm=8,
            ),
        ],
        title=f"{title}: unit {unit_id}" if unit_id else title,
        signature=["Gone through by, time", "Checked by, time"],
        dated=dated,
    )


def upkeep_sheet(
    unit_id: str,
    *,
    dated: date,
    parts: pd.DataFrame | None = None,
    overdue: pd.DataFrame | None = None,
    title: str = "Upkeep sheet",
) -> bytes:
    """Return the register of one unit's parts as a PDF of one page: what is known, what is overdue, what to fill in.

    Parameters
    ----------
    unit_id : str
        Blank for a sheet that can be used for any unit.
    dated : date
        Last day of the records it rests on, which the document bears.
    parts : DataFrame, optional
        One row a unit and part, from `last_known_parts`: unit_id, part, found,
        inspected_d `[d]`, wear_pct `[%]`; others are passed over. Left out,
        nothing is known.
    overdue : DataFrame, optional
        One row a unit, part and rule, from `overdue.find_overdue`: unit_id,
        part, rule, due, days_over `[d]`, probability `[-]`.
    title : str

    Returns
    -------
    bytes
        Every part of `upkeep.PARTS` is listed, whether anything is known of it
        or not.

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> upkeep_sheet("U1", dated=date(2027, 3, 5))[:5]
    b'%PDF-'
    """
    known = _of_unit(parts, unit_id, ["found", "inspected_d", "wear_pct"], name="parts")
    late = _of_unit(overdue, unit_id, ["rule", "due", "days_over", "probability"], name="overdue")
    rules = load_upkeep_rules()
    headings = [
        ("Part", 0.0), ("Rule (days of use)", 1.6), ("Last found", 0.9), ("Wear", 0.0), ("Last looked at", 0.9),
        ("Overdue", 2.2), ("Found today", 1.4), ("Wear today, %", 0.7), ("Done (ring)", 1.2), ("By, time", 1.1),
    ]  # fmt: skip
    rows = [
        [
            part,
            _rule_words(rules.parts[part]),
            *_known_words(known[known["part"] == part]),
            "; ".join(_late_words(row) for row in late[late["part"] == part].to_dict("records")),
            "",
            "",
            "cleaned / replaced",
            "",
        ]
        for part in PARTS
    ]
    nothing = "Nothing is known of this unit's parts from records; look at every one." if known.empty else ""
    return print_sheet(
        [
            SheetPart(
                texts=[
                    "Lock the supply off and discharge the unit as the maker's manual says before a part is touched.",
                    "Write down the state as found, before anything is done: good, worn, clogged, leaking, kinked, "
                    "damaged. What is not looked at stays blank.",
                    "Rules are defaults with no published source; the maker's manual governs.",
                    *([nothing] if nothing else []),
                ],
                columns=[SheetColumn(heading=heading, share=share) for heading, share in headings],
                rows=rows,
            ),
            SheetPart(columns=[SheetColumn(heading="Remarks, parts to order", share=1)], rows=[[""]], row_mm=16),
        ],
        title=f"{title}: unit {unit_id}" if unit_id else title,
        subtitle=f"What is known is as recorded up to {dated:%Y-%m-%d}."
        if len(known)
        else "Unit and date: ____________",
        signature=["Done by, date", "Checked by, date"],
        dated=dated,
        flipped=True,
    )


def last_known_parts(unit_ids: list[str], maintenance: pd.DataFrame, *, as_at: pd.Timestamp) -> pd.DataFrame:
    """Return what was last known of every part of each unit at a moment.

    Parameters
    ----------
    unit_ids : list of str
    maintenance : DataFrame
        One row a note: unit_id, part, action, wear_pct `[%]`, found, done_at.
    as_at : Timestamp
        With its zone; notes made later are not known.

    Returns
    -------
    DataFrame
        One row a unit and part, by unit_id and in the order of `upkeep.PARTS`:
        unit_id, part, found, inspected_d `[d]`, wear_pct `[%]`.

    Examples
    --------
    >>> notes = pd.DataFrame({
    ...     "unit_id": ["U1"], "part": ["brush"], "action": ["inspected"], "wear_pct": [35.0], "found": ["good"],
    ...     "done_at": pd.to_datetime(["2027-01-09T08:00Z"])})
    >>> parts = last_known_parts(["U1"], notes, as_at=pd.Timestamp("2027-01-11T08:00Z"))
    >>> parts.loc[parts["part"] == "brush", ["found", "inspected_d", "wear_pct"]].values.tolist()
    [['good', 2.0, 35.0]]
    """
    units = sorted(set(unit_ids))
    moments = pd.DataFrame({"run_id": units, "unit_id": units, "day": ""}).astype("str")
    moment = pd.Series(as_at, index=moments.index, dtype="datetime64[us, UTC]")
    states = part_states(moments.assign(started_at=moment), maintenance).rename(columns={"run_id": "unit_id"})
    order = states["part"].map({part: place for place, part in enumerate(PARTS)})
    ordered = states.assign(order=order).sort_values(["unit_id", "order"], ignore_index=True)
    return ordered[["unit_id", "part", "found", "inspected_d", "wear_pct"]]


def _rule_row(number: int, rule: Rule) -> list[str]:
    memory = " (from memory)" if rule.from_memory else ""
    return [str(number), rule.name, _limit(rule), "", "yes / no", f"{rule.source}{memory}"]


def _limit(rule: Rule) -> str:
    """Return the limit as a meter shows it, rounded to the safe side."""
    scale, sign = (1e6, "MΩ") if rule.unit == "ohm" else (1.0, rule.unit)
    if rule.at_least is not None:
        return f"{math.ceil(100.0 * rule.at_least / scale - 1e-9) / 100.0:g}\u00a0{sign} or more"
    if rule.at_most is not None:
        return f"{math.floor(100.0 * rule.at_most / scale + 1e-9) / 100.0:g}\u00a0{sign} or less"
    return "yes"


def _of_unit(frame: pd.DataFrame | None, unit_id: str, columns: list[str], *, name: str) -> pd.DataFrame:
    if frame is None:
        return pd.DataFrame(columns=["unit_id", "part", *columns])
    require_columns(frame, ["unit_id", "part", *columns], name=name)
    return frame[frame["unit_id"] == unit_id]


def _rule_words(rule: PartRule) -> str:
    said = [
        f"{word} every {every:g}"
        for word, every in (
            ("look at", rule.inspect_every_d),
            ("clean", rule.clean_every_d),
            ("replace", rule.replace_every_d),
        )
        if every is not None
    ]
    return ", ".join([*said, *([f"worn at {rule.wear_limit_pct:g}\u00a0%"] if rule.wear_limit_pct is not None else [])])


def _known_words(rows: pd.DataFrame) -> list[str]:
    if rows.empty:
        return ["not known", "", "not known"]
    row = rows.iloc[0]
    found = "not noted" if pd.isna(row["found"]) else str(row["found"])
    wear = "" if pd.isna(row["wear_pct"]) else f"{row['wear_pct']:.0f} %"
    looked = "not noted" if pd.isna(row["inspected_d"]) else f"{_days(row['inspected_d'])} before"
    return [found, wear, looked]


def _days(count: object) -> str:
    whole = round(float(str(count)))
    return f"{whole} {'day' if whole == 1 else 'days'}"


def _late_words(row: dict[object, object]) -> str:
    over, probability = row["days_over"], row["probability"]
    if pd.notna(probability):  # type: ignore[call-overload]
        return f"{str(row['rule']).removeprefix('bad: ')} with {100 * float(str(probability)):.0f} % probability"
    late = "" if pd.isna(over) else f" ({_days(over)} over)"  # type: ignore[call-overload]
    return f"{row['due']}{late}"
