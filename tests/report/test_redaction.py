"""Redacted records: they read into the same tables, and no name stands in them."""

import datetime as dt

import openpyxl
import pandas as pd
import pytest
import yaml
from openpyxl.comments import Comment

from auditkit import read_dossier, sample_folder
from auditkit.contracts import contract
from auditkit.errors import SourceError
from auditkit.report.pseudonyms import new_key, pseudonyms, read_key
from auditkit.report.redacted_declaration import with_group
from auditkit.report.redacted_files import TableEdit, exchange_text
from auditkit.report.redaction import NOTE_FILE, REDACTED, redact_records


def row(record, **changed):
    return {column.name: column.example for column in contract(record).columns} | changed


@pytest.fixture
def key(tmp_path):
    (tmp_path / "safe").mkdir()
    return new_key(tmp_path / "safe" / "key")


@pytest.fixture
def records(tmp_path):
    return write_records(tmp_path / "records")


@pytest.fixture(scope="module")
def redacted(tmp_path_factory):
    """Records, where they stand redacted, the key, and what was said to be done."""
    place = tmp_path_factory.mktemp("redacted")
    key = new_key(place / "key")
    records = write_records(place / "records")
    return records, place / "out", key, redact_records(records, place / "out", key=key)


def write_records(folder):
    """Write records in every form, with names in every place they may stand."""
    folder.mkdir()
    jobs = pd.DataFrame([row("jobs", site="MF Vestrelin"), row("jobs", job_id="J2", site="MV Grebe")])
    (folder / "jobs.csv").write_text(jobs.to_csv(index=False, sep=";", lineterminator="\r\n"), encoding="utf-8-sig")
    areas = pd.DataFrame(
        [row("areas", description="rail of MF Vestrelin, port"), row("areas", area_id="A002", job_id="J2")]
    )
    text = "Kept by Per Vik on mf vestrelin\n\n" + areas.to_csv(index=False)
    (folder / "areas MV Grebe.csv").write_text(text, encoding="utf-8")
    (folder / "defects.csv").write_text(
        "defect_id,run_id,area_id,defect,quantity,size,seen_at,Note\n"
        "D1,R0001,A001,dry spray,1,1,2027-01-12T08:00:00Z,Ola Aas says so\n"
        'D2,R0001,A001,dry spray,1,1,2027-01-12T08:00:00Z,"said ""Lund, Kåre"""\n'
        "D3,too few cells,Per Vik\n",
        encoding="utf-8",
    )
    observed = [
        row("wrap_observations", inspector_id="PV"),
        row("wrap_observations", area_id="A002", inspector_id="Per Vik"),
    ]
    frame = pd.DataFrame(observed)
    frame["observed_at"] = pd.to_datetime(frame["observed_at"], utc=True)
    frame["inspector_id"] = frame["inspector_id"].astype("category")
    frame.to_parquet(folder / "wrap.parquet")
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "MF Vestrelin"
    columns = [column.name for column in contract("spray_runs").columns]
    sheet.append(["Runs, kept by Kåre Lund"])
    sheet.append([*["Operator" if name == "operator_id" else name for name in columns], "Remarks Per Vik"])
    for number, operator in enumerate(["Kåre Lund", "ola", " Ola Aas ", "Per Vik", 7], start=1):
        made = row("spray_runs", run_id=f"R{number:04d}", operator_id=operator)
        made["started_at"] = dt.datetime(2027, 1, 11, 8, number)
        made["ended_at"] = dt.datetime(2027, 1, 11, 8, 30, 15)
        sheet.append([*made.values(), "=" if number == 1 else "with Ola Aas"])
    sheet["A3"].comment = Comment("ask Per Vik", "Per Vik")
    sheet.cell(row=4, column=columns.index("overlap_pct") + 1).value = "#N/A"
    sheet.cell(row=3, column=len(columns) + 1).data_type = "s"
    book.create_sheet("Plan").append(["Per Vik", "berth 1"])
    book.properties.creator = "Per Vik"
    book.save(folder / "runs.xlsx")
    (folder / "README.txt").write_text("Ask Per Vik.")
    (folder / "crew.csv").write_text("name\nPer Vik\n")
    (folder / "dossier.yaml").write_text(
        """
auditkit: 1
title: Refit of MF Vestrelin  # Per Vik
time_zone: Europe/Oslo
ignore: [crew.csv, "runs.xlsx#Plan"]
tables:
  - {file: "areas*.csv", record: areas, header_line: 3}
  - file: defects.csv
    record: defects
    constants: {inspector_id: pv}
    values: {inspector_id: {PV: Per Vik}}
    drop: [Note]
  - {file: wrap.parquet, record: wrap_observations, values: {inspector_id: {pv: Per Vik}}}
  - file: runs.xlsx
    sheet: MF Vestrelin
    record: spray_runs
    header_line: 2
    columns: {Operator: operator_id}
    values: {operator_id: {OLA: Ola Aas}}
    drop: [Remarks Per Vik]
""",
        encoding="utf-8",
    )
    return folder


def everything(folder):
    """All text in a folder: names of files, and their content however it is packed."""
    found = []
    for path in sorted(folder.rglob("*")):
        found.append(path.name)
        if path.suffix == ".xlsx":
            import zipfile

            with zipfile.ZipFile(path) as archive:
                found += [archive.read(name).decode("utf-8", "replace") for name in archive.namelist()]
        elif path.suffix == ".parquet":
            import pyarrow.parquet as pq

            table = pq.read_table(path)
            found += [str(table.schema.metadata), table.to_pandas().to_csv()]
        elif path.is_file():
            found.append(path.read_text(encoding="utf-8", errors="replace"))
    return "\n".join(found).casefold()


def known_names(dossier, key):
    """The pseudonyms of a dossier, made anew by the owner of the key."""
    found = {"person": set(), "site": set()}
    for table in dossier.tables.values():
        for column, kind in REDACTED.items():
            if column in table:
                found[kind] |= set(table[column].dropna())
    return {kind: pseudonyms(names, kind=kind, key=read_key(key)) for kind, names in found.items()}


def test_no_name_is_left_in_any_place(redacted):
    _, out, _, done = redacted
    text = everything(out)
    for name in ("ola aas", "kåre lund", "per vik", "mf vestrelin", "mv grebe"):
        assert name not in text, name
    assert done.n == {"person": 4, "site": 2}
    assert done.remaining.empty
    assert done.left_out == ("1 of .csv", "1 of .txt")
    assert "ask" not in text
    assert "berth 1" not in text


def test_the_tables_are_the_same_but_for_the_pseudonyms(redacted):
    records, out, key, _ = redacted
    before, after = read_dossier(records), read_dossier(out)
    made = known_names(before, key)
    assert set(made["person"]) == {"Ola Aas", "Kåre Lund", "Per Vik", "7"}
    for record, table in before.tables.items():
        expected = table.copy()
        for column, kind in REDACTED.items():
            if column in expected:
                expected[column] = expected[column].map(made[kind]).astype("str")
        if record == "areas":
            expected["description"] = expected["description"].str.replace("MF Vestrelin", made["site"]["MF Vestrelin"])
        pd.testing.assert_frame_equal(after.tables[record], expected)
    assert len(before.tables["spray_runs"]) == 4
    columns = ["record", "line", "rule", "holds"]
    pd.testing.assert_frame_equal(after.ledger[columns], before.ledger[columns])
    assert len(before.ledger) == 2
    assert after.title == f"Refit of {made['site']['MF Vestrelin']}"


def test_what_was_done_is_told_in_the_folder_without_a_name(redacted):
    _, out, key, done = redacted
    counted = done.columns.set_index(["record", "column"])[["values", "cells"]]
    assert counted.loc[("spray_runs", "operator_id")].tolist() == [4, 5]
    assert counted.loc[("wrap_observations", "inspector_id")].tolist() == [1, 2]
    assert counted.loc[("defects", "inspector_id")].tolist() == [1, 0]
    assert counted.loc[("jobs", "site")].tolist() == [2, 2]
    text = (out / NOTE_FILE).read_text(encoding="utf-8")
    assert "- 4 different names of kind person" in text
    assert "| jobs | site | jobs.csv |  | 2 | 2 |" in text
    assert "no number of the audit depends on the redaction" in text
    assert "1 of .csv, 1 of .txt" in text
    assert done.key_check in text
    assert read_key(key).hex() not in text


def test_all_else_in_a_text_file_stays_to_the_letter(redacted):
    records, out, key, _ = redacted
    made = known_names(read_dossier(records), key)
    before = (records / "jobs.csv").read_bytes()
    for name in ("MF Vestrelin", "MV Grebe"):
        before = before.replace(name.encode(), made["site"][name].encode())
    assert (out / "jobs.csv").read_bytes() == before
    areas = next(out.glob("areas*.csv"))
    assert areas.name == f"areas {made['site']['MV Grebe']}.csv"
    assert areas.read_text().startswith(f"Kept by {made['person']['Per Vik']} on {made['site']['MF Vestrelin']}\n\n")


def test_the_same_key_gives_the_same_files(redacted, tmp_path):
    records, out, key, _ = redacted
    redact_records(records, tmp_path / "other", key=key)
    assert sorted(path.name for path in out.iterdir()) == sorted(path.name for path in (tmp_path / "other").iterdir())
    for path in out.iterdir():
        assert path.read_bytes() == (tmp_path / "other" / path.name).read_bytes()


def test_hidden_order_reads_the_same_too(records, key, tmp_path):
    done = redact_records(records, tmp_path / "out", key=key, order="hidden")
    assert done.order == "hidden"
    assert "tell nothing of the alphabet" in done.method
    assert len(read_dossier(tmp_path / "out").tables["spray_runs"]) == 4


def test_the_sample_as_it_came_in_keeps_its_tables(raw_dossier, key, tmp_path):
    """Readings across columns whose headers name inspectors, sheets called after sites, five encodings."""
    done = redact_records(sample_folder() / "raw", tmp_path / "out", key=key)
    after = read_dossier(tmp_path / "out")
    made = known_names(raw_dossier, key)
    assert after.rows == raw_dossier.rows
    assert len(after.ledger) == len(raw_dossier.ledger)
    study = raw_dossier.tables["study_readings"]["inspector_id"].map(made["person"])
    assert after.tables["study_readings"]["inspector_id"].tolist() == study.tolist()
    assert done.remaining.empty
    assert len(done.columns) == 8
    for record in ("film_readings", "pressure_settings", "maintenance"):
        pd.testing.assert_frame_equal(after.tables[record], raw_dossier.tables[record])


def test_a_name_that_stands_elsewhere_is_counted(records, key, tmp_path):
    path = records / "jobs.csv"
    coating = str(contract("jobs").column("coating").example)
    path.write_bytes(path.read_bytes().replace(coating.encode(), b"Per Vik"))
    done = redact_records(records, tmp_path / "out", key=key)
    person = known_names(read_dossier(records), key)["person"]["Per Vik"]
    assert done.remaining.to_numpy().tolist() == [["jobs.csv", person, 2]]
    assert "still stand as words in 2 other places" in (tmp_path / "out" / NOTE_FILE).read_text()


def test_a_key_that_others_would_see(records, tmp_path):
    for place in (records, tmp_path / "out"):
        place.mkdir(exist_ok=True)
        key = new_key(place / ".key")
        with pytest.raises(SourceError, match="must lie outside"):
            redact_records(records, tmp_path / "out", key=key)


def test_nothing_is_written_where_something_is(records, key, tmp_path):
    (tmp_path / "out").mkdir()
    with pytest.raises(SourceError, match="must be a new name"):
        redact_records(records, tmp_path / "out", key=key)


def test_records_that_would_read_differently_are_refused(records, key, tmp_path):
    """A pattern that spells a name in its own way no longer fits the header."""
    told = row("study_readings")
    wide = pd.DataFrame([{"place_id": "P01", "measured_at": "2027-01-20T09:00:00Z", "by Per Vik 1": 80.1}])
    wide.to_csv(records / "study.csv", index=False)
    document = yaml.safe_load((records / "dossier.yaml").read_text(encoding="utf-8"))
    constants = {name: told[name] for name in ("study_id", "design", "gauge_id")}
    document["tables"].append(
        {
            "file": "study.csv",
            "record": "study_readings",
            "constants": {**constants, "inspector_id": "Per Vik"},
            "wide": {"value": "reading_um", "pattern": "by Per[ ]Vik (?P<trial>[0-9])"},
        }
    )
    (records / "dossier.yaml").write_text(yaml.safe_dump(document), encoding="utf-8")
    assert read_dossier(records).rows["study_readings"] == 1
    with pytest.raises(SourceError, match="cannot be redacted so that it can still be read"):
        redact_records(records, tmp_path / "out", key=key)
    assert not (tmp_path / "out").exists()


def test_a_cell_at_fault_stays_at_fault(records, key, tmp_path):
    path = records / "jobs.csv"
    path.write_bytes(path.read_bytes().replace(b"MV Grebe", b"MV\x07 Grebe"))
    before = read_dossier(records)
    redact_records(records, tmp_path / "out", key=key)
    after = read_dossier(tmp_path / "out")
    assert len(after.ledger) == len(before.ledger) > 0
    assert b"Grebe" not in (tmp_path / "out" / "jobs.csv").read_bytes()


@pytest.mark.parametrize(
    ("pattern", "expected"),
    [
        (r"(?P<who>IN[0-9]+) no", r"(?P<who>P1|P\-2) no"),
        (r"\((?P<who>(a|b)[)]\))x", r"\((?P<who>P1|P\-2)x"),
        (r"(?P<n>[0-9])(?P<who>[^]]+)", r"(?P<n>[0-9])(?P<who>P1|P\-2)"),
    ],
)
def test_a_group_of_a_pattern(pattern, expected):
    assert with_group(pattern, "who", ["P1", "P-2"]) == expected


@pytest.mark.parametrize("mark", [",", ";", "\t", "|", "~"])
def test_text_with_any_delimiter_quotes_and_lines_inside_cells(mark):
    lines = [f"who{mark}note", f'"A"{mark}"x\n""y"""', f"A{mark}z", "", f'B{mark}"one{mark}two"']
    content = "\r\n".join(lines).encode("utf-16")
    edit = TableEdit(
        headers=("who", "note"),
        new_headers=("who", "note"),
        lines=frozenset({2, 4, 6}),
        cells={0: {"A": "P1"}},
        prose=frozenset(),
        words=str,
    )
    given = mark if mark == "~" else None
    made = exchange_text(content, edit, encoding="utf-16", delimiter=given, name="x").decode("utf-16")
    assert made == "\r\n".join([lines[0], f'P1{mark}"x\n""y"""', f"P1{mark}z", "", lines[4]])
    assert edit.done == {0: 2}
    marked = f"sep={mark}\n".encode() + "\n".join(lines).encode()
    assert exchange_text(marked, edit, encoding="utf-8", delimiter=None, name="x").startswith(f"sep={mark}\n".encode())
