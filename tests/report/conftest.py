"""A small dossier, sealed and signed once for all tests of this folder, and made again once."""

import subprocess
from types import SimpleNamespace

import pytest

from auditkit.report.reproduction import reproduce
from auditkit.report.sealed import make_sealed

from .small_dossier import write_small


@pytest.fixture(scope="session")
def small_sealed(tmp_path_factory):
    """Return the sealed report of the small dossier, its records, the allowed signers, and the steps that were told."""
    place = tmp_path_factory.mktemp("small")
    records = write_small(place / "records")
    key = place / "key"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "", "-f", str(key)], check=True)
    signers = place / "signers"
    signers.write_text(f"auditor {key.with_suffix('.pub').read_text()}", encoding="utf-8")
    steps = []
    report = make_sealed(
        records,
        place / "issued" / "report",
        dated="2027-04-01",
        authors=["K. Lund"],
        words="Audited as the records stood.",
        key=key,
        on_progress=lambda *step: steps.append(step),
    )
    return SimpleNamespace(report=report, folder=report.folder, records=records, signers=signers, steps=steps, key=key)


@pytest.fixture(scope="session")
def small_reproduced(small_sealed):
    """Return what came of reproducing it."""
    return reproduce(small_sealed.folder, allowed_signers=small_sealed.signers)
