"""Files that come into a dossier's folder: tried beside what is there first, then put in place all or none."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from auditkit.errors import AuditError, SourceError
from auditkit.intake.declaration import Declaration
from auditkit.report.placing import STAGING_PREFIX

__all__ = ["copied", "error_of", "lay_beside", "place_files", "staging_in"]


@contextmanager
def staging_in(folder: Path) -> Iterator[Path]:
    """Yield a new folder inside another, on the same disk, that is gone when the block ends.

    Raises
    ------
    SourceError
        Nothing can be written in the folder.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as name:
    ...     with staging_in(Path(name)) as staging:
    ...         staging.name.startswith(STAGING_PREFIX), staging.parent == Path(name)
    ...     list(Path(name).iterdir())
    (True, True)
    []
    """
    try:
        staging = Path(tempfile.mkdtemp(prefix=STAGING_PREFIX, dir=folder))
    except OSError as error:
        raise SourceError(
            f"{folder}: must be a folder that can be written to; the system says: {error.strerror or error}. "
            "Nothing was put in place."
        ) from error
    try:
        yield staging
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def lay_beside(folder: Path, place: Path, staged: Mapping[str, Path], *, declaration: Declaration) -> Path:
    """Return a folder in `place` with the files of a dossier's folder and those that come in, which stand before them.

    The files are linked to, not copied, where the system has links.

    Parameters
    ----------
    folder : Path
    place : Path
        An empty folder.
    staged : mapping of name to Path
        The files that come in, by the name they are to have in the folder.
    declaration : Declaration
        Its patterns lead to files further down.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as name:
    ...     folder, place = Path(name) / "records", Path(name) / "place"
    ...     folder.mkdir(); place.mkdir()
    ...     for path in (folder / "a.csv", Path(name) / "new"):
    ...         _ = path.write_text(path.name, encoding="utf-8")
    ...     tried = lay_beside(folder, place, {"day/b.csv": Path(name) / "new"}, declaration=Declaration(title=""))
    ...     sorted(path.relative_to(tried).as_posix() for path in tried.rglob("*.csv"))
    ['a.csv', 'day/b.csv']
    """
    tried = place / folder.resolve().name
    patterns = {"*", "*/*"} | {entry.file for entry in declaration.tables}
    patterns |= {entry.file for entry in declaration.pressure_logs}
    found = {path for pattern in patterns for path in folder.glob(pattern) if path.is_file()}
    there = {path.relative_to(folder).as_posix(): path for path in found}
    for name, path in (there | dict(staged)).items():
        if any(part.startswith(".") for part in Path(name).parts):
            continue
        link = tried / name
        link.parent.mkdir(parents=True, exist_ok=True)
        try:
            link.symlink_to(path.resolve())
        except OSError:
            shutil.copyfile(path, link)
    tried.mkdir(exist_ok=True)
    return tried


def error_of(error: AuditError, *, tried: Path, folder: Path) -> AuditError:
    """Return an error of the folder that was tried as one of the dossier's own.

    Examples
    --------
    >>> print(error_of(SourceError("/tmp/x/records: none"), tried=Path("/tmp/x/records"), folder=Path("records")))
    records: none
    """
    return type(error)(str(error).replace(str(tried), str(folder)))


def copied(sources: Mapping[str, Path], staging: Path) -> dict[str, Path]:
    """Copy files into a staging folder, on disk when it returns, and return the copies by the name they are to have.

    Raises
    ------
    SourceError
        One cannot be read, or the disk refuses.
    """
    copies = {name: staging / str(number) for number, name in enumerate(sources)}
    for name, source in sources.items():
        try:
            with source.open("rb") as stream, copies[name].open("xb") as file:
                shutil.copyfileobj(stream, file)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise SourceError(
                f"{source}: must be a file that can be copied; the system says: {error.strerror or error}. "
                "Change its permissions, or make room."
            ) from error
    return copies


def place_files(staged: Mapping[str, Path], folder: Path, *, replace: Collection[str] = ()) -> tuple[Path, ...]:
    """Give files that are on disk their names in a folder, all or none, and return where they lie.

    A file that is there is never written over, unless it is to be replaced;
    then the name leads to the old file until it leads to the new. Where one
    file cannot get its name, or the program is stopped, those before it are
    taken back. A machine that loses its power may keep some of them, each whole.

    Parameters
    ----------
    staged : mapping of name to Path
        On the same disk as the folder.
    folder : Path
    replace : collection of str
        Names whose files are replaced.

    Raises
    ------
    SourceError
        There is a file of that name, or nothing can be written there.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as name:
    ...     place = Path(name)
    ...     _ = (place / "staged").write_text("new", encoding="utf-8")
    ...     (path,) = place_files({"a.csv": place / "staged"}, place)
    ...     path.name, path.read_text(encoding="utf-8")
    ('a.csv', 'new')
    """
    done: list[tuple[Path, Path | None]] = []
    made: list[Path] = []
    try:
        for name, path in staged.items():
            target = folder / name
            if not target.parent.is_dir():
                target.parent.mkdir()
                made.append(target.parent)
            if name in replace and target.exists():
                old = path.with_name(f"{path.name}.old")
                _same_file(target, old)
                done.append((target, old))  # taken back, it leads to the old file even where it never led elsewhere
                path.replace(target)
            else:
                _same_file(path, target)
                done.append((target, None))
    except BaseException as error:
        _take_back(done, made)
        if isinstance(error, FileExistsError):
            raise SourceError(_taken(target)) from error
        if isinstance(error, OSError):
            raise SourceError(
                f"{target}: must be a place that can be written to; the system says: {error.strerror or error}. "
                "Nothing was put in place."
            ) from error
        raise
    return tuple(target for target, _ in done)


def _taken(target: Path) -> str:
    return (
        f"{target}: must be a new name; there is a file of that name, which is never written over. Rename the file "
        "that comes in, or put it into a folder of its own with --into."
    )


def _same_file(path: Path, target: Path) -> None:
    """Give a file a second name, which must be free."""
    try:
        os.link(path, target)
    except FileExistsError:
        raise
    except OSError:  # a disk without second names
        if os.path.lexists(target):
            raise FileExistsError(str(target)) from None
        part = target.with_name(f".writing-{target.name}")
        shutil.copyfile(path, part)
        part.rename(target)


def _take_back(done: Iterable[tuple[Path, Path | None]], made: Iterable[Path]) -> None:
    for target, old in done:
        if old is None:
            target.unlink()
        else:
            old.replace(target)
    for parent in made:
        if not any(parent.iterdir()):
            parent.rmdir()
