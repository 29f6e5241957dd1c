"""Files and folders that appear whole or not at all."""

import pytest

from auditkit.errors import SourceError
from auditkit.report.placing import new_file, new_folder, write_durably


def test_a_folder_appears_when_it_is_full(tmp_path):
    with new_folder(tmp_path / "a" / "new") as staging:
        write_durably(staging / "deep" / "x", b"1")
        assert not (tmp_path / "a" / "new").exists()
    assert [path.name for path in (tmp_path / "a").iterdir()] == ["new"]
    assert (tmp_path / "a" / "new" / "deep" / "x").read_bytes() == b"1"


@pytest.mark.parametrize("fault", [ValueError, KeyboardInterrupt])
def test_a_fault_on_the_way_leaves_nothing(tmp_path, fault):
    def stopped():
        with new_folder(tmp_path / "new") as staging:
            write_durably(staging / "x", b"1")
            raise fault

    with pytest.raises(fault):
        stopped()
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_replaced(tmp_path):
    (tmp_path / "old").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    for name in ("old", "link"):
        with pytest.raises(SourceError, match="must be a new name; there is something of that name"):
            new_file(tmp_path / name, b"")
        with pytest.raises(SourceError, match="must be a new name"), new_folder(tmp_path / name):
            pass

    def overtaken():
        with new_folder(tmp_path / "late"):
            (tmp_path / "late").mkdir()
            (tmp_path / "late" / "x").write_bytes(b"theirs")

    with pytest.raises(SourceError, match="must be a new name"):
        overtaken()
    assert (tmp_path / "late" / "x").read_bytes() == b"theirs"
    assert sorted(path.name for path in tmp_path.iterdir()) == ["late", "link", "old"]


def test_a_place_that_cannot_be_written_to(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(SourceError, match="must be a place that can be written to; the system says: File exists"):
        new_file(tmp_path / "file" / "x", b"")
    with pytest.raises(SourceError, match="Give a folder of your own"), new_folder(tmp_path / "file" / "x"):
        pass
