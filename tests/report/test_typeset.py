"""Typesetting: same bytes from the same data, tagged and searchable; no text of the data is taken for a command."""

import io
import os
import subprocess
import sys
from datetime import date

import pikepdf
import pypdf
import pytest

from auditkit.report.typeset import typeset

DAY = date(2027, 3, 5)


def set_lines(*lines, title="A title"):
    return typeset("plain.typ", {"title": title, "lines": list(lines)}, dated=DAY)


def read(pdf):
    return "\n".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages)


def test_it_is_tagged_titled_dated_in_a_language_and_says_that_it_is_pdf_a_and_ua():
    # ISO 19005-2, 6.6.4: part and conformance in the XMP packet; ISO 32000-1, 14.8.1: MarkInfo
    reader = pypdf.PdfReader(io.BytesIO(set_lines("one", title="Ferry, 2027")))
    root = reader.trailer["/Root"]
    assert bool(root["/MarkInfo"]["/Marked"])
    assert root["/Lang"] == "en"
    assert "/StructTreeRoot" in root
    assert reader.metadata["/Title"] == "Ferry, 2027"
    assert reader.metadata["/CreationDate"] == "D:20270305000000Z"
    packet = root["/Metadata"].get_object().get_data().decode()
    assert "<pdfaid:part>2</pdfaid:part>" in packet
    assert "<pdfaid:conformance>A</pdfaid:conformance>" in packet
    assert "<pdfuaid:part>1</pdfuaid:part>" in packet  # ISO 14289-1, 5: the identifier of PDF/UA
    assert bool(root["/ViewerPreferences"]["/DisplayDocTitle"])  # ISO 14289-1, 7.1


def test_all_fonts_are_inside():
    with pikepdf.open(io.BytesIO(set_lines("plain", "→"))) as document:
        fonts = [
            o for o in document.objects if isinstance(o, pikepdf.Dictionary) and o.get("/Type") == "/FontDescriptor"
        ]
        assert fonts
        assert all("/FontFile3" in font or "/FontFile2" in font for font in fonts)


COMMANDS = [
    "#panic()",
    '#eval("1 + 1")',
    '#read("/etc/passwd")',
    '#import "@preview/x:1.0.0"',
    "$ 1 / 0 $",
    "= no heading",
    "*not bold* _not slanted_ `not code`",
    "<label> @reference",
    "\\ \\u{41} // gone? /* gone? */",
    "https://example.org",
    "] [ } { ) (",
    "=1+1",
    "<script>alert(1)</script>",
]


def test_commands_of_the_typesetter_are_printed_as_they_stand():
    text = read(set_lines(*COMMANDS))
    lost = [line for line in COMMANDS if line not in text]
    assert lost == []


def test_a_link_in_the_data_leads_nowhere():
    with pikepdf.open(io.BytesIO(set_lines(*COMMANDS))) as document:
        actions = [o for o in document.objects if isinstance(o, pikepdf.Dictionary) and "/URI" in o]
    assert actions == []


@pytest.mark.parametrize(
    ("given", "printed"),
    [
        ("a\u202egnp.exe", "a[U+202E]gnp.exe"),
        ("zero\u200bwidth", "zero[U+200B]width"),
        ("nul\x00, escape\x1b[2J", "nul[U+0000], escape[U+001B][2J"),
        ("lone \ud800", "lone [U+D800]"),
        ("\U0001f600 and 漢", "[U+1F600] and [U+6F22]"),
        ("± 5 µm ≥ 3, Ω, naïve, ж", "± 5 µm ≥ 3, Ω, naïve, ж"),
    ],
)
def test_what_steers_or_has_no_glyph_is_printed_as_its_code_point(given, printed):
    assert printed in read(set_lines(given))


def test_names_of_entries_and_titles_are_made_printable_too():
    assert "x[U+202E]y" in read(set_lines("one", title="x\u202ey"))


def test_a_long_word_breaks_on_the_page_and_is_whole_in_the_text():
    long = "0123456789abcdef" * 24
    text = read(set_lines(long))
    assert len([line for line in text.splitlines() if "0123456789abcdef" in line]) > 1
    assert long in text.replace("\n", "")


def test_many_strange_characters_and_a_long_text_are_set_all_the_same():
    every = "".join(map(chr, range(0x4E00, 0x4E00 + 2500)))
    text = read(set_lines(every, "word " * 40_000))
    assert "[U+4E00]" in text
    assert text.count("word") == 40_000


def test_what_json_cannot_say_is_refused():
    with pytest.raises(ValueError, match="JSON"):
        typeset("plain.typ", {"title": "x", "lines": [], "size": float("nan")}, dated=DAY)


def test_another_day_is_another_document():
    one, other = (typeset("plain.typ", {"title": "x", "lines": []}, dated=date(2027, 3, day)) for day in (5, 6))
    assert one != other


TWICE = """
import hashlib
from datetime import date
from auditkit.report.typeset import typeset
lines = ["#panic()", "漢 \\u202e \U0001f600", "x" * 50, *"every character may be in any order"]
print(hashlib.sha256(typeset("plain.typ", {"title": "x", "lines": lines}, dated=date(2027, 3, 5))).hexdigest())
"""


def test_same_bytes_in_two_processes():
    found = []
    for seed in ("1", "2"):
        environment = os.environ | {"PYTHONHASHSEED": seed, "PYTHONUTF8": "1"}
        done = subprocess.run([sys.executable, "-c", TWICE], env=environment, stdout=subprocess.PIPE, check=True)
        found.append(done.stdout.decode().strip())
    assert found[0] == found[1]
    assert len(found[0]) == 64
