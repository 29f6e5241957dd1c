"""The PDF: the first page answers on one page, every table and mark is there, and it is its own twin."""

import dataclasses
import io
import os
import re
import subprocess
import sys
from collections import Counter
from xml.etree import ElementTree

import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pypdf
import pytest

from auditkit.findings.document import as_document
from auditkit.report.pdf import SIGNED_BY, render_pdf
from auditkit.report.sections import page_sections
from auditkit.report.tables import Section, table_of
from auditkit.trade.grounding import CAUTIONS
from auditkit.views.drawing import as_svg
from auditkit.views.overview import overview
from auditkit.views.style import template

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def document(findings):
    return as_document(findings)


@pytest.fixture(scope="module")
def sections(findings):
    return page_sections(findings)


@pytest.fixture(scope="module")
def pdf(findings, document, sections):
    return render_pdf(findings, document, sections=sections)


@pytest.fixture(scope="module")
def reader(pdf):
    return pypdf.PdfReader(io.BytesIO(pdf))


def plain(text):
    return re.sub(r"\s+", " ", text)


def text_of(pdf):
    return plain(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages))


def test_first_page_answers_warns_and_is_signed_on_one_page(reader, findings):
    first, second = (plain(reader.pages[number].extract_text()) for number in (0, 1))
    seen = overview(findings, most=4, most_areas=3)
    for lines in (seen.stop_work, seen.conforming, seen.failing, seen.associated, seen.not_judged, seen.kept, CAUTIONS):
        for line in lines:
            assert plain(line) in first, line
    assert all(label in first for label in SIGNED_BY)
    assert second.startswith("Contents")


def test_the_table_of_verdicts_can_be_read_out(reader, findings):
    text = plain(" ".join(page.extract_text() for page in reader.pages))
    sides = findings.film.areas
    bad = sides[sides["verdict"] == "does not conform"]
    assert len(bad)
    for row in bad.itertuples():
        assert re.search(rf"{row.area_id} {row.side} {row.job_id} does not conform", text), row.area_id
    missing = [row.area_id for row in sides.itertuples() if f"{row.area_id} {row.side}" not in text]
    assert missing == []


def test_every_table_has_all_its_rows_tagged_with_header_cells(reader, sections):
    counted = Counter()

    def walk(element):
        if isinstance(element, pypdf.generic.DictionaryObject):
            counted[element.get("/S")] += 1
            kids = element.get("/K", [])
            for kid in kids if isinstance(kids, list) else [kids]:
                walk(kid.get_object())

    walk(reader.trailer["/Root"]["/StructTreeRoot"])
    tables = [table for section in sections for table in section.tables if table.rows]
    cells = sum(len(table.rows) * len(table.columns) for table in tables)
    assert counted["/TD"] == cells
    assert counted["/Figure"] == sum(len(section.figures) for section in sections)
    assert counted["/TH"] >= sum(len(table.columns) for table in tables)


def test_sections_and_long_tables_have_bookmarks_and_pages_their_number(reader, sections):
    def titles(items):
        return [title for item in items for title in (titles(item) if isinstance(item, list) else [item.title])]

    marked = titles(reader.outline)
    assert [title for title in (section.title for section in sections) if title not in marked] == []
    folded = [table for section in sections for table in section.tables if table.folded and table.rows]
    assert [f"Appendix {n}: {table.caption}" for n, table in enumerate(folded, 1)] == [
        title for title in marked if title.startswith("Appendix")
    ]
    longest = max(len(table.rows) for table in folded)
    assert f"rows 1 to 100 of {longest:,}" in marked
    for number, page in enumerate(reader.pages, start=1):
        assert f"{number} of {len(reader.pages)}" in page.extract_text()


def test_no_type_is_smaller_than_six_points(reader):
    sizes = Counter()

    def note(text, _, matrix, __, size):
        if text.strip():
            sizes[round(abs(matrix[3]) * size, 2)] += len(text)

    for page in [*reader.pages[:8], *reader.pages[-8:]]:
        page.extract_text(visitor_text=note)
    assert min(sizes) >= 6.0


def test_it_is_small(pdf):
    assert len(pdf) < 6_000_000


def shown(trace, layout, letter):
    """Return which points of a trace lie within the range that its axis names, and which are known."""
    values = trace[letter]
    known = np.array([value is not None and not pd.isna(value) for value in values], dtype=bool)
    name = trace[f"{letter}axis"] or letter
    ends = layout[f"{letter}axis{name[1:]}"].range
    if ends is not None and all(isinstance(end, str) for end in ends):  # moments
        values, ends = pd.to_datetime(list(values)), pd.to_datetime(list(ends))
    elif ends is None or any(isinstance(value, str) for value in values):
        return known
    inside = [bool(k) and min(ends) <= value <= max(ends) for k, value in zip(known, values, strict=True)]
    return np.array(inside, dtype=bool)


def expected_marks(figure):
    """Return how many marks of each kind a figure asks for, from its own description."""
    counts = Counter()
    for number, trace in enumerate(figure.data):
        if trace.type == "bar":
            both = [pd.notna(x) and pd.notna(y) for x, y in zip(trace.x, trace.y, strict=True)]
            counts[f"trace-{number}-bar"] = sum(both)
            texts = trace.text if trace.text is not None else []
            counts[f"trace-{number}-text"] = sum(bool(text) and k for text, k in zip(texts, both, strict=False))
            continue
        if trace.x is None or trace.y is None:
            continue
        inside = shown(trace, figure.layout, "x") & shown(trace, figure.layout, "y")
        if "markers" in trace.mode:
            counts[f"trace-{number}-markers"] = int(inside.sum())
        if "text" in trace.mode:
            texts = [""] * len(inside) if trace.text is None else trace.text
            counts[f"trace-{number}-text"] = sum(bool(t) and bool(k) for t, k in zip(texts, inside, strict=True))
        if "lines" in trace.mode and (trace.line.width is None or trace.line.width > 0):
            counts[f"trace-{number}-line"] = int(len(trace.x) > 0)
        for letter in "xy":
            errors = trace[f"error_{letter}"]
            if errors.array is not None:
                ends = (errors.array, errors.array if errors.arrayminus is None else errors.arrayminus)
                counts[f"trace-{number}-caps-{letter}"] = sum(
                    int(np.isfinite(np.asarray(e, float)).sum()) for e in ends
                )
    counts |= {f"shape-{number}": 1 for number in range(len(figure.layout.shapes))}
    counts |= {f"annotation-{number}": 1 for number in range(len(figure.layout.annotations))}
    return {name: n for name, n in counts.items() if n}


def drawn_marks(figure):
    """Return how many marks of each kind the drawing holds."""
    counts = Counter()
    for group in ElementTree.fromstring(as_svg(figure)).iter(f"{SVG}g"):
        name = group.get("id", "")
        if re.fullmatch(r"trace-\d+-(markers|caps-[xy])", name):
            counts[name] += len(list(group.iter(f"{SVG}use")))
        elif re.fullmatch(r"trace-\d+-(bar|text|line)|shape-\d+|annotation-\d+", name):
            counts[name] += 1
    return dict(counts)


def test_every_mark_of_every_figure_is_drawn(sections):
    figures = [figure for section in sections for figure in section.figures]
    assert len(figures) > 10
    for figure in figures:
        assert drawn_marks(figure) == expected_marks(figure), figure.layout.title.text


def test_every_name_label_and_tick_of_every_figure_is_written(sections):
    for figure in (figure for section in sections for figure in section.figures):
        said = plain(" ".join(re.findall(r"<!-- (.*?) -->", as_svg(figure), flags=re.DOTALL)))
        asked = [note.text for note in figure.layout.annotations] + [figure.layout.title.text]
        for name in figure.to_plotly_json()["layout"]:
            if re.fullmatch(r"[xy]axis\d*", name) and figure.layout[name].visible is not False:
                axis = figure.layout[name]
                labels = () if axis.showticklabels is False else axis.ticktext or ()
                asked += [axis.title.text or "", *labels]
        if figure.layout.showlegend is not False and len(figure.data) > 1:
            asked += [trace.name for trace in figure.data if trace.showlegend is not False]
        for text in asked:
            for line in re.sub(r"</?b>", "", text or "").split("<br>"):
                assert plain(line).strip() in said, (line, figure.layout.title.text)


HOSTILE = '#panic() $x$ <script>alert(1)</script> \u202etxt.exe\x00 \U0001f600 #image("/etc/passwd")'


def hostile_section(long=""):
    frame = pd.DataFrame({"area_id": [HOSTILE, "=1+1"], "why": ["x" * 80, long]})
    columns = {"area_id": (f"area {HOSTILE}", None), "why": ("why", None)}
    figure = go.Figure(go.Scatter(x=[1], y=[HOSTILE], name=HOSTILE, mode="markers"))
    figure.update_layout(template=template(), title={"text": HOSTILE}, showlegend=True)
    table = table_of(frame, columns, caption=HOSTILE, folded=True)
    return Section(id="hostile", title=HOSTILE, texts=[HOSTILE, long], figures=[figure], tables=[table])


def test_hostile_text_is_printed_and_does_nothing(findings, document):
    scope = document["scope"] | {"title": HOSTILE}
    text = text_of(render_pdf(findings, document | {"scope": scope}, sections=[hostile_section()]))
    printed = '#panic() $x$ <script>alert(1)</script> [U+202E]txt.exe[U+0000] [U+1F600] #image("/etc/passwd")'
    assert text.replace(" ", "").count(printed.replace(" ", "")) >= 6
    assert "=1+1" in text


def test_a_text_of_a_megabyte_is_cut_and_says_how_much_is_missing(findings, document):
    pdf = render_pdf(findings, document, sections=[hostile_section(long="word " * 200_000)])
    text = text_of(pdf)
    assert "... (999,600 characters more, in findings.json or set_aside.csv)" in text
    assert "... (997,000 characters more, in findings.json or set_aside.csv)" in text
    assert len(pypdf.PdfReader(io.BytesIO(pdf)).pages) < 8
    assert len(pdf) < 500_000


def test_a_table_of_101_rows_is_set_in_two_parts_with_no_row_lost(findings, document):
    frame = pd.DataFrame({"row": [f"row-{number:03d}" for number in range(101)]})
    for folded in (False, True):
        table = table_of(frame, {"row": ("row", None)}, caption="Many", folded=folded)
        text = text_of(render_pdf(findings, document, sections=[Section(id="a", title="A", texts=[], tables=[table])]))
        assert [f"row-{number:03d}" for number in range(101)] == re.findall(r"row-\d{3}", text)
        assert "rows 1 to 100 of 101" in text
        assert "rows 101 to 101 of 101" in text
        assert ("in the appendix, page" in text) is folded


def test_an_empty_table_says_so_and_no_sections_give_a_page_all_the_same(findings, document):
    table = table_of(pd.DataFrame({"x": []}), {"x": ("x", None)}, caption="Nothing found")
    text = text_of(render_pdf(findings, document, sections=[Section(id="a", title="A", texts=[], tables=[table])]))
    assert "Nothing found: none." in text
    assert len(pypdf.PdfReader(io.BytesIO(render_pdf(findings, document, sections=[]))).pages) == 2


def test_a_table_in_two_sections_stands_once_in_the_appendix(findings, document):
    table = table_of(pd.DataFrame({"x": ["only"]}), {"x": ("x", None)}, caption="Shared", folded=True)
    two = [Section(id=name, title=name, texts=[], tables=[table]) for name in ("one", "two")]
    text = text_of(render_pdf(findings, document, sections=two))
    assert text.count("only") == 1
    assert text.count("Shared (1 rows)") == 2


def test_what_is_not_there_is_said_on_the_first_page(findings, document):
    process = dataclasses.replace(findings.process, stop_work=findings.process.stop_work.iloc[:0])
    ledger = findings.dossier.ledger.iloc[:0]
    files = findings.dossier.files.assign(set_aside=0)
    dossier = dataclasses.replace(findings.dossier, ledger=ledger, files=files)
    calm = dataclasses.replace(findings, process=process, dossier=dossier)
    text = text_of(render_pdf(calm, document, sections=[]))
    assert "Stop work: records outside safety limits" not in text
    assert CAUTIONS[0] in text


ALONE = """
import hashlib, shutil, sys
from pathlib import Path
import auditkit
from auditkit.findings.document import as_document
from auditkit.report.pdf import render_pdf
folder = Path(sys.argv[1])
shutil.copytree(auditkit.sample_folder() / "clean", folder)
for path in folder.glob("*.csv"):
    kept = {"jobs.csv": 9, "areas.csv": 40, "film_readings.csv": 200}.get(path.name, 1)
    path.write_text("".join(path.read_text(encoding="utf-8").splitlines(keepends=True)[:kept]), encoding="utf-8")
findings = auditkit.audit(auditkit.read_dossier(folder))
print(hashlib.sha256(render_pdf(findings, as_document(findings))).hexdigest())
"""


def test_same_bytes_in_two_processes(tmp_path):
    running = [
        subprocess.Popen(
            [sys.executable, "-c", ALONE, str(tmp_path / seed)],
            env=os.environ | {"PYTHONHASHSEED": seed},
            stdout=subprocess.PIPE,
        )
        for seed in ("1", "2")
    ]
    first, second = (process.communicate()[0].decode().strip() for process in running)
    assert first == second
    assert len(first) == 64
