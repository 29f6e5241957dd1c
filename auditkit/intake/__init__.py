"""Intake: records on disk, read into a dossier."""

from __future__ import annotations

from auditkit.intake.assembly import read_dossier

__all__ = ["read_dossier"]
