"""Notebooks as regression tests: nbval looks inside figures and compares the numbers they draw.

A figure's arrays are stored as base64, so that a change in the last digit would
look like noise. Here they are decoded, and numbers are compared to the digits
that could be printed; a mismatch names the place and both values. Where a
table has a plain-text form, its HTML form is left out.
"""

import nbformat
from nbval.plugin import IPyNbCell

from auditkit.report.outputs import figure_differences, split_outputs

_plain_compare = IPyNbCell.compare_outputs


def _split(outputs):
    figures, rest = split_outputs(outputs)
    return figures, [nbformat.from_dict(output) for output in rest]


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
