"""What an audit is asked to do, and its form in a sealed report."""

from __future__ import annotations

import json
from dataclasses import dataclass

from auditkit.errors import SourceError
from auditkit.findings.audit import SEED

__all__ = ["KIND", "Parameters", "read_parameters"]

KIND = "auditkit parameters"


@dataclass(frozen=True, slots=True, kw_only=True)
class Parameters:
    """What an audit is asked to do.

    Parameters
    ----------
    confidence : float
        Level of every interval.
    false_discovery_rate : float
        Held over the table of defects against conditions.
    seed : int
        Of all that is drawn at random.
    """

    confidence: float = 0.95
    false_discovery_rate: float = 0.05
    seed: int = SEED

    def __post_init__(self) -> None:
        """Raise unless each lies where an audit can use it."""
        for name in ("confidence", "false_discovery_rate"):
            given = getattr(self, name)
            if not isinstance(given, (int, float)) or isinstance(given, bool) or not 0 < given < 1:
                raise SourceError(f"{name} must be a number between 0 and 1; given {given!r}. Correct it.")
        if not isinstance(self.seed, int) or isinstance(self.seed, bool) or not 0 <= self.seed < 2**63:
            raise SourceError(f"seed must be a whole number from 0 on; given {self.seed!r}. Correct it.")


def read_parameters(content: bytes) -> Parameters:
    """Return the parameters from the bytes of a sealed parameters.json.

    Raises
    ------
    SourceError
        It is not in the form in which we write it.

    Examples
    --------
    >>> read_parameters(b'{"kind": "auditkit parameters", "confidence": 0.9, "false_discovery_rate": 0.05, "seed": 3}')
    Parameters(confidence=0.9, false_discovery_rate=0.05, seed=3)
    """
    try:
        document = json.loads(content)
        if document["kind"] != KIND:
            raise ValueError(f"its kind is {document['kind']!r}")
        return Parameters(**{name: document[name] for name in ("confidence", "false_discovery_rate", "seed")})
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise SourceError(f"parameters.json must be as auditkit writes it; {error}. Get the report anew.") from error
