"""Site files of the inspection: gauge readings and checks, wrap ratings, defects."""

from __future__ import annotations

import pandas as pd

from auditkit.simulate.dirt import Dirt, Row
from auditkit.simulate.instruments import GAUGES
from auditkit.simulate.site_office import Site, number_texts, rows_of, site_words, texts
from auditkit.simulate.workbooks import write_workbook

__all__ = ["write_defects", "write_gauge_checks", "write_readings_g1", "write_readings_g2", "write_wrap"]


def write_readings_g1(site: Site) -> None:
    """Write gauge G1's readings as a spreadsheet, one sheet a vessel, two lines of title above the header."""
    readings = site.tables["film_readings"]
    vessel_of = site.tables["areas"].merge(site.tables["jobs"], on="job_id").set_index("area_id")["site"]
    own = readings.loc[readings["gauge_id"] == "G1"]
    vessel = own["area_id"].map(vessel_of)
    header: Row = ["Area", "Part", "Side", "Spot", "Reading", "um", "Taken", "Remarks"]
    bad_of: dict[str, list[Dirt]] = {
        "MF Vestrelin": [
            _bad_reading("range", "A003", 91, -12.4),
            _bad_reading("type", "A004", 91, "abt 70"),
            Dirt(rule="repeated key"),
        ],
        "MF Ostrigan": [
            _bad_reading("range", "A100", 91, 99999.0),
            _bad_reading("link", "A999", 1, 71.3),
            _bad_reading("missing", "A101", 91, 68.8, side=None),
            Dirt(rule="repeated key"),
        ],
        "MF Nordavel": [_bad_reading("choice", "A170", 91, 66.1, side="lee")],
    }
    sheets: dict[str, list[Row]] = {}
    for name, bad in bad_of.items():
        aboard = own.loc[vessel == name]
        local = aboard["taken_at"].dt.tz_convert(site.zone).dt.tz_localize(None)
        rows = rows_of(
            texts(aboard["area_id"]),
            [None if pd.isna(part) else int(part) for part in aboard["part"]],
            site_words(aboard["side"], "side"),
            [int(spot) for spot in aboard["spot"]],
            [int(repeat) for repeat in aboard["repeat"]],
            [float(value) for value in GAUGES["G1"].given(aboard["dft_um"].to_numpy(dtype="float64"))],
            [moment.to_pydatetime() for moment in local],
            [None] * len(aboard),
        )
        mean = round(float(aboard["dft_um"].mean()), 1)
        total = Dirt(rule="missing", cells=["Total", None, None, None, None, mean, None, "mean"], at_end=True)
        rows = site.dirtied(rows, [*bad, total], file="readings_G1.xlsx", record="film_readings")
        sheets[name] = [[f"Gauge G1, {name}"], ["film in micrometres"], header, *rows]
    write_workbook(site.folder / "readings_G1.xlsx", sheets)


def _bad_reading(rule: str, area: str, spot: int, value: object, *, side: str | None = "front") -> Dirt:
    taken = pd.Timestamp("2027-02-10 18:05").to_pydatetime()
    return Dirt(rule=rule, cells=[area, None, side, spot, 1, value, taken, None])


def write_readings_g2(site: Site) -> None:
    """Write gauge G2's readings in mil, one line a spot, with decimal commas and a German header."""
    readings = site.tables["film_readings"]
    own = readings.loc[readings["gauge_id"] == "G2"]
    own = own.assign(mil=GAUGES["G2"].given(own["dft_um"].to_numpy(dtype="float64")))
    spots = own.set_index(["area_id", "side", "spot", "repeat"])["mil"].unstack("repeat").sort_index()
    first = own.loc[own["repeat"] == 1].set_index(["area_id", "side", "spot"]).sort_index()
    side = pd.Series(first.index.get_level_values("side"))
    rows = rows_of(
        list(first.index.get_level_values("area_id")),
        texts(first["part"]),
        [{"facing": "vorn", "reverse": "hinten", "edge": "Kante"}[word] for word in side],
        texts(pd.Series(first.index.get_level_values("spot"))),
        *([text.replace(".", ",") for text in number_texts(spots[repeat])] for repeat in (1, 2, 3)),
        texts(first["gauge_id"]),
        list(first["taken_at"].dt.tz_convert(site.zone).dt.strftime("%d.%m.%Y %H:%M")),
    )
    complete = int(spots.notna().all(axis="columns").to_numpy().argmax())
    bad = [
        Dirt(rule="repeated key", cells=rows[complete], rows=3, at_end=True),
        Dirt(rule="type", cells=["A005", "", "vorn", "92", "2,8", "", "", "G2", "31.02.2027 10:15"]),
        Dirt(rule="range", cells=["A006", "", "vorn", "92", "-0,4", "", "", "G2", "10.02.2027 18:15"]),
        Dirt(rule="shape", cells=["A007", "", "vorn", "92", "2,8", "2,9", "2,7", "G2", "10.02.2027 18:15", "x"]),
    ]
    header: Row = ["Messfläche", "Teil", "Seite", "Messstelle", "R1", "R2", "R3", "Gerät", "Zeit"]
    rows = site.dirtied(rows, bad, file="readings_G2.csv", record="film_readings")
    site.write_lines("readings_G2.csv", [header, *rows], delimiter=";", encoding="cp1252")


def write_wrap(site: Site) -> None:
    """Write the wrap ratings in contract columns, set apart by upright strokes."""
    wrap = site.tables["wrap_observations"]
    rows = rows_of(
        texts(wrap["area_id"]),
        texts(wrap["inspector_id"]),
        [moment.isoformat() for moment in wrap["observed_at"].dt.tz_convert(site.zone)],
        number_texts(wrap["rating"]),
        site_words(wrap["scale"], "scale"),
        texts(wrap["method"]),
    )
    bad = [
        Dirt(rule="row rule", cells=["A011", "IN1", "2027-02-10T18:01:00+01:00", "7", "out of 5", "mirror"]),
        Dirt(rule="range", cells=["A012", "IN1", "2027-02-10T18:02:00+01:00", "140", "%", "mirror"]),
        Dirt(rule="missing", cells=["A013", "", "2027-02-10T18:03:00+01:00", "4", "out of 5", "mirror"]),
        Dirt(rule="choice", cells=["A014", "IN1", "2027-02-10T18:04:00+01:00", "4", "out of 6", "mirror"]),
        Dirt(rule="ambiguous", cells=["A015", "IN1", "2027-02-10T18:05:00+01:00", "3,5", "out of 5", "mirror"]),
    ]
    header: Row = ["area_id", "inspector_id", "observed_at", "rating", "scale", "method"]
    rows = site.dirtied(rows, bad, file="wrap.txt", record="wrap_observations")
    site.write_lines("wrap.txt", [header, *rows], delimiter="|")


def write_defects(site: Site) -> None:
    """Write the defects, one file an inspector, in the inspectors' own words."""
    defects = site.tables["defects"]
    moments = site.local("defects", "seen_at", "%d.%m.%Y %H:%M")
    bad_of = {
        "IN1": [
            Dirt(rule="choice", cells=["D901", "R0030", "", "blotch", "2", "3", "10.02.2027 18:01"]),
            Dirt(rule="choice", cells=["D902", "R0031", "", "funny patch", "2", "3", "10.02.2027 18:02"]),
            Dirt(rule="range", cells=["D903", "R0032", "", "spit", "9", "3", "10.02.2027 18:03"]),
            Dirt(rule="row rule", cells=["D904", "", "", "spit", "2", "3", "10.02.2027 18:04"]),
        ],
        "IN2": [
            Dirt(rule="link", cells=["D905", "R7777", "", "spit", "2", "3", "10.02.2027 18:05"]),
            Dirt(rule="type", cells=["D906", "R0033", "", "spit", "2", "3", "30.02.2027 18:06"]),
            Dirt(rule="repeated key"),
        ],
    }
    header: Row = ["No.", "Run", "Area", "Defect", "Quantity", "Size", "Seen"]
    for inspector, bad in bad_of.items():
        own = (defects["inspector_id"] == inspector).to_numpy()
        seen = defects.loc[own]
        rows = rows_of(
            texts(seen["defect_id"]),
            texts(seen["run_id"]),
            texts(seen["area_id"]),
            site_words(seen["defect"], "defect"),
            number_texts(seen["quantity"]),
            number_texts(seen["size"]),
            [moment for moment, mine in zip(moments, own, strict=True) if mine],
        )
        file = f"defects_{inspector}.csv"
        rows = site.dirtied(rows, bad, file=file, record="defects")
        site.write_lines(file, [header, *rows])


def write_gauge_checks(site: Site) -> None:
    """Write the gauge checks, one file a gauge, G2's in mil."""
    checks = site.tables["gauge_checks"]
    moments = pd.Series(site.local("gauge_checks", "checked_at", "%d.%m.%Y %H:%M"))
    bad_of = {
        "G1": [
            Dirt(rule="choice", cells=["G1", "10.02.2027 12:01", "lunch", "74.6", "1", "74.4", "3", "1"]),
            Dirt(rule="repeated key"),
        ],
        "G2": [Dirt(rule="type", cells=["G2", "10.02.2027 12:02", "evening", "5", "1", "abt 5.0", "3", "1"])],
    }
    header: Row = ["Gauge", "When", "Stage", "Standard", "No.", "Reading", "Gauge %", "Standard %"]
    for gauge, bad in bad_of.items():
        own = checks.loc[checks["gauge_id"] == gauge]
        rows = rows_of(
            texts(own["gauge_id"]),
            list(moments[own.index]),
            site_words(own["stage"], "stage"),
            number_texts(pd.Series(GAUGES[gauge].given(own["certified_um"].to_numpy(dtype="float64")))),
            texts(own["repeat"]),
            number_texts(pd.Series(GAUGES[gauge].given(own["reading_um"].to_numpy(dtype="float64")))),
            number_texts(own["gauge_tolerance_pct"]),
            number_texts(own["standard_tolerance_pct"]),
        )
        file = f"gauge_{gauge}.csv"
        rows = site.dirtied(rows, bad, file=file, record="gauge_checks")
        site.write_lines(file, [header, *rows])
