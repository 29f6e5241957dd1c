"""Site files of the work: jobs, areas, runs, pressures, start-ups, maintenance."""

from __future__ import annotations

import pandas as pd

from auditkit.simulate.dirt import Dirt, Row
from auditkit.simulate.site_office import Site, given, number_texts, rows_of, site_words, texts
from auditkit.simulate.workbooks import write_workbook

__all__ = [
    "write_areas",
    "write_jobs",
    "write_machines",
    "write_maintenance",
    "write_pressures",
    "write_runs",
    "write_startups",
]


def write_jobs(site: Site) -> None:
    """Write the jobs in contract form; they need no declaration."""
    jobs = site.tables["jobs"]
    columns = [number_texts(jobs[name]) if jobs[name].dtype == "float64" else texts(jobs[name]) for name in jobs]
    more_than_nominal: Row = ["J9", "MF Nordavel", "alkyd finish K", "90", "60", "110", "", "sspc-pa-2", "3", ""]
    bad = Dirt(rule="row rule", cells=[*more_than_nominal, "48", "thinner K2", "10", "1250"])
    rows = site.dirtied(rows_of(*columns), [bad], file="jobs.csv", record="jobs")
    site.write_lines("jobs.csv", [list(jobs.columns), *rows])


def write_areas(site: Site) -> None:
    """Write the areas in square feet, with a byte order mark."""
    areas = site.tables["areas"]
    rows = rows_of(
        texts(areas["area_id"]),
        texts(areas["job_id"]),
        texts(areas["description"]),
        site_words(areas["geometry"], "geometry"),
        number_texts(given(areas, "areas", "size_m2")),
        texts(areas["substrate"]),
        texts(areas["surface_profile"]),
    )
    bad = [
        Dirt(rule="range", cells=["A901", "J1", "handrail, test piece", "rail", "-12.5", "steel", "unknown"]),
        Dirt(rule="choice", cells=["A902", "J1", "handrail, test piece", "spiral", "12.5", "steel", "unknown"]),
        Dirt(rule="link", cells=["A903", "J77", "handrail, test piece", "rail", "12.5", "steel", "unknown"]),
        Dirt(rule="repeated key"),
    ]
    header: Row = ["Area", "Job", "What and where", "Shape", "ft2", "Metal", "Profile"]
    rows = site.dirtied(rows, bad, file="areas.csv", record="areas")
    site.write_lines("areas.csv", [header, *rows], encoding="utf-8-sig")


def write_runs(site: Site) -> None:
    """Write the runs as a spreadsheet, with date and times apart, inches, degrees F and megohm."""
    runs = site.tables["spray_runs"]

    def numbers(column: str) -> list[object]:
        return [None if pd.isna(value) else float(value) for value in given(runs, "spray_runs", column)]

    rows = rows_of(
        texts(runs["run_id"]),
        site.local("spray_runs", "started_at", "%d.%m.%Y"),
        site.local("spray_runs", "started_at", "%H:%M"),
        site.local("spray_runs", "ended_at", "%H:%M"),
        texts(runs["area_id"]),
        texts(runs["unit_id"]),
        texts(runs["operator_id"]),
        [float(value) for value in runs["bell_diameter_mm"]],
        numbers("standoff_mm"),
        site_words(runs["stroke_pattern"], "stroke_pattern"),
        [None if pd.isna(value) else float(value) for value in runs["overlap_pct"]],
        numbers("follow_through_s"),
        numbers("air_temp_c"),
        numbers("surface_temp_c"),
        numbers("humidity_pct"),
        numbers("part_ground_ohm"),
        numbers("operator_ground_ohm"),
        numbers("standoff_min_mm"),
        numbers("standoff_max_mm"),
    )

    def bad_run(rule: str, run: str, **changed: object) -> Dirt:
        cells: dict[str, object] = {
            "run": run,
            "date": "20.01.2027",
            "start": "18:05",
            "end": "18:20",
            "area": "A010",
            "unit": "U2",
            "operator": "OP1",
            "bell": 70.0,
            "distance": 7.0,
            "strokes": "straight",
        }
        rest: Row = [50.0, 6.5, 57.5, 58.0, 61.0, 0.055, 12.5, None, None]
        return Dirt(rule=rule, cells=[*(cells | changed).values(), *rest])

    bad = [
        bad_run("row rule", "R9001", start="18:20", end="18:05"),
        bad_run("link", "R9002", area="A999"),
        bad_run("range", "R9003", distance=70.0),
        bad_run("missing", "R9004", unit=None),
        bad_run("type", "R9005", date="31.02.2027"),
        bad_run("choice", "R9006", strokes="zigzag"),
        Dirt(rule="repeated key"),
    ]
    header: Row = ["Run", "Date", "Start", "End", "Area", "Unit", "Operator", "Bell mm", "Distance in", "Strokes"]
    header += ["Overlap %", "Follow-through s", "Air F", "Metal F", "RH %", "Part Mohm", "Person Mohm"]
    header += ["Nearest in", "Farthest in"]
    rows = site.dirtied(rows, bad, file="runs.xlsx", record="spray_runs")
    write_workbook(site.folder / "runs.xlsx", {"Runs": [header, *rows]})


def write_pressures(site: Site) -> None:
    """Write the pressure settings in psi and degrees F as UTF-16 text with tabs."""
    settings = site.tables["pressure_settings"]

    def dashed(texts: list[str]) -> list[str]:
        return [text or "-" for text in texts]

    rows = rows_of(
        texts(settings["run_id"]),
        site.local("pressure_settings", "set_at", "%d/%m/%Y"),
        site.local("pressure_settings", "set_at", "%H:%M"),
        number_texts(given(settings, "pressure_settings", "pot_kpa")),
        dashed(site_words(settings["cup"], "cup")),
        dashed(number_texts(given(settings, "pressure_settings", "cup_s"))),
        dashed(number_texts(given(settings, "pressure_settings", "paint_temp_c"))),
        dashed(number_texts(given(settings, "pressure_settings", "catch_ml"))),
        dashed(number_texts(settings["catch_s"])),
    )
    no_cup: Row = ["-", "-", "-", "-", "-"]
    bad = [
        Dirt(rule="type", cells=["R0020", "03/02/2027", "19:01", "abt 6", *no_cup]),
        Dirt(rule="range", cells=["R0021", "03/02/2027", "19:02", "744", *no_cup]),
        Dirt(rule="link", cells=["R8888", "03/02/2027", "19:03", "6", *no_cup]),
        Dirt(rule="row rule", cells=["R0022", "03/02/2027", "19:04", "6", "-", "31.5", "60", "-", "-"]),
        Dirt(rule="choice", cells=["R0023", "03/02/2027", "19:05", "6", "tea cup", "31.5", "60", "-", "-"]),
        Dirt(rule="shape", cells=["R0024", "03/02/2027", "19:06", "6"]),
        Dirt(rule="repeated key"),
    ]
    header: Row = ["Run", "Day", "Time", "Pot psi", "Cup", "Cup s", "Paint F", "Caught ml", "Caught in s"]
    rows = site.dirtied(rows, bad, file="pressures.txt", record="pressure_settings")
    site.write_lines("pressures.txt", [header, *rows], delimiter="\t", encoding="utf-16-le", mark="\ufeff")


def write_maintenance(site: Site) -> None:
    """Write the maintenance notes in the crews' own words."""
    notes = site.tables["maintenance"]
    rows = rows_of(
        texts(notes["unit_id"]),
        site_words(notes["part"], "part"),
        site_words(notes["action"], "action"),
        number_texts(notes["wear_pct"]),
        site_words(notes["found"], "found"),
        site.local("maintenance", "done_at", "%d.%m.%Y %H:%M"),
    )
    bad = [
        Dirt(rule="choice", cells=["U1", "the hopper", "washed", "", "fine", "10.02.2027 18:01"]),
        Dirt(rule="range", cells=["U2", "charging brush", "looked at", "130", "used up", "10.02.2027 18:02"]),
        Dirt(rule="type", cells=["U3", "strainer", "washed", "", "fine", "31.02.2027 07:40"]),
        Dirt(rule="missing", cells=["", "strainer", "washed", "", "fine", "10.02.2027 18:04"]),
        Dirt(rule="repeated key"),
    ]
    header: Row = ["Machine", "What", "Done", "Worn %", "As found", "When"]
    rows = site.dirtied(rows, bad, file="maintenance.csv", record="maintenance")
    site.write_lines("maintenance.csv", [header, *rows], delimiter=";")


def write_startups(site: Site) -> None:
    """Write the start-up lists with distances in feet and ticks in Norwegian."""
    lists = site.tables["startup_checks"]
    ticks = ("grounds_separate", "circuit_test_passed", "ventilation_running", "gloves_conductive")
    grounds, circuit, ventilation, gloves = (
        ["" if pd.isna(value) else {True: "ja", False: "nei"}[bool(value)] for value in lists[tick]] for tick in ticks
    )
    rows = rows_of(
        texts(lists["unit_id"]),
        site.local("startup_checks", "checked_at", "%d.%m.%Y %H:%M"),
        texts(lists["shift"]),
        texts(lists["operator_id"]),
        grounds,
        number_texts(given(lists, "startup_checks", "supply_distance_m")),
        circuit,
        ventilation,
        gloves,
        number_texts(lists["warm_up_s"]),
        number_texts(lists["feed_tube_for_mm"]),
    )
    yes: Row = ["ja", "ja", "ja", "60", "70"]
    bad = [
        Dirt(rule="range", cells=["U1", "10.02.2027 18:01", "late", "OP1", "ja", "900", *yes]),
        Dirt(rule="missing", cells=["U2", "10.02.2027 18:02", "", "OP2", "ja", "25", *yes]),
    ]
    header: Row = ["Unit", "When", "Shift", "Operator", "Grounds apart", "Supply ft", "Circuit", "Air on", "Gloves"]
    rows = site.dirtied(rows, bad, file="startups.csv", record="startup_checks")
    site.write_lines("startups.csv", [[*header, "Warm-up s", "Feed tube for mm"], *rows])


def write_machines(site: Site) -> None:
    """Write the spray units and their hoses in feet and inches."""
    table = site.tables["units"]
    rows = rows_of(
        texts(table["unit_id"]),
        site.local("units", "in_service_at", "%d.%m.%Y %H:%M"),
        *(number_texts(given(table, "units", column)) for column in ("hose_length_m", "hose_bore_mm", "rise_m")),
    )
    bad = [Dirt(rule="range", cells=["U9", "16.11.2026 07:30", "24", "0.25", "400"])]
    rows = site.dirtied(rows, bad, file="machines.csv", record="units")
    site.write_lines("machines.csv", [["Machine", "In service", "Hose ft", "Bore in", "Bell above paint ft"], *rows])
