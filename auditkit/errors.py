"""Faults and warnings, by meaning.

Every message says what must hold, what was given, where, and the cure. An
`AuditError` is the user's to mend (exit code 2); anything else that escapes is
a fault of the program.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = [
    "AuditError",
    "AuditWarning",
    "ContractError",
    "DeclarationError",
    "Fault",
    "RecordError",
    "SourceError",
    "UnitError",
]


class AuditError(Exception):
    """Input that cannot be used as it stands; the message names the cure."""


class SourceError(AuditError):
    """A file or folder that cannot be read as records."""


class DeclarationError(AuditError):
    """`dossier.yaml` says something that does not hold."""


class ContractError(AuditError):
    """A contract in `schemas/` is not a valid contract."""


class RecordError(AuditError, ValueError):
    """Accepted records that contradict one another, so that nothing can be computed from them."""


class UnitError(AuditError):
    """A unit that is unknown, or that measures another quantity."""


class AuditWarning(UserWarning):
    """Something the reader of a result should know before relying on it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing wrong with one declaration or cell.

    Parameters
    ----------
    where : str
        File, line and column, or the path inside a YAML file.
    holds : str
        What must hold.
    given : str
        What was given instead.
    cure : str
        What to do about it.

    Examples
    --------
    >>> print(Fault(where="film.csv line 3, dft_um", holds="must be at least 0", given="-3.0", cure="correct it"))
    film.csv line 3, dft_um: must be at least 0; given -3.0. Correct it.
    """

    where: str
    holds: str
    given: str
    cure: str

    def __str__(self) -> str:
        """Return the fault as one sentence pair."""
        return f"{self.where}: {self.holds}; given {self.given}. {self.cure[:1].upper()}{self.cure[1:]}."
