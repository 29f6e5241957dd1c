"""Frames of film verdicts: one row an area and side, and one row a test."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pandas as pd

from auditkit.trade.film_verdicts import Verdict

__all__ = ["film_tests", "judged_areas"]

_JUDGED = (
    ("area_id", "str"),
    ("side", "str"),
    ("verdict", "str"),
    ("rule", "str"),
    ("level", "Int64"),
    ("clause", "str"),
    ("reason", "str"),
    ("minimum_um", "float64"),
    ("nominal_um", "float64"),
    ("maximum_um", "float64"),
    ("correction_um", "float64"),
    ("mean_um", "float64"),
    ("lowest_spot_um", "float64"),
    ("highest_spot_um", "float64"),
    ("lowest_reading_um", "float64"),
    ("highest_reading_um", "float64"),
    ("share_below_pct", "float64"),
    ("n_parts", "int64"),
    ("n_spots", "int64"),
    ("n_short_spots", "int64"),
    ("n_readings", "int64"),
    ("n_edge_readings", "int64"),
    ("required", "int64"),
    ("required_of", "str"),
    ("short_by", "int64"),
    ("from_memory", "bool"),
)
_TESTS = (
    ("area_id", "str"),
    ("side", "str"),
    ("name", "str"),
    ("clause", "str"),
    ("observed", "float64"),
    ("holds", "str"),
    ("limit", "float64"),
    ("outcome", "str"),
    ("from_memory", "bool"),
    ("decided", "bool"),
)


def judged_areas(verdicts: Mapping[tuple[str, str], Verdict], readings: pd.DataFrame) -> pd.DataFrame:
    """Return verdicts as a frame, one row an area and side, with the columns of `film.judge_areas`.

    Parameters
    ----------
    verdicts : mapping of (area_id, side) to Verdict
        As `film.verdicts_by_side` returns them.
    readings : DataFrame
        The readings they were made from, for the edge readings: area_id, side.

    Examples
    --------
    >>> judged_areas({}, pd.DataFrame({"area_id": ["A1"], "side": ["edge"]})).empty
    True
    """
    edges = readings.loc[readings["side"] == "edge", "area_id"].value_counts().to_dict()
    rows = [_row(key, verdict, edges.get(key[0], 0)) for key, verdict in verdicts.items()]
    return _typed_frame(rows, _JUDGED)


def film_tests(verdicts: Mapping[tuple[str, str], Verdict]) -> pd.DataFrame:
    """Return every test behind each verdict, one a row.

    Parameters
    ----------
    verdicts : mapping of (area_id, side) to Verdict
        See `film.verdicts_by_side`.

    Returns
    -------
    DataFrame
        area_id, side, name, clause, observed, holds (how the observed must
        stand to the limit), limit, outcome, from_memory, decided (whether the
        verdict turned on it), sorted by area_id and side, tests in the order
        of the rule; thicknesses in `[um]`, shares `[-]`. A side without tests
        has no row.

    Examples
    --------
    >>> from auditkit.trade.film import FilmSpec, judge
    >>> readings = pd.DataFrame({"spot": [1, 2, 3], "dft_um": [82.0, 85.0, 79.0]})
    >>> spec = FilmSpec(rule="90-10", level=None, minimum_um=60, nominal_um=80, maximum_um=None,
    ...                 surface_profile="fine", size_m2=2)
    >>> tests = film_tests({("A1", "facing"): judge(readings, spec=spec)})
    >>> tests[["name", "limit", "outcome"]].to_numpy().tolist()[2]
    ['lowest reading', 72.0, 'conforms']
    """
    rows: list[dict[str, object]] = [
        {
            "area_id": area_id,
            "side": side,
            "name": test.name,
            "clause": test.clause,
            "observed": test.observed,
            "holds": test.holds,
            "limit": test.limit,
            "outcome": test.outcome,
            "from_memory": test.from_memory,
            "decided": test in verdict.deciding,
        }
        for (area_id, side), verdict in sorted(verdicts.items(), key=lambda item: item[0])
        for test in verdict.tests
    ]
    return _typed_frame(rows, _TESTS)


def _row(key: tuple[str, str], verdict: Verdict, n_edge_readings: int) -> dict[str, object]:
    """Return one row of `judged_areas`."""
    measured, spec = verdict.measured, verdict.spec
    spots_lowest, spots_highest, readings_lowest, readings_highest = None, None, None, None
    if measured is not None:
        correction = verdict.correction_um
        readings_lowest, readings_highest = measured.lowest_um - correction, measured.highest_um - correction
        if spec.rule in ("sspc-pa-2", "own"):
            spots_lowest, spots_highest = verdict.lowest_um, verdict.highest_um
        else:
            spots_lowest, spots_highest = measured.lowest_spot_um - correction, measured.highest_spot_um - correction
    return {
        "area_id": key[0],
        "side": key[1],
        "verdict": verdict.verdict,
        "rule": verdict.rule,
        "level": verdict.level,
        "clause": verdict.clause,
        "reason": verdict.reason,
        "minimum_um": spec.minimum_um,
        "nominal_um": spec.nominal_um,
        "maximum_um": spec.maximum_um,
        "correction_um": verdict.correction_um,
        "mean_um": verdict.mean_um,
        "lowest_spot_um": spots_lowest,
        "highest_spot_um": spots_highest,
        "lowest_reading_um": readings_lowest,
        "highest_reading_um": readings_highest,
        "share_below_pct": verdict.share_below_pct,
        "n_parts": verdict.n_parts,
        "n_spots": verdict.n_spots,
        "n_short_spots": verdict.n_short_spots,
        "n_readings": verdict.n_readings,
        "n_edge_readings": n_edge_readings,
        "required": verdict.required,
        "required_of": verdict.required_of,
        "short_by": verdict.short_by,
        "from_memory": verdict.from_memory,
    }


def _typed_frame(rows: list[dict[str, object]], columns: Iterable[tuple[str, str]]) -> pd.DataFrame:
    """Return the rows as a frame whose types do not depend on which values are there."""
    return pd.DataFrame({column: pd.Series([row[column] for row in rows], dtype=kind) for column, kind in columns})
