"""Delivery: runs that had too little paint, and whether it was held back or lost on the way.

Pressure and flow separate causes only together. A restriction after the gauge
(filter, pickup stem, elbow) lets less through at the same pressure, and the
pressure is turned up against it. A loss ahead of the gauge (a leaking lid
gasket, a kinked hose) shows as pressure down and flow down with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from auditkit.findings.typed_columns import typed_frame
from auditkit.stats.lifetimes import CANNOT_TELL
from auditkit.stats.patterns import FARTHEST_P, Pattern, read_patterns
from auditkit.trade.delivery import NO_CLEAN_CATCH, CleanState, clean_state, delivery_ratio, hose_delivery, static_heads

__all__ = [
    "FROM_CATCHES",
    "FROM_HOSE",
    "LOSS",
    "NEITHER",
    "PRIORS",
    "RESTRICTION",
    "DeliveryFindings",
    "PatternReading",
    "find_delivery",
    "read_pattern",
]

RESTRICTION = "restriction"
LOSS = "loss ahead of the gauge"
NEITHER = "neither"

PRIORS: Mapping[str, float] = {NEITHER: 0.6, RESTRICTION: 0.2, LOSS: 0.2}
"""Probability of each before a run is looked at `[-]`; ours, no source."""

THRESHOLD = 0.8
"""Least probability at which a pattern is named `[-]`."""

CLEAN_WITHIN_H = 24.0
"""A catch this soon after the filter was cleaned or replaced is of the clean state `[h]`; ours, no source."""

FROM_CATCHES = "clean catches of the unit"
FROM_HOSE = "hose alone, calibrated to nothing"

LEAST_U_PCT = 1.0
"""No ratio is held to be surer than this, however well a few readings agree `[%]`; ours, no source."""

_OVER_HOSE = 1.10
"""A clean unit that gives this much of what its hose alone could let through belies the hose's record `[-]`; ours."""

LEAST_DF = 2
"""Degrees of freedom on which the scatter of clean catches must rest before a fault is named; ours, no source.

With one, a wrong name came in 7 of 100 simulated runs."""

_MORE = "Make more catch tests after cleaning"
_NO_CLEAN_STATE = "no clean state is known"
_HOSE_RECORDS = ["paint_density_kg_m3", "hose_length_m", "hose_bore_mm", "rise_m"]
_LEFT = np.linspace(0.20, 0.95, 61)
_PART = np.linspace(0.0, 1.0, 11)
_PARTS_OF = {RESTRICTION: "filter, pickup stem or elbow", LOSS: "a kinked hose or a leaking lid gasket"}


@dataclass(frozen=True, slots=True, kw_only=True)
class PatternReading:
    """What pressure and flow of one run say together.

    Parameters
    ----------
    named : str
        'restriction', 'loss ahead of the gauge', 'neither' or 'cannot tell'.
    restriction, loss, neither : float
        Probability of each `[-]`.
    reason : str
        In words.
    """

    named: str
    restriction: float
    loss: float
    neither: float
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveryFindings:
    """Delivery of every run.

    Parameters
    ----------
    runs : DataFrame
        One row a run, sorted by run_id: the columns of
        `trade.delivery.delivery_ratio`, then static_kpa (taken off for the
        rise) `[kPa]`, the columns of `trade.delivery.hose_delivery`,
        expected_from (what an expected flow rests on: `FROM_CATCHES`, or
        `FROM_HOSE` where only that is known, or empty), restriction, loss,
        neither (probabilities, missing where there is no ratio), named and
        reason.
    units : DataFrame
        One row a unit: unit_id, runs, read (runs with a ratio), restriction,
        loss, neither, cannot_tell (runs named so, of those read), lowest_ratio and
        lowest_run_id, conductance `[mL/min * mm2/s / kPa]`, u_conductance_pct
        `[%]` (missing without clean catches), hose_share (median of the flow
        when clean over that of the hose alone) `[-]`, note.
    clean : CleanState or None
        What the units deliver when clean; None where the catches do not say.
    n, excluded : int
        Runs read, and runs without a ratio.
    method : str
    reason : str
        Why no run could be read; empty otherwise.
    """

    runs: pd.DataFrame
    units: pd.DataFrame
    clean: CleanState | None
    n: int
    excluded: int
    method: str
    reason: str


def read_pattern(
    pressure_ratio: float,
    delivery_ratio: float,
    *,
    u_pressure_ratio: float,
    u_delivery_ratio: float,
    priors: Mapping[str, float] = PRIORS,
    threshold: float = THRESHOLD,
) -> PatternReading:
    """Return whether pressure and flow speak for a restriction, a loss ahead of the gauge, or neither.

    The model is in the logarithms of both ratios, with normal errors. Without a
    fault both are 0. A restriction leaves a share q of the flow: delivery log q,
    and pressure turned up by c of what was lost, -c log q. A loss leaves a
    share q of the pressure: pressure log q, and delivery down by a further
    k log q where the gauge sees only part of it. q is held equally likely from
    0.20 to 0.95, and c and k from 0 to 1.

    Parameters
    ----------
    pressure_ratio : float
        Gauge pressure / pressure set or usual for the unit `[-]`.
    delivery_ratio : float
        Flow caught / flow a clean unit gives at that gauge pressure `[-]`.
    u_pressure_ratio, u_delivery_ratio : float
        Standard uncertainties, that of the pressure with how far settings
        stray without a fault `[-]`.
    priors : mapping of str to float
        Of 'restriction', 'loss ahead of the gauge' and 'neither'.
    threshold : float
        Least probability at which a pattern is named.

    Raises
    ------
    ValueError
        A ratio is not above 0, an uncertainty is below 0, or a prior is not given.

    Examples
    --------
    >>> reading = read_pattern(1.12, 0.63, u_pressure_ratio=0.04, u_delivery_ratio=0.03)
    >>> print(reading.reason)
    pressure 12 % up, flow 37 % below what that pressure gives when clean: restriction after the gauge
    (filter, pickup stem or elbow), probability 1.00
    """
    frame = pd.DataFrame(
        {
            "pressure_ratio": [pressure_ratio],
            "u_pressure_ratio": [u_pressure_ratio],
            "delivery_ratio": [delivery_ratio],
            "u_delivery_ratio": [u_delivery_ratio],
        },
        dtype="float64",
    )
    row = _read(frame, priors=priors, threshold=threshold).iloc[0]
    return PatternReading(
        named=str(row["named"]),
        restriction=float(row["restriction"]),
        loss=float(row["loss"]),
        neither=float(row["neither"]),
        reason=str(row["reason"]),
    )


def find_delivery(
    runs: pd.DataFrame,
    *,
    clean_within_h: float = CLEAN_WITHIN_H,
    priors: Mapping[str, float] = PRIORS,
    threshold: float = THRESHOLD,
) -> DeliveryFindings:
    """Return the delivery of every run, and what pressure and flow say together.

    Parameters
    ----------
    runs : DataFrame
        The runs of a timeline: run_id, unit_id, pot_kpa, viscosity_mm2_s,
        flow_ml_min, filter_clean_h; and, where they are there,
        paint_density_kg_m3, hose_length_m, hose_bore_mm, rise_m.
    clean_within_h : float
        Runs this soon after the filter was cleaned count as the clean state `[h]`.
    priors, threshold
        As in `read_pattern`.

    Notes
    -----
    The clean state is that of the filter. A stem or elbow narrowed all along
    is part of what is taken for clean, and cannot show. What was asked of the
    pot is not recorded, so a run's pressure is held against the unit's usual
    one, give or take the spread of its clean catches. Where that spread rests
    on few catches it is widened, as Student's t is wider than the normal.

    What the hose alone would let through is shown beside the flow when clean.
    It names no fault: how much the rest of the unit takes is not known.

    Examples
    --------
    >>> runs = pd.DataFrame({
    ...     "run_id": ["R1", "R2", "R3", "R4"], "unit_id": "U1", "pot_kpa": [40.0, 41.0, 40.0, 43.0],
    ...     "viscosity_mm2_s": 60.0, "flow_ml_min": [133.0, 139.0, 135.0, 88.0],
    ...     "filter_clean_h": [2.0, 5.0, 20.0, 90.0]})
    >>> find_delivery(runs).runs["named"].tolist()
    ['neither', 'neither', 'neither', 'restriction']
    """
    method = (
        f"clean state from catches within {clean_within_h:g} h of the filter's cleaning; probabilities by Bayes' rule, "
        + ", ".join(f"prior {name} {prior:g}" for name, prior in priors.items())
        + f"; named from {threshold:g} on"
    )
    prepared = _prepared(runs)
    usable = prepared["cannot"] == ""
    readable = prepared.assign(**{name: prepared[name].where(usable) for name in ("flow_ml_min", "pot_kpa")})
    hose = hose_delivery(prepared)
    reason, clean = "", None
    try:
        clean = clean_state(readable[readable["filter_clean_h"] <= clean_within_h])
    except ValueError as error:
        reason = f"{CANNOT_TELL}: {error}"
    if clean is not None and clean.df < LEAST_DF:
        reason, clean = f"{CANNOT_TELL}: the scatter of clean catches rests on {clean.n} of them alone. {_MORE}", None
    ratios = _no_ratios(readable) if clean is None else delivery_ratio(readable, clean)
    ratios = ratios.merge(prepared[["run_id", "static_kpa", "cannot"]], on="run_id").merge(hose, on="run_id")
    ratios["why"] = ratios["cannot"].where(ratios["cannot"] != "", ratios["why"])
    known = ratios["delivery_ratio"].notna()
    read = _read(ratios[known], priors=priors, threshold=threshold, df=None if clean is None else clean.df)
    result = ratios.drop(columns="cannot").join(read)
    result = result.assign(
        expected_from=np.select(
            [result["expected_ml_min"].notna(), result["hose_ml_min"].notna()], [FROM_CATCHES, FROM_HOSE], default=""
        )
    )
    result["reason"] = result["reason"].where(known, _unread_reason(result))
    result["named"] = result["named"].where(known, CANNOT_TELL)
    return DeliveryFindings(
        runs=result[[*_RATIO_COLUMNS, "static_kpa", *_HOSE_COLUMNS, "expected_from", *_READ_COLUMNS]],
        units=_units(result, clean),
        clean=clean,
        n=int(known.sum()),
        excluded=int((~known).sum()),
        method=method,
        reason=reason,
    )


_RATIO_COLUMNS = [
    "run_id",
    "unit_id",
    "expected_ml_min",
    "delivery_ratio",
    "u_delivery_ratio",
    "pressure_ratio",
    "u_pressure_ratio",
    "why",
]
_HOSE_COLUMNS = ["hose_ml_min", "hose_reynolds", "hose_laminar", "hose_why"]
_READ_COLUMNS = ["restriction", "loss", "neither", "named", "reason"]


def _prepared(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the runs with their hose and static head, and in `cannot` why a run's figures admit no ratio."""
    blank = pd.Series(np.nan, index=runs.index)
    frame = runs.assign(**{name: runs.get(name, blank).astype("float64") for name in _HOSE_RECORDS})
    frame = frame.assign(static_kpa=static_heads(frame))
    return frame.assign(
        cannot=np.select(
            [frame["flow_ml_min"] <= 0, frame["pot_kpa"] <= frame["static_kpa"].clip(lower=0.0)],
            [
                "no paint came into the catch: blocked, or never opened; look at the unit",
                "the recorded pressure does not lift the paint to the bell: look at the gauge and the rise",
            ],
            default="",
        )
    )


def _no_ratios(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the runs as `trade.delivery.delivery_ratio` would, where no clean state is known."""
    frame = runs[["run_id", "unit_id"]].sort_values("run_id", ignore_index=True)
    return frame.assign(**dict.fromkeys(_RATIO_COLUMNS[2:-1], np.nan), why=_NO_CLEAN_STATE)


def _unread_reason(result: pd.DataFrame) -> pd.Series:
    """Return why each run has no ratio, with what the hose alone says where nothing else does."""
    only_hose = (result["expected_from"] == FROM_HOSE) & result["why"].isin([_NO_CLEAN_STATE, NO_CLEAN_CATCH])
    most = result["hose_ml_min"].map("{:.0f}".format, na_action="ignore").astype("str")
    said = result["why"] + "; the hose alone would let through at most " + most + " mL/min, which names no fault"
    return result["why"].where(~only_hose, said)


def _units(result: pd.DataFrame, clean: CleanState | None) -> pd.DataFrame:
    """Return the runs by unit."""
    named = {RESTRICTION: "restriction", LOSS: "loss", NEITHER: "neither", CANNOT_TELL: "cannot_tell"}
    rows = []
    for unit_id, runs in result.groupby("unit_id", sort=True):
        read = runs[runs["delivery_ratio"].notna()]
        lowest = read.sort_values(["delivery_ratio", "run_id"]).head(1)
        rows.append(
            {
                "unit_id": unit_id,
                "runs": len(runs),
                "read": len(read),
                **{column: int((read["named"] == name).sum()) for name, column in named.items()},
                "lowest_ratio": lowest["delivery_ratio"].min(),
                "lowest_run_id": lowest["run_id"].iloc[0] if len(lowest) else None,
                "hose_share": (runs["expected_ml_min"] / runs["hose_ml_min"].mask(runs["hose_ml_min"] == 0)).median(),
            }
        )
    frame = typed_frame(rows, _UNIT_KINDS)
    if clean is not None:
        known = clean.units.set_index("unit_id")
        for column in ("conductance", "u_conductance_pct"):
            frame[column] = frame["unit_id"].map(known[column]).astype("float64")
    notes = [
        "clean flow exceeds what the recorded hose could let through: hose length, bore or paint density is wrong",
        "no clean catch: no fault is named",
    ]
    doubts = [frame["hose_share"] > _OVER_HOSE, frame["conductance"].isna()]
    return frame.assign(note=pd.array(np.select(doubts, notes, default=""), dtype="str"))


_UNIT_KINDS = {
    "unit_id": "str",
    "runs": "int64",
    "read": "int64",
    "restriction": "int64",
    "loss": "int64",
    "neither": "int64",
    "cannot_tell": "int64",
    "lowest_ratio": "float64",
    "lowest_run_id": "str",
    "conductance": "float64",
    "u_conductance_pct": "float64",
    "hose_share": "float64",
}


def _patterns(priors: Mapping[str, float]) -> list[Pattern]:
    """Return the three patterns as clouds of (log pressure ratio, log delivery ratio)."""
    if set(priors) != set(PRIORS):
        raise ValueError(f"priors must be given for {', '.join(PRIORS)}; given {', '.join(priors)}")
    lost, part = (grid.ravel() for grid in np.meshgrid(-np.log(_LEFT), _PART))
    return [
        Pattern(name=RESTRICTION, prior=priors[RESTRICTION], points=np.column_stack([part * lost, -lost])),
        Pattern(name=LOSS, prior=priors[LOSS], points=np.column_stack([-lost, -part * lost])),
        Pattern(name=NEITHER, prior=priors[NEITHER], points=np.zeros((1, 2))),
    ]


def _read(
    ratios: pd.DataFrame, *, priors: Mapping[str, float], threshold: float, df: int | None = None
) -> pd.DataFrame:
    """Return restriction, loss, neither, named and reason of each row, on its index."""
    names = ["pressure_ratio", "delivery_ratio", "u_pressure_ratio", "u_delivery_ratio"]
    if ratios.empty:
        blank = pd.DataFrame(columns=_READ_COLUMNS, index=ratios.index)
        return blank.astype({"restriction": "float64", "loss": "float64", "neither": "float64"})
    wrong = [name for name in names[:2] if not (ratios[name] > 0).all()]
    wrong += [name for name in names[2:] if not (ratios[name] >= 0).all()]
    if wrong:
        given = f"{wrong[0]} has {ratios[wrong[0]].min():g}"
        raise ValueError(f"ratios must be above 0 and their uncertainties not below; {given}")
    values = ratios[names[:2]].to_numpy()
    relative = np.maximum(ratios[names[2:]].to_numpy() / values, LEAST_U_PCT / 100.0) * _widening(df)
    covariance = relative[:, :, None] ** 2 * np.eye(2)
    read = read_patterns(np.log(values), covariance=covariance, patterns=_patterns(priors), threshold=threshold)
    read = read.rename(columns={LOSS: "loss"})[["restriction", "loss", "neither", "fit", "named"]]
    read["reason"] = [
        _reason(float(pressure), float(flow), row)
        for (pressure, flow), row in zip(values, read.to_dict("records"), strict=True)
    ]
    return read.drop(columns="fit").set_axis(ratios.index)


def _widening(df: int | None) -> float:
    """Return by how much 95 % of Student's t reaches wider than 95 % of the normal."""
    from scipy.stats import norm, t

    return 1.0 if df is None else float(t.ppf(0.975, df) / norm.ppf(0.975))


def _reason(pressure: float, flow: float, row: Mapping[Any, Any]) -> str:
    """Return what was seen and what it says, in words."""
    change = _change(flow, same="just", up="above", down="below")
    seen = f"pressure {_change(pressure, same='as usual', up='up', down='down')}, flow {change} "
    seen += "what that pressure gives when clean"
    named = row["named"]
    chances = {RESTRICTION: row["restriction"], LOSS: row["loss"], NEITHER: row["neither"]}
    if named == RESTRICTION:
        return f"{seen}: restriction after the gauge ({_PARTS_OF[RESTRICTION]}), probability {chances[RESTRICTION]:.2f}"
    if named == LOSS:
        said = f"loss ahead of the gauge ({_PARTS_OF[LOSS]}), unless the pressure was set low"
        return f"{seen}: {said}, probability {chances[LOSS]:.2f}"
    if named == NEITHER:
        return f"{seen}: neither a restriction nor a loss shows, probability {chances[NEITHER]:.2f}"
    if row["fit"] < FARTHEST_P:
        return f"{seen}: neither fault explains that, look at the readings"
    said = ", ".join(f"{name} {chance:.2f}" for name, chance in chances.items())
    return f"{seen}: {CANNOT_TELL} ({said})"


def _change(ratio: float, *, same: str, up: str, down: str) -> str:
    percent = round(100.0 * (ratio - 1.0))
    return same if percent == 0 else f"{abs(percent)} % {up if percent > 0 else down}"
