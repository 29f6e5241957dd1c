"""One shipped audit for all tests of the simulation; it is read only."""

from __future__ import annotations

import pytest

from auditkit.simulate import SAMPLE_SEED, Simulated, simulate_audit


@pytest.fixture(scope="session")
def shipped() -> Simulated:
    return simulate_audit(seed=SAMPLE_SEED)
