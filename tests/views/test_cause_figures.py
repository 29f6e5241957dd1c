"""Forest plot and causal diagram: what is drawn, where, and marked how; and places that keep arrows pointing right."""

from dataclasses import replace
from itertools import pairwise

import pandas as pd
import pytest

from auditkit.findings.causal_diagram import load_causal_diagram
from auditkit.stats.diagrams import ancestors, read_diagram
from auditkit.trade.conditions import load_conditions
from auditkit.trade.defects import DEFECTS
from auditkit.views.cause_figures import GRADE_LOOKS, causal_diagram, forest_plot
from auditkit.views.diagram_layout import lay_out

CONDITIONS, DIAGRAM = load_conditions(), load_causal_diagram()


@pytest.fixture
def table():
    rows = [
        ("spit", "bell_used_d", "above", 400, 0.03, 0.01, 0.06, 0.05, "supported", ()),
        ("crater", "humidity_pct", "above", 390, 0.02, -0.01, 0.05, 0.01, "leaning", ()),
        ("spit", "pot_kpa", "above", 400, 0.01, 0.005, 0.02, 0.0, "not separable from", (("bell_used_d", "above"),)),
        ("crater", "standoff_mm", "below", 400, -0.01, -0.03, 0.01, -0.02, "cannot tell", ()),
        ("crater", "standoff_mm", "above", 400, None, None, None, None, "cannot tell", ()),
    ]
    names = ["defect", "condition", "side", "n", "difference", "low", "high", "crude_difference", "grade"]
    frame = pd.DataFrame(rows, columns=[*names, "not_separable_from"])
    numbers = dict.fromkeys(["difference", "low", "high", "crude_difference"], "float64")
    return frame.astype(numbers).assign(rank=range(1, 6))


def test_forest_stands_by_defect_with_crude_beside_adjusted(table):
    figure = forest_plot(table.sample(frac=1, random_state=1), CONDITIONS)
    lines = list(figure.layout.yaxis.ticktext)
    assert lines == [
        "<b>spit</b>",
        "days of use since the bell was cleaned above 0 d",
        "pot pressure above 48 kPa",
        "<b>crater</b>",
        "relative humidity above 85 %",
        "standoff below 150 mm",
    ]
    assert list(figure.layout.yaxis.tickvals) == [0, -1, -2, -3, -4, -5]
    drawn = {trace.name: trace for trace in figure.data}
    firm = drawn["adjusted, supported (1)"]
    assert (firm.x[0], firm.y[0]) == (pytest.approx(3.0), -1)
    assert (firm.error_x.array[0], firm.error_x.arrayminus[0]) == (pytest.approx(3.0), pytest.approx(2.0))
    assert list(drawn["crude"].x) == pytest.approx([5.0, 0.0, 1.0, -2.0])
    assert list(drawn["crude"].y) == pytest.approx([-0.72, -1.72, -3.72, -4.72])
    assert figure.layout.title.text == "Risk that goes with leaving the window (4 of 4 rows, 390 to 400 runs each)"


def test_grades_are_written_beside_their_rows_and_differ_in_shape(table):
    figure = forest_plot(table, CONDITIONS)
    written = {note.y: note.text.replace("<br>", " ") for note in figure.layout.annotations}
    assert written[-2] == "not separable from days of use since the bell was cleaned above 0 d"
    assert (written[-1], written[-5]) == ("supported", "cannot tell")
    assert len({symbol for symbol, _ in GRADE_LOOKS.values()}) == len(GRADE_LOOKS)


def test_forest_draws_the_first_rows_only_and_nothing_when_there_is_none(table):
    few = forest_plot(table, CONDITIONS, most=1)
    assert few.layout.title.text.endswith("(1 of 4 rows, 400 runs each)")
    assert len(few.layout.annotations) == 1
    before = table.copy()
    assert not forest_plot(table.iloc[4:], CONDITIONS).data
    assert not forest_plot(table.iloc[:0], CONDITIONS).data
    pd.testing.assert_frame_equal(table, before)


def boxes(figure):
    return {note.text.replace("<br>", " "): note for note in figure.layout.annotations if note.bgcolor}


def test_the_whole_diagram_shows_every_node_and_arrow():
    figure = causal_diagram(DIAGRAM)
    assert len(boxes(figure)) == len(DIAGRAM.diagram.nodes)
    assert "? thinner added" in boxes(figure)
    heads = [trace for trace in figure.data if trace.mode == "markers"]
    assert sum(len(trace.x) for trace in heads) == len(DIAGRAM.diagram.arrows)
    assert {boxes(figure)[defect].x for defect in DEFECTS} == {max(note.x for note in boxes(figure).values())}
    assert any("operator → Standoff: Each painter keeps a distance by habit." in trace.text for trace in heads)


def test_one_defect_shows_what_acts_on_it_and_no_other():
    figure = causal_diagram(DIAGRAM, defect="spit")
    assert len(boxes(figure)) == len(ancestors(DIAGRAM.diagram, "spit")) + 1
    assert "crater" not in boxes(figure)
    assert figure.layout.title.text.startswith("What acts on spit (")


def test_roles_are_marked_in_words_or_signs_and_the_way_to_the_defect_is_dark():
    figure = causal_diagram(
        DIAGRAM, defect="dry spray", condition="filter_used_d", adjust_for=("unit_id", "operator_id")
    )
    named = boxes(figure)
    assert {"= unit", "= operator", "→ Pot pressure", "? time pressure on the crew"} <= set(named)
    asked = DIAGRAM.titles["filter_used_d"]
    assert named[asked].bordercolor == "#0072B2"
    dark = next(trace for trace in figure.data if trace.mode == "markers" and trace.marker.color == "#0072B2")
    ways = {text.split(":")[0] for text in dark.text}
    title = DIAGRAM.titles
    assert f"{asked} → {title['delivery_ratio']}" in ways
    assert f"{title['pot_kpa']} → dry spray" in ways
    assert not any(way.startswith("operator") for way in ways)
    assert "never" in figure.layout.annotations[-1].text


def test_a_condition_that_does_not_act_on_the_defect_stays_in_the_drawing():
    figure = causal_diagram(DIAGRAM, defect="crater", condition="standoff_mm")
    assert {"Standoff", "crater"} <= set(boxes(figure))
    assert not [trace for trace in figure.data if trace.mode == "markers" and trace.marker.color == "#0072B2"]


def test_unknown_names_are_refused():
    with pytest.raises(ValueError, match=r"every name must be a node of the diagram; \['moon'\] are not"):
        causal_diagram(DIAGRAM, defect="moon")


def test_layout_points_right_keeps_boxes_apart_and_does_not_hang_on_the_order_of_arrows():
    drawn = DIAGRAM.diagram
    layout = lay_out(drawn, last=DEFECTS)
    for arrow, points in layout.routes:
        assert points[0] == layout.nodes[arrow.cause]
        assert points[-1] == layout.nodes[arrow.effect]
        assert [right[0] - left[0] for left, right in pairwise(points)] == [1] * (len(points) - 1)
    for layer in range(layout.layers):
        heights = sorted(y for x, y in layout.nodes.values() if x == layer)
        assert all(above - below >= 1 - 1e-9 for below, above in pairwise(heights))
    turned = lay_out(replace(drawn, arrows=drawn.arrows[::-1]), last=DEFECTS)
    assert turned.nodes == layout.nodes
    assert turned.routes == layout.routes[::-1]


def test_layout_has_no_crossing_where_none_is_needed():
    arrows = [("a", "z"), ("b", "y"), ("c", "x")]
    ladder = read_diagram(
        {
            "nodes": {name: {"recorded": True} for name in "abcxyz"},
            "arrows": [{"from": a, "to": b, "because": "Invented."} for a, b in arrows],
        }
    )
    places = lay_out(ladder).nodes
    assert all(places[a][1] == places[b][1] for a, b in arrows)
    tall = lay_out(ladder, heights={"a": 3.0}).nodes
    column = sorted((y, name) for name, (x, y) in tall.items() if x == 0)
    assert column[-1][0] - column[0][0] >= 2.0


def test_an_empty_diagram_has_no_places():
    assert lay_out(read_diagram({"nodes": {}, "arrows": []})).nodes == {}
