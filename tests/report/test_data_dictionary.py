"""The data dictionary: all of every contract is on it, every link leads somewhere, nothing is asked of a network."""

import dataclasses
import html
import re
from html.parser import HTMLParser

import yaml

from auditkit.contracts import load_contracts
from auditkit.paths import schemas_folder
from auditkit.report.data_dictionary import data_dictionary
from auditkit.views.sentences import unit_sign

CONTRACTS = load_contracts()
PAGE = data_dictionary(CONTRACTS).decode()


class Reader(HTMLParser):
    """Gathers ids, links, and the cells of each row that has an id."""

    def __init__(self):
        super().__init__()
        self.ids, self.links, self.sources, self.rows, self.here = [], [], [], {}, None

    def handle_starttag(self, tag, attrs):
        told = dict(attrs)
        if "id" in told:
            self.ids.append(told["id"])
        if tag == "a":
            self.links.append(told["href"])
        self.sources += [told[name] for name in ("src", "srcset", "action") if name in told]
        if tag in ("link", "script", "img", "iframe"):
            self.sources.append(tag)
        if tag == "tr":
            self.here = self.rows.setdefault(told["id"], []) if "id" in told else None
        if tag == "td" and self.here is not None:
            self.here.append("")

    def handle_endtag(self, tag):
        if tag == "tr":
            self.here = None

    def handle_data(self, data):
        if self.here:
            self.here[-1] += data


def read(page):
    reader = Reader()
    reader.feed(page)
    return reader


def test_every_column_of_every_contract_has_its_row_as_the_file_has_it():
    rows = read(PAGE).rows
    expected = set()
    for name in CONTRACTS:
        document = yaml.safe_load((schemas_folder() / f"{name}.yaml").read_text(encoding="utf-8"))
        about = document["metadata"]["auditkit"]
        links = {link["column"]: link["to"] for link in about["links"]}
        for column, asked in document["columns"].items():
            expected.add(f"{name}.{column}")
            cells = rows[f"{name}.{column}"]
            told = about["columns"][column]
            assert cells[0] == column + (" (key)" if column in about["key"] else "")
            assert cells[1] == asked["title"]
            assert cells[2] == (unit_sign(told["unit"]) if "unit" in told else "")
            assert (cells[3] == "yes") == (not asked["nullable"] and asked["required"])
            assert cells[5] == asked["description"]
            assert cells[6] == links.get(column, "")
            assert cells[8] == told.get("source", "")
            checks = asked.get("checks", {})
            if "isin" in checks:
                assert cells[4] == ", ".join(checks["isin"])
            if "in_range" in checks:
                least, most = (float(end.replace(",", "")) for end in cells[4].split(" to "))
                assert (least, most) == (checks["in_range"]["min_value"], checks["in_range"]["max_value"])
        for rule in about["rules"]:
            assert html.escape(rule["holds"][1:], quote=False) in html.unescape(PAGE)
    assert expected == {name for name in rows if "." in name}


def test_every_link_leads_to_one_place_of_the_page_and_none_elsewhere():
    reader = read(PAGE)
    assert len(set(reader.ids)) == len(reader.ids)
    assert all(link.startswith("#") and link[1:] in reader.ids for link in reader.links)
    assert reader.sources == []
    assert "http" not in re.sub(r'http-equiv="[^"]*"', "", PAGE)
    assert "default-src 'none'" in PAGE
    assert "url(" not in PAGE


def test_links_between_the_kinds_and_the_index_are_whole():
    links = PAGE.partition('id="links"')[2].partition('id="index"')
    for contract in CONTRACTS.values():
        for link in contract.links:
            assert f'href="#{contract.name}.{link.column}"' in links[0]
            assert f'href="#{link.record}.{link.to_column}"' in links[0]
        for name in contract.names:
            assert f'href="#{contract.name}.{name}"' in links[2]
    named_by = PAGE.partition('id="jobs"')[2].partition("<table>")[0]
    assert re.findall(r'href="#([^"]+)"', named_by) == ["areas.job_id"]
    names = re.findall(r"<li><code>(\w+)</code>", links[2])
    assert names == sorted({name for contract in CONTRACTS.values() for name in contract.names})


def test_same_bytes_each_time_and_markup_in_a_contract_is_text():
    assert data_dictionary(CONTRACTS).decode() == PAGE
    own = dataclasses.replace(CONTRACTS["areas"], title="<script>alert(1)</script>", description="a & b <i>.")
    page = data_dictionary({"areas": own}).decode()
    assert "<script" not in page
    assert "a &amp; b &lt;i&gt;." in page


def test_a_contract_that_links_to_one_that_is_not_there_leads_nowhere_wrong():
    page = data_dictionary({"areas": CONTRACTS["areas"], "jobs": CONTRACTS["jobs"]}).decode()
    reader = read(page)
    assert all(link[1:] in reader.ids for link in reader.links)
