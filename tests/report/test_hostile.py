"""Hostile text in every field: nothing runs in a browser, spreadsheet or PDF reader, and nothing leaves its folder."""

import io
import json
import re
import zipfile
from pathlib import Path

import pandas as pd
import pikepdf
import pytest

from auditkit.errors import AuditError
from auditkit.report.bag_check import check_bag
from auditkit.report.sealed import make_sealed
from auditkit.report.short_names import anchor

from ..explore.bench import OFFLINE, browser_program
from .small_dossier import AREAS, DECLARATION, DEFECTS, JOBS, RUNS, WRAP, film_text, write_small

SCRIPT = "<script>window.hit=1</script>"
HANDLER = "<img src=x onerror=window.hit=2>"
AREA = "<b onmouseover=hit=3>A1</b>"
LINK = "<a href='javascript:window.hit=4'>x</a>"
FORMULA = "=cmd|' /C calc'!A0"
TURNED = "\u202ecod.exe"
UP = "../../escaped"
LONG = "W" * 990_000  # a cell may have a million characters


def with_area(text):
    """Return a table with the first area under a hostile name."""
    return re.sub(r"(?<![A-Z0-9])A1(?![0-9])", AREA, text)


def quoted(text):
    return '"' + text.replace('"', '""') + '"'


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """Return a folder with the hostile records and, in a folder of its own, the report on them."""
    place = tmp_path_factory.mktemp("hostile") / "inner" / "innermost"
    areas = with_area(AREAS).replace('"rail, port"', quoted(f"{SCRIPT}{HANDLER}{LONG}"))
    records = write_small(
        place / "records",
        jobs=JOBS.replace("MF Vestrelin", f"{HANDLER}{LINK}").replace("alkyd finish K", FORMULA),
        areas=areas.replace('"rail, starboard"', quoted(f"{FORMULA} {TURNED}")),
        runs=with_area(RUNS).replace(",OP1,", f",{UP},").replace(",OP2,", f",{TURNED},"),
        film=with_area(film_text()).replace("abt 3", quoted(f"{SCRIPT} {FORMULA}")),
        wrap=with_area(WRAP).replace(",IN1,", f",{SCRIPT},"),
        defects=DEFECTS.replace("IN1", FORMULA),
    )
    (records / "dossier.yaml").write_text(
        DECLARATION.replace("Two rails (invented)", json.dumps(f"{SCRIPT}{HANDLER} {UP} {TURNED}")), encoding="utf-8"
    )
    make_sealed(records, place / "issued" / "report", dated="2027-04-01", authors=[SCRIPT], words=HANDLER)
    return place


@pytest.fixture(scope="module")
def data(place):
    return place / "issued" / "report" / "data"


@pytest.fixture(scope="module")
def opened_pages():
    """Return a function that opens pages in a real browser and says what ran and what was asked of a network."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed, so no browser is driven")
    program = browser_program()
    if program is None:
        pytest.skip("no Chromium is installed, so it is not shown here that nothing runs")

    def seen(path):
        told = {"dialogs": [], "requests": []}
        with sync_api.sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=program, args=OFFLINE)
            page = browser.new_page()
            page.on("dialog", lambda dialog: (told["dialogs"].append(dialog.message), dialog.dismiss()))
            page.on("request", lambda request: told["requests"].append(request.url))
            page.goto(path.as_uri())
            page.evaluate("() => document.querySelectorAll('details').forEach((fold) => { fold.open = true; })")
            page.evaluate(
                "() => document.querySelectorAll('*').forEach((each) => ['mouseover', 'click', 'error', 'load']"
                ".forEach((kind) => each.dispatchEvent(new Event(kind))))"
            )
            page.wait_for_timeout(300)
            told["hit"] = page.evaluate("() => window.hit ?? null")
            told["handlers"] = page.evaluate(
                "() => [...document.querySelectorAll('*')].flatMap((each) => [...each.attributes])"
                ".filter((one) => /hit *=/.test(one.value) && !/^(title|data-)/.test(one.name)).map((one) => one.name)"
            )
            told["text"] = page.evaluate("() => document.body.textContent")
            browser.close()
        told["requests"] = [url for url in told["requests"] if not url.startswith(("file:", "data:", "blob:"))]
        return told

    return seen


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("payload", [SCRIPT, HANDLER, f"<p>{AREA}</p>"])
def test_the_browser_would_show_what_runs(opened_pages, tmp_path, payload):
    """The control: the same text, not escaped, is met."""
    (tmp_path / "bare.html").write_text(f"<!doctype html><body>{payload}</body>", encoding="utf-8")
    assert opened_pages(tmp_path / "bare.html")["hit"] in (1, 2, 3)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("name", ["report.html", "trace.html"])
def test_nothing_runs_in_a_browser(data, opened_pages, name):
    told = opened_pages(data / name)
    assert (told["hit"], told["dialogs"], told["handlers"], told["requests"]) == (None, [], [], [])
    assert SCRIPT in told["text"]
    assert AREA in told["text"]


@pytest.mark.filterwarnings("ignore")
def test_nothing_runs_in_what_the_notebook_shows(data, opened_pages, tmp_path):
    notebook = json.loads((data / "report.ipynb").read_bytes())
    shown = [
        "".join(output["data"]["text/html"])
        for cell in notebook["cells"]
        for output in cell.get("outputs", [])
        if "text/html" in output.get("data", {})
    ]
    assert len(shown) > 5
    (tmp_path / "shown.html").write_text(f"<!doctype html><body>{''.join(shown)}</body>", encoding="utf-8")
    told = opened_pages(tmp_path / "shown.html")
    assert (told["hit"], told["dialogs"], told["handlers"], told["requests"]) == (None, [], [], [])
    assert "onmouseover" in told["text"]


def test_no_cell_of_a_table_is_a_formula(data):
    met = 0
    for path in [data / "set_aside.csv", *sorted((data / "tables").glob("*.csv"))]:
        cells = pd.read_csv(path, dtype="str", header=None, keep_default_na=False, encoding="utf-8-sig")
        for cell in cells.to_numpy().ravel():
            met += "cmd|" in cell
            assert not re.match(r"[\s;]*[=+\-@]", cell) or re.fullmatch(r"-?[\d.]+(e-?\d+)?", cell), (path, cell[:80])
    assert met >= 4


def test_the_pdf_holds_no_action(data):
    with pikepdf.open(data / "report.pdf") as document:
        kinds = {str(each.get("/S")) for each in document.objects if isinstance(each, pikepdf.Dictionary)}
        names = {key for each in document.objects if isinstance(each, pikepdf.Dictionary) for key in each.keys()}  # noqa: SIM118
    assert not kinds & {"/JavaScript", "/Launch", "/URI", "/SubmitForm", "/ImportData", "/GoToR"}
    assert not names & {"/JS", "/JavaScript", "/AA", "/OpenAction", "/EmbeddedFiles"}


def test_a_text_of_a_million_letters_floods_nothing(data):
    for name, most in (("report.html", 9e6), ("report.pdf", 6e6), ("trace.html", 1e6), ("report.ipynb", 2e6)):
        assert (data / name).stat().st_size < most, name
    assert LONG in (data / "tables" / "areas.csv").read_text(encoding="utf-8")


def test_nothing_leaves_its_folder(place):
    top = place.parent.parent
    assert sorted(path.name for path in top.iterdir()) == ["inner"]
    assert [path.name for path in place.parent.iterdir()] == ["innermost"]
    assert sorted(path.name for path in place.iterdir()) == ["issued", "records"]
    assert sorted(path.name for path in (place / "issued").iterdir()) == ["report", "report.statement.json"]
    assert check_bag(place / "issued" / "report").ok


def test_an_anchor_is_a_plain_name(data):
    assert f'id="{anchor(f"film {AREA} facing")}"' in (data / "trace.html").read_text(encoding="utf-8")
    assert re.fullmatch(r"[A-Za-z0-9_-]+", anchor(f"film {AREA} facing"))


def bomb():
    """Return a workbook of a few kilobytes that says it unpacks to hundreds of megabytes, and does."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", compression=zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", b"\0" * 200_000_000)
    return stream.getvalue()


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("dossier.yaml", b"auditkit: 1\ntitle: !!python/object/apply:os.system ['touch hit']\n", r"dossier\.yaml"),
        ("dossier.yaml", b"auditkit: 1\ntables: [{file: ../secret.csv, record: jobs}]\n", "inside the folder"),
        ("dossier.yaml", b"a: &a [x,x,x,x]\nb: &b [*a,*a,*a,*a]\nauditkit: 1\ntitle: *b\n", r"dossier\.yaml"),
        ("more.xlsx", bomb, "must expand to at most 1 GiB and 100 times its size"),
    ],
    ids=["YAML tag", "path", "YAML aliases", "zip bomb"],
)
def test_what_would_run_or_lead_out_is_refused_and_nothing_is_written(tmp_path, monkeypatch, name, content, words):
    monkeypatch.chdir(tmp_path)
    records = write_small(tmp_path / "records")
    (tmp_path / "secret.csv").write_text(JOBS, encoding="utf-8")
    (records / name).write_bytes(content() if callable(content) else content)
    with pytest.raises(AuditError, match=words):
        make_sealed(records, tmp_path / "report", dated="2027-04-01")
    assert sorted(path.name for path in Path().iterdir()) == ["records", "secret.csv"]
