"""What stands behind a verdict: the readings it rests on, where each was recorded, and which of them decided."""

from __future__ import annotations

import numpy as np
import pandas as pd

from auditkit.dossier import Dossier
from auditkit.trade.film import verdicts_by_side
from auditkit.trade.film_measures import TIE
from auditkit.trade.film_rules import FilmRules, load_film_rules
from auditkit.trade.film_verdicts import NOT_ASSESSABLE, Test, Verdict, counting_limits

__all__ = ["readings_behind"]

_COLUMNS = [
    "area_id",
    "side",
    "part",
    "spot",
    "repeat",
    "dft_um",
    "gauge_id",
    "taken_at",
    "spot_um",
    "counts",
    "decided",
    "decided_by",
    "file",
    "sheet",
    "line",
    "column",
]
_BY_SPOTS = ("sspc-pa-2", "own")


def readings_behind(dossier: Dossier, area_id: str, side: str, *, rules: FilmRules | None = None) -> pd.DataFrame:
    """Return the readings behind the verdict on one side of one area, those that decided it marked.

    A reading decided where a test that decided the verdict turned on it: those
    of the lowest or the highest spot, the lowest or the highest reading, those
    counted in a share, those of the mean, those of a spot with too few. Where a
    verdict conforms every test decided, so every reading that counts in a mean
    did.

    Parameters
    ----------
    dossier : Dossier
        The records.
    area_id : str
    side : {'facing', 'reverse'}
    rules : FilmRules, optional
        Left out, the rules that ship with the package.

    Returns
    -------
    DataFrame
        One row a reading, by part, spot and repeat: area_id, side, part, spot,
        repeat, dft_um `[um]`, gauge_id, taken_at, spot_um (mean of the spot)
        `[um]`, counts (whether its spot has enough readings to count), decided,
        decided_by (names of the tests, blank where none), and file, sheet,
        line and column it was recorded in.

    Raises
    ------
    ValueError
        The area is not among the accepted ones, or the side is not judged.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from auditkit.intake import read_dossier
    >>> jobs = "job_id,site,coating,film_min_um,film_nominal_um,film_max_um,film_reverse_min_um,acceptance_rule," \\
    ...        "restriction_level,wrap_min_pct,volume_solids_pct,thinner,thinner_pct\\nJ1,S,C,60,80,,,90-10,,,48,,\\n"
    >>> areas = "area_id,job_id,description,geometry,size_m2,substrate,surface_profile\\nA1,J1,,tube,3,steel,fine\\n"
    >>> film = "area_id,side,spot,repeat,dft_um,gauge_id,taken_at\\n" \\
    ...        "A1,facing,1,1,82,G1,\\nA1,facing,2,1,85,G1,\\nA1,facing,3,1,71,G1,\\n"
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     for name, text in (("jobs", jobs), ("areas", areas), ("film", film)):
    ...         _ = (Path(folder) / f"{name}.csv").write_text(text, encoding="utf-8")
    ...     dossier = read_dossier(folder)
    >>> behind = readings_behind(dossier, "A1", "facing")
    >>> behind.loc[behind["decided"], ["spot", "dft_um", "file", "line"]].to_numpy().tolist()
    [[3, 71.0, 'film.csv', 4]]
    """
    rules = rules or load_film_rules()
    readings, verdict = _side(dossier, area_id, side, rules=rules)
    frame = readings.join(dossier.lineage["film_readings"])
    frame = frame.sort_values(["part", "spot", "repeat"], kind="stable").reset_index(drop=True)
    spot = frame.groupby(["part", "spot"])["dft_um"]
    frame = frame.assign(spot_um=spot.transform("mean"), counts=spot.transform("size") >= _least(verdict, rules=rules))
    names: list[list[str]] = [[] for _ in range(len(frame))]
    for test in verdict.deciding:
        for row in np.flatnonzero(_turned_on(frame, test, verdict, rules=rules)):
            names[row].append(_words(test))
    decided_by = pd.Series(["; ".join(told) for told in names], index=frame.index, dtype="str")
    return frame.assign(decided=decided_by != "", decided_by=decided_by)[_COLUMNS]


def _side(dossier: Dossier, area_id: str, side: str, *, rules: FilmRules) -> tuple[pd.DataFrame, Verdict]:
    """Return the readings of one side, the part filled in, and the verdict on it."""
    tables = dossier.tables
    if side not in ("facing", "reverse"):
        raise ValueError(f"side must be facing or reverse, the sides that are judged; given {side!r}")
    areas = tables["areas"][tables["areas"]["area_id"] == area_id]
    if areas.empty:
        raise ValueError(f"area_id must be one of the {len(tables['areas'])} accepted areas; given {area_id!r}")
    jobs = tables["jobs"][tables["jobs"]["job_id"].isin(areas["job_id"])]
    own = {job: limits for job, limits in dossier.settings["film_limits"].items() if job in set(jobs["job_id"])}
    film = tables["film_readings"]
    readings = film[(film["area_id"] == area_id) & (film["side"] == side)]
    part = readings["part"].fillna(1).astype("int64") if "part" in readings.columns else 1
    readings = readings.assign(part=part)
    return readings, verdicts_by_side(readings, areas, jobs, rules=rules, own_limits=own)[area_id, side]


def _least(verdict: Verdict, *, rules: FilmRules) -> int:
    """Return how many readings a spot must have to count."""
    if verdict.rule == "sspc-pa-2":
        return int(rules.pa2.readings_per_spot.value)
    return 1 if verdict.spec.own is None else verdict.spec.own.readings_per_spot


def _words(test: Test) -> str:
    """Return a test in words.

    Examples
    --------
    >>> _words(Test(name="lowest spot", clause="", observed=45.0, holds="at least", limit=48.0,
    ...             outcome="does not conform", from_memory=False))
    'lowest spot (at least 48)'
    """
    return test.name if test.limit is None else f"{test.name} ({test.holds} {test.limit:.6g})"


def _ties(values: pd.Series[float], value: float) -> pd.Series[bool]:
    """Return which values equal one of them; means of the same readings differ in the last digit by their order.

    Examples
    --------
    >>> _ties(pd.Series([0.1 + 0.2, 0.3, 0.31]), 0.3).tolist()
    [True, True, False]
    """
    return (values - value).abs() <= TIE * abs(value)


def _turned_on(frame: pd.DataFrame, test: Test, verdict: Verdict, *, rules: FilmRules) -> pd.Series[bool]:
    """Return which readings a test turned on."""
    name = test.name.removeprefix(f"part {test.part}: ")
    here = pd.Series(True, index=frame.index) if test.part is None else frame["part"] == test.part
    film, spot = frame["dft_um"], frame["spot_um"]
    counted = here & frame["counts"] if verdict.rule in _BY_SPOTS else here
    below, far_below, _ = counting_limits(verdict.spec, rules=rules)
    under, far_under = film < below * (1 - TIE), film < far_below * (1 - TIE)
    turned: dict[str, pd.Series[bool]] = {
        "lowest reading": here & _ties(film, film[here].min()),
        "highest reading": here & _ties(film, film[here].max()),
        "lowest spot": counted & _ties(spot, spot[counted].min()),
        "highest spot": counted & _ties(spot, spot[counted].max()),
        "mean": counted,
        "mean of the spots": counted,
        "spots measured": here & ~frame["counts"] & (test.outcome == NOT_ASSESSABLE),
        "share of readings at or above the nominal": here & under,
        "share of readings from the least allowed up to the nominal": here & under & ~far_under,
    }
    nothing: pd.Series[bool] = pd.Series(False, index=frame.index)
    return turned.get(name, nothing)
