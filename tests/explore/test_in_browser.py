"""JupyterLab in a real browser: notebooks run from clean, and explorers are moved by keyboard alone.

Screenshots at laptop width, and how long each move took, are left in the
folder named by AUDITKIT_SHOTS. Run where AUDITKIT_BROWSER_RECORDS is set: to
`few` on a few invented rows and two jobs of the sample, some five minutes; to
`sample` on the sample that ships, which takes longer.
"""

import csv
import os
from pathlib import Path

import pytest

import auditkit

from ..report.small_dossier import write_small
from .bench import LAPTOP, OFFLINE, Page, browser_program, served, thinned_sample

BARE = ("01_records", "03_wrap", "06_next_trial", "07_report")
EXPLORERS = {
    "02_film_thickness": {"explore.film_map(findings)": ("Job", "Area", "Spot", "Side of the tables")},
    "04_settings_and_upkeep": {"explore.unit_life(findings)": ("Unit", "From day", "To day", "Setting")},
    "05_defects_and_conditions": {
        "explore.causes(findings)": (
            "Defect",
            "Outside the window",
            "Compare within (none: crude only)",
            "Condition",
        ),
        "explore.what_if(findings)": ("Defect",),
    },
}


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    named = os.environ.get("AUDITKIT_SHOTS")
    folder = Path(named) if named else tmp_path_factory.mktemp("shots")
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture(scope="module")
def browser():
    """Return a real browser without a network."""
    if "AUDITKIT_BROWSER_RECORDS" not in os.environ:
        pytest.skip("AUDITKIT_BROWSER_RECORDS is not set (to few or sample), so the bench is not opened")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed, so no browser is driven")
    pytest.importorskip("jupyterlab", reason="jupyterlab is not installed, so there is no bench to open")
    program = browser_program()
    if program is None:
        pytest.skip("no Chromium is installed, so the bench is not opened")
    with sync_api.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=program, args=OFFLINE)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def few(tmp_path_factory, browser):
    """Return the records of a few rows, and the address of a bench on them."""
    place = tmp_path_factory.mktemp("few")
    records = _sample() or write_small(place / "few")
    with served(records, place, out=place / "notebooks") as address:
        yield address, place / "notebooks"


@pytest.fixture(scope="module")
def many(tmp_path_factory, browser):
    """Return records on which every explorer has something to move, and the address of a bench on them."""
    place = tmp_path_factory.mktemp("many")
    records = _sample() or thinned_sample(place / "two jobs", ["J3", "J7"])
    with served(records, place, out=place / "notebooks") as address:
        yield address, place / "notebooks"


def _sample():
    return auditkit.sample_folder() / "raw" if os.environ.get("AUDITKIT_BROWSER_RECORDS") == "sample" else None


@pytest.fixture
def opened(browser, shots):
    """Return a function that opens a notebook of a bench in a tab of its own."""
    contexts = []

    def opened(bench, name):
        address, notebooks = bench
        contexts.append(browser.new_context(viewport=LAPTOP))
        return Page(contexts[-1].new_page(), address, notebooks / f"{name}.ipynb", shots)

    yield opened
    for context in contexts:
        context.close()


@pytest.mark.parametrize("name", BARE)
def test_a_notebook_runs_from_clean(few, opened, name):
    page = opened(few, name)
    cells = page.run_from_clean()
    page.shot("ran")
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1))
    assert not [out for cell in cells for out in cell.outputs if out.get("name") == "stderr"]


@pytest.mark.parametrize("name", EXPLORERS)
def test_every_control_of_an_explorer_moves_its_figure_by_keyboard(many, opened, shots, name):
    page = opened(many, name)
    cells = page.run_from_clean()
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1))
    assert not [out for cell in cells for out in cell.outputs if out.get("name") == "stderr"]
    for number, (call, labels) in enumerate(EXPLORERS[name].items()):
        explorer = page.explorer(call)
        page.shot(f"explorer-{number}")
        # controls that records or windows leave no room for are locked, and say why
        live = [label for label in explorer.labels if not explorer.locked(label)]
        assert explorer.reached_by_tab(live) == live
        for label in explorer.labels:
            assert label in live or explorer.reason(label) != label
        for label in (*labels, *(label for label in live if label not in labels)):
            assert not explorer.locked(label)
            before = explorer.numbers
            took = explorer.move(label)
            for _ in range(2):  # a step may lead to a view with the same numbers
                if explorer.numbers != before or label not in labels:
                    break
                took = explorer.move(label)
            if label in labels:
                assert explorer.numbers != before, f"{call}, {label}: the figure stayed as it was"
            page.shot(f"explorer-{number}-{label.split(' ')[0].lower()}")
            with (shots / "latencies.csv").open("a", encoding="utf-8", newline="") as told:
                csv.writer(told).writerow([name, call, label, "" if took is None else f"{took:.3f}"])


def test_a_letter_typed_into_a_control_is_no_command_to_the_notebook(many, opened):
    page = opened(many, "02_film_thickness")
    page.run_from_clean()
    explorer = page.explorer("explore.film_map(findings)")
    n = page.tab.locator(".jp-Cell").count()
    explorer.control("Job").focus()
    for key in ("x", "d", "d", "a"):  # outside a control: cut, delete, add a cell above
        page.tab.keyboard.press(key)
    page.tab.wait_for_timeout(300)
    assert page.tab.locator(".jp-Cell").count() == n
    page.tab.locator(".jp-Cell").first.click()
    page.tab.keyboard.press("Escape")
    page.tab.keyboard.press("a")
    page.tab.wait_for_timeout(300)
    assert page.tab.locator(".jp-Cell").count() == n + 1
