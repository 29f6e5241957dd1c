"""Pressure logs of a dossier: which files they are and how they are to be read; the rows stay on disk."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from auditkit.errors import SourceError
from auditkit.intake.folder import SourceFile, file_kind
from auditkit.intake.settings import LogEntry

__all__ = ["LogFile", "open_logs"]

_ENDINGS = (".csv", ".parquet")


@dataclass(frozen=True, slots=True, kw_only=True)
class LogFile:
    """One pressure log, as `dossier.yaml` declares it.

    Parameters
    ----------
    path : Path
    name : str
        Path relative to the dossier's folder, with / between its parts.
    sha256 : str
        Of the file's bytes.
    columns : mapping of header to column
        Headers of the file, and which of unit_id, logged_at and pot_kpa each
        fills; together with `constants` these are all three.
    constants : mapping of column to str
        What every row has in it.
    unit : str
        Symbol of the unit its pressures are in, as `auditkit.units` knows it.
    time_zone : str or None
        IANA zone of times without offset; None where none was declared.
    """

    path: Path
    name: str
    sha256: str
    columns: Mapping[str, str]
    constants: Mapping[str, str]
    unit: str
    time_zone: str | None

    def canonical_text(self) -> str:
        """Return the log as one line of JSON: its bytes by their SHA-256, and how they are read; not its name.

        Examples
        --------
        >>> LogFile(path=Path("x.csv"), name="x.csv", sha256="ab", columns={"t": "logged_at"}, constants={},
        ...         unit="psi", time_zone=None).canonical_text()
        '["pressure log","ab",{"t":"logged_at"},{},"psi",null]\\n'
        """
        told = [self.sha256, dict(sorted(self.columns.items())), dict(self.constants), self.unit, self.time_zone]
        return json.dumps(["pressure log", *told], ensure_ascii=False, separators=(",", ":")) + "\n"


def open_logs(logs: Sequence[tuple[str, LogEntry]], folder: Path) -> tuple[LogFile, ...]:
    """Return the pressure logs, hashed, in the order of their names.

    Parameters
    ----------
    logs : sequence of (str, LogEntry)
        Name of each file and the entry that declares it, from `find_logs`.
    folder : Path

    Raises
    ------
    SourceError
        A file is empty, cannot be opened, or is neither CSV nor Parquet; all at once.
    """
    faults = []
    found = []
    for name, entry in sorted(logs, key=lambda log: log[0]):
        file = SourceFile(path=folder / name, name=name)
        try:
            file_kind(file)
            if file.path.suffix.lower() not in _ENDINGS:
                raise SourceError(
                    f"{name}: a pressure log must be {' or '.join(_ENDINGS)}; given {file.path.suffix or 'no ending'}. "
                    f"Export it anew, or correct {entry.where}.file."
                )
        except SourceError as error:
            faults.append(str(error))
            continue
        found.append(
            LogFile(
                path=file.path,
                name=name,
                sha256=file.sha256(),
                columns=entry.columns,
                constants=entry.constants,
                unit=entry.unit,
                time_zone=entry.time_zone,
            )
        )
    if faults:
        raise SourceError("\n".join(faults))
    return tuple(found)
