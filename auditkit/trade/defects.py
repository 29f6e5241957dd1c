"""Defects: which kinds there are, and which run each was found on."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

__all__ = ["ABSENCE", "DEFECTS", "RunDefects", "defects_by_run"]

DEFECTS: tuple[str, ...] = (
    "dry spray",
    "run or sag",
    "crater",
    "thin back",
    "orange peel",
    "pinhole",
    "inclusion",
    "spit",
)
"""Kinds of defect, by the names painting manuals use (US Army TM 43-0139; MIL-HDBK-1110)."""

ABSENCE: tuple[str, ...] = ("none found", "not inspected")
"""What it may mean that a run has no row for a kind of defect."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDefects:
    """Which defects were found on which run.

    Parameters
    ----------
    found : DataFrame
        One row a run (index run_id, sorted), one nullable boolean column a kind
        of defect; missing where the run was not inspected for it.
    recorded : Series of bool
        Whether a run has any defect record, on the same index.
    joined, not_joined : int
        Defect records that led to a run, and those that could not.
    reasons : dict of str to int
        Why records could not be joined.
    """

    found: pd.DataFrame
    recorded: pd.Series
    joined: int
    not_joined: int
    reasons: dict[str, int]


def defects_by_run(
    defects: pd.DataFrame, runs: pd.DataFrame, *, absent: str = "none found", least_quantity: float = 1.0
) -> RunDefects:
    """Return which defects were found on which run.

    A record that names only an area is traced to the one run on that area that
    started before the defect was seen. With several such runs nobody can say
    which: the record is counted as not joined, and none of those runs counts as
    free of that defect.

    Parameters
    ----------
    defects : DataFrame
        Defect records: run_id, area_id, defect, quantity, seen_at.
    runs : DataFrame
        run_id, area_id, started_at.
    absent : {"none found", "not inspected"}
        What it means that a run has no record of a kind of defect.
    least_quantity : float
        Least ISO 4628-1 quantity rating that counts as found `[-]`.

    Raises
    ------
    ValueError
        `absent` is neither of the two.

    Examples
    --------
    >>> import pandas as pd
    >>> at = pd.to_datetime(["2027-01-11T08:00Z", "2027-01-12T08:00Z"])
    >>> runs = pd.DataFrame({"run_id": ["R1", "R2"], "area_id": ["A1", "A1"], "started_at": at})
    >>> seen = pd.DataFrame({
    ...     "run_id": ["R1", None], "area_id": [None, "A1"], "defect": ["spit", "crater"], "quantity": [2.0, 1.0],
    ...     "seen_at": pd.to_datetime(["2027-01-13T08:00Z"] * 2)})
    >>> result = defects_by_run(seen, runs)
    >>> bool(result.found.loc["R1", "spit"]), result.reasons
    (True, {'the area had several runs before the defect was seen': 1})
    """
    if absent not in ABSENCE:
        raise ValueError(f"absent must be one of {', '.join(map(repr, ABSENCE))}; given {absent!r}")
    traced, doubtful, reasons = _trace_to_runs(defects, runs)
    traced = traced.assign(found=traced["quantity"] >= least_quantity)
    found = traced.groupby(["run_id", "defect"])["found"].any().unstack("defect")
    found = found.reindex(index=sorted(runs["run_id"]), columns=list(DEFECTS)).astype("boolean")
    recorded = found.notna().any(axis="columns")
    if absent == "none found":
        found = found.fillna(False)
    found = _unsettle(found, doubtful[doubtful["quantity"] >= least_quantity])
    return RunDefects(
        found=found.rename_axis(index="run_id", columns=None),
        recorded=recorded,
        joined=len(traced),
        not_joined=len(defects) - len(traced),
        reasons=reasons,
    )


def _unsettle(found: pd.DataFrame, doubtful: pd.DataFrame) -> pd.DataFrame:
    """Return `found` with a missing value where a run may have the defect and is not known to."""
    if doubtful.empty:
        return found
    marks = doubtful.groupby(["run_id", "defect"]).size().unstack("defect")
    marked = marks.reindex(index=found.index, columns=found.columns).notna()
    return found.mask(marked & ~found.fillna(False).astype(bool))


def _trace_to_runs(defects: pd.DataFrame, runs: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame, dict[str, int]]:
    """Return the records traced to a run, the runs that the others may be of, and why those were not traced."""
    columns = ["run_id", "defect", "quantity"]
    by_run = defects[defects["run_id"].notna()].drop(columns="area_id")
    by_run = by_run.merge(runs[["run_id", "started_at"]], on="run_id", how="left")
    started = by_run["started_at"]
    named = by_run[started <= by_run["seen_at"]]
    by_area = defects[defects["run_id"].isna()].drop(columns="run_id").reset_index(names="record")
    candidates = by_area.merge(runs[["run_id", "area_id", "started_at"]], on="area_id", how="left")
    before = candidates[candidates["started_at"] <= candidates["seen_at"]]
    runs_before = before.groupby("record")["run_id"].size().reindex(by_area["record"], fill_value=0)
    single = before[before["record"].map(runs_before) == 1]
    several = before[before["record"].map(runs_before) > 1]
    reasons = {
        "the run it names is not recorded": int(started.isna().sum()),
        "it was seen before the run it names": int((started > by_run["seen_at"]).sum()),
        "the area had no run before the defect was seen": int((runs_before == 0).sum()),
        "the area had several runs before the defect was seen": int((runs_before > 1).sum()),
    }
    traced = pd.concat([named[columns], single[columns]], ignore_index=True)
    return traced, several[columns], {reason: n for reason, n in reasons.items() if n}
