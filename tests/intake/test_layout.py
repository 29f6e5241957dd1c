import datetime as dt

import openpyxl
import pandas as pd
import pytest

from auditkit.errors import SourceError

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
        "Add to dossier.yaml, with the headers that differ:\n"
        "tables:\n"
        '  - file: "readings.csv"\n'
        "    record: film_readings\n"
        '    columns: {"DFT": dft_um}\n'
        'or, if it is no record: ignore: ["readings.csv"]'
    )


def test_the_lines_that_cure_it_do_cure_it(read, sound):
    sound["readings.csv"] = sound["readings.csv"].replace("dft_um", "DFT")
    with pytest.raises(SourceError) as caught:
        read(sound)
    lines = str(caught.value).split("differ:\n")[1].split("\nor, if")[0]
    assert read({**sound, "dossier.yaml": f"auditkit: 1\n{lines}\n"}).rows["film_readings"] == 3


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
    assert dossier.notes == ("readings.csv: left out as dossier.yaml says: Remark",)


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
    assert dossier.notes == ("w.csv: 1 lines without any reading, which make no record",)


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
