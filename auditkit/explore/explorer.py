"""An explorer: controls that make a view, and a view shown as a figure, tables, a caption and a line of code.

What is shown is made by plain functions of a view; here they are only wired to
widgets, which need ipywidgets and anywidget.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from importlib import import_module
from typing import TYPE_CHECKING, Any, Generic, TypeVar

import pandas as pd

from auditkit.explore.figure_view import figure_view, show_figure

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["Control", "Explorer", "Shown", "as_code", "check_choice"]

View = TypeVar("View")

MOST_ROWS = 15
"""Rows of a table that are shown beneath a figure; the table itself is whole."""

_WORDY = 30

KINDS = ("one", "several", "buttons", "number")


@dataclass(frozen=True, slots=True, kw_only=True)
class Control:
    """One control, as it stands for one view.

    Parameters
    ----------
    name : str
        The field of the view that it sets.
    label : str
        What it says beside it, with the unit.
    kind : {'one', 'several', 'buttons', 'number'}
        One of a list, several of a list, one of a few buttons, a slider.
    value : object
        What it stands at; None where the field is open.
    choices : tuple of (str, object)
        Words and value of each choice; None for 'leave it open'.
    low, high, step : float
        Ends and step of a slider.
    locked : str
        Why it cannot be moved; empty where it can.
    """

    name: str
    label: str
    kind: str
    value: Any
    choices: tuple[tuple[str, Any], ...] = ()
    low: float = 0.0
    high: float = 0.0
    step: float = 1.0
    locked: str = ""

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"kind must be one of {', '.join(KINDS)}; given {self.kind!r}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What one view shows.

    Parameters
    ----------
    figure : Figure
    tables : mapping of str to DataFrame
        Tables by what stands above them.
    caption : str
        What is drawn, n, and what is left out.
    code : str
        Code that draws the figure again.
    """

    figure: go.Figure
    tables: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    caption: str
    code: str


def as_code(function: str, view: Any) -> str:
    """Return the code that draws a view again, with what differs from the view's defaults.

    Parameters
    ----------
    function : str
        Name of the function of `auditkit.explore` that takes findings and a view.
    view : object
        A dataclass.

    Examples
    --------
    >>> from auditkit.explore.film_rows import FilmView
    >>> as_code("film_figure", FilmView(area="A001", side="reverse"))
    "explore.film_figure(findings, explore.FilmView(area='A001', side='reverse'))"
    """
    told = [
        f"{item.name}={getattr(view, item.name)!r}" for item in fields(view) if getattr(view, item.name) != item.default
    ]
    return f"explore.{function}(findings, explore.{type(view).__name__}({', '.join(told)}))"


def check_choice(name: str, value: object, known: list[Any]) -> None:
    """Raise where a view asks for what the records do not have.

    Raises
    ------
    ValueError
        Names what there is.

    Examples
    --------
    >>> check_choice("area", "A9", ["A1", "A2"])
    Traceback (most recent call last):
    ...
    ValueError: area must be one of A1, A2; given 'A9'
    """
    if value not in known:
        shown = ", ".join(map(str, known[:12])) + (f" and {len(known) - 12} more" if len(known) > 12 else "")
        raise ValueError(f"{name} must be one of {shown or '(there is none)'}; given {value!r}")


class Explorer(Generic[View]):
    """Controls beside a figure that follows them, with its tables, its caption and its view as code.

    Parameters
    ----------
    view : object
        The view to begin with, a dataclass.
    controls : callable
        Returns the controls as they stand for a view: the same names, in the
        same order, for every view.
    settle : callable
        Returns a view in which what no longer goes together is left open.
    show : callable
        Returns what a view shows.

    Attributes
    ----------
    view, shown
        The view as it stands, and what it shows.
    widgets : dict of str to widget
        The controls by name.
    drawing : widget
        The figure as it stands in the page, see `figure_view`.
    box : VBox
        All of it.

    Raises
    ------
    ImportError
        ipywidgets or anywidget is not installed; names the cure.
    """

    def __init__(
        self,
        view: View,
        *,
        controls: Callable[[View], tuple[Control, ...]],
        settle: Callable[[View], View],
        show: Callable[[View], Shown],
    ) -> None:
        ipywidgets = _ipywidgets()
        self._controls, self._settle, self._show = controls, settle, show
        self._busy = False
        self.view = settle(view)
        self.shown = show(self.view)
        self._standing = controls(self.view)
        self.widgets = {control.name: _widget(ipywidgets, control) for control in self._standing}
        self.drawing = figure_view(self.shown.figure)
        self._said, self._code, self._rows = (ipywidgets.HTML() for _ in range(3))
        row = ipywidgets.Layout(flex_flow="row wrap", align_items="flex-end")
        self._bar = ipywidgets.Box(list(self.widgets.values()), layout=row)
        self.box = ipywidgets.VBox([self._bar, self.drawing, self._said, self._code, self._rows])
        self._write()
        for widget in self.widgets.values():
            widget.observe(self._moved, names="value")

    def _repr_mimebundle_(self, **kwargs: Any) -> Any:
        return self.box._repr_mimebundle_(**kwargs)

    @property
    def figure(self) -> go.Figure:
        """The figure that is shown."""
        return self.shown.figure

    def _moved(self, _: object) -> None:
        """Make the view from the controls, and show it."""
        if self._busy:
            return
        asked = {name: _read(widget) for name, widget in self.widgets.items()}
        before = {control.name: control.value for control in self._standing}
        changed = {name: value for name, value in asked.items() if value != before[name]}
        self.view = self._settle(replace(self.view, **changed))  # type: ignore[type-var]
        self._standing = self._controls(self.view)
        self._busy = True
        try:
            for control in self._standing:
                _set(self.widgets[control.name], control)
        finally:
            self._busy = False
        self.shown = self._show(self.view)
        show_figure(self.drawing, self.shown.figure)
        self._write()

    def _write(self) -> None:
        self._said.value = f'<p role="status" aria-live="polite">{html.escape(self.shown.caption)}</p>'
        code = html.escape(self.shown.code)
        self._code.value = (
            f'<pre tabindex="0" aria-label="this view as code" style="white-space: pre-wrap">{code}</pre>'
        )
        self._rows.value = "".join(_table(heading, table) for heading, table in self.shown.tables.items())


def _ipywidgets() -> Any:
    try:
        _, ipywidgets = import_module("anywidget"), import_module("ipywidgets")
    except ImportError as error:
        raise ImportError(
            f"an explorer needs ipywidgets and anywidget; {error.name} is not installed. Its figures and tables do "
            "without. Cure: pip install '.[lab]'"
        ) from error
    return ipywidgets


def _widget(ipywidgets: Any, control: Control) -> Any:
    look: dict[str, Any] = {
        "description": control.label,
        "style": {"description_width": "initial"},
        "disabled": bool(control.locked),
        "tooltip": control.locked or control.label,
    }
    if control.kind == "number":
        layout = ipywidgets.Layout(width="450px")  # two beside each other on a laptop, each with room for its label
        ends = {"min": control.low, "max": control.high, "step": control.step, "value": control.value}
        return ipywidgets.FloatSlider(**ends, **look, continuous_update=False, readout_format=".4g", layout=layout)
    options = [(words, _filled(value)) for words, value in control.choices]
    if control.kind == "several":
        rows = min(max(len(options), 2), 6)
        return ipywidgets.SelectMultiple(options=options, value=tuple(control.value), rows=rows, **look)
    if control.kind == "buttons":
        look["style"] = {**look["style"], "button_width": "auto"}
        return ipywidgets.ToggleButtons(options=options, value=_filled(control.value), **look)
    return ipywidgets.Dropdown(options=options, value=_filled(control.value), **look)


def _filled(value: Any) -> Any:
    """Return a value as the widgets take it: they know None only as 'nothing chosen'."""
    return "" if value is None else value


def _read(widget: Any) -> Any:
    value = widget.value
    return None if isinstance(value, str) and value == "" else value


def _set(widget: Any, control: Control) -> None:
    """Set a widget as a control stands."""
    widget.disabled, widget.tooltip = bool(control.locked), control.locked or control.label
    if control.kind == "number":
        widget.value = control.value
        return
    value = tuple(control.value) if control.kind == "several" else _filled(control.value)
    options = tuple((words, _filled(value)) for words, value in control.choices)
    if widget.options != options:
        widget.options = options
    if widget.value != value:
        widget.value = value


def _table(heading: str, table: pd.DataFrame) -> str:
    rest = f" (the first {MOST_ROWS} of {len(table)} rows)" if len(table) > MOST_ROWS else f" ({len(table)} rows)"
    some = table.head(MOST_ROWS)
    # columns of sentences keep a width to be read at; a table wider than the page is moved sideways
    wordy = [name for name in some.columns if some[name].map(lambda value: len(str(value))).max() > _WORDY]
    shown = some.to_html(
        index=False,
        border=0,
        na_rep="",
        float_format=lambda value: f"{value:.4g}",
        col_space={name: "18em" if name in wordy else "3em" for name in some.columns},
    )
    look = "line-height: 1.4; overflow-x: auto"
    return f'<p><b>{html.escape(heading)}</b>{rest}</p><div tabindex="0" style="{look}">{shown}</div>'
