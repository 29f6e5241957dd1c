"""Explorers in general: controls, code, redrawing in place, what is missing said, and figures as files."""

import json
from dataclasses import dataclass
from importlib import import_module

import pytest

from auditkit import explore
from auditkit.errors import SourceError
from auditkit.explore.explorer import Control, Explorer, Shown, as_code, check_choice


@dataclass(frozen=True)
class Level:
    height: float = 1.0
    kind: str = "points"


def _shown(view):
    import plotly.graph_objects as go

    trace = go.Scatter(x=[0], y=[view.height]) if view.kind == "points" else go.Bar(x=[0], y=[view.height])
    return Shown(figure=go.Figure(trace), caption=f"at {view.height} <m>", code=as_code("level_figure", view))


def _controls(view):
    return (
        Control(name="height", label="Height [m]", kind="number", value=view.height, low=0.0, high=4.0, step=0.5),
        Control(name="kind", label="Drawn as", kind="one", value=view.kind, choices=(("o", "points"), ("|", "bars"))),
    )


@pytest.fixture
def level():
    return Explorer(Level(), controls=_controls, settle=lambda view: view, show=_shown)


def test_a_move_changes_figure_caption_and_code_in_place(level):
    drawing = level.drawing
    level.widgets["height"].value = 2.5
    assert level.view == Level(height=2.5)
    assert level.box.children[1] is level.drawing is drawing
    assert level.figure.data[0].y == (2.5,)
    assert json.loads(drawing.sheet.value)["data"][0]["y"] == [2.5]
    assert level.shown.code == "explore.level_figure(findings, explore.Level(height=2.5))"
    assert "at 2.5 &lt;m&gt;" in level.box.children[2].value
    assert "height=2.5" in level.box.children[3].value


def test_a_figure_of_another_kind_is_drawn_in_the_same_place(level):
    drawing = level.drawing
    level.widgets["kind"].value = "bars"
    assert level.box.children[1] is level.drawing is drawing
    assert level.figure.data[0].type == "bar"
    assert json.loads(drawing.sheet.value)["data"][0]["type"] == "bar"


def test_every_control_has_words(level):
    for widget in level.widgets.values():
        assert widget.description


def test_a_failed_move_is_not_swallowed():
    def show(view):
        if view.height > 3:
            raise ValueError("too high")
        return _shown(view)

    level = Explorer(Level(), controls=_controls, settle=lambda view: view, show=show)
    with pytest.raises(ValueError, match="too high"):
        level.widgets["height"].value = 3.5


def test_the_page_is_sent_the_figure_that_is_shown():
    level = Explorer(Level(), controls=_controls, settle=lambda view: view, show=_shown)
    drawing = level.drawing
    assert json.loads(drawing.sheet.value) == json.loads(level.shown.figure.to_json())
    level.widgets["height"].value = 3.5
    assert level.drawing is drawing
    assert json.loads(drawing.sheet.value) == json.loads(_shown(Level(height=3.5)).figure.to_json())


def test_code_leaves_out_what_stands_as_it_was():
    assert as_code("level_figure", Level()) == "explore.level_figure(findings, explore.Level())"


def test_an_unknown_kind_of_control_is_refused():
    with pytest.raises(ValueError, match="kind must be one of one, several, buttons, number; given 'knob'"):
        Control(name="a", label="A", kind="knob", value=1)


def test_many_choices_are_cut_short():
    with pytest.raises(ValueError, match=r"area must be one of A0, .*, A11 and 88 more; given 'B'"):
        check_choice("area", "B", [f"A{i}" for i in range(100)])


def test_without_widgets_the_cure_is_said(monkeypatch):
    def missing(name):
        if name == "anywidget":
            raise ModuleNotFoundError("No module named 'anywidget'", name="anywidget")
        return import_module(name)

    monkeypatch.setattr("auditkit.explore.explorer.import_module", missing)
    with pytest.raises(ImportError, match=r"anywidget is not installed.*Cure: pip install '\.\[lab\]'"):
        Explorer(Level(), controls=_controls, settle=lambda view: view, show=_shown)


def test_a_view_can_be_saved_as_a_file(tmp_path):
    figure = _shown(Level()).figure
    svg = explore.save_figure(figure, tmp_path / "new" / "level.svg")
    assert svg.read_text(encoding="utf-8").startswith("<?xml")
    assert explore.save_figure(figure, tmp_path / "level.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    again = explore.save_figure(figure, tmp_path / "again.svg")
    assert again.read_bytes() == svg.read_bytes()
    with pytest.raises(ValueError, match=r"path must end in \.svg or \.png; given 'level\.pdf'"):
        explore.save_figure(figure, tmp_path / "level.pdf")
    (tmp_path / "file").write_text("")
    with pytest.raises(SourceError, match="must be a folder that can be written to"):
        explore.save_figure(figure, tmp_path / "file" / "level.svg")
