"""JupyterLab in a real browser: started as a user starts it, its notebooks run, its controls moved by keyboard."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager, suppress

import nbformat
import pandas as pd

import auditkit

LAPTOP = {"width": 1366, "height": 768}
BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome")
OFFLINE = ("--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync", "--no-first-run")
TOKEN = "0123456789abcdef"
PATIENCE_S = 300

NUMBERS = """plot => plot.calcdata && plot.layout && JSON.stringify([
    plot.calcdata.map(trace => trace.map(point => [point.x ?? null, point.y ?? null])),
    (plot.layout.annotations ?? []).map(note => note.text),
    (plot.layout.shapes ?? []).map(shape => [shape.x0, shape.x1, shape.y0, shape.y1]),
])"""
"""What a drawn figure shows, in numbers and words."""

FOCUSED = """() => document.activeElement
    .closest(".widget-inline-hbox, .widget-toggle-buttons")?.querySelector(".widget-label")?.innerText"""
"""The label of the control that has the keyboard."""

REASON = """one => one.closest(".widget-inline-hbox, .widget-toggle-buttons").querySelector("[title]")?.title"""

CLOCK = """plot => {
    window.clock = [null, null];
    window.addEventListener("keydown", () => { window.clock[0] = performance.now(); }, { capture: true, once: true });
    plot.once("plotly_afterplot", () => { window.clock[1] = performance.now(); });
}"""
"""Notes when the next key is pressed, and when the figure has then been drawn."""


def browser_program():
    """Return where a browser is, or None."""
    return next((found for name in BROWSERS if (found := shutil.which(name))), None)


def thinned_sample(folder, jobs):
    """Write the records of some jobs of the sample into a new folder, and return it."""
    source = auditkit.sample_folder() / "clean"
    tables = {path.stem: pd.read_csv(path, dtype=str, keep_default_na=False) for path in source.glob("*.csv")}
    areas = tables["areas"].loc[tables["areas"]["job_id"].isin(jobs), "area_id"]
    runs = tables["spray_runs"].loc[tables["spray_runs"]["area_id"].isin(areas), "run_id"]
    kept = {"job_id": set(jobs), "area_id": set(areas), "run_id": set(runs)}
    folder.mkdir(parents=True)
    for name, table in tables.items():
        marks = [table[column].isin(names) for column, names in kept.items() if column in table.columns]
        (table[pd.concat(marks, axis="columns").any(axis="columns")] if marks else table).to_csv(
            folder / f"{name}.csv", index=False
        )
    shutil.copy(source / "dossier.yaml", folder)
    return folder


@contextmanager
def served(records, place, *, out=None):
    """Start the bench on a folder of records, and yield its address; the server is ended whatever happens."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    told = {
        "JUPYTER_TOKEN": TOKEN,
        "JUPYTER_CONFIG_DIR": str(place / "settings"),
        "JUPYTER_RUNTIME_DIR": str(place / "runtime"),
    }
    asked = [sys.executable, "-m", "auditkit", "lab", str(records), "--no-browser", "--port", str(port), "--allow-root"]
    asked += [] if out is None else ["--out", str(out)]
    with (place / "server.log").open("w") as log:
        server = subprocess.Popen(
            asked, env={**os.environ, **told}, stdout=log, stderr=subprocess.STDOUT, start_new_session=True
        )
        try:
            address = f"http://127.0.0.1:{port}"
            deadline = time.monotonic() + 60
            while not _answers(f"{address}/api?token={TOKEN}"):
                assert server.poll() is None, (place / "server.log").read_text()
                assert time.monotonic() < deadline, "JupyterLab did not answer within a minute"
                time.sleep(0.2)
            yield address
        finally:
            with suppress(ProcessLookupError):
                os.killpg(server.pid, signal.SIGTERM)
            server.wait(30)


def _answers(address):
    try:
        with urllib.request.urlopen(address, timeout=5) as answer:
            return answer.status == 200
    except (urllib.error.URLError, OSError):
        return False


class Page:
    """One notebook, opened in a tab of the browser.

    Parameters
    ----------
    tab : playwright page
    address : str
        Of the server.
    path : Path
        The notebook's file.
    shots : Path
        Folder for screenshots.
    """

    def __init__(self, tab, address, path, shots):
        self.tab, self.path, self.shots = tab, path, shots
        tab.goto(f"{address}/lab/workspaces/{path.stem}/tree/{path.name}?token={TOKEN}")
        tab.wait_for_selector(".jp-NotebookPanel .jp-Cell")
        with suppress(Exception):  # the question about news is asked once a server
            tab.get_by_role("button", name="No", exact=True).click(timeout=2000)

    def shot(self, name):
        self.tab.screenshot(path=self.shots / f"{self.path.stem}-{name}.png")

    def run_from_clean(self):
        """Restart the kernel, run all cells by the menu, and return the code cells as saved."""
        tab = self.tab
        tab.get_by_text("| Idle").wait_for(timeout=60_000)  # a kernel restarted while it starts is lost
        tab.get_by_role("menuitem", name="Run", exact=True).click()
        tab.get_by_text("Restart Kernel and Run All Cells").click()
        tab.locator(".jp-Dialog button.jp-mod-accept").click()
        deadline = time.monotonic() + PATIENCE_S
        while True:
            tab.wait_for_timeout(1000)
            tab.keyboard.press("Control+s")
            tab.wait_for_timeout(500)
            cells = [cell for cell in nbformat.read(self.path, 4).cells if cell.cell_type == "code"]
            failed = [out for cell in cells for out in cell.outputs if out.output_type == "error"]
            assert not failed, f"{self.path.name}: {failed[0].ename}: {failed[0].evalue}"
            if all(cell.execution_count for cell in cells):
                return cells
            if time.monotonic() > deadline:
                self.shot("not-ended")
                raise AssertionError(f"{self.path.name} did not end within {PATIENCE_S} s")

    def explorer(self, call):
        """Return the explorer that a cell shows."""
        cell = self.tab.locator(".jp-CodeCell", has_text=call)
        box = cell.locator(".jp-OutputArea .widget-vbox").first
        box.evaluate("one => one.scrollIntoView({ block: 'start' })")
        box.locator(".js-plotly-plot").wait_for()
        return ExplorerOnPage(self, box)


class ExplorerOnPage:
    """One explorer as it stands on the page."""

    def __init__(self, page, box):
        self.page, self.tab, self.box = page, page.tab, box

    @property
    def numbers(self):
        return self.box.locator(".js-plotly-plot").evaluate(NUMBERS)

    @property
    def code(self):
        return self.box.locator("pre").inner_text()

    def control(self, label):
        """Return the control under a label, as that part of it which takes the keyboard."""
        rows = self.box.locator(".widget-inline-hbox, .widget-toggle-buttons")
        return rows.filter(has=self.tab.get_by_text(label, exact=True)).locator("select, button, .noUi-handle").first

    @property
    def labels(self):
        """The labels of the controls, as they stand."""
        rows = self.box.locator(".widget-inline-hbox, .widget-toggle-buttons").locator(".widget-label")
        return [words for words in rows.all_inner_texts() if words.strip()]

    def locked(self, label):
        return self.control(label).evaluate("one => Boolean(one.disabled || one.closest('[disabled]'))")

    def reason(self, label):
        """Return what a control says of itself to whoever points at its label."""
        return self.control(label).evaluate(REASON)

    def reached_by_tab(self, labels):
        """Return the labels of the controls in the order in which Tab reaches them from the first."""
        self.control(labels[0]).focus()
        seen = []
        for _ in range(2 * len(labels) + 2):
            seen += [words for words in [self.tab.evaluate(FOCUSED)] if words in labels and words not in seen]
            self.tab.keyboard.press("Tab")
        return seen

    def move(self, label):
        """Move a control by keyboard alone; return seconds until the figure's numbers were others, or None."""
        control = self.control(label)
        code = self.code
        control.focus()
        self.box.locator(".js-plotly-plot").evaluate(CLOCK)
        self._press(control)
        deadline = time.monotonic() + 10
        while self.code == code:
            assert time.monotonic() < deadline, f"{label}: the line of code is still {code}"
            self.tab.wait_for_timeout(50)
        self.tab.wait_for_timeout(500)
        pressed, drawn = self.tab.evaluate("() => window.clock")
        return None if drawn is None else (drawn - pressed) / 1000

    def _press(self, control):
        kind = control.evaluate("one => one.tagName")
        if kind == "BUTTON":
            group = control.locator("xpath=..").locator("button:not(.mod-active)").first
            group.focus()
            self.tab.keyboard.press("Space")
        elif kind == "SELECT":
            last = control.evaluate("one => one.selectedIndex === one.options.length - 1")
            self.tab.keyboard.press("ArrowUp" if last else "ArrowDown")
        else:
            now, most = (control.get_attribute(name) for name in ("aria-valuenow", "aria-valuemax"))
            self.tab.keyboard.press("ArrowLeft" if now == most else "ArrowRight")
