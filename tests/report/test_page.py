from __future__ import annotations

import base64
import re
from itertools import pairwise

import pytest

from sidewall.report.answers_view import threshold_answers
from sidewall.report.words import Lengths

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


def test_every_picture_has_an_alternative_a_sentence_and_its_n(page, content):
    images = page.all("img")
    assert len(images) >= 10
    assert all(len(node.attrs["alt"]) > 40 for node in images)
    for _, _, shown in content.pictures:
        for one in shown:
            assert one.says.endswith(".")
            assert one.n
            assert one.width > 0 < one.height


def test_tables_have_captions_and_headings_with_scope(page):
    tables = page.all("table")
    assert len(tables) >= 8
    assert len(page.all("caption")) == len(tables)
    assert all(node.attrs.get("scope") in ("col", "row") for node in page.all("th"))


def test_every_link_within_the_page_leads_somewhere(page):
    here = ids(page)
    assert len(here) == len(set(here))
    links = [node.attrs["href"] for node in page.all("a")]
    inside = [link[1:] for link in links if link.startswith("#")]
    assert len(inside) > 30
    assert set(inside) <= set(here)


def test_every_claim_leads_to_its_rallies(content, page):
    lists = {one.link.anchor: one for one in content.lists}
    claims = [one.link for one in content.answers]
    claims += [card.link for card in content.cards]
    claims += [row.link for table in content.tables for row in table.rows if table.linked]
    claims = [link for link in claims if link is not None]
    assert len(claims) > 20
    for link in claims:
        one = lists[link.anchor]
        rallies = sum(len(game.rallies) for _, games in one.matches for game in games)
        assert rallies == link.rallies > 0
        assert one.link.number == link.number
    assert {node.attrs["href"] for node in page.all("a")} >= {f"#{link.anchor}" for link in claims}


def test_lists_name_match_game_rally_and_time(content, shots, odd):
    one = next(each for each in content.lists if each.link.anchor.startswith("clips-threshold"))
    match, games = one.matches[0]
    number, time = games[0].rallies[0]
    minutes, seconds = (int(part) for part in time.split(":"))
    rows = shots[
        (shots["match"] == match)
        & (shots["game"] == games[0].game)
        & (shots["rally"] == number)
        & (shots["player"] == odd)
    ]
    assert (rows["t_s"].astype(int) == 60 * minutes + seconds).any()


def test_the_first_screen_says_threshold_interval_n_and_what_to_work_on(report, content, page, odd):
    assert len(content.answers) == 4
    table = report.ladder_.value.thresholds()
    rows = table[table["player"] == odd]
    for answer, (_, row) in zip(content.answers, rows.iterrows(), strict=True):
        if row["status"] == "crosses":
            assert answer.says == f"Loose from {100 * row['threshold_m']:.0f} cm"
            assert answer.interval == f"{100 * row['low_m']:.0f} to {100 * row['high_m']:.0f}"
        else:
            assert answer.says == row["status"].capitalize()
        assert answer.n == f"{row['n_attack']} attacks, {row['n_reset']} resets"
    (main,) = page.all("main")
    assert main.text.index("Work on this first") < main.text.index("Pictures")


def test_an_unknown_answer_says_what_would_settle_it(report):
    lengths = Lengths("cm", None)
    unknown = [
        answer
        for name in report.players
        for answer in threshold_answers(report.ladder_, name, lengths, {})
        if answer.says == "Not known yet"
    ]
    assert unknown, "the small log should leave something open"
    assert all("more shots of this kind would settle it" in answer.rule for answer in unknown)
    assert not any(answer.known for answer in unknown)


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
    assert "Personal data" in page.all("header")[0].text


def test_cards_carry_gain_effort_rank_drill_and_progression(content, page):
    assert content.cards
    for card in content.cards:
        assert re.fullmatch(r"[+−]?\d+\.\d\d \([+−]?\d+\.\d\d to [+−]?\d+\.\d\d\)", card.gain)
        assert "to" in card.match
        assert card.effort.startswith("3 of 5 (assumed")
        assert card.sure.startswith("comes first in")
        assert [stage for stage, _ in card.stages] == ["Simple", "Varied", "In a game"]
        assert card.anchor in ids(page)


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
        ("on-attack", "attack"),
        ("on-reset", "reset"),
        ("on-open", "open"),
        ("good", "good-back"),
        ("maybe", "maybe-back"),
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
