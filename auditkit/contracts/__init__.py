"""Contracts: what each kind of record must be, and rows held to it."""

from __future__ import annotations

from auditkit.contracts.checks import check_links, check_rows
from auditkit.contracts.collection import contract, load_contracts
from auditkit.contracts.contract import Column, Contract, Link, RowRule

__all__ = ["Column", "Contract", "Link", "RowRule", "check_links", "check_rows", "contract", "load_contracts"]
