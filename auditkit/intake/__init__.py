"""Intake: records on disk, read into a dossier."""

from __future__ import annotations

from auditkit.intake.assembly import read_dossier
from auditkit.intake.log_files import LogFile

__all__ = ["LogFile", "read_dossier"]
