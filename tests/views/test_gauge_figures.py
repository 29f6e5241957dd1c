"""The figure of gauge errors: every check is drawn, and a failed one is told by shape and word."""

import pytest

from auditkit.findings.gauges import find_gauges
from auditkit.views.gauge_figures import gauge_errors_over_time


@pytest.fixture(scope="module")
def checks(clean_dossier):
    return find_gauges(clean_dossier.tables).checks


def test_every_check_is_drawn_and_failed_ones_are_told_by_shape_and_word(checks):
    figure = gauge_errors_over_time(checks)
    markers = [trace for trace in figure.data if "markers" in trace.mode]
    assert sum(y is not None for trace in markers for y in trace.y) == len(checks)
    failed = [trace for trace in markers if trace.name == "failed"]
    assert {trace.marker.symbol for trace in failed} == {"x"}
    drawn = sum(y is not None for trace in failed for y in trace.y)
    assert drawn == (~checks["passed"].astype(bool)).sum() > 0
    assert [word for trace in failed for word in trace.text or () if word] == ["failed"]
    assert f"{drawn} failed" in figure.layout.title.text
    assert not {"x"} & {trace.marker.symbol for trace in markers if trace.name != "failed"}


def test_band_is_the_tolerance(checks):
    bands = [trace for trace in gauge_errors_over_time(checks).data if trace.fill == "toself"]
    assert len(bands) == checks["gauge_id"].nunique()
    assert max(bands[0].y) == pytest.approx(checks["allowed_pct"].iloc[0])
    assert min(bands[0].y) == pytest.approx(-checks["allowed_pct"].iloc[0])


def test_nothing_to_draw_is_said(checks):
    assert gauge_errors_over_time(checks.iloc[:0]).layout.title.text == "No gauge checks on record"
