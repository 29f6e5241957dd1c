"""A sealed report as one file: a ZIP archive that is the same bytes wherever it is made, and its careful unpacking.

Files are stored, not compressed: what a compressor writes differs between its
versions, and the archive is to be compared by its digest.
"""

from __future__ import annotations

import io
import stat
import zipfile
from pathlib import Path

from auditkit.errors import SourceError
from auditkit.report.inner_paths import clashing_paths, path_fault
from auditkit.report.placing import new_file, new_folder, write_durably

__all__ = ["read_archive", "stored_zip", "write_archive"]

MAX_BYTES = 4 * 2**30
MAX_FILES = 20_000
MAX_EXPANSION = 200
_MOMENT = (1980, 1, 1, 0, 0, 0)
_READABLE = 0o644
_BESIDE = (".statement.json", ".statement.json.sig")
_CHUNK = 2**20


def write_archive(folder: Path, out: Path) -> Path:
    """Write the archive of a sealed folder and of the statement beside it, and return its path.

    The same files give the same bytes: sorted by path, with one fixed time and
    one fixed set of permissions, uncompressed.

    Parameters
    ----------
    folder : Path
        The sealed folder; `NAME.statement.json` and its signature beside it
        come along where they are.
    out : Path

    Raises
    ------
    SourceError
        The folder holds anything but plain files under plain paths, `out` is
        there already, or the disk refuses.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     (Path(place) / "report").mkdir()
    ...     _ = (Path(place) / "report" / "a.txt").write_bytes(b"one")
    ...     archive = write_archive(Path(place) / "report", Path(place) / "report.zip")
    ...     read_archive(archive, Path(place) / "unpacked")
    ...     print((Path(place) / "unpacked" / "report" / "a.txt").read_text())
    ['report/a.txt']
    one
    """
    if folder.is_symlink() or not folder.is_dir():
        raise SourceError(f"{folder}: must be the folder of a sealed report. Name that folder.")
    name = folder.resolve().name
    found = [(path, f"{name}/{path.relative_to(folder).as_posix()}") for path in sorted(folder.rglob("*"))]
    beside = [folder.resolve().parent / f"{name}{ending}" for ending in _BESIDE]
    found += [(path, path.name) for path in beside if path.exists() or path.is_symlink()]
    contents = {}
    for path, inner in found:
        if path.is_symlink() or not (path.is_file() or path.is_dir()):
            raise SourceError(f"{path}: must be a plain file to be archived. Seal the report anew.")
        if path.is_file():
            contents[inner] = path.read_bytes()
    faults = [f"{path!r}: {fault}" for path in contents if (fault := path_fault(path)) is not None]
    if faults:
        raise SourceError(f"{folder}: must hold plain paths to be archived; {'; '.join(faults)}. Rename the files.")
    return new_file(out, stored_zip(contents))


def stored_zip(contents: dict[str, bytes]) -> bytes:
    """Return a ZIP archive of files by path that depends on nothing but these.

    Examples
    --------
    >>> stored_zip({"b": b"2", "a": b"1"}) == stored_zip({"a": b"1", "b": b"2"})
    True
    """
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", compression=zipfile.ZIP_STORED) as archive:
        for path in sorted(contents):
            about = zipfile.ZipInfo(path, date_time=_MOMENT)
            about.create_system = 3  # else the number of the system it is written on
            about.external_attr = (stat.S_IFREG | _READABLE) << 16
            archive.writestr(about, contents[path])
    return stream.getvalue()


def read_archive(
    path: Path, out: Path, *, max_bytes: int = MAX_BYTES, max_files: int = MAX_FILES, max_expansion: int = MAX_EXPANSION
) -> list[str]:
    """Unpack an archive into the new folder `out`, and return the paths inside it.

    Nothing is unpacked unless every entry is a plain file under a plain path.
    What is unpacked is not yet checked: see `auditkit.report.bag_check`.

    Parameters
    ----------
    path, out : Path
    max_bytes : int
        Most bytes the archive may expand to.
    max_files : int
        Most entries it may have.
    max_expansion : int
        Most times its own size it may expand to.

    Raises
    ------
    SourceError
        The archive is damaged, too large when unpacked, locked by a password,
        or holds links, two entries of one name, or paths that lead elsewhere;
        or `out` is there already.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            entries = [entry for entry in archive.infolist() if not entry.is_dir()]
            expanded = sum(entry.file_size for entry in entries)
            limit = min(max_bytes, max_expansion * max(path.stat().st_size, 1))
            if len(archive.infolist()) > max_files or expanded > limit:
                raise SourceError(
                    f"{path}: must unpack to at most {max_files} files and {limit} bytes; it says "
                    f"{len(archive.infolist())} files and {expanded} bytes. Do not open it, or raise the limits."
                )
            faults = _entry_faults(archive.infolist())
            if faults:
                raise SourceError(
                    f"{path}: must hold plain files under plain paths; {'; '.join(faults[:5])}. Do not open it."
                )
            with new_folder(out) as staging:
                left = limit
                for entry in entries:
                    content = _unpacked(archive, entry, left)
                    left -= len(content)
                    write_durably(staging / entry.filename, content)
    except (zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, EOFError, RuntimeError) as error:
        raise SourceError(
            f"{path}: must be a whole ZIP archive; given one that is damaged ({error}). Get it anew."
        ) from error
    except OSError as error:
        raise SourceError(f"{path}: must be a file that can be read; the system says: {error.strerror or error}. "
                          "Correct the path.") from error  # fmt: skip
    return sorted(entry.filename for entry in entries)


def _unpacked(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, limit: int) -> bytes:
    """Return the content of an entry, counted as it comes, whatever size the archive says it has."""
    parts = []
    size = 0
    with archive.open(entry) as stream:
        while chunk := stream.read(_CHUNK):
            size += len(chunk)
            if size > min(limit, entry.file_size):
                raise zipfile.BadZipFile(f"{entry.filename!r} is larger than it says")
            parts.append(chunk)
    return b"".join(parts)


def _entry_faults(entries: list[zipfile.ZipInfo]) -> list[str]:
    """Return what is wrong with the entries of an archive: paths, kinds, passwords, names given twice."""
    faults = []
    names: set[str] = set()
    for entry in entries:
        name = entry.orig_filename.rstrip("/") if entry.is_dir() else entry.orig_filename
        fault = path_fault(name)
        if fault is not None:
            faults.append(f"{name!r} {fault}")
        kind = stat.S_IFMT(entry.external_attr >> 16)
        if kind not in (0, stat.S_IFREG, stat.S_IFDIR) or (kind == stat.S_IFDIR) > entry.is_dir():
            faults.append(f"{name!r} is a link or no file")
        if entry.flag_bits & 0x1:
            faults.append(f"{name!r} is locked by a password")
        if name in names:
            faults.append(f"{name!r} is there twice")
        names.add(name)
    files = sorted({entry.orig_filename for entry in entries if not entry.is_dir()})
    faults += [f"{one!r} and {other!r} are one file on some systems" for one, other in clashing_paths(files)]
    return faults
