"""A figure that stands in a page and is drawn anew, in place, whenever it is given another.

All of a figure is sent at each change, and the page works out what differs:
axes and traces may come and go, and the figure stays. In JupyterLab it also
sees to the keys. JupyterLab reads plain keys that are pressed anywhere in a
notebook as its own shortcuts: the arrow that should move a list picks the next
cell, and a letter typed into it can cut one. It leaves alone a key whose
target has the attribute below.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["figure_view", "show_figure"]

_SCRIPT = """
// A widget with a script of its own that is not ready within two seconds, as where many figures are drawn at once, is
// never told of a change again. So the library is read later, and what is to be drawn is kept by a plain widget.
const library = (source) => {
  const load = () => import(URL.createObjectURL(new Blob([source], { type: "text/javascript" })));
  globalThis.auditkitDrawing ??= load().then(() => globalThis.Plotly);
  return globalThis.auditkitDrawing;
};
const config = { displaylogo: false, modeBarButtonsToRemove: ["sendChartToCloud", "sendDataToCloud"] };
const kept = "data-lm-suppress-shortcuts";

async function render({ model, el }) {
  const [Drawing, sheet] = await Promise.all([
    library(model.get("library")),
    model.widget_manager.get_model(model.get("sheet").replace("IPY_MODEL_", "")),
  ]);
  const place = document.createElement("div");
  place.setAttribute("role", "figure");
  el.style.width = "100%";
  el.append(place);
  let told = null;
  const draw = () => {
    // out of sight it has no width: it is drawn when it is seen again
    if (!place.offsetWidth) return;
    if (told === sheet.get("value")) {
      Drawing.Plots.resize(place);
      return;
    }
    told = sheet.get("value");
    const { data, layout } = JSON.parse(told);
    place.setAttribute("aria-label", layout.title?.text ?? "");
    Drawing.react(place, data, layout, config);
  };
  const width = new ResizeObserver(draw);
  width.observe(place);
  sheet.on("change:value", draw);

  // before JupyterLab looks at a key: plain keys are the control's, chords such as Ctrl S stay JupyterLab's
  const keep = (event) => {
    const box = el.closest(".widget-vbox");
    if (box && box.contains(event.target)) {
      event.target.toggleAttribute(kept, !(event.ctrlKey || event.metaKey || event.altKey));
    }
  };
  window.addEventListener("keydown", keep, true);
  return () => {
    window.removeEventListener("keydown", keep, true);
    sheet.off("change:value", draw);
    width.disconnect();
    Drawing.purge(place);
  };
}
export default { render };
"""


def figure_view(figure: go.Figure) -> Any:
    """Return a widget that shows a figure as wide as the page, and keeps keys pressed in its box from the notebook.

    Parameters
    ----------
    figure : Figure

    Raises
    ------
    ImportError
        anywidget or ipywidgets is not installed.

    Examples
    --------
    >>> import json
    >>> import plotly.graph_objects as go
    >>> view = figure_view(go.Figure(go.Scatter(x=[1], y=[1])))
    >>> show_figure(view, go.Figure(go.Bar(x=[1], y=[2])))
    >>> json.loads(view.sheet.value)["data"][0]["type"]
    'bar'
    """
    from ipywidgets import HTML

    return _kind()(sheet=HTML(value=str(figure.to_json())))


def show_figure(view: Any, figure: go.Figure) -> None:
    """Draw another figure in place of the one that a view shows."""
    view.sheet.value = str(figure.to_json())


@cache
def _kind() -> type:
    import anywidget
    import ipywidgets
    import traitlets
    from plotly.offline import get_plotlyjs

    class FigureView(anywidget.AnyWidget):
        _esm = traitlets.Unicode(_SCRIPT).tag(sync=True)
        library = traitlets.Unicode(get_plotlyjs()).tag(sync=True)
        sheet = traitlets.Instance(ipywidgets.HTML).tag(sync=True, **ipywidgets.widget_serialization)

    return FigureView
