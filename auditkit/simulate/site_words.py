"""The site's own words, and the declarations that read them."""

from __future__ import annotations

__all__ = ["DOSSIER", "IGNORED", "WORDS"]

# Word on site -> word of the contract, by column.
WORDS: dict[str, dict[str, str]] = {
    "geometry": {"rail": "tube", "sheet": "flat", "tray": "channel", "grille": "mesh", "angle bar": "angle"},
    "stroke_pattern": {"straight": "parallel", "circles": "circular", "crosswise": "cross"},
    "cup": {"Zahn 2": "zahn-2", "Ford 4": "ford-4"},
    "side": {"front": "facing", "back": "reverse", "rim": "edge"},
    "scale": {"out of 5": "five-best", "%": "percent"},
    "basis": {"1.5 m": "distance", "next frame": "unit"},
    "stage": {"morning": "before use", "evening": "after use"},
    "action": {"looked at": "inspected", "washed": "cleaned", "new one fitted": "replaced", "put on": "fitted"},
    "found": {"fine": "good", "used up": "worn", "blocked": "clogged"},
    "part": {
        "pot lid seal": "lid gasket",
        "paint hose": "fluid hose",
        "dip tube": "pickup stem",
        "bend": "elbow",
        "strainer": "filter",
        "feed tube": "feed tube",
        "small rings": "o-rings",
        "charging brush": "brush",
        "bell": "bell",
        "cable end": "cable end",
        "grub screw": "set screw",
    },
    "defect": {
        "dusty": "dry spray",
        "drip": "run or sag",
        "fish eye": "crater",
        "back too thin": "thin back",
        "orange skin": "orange peel",
        "pinhole": "pinhole",
        "dirt": "inclusion",
        "spit": "spit",
    },
}

# A file of the folder that is no record of the audit.
IGNORED: list[list[object]] = [
    ["Vessel", "Berth", "From", "To"],
    ["MF Vestrelin", "inner quay 1", "2027-01-09", "2027-03-07"],
    ["MF Ostrigan", "inner quay 2", "2027-01-09", "2027-03-07"],
    ["MF Nordavel", "outer quay", "2027-01-10", "2027-03-08"],
]


def _mapping(column: str) -> str:
    """Return the value map of a column as one line of YAML."""
    return "{" + ", ".join(f'"{site}": "{contract}"' for site, contract in WORDS[column].items()) + "}"


def _gauge_1(vessel: str) -> str:
    return f"""\
  - file: readings_G1.xlsx
    record: film_readings
    sheet: {vessel}
    header_line: 3
    columns: {{Area: area_id, Part: part, Side: side, Spot: spot, Reading: repeat, um: dft_um, Taken: taken_at}}
    drop: [Remarks]
    values: {{side: {_mapping("side")}}}
    constants: {{gauge_id: G1}}
"""


def _defects_of(inspector: str) -> str:
    return f"""\
  - file: defects_{inspector}.csv
    record: defects
    columns:
      "No.": defect_id
      Run: run_id
      Area: area_id
      Defect: defect
      Quantity: quantity
      Size: size
      Seen: seen_at
    values: {{defect: {_mapping("defect")}}}
    constants: {{inspector_id: {inspector}}}
"""


def _checks_of(gauge: str, unit: str) -> str:
    return f"""\
  - file: gauge_{gauge}.csv
    record: gauge_checks
    columns:
      Gauge: gauge_id
      When: checked_at
      Stage: stage
      Standard: certified_um
      "No.": repeat
      Reading: reading_um
      "Gauge %": gauge_tolerance_pct
      "Standard %": standard_tolerance_pct
    units: {{certified_um: {unit}, reading_um: {unit}}}
    values: {{stage: {_mapping("stage")}}}
"""


DOSSIER = f"""\
dates: day-first
absent_defect_means: none found
ignore: [berth_plan.csv]
tables:
  - file: areas.csv
    record: areas
    columns:
      Area: area_id
      Job: job_id
      What and where: description
      Shape: geometry
      ft2: size_m2
      Metal: substrate
      Profile: surface_profile
    units: {{size_m2: ft2}}
    values: {{geometry: {_mapping("geometry")}}}
  - file: runs.xlsx
    record: spray_runs
    sheet: Runs
    columns:
      Run: run_id
      Area: area_id
      Unit: unit_id
      Operator: operator_id
      Bell mm: bell_diameter_mm
      Distance in: standoff_mm
      Strokes: stroke_pattern
      "Overlap %": overlap_pct
      Follow-through s: follow_through_s
      Air F: air_temp_c
      Metal F: surface_temp_c
      "RH %": humidity_pct
      Part Mohm: part_ground_ohm
      Person Mohm: operator_ground_ohm
      Nearest in: standoff_min_mm
      Farthest in: standoff_max_mm
    join: {{started_at: [Date, Start], ended_at: [Date, End]}}
    units:
      standoff_mm: in
      standoff_min_mm: in
      standoff_max_mm: in
      air_temp_c: F
      surface_temp_c: F
      part_ground_ohm: Mohm
      operator_ground_ohm: Mohm
    values: {{stroke_pattern: {_mapping("stroke_pattern")}}}
  - file: pressures.txt
    record: pressure_settings
    encoding: utf-16
    columns:
      Run: run_id
      Pot psi: pot_kpa
      Cup: cup
      Cup s: cup_s
      Paint F: paint_temp_c
      Caught ml: catch_ml
      Caught in s: catch_s
    join: {{set_at: [Day, Time]}}
    units: {{pot_kpa: psi, paint_temp_c: F}}
    values: {{cup: {_mapping("cup")}}}
    missing: ["-"]
{"".join(_gauge_1(vessel) for vessel in ("MF Vestrelin", "MF Ostrigan", "MF Nordavel"))}\
  - file: readings_G2.csv
    record: film_readings
    encoding: cp1252
    delimiter: ";"
    decimal: ","
    columns: {{Messfläche: area_id, Teil: part, Seite: side, Messstelle: spot, Gerät: gauge_id, Zeit: taken_at}}
    units: {{dft_um: mil}}
    values: {{side: {{vorn: facing, hinten: reverse, Kante: edge}}}}
    wide: {{value: dft_um, pattern: "R(?P<repeat>[0-9]+)"}}
  - file: wrap.txt
    record: wrap_observations
    values: {{scale: {_mapping("scale")}}}
{_defects_of("IN1")}{_defects_of("IN2")}\
  - file: maintenance.csv
    record: maintenance
    columns: {{Machine: unit_id, What: part, Done: action, "Worn %": wear_pct, As found: found, When: done_at}}
    values:
      part: {_mapping("part")}
      action: {_mapping("action")}
      found: {_mapping("found")}
{_checks_of("G1", "um")}{_checks_of("G2", "mil")}\
  - file: startups.csv
    record: startup_checks
    columns:
      Unit: unit_id
      When: checked_at
      Shift: shift
      Operator: operator_id
      Grounds apart: grounds_separate
      Supply ft: supply_distance_m
      Circuit: circuit_test_passed
      Air on: ventilation_running
      Gloves: gloves_conductive
      Warm-up s: warm_up_s
      Feed tube for mm: feed_tube_for_mm
    units: {{supply_distance_m: ft}}
    values:
      grounds_separate: {{ja: "yes", nei: "no"}}
      circuit_test_passed: {{ja: "yes", nei: "no"}}
      ventilation_running: {{ja: "yes", nei: "no"}}
      gloves_conductive: {{ja: "yes", nei: "no"}}
  - file: around_thin_areas.csv
    record: extent_spots
    columns:
      Area: area_id
      Side: side
      Way: direction
      Step is: basis
      Step: step
      "No.": repeat
      mil: dft_um
      Gauge: gauge_id
      Seen: taken_at
    units: {{dft_um: mil}}
    values: {{side: {{"front": "facing", "back": "reverse"}}, basis: {_mapping("basis")}}}
  - file: study.xlsx
    record: study_readings
    sheet: Everyone
    header_line: 2
    columns: {{Place: place_id, Begun: measured_at}}
    constants: {{study_id: S1, design: crossed, gauge_id: G1}}
    wide: {{value: reading_um, pattern: "(?P<inspector_id>IN[0-9]+) no[.] (?P<trial>[0-9]+)"}}
  - file: study.xlsx
    record: study_readings
    sheet: Own places
    header_line: 2
    columns: {{Person: inspector_id, Place: place_id, Begun: measured_at}}
    units: {{reading_um: mil}}
    constants: {{study_id: S2, design: nested, gauge_id: G2}}
    wide: {{value: reading_um, pattern: "no[.] (?P<trial>[0-9]+)"}}
  - file: machines.csv
    record: units
    columns:
      Machine: unit_id
      In service: in_service_at
      Hose ft: hose_length_m
      Bore in: hose_bore_mm
      Bell above paint ft: rise_m
    units: {{hose_length_m: ft, hose_bore_mm: in, rise_m: ft}}
"""
