"""Odd series: a gauge that shows the same figure again and again, and the same figures in two places."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from auditkit.stats.repeated_series import chance_of_equal_run, chance_of_match, equal_runs, matching_stretches

__all__ = ["COPIED", "STUCK", "find_series"]

STUCK = "same figure again and again"
COPIED = "same figures in two places"

SERIES_COLUMNS = [
    "kind",
    "gauge_id",
    "area_id",
    "side",
    "first_spot",
    "first_repeat",
    "other_area_id",
    "other_side",
    "other_spot",
    "other_repeat",
    "length",
    "values_um",
    "probability",
    "expected",
    "marked",
    "seen",
    "chance",
    "innocent",
]
TestedRow = tuple[str, int, int, float, int, str]

_SHORTEST_RUN = 4
_INNOCENT = {
    STUCK: "a gauge frozen on its last reading; a very even film read to a coarse step; a cell filled down a column",
    COPIED: "one area noted under two names; a memory read out twice; lines copied while the sheet was being laid out",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spreads:
    """Spreads of the calmer areas of a gauge `[um]`."""

    within: float
    between: float
    outer: float


def find_series(
    readings: pd.DataFrame, *, grids: Mapping[str, float], level: float = 0.05, at_least: int = 6
) -> tuple[pd.DataFrame, list[TestedRow]]:
    """Return the series that repeat themselves, and what was tested.

    Parameters
    ----------
    readings : DataFrame
        One row a reading, in the order they were taken within gauge, area and
        side: gauge_id, job_id, area_id, side, spot, repeat, dft_um `[um]`.
    grids : mapping of str to float
        Step each gauge was read to `[um]`; a gauge that is not there is not
        tested.
    level : float
        A series is marked where chance would give fewer than this many such
        in all readings of the gauge.
    at_least : int
        Readings a copied series must hold.

    Returns
    -------
    series : DataFrame
        Every copied series of at least that length and every run of four or
        more equal readings, those that chance explains too: kind, gauge_id,
        area_id, side, first_spot, first_repeat, other_area_id, other_side,
        other_spot, other_repeat (the second place of a copied series, blank
        otherwise), length, values_um (as text), probability (of such a series
        from a given reading, or pair of readings, on), expected (how many of
        them chance would give in all the gauge's readings), marked, seen,
        chance, innocent; marked ones first, then rarest first.
    tested : list of tuple
        kind, tested, marked, expected by chance, not tested, why not.

    Notes
    -----
    The honest model has normal readings about spots, spots about areas and
    areas about their job's level, rounded to the gauge's step. Its spreads are
    lower quartiles over the gauge's areas (and jobs), so that a calm area does
    not look guilty. A gauge that is stuck in more than a quarter of its areas
    therefore goes unmarked.

    Examples
    --------
    >>> rng = np.random.default_rng(2)
    >>> area, spot = np.repeat(np.arange(8), 15), np.tile(np.repeat(np.arange(1, 6), 3), 8)
    >>> level = 80 + rng.normal(0, 8, 8)[area] + rng.normal(0, 5, 40)[area * 5 + spot - 1]
    >>> readings = pd.DataFrame({
    ...     "gauge_id": "G1", "job_id": "J1", "area_id": [f"A{a}" for a in area], "side": "facing", "spot": spot,
    ...     "repeat": np.tile([1, 2, 3], 40), "dft_um": np.round(level + rng.normal(0, 2, 120))})
    >>> readings.loc[105:, "dft_um"] = readings.loc[15:29, "dft_um"].to_numpy()
    >>> series, _ = find_series(readings, grids={"G1": 1.0})
    >>> series.loc[series["marked"], ["area_id", "other_area_id", "length"]].values.tolist()
    [['A1', 'A7', 15]]
    """
    frames, left, counted = [], 0, 0
    for gauge, part in readings.groupby("gauge_id", sort=True):
        step = grids.get(str(gauge))
        spreads = None if step is None else _spreads(part)
        if step is None or spreads is None:
            left += len(part)
            continue
        counted += len(part)
        rows = part.reset_index(drop=True)
        frames.append(_stuck(rows, step=step, spreads=spreads, level=level))
        frames.append(_copied(rows, step=step, spreads=spreads, level=level, at_least=at_least))
    series = pd.concat(frames, ignore_index=True) if frames else pd.DataFrame(columns=SERIES_COLUMNS)
    series = series.astype(
        {
            "length": "int64",
            "probability": "float64",
            "expected": "float64",
            "marked": "bool",
            **dict.fromkeys(("first_spot", "first_repeat", "other_spot", "other_repeat"), "Int64"),
        }
    )
    order = ["marked", "expected", "kind", "gauge_id", "area_id", "side", "first_spot", "first_repeat"]
    series = series.sort_values(order, ascending=[False] + [True] * 7, kind="stable", ignore_index=True)
    why = "no single step fits the gauge's readings, or too few areas tell its spread" if left else ""
    gauges = len(frames) // 2
    tested = []
    for kind in (STUCK, COPIED):
        marked = int((series["marked"] & (series["kind"] == kind)).sum())
        tested.append((kind, counted, marked, level * gauges, left, why))
    return series[SERIES_COLUMNS], tested


def _spreads(part: pd.DataFrame) -> _Spreads | None:
    """Return lower quartiles of the spreads of a gauge's areas; None where none can be told."""
    spots = part.groupby(["job_id", "area_id", "side", "spot"])["dft_um"].agg(["mean", "var", "size"])
    spots["ss"] = (spots["var"] * (spots["size"] - 1)).fillna(0.0)
    sides = spots.groupby(level=["job_id", "area_id", "side"]).agg(
        ss=("ss", "sum"), n=("size", "sum"), spots=("size", "size"), of_means=("mean", "var"), level=("mean", "mean")
    )
    freedom = sides["n"] - sides["spots"]
    within = (sides["ss"] / freedom.where(freedom >= 4)).dropna()
    if len(within) < 4:
        return None
    per_spot = sides["n"] / sides["spots"]
    between = (sides["of_means"] - within / per_spot).clip(lower=0.0).dropna()
    jobs = sides.groupby(level=["job_id", "side"])["level"].agg(["std", "size"])
    outer = jobs.loc[jobs["size"] >= 4, "std"].dropna()
    return _Spreads(
        within=float(np.sqrt(within.quantile(0.25))),
        between=float(np.sqrt(between.quantile(0.25))) if len(between) else 0.0,
        outer=float(outer.quantile(0.25)) if len(outer) else 0.0,
    )


def _codes(rows: pd.DataFrame, step: float) -> tuple[np.ndarray, np.ndarray]:
    """Return readings in steps, and the number of the area side each belongs to."""
    codes = np.round(rows["dft_um"].to_numpy() / step).astype(np.int64)
    return codes, rows.groupby(["area_id", "side"], sort=False).ngroup().to_numpy()


def _sizes(rows: pd.DataFrame, start: int, length: int) -> tuple[int, ...]:
    """Return how many readings of the stretch lie in each spot it runs through."""
    spots = rows["spot"].to_numpy()[start : start + length]
    edges = np.flatnonzero(np.append(True, spots[1:] != spots[:-1]))
    return tuple(int(n) for n in np.diff(np.append(edges, length)))


def _stuck(rows: pd.DataFrame, *, step: float, spreads: _Spreads, level: float) -> pd.DataFrame:
    codes, series = _codes(rows, step)
    known: dict[tuple[int, ...], float] = {}
    out = []
    runs = equal_runs(codes.tolist(), series=series.tolist(), at_least=_SHORTEST_RUN)
    for start, length in runs[["start", "length"]].to_numpy().tolist():
        sizes = _sizes(rows, start, length)
        if sizes not in known:
            known[sizes] = chance_of_equal_run(sizes, within_sd=spreads.within, between_sd=spreads.between, step=step)
        expected = known[sizes] * len(rows)
        first = rows.iloc[start]
        value = float(first["dft_um"])
        out.append(
            {
                **_place(first),
                "kind": STUCK,
                "gauge_id": first["gauge_id"],
                "length": length,
                "values_um": f"{value:g}",
                "probability": known[sizes],
                "expected": expected,
                "marked": expected < level,
                "seen": (
                    f"{length} readings in succession of {value:g} um, through {len(sizes)} "
                    f"{'spot' if len(sizes) == 1 else 'spots'}, on a gauge read to {step:g} um"
                ),
                "chance": _chance(expected, len(rows)),
                "innocent": _INNOCENT[STUCK],
            }
        )
    return pd.DataFrame(out, columns=SERIES_COLUMNS)


def _copied(rows: pd.DataFrame, *, step: float, spreads: _Spreads, level: float, at_least: int) -> pd.DataFrame:
    codes, series = _codes(rows, step)
    pairs = len(rows) * (len(rows) - 1) / 2.0
    known: dict[tuple[tuple[int, ...], float], float] = {}
    out = []
    matches = matching_stretches(codes.tolist(), series=series.tolist(), at_least=at_least)
    for start, second, length in matches[["first", "second", "length"]].to_numpy().tolist():
        outer = spreads.outer if series[start] != series[second] else 0.0
        case = (_sizes(rows, start, length), outer)
        if case not in known:
            known[case] = chance_of_match(
                case[0], within_sd=spreads.within, between_sd=spreads.between, outer_sd=outer, step=step
            )
        expected = known[case] * pairs
        first, other = rows.iloc[start], rows.iloc[second]
        values = ", ".join(f"{value:g}" for value in rows["dft_um"].iloc[start : start + length])
        out.append(
            {
                **_place(first),
                "kind": COPIED,
                "gauge_id": first["gauge_id"],
                "other_area_id": other["area_id"],
                "other_side": other["side"],
                "other_spot": other["spot"],
                "other_repeat": other["repeat"],
                "length": length,
                "values_um": values,
                "probability": known[case],
                "expected": expected,
                "marked": expected < level,
                "seen": (
                    f"{length} readings in succession are the same, one by one, in {_words(first)} and in "
                    f"{_words(other)}: {values} um"
                ),
                "chance": _chance(expected, len(rows)),
                "innocent": _INNOCENT[COPIED],
            }
        )
    return pd.DataFrame(out, columns=SERIES_COLUMNS)


def _place(row: pd.Series) -> dict[str, object]:
    return {
        "area_id": row["area_id"],
        "side": row["side"],
        "first_spot": row["spot"],
        "first_repeat": row["repeat"],
        "other_area_id": "",
        "other_side": "",
        "other_spot": pd.NA,
        "other_repeat": pd.NA,
    }


def _words(row: pd.Series) -> str:
    return f"{row['area_id']} {row['side']} from spot {row['spot']} on"


def _chance(expected: float, n: int) -> str:
    """Return in words how many such series chance would give."""
    if expected >= 0.1:
        return f"honest readings of this spread and resolution give about {expected:.1f} such series in {n} readings"
    times = f"{1.0 / expected:,.0f}".replace(",", " ") if expected > 1e-9 else "more than a thousand million"
    return f"honest readings of this spread and resolution give such a series once in {times} audits of {n} readings"
