"""The page in a browser: nothing on the console, nothing asked for, nothing beyond the edge.

Set SIDEWALL_SCREENSHOTS to a folder to keep the pictures and the printed pages.
"""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest

playwright = pytest.importorskip("playwright.sync_api")
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(CHROMIUM is None, reason="no chromium on this machine"),
]

SIZES = {"phone": (390, 844), "laptop": (1366, 768)}


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


@pytest.mark.parametrize("size", list(SIZES))
def test_the_four_gaps_need_no_scrolling(visit, size):
    tab = visit(*SIZES[size])
    bottoms = tab.evaluate(
        "[...document.querySelectorAll('.gap')].map(one => one.getBoundingClientRect().bottom)"
    )
    assert len(bottoms) == 4
    assert max(bottoms) <= SIZES[size][1]


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("size", list(SIZES))
def test_axe_finds_nothing_serious(visit, size, scheme):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    tab = visit(*SIZES[size], scheme)
    tab.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
    found = axe.Axe().run(tab).response["violations"]
    serious = [(one["id"], one["nodes"][0]["html"]) for one in found
               if one["impact"] in ("serious", "critical")]  # fmt: skip
    assert serious == []


def test_the_keyboard_reaches_every_link_in_order_and_opens_what_is_folded(visit):
    tab = visit(*SIZES["laptop"])
    tab.keyboard.press("Tab")
    assert tab.evaluate("document.activeElement.className") == "skip"
    tab.keyboard.press("Enter")
    assert tab.evaluate("location.hash") == "#report"
    seen = []
    for _ in range(400):
        tab.keyboard.press("Tab")
        at = tab.evaluate(
            "[document.activeElement.tagName, document.activeElement.getBoundingClientRect().top"
            " + window.scrollY]"
        )
        if at[0] == "BODY":
            break
        seen.append(at[0])
        if tab.evaluate("document.activeElement.parentElement.className") == "fold":
            tab.keyboard.press("Enter")
            assert tab.evaluate("document.querySelector('.fold').open")
    assert seen.count("SUMMARY") >= 2
    # the tables of the appendix that was opened can be scrolled
    assert seen.count("DIV") >= 8


def test_colours_follow_the_scheme(visit):
    ground = "getComputedStyle(document.body).backgroundColor"
    light, dark = (visit(390, 844, scheme).evaluate(ground) for scheme in ("light", "dark"))
    brightness = [sum(map(int, re.findall(r"\d+", colour)[:3])) for colour in (light, dark)]
    assert brightness[0] > 600
    assert brightness[1] < 200


def test_a_link_from_a_claim_opens_its_list(visit):
    tab = visit(*SIZES["laptop"])
    tab.click(".report a.rallies >> nth=0")
    assert tab.evaluate("document.querySelector('.list:target') !== null")
    top = tab.evaluate("document.querySelector('.list:target').getBoundingClientRect().top")
    assert 0 <= top < 768


def printed(tab, path, pages=""):
    """Print and return the number of pages and their sizes in points."""
    options = {"page_ranges": pages} if pages else {}
    data = tab.pdf(path=path, prefer_css_page_size=True, **options)
    assert data[:5] == b"%PDF-"
    sheets = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", data)
    count = max(int(n) for n in re.findall(rb"/Count (\d+)", data))
    return count, {(round(float(w)), round(float(h))) for w, h in sheets}


#: 210 by 297 mm in points (ISO 216).
A4 = {(595, 842), (596, 842)}


def test_it_prints_on_six_a4_pages_before_the_appendix(visit, folder):
    tab = visit(*SIZES["laptop"])
    whole, sizes = printed(tab, folder / "printed.pdf")
    assert sizes <= A4
    assert whole <= 16
    tab.evaluate("document.querySelector('.appendix').remove()")
    pages, _ = printed(tab, folder / "printed-coach.pdf")
    assert 3 <= pages <= 6


def test_every_players_sheet_is_one_a4_page_and_fits_a_phone(visit, report, tmp_path, folder):
    tab = visit(*SIZES["phone"])
    for k, player in enumerate(report.players):
        page = report.write_sheet(player, tmp_path / f"sheet-{k}.html")
        tab.goto(page.as_uri())
        assert printed(tab, folder / f"sheet-{k}.pdf") == (1, A4 & printed(tab, tmp_path / "x")[1])
        assert tab.evaluate("document.documentElement.scrollWidth") <= SIZES["phone"][0]
    assert tab.noted == []


def test_printed_tables_are_open(visit):
    tab = visit(*SIZES["laptop"])
    tab.emulate_media(media="print")
    heights = tab.evaluate(
        "[...document.querySelectorAll('.numbers table')]"
        ".map(one => one.getBoundingClientRect().height)"
    )
    assert min(heights) > 20
