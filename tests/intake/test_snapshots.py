"""Fetched rows in their file: as received, with the query and the moment, and refused where another query gave them."""

from dataclasses import replace

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from auditkit.errors import SourceError
from auditkit.intake import read_dossier, snapshots
from auditkit.intake.declaration import TableEntry
from auditkit.intake.snapshots import Snapshot, check_snapshot, read_snapshot, row_changes, write_snapshot

ENTRY = TableEntry(
    where="dossier.yaml, tables[1]", file="u.parquet", record="units", database="site", query="select *\nfrom units"
)
AT = "2027-03-02T10:00:00+00:00"
HEADERS = ("unit_id", "in_service_at")


def written(path, chunks, *, entry=ENTRY, headers=HEADERS):
    return write_snapshot(path, headers, chunks, entry=entry, fetched_at=AT)


def test_rows_are_kept_as_received_with_the_query_and_the_moment(tmp_path):
    path = tmp_path / "u.parquet"
    made = written(path, [[["U1", "2027-01-05T07:30Z"]], [["", None], [" 007 ", "1\n2"]]])
    assert made == Snapshot(database="site", query="select *\nfrom units", fetched_at=AT, rows=3)
    assert read_snapshot(path) == made
    table = pq.read_table(path)
    assert table.to_pylist() == [
        {"unit_id": "U1", "in_service_at": "2027-01-05T07:30Z"},
        {"unit_id": "", "in_service_at": None},
        {"unit_id": " 007 ", "in_service_at": "1\n2"},
    ]
    assert {str(field.type) for field in table.schema} == {"string"}


def test_the_same_rows_make_the_same_bytes(tmp_path):
    for name in ("a", "b"):
        written(tmp_path / name, [[["U1", None]]])
    assert (tmp_path / "a").read_bytes() == (tmp_path / "b").read_bytes()


def test_no_row_at_all_is_a_table_of_headers(tmp_path):
    path = tmp_path / "u.parquet"
    assert written(path, []).rows == 0
    assert pq.read_table(path).column_names == ["unit_id", "in_service_at"]
    assert row_changes(path, path) == (0, 0)


def test_a_file_is_never_written_over(tmp_path):
    path = tmp_path / "u.parquet"
    written(path, [])
    with pytest.raises(FileExistsError):
        written(path, [])


def test_what_cannot_be_kept_is_refused(tmp_path, monkeypatch):
    with pytest.raises(SourceError, match="column 2 repeats the header 'UNIT_ID' of column 1"):
        written(tmp_path / "a", [], headers=("unit_id", "UNIT_ID"))
    with pytest.raises(SourceError, match="must have columns; the query gives none"):
        written(tmp_path / "none", [[[]]], headers=())
    monkeypatch.setattr(snapshots, "MAX_CELL_CHARACTERS", 3)
    written(tmp_path / "b", [[["abc", None]]])
    with pytest.raises(SourceError, match="a cell must have at most 3 characters; given 4"):
        written(tmp_path / "c", [[["abc", "abcd"]]])
    monkeypatch.setattr(snapshots, "MAX_CELLS", 4)
    written(tmp_path / "d", [[["a", "b"]], [["a", "b"]]])
    with pytest.raises(SourceError, match="must have at most 4 cells; the query gives more"):
        written(tmp_path / "e", [[["a", "b"]], [["a", "b"]], [["a", "b"]]])


def test_another_file_says_nothing_of_itself(tmp_path):
    plain = tmp_path / "plain.parquet"
    pq.write_table(pa.table({"a": [1]}), plain)
    (tmp_path / "text").write_text("a", encoding="utf-8")
    odd = pa.schema([("a", pa.int64())], metadata={b"auditkit": b"[1]"})
    pq.write_table(pa.table({"a": [1]}, schema=odd), tmp_path / "odd")
    for name in ("plain.parquet", "text", "odd", "none"):
        assert read_snapshot(tmp_path / name) is None
    with pytest.raises(SourceError, match=r"u: must be written by auditkit fetch, as dossier.yaml, tables\[1\] has"):
        check_snapshot(plain, ENTRY, name="u")


def test_rows_of_another_query_or_database_are_refused(tmp_path):
    path = tmp_path / "u.parquet"
    written(path, [[["U1", None]]])
    assert check_snapshot(path, ENTRY, name="u.parquet") == (
        f"u.parquet: 1 rows of database site, fetched at {AT} by the query in dossier.yaml, tables[1]; row N is row N "
        "of its answer"
    )
    for other in (replace(ENTRY, query="select * from units"), replace(ENTRY, database="office")):
        with pytest.raises(
            SourceError, match=f"they were fetched by another, at {AT[:19]}.*Run: auditkit fetch FOLDER"
        ):
            check_snapshot(path, other, name="u.parquet")


def test_rows_are_compared_as_received_whatever_their_order(tmp_path):
    one = [["U1", None], ["U1", None], ["U2", "x"]]
    written(tmp_path / "a", [one])
    written(tmp_path / "b", [one[::-1]])
    written(tmp_path / "c", [[["U1", None], ["U2", "y"], ["U2", ""], ["U3", None]]])
    written(tmp_path / "d", [one], headers=("unit_id", "since"))
    assert row_changes(tmp_path / "a", tmp_path / "b") == (0, 0)
    assert row_changes(tmp_path / "a", tmp_path / "c") == (3, 2)
    assert row_changes(tmp_path / "c", tmp_path / "a") == (2, 3)
    assert row_changes(tmp_path / "a", tmp_path / "d") == (3, 3)


def test_fetched_rows_are_read_as_any_others_and_none_is_lost(tmp_path):
    (tmp_path / "dossier.yaml").write_text(
        'auditkit: 1\ndecimal: ","\ndatabases: {site: "sqlite:///site.db"}\n'
        'tables: [{file: u.parquet, record: units, database: site, query: "select *\\nfrom units"}]\n',
        encoding="utf-8",
    )
    headers = (*HEADERS, "hose_length_m")
    rows = [
        ["U1", "2027-01-05T07:30Z", "7.25"],
        [None, None, None],
        ["U2", "soon", "7"],
        ["U3", "2027-01-05T07:30Z", ""],
    ]
    written(tmp_path / "u.parquet", [rows], headers=headers)
    dossier = read_dossier(tmp_path)
    assert dossier.tables["units"]["hose_length_m"].tolist()[0] == 7.25
    assert dossier.lineage["units"]["line"].tolist() == [1, 4]
    assert dossier.files[["read", "accepted", "set_aside"]].to_numpy().tolist() == [[4, 2, 2]]
    assert dossier.ledger.groupby("line").size().to_dict() == {2: 1, 3: 1}
    assert dossier.notes[0].startswith("u.parquet: 4 rows of database site, fetched at 2027-03-02T10:00:00+00:00 by")
    assert dossier.ledger.loc[1, ["file", "line", "value", "row"]].tolist() == [
        "u.parquet", 3, "soon", '{"unit_id": "U2", "in_service_at": "soon", "hose_length_m": "7"}'
    ]  # fmt: skip
