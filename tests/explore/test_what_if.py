"""What is expected: read off the curves, never outside a window, and nothing where the records say nothing."""

import math

import pytest

from auditkit import explore
from auditkit.explore.expected import LEVERS, expected_at, lever_of, rework_for
from auditkit.explore.what_if_explorer import WhatIfView


@pytest.fixture(scope="module")
def told(findings):
    """Defect, condition and the supported points of its curve inside the window, of one that can be told of."""
    table = findings.causal.table
    for row in table[table["grade"] != "cannot tell"].itertuples():
        if row.condition in LEVERS:
            lever = lever_of(findings, row.condition)
            curve = findings.causal.dose.curve
            own = curve[(curve["defect"] == row.defect) & (curve["condition"] == row.condition) & curve["supported"]]
            own = own[own["value"].between(lever.low, lever.high)].sort_values("value", ignore_index=True)
            if len(own) > 3:
                return row.defect, row.condition, own
    raise AssertionError("the sample has no such condition")


def test_at_a_point_of_the_curve_it_is_the_curve(findings, told):
    defect, condition, curve = told
    for point in curve.iloc[1:4].itertuples():
        expected = expected_at(findings, defect=defect, condition=condition, value=float(point.value))
        assert (expected.share, expected.low, expected.high) == pytest.approx((point.risk, point.low, point.high))
        assert expected.why == ""
        assert expected.runs_near == point.runs_near


def test_between_two_points_it_lies_on_a_line_of_log_odds(findings, told):
    defect, condition, curve = told
    one, other = curve.iloc[1], curve.iloc[2]
    middle = (one["value"] + other["value"]) / 2
    expected = expected_at(findings, defect=defect, condition=condition, value=middle)
    odds = [math.log(point["risk"] / (1 - point["risk"])) for point in (one, other)]
    assert math.log(expected.share / (1 - expected.share)) == pytest.approx(sum(odds) / 2)


def test_observed_is_the_share_of_the_runs_behind_the_curve(findings, told):
    defect, condition, curve = told
    expected = expected_at(findings, defect=defect, condition=condition, value=float(curve["value"].iloc[1]))
    found = findings.causes.run_defects.found[defect]
    assert expected.n <= found.notna().sum()
    assert expected.observed == pytest.approx(found.mean(), abs=0.02)


def test_no_value_outside_a_window_is_offered(findings):
    lever = lever_of(findings, "standoff_mm")
    for value in (lever.low - 1.0, lever.high + 1.0):
        with pytest.raises(ValueError, match=r"standoff_mm must lie inside its window, .* mm; given .*not offered"):
            expected_at(findings, defect="dry spray", condition="standoff_mm", value=value)
    with pytest.raises(ValueError, match="condition must be one of standoff_mm, pot_kpa"):
        lever_of(findings, "resistance_ohm")


def test_where_the_records_say_nothing_there_is_no_number_but_a_reason(findings):
    silent = 0
    for defect in findings.causes.run_defects.found.columns:
        table = explore.what_if_table(findings, WhatIfView(defect=str(defect)))
        assert (table["expected_pct"].isna() == table["why"].ne("")).all()
        assert table["rework_m2"].isna().equals(table["expected_pct"].isna())
        silent += int(table["why"].ne("").sum())
    assert silent > 0


def test_without_causes_nothing_is_expected(raw_dossier):
    import auditkit

    plain = auditkit.audit(raw_dossier, causes=False)
    table = explore.what_if_table(plain, WhatIfView())
    assert table["expected_pct"].isna().all()
    assert set(table["why"]) == {"the findings were made without causes"}


def test_rework_is_the_area_that_had_it_and_the_paint_for_its_film(findings, told):
    defect, _, _ = told
    found = findings.causes.run_defects.found[defect]
    hurt = found.index[found.eq(True).fillna(False)]
    names = set(findings.runs.loc[findings.runs["run_id"].isin(hurt), "area_id"])
    areas = findings.dossier.tables["areas"]
    own = areas[areas["area_id"].isin(names)].merge(findings.dossier.tables["jobs"], on="job_id")
    own = own.merge(findings.paint.jobs[["job_id", "faced_pct"]], on="job_id")
    rework = rework_for(findings, defect=defect)
    assert rework.areas == len(names)
    assert rework.size_m2 == pytest.approx(own["size_m2"].sum())
    known = own.dropna(subset=["faced_pct"])
    assert rework.excluded == len(own) - len(known)
    # m2 times um is millilitres of solids; over the solids and the share that lands, litres of paint
    litres = known["size_m2"] * known["film_nominal_um"] / 1000
    litres = litres / (known["volume_solids_pct"] / 100) / (known["faced_pct"].clip(upper=100) / 100)
    assert rework.paint_l == pytest.approx(litres.sum())
    assert rework.paint_low_l < rework.paint_l < rework.paint_high_l


def test_rework_goes_with_expected_over_observed(findings, told):
    defect, condition, curve = told
    value = float(curve["value"].iloc[1])
    table = explore.what_if_table(findings, WhatIfView(defect=defect, **{condition: value}))
    row = table[table["condition"] == findings.conditions[condition].title].iloc[0]
    assert row["value"] == value
    share = row["expected_pct"] / row["observed_pct"]
    assert row["rework_m2"] == pytest.approx(rework_for(findings, defect=defect).size_m2 * share)
    assert row["rework_low_m2"] < row["rework_m2"] < row["rework_high_m2"]
    paint = rework_for(findings, defect=defect)
    assert row["paint_l"] == pytest.approx(paint.paint_l * share)
    assert row["paint_low_l"] == pytest.approx(paint.paint_low_l * row["low_pct"] / row["observed_pct"])
    assert row["paint_high_l"] == pytest.approx(paint.paint_high_l * row["high_pct"] / row["observed_pct"])


def test_figure_draws_what_can_be_told_and_shades_the_rest(findings, told):
    view = WhatIfView(defect=told[0])
    table, figure = explore.what_if_table(findings, view), explore.what_if_figure(findings, view)
    spoken = table[table["why"] == ""]
    [expected] = [trace for trace in figure.data if trace.name.startswith("expected")]
    assert list(expected.x) == list(spoken["expected_pct"])
    shaded = {round(-(shape.y0 + shape.y1) / 2) for shape in figure.layout.shapes}
    assert shaded == set(table.index[table["why"] != ""])
    words = " ".join(note.text for note in figure.layout.annotations)
    assert words.count("cannot tell:") == len(shaded)


def test_each_control_changes_what_is_expected(findings, told):
    defect, condition, _curve = told
    bench = explore.what_if(findings, WhatIfView(defect=defect))
    assert set(bench.widgets) == {"defect", *LEVERS}
    before = bench.figure.to_plotly_json()
    lever, slider = lever_of(findings, condition), bench.widgets[condition]
    slider.value = lever.low if slider.value != lever.low else lever.low + lever.step
    assert getattr(bench.view, condition) == slider.value
    assert bench.figure.to_plotly_json() != before
    again = eval(bench.shown.code, {"explore": explore, "findings": findings})
    assert again.to_plotly_json() == bench.shown.figure.to_plotly_json()
    others = [value for _, value in bench.widgets["defect"].options if value != defect]
    bench.widgets["defect"].value = others[0]
    assert bench.view.defect == others[0]
    assert slider.min == lever.low
    assert slider.max == lever.high


def test_the_cautions_stand_beneath(findings):
    caption = explore.what_if(findings).shown.caption
    assert "no promise" in caption
    assert "equipment maker's manual" in caption


@pytest.mark.parametrize("view", [WhatIfView(defect="moods"), WhatIfView(standoff_mm=5.0)])
def test_what_is_not_known_or_not_safe_is_said(findings, view):
    for make in (explore.what_if_table, explore.what_if_figure, explore.what_if):
        with pytest.raises(ValueError, match=r"must (be one of|lie inside its window)"):
            make(findings, view)
