"""New files and folders that appear under their name whole, or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from auditkit.errors import SourceError

__all__ = ["STAGING_PREFIX", "new_file", "new_folder", "write_durably"]

STAGING_PREFIX = ".writing-"
"""How the name of a folder begins that is not finished; what a killed run leaves behind may be deleted."""


@contextmanager
def new_folder(out: Path) -> Iterator[Path]:
    """Yield a folder to fill; it is put in place as `out` by one rename when the block ends without a fault.

    The files are on disk before the rename, if they were written with
    `write_durably`. A run that is killed leaves at most a folder beside `out`
    whose name begins with `.writing-`.

    Raises
    ------
    SourceError
        There is something of that name already, or nothing can be written there.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     with new_folder(Path(folder) / "new") as staging:
    ...         write_durably(staging / "a.txt", b"one")
    ...     sorted(path.name for path in Path(folder).iterdir())
    ['new']
    """
    _check_free(out)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        staging = Path(tempfile.mkdtemp(prefix=f"{STAGING_PREFIX}{out.name}-", dir=out.parent))
    except OSError as error:
        raise _unwritable(out, error) from error
    try:
        yield staging
        staging.chmod(0o755)
        for folder in sorted((path for path in staging.rglob("*") if path.is_dir()), reverse=True):
            _sync_folder(folder)
        _sync_folder(staging)
        _check_free(out)
        staging.rename(out)
        _sync_folder(out.parent)
    except OSError as error:
        raise _unwritable(out, error) from error
    finally:
        shutil.rmtree(staging, ignore_errors=True)


def new_file(out: Path, content: bytes) -> Path:
    """Write a file that was not there before, whole or not at all, and return its path.

    Raises
    ------
    SourceError
        There is something of that name already, or nothing can be written there.

    Examples
    --------
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     new_file(Path(folder) / "a.txt", b"one").read_bytes()
    b'one'
    """
    _check_free(out)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=STAGING_PREFIX, dir=out.parent) as staging:
            write_durably(Path(staging) / "new", content)
            (Path(staging) / "new").rename(out)
        _sync_folder(out.parent)
    except OSError as error:
        raise _unwritable(out, error) from error
    return out


def write_durably(path: Path, content: bytes) -> None:
    """Write bytes to a path, making its folders, and return once they are on disk."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _check_free(out: Path) -> None:
    if os.path.lexists(out):
        raise SourceError(f"{out}: must be a new name; there is something of that name. Give another, or move it away.")


def _unwritable(out: Path, error: OSError) -> SourceError:
    return SourceError(
        f"{out}: must be a place that can be written to; the system says: {error.strerror or error}. "
        "Give a folder of your own with room to spare."
    )


def _sync_folder(folder: Path) -> None:
    """Put a folder's list of names on disk, on systems where a folder can be opened for that."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
