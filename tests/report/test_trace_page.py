"""The page from verdicts to rows: every verdict under its name, every row with its place and text as received."""

import copy
import json
import re
from html.parser import HTMLParser

import pytest

from auditkit.intake import read_dossier
from auditkit.report.short_names import anchor
from auditkit.report.trace import trace
from auditkit.report.trace_page import trace_page


class Sections(HTMLParser):
    """Gathers, by the id of each heading, the rows of its table and the lines of its list."""

    def __init__(self):
        super().__init__()
        self.rows, self.lines, self.said, self.links, self.here = {}, {}, {}, [], None

    def handle_starttag(self, tag, attrs):
        told = dict(attrs)
        if tag == "h2":
            assert told["id"] not in self.rows
            self.here = told["id"]
            self.rows[self.here], self.lines[self.here], self.said[self.here] = [], [], ""
        elif tag == "a":
            self.links.append(told["href"])
        elif tag == "tr" and self.here:
            self.rows[self.here].append([])
        elif tag == "td":
            self.rows[self.here][-1].append("")
        elif tag == "li":
            self.lines[self.here].append("")
        self.tag = tag

    def handle_endtag(self, tag):
        self.tag = ""

    def handle_data(self, data):
        if not self.here:
            return
        self.said[self.here] += data
        if self.tag == "bdi" and self.lines[self.here] and self.lines[self.here][-1] == "":
            self.lines[self.here][-1] = data
        elif self.tag == "bdi" and self.rows[self.here] and self.rows[self.here][-1]:
            self.rows[self.here][-1][-1] += data


def read(page):
    found = Sections()
    found.feed(page.decode())
    return found


@pytest.fixture(scope="module")
def document(small_sealed):
    return json.loads((small_sealed.folder / "data" / "findings.json").read_bytes())


@pytest.fixture(scope="module")
def dossier(small_sealed):
    return read_dossier(small_sealed.folder / "data" / "records")


@pytest.fixture(scope="module")
def sections(small_sealed):
    return read((small_sealed.folder / "data" / "trace.html").read_bytes())


def test_every_verdict_and_stop_work_finding_has_its_place_and_a_link(sections, document):
    names = [f"stop-work {row['where']}" for row in document["stop_work"]]
    names += [f"film {row['area_id']} {row['side']}" for row in document["film"]["sides"]]
    names += [f"wrap {row['area_id']}" for row in document["wrap"]["areas"]]
    assert list(sections.rows) == [anchor(name) for name in names]
    assert sections.links == [f"#{anchor(name)}" for name in names]


def test_rows_stand_with_their_place_and_what_they_were_read_as(sections):
    rows = sections.rows["film-A2-facing"][1:]
    assert len(rows) == 15 + 2
    assert rows[4][:5] == ["film.csv", "36", "film_readings", "facing, counts", "Spot: 2; No: 2; Mils: 3.1"]
    assert rows[4][5] == "spot 2; repeat 2; dft_um 78.74 um"  # 3.1 mil, 25.4 um each
    decided = [row[1] for row in rows if "decided: lowest spot (at least 48)" in row[3]]
    assert decided == ["44", "45", "46"]  # 1.6, 1.7 and 1.8 mil: the lowest spot
    assert [row[:4] for row in rows[-2:]] == [
        ["areas.csv", "3", "areas", "the area"],
        ["jobs.csv", "2", "jobs", "the job, with what it requires"],
    ]
    assert sections.lines["film-A2-facing"] == ["film.csv, line 47, dft_um: must be a number; given 'abt 3'"]
    assert "does not conform: lowest spot 43.18 um" in sections.said["film-A2-facing"]
    assert "clause: SSPC-PA 2, Table 1, level 3: minimum for the lowest spot" in sections.said["film-A2-facing"]


def test_a_side_that_conforms_has_the_same_rows_as_its_full_trace(sections, document, dossier):
    full = trace(document, dossier, "film A1 facing").rows
    shown = [(row[0], int(row[1])) for row in sections.rows["film-A1-facing"][1:]]
    assert sorted(shown) == sorted(zip(full["file"], full["line"], strict=True))
    assert {row[3] for row in sections.rows["film-A1-facing"][1:16]} == {"facing, of the side"}


def test_a_finding_that_stops_the_work_shows_the_whole_row(sections):
    (row,) = sections.rows["stop_2dwork-R2"][1:]
    assert row[:4] == ["runs.csv", "3", "spray_runs", "broke the rule"]
    assert "part_ground_ohm: 2000000" in row[4]


def test_it_runs_nothing_asks_nothing_and_is_the_same_again(small_sealed, document, dossier):
    sealed = (small_sealed.folder / "data" / "trace.html").read_bytes()
    before = json.dumps(document)
    assert trace_page(document, dossier) == sealed
    assert json.dumps(document) == before
    assert b"<script" not in sealed
    assert not re.search(rb"(src|href)=\"(?!#)", sealed)
    assert b"default-src 'none'; style-src 'unsafe-inline'" in sealed


def test_two_findings_of_one_name_have_two_places(document, dossier):
    twice = copy.deepcopy(document)
    twice["stop_work"] = [document["stop_work"][0], document["stop_work"][0]]
    assert list(read(trace_page(twice, dossier)).rows)[:2] == ["stop_2dwork-R2", "stop_2dwork-R2-2"]


def test_nothing_judged_gives_a_page_all_the_same(document, dossier):
    nothing = copy.deepcopy(document)
    nothing["stop_work"], nothing["film"]["sides"], nothing["wrap"]["areas"] = [], [], []
    page = trace_page(nothing, dossier)
    assert read(page).rows == {}
    assert b"Where each verdict came from" in page


def test_each_verdict_of_the_page_leads_to_its_own_rows(small_sealed, sections, document):
    data = small_sealed.folder / "data"
    page = (data / "report.html").read_text(encoding="utf-8")
    links = re.findall(r'<a href="trace\.html#([^"]+)"[^>]*>([^<]*)</a></td>(?:<td[^>]*>([^<]*)</td>)?', page)
    assert {place for place, _, _ in links} == set(sections.rows)
    for place, first, second in links:
        kind = place.split("-")[0]
        if kind == "film":
            assert place == anchor(f"film {first} {second}")
        elif kind == "wrap":
            assert place == anchor(f"wrap {first}")
    told = document["film"]["sides"] + document["wrap"]["areas"] + document["stop_work"]
    assert len({place for place, _, _ in links}) == len(told)
