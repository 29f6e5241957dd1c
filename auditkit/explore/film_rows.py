"""Rows of the film map: areas by verdict, spots of an area, readings of a spot."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from auditkit.explore.explorer import check_choice
from auditkit.findings.audit import Findings
from auditkit.trade.standing import is_superseded

__all__ = [
    "SIDES",
    "WORST_FIRST",
    "FilmView",
    "areas_of",
    "check_view",
    "film_table",
    "jobs_of",
    "readings_of",
    "spots_of",
]

SIDES = ("facing", "reverse")
WORST_FIRST = ("does not conform", "not assessable", "conforms")

_AREA_COLUMNS = ["area_id", "side", "verdict", "mean_um", "lowest_spot_um", "highest_spot_um", "minimum_um"]
_AREA_COLUMNS += ["nominal_um", "maximum_um", "n_spots", "n_readings", "reason"]
_SPOT_COLUMNS = ["part", "spot", "n", "dft_um", "low_um", "high_um"]
_READING_COLUMNS = ["spot", "repeat", "dft_um", "gauge_id", "taken_at", "counts", "file", "sheet", "line", "column"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmView:
    """What the film map shows.

    Parameters
    ----------
    job : str, optional
        The job whose areas are shown; left open, the areas of all jobs.
    area : str, optional
        The area whose spots and readings are shown.
    side : {'facing', 'reverse'}
        The side that the tables are of.
    spot : int, optional
        The spot whose readings are listed.
    """

    job: str | None = None
    area: str | None = None
    side: str = "facing"
    spot: int | None = None


def film_table(findings: Findings, view: FilmView) -> pd.DataFrame:
    """Return what the figure draws.

    Parameters
    ----------
    findings : Findings
    view : FilmView

    Returns
    -------
    DataFrame
        With no area picked, one row an area and side, the worst first:
        area_id, side, verdict, mean_um, lowest_spot_um, highest_spot_um, the
        limits as specified, n_spots, n_readings, reason. With an area, one row
        a spot of the side: part, spot, n, dft_um, low_um, high_um. With a
        spot, one row a reading: spot, repeat, dft_um, gauge_id, taken_at,
        counts (False where it is of a film since sprayed over), file, sheet,
        line, column. Film in `[um]`, that of areas less the rule's correction.

    Raises
    ------
    ValueError
        The view names what the records do not have.
    """
    check_view(findings, view)
    if view.area is None:
        areas = areas_of(findings, view.job)
        rank = areas["verdict"].map(WORST_FIRST.index)
        order = areas.assign(rank=rank).sort_values(["rank", "area_id", "side"], ignore_index=True)
        return order[_AREA_COLUMNS]
    if view.spot is None:
        spots = findings.film.spots
        own = spots[(spots["area_id"] == view.area) & (spots["side"] == view.side)]
        return own.sort_values(["part", "spot"], ignore_index=True)[_SPOT_COLUMNS]
    readings = readings_of(findings, view.area)
    own = readings[(readings["side"] == view.side) & (readings["spot"] == view.spot)]
    return own.sort_values("repeat", ignore_index=True)[_READING_COLUMNS]


def jobs_of(findings: Findings) -> list[str]:
    """Return the jobs that are recorded."""
    return [str(job) for job in sorted(findings.dossier.tables["jobs"]["job_id"])]


def areas_of(findings: Findings, job: str | None) -> pd.DataFrame:
    """Return the judged sides of the areas of one job, or of all."""
    areas = findings.film.areas
    return areas if job is None else areas[areas["job_id"] == job]


def readings_of(findings: Findings, area: str) -> pd.DataFrame:
    """Return the readings of one area, whether each counts, and where it was recorded."""
    dossier = findings.dossier
    readings = dossier.tables["film_readings"]
    readings = readings[readings["area_id"] == area]
    runs = dossier.tables["spray_runs"]
    counts = ~is_superseded(readings, runs[runs["area_id"] == area], time="taken_at")
    lineage = dossier.lineage["film_readings"].loc[readings.index]
    taken = readings["taken_at"].dt.tz_convert(dossier.time_zone).dt.strftime("%Y-%m-%d %H:%M")
    return readings.assign(taken_at=taken, counts=counts).join(lineage)


def check_view(findings: Findings, view: FilmView) -> None:
    """Raise ValueError where the view names what the records do not have."""
    if view.job is not None:
        check_choice("job", view.job, jobs_of(findings))
    check_choice("side", view.side, list(SIDES))
    if view.area is not None:
        check_choice("area", view.area, sorted(areas_of(findings, view.job)["area_id"].unique()))
    if view.spot is not None:
        check_choice("spot", view.spot, spots_of(findings, view))


def spots_of(findings: Findings, view: FilmView) -> list[int]:
    """Return the spots of the picked side, those of a film since sprayed over too."""
    if view.area is None:
        return []
    readings = findings.dossier.tables["film_readings"]
    own = readings[(readings["area_id"] == view.area) & (readings["side"] == view.side)]
    return [int(spot) for spot in sorted(own["spot"].unique())]
