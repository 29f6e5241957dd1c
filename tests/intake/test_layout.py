import dataclasses
import datetime as dt

import numpy as np
import openpyxl
import pandas as pd
import pytest
import yaml

from auditkit.contracts import load_contracts
from auditkit.errors import DeclarationError, SourceError
from auditkit.intake.raw import RawTable
from auditkit.intake.recognition import recognised

JOBS = (
    "job_id,site,coating,film_min_um,film_nominal_um,film_max_um,film_reverse_min_um,acceptance_rule,"
    "restriction_level,wrap_min_pct,volume_solids_pct,thinner,thinner_pct\n"
    "J1,Quay,Finish,60,80,160,40,sspc-pa-2,3,70,48,T,10\n"
)

UNITS = "auditkit: 1\ntime_zone: Europe/Oslo\n"


def reading_of(dossier, *columns):
    return dossier.tables["film_readings"][list(columns)].values.tolist()


def test_records_are_recognised_by_their_headers_in_any_case_and_order(read, sound):
    lines = [line.split(",") for line in sound["readings.csv"].splitlines()]
    sound["readings.csv"] = "\n".join(
        ",".join(f" {cell.upper() if n == 0 else cell} " for cell in reversed(line)) for n, line in enumerate(lines)
    )
    assert read(sound).rows["film_readings"] == 3


def test_a_table_that_fits_nothing_names_the_nearest_and_the_lines_that_cure_it(read, sound):
    sound["readings.csv"] = sound["readings.csv"].replace("dft_um", "DFT").replace("gauge_id", "Probe")
    with pytest.raises(SourceError) as caught:
        read(sound)
    assert str(caught.value) == (
        "readings.csv: must have the columns of one kind of record; nearest is film_readings; "
        "missing dft_um, gauge_id; unknown DFT (near dft_um), Probe. "
        "Write to dossier.yaml, or add the entry to its tables, with the columns named and "
        "what is no part of the record under drop:\n"
        "auditkit: 1\n"
        "tables:\n"
        '  - file: "readings.csv"\n'
        "    record: film_readings\n"
        '    columns: {"DFT": dft_um, "Probe": COLUMN}\n'
        'or, if it is no record: ignore: ["readings.csv"]'
    )


def test_the_lines_that_cure_it_do_cure_it(read, sound):
    sound["readings.csv"] = sound["readings.csv"].replace("dft_um", "DFT")
    with pytest.raises(SourceError) as caught:
        read(sound)
    lines = str(caught.value).split("drop:\n")[1].split("\nor, if")[0]
    assert read({**sound, "dossier.yaml": f"{lines}\n"}).rows["film_readings"] == 3


def test_an_optional_column_may_be_there_or_not(read, sound):
    assert read(sound).tables["film_readings"]["part"].isna().all()
    with_part = (
        sound["readings.csv"].replace("area_id,", "area_id,part,").replace("A1,", "A1,2,").replace("A2,", "A2,,")
    )
    dossier = read({**sound, "readings.csv": with_part})
    assert dossier.tables["film_readings"]["part"].fillna(-1).tolist() == [2, 2, -1]


def test_columns_words_units_constants_and_drops(read, sound):
    sound["readings.csv"] = "Area;Side;No;R;mils;Remark\nA1;Front;1;1;2,4;ok\nA1;BACK;1;1;-;ok\nA1;edge;1;1;3,0;\n"
    declaration = UNITS + (
        "tables:\n"
        "  - file: readings.csv\n"
        "    record: film_readings\n"
        "    decimal: ','\n"
        "    columns: {area: area_id, No: spot, R: repeat, mils: dft_um}\n"
        "    values: {side: {front: facing, back: reverse}}\n"
        "    units: {dft_um: mil}\n"
        "    constants: {gauge_id: G7, taken_at: 2027-01-13T09:05}\n"
        "    drop: [Remark]\n"
        "    missing: ['-']\n"
    )
    dossier = read({**sound, "dossier.yaml": declaration})
    assert reading_of(dossier, "side", "dft_um", "gauge_id") == [["edge", 76.2, "G7"], ["facing", 60.96, "G7"]]
    assert dossier.tables["film_readings"]["taken_at"].unique().tolist() == [pd.Timestamp("2027-01-13T08:05Z")]
    assert dossier.ledger[["line", "column", "rule"]].values.tolist() == [[3, "dft_um", "missing"]]
    assert dossier.notes == (
        "readings.csv: left out as dossier.yaml says: Remark",
        "readings.csv: dft_um read as mil from header 'mils'",
    )


def test_a_range_is_told_in_both_units(read, sound):
    sound["readings.csv"] = sound["readings.csv"].replace("74.5", "900")
    declaration = "auditkit: 1\ntables: [{file: readings.csv, record: film_readings, units: {dft_um: mil}}]\n"
    ledger = read({**sound, "dossier.yaml": declaration}).ledger
    assert ledger.loc[0, ["value", "holds"]].tolist() == ["900", "must be from 0 to 20000 um; 900 mil is 22860 um"]


def test_moments_laid_out_in_two_columns_are_joined(read, sound):
    text = (
        sound["readings.csv"].replace("taken_at", "Date,Time").replace("2027-01-13T09:05:00+01:00", "13.01.2027,09:05")
    )
    text = text.replace("2027-01-13T09:06:00+01:00", "13.01.2027,").replace("44.25,G1,", "44.25,G1,,")
    declaration = (
        UNITS
        + "dates: day-first\ntables: [{file: readings.csv, record: film_readings, join: {taken_at: [Date, Time]}}]\n"
    )
    dossier = read({**sound, "readings.csv": text, "dossier.yaml": declaration})
    assert dossier.tables["film_readings"]["taken_at"].tolist() == [pd.Timestamp("2027-01-13T08:05Z"), pd.NaT]
    assert dossier.ledger.loc[0, ["line", "column", "value", "holds"]].tolist() == [
        3,
        "taken_at",
        "13.01.2027",
        "must have a time of day",
    ]


def test_date_and_time_cells_of_a_workbook_are_joined(read, sound, tmp_path):
    made = openpyxl.Workbook()
    sheet = made.active
    sheet.append(["area_id", "side", "spot", "repeat", "dft_um", "gauge_id", "Date", "Time"])
    sheet.append(["A1", "facing", 1, 1, 74.5, "G1", dt.date(2027, 1, 13), dt.time(9, 5)])
    sheet.append(["A1", "facing", 1, 2, 74.5, "G1", "14.01.2027", dt.time(0, 0)])
    made.save(tmp_path / "r.xlsx")
    sound.pop("readings.csv")
    declaration = UNITS + (
        "dates: day-first\ntables: [{file: r.xlsx, record: film_readings, join: {taken_at: [Date, Time]}}]\n"
    )
    dossier = read({**sound, "dossier.yaml": declaration})
    assert dossier.tables["film_readings"]["taken_at"].tolist() == [
        pd.Timestamp("2027-01-13T08:05Z"),
        pd.Timestamp("2027-01-13T23:00Z"),
    ]


WIDE = (
    "area_id,side,gauge_id,taken_at,S1 R1,S1 R2,S2 R1\n"
    "A1,facing,G1,,70,71,\nA1,reverse,G1,,,,-\nA2,facing,G1,,80,-5,82\n"
)


@pytest.mark.parametrize(
    "wide",
    [
        'pattern: "S(?P<spot>[0-9]+) R(?P<repeat>[0-9]+)"',
        'columns: {"S1 R1": {spot: 1, repeat: 1}, "s1 r2": {spot: 1, repeat: 2}, "S2 R1": {spot: 2, repeat: 1}}',
    ],
    ids=["pattern", "columns"],
)
def test_readings_across_columns_become_rows(read, sound, wide):
    declaration = (
        "auditkit: 1\ntables:\n  - file: w.csv\n    record: film_readings\n    missing: ['-']\n"
        f"    wide:\n      value: dft_um\n      {wide}\n"
    )
    sound.pop("readings.csv")
    dossier = read({**sound, "w.csv": WIDE, "dossier.yaml": declaration})
    assert reading_of(dossier, "area_id", "spot", "repeat", "dft_um") == [
        ["A1", 1, 1, 70.0],
        ["A1", 1, 2, 71.0],
        ["A2", 1, 1, 80.0],
        ["A2", 2, 1, 82.0],
    ]
    assert dossier.lineage["film_readings"][["line", "column"]].values.tolist() == [
        [2, "S1 R1"],
        [2, "S1 R2"],
        [4, "S1 R1"],
        [4, "S2 R1"],
    ]
    assert dossier.ledger.loc[0, ["line", "value", "row"]].tolist() == [
        4,
        "-5",
        '{"area_id": "A2", "side": "facing", "gauge_id": "G1", "taken_at": "", "S1 R2": "-5"}',
    ]
    assert dossier.files.set_index("file").loc["w.csv", ["read", "accepted", "set_aside"]].tolist() == [5, 4, 1]
    assert dossier.notes == (
        "w.csv: 1 lines without any reading, which make no record",
        "w.csv: 1 blank cells among readings across columns, which make no record",
        "w.csv: dft_um read as um from headers 'S1 R1' to 'S2 R1'",
    )


@pytest.mark.parametrize(
    ("declaration", "message"),
    [
        ("columns: {Thick: dft_um}", r"there is no header 'Thick'; no header fills|there is no header 'Thick'"),
        ("drop: [remarks]", r"there is no header 'remarks'"),
        ("join: {taken_at: [Date, taken_at]}", r"there is no header 'Date'"),
        ("drop: [dft_um]", r"no header fills dft_um"),
        ("constants: {gauge_id: G1}", r"column gauge_id is filled twice, once by header 'gauge_id'"),
        ("columns: {spot: repeat}", r"column repeat is filled twice, once by header 'repeat'; no header fills spot"),
        (
            "wide: {value: dft_um, pattern: 'R(?P<repeat>.)'}",
            r"must have the headers that .*wide names; no header matches",
        ),
        (
            "wide: {value: dft_um, columns: {R9: {repeat: 1}}}",
            r"must have the headers that .*wide names; there is no header 'R9'",
        ),
        ("sheet: S", r"must be a workbook, as dossier.yaml, tables\[1\] names a sheet; given text"),
    ],
)
def test_headers_that_are_not_those_declared_are_refused(read, sound, declaration, message):
    text = f"auditkit: 1\ntables:\n  - file: readings.csv\n    record: film_readings\n    {declaration}\n"
    with pytest.raises(SourceError, match=message):
        read({**sound, "dossier.yaml": text})


def test_a_header_that_is_not_known_is_refused_in_a_declared_table(read, sound):
    sound["readings.csv"] = sound["readings.csv"].replace("gauge_id", "gauge")
    with pytest.raises(SourceError, match=r"header 'gauge' is not known \(near gauge_id\); no header fills gauge_id"):
        read({**sound, "dossier.yaml": "auditkit: 1\ntables: [{file: readings.csv, record: film_readings}]\n"})


def test_a_table_is_read_as_one_record_once(read, sound):
    declaration = (
        "auditkit: 1\ntables:\n  - {file: readings.csv, record: film_readings}\n"
        "  - {file: 'read*.csv', record: film_readings}\n"
    )
    with pytest.raises(
        SourceError,
        match=r"readings.csv: must be read as film_readings once; .*tables\[1\] and .*tables\[2\] both name it",
    ):
        read({**sound, "dossier.yaml": declaration})


def test_the_nearest_kind_is_named_only_if_half_of_it_is_there(read, sound):
    sound["berths.csv"] = 'Vessel,"Berth ""A""",From,To\nV1,2,8:00,9:00\n'
    with pytest.raises(SourceError) as caught:
        read(sound)
    text = str(caught.value)
    assert "nearest" not in text
    assert "The kinds are areas, defects, " in text
    lines = text.split("named:\n")[1].split("\nor, if", maxsplit=1)[0]
    assert yaml.safe_load(lines) == {
        "auditkit": 1,
        "tables": [
            {
                "file": "berths.csv",
                "record": "KIND",
                "columns": {"Vessel": "COLUMN", 'Berth "A"': "COLUMN", "From": "COLUMN", "To": "COLUMN"},
            }
        ],
    }
    assert text.endswith('or, if it is no record: ignore: ["berths.csv"]')


WITHOUT = JOBS.replace("film_reverse_min_um,", "").replace("160,40,", "160,")


def test_a_column_that_may_be_blank_may_be_left_out(read, sound):
    dossier = read({**sound, "jobs.csv": WITHOUT})
    assert dossier.tables["jobs"]["film_reverse_min_um"].isna().all()
    assert dossier.notes == ("jobs.csv: no header fills film_reverse_min_um; read as blank",)
    declared = "auditkit: 1\ntables: [{file: jobs.csv, record: jobs, columns: {Place: site}}]\n"
    again = read({**sound, "jobs.csv": WITHOUT.replace("site", "Place"), "dossier.yaml": declared})
    assert again.notes == dossier.notes
    assert again.digest() == dossier.digest()


def test_a_blank_may_be_declared_where_a_blank_may_be(read, sound):
    declared = "auditkit: 1\ntables: [{file: jobs.csv, record: jobs, constants: {%s: null}}]\n"
    dossier = read({**sound, "jobs.csv": WITHOUT, "dossier.yaml": declared % "film_reverse_min_um"})
    assert dossier.tables["jobs"]["film_reverse_min_um"].isna().all()
    assert dossier.notes == ()
    with pytest.raises(DeclarationError, match=r"constants: coating must not be blank; given null"):
        read({**sound, "dossier.yaml": declared % "coating"})


def test_a_column_that_may_not_be_blank_may_not_be_left_out(read, sound):
    sound["jobs.csv"] = WITHOUT.replace(",coating", "").replace(",Finish", "")
    with pytest.raises(SourceError, match=r"nearest is jobs; missing coating, film_reverse_min_um\."):
        read(sound)
    with pytest.raises(SourceError, match=r"every header must have its place in jobs .*; no header fills coating\. "):
        read({**sound, "dossier.yaml": "auditkit: 1\ntables: [{file: jobs.csv, record: jobs}]\n"})


def test_headers_that_fit_two_kinds_are_not_guessed_between():
    jobs = load_contracts()["jobs"]
    headers = tuple(WITHOUT.splitlines()[0].split(","))
    raw = RawTable(
        file="j.csv",
        sheet=None,
        encoding="utf-8",
        headers=headers,
        columns=tuple(np.empty(0, dtype=object) for _ in headers),
        lines=np.empty(0, dtype=np.int64),
    )
    assert recognised(raw, {"jobs": jobs}) is jobs
    with pytest.raises(SourceError, match=r"its headers fit jobs or twins\. .*\nauditkit: 1\ntables:\n"):
        recognised(raw, {"jobs": jobs, "twins": dataclasses.replace(jobs, name="twins")})


def test_an_unknown_header_beside_a_column_left_out_is_still_refused(read, sound):
    sound["jobs.csv"] = JOBS.replace("film_reverse_min_um", "Back least")
    with pytest.raises(SourceError, match=r"header 'Back least' is not known; no header fills film_reverse_min_um\. "):
        read({**sound, "dossier.yaml": "auditkit: 1\ntables: [{file: jobs.csv, record: jobs}]\n"})


FILLED = (
    "area_id,side,spot,repeat,dft_um,gauge_id\nA1,facing,1,1,70,G1\n,,1,2,71,G1\n , ,1,3,72,G1\nA2,reverse,1,1,80,G1\n"
)
FILL = (
    "auditkit: 1\ntables: [{file: readings.csv, record: film_readings, fill_down: [area_id, side], missing: ['-']}]\n"
)


def test_blanks_are_filled_from_above_where_declared(read, sound):
    sound["readings.csv"] = FILLED + ",,1,2,81,G1\n"
    dossier = read({**sound, "dossier.yaml": FILL})
    assert reading_of(dossier, "area_id", "side", "dft_um") == [
        ["A1", "facing", 70],
        ["A1", "facing", 71],
        ["A1", "facing", 72],
        ["A2", "reverse", 80],
        ["A2", "reverse", 81],
    ]
    assert dossier.lineage["film_readings"]["line"].tolist() == [2, 3, 4, 5, 6]
    assert "readings.csv: area_id filled from above in 3 lines, as declared" in dossier.notes


def test_nothing_is_filled_over_a_word_for_no_value_or_a_row_of_another_width(read, sound):
    sound["readings.csv"] = FILLED + "-,,1,2,81,G1\nA1,edge\n,,1,1,60,G1\nA2,edge,1,1,90,G1\n,,1,2,91,G1\n"
    dossier = read({**sound, "dossier.yaml": FILL})
    assert dossier.ledger[["line", "column", "rule"]].values.tolist() == [
        [6, "area_id", "missing"],
        [7, "", "shape"],
        [8, "area_id", "missing"],
        [8, "side", "missing"],
    ]
    assert reading_of(dossier, "area_id", "side", "dft_um")[3:] == [
        ["A2", "edge", 90],
        ["A2", "edge", 91],
        ["A2", "reverse", 80],
    ]
    note = "readings.csv: area_id left blank in 1 lines, with nothing above them that can be read"
    assert note in dossier.notes


def test_what_is_to_be_filled_must_be_there(read, sound):
    wrong = FILL.replace("side]", "room]")
    with pytest.raises(SourceError, match=r"tables\[1\].fill_down must name columns that a header fills.*given room\."):
        read({**sound, "dossier.yaml": wrong})


def test_headers_of_joined_columns_can_be_filled(read, sound):
    sound["readings.csv"] = (
        "area_id,side,spot,repeat,dft_um,gauge_id,Day,Time\n"
        "A1,facing,1,1,70,G1,13.01.2027,09:05\nA1,facing,1,2,71,G1,,09:06\n"
    )
    declaration = UNITS + (
        "dates: day-first\ntables:\n  - file: readings.csv\n    record: film_readings\n"
        "    join: {taken_at: [Day, Time]}\n    fill_down: [Day]\n"
    )
    dossier = read({**sound, "dossier.yaml": declaration})
    assert dossier.tables["film_readings"]["taken_at"].tolist() == [
        pd.Timestamp("2027-01-13T08:05Z"),
        pd.Timestamp("2027-01-13T08:06Z"),
    ]


ONLY_DATES = (
    "area_id,side,spot,repeat,dft_um,gauge_id,taken_at\n"
    "A1,facing,1,1,70,G1,13.01.2027\nA1,facing,1,2,71,G1,14.07.2027 09:06\n"
)


def test_bare_dates_are_noon_where_declared(read, sound):
    declaration = UNITS + "dates: day-first\ntables: [{file: readings.csv, record: film_readings%s}]\n"
    files = {**sound, "readings.csv": ONLY_DATES}
    refused = read({**files, "dossier.yaml": declaration % ""})
    assert refused.ledger.loc[0, ["line", "column", "rule"]].tolist() == [2, "taken_at", "type"]
    assert "date_only in dossier.yaml" in refused.ledger.loc[0, "cure"]
    dossier = read({**files, "dossier.yaml": declaration % ", date_only: [taken_at]"})
    assert dossier.tables["film_readings"]["taken_at"].tolist() == [
        pd.Timestamp("2027-01-13T11:00Z"),  # Oslo is at +01:00 in winter
        pd.Timestamp("2027-07-14T07:06Z"),
    ]
    assert dossier.notes == ("readings.csv: 1 cells of taken_at without a time of day, read as 12:00 as declared",)


@pytest.mark.parametrize(
    ("column", "message"),
    [
        ("taken", r"date_only: must be a column of film_readings; given 'taken'. Write 'taken_at'"),
        ("spot", r"date_only: only a moment can lack its time of day; spot is of kind integer"),
    ],
)
def test_date_only_names_moments(read, sound, column, message):
    text = f"auditkit: 1\ntables: [{{file: readings.csv, record: film_readings, date_only: [{column}]}}]\n"
    with pytest.raises(DeclarationError, match=message):
        read({**sound, "dossier.yaml": text})


def test_words_that_never_occur_are_noted_once_an_entry(read, sound):
    lines = sound.pop("readings.csv").splitlines()
    declaration = (
        "auditkit: 1\ntables:\n"
        "  - {file: 'r*.csv', record: film_readings, values: {side: {Front: facing, rim: edge, Back: reverse}}}\n"
    )
    files = {
        "r1.csv": f"{lines[0]}\n{lines[1].replace('facing', 'FRONT')}\n",
        "r2.csv": f"{lines[0]}\n{lines[3].replace('reverse', 'back')}\n",
    }
    assert read({**sound, **files, "dossier.yaml": declaration}).notes == (
        "dossier.yaml, tables[1].values.side: never found in r1.csv, r2.csv: 'rim'",
    )
