"""What the office knows beside the records, as both `dossier.yaml` declare it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

from auditkit.simulate.coatings import viscosity_points

__all__ = ["settings_text"]


def settings_text(truth: Mapping[str, Any]) -> str:
    """Return what a replacement costs and how viscous the paint is, as lines of YAML.

    Parameters
    ----------
    truth : mapping
        The truth of a simulated audit as plain values, with `knobs`.

    Examples
    --------
    >>> print(settings_text({"knobs": {"replacement_costs": {"brush": (40.0, 900.0)}}}).splitlines()[0])
    replacement_costs: {"currency": "EUR", "parts": {"brush": {"planned": 40.0, "failure": 900.0}}}
    """
    pairs = truth["knobs"]["replacement_costs"].items()
    parts = {part: {"planned": planned, "failure": failure} for part, (planned, failure) in pairs}
    costs = {"currency": "EUR", "parts": parts}
    return f"replacement_costs: {json.dumps(costs)}\nviscosity_points: {json.dumps(viscosity_points())}\n"
