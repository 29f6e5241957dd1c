"""Every figure of the views has the one look, a title, and axes that say what they measure."""

import re

import pytest
from plotly.offline import get_plotlyjs

from auditkit.views.style import TEMPLATE_NAME, template

from .figure_calls import CALLS, public_figures

PLANS = ("causal_diagram", "suspect_zone")
"""Arrows between words, and places on a plan: nothing is measured along an axis."""

COUNT = re.compile(r"n=\d|\d+ (of \d+ )?[a-z]")


def test_every_public_figure_is_called():
    assert set(CALLS) == public_figures()


def test_no_button_sends_a_figure_anywhere():
    offered = set(re.findall(r'name:"((?:send|edit)[A-Za-z]+)"', get_plotlyjs()))
    assert offered, "the library names its buttons otherwise: look there again"
    assert offered <= set(template().layout.modebar.remove)


@pytest.mark.parametrize("name", sorted(CALLS))
def test_a_figure_has_the_look_and_says_what_it_shows(findings, name):
    figure = CALLS[name](findings)
    assert figure.layout.template.to_plotly_json() == template().to_plotly_json(), TEMPLATE_NAME
    assert figure.data or figure.layout.annotations
    assert figure.layout.title.text
    axes = [*figure.select_xaxes(), *figure.select_yaxes()]
    told = [figure.layout.title.text, *(note.text or "" for note in figure.layout.annotations)]
    told += [str(words) for axis in axes for words in (axis.title.text, *(axis.ticktext or ()))]
    told += [str(words) for trace in figure.data for words in (trace.name, *_labels(trace))]
    if name not in PLANS:
        assert COUNT.search(" | ".join(told)), "how many are drawn"
        assert any(axis.title.text for axis in axes)


def _labels(trace):
    """Return the places on an axis of words."""
    return [
        words for values in (trace.x, trace.y) for words in (values if values is not None else ()) if _is_text(words)
    ]


def _is_text(value):
    return isinstance(value, str)
