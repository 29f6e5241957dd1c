"""Grounding and the start-up list: records held against limits, with what is out of limit or not recorded.

High voltage and flammable vapour: a spark can kill. What is here reads
records; it certifies nobody's safety. See `CAUTIONS`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from auditkit.trade.columns import require_columns

__all__ = [
    "BREACH",
    "CAUTIONS",
    "NOT_RECORDED",
    "RUN_RULES",
    "STARTUP_RULES",
    "Rule",
    "ground_breaches",
    "startup_breaches",
    "startup_lists",
]

BREACH = "stop work"
NOT_RECORDED = "not recorded"

CAUTIONS: tuple[str, ...] = (
    "High voltage and flammable vapour: a spark can kill.",
    "Follow the equipment maker's manual, the coating's safety data sheet, local fire and electrical codes, and "
    "licensed practice.",
    "An out-of-limit ground, distance or ventilation record means stop work and get a competent person; a record "
    "that is missing is not a pass.",
    "This audit reads records; it certifies nobody's safety and replaces no inspection.",
)
"""To be carried by every sheet and report that shows what this module returns."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One limit on a record: a number at least or at most; with neither, the record is a yes or no and must be yes.

    Parameters
    ----------
    name : str
        What must hold, in words.
    column : str
        Column of the record.
    at_least, at_most : float, optional
        Limit, in the column's unit.
    unit : str
        Unit of the limit; blank for yes or no.
    source : str
        Where the limit comes from.
    from_memory : bool
        Whether the source was not seen printed.
    """

    name: str
    column: str
    at_least: float | None = None
    at_most: float | None = None
    unit: str = ""
    source: str
    from_memory: bool


RUN_RULES: tuple[Rule, ...] = (
    Rule(
        name="the part being painted must be grounded: at most 1 megohm to earth",
        column="part_ground_ohm",
        at_most=1e6,
        unit="ohm",
        source="NFPA 33 and NEC (2008) 516.10(B)(5)",
        from_memory=False,
    ),
    Rule(
        name="the operator must be grounded: at most 100 megohm to earth",
        column="operator_ground_ohm",
        at_most=1e8,
        unit="ohm",
        source="NFPA 77 (2000) 6.6.3",
        from_memory=False,
    ),
    Rule(
        name="the operator's path to earth must protect from shock: at least 1 megohm through footwear "
        "(a bare hand on a grounded handle reads lower by design: have a competent person say which it is)",
        column="operator_ground_ohm",
        at_least=1e6,
        unit="ohm",
        source="NFPA 77 (2000) 6.6.3",
        from_memory=False,
    ),
)
"""Limits on grounds, one object each: 1 megohm is for parts, 100 megohm for a person through footwear."""

STARTUP_RULES: tuple[Rule, ...] = (
    Rule(
        name="supply ground and part ground must go to separate points, both to true earth",
        column="grounds_separate",
        source="common practice, no source; the equipment maker's manual governs",
        from_memory=False,
    ),
    Rule(
        name="supply, cart and pot must stand at least 20 ft (6.1 m) from the spray area",
        column="supply_distance_m",
        at_least=20 * 0.3048,  # 20 ft exactly
        unit="m",
        source="common practice, no source; compare 29 CFR 1910.107(c)(6), 20 ft for electrical equipment (secondary)",
        from_memory=False,
    ),
    Rule(
        name="the high-voltage circuit test of the maker's manual must be passed",
        column="circuit_test_passed",
        source="common practice, no source; the equipment maker's manual governs",
        from_memory=False,
    ),
    Rule(
        name="ventilation must run before the supply is switched on",
        column="ventilation_running",
        source="29 CFR 1910.107(i)(8) and (9)",
        from_memory=True,
    ),
    Rule(
        name="the operator must hold the handle with bare skin or conductive gloves",
        column="gloves_conductive",
        source="29 CFR 1910.107(i)(5)",
        from_memory=True,
    ),
)
"""Limits on the start-up list. Warm-up time is not among them: it guards against a fault of the unit, not a spark."""


def ground_breaches(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the spray runs whose grounds were out of limit, or not recorded.

    Parameters
    ----------
    runs : DataFrame
        Spray runs: run_id, part_ground_ohm, operator_ground_ohm `[ohm]`.

    Returns
    -------
    DataFrame
        One row for each run and rule that is not met, in the order of run_id
        and `RUN_RULES`: run_id, category (`BREACH` or `NOT_RECORDED`), rule,
        column, value, limit, unit, source, from_memory. A value that is not
        recorded is one row a column, with no limit, and never a pass.

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> runs = pd.DataFrame({"run_id": ["R1", "R2"], "part_ground_ohm": [2e6, None], "operator_ground_ohm": [8e6, 8e6]})
    >>> ground_breaches(runs)[["run_id", "category", "column", "value", "limit"]]
      run_id      category           column      value      limit
    0     R1     stop work  part_ground_ohm  2000000.0  1000000.0
    1     R2  not recorded  part_ground_ohm        NaN        NaN
    """
    return _breaches(runs, RUN_RULES, keys=["run_id"], name="runs")


def startup_breaches(startup_checks: pd.DataFrame) -> pd.DataFrame:
    """Return the start-ups whose list was out of limit, answered no, or not recorded.

    Parameters
    ----------
    startup_checks : DataFrame
        Start-up checks: unit_id, checked_at, and the columns of `STARTUP_RULES`.

    Returns
    -------
    DataFrame
        One row for each start-up and rule that is not met, in the order of
        unit_id, checked_at and `STARTUP_RULES`: unit_id, checked_at, category
        (`BREACH` or `NOT_RECORDED`), rule, column, value, limit, unit,
        source, from_memory. For a yes or no, value 0 is no and limit 1 is yes.

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> checks = pd.DataFrame({
    ...     "unit_id": ["U1"], "checked_at": pd.to_datetime(["2027-01-11T06:30Z"]),
    ...     "grounds_separate": pd.array([True], "boolean"), "supply_distance_m": [4.0],
    ...     "circuit_test_passed": pd.array([True], "boolean"), "ventilation_running": pd.array([None], "boolean"),
    ...     "gloves_conductive": pd.array([False], "boolean")})
    >>> startup_breaches(checks)[["unit_id", "category", "column", "value", "limit"]]
      unit_id      category               column  value  limit
    0      U1     stop work    supply_distance_m    4.0  6.096
    1      U1  not recorded  ventilation_running    NaN    NaN
    2      U1     stop work    gloves_conductive    0.0  1.000
    """
    return _breaches(startup_checks, STARTUP_RULES, keys=["unit_id", "checked_at"], name="startup_checks")


def startup_lists(startup_checks: pd.DataFrame) -> pd.DataFrame:
    """Return how far each start-up list was gone through, and how many of its rules were broken.

    Parameters
    ----------
    startup_checks : DataFrame
        As in `startup_breaches`.

    Returns
    -------
    DataFrame
        One row a start-up, sorted by unit_id and checked_at: unit_id,
        checked_at, items (of the list), answered, complete (bool: all
        answered, whatever the answers), breaches (rules broken).

    Raises
    ------
    ValueError
        A column is not there.

    Examples
    --------
    >>> checks = pd.DataFrame({
    ...     "unit_id": ["U1"], "checked_at": pd.to_datetime(["2027-01-11T06:30Z"]),
    ...     "grounds_separate": pd.array([True], "boolean"), "supply_distance_m": [4.0],
    ...     "circuit_test_passed": pd.array([True], "boolean"), "ventilation_running": pd.array([None], "boolean"),
    ...     "gloves_conductive": pd.array([True], "boolean")})
    >>> startup_lists(checks)[["items", "answered", "complete", "breaches"]].to_numpy().tolist()
    [[5, 4, False, 1]]
    """
    items = list(dict.fromkeys(rule.column for rule in STARTUP_RULES))
    keys = ["unit_id", "checked_at"]
    require_columns(startup_checks, [*keys, *items], name="startup_checks")
    rows = startup_checks.sort_values(keys, kind="stable", ignore_index=True)
    answered = rows[items].notna().sum(axis="columns")
    broken = startup_breaches(rows)
    counts = broken[broken["category"] == BREACH].groupby(keys).size().rename("breaches")
    result = rows[keys].assign(items=len(items), answered=answered, complete=answered == len(items))
    result = result.join(counts, on=keys)
    return result.assign(breaches=result["breaches"].fillna(0).astype("int64"))


def _breaches(frame: pd.DataFrame, rules: Sequence[Rule], *, keys: list[str], name: str) -> pd.DataFrame:
    require_columns(frame, [*keys, *dict.fromkeys(rule.column for rule in rules)], name=name)
    pieces = []
    told: set[str] = set()
    for order, rule in enumerate(rules):
        values = np.asarray(
            frame[rule.column].astype("Float64").to_numpy(dtype=float, na_value=np.nan), dtype=np.float64
        )
        broken, limit = _broken(values, rule)
        found = frame.loc[broken, keys].assign(category=BREACH, value=values[broken], limit=limit)
        missing = np.isnan(values) & (rule.column not in told)
        unrecorded = frame.loc[missing, keys].assign(category=NOT_RECORDED, value=np.nan, limit=np.nan)
        pieces.append(
            pd.concat([found, unrecorded]).assign(
                rule=rule.name,
                column=rule.column,
                unit=rule.unit,
                source=rule.source,
                from_memory=rule.from_memory,
                order=order,
            )
        )
        told.add(rule.column)
    listed = pd.concat(pieces).sort_values([*keys, "order"], kind="stable", ignore_index=True)
    return listed[[*keys, "category", "rule", "column", "value", "limit", "unit", "source", "from_memory"]]


def _broken(values: npt.NDArray[np.float64], rule: Rule) -> tuple[npt.NDArray[np.bool_], float]:
    """Return which values break the rule, and its limit; a missing value breaks none, and a tie is no breach."""
    if rule.at_least is not None:
        return values < rule.at_least * (1 - 1e-9), rule.at_least
    if rule.at_most is not None:
        return values > rule.at_most * (1 + 1e-9), rule.at_most
    return values == 0, 1.0
