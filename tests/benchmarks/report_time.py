"""Time the parts of a sealed report, each apart: python tests/benchmarks/report_time.py [RECORDS].

Left out, RECORDS is the raw sample (some 5,800 readings and 400 runs). The audit
itself, with its causes, is timed but is no part of the report: what is held
against the limit is everything that is made from the findings (findings.json,
ledger, page, PDF, page of traces, tables and their description, seal). Prints a
line of JSON; the exit code is 1 if the report took 30 s or more.
"""

import json
import sys
import tempfile
import time
from pathlib import Path

from auditkit import sample_folder
from auditkit.findings.audit import audit
from auditkit.findings.document import as_document, as_json
from auditkit.intake import read_dossier
from auditkit.report.bag import write_bag
from auditkit.report.files import safe_cells
from auditkit.report.page import render_page
from auditkit.report.pdf import render_pdf
from auditkit.report.sections import page_sections
from auditkit.report.surroundings import environment
from auditkit.report.table_package import data_package
from auditkit.report.trace_page import trace_page

LIMIT_S = 30.0


def main(records):
    took = {}

    def timed(name, made):
        began = time.perf_counter()
        result = made()
        took[name] = round(time.perf_counter() - began, 2)
        return result

    dossier = timed("reading", lambda: read_dossier(records))
    findings = timed("audit", lambda: audit(dossier))
    document = timed("document", lambda: as_document(findings))
    sections = timed("sections", lambda: page_sections(findings))
    contents = {
        "findings.json": timed("findings.json", lambda: as_json(document).encode()),
        "set_aside.csv": timed("set_aside.csv", lambda: safe_cells(dossier.ledger).to_csv(index=False).encode()),
        "report.html": timed("report.html", lambda: render_page(findings, document, sections=sections).encode()),
        "report.pdf": timed("report.pdf", lambda: render_pdf(findings, document, sections=sections)),
        "trace.html": timed("trace.html", lambda: trace_page(document, dossier)),
    }
    contents |= timed("tables", lambda: data_package(dossier, created="2027-04-01T00:00:00Z"))[1]
    contents["environment.json"] = json.dumps(timed("environment", environment)).encode()
    with tempfile.TemporaryDirectory() as place:
        out = Path(place) / "report"
        timed("seal", lambda: write_bag(contents, out, info={"Bagging-Date": "2027-04-01"}))
    report = round(sum(took.values()) - took["reading"] - took["audit"], 2)
    sizes = {name: len(dossier.tables[name]) for name in ("film_readings", "spray_runs")}
    print(json.dumps({"rows": sizes, "seconds": took, "report_s": report, "limit_s": LIMIT_S}))
    return 0 if report < LIMIT_S else 1


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]) if len(sys.argv) > 1 else sample_folder() / "raw"))
