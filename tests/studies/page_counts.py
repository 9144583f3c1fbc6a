"""How much a player's pages ask of a reader: words, numbers, lists, pictures, A4 pages, screens.

    cd sidewall-demo; python ../tests/studies/page_counts.py rowan-sheet.html rowan-report.html

Counts each page in Chromium, whole and without its appendix (what is not folded away), and
writes tests/studies/results/page_counts.json. With ``--before FILE`` a page of an earlier version
is counted beside them. Needs playwright and a Chromium on the system.
"""

from __future__ import annotations

import argparse
import re
import shutil
from pathlib import Path
from typing import Any

from playwright.sync_api import sync_playwright
from records import record

PHONE, LAPTOP = (390, 844), (1366, 768)


def seen(tab: Any) -> dict[str, Any]:
    """Count what is visible; folded parts do not count."""
    text = tab.evaluate("document.body.innerText")
    data = tab.pdf(prefer_css_page_size=True)
    counts = {
        "words": len(text.split()),
        "numbers": len(re.findall(r"\d+(?:[.,:]\d+)*", text)),
        "lists": tab.evaluate("document.querySelectorAll('ul, ol, dl').length"),
        "pictures": tab.evaluate("document.querySelectorAll('img, svg').length"),
        "a4_pages": max(int(n) for n in re.findall(rb"/Count (\d+)", data)),
    }
    for name, (width, height) in (("phone", PHONE), ("laptop", LAPTOP)):
        tab.set_viewport_size({"width": width, "height": height})
        tall = tab.evaluate("document.documentElement.scrollHeight")
        counts[f"{name}_screens"] = round(tall / height, 1)
    return counts


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("pages", nargs="+", type=Path)
    parser.add_argument("--before", type=Path)
    asked = parser.parse_args()
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    found: dict[str, Any] = {}
    with sync_playwright() as tools:
        browser = tools.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        named = [(page.name, page) for page in asked.pages]
        named += [("before", asked.before)] if asked.before else []
        for name, page in named:
            tab = browser.new_page(viewport={"width": 1366, "height": 768})
            tab.goto(page.resolve().as_uri())
            found[name] = {"whole": seen(tab)}
            # the appendix is what comes after the coach's pages
            if tab.evaluate("document.querySelector('.appendix') !== null"):
                tab.evaluate("document.querySelector('.appendix').remove()")
                found[name]["before the appendix"] = seen(tab)
            tab.close()
        browser.close()
    rows = [
        {"page": name, "part": part} | counts
        for name, parts in found.items()
        for part, counts in parts.items()
    ]
    record("page_counts", rows, seed=None)


if __name__ == "__main__":
    main()
