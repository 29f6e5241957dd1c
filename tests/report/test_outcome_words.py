"""What the command line says of sealed reports: every count and reason, nothing that steers a terminal, no flood."""

import copy
import dataclasses

import pandas as pd
import pytest

from auditkit.report.comparison import compare_reports, read_issued
from auditkit.report.outcome_words import comparison_lines, reproduction_lines, sealed_lines, trace_lines
from auditkit.report.outputs import compare
from auditkit.report.trace import trace_sealed


@pytest.fixture
def flat():
    """Return headings and lines as one text."""
    return lambda told: "\n".join(line for heading, lines in told for line in (heading, *lines))


def test_a_sealed_report(small_sealed, flat):
    text = flat(sealed_lines(small_sealed.report))
    assert "Stop work: 2 findings outside safety limits" in text
    assert "Film, areas: 1 conforms, 1 does not conform, 0 not assessable" in text
    assert f"SHA-256 {small_sealed.report.seal.sha256}" in text
    assert "The report is signed." in text
    unsigned = dataclasses.replace(small_sealed.report, signature=None)
    assert "The report is not signed; whoever can rewrite it" in flat(sealed_lines(unsigned))


def test_a_reproduction(small_reproduced, flat):
    told = reproduction_lines(small_reproduced)
    assert told[0] == ("Reproduced", ("Every number is the same within printed digits.",))
    n = small_reproduced.findings.n
    assert f"{n:,} values: {n:,} equal, 0 equal within printed digits, 0 different" in flat(told)
    assert "Environment that differs" not in flat(told)


def test_a_report_that_differs(small_reproduced, flat):
    sealed, here = {"mean_um": [1.0, 2.0, 3.0]}, {"mean_um": [1.0, 2.5, 3.0 + 1e-9]}
    files = pd.DataFrame({"file": ["report.pdf"], "verdict": ["different"], "note": ["other bytes"]})
    other = pd.DataFrame({"what": ["numpy"], "recorded": ["2.0"], "present": [""], "difference": ["missing"]})
    told = reproduction_lines(
        dataclasses.replace(
            small_reproduced,
            code=1,
            reasons=("first\x1b[2J", "second", "third"),
            findings=compare(sealed, here),
            files=files,
            environment=other,
        ),
        most=2,
    )
    assert told[0] == ("Differs", ("first\\x1b[2J", "second", "... and 1 more"))
    text = flat(told)
    assert "4 values: 2 equal, 1 equal within printed digits, 1 different\n/mean_um/1: sealed 2.0, here 2.5" in text
    assert "1 different\nreport.pdf: other bytes" in text
    assert "numpy: 2.0 then, none now" in text
    unusable = dataclasses.replace(small_reproduced, code=2, findings=None, notebook=None, files=files.iloc[:0])
    assert [heading for heading, _ in reproduction_lines(unusable)] == [
        "Cannot be used, or was touched",
        "Fixity and signature",
    ]


def test_a_trace_shows_cells_as_received_and_counts_what_it_leaves_out(small_sealed, flat):
    found = trace_sealed(small_sealed.folder, "film A2 facing")
    text = flat(trace_lines(found, most=2))
    assert text.startswith("/film/sides/2\narea_id: 'A2'")
    assert "film.csv, line 32: film_readings; facing, counts" in text
    assert "  Mils: '2.1' -> dft_um 53.34 um (2.1 mil is 53.34 um)" in text
    assert "... and 15 more" in text
    assert "line 34" not in text
    assert "Set aside beside it: 1\nfilm.csv, line 47, dft_um: must be a number; given 'abt 3'" in text
    assert "clause: SSPC-PA 2, Table 1, level 3" in text
    everything = flat(trace_lines(found, most=17))
    assert "jobs.csv, line 2: jobs; the job, with what it requires" in everything
    assert "more" not in everything.split("Rows it comes from")[1].split("Set aside")[0]


def test_a_comparison(small_sealed, flat):
    issued = read_issued(small_sealed.folder)
    assert [heading for heading, _ in comparison_lines(compare_reports(issued, issued))] == ["What changed"]
    document = copy.deepcopy(issued.document)
    document["film"]["sides"][2]["verdict"] = "conforms\u202e"
    tables = dict(issued.tables)
    tables["areas"] = tables["areas"].assign(size_m2="9" * 5000).iloc[:1]
    told = compare_reports(issued, dataclasses.replace(issued, document=document, tables=tables))
    text = flat(comparison_lines(told))
    assert "Accepted records: 0 added, 1 removed, 1 changed." in text
    assert "areas A1, size_m2: '1.2' became '9999" in text
    assert "(4,802 characters more)" in text  # of 5,002 with the quotes, 200 are shown
    assert "areas A2: removed" in text
    assert "film A2 facing: 'does not conform' became 'conforms\\u202e'; areas: 1 removed" in text


def test_a_very_long_line_is_cut(small_reproduced):
    told = reproduction_lines(dataclasses.replace(small_reproduced, code=1, reasons=("x" * 1_000_000,)))
    assert told[0][1] == (f"{'x' * 2000}... (998,000 characters more)",)
