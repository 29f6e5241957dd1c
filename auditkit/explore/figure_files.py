"""Figures as files, drawn without a browser."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from auditkit.errors import SourceError
from auditkit.views.drawing import as_png, as_svg

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["save_figure"]


def save_figure(figure: go.Figure, path: str | Path) -> Path:
    """Write a figure as SVG or PNG, and return where it lies.

    The same figure gives the same bytes. The file is either the old one or the
    whole new one; a folder that is not there is made.

    Parameters
    ----------
    figure : Figure
        Of scatter and bar traces, as `views.drawing.as_svg` takes it.
    path : str or Path
        Ends in .svg or .png.

    Raises
    ------
    ValueError
        The path ends otherwise, or the figure holds something that cannot be drawn.
    SourceError
        The folder cannot be written to.

    Examples
    --------
    >>> import tempfile
    >>> import plotly.graph_objects as go
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     save_figure(go.Figure(go.Scatter(x=[1, 2], y=[3, 1])), f"{folder}/film.svg").read_text()[:5]
    '<?xml'
    """
    place = Path(path)
    suffix = place.suffix.lower()
    if suffix not in _DRAWN:
        raise ValueError(f"path must end in {' or '.join(_DRAWN)}; given {place.name!r}. Give it one of these endings")
    content = _DRAWN[suffix](figure)
    from auditkit.report.files import write_files

    try:
        return write_files({place.name: content}, place.parent)[place.name]
    except SourceError as error:
        raise SourceError(
            f"{place.parent} must be a folder that can be written to, for {place.name}; it is not. "
            "Give a path in a folder of your own."
        ) from error


_DRAWN: Mapping[str, Callable[[go.Figure], bytes]] = {".svg": lambda figure: as_svg(figure).encode(), ".png": as_png}
