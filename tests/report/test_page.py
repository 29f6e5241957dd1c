"""The page: opens offline, escapes what records say, and answers its questions on the first screen."""

import dataclasses
import re
from html.parser import HTMLParser

import pytest

from auditkit.findings.document import as_document
from auditkit.report.page import render_page
from auditkit.views.overview import overview

HOSTILE = "<script>alert(1)</script><img src=x onerror=alert(2)>"


@pytest.fixture(scope="module")
def page(findings):
    return render_page(findings, as_document(findings))


class Tags(HTMLParser):
    """Collects tags with their attributes, and the text outside scripts and styles."""

    def __init__(self):
        super().__init__()
        self.tags, self.text, self._mute = [], [], False

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        self._mute = tag in {"script", "style"}

    def handle_endtag(self, tag):
        self._mute = False

    def handle_data(self, data):
        if not self._mute:
            self.text.append(data)


def read(page):
    reader = Tags()
    reader.feed(page)
    return reader


def test_it_asks_nothing_of_any_network(page):
    tags = read(page).tags
    for tag, attributes in tags:
        for name in ("src", "href", "action", "data", "srcset"):
            value = attributes.get(name)
            assert value is None or value.startswith(("#", "data:")), (tag, name, value)
        assert tag not in {"link", "iframe", "object", "embed", "base"}
    policy = [a["content"] for t, a in tags if t == "meta" and a.get("http-equiv") == "Content-Security-Policy"]
    assert policy
    assert policy[0].startswith("default-src 'none'")
    assert "http" not in policy[0]


def test_first_screen_answers_the_questions(page, findings):
    text = re.sub(r"\s+", " ", " ".join(read(page).text))
    first = text[: text.index("Film thickness Each side")]
    seen = overview(findings, most=4, most_areas=3)
    for heading in (
        "Is there enough paint",
        "Which areas do not conform",
        "What the defects depend on",
        "What could not be judged",
    ):
        assert heading in first
    for lines in (seen.stop_work, seen.conforming, seen.kept, seen.failing, seen.associated, seen.not_judged):
        assert lines
        for line in lines:
            assert re.sub(r"\s+", " ", line) in first


def test_every_area_that_does_not_conform_is_in_a_table(page, findings):
    text = " ".join(read(page).text)
    failing = findings.film.by_area.loc[findings.film.by_area["verdict"] == "does not conform", "area_id"]
    assert len(failing) > 5
    for area_id in failing:
        assert area_id in text


def test_a_hostile_record_is_only_text(findings):
    tables = dict(findings.dossier.tables)
    tables["jobs"] = tables["jobs"].assign(site=HOSTILE, job_id=tables["jobs"]["job_id"] + HOSTILE)
    dossier = dataclasses.replace(findings.dossier, title=HOSTILE, tables=tables, notes=(HOSTILE,))
    film = dataclasses.replace(
        findings.film, areas=findings.film.areas.assign(reason=HOSTILE, job_id=findings.film.areas["job_id"] + HOSTILE)
    )
    changed = dataclasses.replace(findings, dossier=dossier, film=film)
    page = render_page(changed, as_document(changed))
    assert "alert(1)</script>" not in page
    assert not [tag for tag, attributes in read(page).tags if tag == "img" or "onerror" in attributes]


def test_cautions_and_glossary_are_there(page):
    text = " ".join(read(page).text)
    assert "certifies nobody's safety" in text
    assert "Mantel and Haenszel 1959" in text
