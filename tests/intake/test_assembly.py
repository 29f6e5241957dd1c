import datetime as dt
import json

import openpyxl
import pandas as pd
import pytest

from auditkit.contracts import load_contracts
from auditkit.dossier import FILE_COLUMNS, LEDGER_COLUMNS, LINEAGE_COLUMNS
from auditkit.errors import SourceError
from auditkit.intake import read_dossier
from auditkit.intake.ledger import CONSEQUENCE, SUMMARY_COLUMNS, ledger_summary
from auditkit.trade.grounding import ground_breaches

ANOTHER_JOB = "J2,Quay,Finish,60,80,160,40,sspc-pa-2,3,70,48,T,10\n"


def test_a_sound_folder_is_read_whole(read, sound):
    dossier = read(sound)
    assert dossier.rows == {name: {"jobs": 1, "areas": 2, "film_readings": 3}.get(name, 0) for name in load_contracts()}
    assert dossier.ledger.empty
    assert dossier.notes == ()
    assert dossier.time_zone == "UTC"
    assert dict(dossier.settings) == {
        "absent_defect_means": None,
        "conditions": {},
        "film_limits": {},
        "pressure_logs": (),
        "replacement_costs": {},
        "viscosity_points": {},
        "causal_diagram": {},
    }
    assert dossier.contracts["jobs"] == load_contracts()["jobs"].digest


def test_every_table_has_its_contracts_columns_and_dtypes_even_if_empty(read, sound):
    dossier = read(sound)
    for name, contract in load_contracts().items():
        table, lineage = dossier.tables[name], dossier.lineage[name]
        assert tuple(table.columns) == contract.names
        assert [str(kind) for kind in table.dtypes] == [column.dtype for column in contract.columns]
        assert isinstance(table.index, pd.RangeIndex)
        assert lineage.index.equals(table.index)
        assert {column: str(kind) for column, kind in lineage.dtypes.items()} == LINEAGE_COLUMNS
    assert {column: str(kind) for column, kind in dossier.ledger.dtypes.items()} == LEDGER_COLUMNS
    assert {column: str(kind) for column, kind in dossier.files.dtypes.items()} == FILE_COLUMNS


def test_the_ledger_tells_every_fault_with_the_row_as_received(read, sound):
    sound["readings.csv"] += "A2,facing,x,1,-3.0,G1,03/04/2027 9:00\nA2,edge\nX2,edge,1,1,50,G1,\n"
    ledger = read(sound).ledger
    assert ledger[["fault_id", "row_no", "record", "file", "line", "column", "value", "rule"]].values.tolist() == [
        [1, 1, "film_readings", "readings.csv", 5, "spot", "x", "type"],
        [2, 1, "film_readings", "readings.csv", 5, "dft_um", "-3.0", "range"],
        [3, 1, "film_readings", "readings.csv", 5, "taken_at", "03/04/2027 9:00", "ambiguous"],
        [4, 2, "film_readings", "readings.csv", 6, "", "", "shape"],
        [5, 3, "film_readings", "readings.csv", 7, "area_id", "X2", "link"],
    ]
    assert json.loads(ledger.loc[0, "row"]) == {
        "area_id": "A2", "side": "facing", "spot": "x", "repeat": "1", "dft_um": "-3.0", "gauge_id": "G1",
        "taken_at": "03/04/2027 9:00",
    }  # fmt: skip
    assert ledger["sheet"].isna().all()
    assert ledger.loc[3, "holds"] == "must have 7 cells, as the header has, but has 2"
    assert ledger.loc[4, "holds"] == "must be area_id of a row of areas in this dossier; it has A1 to A2 (2 rows)"


def test_a_row_that_runs_over_lines_says_so(read, sound):
    sound["readings.csv"] += '"A2\nA3",edge\n'
    assert read(sound).ledger.loc[0, "holds"].endswith("but has 2; it runs over lines 5 to 6")


def test_repeats_are_seen_across_files(read, sound):
    head, first, *_ = sound["readings.csv"].splitlines()
    dossier = read({**sound, "more.csv": f"{head}\n{first}\n", "other.csv": f"{head}\nA2,reverse,1,1,50,G1,\n"})
    assert dossier.ledger[["file", "line", "rule", "value"]].values.tolist() == [
        ["other.csv", 2, "repeated key", "A2, reverse, 1, 1"],
        ["readings.csv", 2, "repeated key", "A1, facing, 1, 1"],
        ["readings.csv", 4, "repeated key", "A2, reverse, 1, 1"],
    ]
    assert dossier.ledger["holds"].tolist() == [
        "must be the only row with this key; readings.csv line 4 has the same key and other values",
        "must not repeat a row; it is the same as more.csv line 2",
        "must be the only row with this key; other.csv line 2 has the same key and other values",
    ]


def test_what_links_to_a_row_set_aside_is_set_aside_too(read, sound):
    sound["jobs.csv"] = sound["jobs.csv"].replace("sspc-pa-2", "by eye") + ANOTHER_JOB
    ledger = read(sound).ledger
    assert ledger.groupby("record")["rule"].agg(list).to_dict() == {
        "areas": ["link", "link"],
        "film_readings": ["link", "link", "link"],
        "jobs": ["choice"],
    }
    holds = ledger.drop_duplicates("record").set_index("record")["holds"]
    assert holds["areas"] == "must be job_id of an accepted row of jobs; its row was set aside (jobs.csv line 2)"
    assert (
        holds["film_readings"]
        == "must be area_id of an accepted row of areas; its row was set aside (areas.csv line 2)"
    )


def test_a_needed_kind_of_record_that_is_absent_is_told(read, sound):
    del sound["jobs.csv"]
    with pytest.raises(SourceError) as caught:
        read(sound)
    assert str(caught.value).startswith(
        "areas.csv: areas need jobs, since job_id names one in each of 2 rows; no file holds jobs. "
        "Add a file with the columns job_id, site, coating"
    )


def test_a_folder_without_any_row_is_refused(read, tmp_path, sound):
    with pytest.raises(SourceError, match=r"must hold at least one row of records; given none"):
        read({})
    with pytest.raises(SourceError, match=r"must hold at least one row of records; given none"):
        read({"jobs.csv": sound["jobs.csv"].splitlines()[0]})


def test_headers_without_rows_are_said(read, sound):
    head = "unit_id,part,action,wear_pct,found,done_at\n"
    dossier = read({**sound, "upkeep.csv": head})
    assert dossier.notes == ("upkeep.csv: headers of maintenance without any row",)
    assert dossier.files.set_index("file").loc["upkeep.csv", "read"] == 0


def test_lineage_leads_back_to_the_line(read, sound):
    areas = sound["areas.csv"].splitlines()
    sound["areas.csv"] = "\n".join([areas[0], 'A9,J1,"two\nlines",tube,1,steel,fine', "", *areas[1:]])
    dossier = read(sound)
    assert dossier.tables["areas"]["area_id"].tolist() == ["A1", "A2", "A9"]
    assert dossier.lineage["areas"]["line"].tolist() == [5, 6, 2]
    assert dossier.tables["areas"].loc[2, "description"] == "two\nlines"
    assert dossier.notes == ("areas.csv: 1 blank lines passed over",)


def test_progress_is_told_after_each_file(read, sound, tmp_path):
    read(sound)
    steps = []
    read_dossier(tmp_path, on_progress=lambda *step: steps.append(step))
    assert steps == [("areas.csv", 1, 3), ("jobs.csv", 2, 3), ("readings.csv", 3, 3)]


def test_sheets_of_a_workbook_may_be_different_records(read, sound, tmp_path):
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name in ("jobs", "areas"):
        sheet = made.create_sheet(name.upper())
        for line in sound.pop(f"{name}.csv").splitlines():
            sheet.append(line.split(","))
    made.create_sheet("Empty")
    made.create_sheet("Key").append(["green", "done"])
    made.save(tmp_path / "site.xlsx")
    with pytest.raises(
        SourceError,
        match=r'site.xlsx, sheet Key: must have the columns .*(?s:.*)sheet: "Key"\n(?s:.*)ignore: \["site.xlsx#Key"\]',
    ):
        read(sound)
    dossier = read({**sound, "dossier.yaml": "auditkit: 1\nignore: ['site.xlsx#Key']\n"})
    assert dossier.rows["areas"] == 2
    assert dossier.files[["file", "sheet"]].values.tolist()[1:] == [["site.xlsx", "AREAS"], ["site.xlsx", "JOBS"]]
    assert dossier.lineage["areas"].loc[0, ["file", "sheet", "line"]].tolist() == ["site.xlsx", "AREAS", 2]
    assert dossier.notes == (
        "site.xlsx, sheet Empty: the sheet is empty",
        "site.xlsx, sheet Key: ignored, as dossier.yaml says",
    )


def test_one_entry_serves_every_sheet_no_other_names(read, sound, tmp_path):
    lines = [line.split(",") for line in sound.pop("readings.csv").splitlines()]
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows, head in (("North", lines[1:2], "um"), ("South", lines[2:3], "um"), ("Old", lines[3:], "mils")):
        sheet = made.create_sheet(name)
        for row in [[head if cell == "dft_um" else cell for cell in lines[0]], *rows]:
            sheet.append(row)
    made.save(tmp_path / "r.xlsx")
    declaration = (
        "auditkit: 1\ntables:\n"
        "  - {file: r.xlsx, record: film_readings, columns: {um: dft_um}}\n"
        "  - {file: r.xlsx, record: film_readings, sheet: Old, columns: {mils: dft_um}, units: {dft_um: mil}}\n"
    )
    dossier = read({**sound, "dossier.yaml": declaration})
    assert dossier.tables["film_readings"]["dft_um"].tolist() == [74.5, 75.5, 1123.95]  # 44.25 thousandths of 25 400 um
    wrong = declaration.replace("sheet: Old", "sheet: New")
    with pytest.raises(
        SourceError, match=r"must have the sheet 'New' that .*tables\[2\] names; it has North, Old, South"
    ):
        read({**sound, "dossier.yaml": wrong})


def test_error_cells_of_a_workbook_are_set_aside(read, sound, tmp_path):
    made = openpyxl.Workbook()
    for line in sound.pop("areas.csv").splitlines():
        made.active.append(line.split(","))
    made.active.append(["A3", "J1", "#N/A", "tube", 1.5, "steel", "fine"])
    made.save(tmp_path / "areas.xlsx")
    ledger = read(sound).ledger
    assert ledger[["sheet", "line", "column", "value", "rule"]].values.tolist() == [
        ["Sheet", 4, "description", "#N/A", "type"]
    ]


def test_the_ledger_tells_root_causes_first(read, sound):
    """Jobs come before the areas that link to them, and within a record what is wrong with a row itself."""
    sound["jobs.csv"] = sound["jobs.csv"].replace("sspc-pa-2", "by eye") + ANOTHER_JOB
    sound["areas.csv"] += "A3,J2,rail,tube,-1,steel,fine\nA4,J1,rail,ball,3,steel,fine\n"
    sound["readings.csv"] += "A9,facing,1,1,74.5,G1,\nA1,facing,2,x,74.5,G1,\n"
    ledger = read(sound).ledger
    assert ledger[["record", "line", "column", "rule"]].values.tolist() == [
        ["jobs", 2, "acceptance_rule", "choice"],
        ["areas", 4, "size_m2", "range"],
        ["areas", 5, "geometry", "choice"],
        ["areas", 5, "job_id", "link"],
        ["areas", 2, "job_id", "link"],
        ["areas", 3, "job_id", "link"],
        ["film_readings", 5, "area_id", "link"],  # A9 is in no file, so this is a fault of its own
        ["film_readings", 6, "repeat", "type"],
        ["film_readings", 6, "area_id", "link"],
        ["film_readings", 2, "area_id", "link"],
        ["film_readings", 3, "area_id", "link"],
        ["film_readings", 4, "area_id", "link"],
    ]
    assert ledger["row_no"].is_monotonic_increasing
    assert ledger["fault_id"].tolist() == list(range(1, 13))


def test_the_summary_of_the_ledger_folds_equal_faults_and_consequences(read, sound):
    sound["jobs.csv"] = sound["jobs.csv"].replace("sspc-pa-2", "by eye") + ANOTHER_JOB
    sound["areas.csv"] += "A3,J2,rail,tube,2,steel,fine\n"
    sound["readings.csv"] += "A3,facing,1,1,62 um,G1,\nA3,facing,1,2,74.5,,\nA3,facing,1,3,7 um,G1,\n"
    ledger = read(sound).ledger
    before = ledger.copy()
    summary = ledger_summary(ledger)
    pd.testing.assert_frame_equal(ledger, before)
    assert {name: str(kind) for name, kind in summary.dtypes.items()} == SUMMARY_COLUMNS
    assert summary[["record", "line", "column", "value", "rule", "rows"]].fillna("").values.tolist() == [
        ["jobs", 2, "acceptance_rule", "by eye", "choice", 1],
        ["film_readings", 5, "dft_um", "62 um", "type", 2],
        ["film_readings", 6, "gauge_id", "", "missing", 1],
        ["areas", 2, "job_id", "J1", "link", 2],
        ["film_readings", 2, "area_id", "A1", "link", 3],
    ]
    assert summary.loc[1, "cure"] == "write 62 alone and give the unit once in dossier.yaml (units: {dft_um: um})"
    assert summary.loc[3:, "holds"].unique().tolist() == [CONSEQUENCE]
    assert ledger_summary(ledger.head(0)).empty


def test_a_dossier_of_which_no_row_was_accepted_is_refused_with_the_commonest_faults(read, sound):
    sound["jobs.csv"] = sound["jobs.csv"].replace("sspc-pa-2", "by eye")
    checks = (
        "gauge_id,checked_at,stage,certified_um,repeat,reading_um,gauge_tolerance_pct,standard_tolerance_pct\n"
        "G1,2027-01-13T08:00Z,before use,125,1,abt 126,3,1\nG1,2027-01-13T08:00Z,before use,125,2,?,3,1\n"
    )
    with pytest.raises(SourceError) as caught:
        read({**sound, "checks.csv": checks})
    lines = str(caught.value).splitlines()
    assert lines[0].endswith(
        "must hold at least one row that can be accepted; given 8 rows, each of which was set aside. Mend these first:"
    )
    assert lines[1] == (
        "  2 in gauge_checks, first checks.csv line 2, reading_um: must be a number; given 'abt 126'. "
        "Write the number alone, or declare the word under missing."
    )
    assert lines[2].startswith("  1 in jobs, first jobs.csv line 2, acceptance_rule: must be one of sspc-pa-2")
    assert len(lines) == 3  # areas and readings fell only because of the job


def test_a_link_to_a_row_of_another_width_says_that_it_was_set_aside(read, sound):
    sound["areas.csv"] += "A3,J1,rail, port side,tube,2,steel,fine\n"
    sound["readings.csv"] += "A3,facing,1,1,74.5,G1,\n"
    ledger = read(sound).ledger
    assert ledger[["record", "rule"]].values.tolist() == [["areas", "shape"], ["film_readings", "link"]]
    assert ledger.loc[1, "holds"] == (
        "must be area_id of an accepted row of areas; its row was set aside (areas.csv line 4)"
    )


FORMS = ["semicolon", "utf-16", "cp1252", "tab", "xlsx", "parquet", "split", "reversed"]


@pytest.mark.parametrize("form", FORMS)
def test_the_same_records_give_the_same_tables_whatever_their_form(read, sound, tmp_path, form):
    """Typed by hand below, not by the code under test: each form is written from the same values."""
    rows = [
        ("A1", "facing", 1, 1, 74.5, "Gerät 1", dt.datetime(2027, 1, 13, 9, 5)),
        ("A1", "facing", 1, 2, 1234.125, "Gerät 1", dt.datetime(2027, 7, 13, 9, 6, 30)),
        ("A2", "reverse", 1, 1, 0.1, "Gerät 1", None),
    ]
    head = sound["readings.csv"].splitlines()[0].split(",")
    plain = [head, *([*row[:6], "" if row[6] is None else f"{row[6]}"] for row in rows)]
    zone = "auditkit: 1\ntime_zone: Europe/Oslo\n"
    comma = zone + "tables: [{file: r.*, record: film_readings, decimal: ',', dates: day-first}]\n"

    def lines(delimiter, *, decimal=".", table=plain):
        return "".join(
            delimiter.join(str(cell).replace(".", decimal) if isinstance(cell, float) else str(cell) for cell in row)
            + "\r\n"
            for row in table
        )

    reference = read({**sound, "readings.csv": lines(","), "dossier.yaml": zone})
    (tmp_path / "readings.csv").unlink()
    del sound["readings.csv"]
    if form in ("semicolon", "cp1252"):
        day_first = [head, *([*row[:6], "" if row[6] is None else f"{row[6]:%d.%m.%Y %H:%M:%S}"] for row in rows)]
        encoding = "utf-8" if form == "semicolon" else "cp1252"
        files = {"r.csv": lines(";", decimal=",", table=day_first).encode(encoding), "dossier.yaml": comma}
    elif form in ("utf-16", "tab"):
        files = {"r.txt": lines("\t").encode("utf-16" if form == "utf-16" else "utf-8-sig"), "dossier.yaml": zone}
    elif form == "xlsx":
        made = openpyxl.Workbook()
        for row in [head, *rows]:
            made.active.append(row)
        made.save(tmp_path / "r.xlsx")
        files = {"dossier.yaml": zone}
    elif form == "parquet":
        pd.DataFrame(rows, columns=head).to_parquet(tmp_path / "r.parquet", index=False)
        files = {"dossier.yaml": zone}
    elif form == "split":
        files = {f"r{n}.csv": lines(",", table=[head, row]) for n, row in enumerate(plain[1:])} | {"dossier.yaml": zone}
    else:
        files = {"r.csv": lines(",", table=[row[::-1] for row in [head, *plain[:0:-1]]]), "dossier.yaml": zone}
    dossier = read({**sound, **files})
    assert dossier.ledger.empty
    pd.testing.assert_frame_equal(dossier.tables["film_readings"], reference.tables["film_readings"], check_exact=True)
    assert dossier.tables["film_readings"]["taken_at"].tolist()[:2] == [
        pd.Timestamp("2027-01-13T08:05Z"),
        pd.Timestamp("2027-07-13T07:06:30Z"),
    ]
    assert dossier.digest() == reference.digest()


def test_own_film_limits_are_passed_on_and_a_job_that_is_not_there_is_said(read, sound):
    limits = "{spot_min_um: 50, source: 'contract 12-7, clause 4'}"
    sound["dossier.yaml"] = f"auditkit: 1\nfilm_limits: {{J1: {limits}, J7: {limits}}}\n"
    dossier = read(sound)
    assert dossier.settings["film_limits"]["J1"] == {"spot_min_um": 50, "source": "contract 12-7, clause 4"}
    assert dossier.notes == ("dossier.yaml, film_limits.J7: no accepted row of jobs has this job_id",)


RUNS = (
    "Run,area_id,unit_id,operator_id,started_at,ended_at,bell_diameter_mm,standoff_mm,stroke_pattern,overlap_pct,"
    "follow_through_s,air_temp_c,surface_temp_c,humidity_pct,part_ground_ohm,operator_ground_ohm\n"
    "R1,A1,U1,OP1,2027-01-11T08:00Z,2027-01-11T08:30Z,70,180,parallel,50,6,14,15,60,{},{}\n"
    "R2,A2,U1,OP1,2027-01-11T09:00Z,2027-01-11T09:30Z,70,180,parallel,50,6,14,15,60,{},{}\n"
    "R3,A2,U1,OP1,2027-01-12T09:00Z,2027-01-12T09:30Z,70,{},parallel,50,6,14,15,60,0.05,9\n"
)
OHMS = (
    "auditkit: 1\ntables: [{file: runs.csv, record: spray_runs, columns: {Run: run_id}, "
    "units: {part_ground_ohm: Mohm, operator_ground_ohm: Mohm}}]\n"
)


def test_a_ground_over_the_meter_s_range_is_accepted_noted_and_breaches(read, sound):
    files = {"runs.csv": RUNS.format("OL", "12", "open", ">MAX", 180), "dossier.yaml": OHMS}
    dossier = read({**sound, **files})
    runs = dossier.tables["spray_runs"]
    assert runs["part_ground_ohm"].tolist() == [1e18, 1e18, 50_000.0]
    assert runs["operator_ground_ohm"].tolist() == [12e6, 1e18, 9e6]
    assert dossier.ledger.empty
    told = "read as an open circuit and held as 1e+18 ohm"
    assert [note for note in dossier.notes if "open circuit" in note] == [
        f"runs.csv: 2 cells of part_ground_ohm over the meter's range, {told}",
        f"runs.csv: 1 cells of operator_ground_ohm over the meter's range, {told}",
    ]
    # NFPA 33 and 77: at most 1 megohm for a part, 100 megohm for a person
    breaches = ground_breaches(runs)
    assert breaches[["run_id", "column", "value", "limit"]].values.tolist() == [
        ["R1", "part_ground_ohm", 1e18, 1e6],
        ["R2", "part_ground_ohm", 1e18, 1e6],
        ["R2", "operator_ground_ohm", 1e18, 1e8],
    ]


def test_over_range_is_set_aside_of_a_column_that_is_not_in_ohm(read, sound):
    dossier = read({**sound, "runs.csv": RUNS.format(1, 12, 1, 12, "OL"), "dossier.yaml": OHMS})
    assert dossier.ledger[["line", "column", "value", "rule"]].values.tolist() == [[4, "standoff_mm", "OL", "type"]]
    assert not [note for note in dossier.notes if "open circuit" in note]
