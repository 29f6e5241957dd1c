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

from auditkit.stats.lifetimes import CANNOT_TELL
from auditkit.stats.patterns import FARTHEST_P, Pattern, read_patterns
from auditkit.trade.delivery import CleanState, clean_state, delivery_ratio

__all__ = [
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
        `trade.delivery.delivery_ratio`, then restriction, loss, neither
        (probabilities, missing where there is no ratio), named and reason.
    clean : CleanState or None
        What the units deliver when clean; None where the catches do not say.
    n, excluded : int
        Runs read, and runs without a ratio.
    method : str
    reason : str
        Why no run could be read; empty otherwise.
    """

    runs: pd.DataFrame
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
        A ratio or uncertainty is not above 0, or a prior is not given.

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
        flow_ml_min, filter_clean_h.
    clean_within_h : float
        Runs this soon after the filter was cleaned count as the clean state `[h]`.
    priors, threshold
        As in `read_pattern`.

    Notes
    -----
    The clean state is that of the filter. A stem or elbow narrowed all along
    is part of what is taken for clean, and cannot show. What was asked of the
    pot is not recorded, so a run's pressure is held against the unit's usual
    one, give or take the spread of its clean catches.

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
    catches = runs[runs["filter_clean_h"] <= clean_within_h]
    try:
        clean = clean_state(catches)
    except ValueError as error:
        return DeliveryFindings(
            runs=_unread(runs), clean=None, n=0, excluded=len(runs), method=method, reason=f"{CANNOT_TELL}: {error}"
        )
    ratios = delivery_ratio(runs, clean)
    known = ratios["delivery_ratio"].notna()
    read = _read(ratios[known], priors=priors, threshold=threshold)
    result = ratios.join(read)
    result["reason"] = result["reason"].where(known, result["why"])
    result["named"] = result["named"].where(known, CANNOT_TELL)
    return DeliveryFindings(
        runs=result, clean=clean, n=int(known.sum()), excluded=int((~known).sum()), method=method, reason=""
    )


def _unread(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the runs as found where no clean state is known."""
    frame = runs[["run_id", "unit_id"]].sort_values("run_id", ignore_index=True)
    numbers = ["expected_ml_min", "delivery_ratio", "u_delivery_ratio", "pressure_ratio", "u_pressure_ratio"]
    frame = frame.assign(**dict.fromkeys(numbers, np.nan), why="no clean state is known")
    frame = frame.assign(restriction=np.nan, loss=np.nan, neither=np.nan, named=CANNOT_TELL)
    return frame.assign(reason=frame["why"])


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


def _read(ratios: pd.DataFrame, *, priors: Mapping[str, float], threshold: float) -> pd.DataFrame:
    """Return restriction, loss, neither, named and reason of each row, on its index."""
    names = ["pressure_ratio", "delivery_ratio", "u_pressure_ratio", "u_delivery_ratio"]
    if ratios.empty:
        return pd.DataFrame(columns=["restriction", "loss", "neither", "named", "reason"], index=ratios.index)
    wrong = [name for name in names if not (ratios[name] > 0).all()]
    if wrong:
        raise ValueError(f"{', '.join(wrong)} must be above 0; given {ratios[wrong[0]].min():g}")
    values = ratios[names[:2]].to_numpy()
    relative = ratios[names[2:]].to_numpy() / values
    covariance = relative[:, :, None] ** 2 * np.eye(2)
    read = read_patterns(np.log(values), covariance=covariance, patterns=_patterns(priors), threshold=threshold)
    read = read.rename(columns={LOSS: "loss"})[["restriction", "loss", "neither", "fit", "named"]]
    read["reason"] = [
        _reason(float(pressure), float(flow), row)
        for (pressure, flow), row in zip(values, read.to_dict("records"), strict=True)
    ]
    return read.drop(columns="fit").set_axis(ratios.index)


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
