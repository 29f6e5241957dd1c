"""Drawing without a browser: marks stand where the figure says, all of them, and what cannot be drawn is refused."""

import os
import re
import subprocess
import sys
from xml.etree import ElementTree

import numpy as np
import plotly.graph_objects as go
import pytest
from plotly.subplots import make_subplots

from auditkit.views.drawing import as_png, as_svg
from auditkit.views.style import template

SVG = "{http://www.w3.org/2000/svg}"


def drawn(figure):
    return ElementTree.fromstring(as_svg(figure))


def groups(tree, name):
    return [group for group in tree.iter(f"{SVG}g") if group.get("id") == name]


def places(tree, name):
    """Return where the marks of a trace stand, from the left and from the top."""
    return [(float(use.get("x")), float(use.get("y"))) for g in groups(tree, name) for use in g.iter(f"{SVG}use")]


def points(figure):
    return places(drawn(figure), "trace-0-markers")


def outlines(tree, name):
    """Return the corners of each outline or line."""
    paths = [path.get("d") for g in groups(tree, name) for path in g.iter(f"{SVG}path")]
    return [[(float(x), float(y)) for x, y in re.findall(r"([-\d.e]+) ([-\d.e]+)(?= |$)", path)] for path in paths]


def style(tree, name):
    """Return the first style within a group."""
    return next(e.get("style") for e in groups(tree, name)[0].iter() if e.get("style"))


def words(figure):
    return re.findall(r"<!-- (.*?) -->", as_svg(figure), flags=re.DOTALL)


def scatter(x, y, *, layout=None, **more):
    look = {"template": template(), "showlegend": False} | (layout or {})
    return go.Figure(go.Scatter(x=x, y=y, **({"mode": "markers"} | more)), layout=look)


def test_points_stand_in_proportion_right_and_up():
    (x0, y0), (x1, y1), (x2, y2) = points(scatter([0, 1, 4], [0, 3, 4]))
    assert x1 - x0 == pytest.approx((x2 - x0) / 4, abs=0.01)
    assert y0 - y1 == pytest.approx(3 * (y0 - y2) / 4, abs=0.01)
    assert x2 > x0
    assert y2 < y0


def test_a_range_or_a_reversed_axis_is_kept():
    layout = {"xaxis": {"range": [0, 10]}, "yaxis": {"autorange": "reversed"}, "width": 500}
    (x0, y0), (x1, y1) = points(scatter([0, 10, 11], [0, 1, 2], layout=layout))
    assert x1 - x0 == pytest.approx(500 - 70 - 20, abs=1)
    assert y1 > y0


def test_axes_that_match_have_one_range():
    figure = make_subplots(rows=2, cols=1, shared_yaxes="all")
    figure.add_trace(go.Scatter(x=[0, 1], y=[0, 1], mode="markers"), row=1, col=1)
    figure.add_trace(go.Scatter(x=[0, 1], y=[0, 10], mode="markers"), row=2, col=1)
    figure.update_layout(template=template(), showlegend=False)
    tree = drawn(figure)
    (_, a), (_, b) = places(tree, "trace-0-markers")
    (_, c), (_, d) = places(tree, "trace-1-markers")
    assert c - d == pytest.approx(10 * (a - b), abs=0.01)
    assert max(a, b) < min(c, d)


def test_logarithms_days_by_the_clock_on_the_wall_and_categories():
    (x0, _), (x1, _), (x2, _) = points(scatter([1, 10, 1000], [1, 1, 1], layout={"xaxis": {"type": "log"}}))
    assert x2 - x1 == pytest.approx(2 * (x1 - x0), abs=0.01)
    days = ["2027-03-01T00:00:00+05:00", "2027-03-02T00:00:00-08:00", "2027-03-05T00:00:00Z"]
    (x0, _), (x1, _), (x2, _) = points(scatter(days, [1, 1, 1]))
    assert x2 - x1 == pytest.approx(3 * (x1 - x0), abs=0.01)
    layout = {"xaxis": {"categoryarray": ["c", "a", "b"]}}
    (a, _), (b, _), (c, _) = points(scatter(["a", "b", "c"], [1, 1, 1], layout=layout))
    assert b - a == pytest.approx(a - c, abs=0.01)
    assert c < a < b


def test_days_are_named_and_the_year_stands_once():
    said = words(scatter(["2027-03-01", "2027-04-12"], [1, 1]))
    assert "01 Mar" in said
    assert said.count("2027") == 1


def test_a_format_of_ticks_is_kept():
    layout = {"xaxis": {"tickformat": ".0%", "dtick": 0.5, "range": [0, 1]}, "yaxis": {"tickformat": ".2f"}}
    said = words(scatter([0, 1], [-1, -1], layout=layout))
    assert [text for text in said if text.endswith("%")] == ["0%", "50%", "100%"]
    assert "−1.00" in said


def test_what_is_missing_breaks_a_line_and_has_no_marker():
    tree = drawn(scatter([0, 1, 2, 3, 4], [0, 1, None, 1, 0], mode="lines+markers"))
    assert len(places(tree, "trace-0-markers")) == 4
    line = groups(tree, "trace-0-line")[0].find(f"{SVG}path").get("d")
    assert (line.count("M"), line.count("L")) == (2, 2)
    joined = drawn(scatter([0, 1, 2, 3, 4], [0, 1, None, 1, 0], mode="lines", connectgaps=True))
    assert groups(joined, "trace-0-line")[0].find(f"{SVG}path").get("d").count("M") == 1


def test_a_line_has_its_colour_width_and_dashes():
    line = {"color": "rgba(255, 0, 0, 0.5)", "width": 3, "dash": "dash"}
    tree = drawn(scatter([0, 1], [0, 1], mode="lines", line=line))
    look = style(tree, "trace-0-line")
    assert "stroke: #ff0000" in look
    assert "stroke-width: 3" in look
    assert "stroke-dasharray: 18,12" in look
    assert "stroke-opacity: 0.5" in look
    steps = drawn(scatter([0, 1], [0, 1], mode="lines", line={"shape": "hv"}))
    (_, y0), (x1, y1), (x2, y2) = outlines(steps, "trace-0-line")[0]
    assert (y1, x1) == (y0, x2)
    assert y2 < y1


def test_whiskers_reach_as_far_as_they_are_told():
    errors = {"type": "data", "array": [2.0, None], "arrayminus": [1.0, 0.0], "width": 3}
    tree = drawn(scatter([5, 6], [1, 2], error_x=errors, layout={"xaxis": {"range": [0, 10]}}))
    (point, y), (other, _) = places(tree, "trace-0-markers")
    unit = other - point
    ends = sorted(x for x, at in places(tree, "trace-0-caps-x") if at == pytest.approx(y, abs=0.01))
    assert ends == pytest.approx([point - unit, point + 2 * unit], abs=0.05)
    assert len(places(tree, "trace-0-caps-x")) == 3


def test_whiskers_without_a_lower_end_are_even():
    tree = drawn(scatter([5, 6], [1, 2], error_y={"type": "data", "array": [2.0, 1.0]}))
    (first, low), (_, high) = places(tree, "trace-0-markers")
    ends = sorted(y for x, y in places(tree, "trace-0-caps-y") if x == pytest.approx(first, abs=0.01))
    assert ends == pytest.approx([low - 2 * (low - high), low + 2 * (low - high)], abs=0.05)
    line = outlines(tree, "trace-0-whiskers-y")[0]
    assert (min(y for _, y in line), max(y for _, y in line)) == pytest.approx((ends[0], ends[1]), abs=0.05)


def bars(**layout):
    lying = {"y": ["a", "b"], "orientation": "h"}
    data = [go.Bar(x=[1, 2], **lying), go.Bar(x=[3, 0], text=["three", ""], textposition="inside", **lying)]
    return go.Figure(data, layout={"template": template(), "showlegend": False, "xaxis": {"range": [0, 4]}} | layout)


def test_bars_are_stacked_end_to_end():
    tree = drawn(bars(barmode="stack"))
    first, second = (outlines(tree, f"trace-{number}-bar") for number in (0, 1))
    assert len(first) == len(second) == 2
    left, right = min(x for x, _ in first[0]), max(x for x, _ in first[0])
    assert min(x for x, _ in second[0]) == pytest.approx(right, abs=0.01)
    assert max(x for x, _ in second[0]) - right == pytest.approx(3 * (right - left), abs=0.01)
    assert {y for _, y in second[0]} == {y for _, y in first[0]}
    assert min(y for _, y in first[1]) < min(y for _, y in first[0])
    assert len(groups(tree, "trace-1-text")) == 1


def test_bars_stand_side_by_side_and_leave_their_gap():
    tree = drawn(bars(barmode="group", bargap=0.5))
    first, second = (outlines(tree, f"trace-{number}-bar") for number in (0, 1))
    one, beside, next_one = (sorted({y for _, y in bar}) for bar in (first[0], second[0], first[1]))
    thick = one[1] - one[0]
    assert beside[1] == pytest.approx(one[0], abs=0.01)
    assert one[0] - next_one[0] == pytest.approx(4 * thick, abs=0.05)
    assert min(x for x, _ in second[0]) == pytest.approx(min(x for x, _ in first[0]), abs=0.01)


def test_a_bar_below_zero_hangs_and_a_base_lifts_it():
    tree = drawn(go.Figure(go.Bar(x=[1, 2, 3], y=[2, -2, 2], base=[0, 0, 5]), layout={"template": template()}))
    up, down, lifted = ({round(y, 2) for _, y in bar} for bar in outlines(tree, "trace-0-bar"))
    assert max(up) == pytest.approx(min(down), abs=0.02)
    assert max(down) - min(down) == pytest.approx(max(up) - min(up), abs=0.02)
    assert max(up) - max(lifted) == pytest.approx(2.5 * (max(up) - min(up)), abs=0.05)


def test_fills_to_the_trace_before_it_and_to_itself_in_pieces():
    figure = scatter([0, 1], [2, 2], mode="lines")
    figure.add_trace(go.Scatter(x=[0, 1], y=[0, 1], mode="lines", fill="tonexty"))
    tree = drawn(figure)
    lines = [*outlines(tree, "trace-0-line")[0], *outlines(tree, "trace-1-line")[0]]
    corners = {(round(x, 2), round(y, 2)) for x, y in outlines(tree, "trace-1-fill")[0]}
    assert corners == {(round(x, 2), round(y, 2)) for x, y in lines}
    x, y = [0, 1, 1, None, 3, 4, 4], [0, 0, 1, None, 0, 0, 1]
    assert len(outlines(drawn(scatter(x, y, mode="lines", fill="toself")), "trace-0-fill")) == 2
    zero = drawn(scatter([0, 1], [1, 2], mode="lines", fill="tozeroy"))
    low, line = outlines(zero, "trace-0-fill")[0], outlines(zero, "trace-0-line")[0]
    first, second = (y for _, y in line)
    assert max(y for _, y in low) == pytest.approx(first + (first - second), abs=0.05)


def test_a_bent_line_goes_through_its_points_and_bulges_between():
    tree = drawn(scatter([0, 1, 2], [0, 1, 0], mode="lines+markers", line={"shape": "spline"}))
    line = outlines(tree, "trace-0-line")[0]
    marks = places(tree, "trace-0-markers")
    assert {(round(x, 1), round(y, 1)) for x, y in marks} <= {(round(x, 1), round(y, 1)) for x, y in line}
    (x0, y0), (x1, y1), _ = marks
    # Hermite's cubic, worked by hand: halfway along, with slopes (0, 0) and (1, 0), it is at (1/2 - 1/8, 1/2)
    half = np.interp(x0 + 0.375 * (x1 - x0), [x for x, _ in line], [y for _, y in line])
    assert half == pytest.approx((y0 + y1) / 2, abs=0.1)


def test_shapes_lie_where_their_axes_and_the_paper_say():
    figure = scatter([0, 10], [0, 10], layout={"xaxis": {"range": [0, 10]}, "yaxis": {"range": [0, 10]}})
    figure.add_vline(x=5)
    figure.add_hrect(y0=2, y1=4)
    figure.add_shape(type="circle", x0=4, x1=6, y0=4, y1=6, layer="below")
    tree = drawn(figure)
    (left, bottom), (right, top) = places(tree, "trace-0-markers")
    line, box = outlines(tree, "shape-0")[0], outlines(tree, "shape-1")[0]
    assert {round(x, 1) for x, _ in line} == {round((left + right) / 2, 1)}
    assert sorted(y for _, y in line) == pytest.approx([top, bottom], abs=0.1)
    height = bottom - top
    ends = max(y for _, y in box), min(y for _, y in box)
    assert ends == pytest.approx((bottom - 0.2 * height, bottom - 0.4 * height), abs=0.1)
    order = [group.get("id") for group in tree.iter(f"{SVG}g")]
    assert order.index("shape-2") < order.index("trace-0-markers") < order.index("shape-0")


def test_a_shape_widens_an_axis_without_a_range():
    figure = scatter([0, 1], [0, 1])
    figure.add_hline(y=9)
    tree = drawn(figure)
    (_, low), (_, high) = places(tree, "trace-0-markers")
    assert low - outlines(tree, "shape-0")[0][0][1] == pytest.approx(9 * (low - high), abs=0.1)


def boxed(**more):
    figure = scatter([0, 10], [0, 10], layout={"xaxis": {"range": [0, 10]}, "yaxis": {"range": [0, 10]}})
    return figure.add_annotation(**({"text": "held", "showarrow": False, "bgcolor": "#ffffff", "x": 5, "y": 5} | more))


def test_annotations_are_held_shifted_and_boxed_as_told():
    left, right = ([x for x, _ in outlines(drawn(boxed(xanchor=k)), "annotation-0")[0]] for k in ("left", "right"))
    assert min(left) == pytest.approx(max(right), abs=3)
    plain, up = ([y for _, y in outlines(drawn(boxed(yshift=shift)), "annotation-0")[0]] for shift in (0, 20))
    assert max(plain) - max(up) == pytest.approx(20, abs=0.01)
    wide = [x for x, _ in outlines(drawn(boxed(width=80, borderpad=3)), "annotation-0")[0]]
    assert max(wide) - min(wide) == pytest.approx(86, abs=0.1)


def test_an_arrow_leads_from_the_text_to_its_point():
    figure = boxed(showarrow=True, ax=0, ay=-60, arrowhead=0, bgcolor=None)
    tree = drawn(figure)
    (left, bottom), (right, top) = places(tree, "trace-0-markers")
    ends = [corner for line in outlines(tree, "annotation-0-arrow") for corner in line]
    assert any((x, y) == pytest.approx(((left + right) / 2, (bottom + top) / 2), abs=1) for x, y in ends)
    assert min(y for _, y in ends) < (bottom + top) / 2 - 40


def test_everything_written_is_there_and_bold_where_all_is_bold():
    figure = make_subplots(rows=2, cols=1, shared_xaxes=True, subplot_titles=["above", "below"])
    figure.add_trace(go.Scatter(x=[1, 2], y=[1, 2], name="one <b>name</b>"), row=1, col=1)
    figure.add_trace(go.Bar(x=[1, 2], y=[2, 1], name="other"), row=2, col=1)
    figure.update_layout(template=template(), title={"text": "The title<br>in two lines"})
    figure.update_yaxes(tickvals=[1, 2], ticktext=["<b>first</b>", "second"], title={"text": "how much"}, row=1, col=1)
    said = words(figure)
    expected = ("above", "below", "one name", "other", "The title", "in two lines", "first", "second", "how much")
    assert {text for text in expected if text not in said} == set()
    glyphs = as_svg(figure)
    assert "DejaVuSerif-Bold" in glyphs
    assert "DejaVuSerif-Bold" not in as_svg(figure.update_yaxes(ticktext=["first", "second"], row=1, col=1))


def test_hidden_traces_axes_and_labels_stay_hidden():
    hidden = go.Scatter(x=[1], y=[7], mode="markers", visible="legendonly", name="hid")
    figure = go.Figure([hidden, go.Scatter(x=[1, 2], y=[1, 2], mode="markers")], layout={"template": template()})
    figure.update_xaxes(visible=False)
    figure.update_yaxes(showticklabels=False, title={"text": "seen"})
    tree = drawn(figure)
    assert not groups(tree, "trace-0-markers")
    assert len(places(tree, "trace-1-markers")) == 2
    assert words(figure) == ["seen"]


def test_markers_may_differ_from_point_to_point():
    marker = {"color": ["#ff0000", "#0000ff", "#ff0000"], "size": np.array([5.0, 9.0, 5.0]), "symbol": "square-open"}
    tree = drawn(scatter([1, 2, 3], [1, 1, 1], marker=marker))
    found = groups(tree, "trace-0-markers")
    assert sorted(len(list(group.iter(f"{SVG}use"))) for group in found) == [1, 2]
    looks = " ".join(use.get("style") for group in found for use in group.iter(f"{SVG}use"))
    assert "stroke: #ff0000" in looks
    assert "stroke: #0000ff" in looks
    assert "fill: #" not in looks


def test_nothing_drawn_leaves_the_page():
    figure = boxed(x=1, xref="paper", xanchor="left", text="a long word beside the plot", bgcolor="#ffffff")
    labels = {"tickvals": [0, 10], "ticktext": ["a label much longer than any margin", "b"]}
    figure.update_layout(width=500, yaxis=labels)
    tree = drawn(figure)
    corners = outlines(tree, "annotation-0")[0]
    assert max(x for x, _ in corners) <= 500
    assert min(x for x, _ in places(tree, "trace-0-markers")) > 180


@pytest.mark.parametrize("x", [[], [None], [3]])
def test_an_empty_figure_and_one_with_one_point(x):
    assert len(points(scatter(x, x))) == sum(value is not None for value in x)
    assert "nothing" in words(go.Figure(layout={"template": template(), "title": {"text": "nothing"}}))


def one(**more):
    return scatter([1, 2], [1, 2], **more)


def bar(**more):
    return go.Figure(go.Bar(x=[1], y=[1], **more))


PATH = {"type": "path", "x0": 0, "x1": 1, "y0": 0, "y1": 1}
REFUSED = {
    "pie": (lambda: go.Figure(go.Pie(values=[1])), r"given pie\b"),
    "colour scale": (lambda: one(marker={"colorscale": "Viridis"}), r"scatter\.marker\.colorscale"),
    "image": (lambda: one(layout={"images": [{"source": "x"}]}), r"layout\.images\.source"),
    "second y axis": (lambda: one(layout={"yaxis": {"overlaying": "x"}}), r"layout\.yaxis\.overlaying"),
    "boxes": (lambda: bar().update_layout(boxmode="group"), r"layout\.boxmode"),
    "symbol": (lambda: one(marker={"symbol": "bowtie"}), r"a symbol must be one of .*; given 'bowtie'"),
    "colour": (lambda: one(marker={"color": [3.0, 3.0]}), r"a colour must be one of CSS.*; given 3\.0"),
    "dash": (lambda: one(mode="lines", line={"dash": "5px"}), r"a dash must be one of .*'5px'"),
    "dash of a shape": (lambda: one().add_vline(x=1, line={"dash": "5px"}), r"a dash must be one of .*'5px'"),
    "line": (lambda: one(mode="lines", line={"shape": "vhv"}), r"a line must be .*'vhv'"),
    "fill": (lambda: one(mode="lines", fill="tonexty"), r"filled toself.*'tonexty'"),
    "whiskers": (lambda: one(error_y={"type": "sqrt"}), r"of type 'data'; given 'sqrt'"),
    "legend": (lambda: one(layout={"showlegend": True, "legend": {"y": 1}}), r"a legend must lie under the plot"),
    "ticks": (lambda: one(layout={"xaxis": {"tickformat": "s"}}), r"the format of ticks .*'s'"),
    "axis": (lambda: one(layout={"xaxis": {"type": "multicategory"}}), r"axis x is given as 'multicategory'"),
    "crossed": (lambda: one().add_trace(go.Scatter(x=[1], y=[1], yaxis="y2")), r"each axis .* given x,"),
    "text of a bar": (lambda: bar(text=["a"], textposition="outside"), r"inside or not at all.*'outside'"),
    "shape": (lambda: one(layout={"shapes": [PATH]}), r"a shape must be .*'path'"),
    "pattern": (lambda: bar(marker={"pattern": {"shape": ["/"]}}), r"pattern must be one of"),
    "lengths": (lambda: scatter([1, 2], [1]), r"must be of one length; given \[2, 1\]"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_drawn_is_refused(name):
    make, message = REFUSED[name]
    with pytest.raises(ValueError, match=message):
        as_svg(make())


def test_hostile_text_is_drawn_as_text():
    nasty = "<script>alert(1)</script> $\\frac{1}{0}$ \u202eevil\x00 \U0001f600 --> <!--"
    figure = scatter([1], [1], name=nasty, mode="markers+text", text=["&lt;b&gt; " + "long " * 200])
    figure.update_layout(showlegend=True, title={"text": nasty})
    names = {element.tag.removeprefix(SVG) for element in drawn(figure).iter()}
    assert not names & {"script", "a", "image", "foreignObject"}
    said = " ".join(words(figure))
    assert "[U+202E]evil[U+0000] [U+1F600]" in said
    assert "$\\frac{1}{0}$" in said
    assert "characters more)" in said


def test_the_figure_is_left_as_it_was():
    figure = bars(barmode="stack")
    before = figure.to_json()
    as_svg(figure)
    assert figure.to_json() == before


def test_settings_of_the_machine_change_nothing_and_are_left():
    import matplotlib

    with matplotlib.rc_context({"font.size": 30, "lines.linewidth": 9, "svg.fonttype": "none"}):
        loud = as_svg(bars())
        kept = matplotlib.rcParams["font.size"]
    assert loud == as_svg(bars())
    assert kept == 30


TWICE = """
import hashlib
import plotly.graph_objects as go
from auditkit.views.drawing import as_png, as_svg
from auditkit.views.style import template
bar = go.Bar(x=[1, 2], y=["a", "b"], orientation="h", marker={"pattern": {"shape": "/"}})
figure = go.Figure([bar, go.Scatter(x=[1], y=["a"])])
figure.update_layout(template=template(), title={"text": "x"})
print(hashlib.sha256(as_svg(figure).encode() + as_png(figure)).hexdigest())
"""


def test_same_bytes_in_two_processes():
    found = []
    for seed in ("1", "2"):
        environment = os.environ | {"PYTHONHASHSEED": seed}
        done = subprocess.run([sys.executable, "-c", TWICE], env=environment, stdout=subprocess.PIPE, check=True)
        found.append(done.stdout.decode().strip())
    assert found[0] == found[1]
    assert len(found[0]) == 64


def test_png_has_the_size_asked_for():
    figure = scatter([1], [1], layout={"width": 480, "height": 300})
    (wide, high), double = ([int.from_bytes(as_png(figure, dpi=dpi)[i : i + 4]) for i in (16, 20)] for dpi in (96, 192))
    assert wide == 480
    assert double == pytest.approx([2 * wide, 2 * high], abs=2)
