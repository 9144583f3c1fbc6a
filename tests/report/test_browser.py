"""The page in a browser: nothing on the console, nothing asked for, nothing beyond the edge.

Set SIDEWALL_SCREENSHOTS to a folder to keep the pictures and the printed pages.
"""

from __future__ import annotations

import os
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from sidewall.report.answers_view import threshold_answers
from sidewall.report.page import render_page
from sidewall.report.words import Lengths

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine")

SIZES = {"phone": (390, 844), "laptop": (1280, 800)}


@pytest.fixture(scope="module")
def browser():
    with playwright.sync_playwright() as tools:
        found = tools.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield found
        found.close()


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    named = os.environ.get("SIDEWALL_SCREENSHOTS")
    place = Path(named) if named else tmp_path_factory.mktemp("screenshots")
    place.mkdir(parents=True, exist_ok=True)
    return place


@pytest.fixture
def visit(browser, written):
    """Open the page, and note what it says and asks for."""
    contexts = []

    def open_page(width, height, scheme="light"):
        context = browser.new_context(
            viewport={"width": width, "height": height}, color_scheme=scheme
        )
        contexts.append(context)
        tab = context.new_page()
        tab.noted = []
        tab.on("console", lambda message: tab.noted.append(message.text))
        tab.on("pageerror", lambda error: tab.noted.append(str(error)))
        tab.on("dialog", lambda dialog: tab.noted.append(dialog.message))
        tab.on("requestfailed", lambda request: tab.noted.append(request.url[:80]))
        tab.asked = []
        tab.on("request", lambda request: tab.asked.append(request.url))
        tab.goto(written.file.as_uri())
        return tab

    yield open_page
    for context in contexts:
        context.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", list(SIZES))
def test_the_page_renders_alone_and_fits(visit, written, folder, size, scheme):
    tab = visit(*SIZES[size], scheme)
    assert tab.noted == []
    asked = [url for url in tab.asked if not url.startswith("data:")]
    assert asked == [written.file.as_uri()]
    wide = tab.evaluate("document.documentElement.scrollWidth")
    assert wide <= SIZES[size][0]
    broken = tab.evaluate("[...document.images].filter(i => !i.complete || !i.naturalWidth).length")
    assert broken == 0
    tab.screenshot(path=folder / f"{size}-{scheme}.png")
    tab.screenshot(path=folder / f"{size}-{scheme}-full.png", full_page=True)


@pytest.mark.parametrize("size", list(SIZES))
def test_open_tables_and_lists_still_fit(visit, size):
    tab = visit(*SIZES[size])
    tab.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
    assert tab.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]


@pytest.mark.parametrize("board_width_m", [None, 0.068], ids=["cm", "cm and boards"])
@pytest.mark.parametrize("size", list(SIZES))
def test_the_answer_and_the_first_thing_to_train_need_no_scrolling(
    visit, report, content, odd, tmp_path, size, board_width_m
):
    answers = threshold_answers(report.ladder_, odd, Lengths("cm", board_width_m), {})
    # a name of usual length: a long one takes more lines
    page = replace(content, answers=answers, player="Rowan", pictures=[])
    (tmp_path / "page.html").write_text(render_page(page), encoding="utf-8")
    tab = visit(*SIZES[size])
    tab.goto((tmp_path / "page.html").as_uri())
    bottom = tab.evaluate(
        "Math.max(...['.answers', '.top-work'].map("
        "one => document.querySelector(one).getBoundingClientRect().bottom))"
    )
    assert bottom <= SIZES[size][1]


def test_colours_follow_the_scheme(visit):
    ground = "getComputedStyle(document.body).backgroundColor"
    light, dark = (visit(390, 844, scheme).evaluate(ground) for scheme in ("light", "dark"))
    brightness = [sum(map(int, re.findall(r"\d+", colour)[:3])) for colour in (light, dark)]
    assert brightness[0] > 600
    assert brightness[1] < 200


def test_a_link_from_a_claim_opens_its_list(visit):
    tab = visit(*SIZES["laptop"])
    tab.click(".pictures a.rallies >> nth=0")
    assert tab.evaluate("document.querySelector('.list:target') !== null")
    top = tab.evaluate("document.querySelector('.list:target').getBoundingClientRect().top")
    assert 0 <= top < 800


def test_it_prints_on_a_sane_number_of_a4_pages(visit, folder):
    tab = visit(*SIZES["laptop"])
    data = tab.pdf(path=folder / "printed.pdf", prefer_css_page_size=True)
    assert data[:5] == b"%PDF-"
    sheets = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", data)
    # A4 is 210 by 297 mm: 595 by 842 points (ISO 216)
    assert {(round(float(w)), round(float(h))) for w, h in sheets} <= {(595, 842), (596, 842)}
    pages = max(int(n) for n in re.findall(rb"/Count (\d+)", data))
    assert 6 <= pages <= 20


def test_printed_tables_are_open(visit):
    tab = visit(*SIZES["laptop"])
    tab.emulate_media(media="print")
    heights = tab.evaluate(
        "[...document.querySelectorAll('details.numbers table')]"
        ".map(one => one.getBoundingClientRect().height)"
    )
    assert min(heights) > 20
