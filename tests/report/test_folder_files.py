"""Files put in place all or none: never over another, and taken back where one cannot get its name."""

import os
from pathlib import Path

import pytest

from auditkit.errors import DeclarationError, SourceError
from auditkit.intake.declaration import Declaration, TableEntry
from auditkit.report.folder_files import copied, error_of, lay_beside, place_files, staging_in


@pytest.fixture
def folder(tmp_path):
    place = tmp_path / "records"
    place.mkdir()
    (place / "a.csv").write_text("old", encoding="utf-8")
    return place


def staged(folder, *texts):
    place = folder.parent / "staging"
    place.mkdir(exist_ok=True)
    paths = []
    for text in texts:
        paths.append(place / text)
        paths[-1].write_text(text, encoding="utf-8")
    return paths


def contents(folder):
    return {
        path.relative_to(folder).as_posix(): path.read_text("utf-8") for path in folder.rglob("*") if path.is_file()
    }


def test_files_get_their_names_and_folders(folder):
    one, other = staged(folder, "one", "other")
    placed = place_files({"b.csv": one, "day/c.csv": other}, folder)
    assert placed == (folder / "b.csv", folder / "day" / "c.csv")
    assert contents(folder) == {"a.csv": "old", "b.csv": "one", "day/c.csv": "other"}


@pytest.mark.parametrize("links", [True, False])
def test_a_name_that_is_taken_takes_all_back(folder, links, monkeypatch):
    if not links:
        monkeypatch.setattr(os, "link", lambda *_: (_ for _ in ()).throw(OSError(95, "not supported")))
    one, other, third = staged(folder, "one", "other", "third")
    with pytest.raises(SourceError, match=r"a.csv: must be a new name; there is a file of that name, which is never"):
        place_files({"b.csv": one, "day/c.csv": other, "a.csv": third}, folder)
    assert contents(folder) == {"a.csv": "old"}
    assert [path.name for path in folder.iterdir()] == ["a.csv"]


@pytest.mark.parametrize("links", [True, False])
def test_a_disk_without_second_names_gets_copies(folder, links, monkeypatch):
    if not links:
        monkeypatch.setattr(os, "link", lambda *_: (_ for _ in ()).throw(OSError(95, "not supported")))
    one, other = staged(folder, "one", "other")
    place_files({"b.csv": one, "a.csv": other}, folder, replace=["a.csv"])
    assert contents(folder) == {"a.csv": "other", "b.csv": "one"}


def test_what_was_replaced_is_put_back_where_a_later_file_fails(folder):
    (folder / "z.csv").write_text("z", encoding="utf-8")
    one, other = staged(folder, "one", "other")
    with pytest.raises(SourceError, match=r"z\.csv: must be a new name"):
        place_files({"a.csv": one, "z.csv": other}, folder, replace=["a.csv"])
    assert contents(folder) == {"a.csv": "old", "z.csv": "z"}


@pytest.mark.parametrize("stop", [KeyboardInterrupt(), OSError(28, os.strerror(28))])
def test_a_stop_half_way_takes_back_what_was_done(folder, stop, monkeypatch):
    one, other, third = staged(folder, "one", "other", "third")
    replaced = Path.replace

    def interrupted(path, target):
        if path == third:
            raise stop
        return replaced(path, target)

    (folder / "z.csv").write_text("z", encoding="utf-8")
    monkeypatch.setattr(Path, "replace", interrupted)
    with pytest.raises((KeyboardInterrupt, SourceError)) as told:
        place_files({"b.csv": one, "a.csv": other, "z.csv": third}, folder, replace=["a.csv", "z.csv"])
    assert contents(folder) == {"a.csv": "old", "z.csv": "z"}
    if isinstance(stop, OSError):
        assert f"the system says: {os.strerror(28)}. Nothing was put in place." in str(told.value)


def test_a_replaced_name_that_is_free_is_simply_taken(folder):
    (one,) = staged(folder, "one")
    place_files({"b.csv": one}, folder, replace=["b.csv"])
    assert contents(folder) == {"a.csv": "old", "b.csv": "one"}


def test_nothing_to_place(folder):
    assert place_files({}, folder) == ()


def test_copies_are_whole_and_sources_untouched(folder, tmp_path):
    (tmp_path / "staging").mkdir()
    copies = copied({"day/b.csv": folder / "a.csv"}, tmp_path / "staging")
    assert copies["day/b.csv"].read_text("utf-8") == "old"
    assert contents(folder) == {"a.csv": "old"}
    with pytest.raises(SourceError, match=r"no\.csv: must be a file that can be copied; the system says: No such file"):
        copied({"c.csv": folder / "no.csv"}, tmp_path / "staging")


def test_staging_is_gone_whatever_happens(folder):
    def fill_and_fail():
        with staging_in(folder) as staging:
            (staging / "x").write_text("x", encoding="utf-8")
            raise KeyError

    with pytest.raises(KeyError):
        fill_and_fail()
    assert [path.name for path in folder.iterdir()] == ["a.csv"]


def test_files_that_come_in_stand_before_those_that_are_there(folder, tmp_path):
    deep = folder / "one" / "two"
    deep.mkdir(parents=True)
    for path in (deep / "deep.csv", deep / "unnamed.csv", folder / ".hidden.csv"):
        path.write_text(path.name, encoding="utf-8")
    (one,) = staged(folder, "new")
    (tmp_path / "place").mkdir()
    entry = TableEntry(where="", file="one/two/deep*.csv", record="units")
    tried = lay_beside(folder, tmp_path / "place", {"a.csv": one}, declaration=Declaration(title="", tables=(entry,)))
    assert tried.name == "records"
    assert contents(tried) == {"a.csv": "new", "one/two/deep.csv": "deep.csv"}
    assert contents(folder)["a.csv"] == "old"


def test_an_error_of_the_tried_folder_names_the_true_one():
    error = error_of(DeclarationError("/tmp/t/records/a: x"), tried=Path("/tmp/t/records"), folder=Path("site"))
    assert isinstance(error, DeclarationError)
    assert str(error) == "site/a: x"
