"""Site files of the extra measurements: spots around thin areas, and the studies of the measuring."""

from __future__ import annotations

import pandas as pd

from auditkit.simulate.dirt import Dirt, Row
from auditkit.simulate.instruments import GAUGES
from auditkit.simulate.site_office import Site, number_texts, rows_of, site_words, texts
from auditkit.simulate.workbooks import write_workbook

__all__ = ["write_extent_spots", "write_studies"]

_GIVEN = GAUGES["G2"].given


def write_extent_spots(site: Site) -> None:
    """Write the spots around thin areas in mil, one line a reading."""
    spots = site.tables["extent_spots"]
    rows = rows_of(
        texts(spots["area_id"]),
        site_words(spots["side"], "side"),
        texts(spots["direction"]),
        site_words(spots["basis"], "basis"),
        texts(spots["step"]),
        texts(spots["repeat"]),
        number_texts(pd.Series(_GIVEN(spots["dft_um"].to_numpy(dtype="float64")))),
        texts(spots["gauge_id"]),
        site.local("extent_spots", "taken_at", "%d.%m.%Y %H:%M"),
    )
    seen = "10.02.2027 18:20"
    bad = [
        Dirt(rule="link", cells=["A998", "front", "1", "1.5 m", "1", "1", "2.4", "G2", seen]),
        Dirt(rule="range", cells=["A001", "front", "9", "1.5 m", "1", "1", "2.4", "G2", seen]),
        Dirt(rule="choice", cells=["A001", "front", "1", "2 paces", "1", "1", "2.4", "G2", seen]),
        Dirt(rule="type", cells=["A001", "front", "1", "1.5 m", "2nd", "1", "2.4", "G2", seen]),
    ]
    header: Row = ["Area", "Side", "Way", "Step is", "Step", "No.", "mil", "Gauge", "Seen"]
    dirtied = site.dirtied(rows, bad, file="around_thin_areas.csv", record="extent_spots") if rows else []
    site.write_lines("around_thin_areas.csv", [header, *dirtied])


def write_studies(site: Site) -> None:
    """Write the studies as a spreadsheet: the crossed one a place a line, people and trials across."""
    readings = site.tables["study_readings"]
    sheets = {"Everyone": _crossed(site, readings), "Own places": _nested(site, readings)}
    write_workbook(site.folder / "study.xlsx", sheets)


def _crossed(site: Site, readings: pd.DataFrame) -> list[Row]:
    own = readings[readings["design"] == "crossed"]
    across = own.set_index(["place_id", "inspector_id", "trial"])["reading_um"].unstack(["inspector_id", "trial"])
    across = across.sort_index(axis="columns")
    begun = own.groupby("place_id")["measured_at"].first().dt.tz_convert(site.zone).dt.tz_localize(None)
    columns = [[float(value) for value in GAUGES["G1"].given(across[name].to_numpy())] for name in across.columns]
    rows = rows_of(list(across.index), [moment.to_pydatetime() for moment in begun[across.index]], *columns)
    later = pd.Timestamp("2027-01-20 12:00").to_pydatetime()
    blank: Row = [None] * (len(columns) - 1)
    bad = [
        Dirt(rule="type", cells=["P99", later, "abt 60", *blank]),
        Dirt(rule="range", cells=["P99", later, *blank, -3.1]),
        Dirt(rule="missing", cells=[None, None, *blank, round(float(own["reading_um"].mean()), 1)], at_end=True),
    ]
    rows = site.dirtied(rows, bad, file="study.xlsx", record="study_readings")
    header: Row = ["Place", "Begun", *(f"{name[0]} no. {name[1]}" for name in across.columns)]
    return [["Everyone at every place, gauge G1, micrometres"], header, *rows]


def _nested(site: Site, readings: pd.DataFrame) -> list[Row]:
    own = readings[readings["design"] == "nested"]
    across = own.set_index(["inspector_id", "place_id", "trial"])["reading_um"].unstack("trial").sort_index()
    begun = own.groupby(["inspector_id", "place_id"])["measured_at"].first().dt.tz_convert(site.zone)
    moments = [moment.to_pydatetime() for moment in begun.dt.tz_localize(None)[across.index]]
    columns = [[float(value) for value in _GIVEN(across[trial].to_numpy())] for trial in across.columns]
    people, places = (list(across.index.get_level_values(level)) for level in ("inspector_id", "place_id"))
    rows = rows_of(people, places, moments, *columns)
    bad = [Dirt(rule="repeated key", rows=len(columns))]
    rows = site.dirtied(rows, bad, file="study.xlsx", record="study_readings")
    header: Row = ["Person", "Place", "Begun", *(f"no. {trial}" for trial in across.columns)]
    return [["Everyone at places of their own, gauge G2, mil"], header, *rows]
