"""Accepting many small items by a sample: the areas of a job as a lot, a published plan, and what it risks."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from auditkit.findings.film import FilmFindings
from auditkit.findings.item_variables import VARIABLES_COLUMNS, judge_readings, judge_values
from auditkit.findings.standing_readings import standing_readings
from auditkit.stats.proportions import wilson
from auditkit.stats.sampling import (
    AttributesPlan,
    acceptance_probability,
    fraction_accepted,
    oc_curve,
    single_plan,
)

__all__ = ["ItemSamplingFindings", "find_item_sampling"]

ACCEPT, REJECT, UNDECIDED, NO_PLAN = "accept", "reject", "cannot be decided", "no plan"

_FRACTIONS = np.round(np.concatenate([np.arange(0.0, 0.4, 0.005), np.arange(0.4, 1.005, 0.01)]), 4)
_SEVERITIES = ("normal", "tightened")
_ANY_LOT = 3000
_NOTES = (
    "An item is an area with a film verdict; it is nonconforming where any side does not conform. Areas not assessable "
    "are not items looked at.",
    "The plans hold for items drawn at random. Here the first items measured serve as the sample, which nobody drew; "
    "the chance that another sample of the same size would be accepted stands beside the decision.",
    "A plan by variables is held to the facing film's minimum alone: too much film, and the reverse, are not in it.",
    "Acceptance by a plan says nothing of the single item: one found nonconforming stays so, and is put right.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ItemSamplingFindings:
    """Sampling plans on the lots of an audit.

    Parameters
    ----------
    lots : DataFrame
        One row a lot and severity, sorted: lot, job_id and any further
        grouping, severity, items (lot size), inspected, nonconforming,
        share_pct, share_low_pct, share_high_pct (Wilson; the share itself
        where every item was inspected), code_letter, letter (of the plan used,
        where an arrow leads on), sample_n, accept, reject, sample_nonconforming
        (among the first sample_n measured), decision, again_pct (chance that
        another random sample of the inspected items would be accepted), reason,
        sure ('seen' or 'from memory').
    risks : DataFrame
        One row a lot and severity with a plan: lot, severity, aql_pct,
        rejected_at_aql_pct (producer's risk at the AQL), pct_accepted_95,
        pct_accepted_10 (percent nonconforming accepted with 95 and with 10 %
        probability), accepted_at_share_pct (at the share found).
    oc : DataFrame
        The plans' curves: lot, severity, fraction, p_accept, aoq, ati.
    variables : DataFrame
        One row a lot and basis ('area means', 'single readings'): what a plan
        by variables says of the facing film against its minimum, or why it is
        refused; columns in `item_variables.VARIABLES_COLUMNS`, after lot.
    n, excluded : int
        Areas inspected, and areas without a verdict.
    confidence : float
    method : str
    settings : mapping
        aql, level, lots, sample.
    notes : tuple of str
        What the reader must know.
    """

    lots: pd.DataFrame
    risks: pd.DataFrame
    oc: pd.DataFrame
    variables: pd.DataFrame
    n: int
    excluded: int
    confidence: float
    method: str
    settings: Mapping[str, Any]
    notes: tuple[str, ...]


def find_item_sampling(
    tables: Mapping[str, pd.DataFrame],
    film: FilmFindings,
    *,
    aql: float = 2.5,
    level: str = "II",
    lots: Sequence[str] = ("job_id",),
    severities: Sequence[str] = ("normal", "tightened"),
    confidence: float = 0.95,
) -> ItemSamplingFindings:
    """Return what sampling plans say of the areas of each lot.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; areas, runs and film readings are used.
    film : FilmFindings
        For the verdicts.
    aql : {1.0, 2.5, 4.0}
        Acceptance quality limit `[pct nonconforming]`.
    level : {'I', 'II', 'III'}
        General inspection level.
    lots : sequence of str
        Columns of the areas by which they form lots, job_id first; such as
        ('job_id', 'geometry') to keep seat frames and rails apart.
    severities : sequence of {'normal', 'tightened'}
    confidence : float
        Of the interval of the share found.

    Raises
    ------
    ValueError
        The lots are not formed by job first, or of columns that areas have; or
        the AQL, the level or a severity is none that is held.

    References
    ----------
    MIL-STD-105E, ISO 2859-1 (attributes); ANSI/ASQ Z1.9 (variables).
    """
    known = ["job_id", "geometry", "substrate", "surface_profile"]
    if not lots or lots[0] != "job_id" or not set(lots) <= set(known):
        raise ValueError(f"lots must name job_id first, then any of {known[1:]}; given {list(lots)}")
    if not severities or not set(severities) <= set(_SEVERITIES):
        raise ValueError(f"severities must be of {list(_SEVERITIES)}; given {list(severities)}")
    single_plan(_ANY_LOT, aql=aql, level=level)  # refuses an AQL or a level that no table holds
    items = _items(tables, film, list(lots))
    rows, risks, curves = [], [], []
    for lot, own in items.groupby("lot", sort=True):
        about = {"lot": lot} | {name: own[name].iloc[0] for name in lots}
        for severity in severities:
            plan, why = _plan(len(own), aql=aql, level=level, severity=severity)
            row = _decide(own, plan, why, confidence=confidence)
            rows.append(about | {"severity": severity} | row)
            if plan is not None:
                risks.append({"lot": lot, "severity": severity} | _risks(plan, share=row["share_pct"]))
                curve = oc_curve(_FRACTIONS, n=plan.n, accept=plan.accept, lot_size=len(own))
                curves.append(curve.assign(lot=lot, severity=severity))
    inspected = int(items["nonconforming"].notna().sum())
    columns = ["lot", *lots, "severity", *_LOT_COLUMNS]
    oc_columns = ["lot", "severity", "fraction", "p_accept", "aoq", "ati"]
    return ItemSamplingFindings(
        lots=pd.DataFrame(rows, columns=columns),
        risks=pd.DataFrame(risks, columns=["lot", "severity", *_RISK_COLUMNS]),
        oc=pd.concat(curves, ignore_index=True)[oc_columns] if curves else pd.DataFrame(columns=oc_columns),
        variables=_variables(items, tables, film, aql=aql),
        n=inspected,
        excluded=len(items) - inspected,
        confidence=confidence,
        method=(
            f"Single sampling by attributes at AQL {aql:g} %, general level {level}: the plan of each lot's size, on "
            "the first items measured."
        ),
        settings=MappingProxyType(
            {"aql": aql, "level": level, "lots": list(lots), "sample": "the first items measured"}
        ),
        notes=_NOTES,
    )


def _items(tables: Mapping[str, pd.DataFrame], film: FilmFindings, lots: list[str]) -> pd.DataFrame:
    """Return one row an area: its lot, whether it is nonconforming (blank: not inspected), in order of measuring."""
    areas = tables["areas"]
    items = areas[["area_id", *lots]].merge(film.by_area[["area_id", "verdict"]], on="area_id", how="left")
    first = standing_readings(tables).groupby("area_id")["taken_at"].min().rename("measured_at")
    items = items.merge(first.reset_index(), on="area_id", how="left")
    bad = items["verdict"].map({"does not conform": 1.0, "conforms": 0.0}).astype("float64")
    items = items.assign(nonconforming=bad, lot=items[lots[0]])
    for name in lots[1:]:
        items["lot"] = items["lot"] + ", " + items[name]
    return items.sort_values(["lot", "measured_at", "area_id"], na_position="last", ignore_index=True)


def _plan(size: int, *, aql: float, level: str, severity: str) -> tuple[AttributesPlan | None, str]:
    """Return the plan of a lot, or why there is none."""
    try:
        return single_plan(size, aql=aql, level=level, severity=severity), ""
    except ValueError as error:
        return None, str(error)


_LOT_COLUMNS = [
    *("items", "inspected", "nonconforming", "share_pct", "share_low_pct", "share_high_pct", "code_letter", "letter"),
    *("sample_n", "accept", "reject", "sample_nonconforming", "decision", "again_pct", "reason", "sure"),
]


def _decide(own: pd.DataFrame, plan: AttributesPlan | None, why: str, *, confidence: float) -> dict[str, Any]:
    """Return the share found in a lot and what its plan decides."""
    seen = own["nonconforming"].dropna()
    bad = int(seen.sum())
    row: dict[str, Any] = {"items": len(own), "inspected": len(seen), "nonconforming": bad}
    row |= _share(bad, len(seen), len(own), confidence)
    if plan is None:
        blank = dict.fromkeys(("code_letter", "letter", "sure"), "")
        counts = dict.fromkeys(("sample_n", "accept", "reject", "sample_nonconforming"), pd.NA)
        return row | blank | counts | {"decision": NO_PLAN, "again_pct": math.nan, "reason": why}
    sample = seen.iloc[: plan.n]
    found = int(sample.sum())
    again = math.nan
    if len(seen) >= plan.n:
        p_accept = acceptance_probability(bad / len(seen), n=plan.n, accept=plan.accept, lot_size=len(seen))
        again = 100.0 * float(p_accept)
    decision, reason = _decision(plan, sampled=len(sample), found=found, inspected=len(seen), items=len(own))
    return row | {
        "code_letter": plan.code_letter,
        "letter": plan.letter,
        "sample_n": plan.n,
        "accept": plan.accept,
        "reject": plan.reject,
        "sample_nonconforming": found,
        "decision": decision,
        "again_pct": again,
        "reason": reason,
        "sure": plan.sure,
    }


def _decision(plan: AttributesPlan, *, sampled: int, found: int, inspected: int, items: int) -> tuple[str, str]:
    """Return the plan's decision and its reason in words."""
    if found >= plan.reject:
        return REJECT, f"{found} of the first {sampled} items do not conform; the lot is rejected from {plan.reject} on"
    if sampled < plan.n:
        return UNDECIDED, f"{sampled} of the {plan.n} items that the plan asks for have a verdict"
    if plan.inspect_all:
        return ACCEPT, f"every one of the {items} items is looked at; {found} do not conform, {plan.accept} may"
    more = f"; {inspected} of the {items} were measured in all" if inspected > plan.n else ""
    return ACCEPT, f"{found} of the first {plan.n} items do not conform, {plan.accept} may{more}"


def _share(bad: int, seen: int, items: int, confidence: float) -> dict[str, float]:
    """Return the share nonconforming and its interval `[%]`."""
    if not seen:
        return {"share_pct": math.nan, "share_low_pct": math.nan, "share_high_pct": math.nan}
    if seen == items:
        known = 100.0 * bad / seen
        return {"share_pct": known, "share_low_pct": known, "share_high_pct": known}
    share = wilson(bad, seen, confidence=confidence)
    return {
        "share_pct": 100.0 * share.estimate,
        "share_low_pct": 100.0 * share.low,
        "share_high_pct": 100.0 * share.high,
    }


_RISK_COLUMNS = ["aql_pct", "rejected_at_aql_pct", "pct_accepted_95", "pct_accepted_10", "accepted_at_share_pct"]


def _risks(plan: AttributesPlan, *, share: float) -> dict[str, float]:
    """Return what a plan does at the AQL, at the share found, and where it accepts with 95 and 10 %."""
    at = {"n": plan.n, "accept": plan.accept}
    at_share = math.nan if math.isnan(share) else 100.0 * float(acceptance_probability(share / 100.0, **at))
    return {
        "aql_pct": plan.aql,
        "rejected_at_aql_pct": 100.0 * (1.0 - float(acceptance_probability(plan.aql / 100.0, **at))),
        "pct_accepted_95": 100.0 * fraction_accepted(0.95, **at) if plan.accept < plan.n else math.nan,
        "pct_accepted_10": 100.0 * fraction_accepted(0.10, **at) if plan.accept < plan.n else math.nan,
        "accepted_at_share_pct": at_share,
    }


def _variables(
    items: pd.DataFrame, tables: Mapping[str, pd.DataFrame], film: FilmFindings, *, aql: float
) -> pd.DataFrame:
    """Return what a plan by variables says of each lot's facing film, or why it is refused."""
    facing = film.areas[(film.areas["side"] == "facing") & film.areas["mean_um"].notna()]
    facing = items[["area_id", "lot", "measured_at"]].merge(facing[["area_id", "mean_um", "minimum_um"]], on="area_id")
    readings = standing_readings(tables)
    readings = readings[readings["side"] == "facing"][["area_id", "dft_um"]]
    rows = []
    for lot, own in facing.groupby("lot", sort=True):
        lower = float(own["minimum_um"].iloc[0])
        means = own.sort_values(["measured_at", "area_id"])
        rows.append({"lot": lot} | judge_values(means, item="area_id", value="mean_um", lower=lower, aql=aql))
        within = readings[readings["area_id"].isin(own["area_id"])]
        rows.append({"lot": lot} | judge_readings(within, item="area_id", value="dft_um", lower=lower))
    return pd.DataFrame(rows, columns=["lot", *VARIABLES_COLUMNS])
