import dataclasses
from pathlib import Path

import pandas as pd
import pytest

from auditkit.dossier import FILE_COLUMNS, LEDGER_COLUMNS, Dossier, canonical_text
from auditkit.intake import LogFile


def dossier_of(logs=(), **tables):
    return Dossier(
        title="t",
        folder=Path(),
        time_zone="UTC",
        tables=tables,
        lineage={},
        ledger=pd.DataFrame(columns=list(LEDGER_COLUMNS)),
        files=pd.DataFrame(columns=list(FILE_COLUMNS)),
        settings={"pressure_logs": tuple(logs)} if logs else {},
        notes=(),
        contracts={},
    )


TABLE = pd.DataFrame(
    {
        "n": [0.1, None],
        "i": pd.array([1, None], dtype="Int64"),
        "b": pd.array([True, None], dtype="boolean"),
        "t": pd.array(['ä"\n', None], dtype="str"),
        "m": pd.to_datetime(["2027-01-13T08:05Z", None], utc=True).as_unit("us"),
    }
)


def test_canonical_text_is_written_out_in_full():
    # 2027-01-13T08:05Z is 1 799 827 500 s after 1970
    assert canonical_text("x", TABLE) == (
        '["x",["n",[0.1,null]],["i",[1,null]],["b",[true,null]],["t",["ä\\"\\n",null]],["m",[1799827500000000,null]]]\n'
    )


@pytest.mark.parametrize("column", list(TABLE.columns))
def test_the_digest_follows_every_cell(column):
    changed = TABLE.copy()
    changed[column] = changed[column].iloc[::-1].to_numpy() if column != "m" else changed[column][::-1].array
    assert dossier_of(x=changed).digest() != dossier_of(x=TABLE).digest()


def test_the_digest_follows_names_but_not_the_order_of_tables():
    other = TABLE.head(1)
    assert dossier_of(x=TABLE, y=other).digest() == dossier_of(y=other, x=TABLE).digest()
    assert dossier_of(x=TABLE).digest() != dossier_of(y=TABLE).digest()
    assert dossier_of(x=TABLE).digest() != dossier_of(x=TABLE.rename(columns={"n": "k"})).digest()


LOG = LogFile(
    path=Path("log.csv"),
    name="log.csv",
    sha256="ab",
    columns={"t": "logged_at", "psi": "pot_kpa"},
    constants={"unit_id": "U3"},
    unit="psi",
    time_zone="Europe/Oslo",
)


def test_the_digest_covers_logs_and_without_them_is_that_of_the_tables():
    plain, logged = dossier_of(x=TABLE), dossier_of(logs=[LOG], x=TABLE)
    assert plain.digest() == plain.tables_digest() == logged.tables_digest()
    assert logged.digest() != plain.digest()


@pytest.mark.parametrize(
    "change",
    [
        {"sha256": "cd"},
        {"unit": "kpa"},
        {"time_zone": None},
        {"constants": {"unit_id": "U1"}},
        {"columns": {"u": "logged_at", "psi": "pot_kpa"}},
    ],
    ids=lambda change: next(iter(change)),
)
def test_the_digest_follows_the_bytes_of_a_log_and_how_they_are_read(change):
    other = dossier_of(logs=[dataclasses.replace(LOG, **change)], x=TABLE)
    assert other.digest() != dossier_of(logs=[LOG], x=TABLE).digest()


def test_the_digest_follows_neither_name_nor_order_of_logs():
    second = dataclasses.replace(LOG, sha256="cd")
    moved = dataclasses.replace(LOG, name="b/log.csv", path=Path("b/log.csv"))
    expected = dossier_of(logs=[LOG, second], x=TABLE).digest()
    assert dossier_of(logs=[second, moved], x=TABLE).digest() == expected
    assert dossier_of(logs=[LOG], x=TABLE).digest() != expected


def test_minus_zero_is_zero():
    minus, plain = pd.DataFrame({"n": [-0.0]}), pd.DataFrame({"n": [0.0]})
    assert dossier_of(x=minus).digest() == dossier_of(x=plain).digest()


def test_rows_are_counted_and_the_dossier_is_frozen():
    dossier = dossier_of(x=TABLE)
    assert dossier.rows == {"x": 2}
    with pytest.raises(dataclasses.FrozenInstanceError):
        dossier.title = "other"
