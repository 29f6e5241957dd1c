"""The commands that bring records into a folder: exit codes, what is said, what is left behind."""

import signal
import sqlite3
import subprocess
import sys
import time

import pytest

import auditkit
from auditkit.report.redaction import redact_records
from auditkit.report.sealed import make_sealed, report_files

from .report.small_dossier import UNITS, WRAP, write_small

DATABASE = """\
databases: {site: "sqlite:///site.db"}
tables:
  - {file: wrap.parquet, record: wrap_observations, database: site, query: select * from wrap order by area_id}
  - {file: units.parquet, record: units, database: site, query: select * from units}
"""
FILM = "Area,Side,Spot,No,Mils,Gauge,When\n"
NEW = "A2,back,1,1,2.0,G1,2027-01-14T10:01:01+01:00\n"
REPEAT = "A1,front,1,1,3.1,G1,2027-01-14T09:01:01+01:00\n"  # as in film.csv
CONTRADICTS = "A1,front,1,2,9.9,G1,2027-01-14T09:01:02+01:00\n"  # film.csv has 3.0
UNREADABLE = "A2,front,7,1,thin,G1,2027-01-14T10:07:01+01:00\n"


def load(connection, name, text):
    header, *rows = text.splitlines()
    connection.execute(f"create table {name} ({', '.join(f'{column} text' for column in header.split(','))})")
    for row in rows:
        cells = [cell or None for cell in row.split(",")]
        connection.execute(f"insert into {name} values ({', '.join('?' * len(cells))})", cells)


@pytest.fixture
def site(tmp_path):
    """Return a folder of records, two of whose tables stand in a SQLite database."""
    folder = write_small(tmp_path / "site", wrap=None, units=None)
    declaration = folder / "dossier.yaml"
    declaration.write_text(declaration.read_text(encoding="utf-8").replace("tables:\n", DATABASE), encoding="utf-8")
    with sqlite3.connect(folder / "site.db") as connection:
        load(connection, "wrap", WRAP)
        load(connection, "units", UNITS)
    connection.close()
    return folder


def change(folder, statement):
    with sqlite3.connect(folder / "site.db") as connection:
        connection.execute(statement)
    connection.close()


def contents(folder):
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_an_audit_asks_for_a_fetch_first(site, call):
    code, out, err = call("check", site)
    assert (code, out) == (2, "")
    assert "they were never fetched into 'wrap.parquet'. Run: auditkit fetch FOLDER" in " ".join(err.split())


def test_fetched_tables_are_audited_as_the_files_they_were_before(site, call, tmp_path):
    before = contents(site)
    code, out, err = call("fetch", site, "--no-audit")
    assert (code, err.strip()) == (0, "")
    assert "wrap.parquet, wrap_observations: 2 rows of database site; written" in out
    assert "units.parquet, units: 1 rows of database site; written" in out
    after = contents(site)
    assert set(after) - set(before) == {"wrap.parquet", "units.parquet"}
    assert {name: after[name] for name in before} == before
    plain = auditkit.read_dossier(write_small(tmp_path / "plain"))
    fetched = auditkit.read_dossier(site)
    assert fetched.tables_digest() == plain.tables_digest()
    assert fetched.lineage["wrap_observations"].to_numpy(na_value="").tolist() == [
        ["wrap.parquet", "", 1, ""],
        ["wrap.parquet", "", 2, ""],
    ]


def test_a_second_fetch_leaves_what_is_the_same_and_asks_before_it_replaces(site, call):
    call("fetch", site, "--no-audit")
    first = contents(site)
    code, out, _ = call("fetch", site, "--no-audit")
    assert code == 0
    assert out.count("so left as it was") == 2
    assert contents(site) == first

    change(site, "update wrap set rating = '2' where area_id = 'A1'")
    changed = contents(site)
    code, out, _ = call("fetch", site, "--no-audit")
    assert code == 1
    assert "2 rows of database site; 1 of them new and 1 gone since " in out
    assert "left as it was; --replace takes the new rows" in out
    assert "What would change\n  wrap_observations: accepted rows: 1 changed" in out
    assert contents(site) == changed

    code, out, _ = call("fetch", site, "--replace")
    assert code == 0
    assert "; replaced\n" in out
    assert "What changes\n  wrap_observations: accepted rows: 1 changed" in out
    assert "wrap A1: conforms became does not conform; wrap_observations: 1 changed" in out
    after = contents(site)
    assert after["units.parquet"] == changed["units.parquet"]
    assert after["wrap.parquet"] != changed["wrap.parquet"]
    assert auditkit.read_dossier(site).tables["wrap_observations"]["rating"].tolist() == [2.0, 3.0]
    assert not [path for path in site.iterdir() if path.name.startswith(".")]


def test_another_query_is_not_answered_with_the_old_rows(site, call):
    call("fetch", site, "--no-audit")
    text = (site / "dossier.yaml").read_text(encoding="utf-8")
    (site / "dossier.yaml").write_text(text.replace("from units}", "from units where 1}"), encoding="utf-8")
    code, _, err = call("check", site)
    assert code == 2
    assert "must hold the rows of the query in dossier.yaml, tables[2]" in " ".join(err.split())
    code, out, _ = call("fetch", site, "--no-audit")
    assert code == 1
    assert "0 of them new and 0 gone since" in out
    assert ", when another query was asked; left as it was" in out
    assert call("fetch", site, "--replace", "--no-audit")[0] == 0
    assert call("check", site)[0] == 0


@pytest.mark.parametrize("query", ["select * from unit", "drop table units", "select 1; drop table units"])
def test_a_fetch_that_fails_writes_nothing(site, call, query):
    text = (site / "dossier.yaml").read_text(encoding="utf-8")
    (site / "dossier.yaml").write_text(text.replace("select * from units", query), encoding="utf-8")
    before = contents(site)
    code, out, err = call("fetch", site)
    assert (code, out) == (2, "")
    assert "orrect the query" in " ".join(err.split())
    assert "Traceback" not in err
    assert contents(site) == before
    assert not [path for path in site.iterdir() if path.name.startswith(".")]


def test_a_fetch_that_is_killed_leaves_nothing_half_written(site, call):
    endless = "with recursive n(i) as (select 1 union all select i + 1 from n) select i as unit_id from n"
    text = (site / "dossier.yaml").read_text(encoding="utf-8")
    (site / "dossier.yaml").write_text(text.replace("select * from units", endless), encoding="utf-8")
    before = contents(site)
    running = subprocess.Popen([sys.executable, "-m", "auditkit", "fetch", str(site)], stderr=subprocess.DEVNULL)
    try:
        until = time.monotonic() + 60
        while not list(site.glob(".writing-*/1.parquet")):
            assert running.poll() is None
            assert time.monotonic() < until
            time.sleep(0.05)
    finally:
        running.send_signal(signal.SIGKILL)
        running.wait()
    assert {name: told for name, told in contents(site).items() if not name.startswith(".writing-")} == before
    (site / "dossier.yaml").write_text(text, encoding="utf-8")
    assert call("fetch", site, "--no-audit")[0] == 0
    assert call("check", site)[0] == 0


def test_without_a_query_the_message_shows_one(tmp_path, call):
    code, _, err = call("fetch", write_small(tmp_path / "plain"))
    assert code == 2
    assert "must have a table with a query in dossier.yaml; given none" in " ".join(err.split())


def test_another_file_is_never_written_over_by_a_fetch(site, call):
    (site / "units.parquet").write_bytes(b"PAR1 of somebody else")
    code, _, err = call("fetch", site, "--replace")
    assert code == 2
    assert "there is another file of that name. Move it away" in " ".join(err.split())
    assert (site / "units.parquet").read_bytes() == b"PAR1 of somebody else"
    assert not (site / "wrap.parquet").exists()


def test_a_sealed_report_holds_the_fetched_rows_and_not_the_database(site, call, tmp_path, monkeypatch):
    def run(place, **_):  # the notebook itself is run in tests/report
        found = auditkit.audit(auditkit.read_dossier(place / "records"))
        return b"{}", report_files(found)

    monkeypatch.setattr("auditkit.report.sealed.run_report", run)
    call("fetch", site, "--no-audit")
    sealed = make_sealed(site, tmp_path / "sealed", dated="2027-04-01").folder
    received = auditkit.read_dossier(sealed / "data" / "records")
    assert received.digest() == auditkit.read_dossier(site).digest()
    for name in ("wrap.parquet", "units.parquet", "dossier.yaml"):
        assert (sealed / "data" / "records" / name).read_bytes() == (site / name).read_bytes()
    assert not [path for path in sealed.rglob("*") if path.name.startswith("site.db")]
    code, out, _ = call("trace", sealed, "wrap A1")
    assert code == 0
    assert "wrap.parquet" in out


def test_redacted_records_need_no_database_and_keep_no_query(tmp_path, call):
    site = tmp_path / "site"
    site.mkdir()
    with sqlite3.connect(site / "site.db") as connection:
        load(connection, "units", UNITS)
    connection.close()
    (site / "dossier.yaml").write_text(
        'auditkit: 1\ndecimal: ","\ndatabases: {site: "sqlite:///site.db"}\ntables:\n'
        "  - {file: units.parquet, record: units, database: site, query: select * from units}\n",
        encoding="utf-8",
    )
    assert call("fetch", site, "--no-audit")[0] == 0
    call("new-key", tmp_path / "key")
    redact_records(site, tmp_path / "redacted", key=tmp_path / "key")
    told = (tmp_path / "redacted" / "dossier.yaml").read_text(encoding="utf-8")
    assert "databases" not in told
    assert "select" not in told
    assert not (tmp_path / "redacted" / "site.db").exists()
    units = auditkit.read_dossier(tmp_path / "redacted").tables["units"]
    assert units["hose_length_m"].tolist() == [7.3]  # as the database gave it, whatever decimal mark files have


@pytest.fixture
def folder(tmp_path):
    return write_small(tmp_path / "records")


def day(tmp_path, rows, name="film_day2.csv"):
    path = tmp_path / name
    path.write_text(FILM + rows, encoding="utf-8")
    return path


@pytest.fixture
def patterned(folder):
    """Return the folder with every film file read by one entry."""
    text = (folder / "dossier.yaml").read_text(encoding="utf-8")
    (folder / "dossier.yaml").write_text(text.replace("file: film.csv", 'file: "film*.csv"'), encoding="utf-8")
    return folder


def test_append_counts_every_kind_of_row_and_says_which_verdicts_change(patterned, call, tmp_path):
    before = contents(patterned)
    thick = "".join(
        f"A2,front,{spot},{n},3.1,G1,2027-01-15T10:0{spot}:0{n}+01:00\n" for spot in (8, 9) for n in (1, 2, 3)
    )
    file = day(tmp_path, NEW + REPEAT + CONTRADICTS + UNREADABLE + thick)
    code, out, err = call("append", patterned, file, "--dry-run")
    assert (code, err.strip()) == (1, "")  # the small dossier holds a breach
    assert contents(patterned) == before
    assert not [path for path in patterned.iterdir() if path.name.startswith(".")]
    counts = "film_day2.csv, film_readings: 10 rows: 7 new, 1 repeat what is there, 1 contradict it, 1 set aside"
    assert counts in out
    assert "'thin'" in out
    assert "film_readings: accepted before, and now gone or set aside: A1" in out
    assert "film_readings: accepted rows: 7 added, 1 removed" in out
    assert "film A1 facing: conforms became not assessable; film_readings: 1 removed" in out
    assert "Nothing was written, as asked by --dry-run." in out

    code, out, _ = call("append", patterned, file, "--no-audit")
    assert code == 0
    assert counts in out
    assert f"Written: {patterned / 'film_day2.csv'}" in out
    after = contents(patterned)
    assert after == before | {"film_day2.csv": file.read_bytes()}
    sides = auditkit.audit(auditkit.read_dossier(patterned), causes=False).film.areas
    (verdict,) = sides.loc[(sides["area_id"] == "A1") & (sides["side"] == "facing"), "verdict"]
    assert verdict == "not assessable"  # a spot's reading is set aside, as the day's contradicts it
    assert not [path for path in patterned.iterdir() if path.name.startswith(".")]


def test_append_takes_no_audit_where_none_is_asked(patterned, call, tmp_path, monkeypatch):
    monkeypatch.setattr("auditkit.findings.audit.audit", lambda *_, **__: pytest.fail("audited"))
    code, out, _ = call("append", patterned, day(tmp_path, NEW), "--no-audit")
    assert code == 0
    assert "1 rows: 1 new, 0 repeat" in out
    assert "Verdicts and windows were not asked for." in out


def test_append_never_writes_over_a_file(patterned, call, tmp_path):
    before = contents(patterned)
    code, out, err = call("append", patterned, day(tmp_path, NEW), day(tmp_path, NEW, name="film.csv"))
    assert (code, out) == (2, "")
    said = " ".join(err.split())
    assert "must be a new name; there is film.csv, which is never written over. Rename the file" in said
    assert "--into" in said
    assert contents(patterned) == before
    code, out, _ = call("append", patterned, tmp_path / "film.csv", "--into", "day2", "--no-audit")
    assert code == 2  # no entry reads it there, and its headers are the file's own
    assert contents(patterned) == before
    assert not (patterned / "day2").exists()


def test_append_puts_files_into_a_folder_of_their_own(folder, call, tmp_path):
    other = tmp_path / "units.csv"
    other.write_text("unit_id,in_service_at,hose_length_m\nU2,2027-02-05T07:30:00+01:00,7\n", encoding="utf-8")
    code, out, _ = call("append", folder, other, "--into", "day2", "--no-audit")
    assert code == 0
    assert "day2/units.csv, units: 1 rows: 1 new" in out
    assert (folder / "day2" / "units.csv").read_bytes() == other.read_bytes()
    assert auditkit.read_dossier(folder).tables["units"]["unit_id"].tolist() == ["U1", "U2"]


def test_append_is_all_or_none(patterned, call, tmp_path):
    before = contents(patterned)
    broken = tmp_path / "strange.csv"
    broken.write_text("berth,boat\n3,none\n", encoding="utf-8")
    code, out, err = call("append", patterned, day(tmp_path, NEW), broken)
    assert (code, out) == (2, "")
    assert "strange.csv" in err
    assert contents(patterned) == before
