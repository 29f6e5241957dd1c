"""Short names of findings, such as `film A003 facing`: where they stand in findings.json, and as anchors of a page."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

__all__ = ["SHORT_NAMES", "anchor", "anchors", "findings_at", "name_of", "short_names"]

SHORT_NAMES: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "film": (("film", "sides"), ("area_id", "side")),
    "area": (("film", "areas"), ("area_id",)),
    "wrap": (("wrap", "areas"), ("area_id",)),
    "stop-work": (("stop_work",), ("where",)),
    "window": (("process", "windows"), ("condition",)),
    "cause": (("causal", "rows"), ("defect", "condition", "side")),
    "association": (("causes", "rows"), ("defect", "condition", "side")),
    "upkeep": (("upkeep", "parts"), ("unit_id", "part")),
    "gauge": (("behind_film", "gauges", "gauges"), ("gauge_id",)),
}
"""First word of a short name: where its rows stand in findings.json, and which of their values the rest names."""


def short_names(document: Mapping[str, Any]) -> dict[str, str]:
    """Return every short name there is, and the JSON pointer it stands for; of rows of one name, the first.

    Examples
    --------
    >>> short_names({"wrap": {"areas": [{"area_id": "A1"}, {"area_id": "A2"}]}})
    {'wrap A1': '/wrap/areas/0', 'wrap A2': '/wrap/areas/1'}
    """
    found: dict[str, str] = {}
    for kind, (place, _) in SHORT_NAMES.items():
        for number, row in enumerate(findings_at(document, place)):
            found.setdefault(name_of(kind, row), f"/{'/'.join(place)}/{number}")
    return found


def anchor(name: str) -> str:
    """Return a short name as an `id` of HTML: letters and digits, a hyphen for a space, all else as its code point.

    Examples
    --------
    >>> anchor("film A003 facing"), anchor('wrap "><x')
    ('film-A003-facing', 'wrap-_22_3e_3cx')
    """
    return re.sub(r"[^A-Za-z0-9 ]", lambda found: f"_{ord(found[0]):x}", name).replace(" ", "-")


def name_of(kind: str, row: Mapping[Any, Any]) -> str:
    """Return the short name of one row of findings.

    Examples
    --------
    >>> name_of("film", {"area_id": "A003", "side": "facing", "verdict": "conforms"})
    'film A003 facing'
    """
    return " ".join([kind, *(str(row[key]) for key in SHORT_NAMES[kind][1])])


def anchors(kind: str, rows: Iterable[Mapping[Any, Any]]) -> list[str]:
    """Return the anchors of rows of one kind of finding, in their order; of one name, the second ends in -2.

    Examples
    --------
    >>> anchors("stop-work", [{"where": "R1"}, {"where": "R2"}, {"where": "R1"}])
    ['stop_2dwork-R1', 'stop_2dwork-R2', 'stop_2dwork-R1-2']
    """
    met, found = Counter[str](), []
    for row in rows:
        name = name_of(kind, row)
        met[name] += 1
        found.append(anchor(name) if met[name] == 1 else f"{anchor(name)}-{met[name]}")
    return found


def findings_at(document: Mapping[str, Any], place: Sequence[str]) -> list[dict[str, Any]]:
    """Return the rows of findings at a place of the document; none where there is no such place.

    Examples
    --------
    >>> findings_at({"film": {"sides": [{"area_id": "A1"}]}}, ("film", "sides")), findings_at({}, ("film", "sides"))
    ([{'area_id': 'A1'}], [])
    """
    here: Any = document
    for key in place:
        here = here.get(key, {}) if isinstance(here, Mapping) else {}
    return here if isinstance(here, list) else []
