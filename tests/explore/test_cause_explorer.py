"""Crude against adjusted: the crude by hand, the adjusted as the findings have it, and a figure of both."""

import numpy as np
import pytest

from auditkit import explore
from auditkit.explore.cause_comparison import WITHOUT, CauseView


@pytest.fixture(scope="module")
def firmest(findings):
    row = findings.causal.table.iloc[0]
    return CauseView(defect=row["defect"], condition=row["condition"], side=row["side"])


def test_left_open_the_view_is_the_firmest_finding(findings, firmest):
    assert explore.causes(findings).view == firmest


def test_crude_is_the_difference_in_risk_times_the_share_outside(findings):
    """Counted here from the runs alone: of those with the defect looked for and all that is adjusted for recorded."""
    adjusted_for = findings.causal.diagram.adjustments.set_index(["defect", "condition"])["adjust_for"]
    one_sided = [name for name, one in findings.conditions.items() if one.low is None and one.high is not None]
    table = findings.causal.table
    checked = 0
    for row in table[(table["why"] == "") & table["condition"].isin(one_sided)].to_dict("records"):
        runs, condition = findings.runs, findings.conditions[row["condition"]]
        needed = [row["condition"], *adjusted_for[row["defect"], row["condition"]]]
        if condition.limit_is_outside or not set(needed) <= set(runs.columns):
            continue
        found = runs["run_id"].map(findings.causes.run_defects.found[row["defect"]]).astype("float64")
        known = found.notna() & runs[needed].notna().all(axis="columns")
        outside = known & (runs[row["condition"]].astype("float64") > condition.high)
        inside = known & ~outside
        view = CauseView(defect=row["defect"], condition=row["condition"], side=row["side"])
        crude = explore.cause_table(findings, view).iloc[0]
        assert crude[["n", "n_outside", "found_outside"]].tolist() == [known.sum(), outside.sum(), found[outside].sum()]
        by_hand = 100.0 * outside.sum() / known.sum() * (found[outside].mean() - found[inside].mean())
        assert crude["difference_points"] == pytest.approx(by_hand, rel=1e-9)
        assert crude["low_points"] < crude["difference_points"] < crude["high_points"]
        checked += 1
    assert checked >= 5


def test_adjusted_is_that_of_the_findings(findings):
    table = findings.causal.table
    for row in table[table["why"] == ""].head(8).to_dict("records"):
        view = CauseView(defect=row["defect"], condition=row["condition"], side=row["side"])
        told = explore.cause_table(findings, view).iloc[-1]
        assert told["estimate"] == "adjusted"
        expected = [100.0 * row[name] for name in ("difference", "low", "high")]
        assert list(told[["difference_points", "low_points", "high_points"]]) == pytest.approx(expected)
        assert told["n"] == row["n"]


def test_without_causes_nothing_is_adjusted_and_that_is_said(raw_dossier):
    import auditkit

    plain = auditkit.audit(raw_dossier, causes=False)
    table = explore.cause_table(plain, CauseView())
    assert table["why"].iloc[-1] == WITHOUT
    assert np.isnan(table["difference_points"].iloc[-1])
    assert table["difference_points"].iloc[0] == table["difference_points"].iloc[0]
    assert explore.moves_with(plain, CauseView()).empty
    bench = explore.causes(plain)
    assert "without causes" in bench.shown.caption
    [line] = [trace for trace in bench.figure.data if trace.name == "risk, all else as it was"]
    assert not line.x
    assert any(note.text == f"No curve: {WITHOUT}" for note in bench.figure.layout.annotations)


def test_figure_draws_the_rows_of_the_table(findings, firmest):
    table = explore.cause_table(findings, firmest)
    figure = explore.cause_figure(findings, firmest)
    for row in table[table["why"] == ""].to_dict("records"):
        [trace] = [trace for trace in figure.data if trace.name == row["estimate"]]
        assert list(trace.x) == [row["difference_points"]]
        assert trace.x[0] + trace.error_x.array[0] == pytest.approx(row["high_points"])
        assert trace.x[0] - trace.error_x.arrayminus[0] == pytest.approx(row["low_points"])


def test_curve_is_drawn_only_where_the_records_support_it(findings):
    curve = findings.causal.dose.curve
    supported = curve[curve["supported"]]
    first = supported.iloc[0]
    view = CauseView(defect=first["defect"], condition=first["condition"])
    [line] = [t for t in explore.cause_figure(findings, view).data if t.name == "risk, all else as it was"]
    own = supported[(supported["defect"] == view.defect) & (supported["condition"] == view.condition)]
    assert list(line.x) == sorted(own["value"])
    assert sorted(line.y) == pytest.approx(sorted(100.0 * own["risk"]))


def test_what_moves_with_it_is_in_order_of_closeness(findings, firmest):
    close = explore.moves_with(findings, firmest)
    some = close[~close["inseparable"].astype(bool)]["correlation"].abs().dropna()
    assert some.is_monotonic_decreasing
    assert (close["both"] + close["one_only"] + close["other_only"] <= close["n"]).all()


def test_each_control_changes_the_view_and_the_figure(findings, firmest):
    bench = explore.causes(findings)
    moves = {
        "strata": ("job_id", "operator_id"),
        "defect": next(v for _, v in bench.widgets["defect"].options if v != firmest.defect),
        "condition": next(v for _, v in bench.widgets["condition"].options if v != firmest.condition),
    }
    for name, value in moves.items():
        before, code = bench.figure.to_plotly_json(), bench.shown.code
        bench.widgets[name].value = value
        assert getattr(bench.view, name) == value
        assert bench.figure.to_plotly_json() != before
        assert bench.shown.code != code
    again = eval(bench.shown.code, {"explore": explore, "findings": findings})
    assert again.to_plotly_json() == bench.shown.figure.to_plotly_json()


def test_the_side_can_be_picked_where_a_window_has_two(findings):
    bench = explore.causes(findings, CauseView(defect="dry spray", condition="standoff_mm", side="above"))
    before = bench.shown.tables
    bench.widgets["side"].value = "below"
    assert bench.view.side == "below"
    assert not next(iter(bench.shown.tables.values())).equals(next(iter(before.values())))


@pytest.mark.parametrize(
    ("view", "words"),
    [
        (CauseView(defect="moods"), "defect must be one of"),
        (CauseView(condition="moon"), "condition must be one of"),
        (CauseView(strata=("moon",)), "strata must be one of job_id, operator_id, unit_id; given 'moon'"),
        (CauseView(condition="standoff_mm", side="beside"), "side must be one of"),
    ],
)
def test_what_is_not_known_is_said(findings, view, words):
    for make in (explore.cause_table, explore.cause_figure, explore.causes):
        with pytest.raises(ValueError, match=words):
            make(findings, view)
