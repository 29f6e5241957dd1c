import datetime as dt
from decimal import Decimal

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from auditkit.errors import SourceError
from auditkit.intake.parquet_files import read_parquet_file


@pytest.fixture
def table(tmp_path):
    def read(columns):
        path = tmp_path / "x.parquet"
        pq.write_table(pa.table(columns), path)
        return read_parquet_file(path, name="x.parquet")

    return read


def test_cells_keep_their_kind_and_rows_are_numbered(table):
    moment = dt.datetime(2027, 1, 13, 9, 5, tzinfo=dt.UTC)
    found = table(
        {
            "t": pa.array(["x", None]).dictionary_encode(),
            "n": [1.5, None],
            "i": [1, 2],
            "d": [Decimal("2.50"), None],
            "m": pa.array([moment, None], pa.timestamp("us", "UTC")),
        }
    )
    assert [list(cells) for cells in found.columns] == [
        ["x", None],
        [1.5, None],
        [1, 2],
        [Decimal("2.50"), None],
        [moment, None],
    ]
    assert found.lines.tolist() == [1, 2]


def test_frames_written_by_pandas_are_read(tmp_path):
    path = tmp_path / "x.parquet"
    pd.DataFrame({"n": [1.5, None], "t": ["x", None]}).to_parquet(path, index=False)
    found = read_parquet_file(path, name="x.parquet")
    assert [list(cells) for cells in found.columns] == [[1.5, None], ["x", None]]


def test_columns_of_lists_are_refused(table):
    with pytest.raises(SourceError, match=r"^x.parquet: column 'a' must hold single values; given list"):
        table({"a": [[1, 2]]})
    with pytest.raises(SourceError, match=r"given binary"):
        table({"a": [b"x"]})


def test_damaged_files_are_refused(table, tmp_path):
    table({"a": [1]})
    path = tmp_path / "x.parquet"
    whole = path.read_bytes()
    for damaged in (whole[: len(whole) // 2], b"PAR1" + b"\x00" * 100 + b"PAR1", whole[:-8] + b"\xff" * 8):
        path.write_bytes(damaged)
        with pytest.raises(SourceError, match=r"^x.parquet: must be a whole Parquet file; given one that is damaged"):
            read_parquet_file(path, name="x.parquet")


def test_too_many_columns_are_refused(table):
    with pytest.raises(SourceError, match=r"must have at most 2000 columns"):
        table({f"c{n}": [1] for n in range(2001)})


def test_long_cells_are_refused(table):
    with pytest.raises(SourceError, match=r"a cell must have at most 1000000 characters; given 1000001"):
        table({"a": ["x" * 1_000_001]})


def test_repeated_headers_are_refused(tmp_path):
    path = tmp_path / "x.parquet"
    pq.write_table(pa.Table.from_arrays([pa.array([1]), pa.array([2])], names=["a", "A"]), path)
    with pytest.raises(SourceError, match=r"column 2 repeats the header 'A' of column 1"):
        read_parquet_file(path, name="x.parquet")


def test_text_that_is_no_utf8_is_refused(table, tmp_path):
    table({"a": ["abcdefgh"]})
    path = tmp_path / "x.parquet"
    path.write_bytes(path.read_bytes().replace(b"abcdefgh", b"abc\xffefgh"))
    with pytest.raises(SourceError, match=r"^x.parquet: must be a whole Parquet file"):
        read_parquet_file(path, name="x.parquet")
