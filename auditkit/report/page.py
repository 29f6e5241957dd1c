"""The page: one HTML file that opens offline and asks nothing of any network."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from auditkit.findings.audit import Findings
from auditkit.report.sections import page_sections
from auditkit.report.tables import Section
from auditkit.views.overview import overview

if TYPE_CHECKING:
    import plotly.graph_objects as go

__all__ = ["render_page"]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawn:
    """A section with its figures turned into markup."""

    id: str
    title: str
    texts: Sequence[str]
    tables: Sequence[object]
    figures: Sequence[object] = field(default_factory=tuple)


def render_page(
    findings: Findings, document: Mapping[str, Any], *, sections: Sequence[Section] | None = None, traced: str = ""
) -> str:
    """Return the report as one HTML page.

    Every text that came from a record is escaped; the page's own policy forbids
    requests to anywhere.

    Parameters
    ----------
    findings : Findings
        The audit.
    document : mapping
        Its findings document, from which the page takes its counts.
    sections : sequence of Section, optional
        Those of `sections.page_sections`, where they are at hand; left out, they are made.
    traced : str
        Name of the page of rows beside this one, to which verdicts then lead; left out, there is none.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup, escape
    from plotly.offline import get_plotlyjs

    def list_or(lines: Sequence[str], otherwise: str) -> Markup:
        if not lines:
            return Markup("<p>{}</p>").format(otherwise)
        return Markup("<ul>{}</ul>").format(Markup("").join(Markup("<li>{}</li>").format(escape(x)) for x in lines))

    sections = page_sections(findings) if sections is None else sections
    drawn = [_draw(section, Markup) for section in sections]
    environment = Environment(
        loader=PackageLoader("auditkit.report", "."), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    return environment.get_template("page.html.j2").render(
        scope=document["scope"],
        records=document["records"],
        seen=overview(findings, most=4, most_areas=3),
        sections=drawn,
        figures=any(section.figures for section in sections),
        plotly_js=Markup(get_plotlyjs()),
        list_or=list_or,
        traced=traced,
    )


def _draw(section: Section, markup: Callable[[str], object]) -> _Drawn:
    figures = [
        markup(_figure_html(figure, f"figure-{section.id}-{number}"))
        for number, figure in enumerate(section.figures, start=1)
    ]
    return _Drawn(id=section.id, title=section.title, texts=section.texts, tables=section.tables, figures=figures)


def _figure_html(figure: go.Figure, name: str) -> str:
    """Return a figure as markup, with its title as a caption that wraps on a narrow screen."""
    import plotly.graph_objects as go
    from markupsafe import Markup

    drawn = go.Figure(figure)
    caption = drawn.layout.title.text or ""
    drawn.update_layout(title={"text": ""}, margin={"t": 24})
    text: str = drawn.to_html(
        full_html=False,
        include_plotlyjs=False,
        div_id=name,
        config={"displayModeBar": False, "responsive": True},
    )
    return Markup("<figure><figcaption>{}</figcaption>{}</figure>").format(caption, Markup(text))
