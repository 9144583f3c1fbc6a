"""Charting in a real JupyterLab in Chromium: twenty shots, a killed kernel, nothing lost."""

from __future__ import annotations

import csv
import io
import os
import signal
import wave
from urllib.parse import urlsplit

import pytest

CELL = """\
import os
from pathlib import Path
from sidewall.charting import ChartMatch
Path("kernel.txt").write_text(str(os.getpid()))
ChartMatch("log.csv", match="Rowan v Hazel", players=("Rowan", "Hazel"),
           hands={"Rowan": "right", "Hazel": "right"})
"""
#: A busy machine takes its time; a test that passes never waits so long.
PATIENCE_MS = 60_000
#: Where each shot is struck, m, and what is keyed for it: three rallies, twenty shots.
RALLIES = (
    (
        *(((1.0, 6.4), ""), ((5.9, 8.3), "ds"), ((0.6, 7.9), "ds"), ((0.4, 8.6), "bot")),
        *(((5.2, 2.3), "psa"), ((5.8, 2.0), "lc"), ((1.7, 5.3), "vk1")),
    ),
    (
        *(((1.0, 6.4), ""), ((5.9, 8.3), "dc"), ((0.7, 8.1), "dsv"), ((0.9, 8.2), "ds")),
        *(((0.3, 8.9), "dsw"), ((4.4, 6.0), "vpsa2")),
    ),
    (
        *(((5.4, 6.4), "b"), ((0.5, 8.3), "ds"), ((0.6, 7.9), "dsu"), ((0.4, 8.6), "lc")),
        *(((5.2, 7.3), "vd"), ((5.8, 8.0), "dse"), ((3.0, 5.0), "vp59")),
    ),
)
SHOTS = sum(map(len, RALLIES))


def sound(seconds):
    """A silent recording: a video element plays it, and every browser can."""
    file = io.BytesIO()
    with wave.open(file, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(1)
        out.setframerate(8000)
        out.writeframes(b"\x80" * 8000 * seconds)
    return file.getvalue()


class Browser:
    """The notebook's page, with an eye on what it fetches and complains of."""

    def __init__(self, page, lab):
        self.page, self.lab = page, lab
        self.elsewhere, self.complaints = [], []
        page.on("request", lambda request: self._fetched(request.url))
        page.on("websocket", lambda socket: self._fetched(socket.url))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", self._said)

    def _fetched(self, url):
        parts = urlsplit(url)
        if parts.scheme not in ("data", "blob") and parts.hostname not in (
            "127.0.0.1",
            "localhost",
        ):
            self.elsewhere.append(url)

    def _said(self, message):
        # The script of a widget is loaded as a blob; JupyterLab's own files are not.
        if message.type == "error" and message.location.get("url", "").startswith("blob:"):
            self.complaints.append(message.text)

    def run_cell(self, times):
        self.page.evaluate(
            """async () => {
              const panel = jupyterapp.shell.currentWidget;
              await Promise.all([panel.context.ready, panel.revealed, panel.sessionContext.ready]);
              await panel.sessionContext.session.kernel.info;
              await jupyterapp.commands.execute("notebook:run-all-cells");
            }"""
        )
        self.says(".jp-CodeCell .jp-InputPrompt", f"[{times}]")
        self.page.wait_for_selector(".sw-chart", timeout=PATIENCE_MS)

    def idle(self):
        self.page.wait_for_selector(
            ".jp-Notebook-ExecutionIndicator[data-status=idle]", timeout=PATIENCE_MS
        )

    def says(self, selector, text):
        from playwright.sync_api import TimeoutError as TooLate  # noqa: PLC0415

        try:
            self.page.wait_for_function(
                "([selector, text]) =>"
                " document.querySelector(selector)?.textContent.includes(text)",
                arg=[selector, text],
                timeout=PATIENCE_MS,
            )
        except TooLate:
            parts = (selector, ".sw-trouble", ".sw-hand-text", ".sw-status", ".sw-on-off")
            shown = {name: self.page.locator(name).all_inner_texts() for name in parts}
            raise AssertionError(
                f"{text!r} is not there: {shown} {self.complaints} {self.rows()}"
            ) from None

    def click(self, x, y):
        at = self.page.evaluate(
            """([x, y]) => {
              const matrix = document.querySelector(".sw-court").getScreenCTM();
              const at = new DOMPoint(100 * x, 100 * y).matrixTransform(matrix);
              return [at.x, at.y];
            }""",
            [x, y],
        )
        self.page.mouse.click(*at)

    def chart(self, rallies):
        for rally in rallies:
            for place, keys in rally:
                self.page.keyboard.press("ArrowRight")
                self.click(*place)
                for key in keys:
                    self.page.keyboard.press(key)

    def rows(self):
        text = (self.lab.folder / "log.csv").read_text(encoding="utf-8-sig")
        return list(csv.DictReader(io.StringIO(text)))

    def open_recording(self):
        # A picked file is kept by the browser: nothing of it goes over the network.
        recording = {"name": "match.wav", "mimeType": "audio/wav", "buffer": sound(90)}
        self.page.locator(".sw-file").set_input_files(files=[recording])
        self.says(".sw-film", "paused 0:00.0")


@pytest.mark.slow
def test_twenty_shots_survive_a_killed_kernel(lab, page):
    import nbformat  # noqa: PLC0415

    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(CELL)])
    book.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3"}
    nbformat.write(book, lab.folder / "chart.ipynb")
    browser = Browser(page, lab)
    page.goto(lab.address("lab/tree/chart.ipynb"))
    browser.idle()
    page.wait_for_selector(".jp-Spinner", state="hidden", timeout=PATIENCE_MS)
    page.keyboard.press("Control+b")  # the file list takes width
    browser.run_cell(1)
    browser.open_recording()

    # The first two rallies, by clicks and keys.
    page.locator(".sw-chart").click(position={"x": 5, "y": 5})
    browser.says(".sw-on-off", "keys on")
    browser.chart(RALLIES[:2])
    charted = sum(map(len, RALLIES[:2]))
    browser.says(".sw-saved", f"{charted} rows saved in log.csv, no problems")
    browser.says(".sw-score", "Rowan 2–0 Hazel")

    # Undo and redo, more than one step; the notebook must not take the keys for its own.
    for key in ("Backspace", "Backspace", "Shift+Backspace", "Shift+Backspace"):
        page.keyboard.press(key)
    browser.says(".sw-saved", f"{charted} rows saved in log.csv, no problems")
    assert page.locator(".jp-CodeCell").count() == 1

    # A mistake is said by its row, and mended there; the gap is typed.
    for key in ("PageUp", "g"):
        page.keyboard.press(key)
    browser.says(".sw-hand", f"Mending line {charted + 1}")
    page.locator(".sw-gap").fill("400")
    page.keyboard.press("Enter")
    browser.says(".sw-problem", "never farther than 3.2 m")
    page.keyboard.press("Backspace")
    browser.says(".sw-saved", "no problems")
    page.keyboard.press("Escape")

    # Help holds every key, and the keys are back after it.
    page.keyboard.press("?")
    browser.says(".sw-help", "undo, as far back as you like")
    assert page.locator(".sw-help").is_visible()
    page.keyboard.press("Escape")
    page.wait_for_selector(".sw-help", state="hidden")

    # The last rally but its last shot is in; then the kernel is killed.
    browser.chart([RALLIES[2][:-1]])
    browser.says(".sw-hand-text", "Shot 6 in hand: forehand, drive, straight")
    page.keyboard.press("Enter")
    browser.says(".sw-saved", f"{SHOTS - 1} rows saved")
    before = browser.rows()
    assert len(before) == SHOTS - 1
    os.kill(int((lab.folder / "kernel.txt").read_text()), signal.SIGKILL)
    page.wait_for_selector(".jp-Dialog", timeout=PATIENCE_MS)  # it has died and starts again
    page.keyboard.press("Enter")
    page.wait_for_selector(".jp-Dialog", state="detached")
    browser.idle()
    assert browser.rows() == before

    # Run the cell again: charting goes on with the next shot.
    page.evaluate("document.querySelector('.sw-chart').remove()")
    browser.run_cell(1)
    browser.says(".sw-saved", f"{SHOTS - 1} rows saved in log.csv, no problems")
    browser.says(".sw-due", "rally 3, shot 7: ● Rowan strikes")
    browser.open_recording()
    page.locator(".sw-chart").click(position={"x": 5, "y": 5})
    for _ in range(25):
        page.keyboard.press("ArrowRight")
    browser.chart([RALLIES[2][-1:]])
    browser.says(".sw-saved", f"{SHOTS} rows saved in log.csv, no problems")
    browser.says(".sw-score", "Rowan 2–1 Hazel")

    rows = browser.rows()
    assert rows[:-1] == before
    assert [len([row for row in rows if row["rally"] == str(n)]) for n in (1, 2, 3)] == [7, 6, 7]
    assert {row["player"] for row in rows} == {"Rowan", "Hazel"}
    clicked = [place for rally in RALLIES for place, _ in rally]
    for row, (x, y) in zip(rows, clicked, strict=True):
        # A pixel of the court is some 3 cm wide.
        assert abs(float(row["x"]) - x) <= 0.04
        assert abs(float(row["y"]) - y) <= 0.04
        if row["stroke"] != "serve":
            wall = min(float(row["x"]), 6.4 - float(row["x"]))
            assert float(row["gap_cm"]) == pytest.approx(100 * wall)
    times = [float(row["t"]) for row in rows]
    assert times == sorted(times)
    assert times[0] == 2.0
    assert browser.elsewhere == []
    assert browser.complaints == []
