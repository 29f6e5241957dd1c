"""The same records from files, SQLite and PostgreSQL; and what is kept of a fetch, and what is not."""

import os
import sqlite3
from decimal import Decimal

import pandas as pd
import pytest

import auditkit
from auditkit.contracts import load_contracts
from auditkit.errors import SourceError
from auditkit.report.fetching import fetch_tables, fetched_lines

from ..live_postgres import new_database, plain

AT = "2027-03-02T10:00:00+00:00"
CONTRACTS = load_contracts()
POSTGRES_TYPES = {
    "number": "numeric",
    "integer": "integer",
    "moment": "timestamptz",
    "choice": "text",
    "text": "text",
    "yes-no": "boolean",
}
FAULTY = {  # a value that its contract refuses, or a row of another's key, in every kind of database
    "units": {"hose_length_m": -1.0},
    "defects": {"defect": "moss"},
    "film_readings": {"side": "inner"},
}


@pytest.fixture(scope="module")
def tables(clean_dossier):
    """Return the tables of the clean sample, of the longest 400 rows, some rows at fault and some repeated."""
    found = {}
    for record, table in clean_dossier.tables.items():
        short = table.head(400)
        extra = [short]
        if record in FAULTY:
            extra.append(short.head(2).assign(**FAULTY[record]))
        if record == "wrap_observations":
            extra += [short.head(1), short.iloc[[1]].assign(rating=0.5)]  # a repeat, and a contradiction
        found[record] = pd.concat(extra, ignore_index=True)
    return found


def value_of(value, kind, *, native):
    """Return a value as a person would keep it in a table of a database, or write it into a file."""
    if pd.isna(value):
        return None
    if kind == "moment":
        return value.to_pydatetime() if native else value.isoformat()
    if kind == "yes-no":
        return bool(value) if native else "yes" if value else "no"
    if kind == "number":
        return Decimal(str(value)) if native else float(value)
    return int(value) if kind == "integer" else str(value)


def rows_of(record, table, *, native):
    kinds = [CONTRACTS[record].column(name).kind for name in table.columns]
    for row in table.itertuples(index=False, name=None):
        yield [value_of(value, kind, native=native) for value, kind in zip(row, kinds, strict=True)]


def declared(folder, tables, source):
    folder.mkdir()
    # row_no keeps the order, and is no part of the record
    text = "".join(
        f"  - {{file: {record}.parquet, record: {record}, database: site, drop: [row_no], "
        f"query: select * from {record} order by row_no}}\n"
        for record in tables
    )
    (folder / "dossier.yaml").write_text(
        f"auditkit: 1\ndatabases: {{site: {source}}}\ntables:\n{text}", encoding="utf-8"
    )
    return folder


@pytest.fixture(scope="module")
def from_files(tables, tmp_path_factory):
    folder = tmp_path_factory.mktemp("files")
    for record, table in tables.items():
        rows = pd.DataFrame(list(rows_of(record, table, native=False)), columns=table.columns, dtype=object)
        rows.to_csv(folder / f"{record}.csv", index=False)
    return auditkit.read_dossier(folder)


def load_sqlite(path, tables):
    with sqlite3.connect(path) as site:
        for record, table in tables.items():
            site.execute(f"create table {record} (row_no integer, {', '.join(table.columns)})")
            marks = ", ".join("?" * (len(table.columns) + 1))
            rows = [[n, *row] for n, row in enumerate(rows_of(record, table, native=False))]
            site.executemany(f"insert into {record} values ({marks})", rows)
    site.close()


def load_postgres(url, tables):
    import psycopg

    with psycopg.connect(plain(url)) as site:
        for record, table in tables.items():
            kinds = {name: POSTGRES_TYPES[CONTRACTS[record].column(name).kind] for name in table.columns}
            columns = ", ".join(f"{name} {kind}" for name, kind in kinds.items())
            site.execute(f"create table {record} (row_no integer, {columns})")
            with site.cursor().copy(f"copy {record} from stdin") as copy:
                for n, row in enumerate(rows_of(record, table, native=True)):
                    copy.write_row([n, *row])


def places(texts):
    """Return texts in which places are rows, whatever the file: line 5 of a file is row 4, under its headers."""
    names = texts.str.replace(r"\.(?:csv|parquet)\b", "", regex=True)
    return names.str.replace(r"\bline ([0-9]+)", lambda found: f"row {int(found[1]) - 1}", regex=True)


def assert_same_records(fetched, files, tables):
    for record in tables:
        pd.testing.assert_frame_equal(fetched.tables[record], files.tables[record])
        # row N of an answer is line N + 1 of a file, under its headers
        assert (fetched.lineage[record]["line"] + 1).tolist() == files.lineage[record]["line"].tolist()
    told = ["record", "row_no", "column", "rule", "holds", "cure"]
    one, other = (
        dossier.ledger.assign(**{name: places(dossier.ledger[name]) for name in told[4:]})
        for dossier in (fetched, files)
    )
    pd.testing.assert_frame_equal(one[told], other[told])
    assert (one["line"] + 1).tolist() == other["line"].tolist()
    counts = ["record", "read", "accepted", "set_aside"]
    pd.testing.assert_frame_equal(fetched.files[counts], files.files[counts])
    assert fetched.files["read"].eq(fetched.files["accepted"] + fetched.files["set_aside"]).all()
    assert fetched.files.set_index("record")["read"].to_dict() == {name: len(table) for name, table in tables.items()}
    assert set(fetched.ledger["rule"]) >= {"range", "choice", "repeated key"}


def test_the_same_records_from_sqlite_as_from_files(tables, from_files, tmp_path):
    folder = declared(tmp_path / "site", tables, '"sqlite:///site.db"')
    load_sqlite(folder / "site.db", tables)
    made = fetch_tables(folder, fetched_at=AT, judged=False, timeout_s=60)
    assert made.n == sum(map(len, tables.values()))
    assert_same_records(auditkit.read_dossier(folder), from_files, tables)


def test_the_same_records_from_postgres_as_from_files(tables, from_files, tmp_path, monkeypatch):
    folder = declared(tmp_path / "site", tables, "{url_from: SITE_DB}")
    with new_database() as url:
        load_postgres(url, tables)
        monkeypatch.setenv("SITE_DB", url.replace("postgres@", "postgres:sesam@"))  # which this server does not ask for
        made = fetch_tables(folder, fetched_at=AT, judged=False, timeout_s=60)
        again = fetch_tables(folder, fetched_at="2027-03-03T10:00:00+00:00", judged=False, timeout_s=60)
    assert made.n == sum(map(len, tables.values()))
    assert set(again.files["state"]) == {"as it was"}
    assert_same_records(auditkit.read_dossier(folder), from_files, tables)
    host = url.split("host=")[1]
    for path in folder.iterdir():
        assert b"sesam" not in path.read_bytes()
        assert host.encode() not in path.read_bytes()
    for told in fetched_lines(made), auditkit.read_dossier(folder).notes:
        assert "sesam" not in str(told)
        assert host not in str(told)


@pytest.fixture
def site(tmp_path):
    """Return a folder that takes its units from a database."""
    folder = tmp_path / "site"
    folder.mkdir()
    (folder / "dossier.yaml").write_text(
        'auditkit: 1\ndatabases: {site: "sqlite:///site.db"}\n'
        "tables: [{file: units.parquet, record: units, database: site, query: select * from units}]\n",
        encoding="utf-8",
    )
    with sqlite3.connect(folder / "site.db") as connection:
        connection.execute("create table units (unit_id text, in_service_at text)")
        connection.execute("insert into units values ('U1', '2027-01-05T07:30Z'), ('U2', '2027-02-05T07:30Z')")
    connection.close()
    return folder


def fetched(folder, **told):
    return fetch_tables(folder, **{"fetched_at": AT, "timeout_s": 20, "judged": False} | told)


def run(folder, statement):
    with sqlite3.connect(folder / "site.db") as connection:
        connection.execute(statement)
    connection.close()


def test_each_state_of_a_table(site):
    told = fetched(site)
    row = ["units.parquet", "units", "site", 2, 2, 0, "", True, "written"]
    assert told.files.to_numpy().tolist() == [row]
    assert (told.kept, told.changes, told.n, told.excluded) == (False, None, 2, 0)
    later = "2027-03-03T10:00:00+00:00"
    assert fetched(site, fetched_at=later).files["state"].tolist() == ["as it was"]
    run(site, "insert into units values ('U3', '2027-02-06T07:30Z')")
    run(site, "delete from units where unit_id = 'U1'")
    kept = fetched(site, fetched_at=later)
    assert kept.files.to_numpy().tolist() == [["units.parquet", "units", "site", 2, 1, 1, AT, True, "kept"]]
    assert kept.kept
    assert kept.changes.rows.to_numpy().tolist() == [["units", 1, 1, 0]]
    assert kept.changes.removed.to_numpy().tolist() == [["units", "U1"]]
    assert auditkit.read_dossier(site).tables["units"]["unit_id"].tolist() == ["U1", "U2"]
    replaced = fetched(site, fetched_at=later, replace=True)
    assert replaced.files["state"].tolist() == ["replaced"]
    assert not replaced.kept
    assert auditkit.read_dossier(site).tables["units"]["unit_id"].tolist() == ["U2", "U3"]
    lines = fetched_lines(fetched(site))[0][1]
    run(site, "delete from units where unit_id = 'U2'")
    assert fetched(site).files[["rows", "new", "gone", "state"]].to_numpy().tolist() == [[1, 0, 1, "kept"]]
    assert lines == (f"units.parquet, units: 2 rows of database site; the same as at {later}, so left as it was",)


def test_a_table_without_rows(site):
    run(site, "delete from units")
    assert fetched(site).files[["rows", "state"]].to_numpy().tolist() == [[0, "written"]]
    run(site, "insert into units values ('U3', '2027-02-06T07:30Z')")
    told = fetched(site)  # of no rows no dossier can be read, which is no fault of the fetch
    assert told.files["state"].tolist() == ["kept"]
    assert "must hold at least one row" in told.changes.unread
    assert "Nothing to compare with" in fetched_lines(told)[1][1][0]


def test_rows_that_no_dossier_can_be_read_from_are_not_taken(site):
    fetched(site)
    before = (site / "units.parquet").read_bytes()
    run(site, "update units set in_service_at = 'soon'")
    with pytest.raises(SourceError, match="must hold at least one row that can be accepted") as told:
        fetched(site, replace=True)
    assert str(told.value).startswith(f"{site}: ")
    assert (site / "units.parquet").read_bytes() == before
    assert sorted(path.name for path in site.iterdir()) == ["dossier.yaml", "site.db", "units.parquet"]


def test_a_link_in_the_place_of_a_table_is_refused(site, tmp_path):
    (tmp_path / "elsewhere").write_bytes(b"")
    (site / "units.parquet").symlink_to(tmp_path / "elsewhere")
    with pytest.raises(SourceError, match=r"units.parquet: must be a file inside the folder; given a link"):
        fetched(site, replace=True)
    assert (tmp_path / "elsewhere").read_bytes() == b""


def test_a_folder_that_cannot_be_written_to(site, monkeypatch):
    def refuse(**_):
        raise PermissionError(13, os.strerror(13))

    monkeypatch.setattr("auditkit.report.folder_files.tempfile.mkdtemp", refuse)
    with pytest.raises(SourceError, match="must be a folder that can be written to; the system says: Permission"):
        fetched(site)
