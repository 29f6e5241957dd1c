"""auditkit: from raw records of on-site electrostatic repainting to verdicts, causes and a report.

The front door is lazy: `import auditkit` loads nothing heavy, and each name
below is fetched when it is first used.

Examples
--------
>>> import auditkit
>>> sorted(auditkit.__all__)
['Dossier', 'Findings', 'audit', 'explore', 'read_dossier', 'sample_folder', 'simulate_audit']
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from auditkit.version import __version__ as __version__

if TYPE_CHECKING:
    from auditkit import explore as explore
    from auditkit.dossier import Dossier
    from auditkit.findings.audit import Findings, audit
    from auditkit.intake import read_dossier
    from auditkit.paths import sample_folder
    from auditkit.simulate import simulate_audit

__all__ = ["Dossier", "Findings", "audit", "explore", "read_dossier", "sample_folder", "simulate_audit"]

_HOME = {
    "Dossier": "auditkit.dossier",
    "Findings": "auditkit.findings.audit",
    "audit": "auditkit.findings.audit",
    "explore": "auditkit.explore",
    "read_dossier": "auditkit.intake",
    "sample_folder": "auditkit.paths",
    "simulate_audit": "auditkit.simulate",
}


def __getattr__(name: str) -> object:
    """Return a public name, importing its module on first use (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module 'auditkit' has no attribute {name!r}; it has {', '.join(__all__)}")
    from importlib import import_module

    module = import_module(_HOME[name])
    value: object = module if _HOME[name] == f"auditkit.{name}" else getattr(module, name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Return the public names."""
    return sorted([*__all__, "__version__"])
