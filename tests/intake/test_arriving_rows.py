"""Rows that arrive, counted by what they are beside the rows that are there."""

import pytest

from auditkit.contracts import load_contracts
from auditkit.intake import read_dossier
from auditkit.intake.arriving_rows import ARRIVING_COLUMNS, arriving_rows
from auditkit.intake.assembly import read_files
from auditkit.intake.declaration import read_declaration
from auditkit.intake.folder import find_files

HEAD = "area_id,side,spot,repeat,dft_um,gauge_id,taken_at\n"
COUNTS = ["read", "new", "repeats", "contradicting", "set_aside"]


@pytest.fixture
def counted(tmp_path, sound):
    """Return a function that counts the rows of files that arrive beside three sound ones."""

    def count(**arriving):
        contracts = load_contracts()
        files = sound | {name.replace("_csv", ".csv"): text for name, text in arriving.items()}
        for name, text in files.items():
            (tmp_path / name).write_text(text, encoding="utf-8")
        declaration = read_declaration(tmp_path, contracts)
        tables, _ = read_files(find_files(tmp_path, declaration)[0], declaration, contracts)
        names = [name for name in files if name not in sound]
        return arriving_rows(tables, read_dossier(tmp_path), arriving=names, contracts=contracts)

    return count


@pytest.mark.parametrize(
    ("rows", "counts"),
    [
        ("A1,facing,1,3,76,G1,\n", [1, 1, 0, 0, 0]),
        ("A1,facing,1,1,74.50,G1,2027-01-13T08:05Z\n", [1, 0, 1, 0, 0]),  # as in readings.csv line 2
        ("A1,facing,1,1,74.6,G1,2027-01-13T08:05Z\n", [1, 0, 0, 1, 0]),
        ("A1,facing,1,1,x,G1,\n", [1, 0, 0, 0, 1]),
        ("A9,facing,1,1,74,G1,\n", [1, 0, 0, 0, 1]),  # no such area
        ("A1,facing,1\n", [1, 0, 0, 0, 1]),
        ("", [0, 0, 0, 0, 0]),
        ("A2,facing,1,1,74,G1,\nA2,facing,1,1,74,G1,\n", [2, 1, 1, 0, 0]),
        ("A2,facing,1,1,74,G1,\nA2,facing,1,1,75,G1,\n", [2, 0, 0, 2, 0]),
        ("A2,facing,1,1,74,G1,\nA2,facing,1,1,74,G1,\nA2,facing,1,1,75,G1,\n", [3, 0, 0, 3, 0]),
    ],
)
@pytest.mark.parametrize("name", ["zz_csv", "a_csv"])
def test_each_kind_of_row(counted, rows, counts, name):
    # a file that is read first keeps its row of two that are the same; that one it repeats all the same
    found = counted(**{name: HEAD + rows})
    assert found["record"].tolist() == ["film_readings"]
    assert found[COUNTS].to_numpy().tolist() == [counts]
    assert found["read"].eq(found[COUNTS[1:]].sum(axis=1)).all()


def test_files_and_records_are_counted_apart(counted):
    found = counted(
        b_csv=HEAD + "A2,facing,1,1,74,G1,\n",
        c_csv=HEAD + "A2,facing,1,1,74,G1,\nA2,facing,1,2,74,G1,\n",
        d_csv="unit_id,in_service_at\nU1,2027-01-05T07:30Z\n",
    )
    assert found.dtypes.astype(str).to_dict() == dict(ARRIVING_COLUMNS)
    assert found[["file", "record", *COUNTS]].to_numpy().tolist() == [
        ["b.csv", "film_readings", 1, 1, 0, 0, 0],
        ["c.csv", "film_readings", 2, 1, 1, 0, 0],
        ["d.csv", "units", 1, 1, 0, 0, 0],
    ]


def test_the_order_of_rows_does_not_matter(counted):
    rows = ["A1,facing,1,1,74.5,G1,2027-01-13T08:05Z", "A1,facing,1,2,1,G1,", "A1,facing,1,3,1,G1,", "A1,x,1,4,1,G1,"]
    one = counted(b_csv=HEAD + "\n".join(rows) + "\n")
    other = counted(b_csv=HEAD + "\n".join(rows[::-1]) + "\n")
    assert one.equals(other)
    assert one[COUNTS].to_numpy().tolist() == [[4, 1, 1, 1, 1]]


def test_nothing_arrives(counted):
    assert counted().empty
