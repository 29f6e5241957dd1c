"""Notebooks as regression tests: nbval looks inside figures and compares the numbers they draw.

A figure's arrays are stored as base64, so that a change in the last digit would
look like noise. Here they are decoded, and numbers are compared to the digits
that could be printed; a mismatch names the place and both values. Where a
table has a plain-text form, its HTML form is left out.
"""

import base64
import math

import numpy as np
import nbformat
from nbval.plugin import IPyNbCell

FIGURE = "application/vnd.plotly.v1+json"
RELATIVE = 1e-6

_plain_compare = IPyNbCell.compare_outputs


def numbers_and_words(value, path=""):
    """Return the leaves of a figure by their place, with encoded arrays decoded."""
    if isinstance(value, dict) and {"bdata", "dtype"} <= value.keys():
        array = np.frombuffer(base64.b64decode(value["bdata"]), dtype=value["dtype"])
        value = array.tolist()
    if isinstance(value, dict):
        return {k: v for key, item in value.items() for k, v in numbers_and_words(item, f"{path}.{key}").items()}
    if isinstance(value, list):
        leaves = {f"{path}.length": len(value)}
        for index, item in enumerate(value):
            leaves |= numbers_and_words(item, f"{path}[{index}]")
        return leaves
    return {path: value}


def _same(one, other):
    if isinstance(one, float | int) and isinstance(other, float | int) and not isinstance(one, bool):
        return math.isclose(one, other, rel_tol=RELATIVE, abs_tol=1e-12) or (one != one and other != other)
    return one == other


def figure_differences(found, stored):
    """Return where two figures differ, as text: the place, the stored and the found value."""
    found, stored = numbers_and_words(found, "figure"), numbers_and_words(stored, "figure")
    missing = object()
    places = [*stored, *(place for place in found if place not in stored)]
    return [
        f"{place}: stored {stored.get(place, 'nothing')!r}, found {found.get(place, 'nothing')!r}"
        for place in places
        if not _same(stored.get(place, missing), found.get(place, missing))
    ]


def _split(outputs):
    """Return the figures, and the outputs without them and without HTML that has a plain-text form."""
    figures, rest = [], []
    for output in outputs:
        data = dict(output.get("data", {}))
        if FIGURE in data:
            figures.append(data[FIGURE])
            data = {"text/plain": "figure"}
        elif "text/plain" in data:
            data.pop("text/html", None)
        rest.append(nbformat.from_dict({**output, "data": data}) if "data" in output else output)
    return figures, rest


def compare_outputs(self, test, ref, skip_compare=None):
    """Compare a cell's outputs: figures by their numbers, all else as nbval does."""
    found, found_rest = _split(test)
    stored, stored_rest = _split(ref)
    differences = [f"{len(stored)} figures stored, {len(found)} found"] if len(found) != len(stored) else []
    for one, other in zip(found, stored, strict=False):
        differences += figure_differences(one, other)
    same = _plain_compare(self, found_rest, stored_rest, skip_compare)
    if differences:
        self.comparison_traceback = [*self.comparison_traceback, *differences[:10]]
        return False
    return same


IPyNbCell.compare_outputs = compare_outputs
