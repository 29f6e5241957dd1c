"""Runs as they were: each run's settings and weather beside its delivery and the state of upkeep at that moment."""

from __future__ import annotations

import pandas as pd

from auditkit.findings.delivery import DeliveryFindings
from auditkit.findings.part_states import PartStateFindings

__all__ = ["runs_as_they_were"]


def runs_as_they_were(runs: pd.DataFrame, delivery: DeliveryFindings, states: PartStateFindings) -> pd.DataFrame:
    """Return the runs of a timeline with what the paint and the unit were like, in the order of the runs.

    Parameters
    ----------
    runs : DataFrame
        The runs of a timeline, with run_id.
    delivery : DeliveryFindings
        Their delivery.
    states : PartStateFindings
        The states of the parts.

    Returns
    -------
    DataFrame
        One row a run: the columns of `runs`, delivery_ratio and
        u_delivery_ratio `[-]`, named (what pressure and flow say), and for each
        part and way of going bad that can be estimated the probability that it
        was bad at that moment `[-]`, such as brush_worn_p.

    Examples
    --------
    >>> import numpy as np
    >>> runs = pd.DataFrame({
    ...     "run_id": ["R1", "R2", "R3", "R4"], "unit_id": "U1", "pot_kpa": [40.0, 41.0, 42.0, 40.0],
    ...     "viscosity_mm2_s": 60.0, "flow_ml_min": [133.0, 139.0, 140.0, np.nan],
    ...     "filter_clean_h": [2.0, 5.0, 8.0, 20.0]})
    >>> from auditkit.findings.delivery import find_delivery
    >>> states = PartStateFindings(
    ...     states=pd.DataFrame(), runs=runs[["run_id"]].assign(brush_worn_p=[0.0, 0.5, 0.5, 1.0]),
    ...     models=pd.DataFrame(), n=4, excluded=0, confidence=0.95, method="")
    >>> joined = runs_as_they_were(runs, find_delivery(runs), states)
    >>> joined["delivery_ratio"].notna().tolist(), joined["brush_worn_p"].tolist()
    ([True, True, True, False], [0.0, 0.5, 0.5, 1.0])
    """
    flow = delivery.runs[["run_id", "delivery_ratio", "u_delivery_ratio", "named"]]
    joined = runs.merge(flow, on="run_id", how="left", validate="one_to_one")
    return joined.merge(states.runs, on="run_id", how="left", validate="one_to_one")
