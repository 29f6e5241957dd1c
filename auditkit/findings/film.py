"""Was enough paint put on, on every side: film thickness by the published rule each job names."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from auditkit.trade.film import film_tests, judged_areas, spots, verdicts_by_side
from auditkit.trade.film_rules import load_film_rules
from auditkit.trade.gauges import judge_checks, suspect_readings
from auditkit.trade.standing import is_superseded

__all__ = ["FilmFindings", "find_film"]

_WORST = ("does not conform", "not assessable", "conforms")


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmFindings:
    """Film thickness by area.

    Parameters
    ----------
    areas : DataFrame
        One row an area and side, see `trade.film.judge_areas`, with job_id,
        geometry, suspect_readings and uncovered_readings (see
        `trade.gauges.suspect_readings`) and superseded_readings.
    by_area : DataFrame
        One row an area, sorted by area_id: area_id, job_id, verdict (the worst
        of its sides), reason.
    tests : DataFrame
        One row a test of a side, see `trade.film.film_tests`.
    spots : DataFrame
        One row a spot, see `trade.film.spots`.
    gauge_checks : DataFrame
        One row a gauge check and standard, see `trade.gauges.judge_checks`.
    n, excluded : int
        Readings on sides that got a verdict, and all others.
    on_edges, superseded : int
        Readings on edges; and those made before the area's last spray run
        ended, of a film that has since been sprayed over.
    method : str
        What was done, in a sentence.
    """

    areas: pd.DataFrame
    by_area: pd.DataFrame
    tests: pd.DataFrame
    spots: pd.DataFrame
    gauge_checks: pd.DataFrame
    n: int
    excluded: int
    on_edges: int
    superseded: int
    method: str


def find_film(
    tables: Mapping[str, pd.DataFrame], *, own_limits: Mapping[str, Mapping[str, object]] | None = None
) -> FilmFindings:
    """Return the film verdict of every area and side.

    Parameters
    ----------
    tables : mapping of str to DataFrame
        The accepted tables; jobs, areas, spray runs, film readings and gauge
        checks are used.
    own_limits : mapping, optional
        Limits of jobs judged by a rule of their own, as dossier.yaml declares.
    """
    every = tables["film_readings"]
    superseded = is_superseded(every, tables["spray_runs"], time="taken_at")
    readings = every[~superseded]
    verdicts = verdicts_by_side(
        readings, tables["areas"], tables["jobs"], rules=load_film_rules(), own_limits=own_limits
    )
    areas = judged_areas(verdicts, readings)
    areas = areas.merge(tables["areas"][["area_id", "job_id", "geometry"]], on="area_id", how="left")
    doubtful = suspect_readings(readings, tables["gauge_checks"])
    for status, column in (("suspect", "suspect_readings"), ("not covered by a check", "uncovered_readings")):
        counts = doubtful[doubtful["status"] == status].groupby(["area_id", "side"]).size().rename(column)
        areas = areas.merge(counts.reset_index(), on=["area_id", "side"], how="left")
        areas[column] = areas[column].fillna(0).astype("int64")
    areas = _say_superseded(areas, every[superseded])
    judged = int(areas.loc[areas["verdict"] != "not assessable", "n_readings"].sum())
    return FilmFindings(
        areas=areas,
        by_area=worst_side(areas),
        tests=film_tests(verdicts),
        spots=spots(readings),
        gauge_checks=judge_checks(tables["gauge_checks"]),
        n=judged,
        excluded=len(every) - judged,
        on_edges=int((readings["side"] == "edge").sum()),
        superseded=int(superseded.sum()),
        method=(
            "Each side of each area is judged by the rule its job names; an area takes the worse of its sides. "
            "Edge readings are counted and not judged, since SSPC-PA 2 leaves edges to a non-mandatory appendix; nor "
            "are readings made before the area's last spray run ended, which are of a film since sprayed over."
        ),
    )


def _say_superseded(areas: pd.DataFrame, superseded: pd.DataFrame) -> pd.DataFrame:
    """Return the sides with their superseded readings counted, and said where no others are there."""
    counts = superseded.groupby(["area_id", "side"]).size().rename("superseded_readings").reset_index()
    areas = areas.merge(counts, on=["area_id", "side"], how="left")
    areas["superseded_readings"] = areas["superseded_readings"].fillna(0).astype("int64")
    only_old = (areas["n_readings"] == 0) & (areas["superseded_readings"] > 0)
    said = areas["superseded_readings"].astype("str") + " readings, all made before the area's last run ended"
    return areas.assign(reason=areas["reason"].mask(only_old, said))


def worst_side(areas: pd.DataFrame) -> pd.DataFrame:
    """Return one verdict an area, the worst of its sides, with that side's reason.

    Examples
    --------
    >>> import pandas as pd
    >>> sides = pd.DataFrame({
    ...     "area_id": ["A1", "A1"], "job_id": ["J1", "J1"], "side": ["facing", "reverse"],
    ...     "verdict": ["conforms", "does not conform"], "reason": ["", "too thin"]})
    >>> worst_side(sides).loc[0].tolist()
    ['A1', 'J1', 'does not conform', 'reverse: too thin']
    """
    rank = areas["verdict"].map(_WORST.index)
    ordered = areas.assign(rank=rank).sort_values(["area_id", "rank", "side"], kind="stable")
    worst = ordered.drop_duplicates("area_id").reset_index(drop=True)
    reason = (worst["side"] + ": " + worst["reason"]).where(worst["verdict"] != "conforms", "every side conforms")
    return worst[["area_id", "job_id", "verdict"]].assign(reason=reason)
