"""Files appended to a dossier's folder: what they come to, and which names they may have."""

import shutil

import pytest

import auditkit
from auditkit.errors import SourceError
from auditkit.report.appending import append_files, appended_lines

from .small_dossier import UNITS, write_small

HEAD = UNITS.splitlines()[0] + "\n"
U1, U2 = UNITS.splitlines()[1] + "\n", "U2,2027-02-05T07:30:00+01:00,7.3,6.35,0\n"


@pytest.fixture
def folder(tmp_path):
    return write_small(tmp_path / "records")


@pytest.fixture
def arriving(tmp_path):
    """Return a function that writes a file of units."""

    def write(rows, name="units_day2.csv"):
        path = tmp_path / "incoming" / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(HEAD + rows, encoding="utf-8")
        return path

    return write


def appended(folder, *files, **told):
    return append_files(folder, files, **{"judged": False} | told)


def names(folder):
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


def test_a_file_is_counted_and_put_in_place(folder, arriving):
    file = arriving(U1 + U2 + U2.replace("U2", "U3").replace("7.3", "long"))
    told = appended(folder, file)
    assert told.rows.to_numpy().tolist() == [["units_day2.csv", "units", 3, 1, 1, 0, 1]]
    assert (told.n, told.excluded) == (3, 1)
    assert told.ledger[["file", "line", "column", "value"]].to_numpy().tolist() == [
        ["units_day2.csv", 2, "unit_id", "U1"],  # the repeat, which the ledger keeps as well
        ["units_day2.csv", 4, "hose_length_m", "long"],
    ]
    assert told.placed == (folder / "units_day2.csv",)
    assert told.placed[0].read_bytes() == file.read_bytes()
    assert file.exists()
    lines = dict(appended_lines(told))
    assert lines["Rows that arrive"] == (
        "units_day2.csv, units: 3 rows: 1 new, 1 repeat what is there, 0 contradict it, 1 set aside",
    )
    assert lines["What changes"][0] == "units: accepted rows: 1 added"
    assert any("long" in line for line in lines["Those in the set-aside ledger, and why"])


def test_a_contradiction_sets_both_aside_and_is_told(folder, arriving):
    told = appended(folder, arriving(U1.replace("7.3", "8") + U2))
    assert told.rows.iloc[0, 2:].tolist() == [2, 1, 0, 1, 0]
    assert (told.n, told.excluded) == (2, 1)
    assert told.changes.removed.to_numpy().tolist() == [["units", "U1"]]
    assert "units: accepted before, and now gone or set aside: U1" in dict(appended_lines(told))["What changes"]
    assert auditkit.read_dossier(folder).tables["units"]["unit_id"].tolist() == ["U2"]


def test_a_dry_run_says_the_same_and_writes_nothing(folder, arriving):
    before = names(folder)
    dry = appended(folder, arriving(U2), dry_run=True)
    assert names(folder) == before
    wet = appended(folder, arriving(U2))
    assert (dry.placed, wet.placed) == ((), (folder / "units_day2.csv",))
    assert appended_lines(dry) == appended_lines(wet)


@pytest.mark.parametrize(
    ("name", "into", "said"),
    [
        ("units.csv", "", "there is units.csv, which is never written over"),
        ("UNITS.csv", "", "there is units.csv, which is never written over"),
        ("new.csv", "units.csv", "there is units.csv, which is never written over"),
        ("a:b.csv", "", "must have a plain name; it holds ':'. Rename it."),
        ("README.csv", "", "must be read as records or as a pressure log; passed over by its name"),
        (".new.csv", "", "must be read as records or as a pressure log; passed over by its name"),
        ("berth.csv", "", "there is berth.csv"),
        ("new.csv", "../out", "--into: must be the name of a folder inside"),
        ("new.csv", ".hidden", "--into: must be the name of a folder inside"),
        ("new.csv", "/tmp", "--into: must be the name of a folder inside"),
    ],
)
def test_names_that_a_file_may_not_have(folder, arriving, name, into, said):
    before = names(folder)
    with pytest.raises(SourceError) as told:
        appended(folder, arriving(U2, name=name), into=into)
    assert said in str(told.value)
    assert names(folder) == before


def test_all_that_is_wrong_with_the_names_is_told_at_once(folder, arriving, tmp_path):
    other = tmp_path / "other" / "day2.csv"
    other.parent.mkdir()
    other.write_text(HEAD + U2, encoding="utf-8")
    taken = arriving(U2, name="units.csv"), arriving(U2, name="JOBS.csv")
    with pytest.raises(SourceError) as told:
        appended(folder, tmp_path / "no.csv", arriving(U2, name="day2.csv"), other, *taken)
    assert [line.split(": ")[1].split(";")[0] for line in str(told.value).splitlines()] == [
        "must be a file",
        "must have a name of its own",
        "must be a new name",
        "must be a new name",
    ]


def test_a_folder_that_is_a_link_is_no_place(folder, arriving, tmp_path):
    (tmp_path / "outside").mkdir()
    (folder / "day2").symlink_to(tmp_path / "outside")
    with pytest.raises(SourceError, match="day2: must be a folder itself; given a link"):
        appended(folder, arriving(U2), into="day2")
    assert not list((tmp_path / "outside").iterdir())


def test_a_file_that_is_ignored_would_not_be_read(folder, arriving):
    text = (folder / "dossier.yaml").read_text("utf-8").replace("[berth.csv]", '["berth.csv", "plan*.csv"]')
    (folder / "dossier.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(SourceError, match=r"plan2\.csv: must be read as records or as a pressure log"):
        appended(folder, arriving(U2, name="plan2.csv"))


def test_an_error_names_the_dossiers_folder(folder, arriving):
    with pytest.raises(SourceError) as told:
        appended(folder, arriving("", name="x.csv"), arriving("", name="y.xlsx"))
    assert "y.xlsx: must be an XLSX workbook" in str(told.value)
    assert "/tmp/tmp" not in str(told.value)


def test_a_pressure_log_is_told_as_one(folder, tmp_path):
    text = (folder / "dossier.yaml").read_text("utf-8")
    log = 'pressure_logs: [{file: "log_*.csv", constants: {unit_id: U1}}]\n'
    (folder / "dossier.yaml").write_text(text.replace("tables:\n", f"{log}tables:\n"), encoding="utf-8")
    for name in ("log_1.csv", "log_2.csv"):
        (tmp_path / name).write_text(
            "logged_at,pot_kpa\n2027-01-11T08:24:00+01:00,41\n2027-01-11T08:24:01+01:00,41\n", encoding="utf-8"
        )
    shutil.copyfile(tmp_path / "log_1.csv", folder / "log_1.csv")
    told = appended(folder, tmp_path / "log_2.csv")
    assert told.logs == ("log_2.csv",)
    assert told.rows.empty
    assert told.n == 0
    assert (
        "log_2.csv: a pressure log, whose rows are read with the runs" in dict(appended_lines(told))["Rows that arrive"]
    )
    assert (folder / "log_2.csv").is_file()


def test_a_folder_that_could_not_be_read_before_is_not_compared(folder, arriving):
    (folder / "jobs.csv").rename(folder.parent / "jobs.csv")
    told = appended(folder, folder.parent / "jobs.csv")
    assert told.changes.unread.startswith("areas.csv")
    assert dict(appended_lines(told))["What changes"][0].startswith("Nothing to compare with")
    assert auditkit.read_dossier(folder).rows["jobs"] == 1
