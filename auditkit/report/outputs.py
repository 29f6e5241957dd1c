"""Values compared place by place: what was sealed or stored against what is found now.

A number is *equal* where both are the same, *equal within printed digits* where
they differ by no more than `RELATIVE` of the larger (or `ABSOLUTE` near
nothing), and *different* otherwise. Counts must be the same. In texts the words
must be the same; a number printed with decimals may differ by one in its last
printed place, which is what a rounding to even or odd can do.
"""

from __future__ import annotations

import base64
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "ABSOLUTE",
    "DIFFERENT",
    "EQUAL",
    "FIGURE",
    "RELATIVE",
    "WITHIN",
    "Comparison",
    "compare",
    "compare_notebooks",
    "compare_values",
    "figure_differences",
    "leaves",
    "split_outputs",
]

EQUAL, WITHIN, DIFFERENT = "equal", "equal within printed digits", "different"
RELATIVE = 1e-6
"""Six digits: more than the report or a notebook prints of any measured value."""
ABSOLUTE = 1e-12

FIGURE = "application/vnd.plotly.v1+json"
_COLUMNS = ("place", "sealed", "here", "verdict")
_NUMBER = re.compile(r"\d+(?:\.\d+)?(?:[eE][-+]?\d+)?")
_LONGEST_SHOWN, _BEFORE = 100, 24


class _Nothing:
    """Stands where one side has nothing."""

    def __repr__(self) -> str:
        return "nothing"


_NOTHING = _Nothing()


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Two sets of values compared.

    Parameters
    ----------
    rows : DataFrame
        One row a value that is not equal, in the order of the sealed ones:
        place, sealed, here (as text), verdict.
    n, equal, within, different : int
        Values compared, and how many there are of each verdict.
    method : str
    """

    rows: pd.DataFrame
    n: int
    equal: int
    within: int
    different: int
    method: str = (
        f"Equal within printed digits: numbers that differ by at most {RELATIVE:g} of the larger, or {ABSOLUTE:g}; in "
        "texts, a number with decimals that differs by one in its last printed place. Counts and words must be equal."
    )


def compare(sealed: object, here: object, *, place: str = "") -> Comparison:
    """Return how the values of two nested documents compare, place by place.

    Parameters
    ----------
    sealed, here : mapping, list or plain value
    place : str
        What each place begins with; within, places are JSON pointers.

    Examples
    --------
    >>> told = compare({"n": 3, "mean_um": 71.25}, {"n": 4, "mean_um": 71.25000000001})
    >>> told.n, told.within, told.rows[["place", "sealed", "here", "verdict"]].iloc[0].tolist()
    (2, 1, ['/n', '3', '4', 'different'])
    """
    return _compared(leaves(sealed, place), leaves(here, place))


def compare_notebooks(sealed: Mapping[str, Any], here: Mapping[str, Any]) -> Comparison:
    """Return how two executed notebooks compare: the sources of their cells, and every output.

    Numbers inside figures are compared as numbers. Where an output has a plain
    text, its HTML form is left out. A place is `cell ID source`, `cell ID output`
    or `cell ID figure N`, with a JSON pointer into it.

    Parameters
    ----------
    sealed, here : mapping
        Notebooks in the form of nbformat 4.
    """
    return _compared(_notebook_leaves(sealed), _notebook_leaves(here))


def compare_values(sealed: object, here: object) -> str:
    """Return the verdict on two plain values.

    Examples
    --------
    >>> compare_values(71.25, 71.250000001), compare_values(71.25, 71.26), compare_values(3, 4)
    ('equal within printed digits', 'different', 'different')
    >>> compare_values("mean 74.2 um", "mean 74.3 um"), compare_values("mean 74 um", "mean 75 um")
    ('equal within printed digits', 'different')
    """
    if type(sealed) is type(here) and sealed == here:
        return EQUAL
    if isinstance(sealed, str) and isinstance(here, str):
        return WITHIN if _same_text(sealed, here) else DIFFERENT
    if not _is_number(sealed) or not _is_number(here):
        return DIFFERENT
    one, other = float(sealed), float(here)  # type: ignore[arg-type]
    if one == other or (math.isnan(one) and math.isnan(other)):
        return EQUAL
    if isinstance(sealed, int) and isinstance(here, int):
        return DIFFERENT
    return WITHIN if math.isclose(one, other, rel_tol=RELATIVE, abs_tol=ABSOLUTE) else DIFFERENT


def leaves(value: object, place: str = "") -> dict[str, object]:
    """Return the plain values of a nested document by their place, with encoded arrays of figures decoded.

    Examples
    --------
    >>> leaves({"a": [1.5, "x"], "b/c": None})
    {'/a (length)': 2, '/a/0': 1.5, '/a/1': 'x', '/b~1c': None}
    """
    found: dict[str, object] = {}
    _gather(value, place, found)
    return found


def figure_differences(found: object, stored: object) -> list[str]:
    """Return where two figures differ beyond printed digits, as text: the place, the stored and the found value.

    Examples
    --------
    >>> figure_differences({"y": [1.0, 2.0]}, {"y": [1.0, 2.5]})
    ['figure/y/1: stored 2.5, found 2.0']
    """
    rows = compare(stored, found, place="figure").rows
    wrong = rows[rows["verdict"] == DIFFERENT]
    return [f"{row.place}: stored {row.sealed}, found {row.here}" for row in wrong.itertuples()]


def split_outputs(outputs: Sequence[Mapping[str, Any]]) -> tuple[list[Any], list[dict[str, Any]]]:
    """Return the figures of a cell, and its outputs without them and without HTML that has a plain-text form.

    Of a figure its data and layout are kept; how its buttons are set differs
    between versions of the drawing library and tells nothing of the records.

    Examples
    --------
    >>> split_outputs([{"output_type": "display_data", "data": {"text/plain": "a", "text/html": "<b>a</b>"}}])
    ([], [{'output_type': 'display_data', 'data': {'text/plain': 'a'}}])
    """
    figures: list[Any] = []
    rest = []
    for output in outputs:
        if "data" not in output:
            rest.append(dict(output))
            continue
        data = dict(output["data"])
        if FIGURE in data:
            figures.append({part: value for part, value in data[FIGURE].items() if part != "config"})
            data = {"text/plain": "figure"}
        elif "text/plain" in data:
            data.pop("text/html", None)
        rest.append({**output, "data": data})
    return figures, rest


def _compared(sealed: Mapping[str, object], here: Mapping[str, object]) -> Comparison:
    import pandas as pd

    rows = []
    counts = dict.fromkeys((EQUAL, WITHIN, DIFFERENT), 0)
    places = [*sealed, *(place for place in here if place not in sealed)]
    for place in places:
        one, other = sealed.get(place, _NOTHING), here.get(place, _NOTHING)
        verdict = compare_values(one, other)
        counts[verdict] += 1
        if verdict != EQUAL:
            rows.append((place, *_shown_pair(one, other), verdict))
    return Comparison(
        rows=pd.DataFrame(rows, columns=list(_COLUMNS)).astype(dict.fromkeys(_COLUMNS, "str")),
        n=len(places),
        equal=counts[EQUAL],
        within=counts[WITHIN],
        different=counts[DIFFERENT],
    )


def _gather(value: object, place: str, found: dict[str, object]) -> None:
    if isinstance(value, Mapping) and {"bdata", "dtype"} <= value.keys():
        array = np.frombuffer(base64.b64decode(value["bdata"]), dtype=value["dtype"])
        value = array.tolist()
    if isinstance(value, Mapping):
        if not value:
            found[place] = "{}"
        for key, item in value.items():
            _gather(item, f"{place}/{str(key).replace('~', '~0').replace('/', '~1')}", found)
    elif isinstance(value, (list, tuple)):
        found[f"{place} (length)"] = len(value)
        for index, item in enumerate(value):
            _gather(item, f"{place}/{index}", found)
    else:
        found[place] = value


def _notebook_leaves(notebook: Mapping[str, Any]) -> dict[str, object]:
    found: dict[str, object] = {"cells (length)": len(notebook["cells"])}
    for number, cell in enumerate(notebook["cells"], start=1):
        name = f"cell {cell.get('id', number)}"
        found[f"{name} source"] = _joined(cell.get("source", ""))
        outputs = [_plain(output) for output in cell.get("outputs", [])]
        figures, rest = split_outputs(outputs)
        _gather(rest, f"{name} output", found)
        for count, figure in enumerate(figures):
            _gather(figure, f"{name} figure {count}", found)
    return found


def _plain(output: Mapping[str, Any]) -> dict[str, Any]:
    """Return an output with its texts joined and without what only says when it ran."""
    told = {key: value for key, value in output.items() if key not in ("execution_count", "metadata")}
    if "text" in told:
        told["text"] = _joined(told["text"])
    if "data" in told:
        told["data"] = {kind: value if kind == FIGURE else _joined(value) for kind, value in told["data"].items()}
    return told


def _joined(text: object) -> object:
    return "".join(text) if isinstance(text, list) and all(isinstance(line, str) for line in text) else text


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _same_text(one: str, other: str) -> bool:
    """Return whether two texts have the same words, and numbers that agree but for the last printed decimal."""
    if " ".join(_NUMBER.sub("#", one).split()) != " ".join(_NUMBER.sub("#", other).split()):
        return False
    return all(map(_same_printed, _NUMBER.findall(one), _NUMBER.findall(other)))


def _same_printed(one: str, other: str) -> bool:
    if one == other:
        return True
    if "." not in one or "." not in other:
        return False
    step = max(_last_place(one), _last_place(other))
    return abs(float(one) - float(other)) <= step * (1 + 1e-9)


def _last_place(number: str) -> float:
    """Return what one in the last printed place of a number is worth.

    Examples
    --------
    >>> _last_place("74.25"), _last_place("1.5e3")
    (0.01, 100.0)
    """
    mantissa, _, exponent = number.lower().partition("e")
    return float(10.0 ** (int(exponent or 0) - len(mantissa.partition(".")[2])))


def _shown_pair(one: object, other: object) -> tuple[str, str]:
    """Return two values as text; of two long texts, from shortly before they part.

    Examples
    --------
    >>> _shown_pair("a" * 300 + "b", "a" * 300 + "c")[1]
    "... 'aaaaaaaaaaaaaaaaaaaaaaaac'"
    """
    texts = [value if isinstance(value, str) else repr(value) for value in (one, other)]
    parted = next((n for n, (a, b) in enumerate(zip(*texts, strict=False)) if a != b), min(map(len, texts)))
    start = max(0, parted - _BEFORE) if max(map(len, texts)) > _LONGEST_SHOWN else 0
    one_shown, other_shown = (_shown(value, start) for value in (one, other))
    return one_shown, other_shown


def _shown(value: object, start: int) -> str:
    if not isinstance(value, str):
        return repr(value)
    cut = value[start : start + _LONGEST_SHOWN]
    rest = len(value) - start - len(cut)
    return f"{'... ' if start else ''}{cut!r}{f' ... ({rest} characters more)' if rest > 0 else ''}"
