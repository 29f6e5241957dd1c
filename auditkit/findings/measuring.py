"""The measuring system: what gauge and person add to the spread, and how far inspectors rate wrap alike."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from auditkit.findings.wrap_agreement import find_agreement
from auditkit.stats.gauge_study import gauge_study
from auditkit.stats.mean_squares import modified_large_sample_limits
from auditkit.stats.variance import nested_components

__all__ = ["MeasuringFindings", "find_measuring"]

STUDY_COLUMNS = [
    "study_id",
    "design",
    "gauge_id",
    "assessable",
    "reason",
    "n",
    "places",
    "inspectors",
    "trials",
    "gauge_sd_um",
    "gauge_low_um",
    "gauge_high_um",
    "study_variation_pct",
    "categories_ratio",
    "categories",
    "pooled",
    "interaction_p",
    "method",
    "notes",
]
COMPONENT_COLUMNS = [
    "study_id",
    "component",
    "variance_um2",
    "raw_variance_um2",
    "truncated",
    "low_um2",
    "high_um2",
    "sd_um",
    "sd_low_um",
    "sd_high_um",
    "contribution_pct",
    "study_variation_pct",
]
ANOVA_COLUMNS = ["study_id", "source", "df", "ss", "ms", "f", "p"]
_NESTED_NOTE = (
    "nested design: each person has places of their own, so a difference between persons that changes from place to "
    "place cannot be told from a difference between places, and there is no interaction to pool"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringFindings:
    """What the measuring adds to the spread.

    Parameters
    ----------
    studies : DataFrame
        One row a study, sorted: study_id, design, gauge_id, assessable,
        reason, n, places, inspectors, trials, gauge_sd_um with its limits
        gauge_low_um and gauge_high_um `[um]`, study_variation_pct (gauge over
        total standard deviation), categories_ratio, categories (distinct
        categories; blank where they cannot be told), pooled, interaction_p
        (both blank for a nested design), method, notes.
    components : DataFrame
        One row a study and component ('repeatability', 'reproducibility',
        'operator', 'part x operator', 'gauge', 'part', 'total'; a nested
        design has no 'part x operator'): study_id, component, variance_um2
        (not below 0), raw_variance_um2, truncated (itself set to zero),
        low_um2, high_um2, sd_um, sd_low_um, sd_high_um, contribution_pct,
        study_variation_pct. In a nested design the limits of the gauge are not
        below those of its repeatability, nor those of the total below those
        of the gauge and of the places.
    anova : DataFrame
        One row a study and source: study_id, source, df, ss, ms, f, p.
    agreement, pairs : DataFrame
        Agreement of wrap ratings, see `wrap_agreement.find_agreement`.
    n, excluded : int
        Study readings used, and those of studies that could not be assessed.
    method : str
    settings : mapping
        confidence, pool_above, at_least_pairs.
    """

    studies: pd.DataFrame
    components: pd.DataFrame
    anova: pd.DataFrame
    agreement: pd.DataFrame
    pairs: pd.DataFrame
    n: int
    excluded: int
    method: str
    settings: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Study:
    """One study, taken apart."""

    row: dict[str, Any]
    components: pd.DataFrame
    anova: pd.DataFrame


def find_measuring(
    tables: Mapping[str, pd.DataFrame],
    *,
    confidence: float = 0.95,
    pool_above: float = 0.25,
    at_least_pairs: int = 20,
) -> MeasuringFindings:
    """Return the components of every measuring-system study and the agreement of wrap ratings.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; study readings, wrap observations and spray runs
        are used.
    confidence : float
        Level of every interval.
    pool_above : float
        The interaction of a crossed study is pooled into the repeatability
        where its p is above this.
    at_least_pairs : int
        Areas both inspectors must have rated for their agreement to be told.

    Returns
    -------
    MeasuringFindings

    References
    ----------
    AIAG (2010), Measurement Systems Analysis, 4th edition, chapter III; limits
    as in `stats.gauge_study` and `stats.variance`.
    """
    found = [
        _study(str(study), part, confidence=confidence, pool_above=pool_above)
        for study, part in tables["study_readings"].groupby("study_id", sort=True)
    ]
    studies = pd.DataFrame([one.row for one in found], columns=STUDY_COLUMNS)
    studies = studies.astype(
        {
            **dict.fromkeys(("n", "places", "inspectors", "trials"), "int64"),
            **dict.fromkeys(("gauge_sd_um", "gauge_low_um", "gauge_high_um", "study_variation_pct"), "float64"),
            **dict.fromkeys(("categories_ratio", "interaction_p"), "float64"),
            "assessable": "bool",
            "categories": "Int64",
            "pooled": "boolean",
        }
    )
    agreement, pairs = find_agreement(tables, confidence=confidence, at_least=at_least_pairs)
    return MeasuringFindings(
        studies=studies,
        components=_stack([one.components for one in found], COMPONENT_COLUMNS),
        anova=_stack([one.anova for one in found], ANOVA_COLUMNS),
        agreement=agreement,
        pairs=pairs,
        n=int(studies.loc[studies["assessable"], "n"].sum()),
        excluded=int(studies.loc[~studies["assessable"], "n"].sum()),
        method=(
            "Each study is split by analysis of variance into repeatability, differences between persons and "
            f"differences between places; a crossed study's interaction is pooled where its p is above {pool_above:g}, "
            "a component below zero is set to zero and said, and limits are modified large-sample limits. Wrap ratings "
            "of two inspectors of one area are compared where nothing was sprayed there in between."
        ),
        settings={"confidence": confidence, "pool_above": pool_above, "at_least_pairs": at_least_pairs},
    )


def _stack(frames: list[pd.DataFrame], columns: list[str]) -> pd.DataFrame:
    full = [frame for frame in frames if len(frame)]
    return pd.concat(full, ignore_index=True)[columns] if full else pd.DataFrame(columns=columns)


def _study(study: str, part: pd.DataFrame, *, confidence: float, pool_above: float) -> _Study:
    reason = _cannot(part)
    row: dict[str, Any] = {
        "study_id": study,
        "design": ", ".join(sorted(part["design"].unique())),
        "gauge_id": ", ".join(sorted(part["gauge_id"].unique())),
        "assessable": reason == "",
        "reason": reason,
        "n": len(part),
        "places": int(part["place_id"].nunique()),
        "inspectors": int(part["inspector_id"].nunique()),
        "trials": int(part["trial"].nunique()),
        "categories": pd.NA,
        "pooled": pd.NA,
        "method": "",
        "notes": "",
    }
    if row["design"] == "nested":
        row["places"] = int(part.groupby("inspector_id")["place_id"].nunique().sum())
    if reason:
        return _Study(row=row, components=pd.DataFrame(), anova=pd.DataFrame())
    if row["design"] == "crossed":
        return _crossed(row, part, confidence=confidence, pool_above=pool_above)
    return _nested(row, part, confidence=confidence)


def _cannot(part: pd.DataFrame) -> str:
    """Return why a study cannot be assessed; blank where it can."""
    gauges, designs = (len(part[column].unique()) for column in ("gauge_id", "design"))
    persons, places = (len(part[column].unique()) for column in ("inspector_id", "place_id"))
    cells = part.groupby(["inspector_id", "place_id"]).size()
    least, most, measured = int(cells.min()), int(cells.max()), len(cells)
    crossed = part["design"].iloc[0] == "crossed"
    own_places = int(cells.groupby(level="inspector_id").size().max())
    faults = (
        (designs > 1, "some readings of the study say crossed and some nested; say which it was"),
        (
            gauges > 1,
            f"{gauges} gauges in one study: a difference between gauges cannot be told from one between persons; give "
            "each gauge a study of its own",
        ),
        (persons < 2, "one inspector: what persons add cannot be told"),
        (most < 2, "no place was measured twice by one person: repeatability cannot be told"),
        (crossed and places < 2, "one place: what places add cannot be told"),
        (
            crossed and (measured < persons * places or least < most),
            f"a crossed study needs every place measured equally often by every person; {measured} of "
            f"{persons * places} pairs were measured, {least} to {most} times",
        ),
        (not crossed and own_places < 2, "no inspector measured two places: persons and places cannot be told apart"),
    )
    return next((reason for wrong, reason in faults if wrong), "")


def _crossed(row: dict[str, Any], part: pd.DataFrame, *, confidence: float, pool_above: float) -> _Study:
    found = gauge_study(
        part,
        response="reading_um",
        part="place_id",
        operator="inspector_id",
        pool_above=pool_above,
        confidence=confidence,
    )
    known = {
        "categories_ratio": found.categories_ratio,
        "categories": pd.NA if found.categories < 0 else found.categories,
        "pooled": found.pooled,
        "interaction_p": found.interaction_p,
        "method": found.method,
        "notes": "; ".join(found.notes),
    }
    return _taken_apart({**row, **known}, found.components, found.anova)


def _nested(row: dict[str, Any], part: pd.DataFrame, *, confidence: float) -> _Study:
    found = nested_components(part, response="reading_um", nesting=["inspector_id", "place_id"], confidence=confidence)
    kept, raw = (found.components[column].to_numpy(dtype=float) for column in ("variance", "raw_variance"))
    low, high = (found.components[column].to_numpy(dtype=float) for column in ("low", "high"))
    rows = {
        name: (kept[i], raw[i], bool(raw[i] < 0), low[i], high[i])
        for i, name in enumerate(("operator", "part", "repeatability"))
    }
    rows["reproducibility"] = rows["operator"]
    gauge, total = float(kept[0] + kept[2]), float(kept.sum())
    gauge_low, gauge_high = _gauge_limits(found.table, part, found.balanced, confidence)
    # gauge = repeatability + persons and total = gauge + places: neither is below what it is made of
    gauge_low, gauge_high = (float(np.maximum(own, rep)) for own, rep in ((gauge_low, low[2]), (gauge_high, high[2])))
    rows["gauge"] = (gauge, float(raw[0] + raw[2]), False, gauge_low, gauge_high)
    total_low = float(np.fmax.reduce([found.total.low, gauge_low, low[1]]))
    total_high = float(np.fmax.reduce([found.total.high, gauge_high, high[1]]))
    rows["total"] = (total, float(raw.sum()), False, total_low, total_high)
    order = ["repeatability", "reproducibility", "operator", "gauge", "part", "total"]
    names = ["variance", "raw_variance", "truncated", "low", "high"]
    components = pd.DataFrame([rows[name] for name in order], columns=names)
    components.insert(0, "component", order)
    components["sd"] = np.sqrt(components["variance"])
    components["contribution_pct"] = 100.0 * components["variance"] / total if total > 0 else np.nan
    components["study_variation_pct"] = 100.0 * components["sd"] / np.sqrt(total) if total > 0 else np.nan
    ratio = 1.41 * float(np.sqrt(kept[1] / gauge)) if gauge > 0 else np.nan  # the usual 1.41, as in gauge_study
    names_of = {"inspector_id": "operator", "place_id": "part (within operator)", "residual": "repeat"}
    anova = found.table.assign(source=found.table["source"].map(names_of))
    zeroed = ["persons set to zero: the gauge's spread is its repeatability alone"] if raw[0] < 0 else []
    known = {
        "categories_ratio": ratio,
        "categories": pd.NA if np.isnan(ratio) else max(1, int(ratio)),
        "interaction_p": np.nan,
        "method": found.method,
        "notes": "; ".join([_NESTED_NOTE, *zeroed, *(_renamed(note, names_of) for note in found.notes)]),
    }
    return _taken_apart({**row, **known}, components, anova)


def _renamed(note: str, names: Mapping[str, str]) -> str:
    for old, new in names.items():
        note = note.replace(f"component of {old} ", f"component of {new} ")
    return note


def _gauge_limits(table: pd.DataFrame, part: pd.DataFrame, balanced: bool, confidence: float) -> tuple[float, float]:
    """Return limits of repeatability plus persons, from three mean squares of a balanced nested design."""
    if not balanced:
        return np.nan, np.nan
    per_person = len(part) / part["inspector_id"].nunique()
    weights = [1.0 / per_person, -1.0 / per_person, 1.0]  # (MS operator - MS part) / per person + MS repeat
    low, high = modified_large_sample_limits(
        table["ms"].to_numpy(dtype=float),
        df=table["df"].to_numpy(dtype=float),
        coefficients=weights,
        confidence=confidence,
    )
    return float(low), float(high)


def _taken_apart(row: dict[str, Any], components: pd.DataFrame, anova: pd.DataFrame) -> _Study:
    """Return a study with its components under the names of the result."""
    renamed = components.rename(
        columns={
            "variance": "variance_um2",
            "raw_variance": "raw_variance_um2",
            "low": "low_um2",
            "high": "high_um2",
            "sd": "sd_um",
        }
    )
    renamed = renamed.assign(
        study_id=row["study_id"],
        truncated=renamed["truncated"].astype("bool"),
        sd_low_um=np.sqrt(renamed["low_um2"]),
        sd_high_um=np.sqrt(renamed["high_um2"]),
    )
    gauge = renamed.loc[renamed["component"] == "gauge"].iloc[0]
    known = {
        "gauge_sd_um": float(gauge["sd_um"]),
        "gauge_low_um": float(gauge["sd_low_um"]),
        "gauge_high_um": float(gauge["sd_high_um"]),
        "study_variation_pct": float(gauge["study_variation_pct"]),
    }
    return _Study(
        row={**row, **known},
        components=renamed[COMPONENT_COLUMNS],
        anova=anova.assign(study_id=row["study_id"])[ANOVA_COLUMNS],
    )
