"""A dossier of a few invented rows, as it might arrive: mils and psi, crews' words, one bad row, a stray file."""

from pathlib import Path

DECLARATION = """\
auditkit: 1
title: Two rails (invented)
time_zone: Europe/Oslo
absent_defect_means: none found
ignore: [berth.csv]
tables:
  - file: film.csv
    record: film_readings
    columns: {Area: area_id, Side: side, Spot: spot, No: repeat, Mils: dft_um, Gauge: gauge_id, When: taken_at}
    units: {dft_um: mil}
    values: {side: {front: facing, back: reverse}}
  - file: pressures.csv
    record: pressure_settings
    columns: {Run: run_id, When: set_at, Pot psi: pot_kpa}
    units: {pot_kpa: psi}
"""
JOBS = """\
job_id,site,coating,film_min_um,film_nominal_um,film_max_um,film_reverse_min_um,acceptance_rule,restriction_level,\
wrap_min_pct,volume_solids_pct,thinner,thinner_pct
J1,MF Vestrelin,alkyd finish K,60,75,105,40,sspc-pa-2,3,70,48,thinner K2,10
"""
AREAS = """\
area_id,job_id,description,geometry,size_m2,substrate,surface_profile
A1,J1,"rail, port",tube,1.2,steel,fine
A2,J1,"rail, starboard",tube,3.1,steel,fine
"""
RUNS = """\
run_id,area_id,unit_id,operator_id,started_at,ended_at,bell_diameter_mm,standoff_mm,stroke_pattern,overlap_pct,\
follow_through_s,air_temp_c,surface_temp_c,humidity_pct,part_ground_ohm,operator_ground_ohm
R1,A1,U1,OP1,2027-01-11T08:24:00+01:00,2027-01-11T08:58:00+01:00,70,203.2,parallel,55,8,13.6,12.2,68,41000,17300000
R2,A2,U1,OP2,2027-01-12T08:20:00+01:00,2027-01-12T08:55:00+01:00,70,180,parallel,55,8,16.1,,47,2000000,8100000
"""
PRESSURES = "Run,When,Pot psi\nR1,2027-01-11T08:20:00+01:00,6\nR2,2027-01-12T08:15:00+01:00,6.5\n"
WRAP = """\
area_id,inspector_id,observed_at,rating,scale,method
A1,IN1,2027-01-14T13:01:00+01:00,4.5,five-best,eye
A2,IN1,2027-01-14T12:55:00+01:00,3,five-best,eye
"""
DEFECTS = """\
defect_id,run_id,area_id,defect,quantity,size,seen_at,inspector_id
D1,R1,,dry spray,2,2,2027-01-14T11:56:00+01:00,IN1
"""
UPKEEP = """\
unit_id,part,action,wear_pct,found,done_at
U1,bell,cleaned,,,2027-01-11T07:36:00+01:00
U1,brush,inspected,40,good,2027-01-10T12:00:00+01:00
"""
UNITS = "unit_id,in_service_at,hose_length_m,hose_bore_mm,rise_m\nU1,2027-01-05T07:30:00+01:00,7.3,6.35,0\n"
STARTUPS = """\
unit_id,checked_at,shift,operator_id,grounds_separate,supply_distance_m,circuit_test_passed,ventilation_running,\
gloves_conductive,warm_up_s,feed_tube_for_mm
U1,2027-01-11T08:01:00+01:00,early,OP1,yes,11.28,yes,no,yes,80,70
"""
MILS = {
    ("A1", "front"): ((3.1, 3.0, 3.2), (3.3, 3.1, 3.2), (2.9, 3.0, 3.1), (3.4, 3.3, 3.2), (3.0, 3.1, 3.0)),
    ("A1", "back"): ((1.9, 2.0, 2.1), (2.2, 2.1, 2.0), (1.8, 1.9, 2.0), (2.4, 2.3, 2.2), (2.0, 2.1, 2.0)),
    ("A2", "front"): ((2.1, 1.6, 1.7), (3.3, 3.1, 3.2), (2.9, 3.0, 3.1), (3.4, 3.3, 3.2), (1.6, 1.7, 1.8)),
}


def film_text():
    """Return the film readings: A1 front conforms, A2 front has thin spots; one row says 'abt 3'."""
    lines = ["Area,Side,Spot,No,Mils,Gauge,When"]
    for (area, side), spots in MILS.items():
        for spot, readings in enumerate(spots, start=1):
            for number, mils in enumerate(readings, start=1):
                lines.append(f"{area},{side},{spot},{number},{mils},G1,2027-01-14T09:{spot:02d}:0{number}+01:00")
    lines.append("A2,front,6,1,abt 3,G1,2027-01-14T09:06:01+01:00")
    return "\n".join(lines) + "\n"


def write_small(folder, **changed):
    """Write the dossier into a new folder, and return it; `name=text` writes another text as `name.csv`."""
    texts = {
        "jobs": JOBS,
        "areas": AREAS,
        "runs": RUNS,
        "pressures": PRESSURES,
        "film": film_text(),
        "wrap": WRAP,
        "defects": DEFECTS,
        "upkeep": UPKEEP,
        "units": UNITS,
        "startups": STARTUPS,
        "berth": "berth,boat\n3,none\n",
    } | changed
    folder = Path(folder)
    folder.mkdir(parents=True)
    for name, text in texts.items():
        if text is not None:
            (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    (folder / "dossier.yaml").write_text(DECLARATION, encoding="utf-8")
    return folder
