"""Invented audits with known truth, for sample data and for tests of what the analysis finds."""

from auditkit.simulate.audit import Simulated, simulate_audit
from auditkit.simulate.clean import write_clean
from auditkit.simulate.raw import write_raw
from auditkit.simulate.sample import SAMPLE_SEED, write_sample
from auditkit.simulate.truth import DEFAULT_TRUTH, Effect, Truth

__all__ = [
    "DEFAULT_TRUTH",
    "SAMPLE_SEED",
    "Effect",
    "Simulated",
    "Truth",
    "simulate_audit",
    "write_clean",
    "write_raw",
    "write_sample",
]
