"""Figures of acceptance sampling: the curves are the plans', and the share found stands on its curve."""

from __future__ import annotations

import pytest

from auditkit.findings.film import find_film
from auditkit.findings.item_sampling import find_item_sampling
from auditkit.views.sampling_figures import lot_shares, operating_curve


@pytest.fixture(scope="module")
def found(clean_dossier):
    return find_item_sampling(clean_dossier.tables, find_film(clean_dossier.tables), severities=("normal",))


def test_the_curve_is_drawn_and_the_share_found_lies_on_it(found):
    figure = operating_curve(found.oc, found.lots, found.risks, lot="J5")
    curve, marker = figure.data
    drawn = dict(zip(curve.x, curve.y, strict=True))
    assert drawn[0.0] == pytest.approx(100.0)
    # plan 5, 0: .5905 at 10 %
    assert drawn[10.0] == pytest.approx(59.05, abs=0.005)
    below = max(x for x in curve.x if x <= marker.x[0])
    above = min(x for x in curve.x if x >= marker.x[0])
    assert drawn[above] <= marker.y[0] <= drawn[below]
    assert figure.layout.xaxis.range[1] >= marker.x[0] + marker.error_x.array[0]
    assert "reject" in curve.name
    assert "AQL 2.5 %" in figure.layout.annotations[0].text


def test_a_lot_nobody_inspected_has_a_curve_and_no_marker(found):
    assert len(operating_curve(found.oc, found.lots, found.risks, lot="J7").data) == 1


def test_an_unknown_lot_is_refused(found):
    with pytest.raises(ValueError, match="lot must be one of"):
        operating_curve(found.oc, found.lots, found.risks, lot="J99")


def test_every_lot_inspected_is_marked_once_with_its_decision_in_words(found):
    figure = lot_shares(found.lots)
    assert sum(len(trace.x) for trace in figure.data) == found.lots["share_pct"].notna().sum()
    symbols = [trace.marker.symbol for trace in figure.data]
    assert len(set(symbols)) == len(symbols)
    assert {trace.name.split(" (")[0] for trace in figure.data} <= set(found.lots["decision"])
