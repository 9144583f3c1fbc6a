from __future__ import annotations

import base64
import re
from itertools import pairwise

import pytest

from sidewall.plots.words import cell_words

HEADINGS = ("h1", "h2", "h3", "h4")


def ids(page):
    return [node.attrs["id"] for node in page.nodes if "id" in node.attrs]


def svgs(page):
    for image in page.all("img"):
        kind, _, data = image.attrs["src"].partition(";base64,")
        if kind == "data:image/svg+xml":
            yield base64.b64decode(data).decode("utf-8")


def test_a_name_that_is_markup_is_text_everywhere(page, html, odd):
    assert page.all("script") == []
    assert "<script" not in html
    (title,) = page.all("title")
    (heading,) = page.all("h1")
    assert odd in title.text
    assert odd in heading.text
    assert not [name for name in ids(page) if "script" in name]
    assert not [link for link in page.all("a") if "script" in link.attrs["href"]]
    drawn = list(svgs(page))
    assert any("&lt;script&gt;" in svg for svg in drawn)
    assert not any("<script" in svg for svg in drawn)


def test_the_page_is_one_file_that_asks_for_nothing(page, html):
    assert page.all("link", "iframe", "object", "embed") == []
    assert all(node.attrs["src"].startswith("data:image/") for node in page.all("img"))
    style = "".join(node.text for node in page.all("style"))
    assert "url(" not in style
    assert "@import" not in style
    assert not re.search(r'\son\w+="', html), "a script in an attribute"
    for svg in svgs(page):
        outside = re.findall(r'(?:href|src)="(?!#|data:image/)([^"]+)"', svg)
        assert outside == []


def test_the_page_is_small(written):
    assert written.file.stat().st_size < 2_000_000


def test_one_h1_and_no_heading_is_skipped(page):
    levels = [int(node.tag[1]) for node in page.all(*HEADINGS)]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))


def test_language_title_view_and_skip_link(page):
    (root,) = page.all("html")
    assert root.attrs["lang"] == "en"
    names = {node.attrs.get("name") for node in page.all("meta")}
    assert {"viewport", "color-scheme"} <= names
    first = page.all("a")[0]
    assert first.attrs["class"] == "skip"
    assert first.attrs["href"].removeprefix("#") in ids(page)


def test_every_picture_has_an_alternative_and_stands_under_a_verdict(page, content):
    images = page.all("img")
    assert len(images) >= 10
    assert all(len(node.attrs["alt"]) > 40 for node in images)
    for section in content.sections:
        for one in section.pictures:
            assert one.says.endswith(".")
            assert one.width > 0 < one.height


def test_tables_have_headings_with_scope_and_names(page):
    tables = page.all("table")
    assert len(tables) >= 8
    regions = [node for node in page.all("div") if node.attrs.get("role") == "region"]
    assert len(regions) == len(tables)
    assert all(node.attrs.get("scope") in ("col", "row") for node in page.all("th"))


def test_every_link_within_the_page_leads_somewhere(page):
    here = ids(page)
    assert len(here) == len(set(here))
    links = [node.attrs["href"] for node in page.all("a")]
    inside = [link[1:] for link in links if link.startswith("#")]
    assert len(inside) > 20
    assert set(inside) <= set(here)


def links_of(content):
    for section in content.sections:
        for one in (*section.pictures, *section.lines):
            if one.link is not None:
                yield one.link


def test_every_claim_leads_to_a_few_best_examples(content, page):
    lists = {one.link.anchor: one for one in content.lists}
    claims = list(links_of(content))
    assert len(claims) > 8
    for link in claims:
        one = lists[link.anchor]
        assert one.link == link
        assert 1 <= len(one.examples) <= 5
        rallies = [(each.match, each.game, each.rally) for each in one.examples]
        assert len(set(rallies)) == len(rallies)
        assert len(rallies) == min(5, link.rallies)
    hrefs = {node.attrs["href"] for node in page.all("a")}
    assert hrefs >= {f"#{link.anchor}" for link in claims}


def test_all_other_rallies_stand_in_one_list(content, page):
    rest = {
        (match, game, number)
        for match, games in content.rest
        for game, rallies in games
        for number, _ in rallies
    }
    shown = {(e.match, e.game, e.rally) for one in content.lists for e in one.examples}
    assert shown < rest
    assert len(rest) >= max(one.link.rallies for one in content.lists)
    assert "All rallies behind these lists" in page.all("main")[0].text


def test_examples_name_match_game_rally_and_its_time(content, shots, odd):
    one = next(each for each in content.lists if each.link.anchor.startswith("list-tape"))
    example = one.examples[0]
    minutes, seconds = (int(part) for part in example.time.split(":"))
    rally = shots[
        (shots["match"] == example.match)
        & (shots["game"] == example.game)
        & (shots["rally"] == example.rally)
    ]
    assert (rally["player"] == odd).any()
    assert int(rally["t_s"].min()) == 60 * minutes + seconds


def test_the_coachs_pages_say_one_number_for_a_tape_and_no_word_of_the_method(content, page):
    words = "".join(
        node.text for node in page.all("section") if node.attrs.get("class", "").startswith("page")
    ).lower()
    for method in ("posterior", "bootstrap", "p-value", "95%", "interval,", "model", "estimat"):
        assert method not in words
    attack = next(one for one in content.sections if one.key == "attack")
    for picture, tape in zip(attack.pictures, content.sheet.tapes, strict=True):
        assert picture.says == f"Attack from {tape.says}{', a first guess' * tape.guess}."
        # nothing else is said from where to attack
        assert len(re.findall(r"\d+ cm", picture.alt)) == 1


def test_what_cannot_be_said_is_listed_once(content):
    (unknown,) = [one for one in content.sections if one.key == "unknown"]
    titles = [line.title for line in unknown.lines]
    assert len(set(titles)) == len(titles)
    assert all(line.says.endswith(".") for line in unknown.lines)


def test_the_sheet_comes_first_and_the_appendix_is_folded(page):
    sections = page.all("section")
    assert sections[0].attrs["id"] == "sheet"
    (appendix,) = [node for node in page.all("h2") if node.attrs.get("id") == "appendix"]
    assert appendix.inside[-2:] == ["details", "summary"]
    assert cell_words("forehand", "ground") in page.all("main")[0].text


def test_cautions_personal_data_and_facts_are_said(page, check):
    (main,) = page.all("main")
    for words in (
        "Warm up",
        "Stop when it hurts",
        "eye protection",
        "doctor",
        "holds personal data",
        f"{check.rows_refused:,} of {check.rows_in:,} rows refused",
        "Seed",
        "Choice is not random",
        "Where intervals are known to fail",
    ):
        assert words in main.text
    assert "Personal data" in page.all("footer")[0].text


def test_training_carries_gain_and_progression(content):
    (training,) = [one for one in content.sections if one.key == "training"]
    assert [line.title for line in training.lines] == [one.title for one in content.sheet.training]
    for line in training.lines:
        assert re.match(r"[+−]?\d+\.\d \([+−]?\d+\.\d+ to [+−]?\d+\.\d+\) rallies", line.says)
        assert [stage for stage, _ in line.more] == ["Simple", "Varied", "In a game"]


def luminance(colour):
    channels = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one, other):
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", [0, 1], ids=["light", "dark"])
@pytest.mark.parametrize(
    ("ink", "paper"),
    [
        ("ink", "paper"),
        ("ink", "card"),
        ("quiet", "paper"),
        ("quiet", "card"),
        ("link", "paper"),
        ("link", "card"),
        ("ink", "open"),
        ("paper", "wall"),
    ],
)
def test_text_stands_out_from_its_ground(page, scheme, ink, paper):
    # 4.5 to 1 for text: Web Content Accessibility Guidelines 2.1, 1.4.3 (AA).
    style = "".join(node.text for node in page.all("style"))
    blocks = re.findall(r":root \{([^}]*)\}", style)
    named = dict(re.findall(r"--([\w-]+): (#[0-9a-f]+)", blocks[scheme]))
    full = {k: v if len(v) == 7 else "#" + "".join(2 * c for c in v[1:]) for k, v in named.items()}
    assert contrast(full[ink], full[paper]) >= 4.5
