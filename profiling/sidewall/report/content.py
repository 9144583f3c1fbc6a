"""Gathers one player's report from the fitted ladder; no model is fitted here."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pandas as pd

from sidewall.errors import DataError
from sidewall.plots.words import board_width_of, known_player
from sidewall.report.answers_view import threshold_answers, threshold_links
from sidewall.report.gallery import Gallery
from sidewall.report.ladder import FittedLadder
from sidewall.report.method import log_facts, method_words, missing_words
from sidewall.report.more_numbers import (
    combination_rows,
    credit_rows,
    margin_rows,
    placement_links,
    placement_rows,
    zone_links,
    zone_rows,
)
from sidewall.report.numbers import comfort_rows, decision_links, decision_rows, threshold_rows
from sidewall.report.place_pictures import (
    funnel_pictures,
    placement_pictures,
    zone_pictures,
)
from sidewall.report.rally_lists import RallyLists
from sidewall.report.views import Content, Link
from sidewall.report.words import Lengths, counts_words, date_words, settle_words
from sidewall.report.work_cards import work_cards
from sidewall.worklist import CAUTIONS

if TYPE_CHECKING:
    from sidewall.log import LogCheck

__all__ = ["gather", "with_clips"]


def gather(
    ladder: FittedLadder,
    player: str,
    unit: str = "cm",
    board_width_m: float | None = None,
    check: LogCheck | None = None,
    initials: bool = False,
) -> tuple[Content, RallyLists]:
    """Gather everything that one player's page shows.

    Parameters
    ----------
    ladder
        Fitted.
    player
        Whose report.
    unit, board_width_m
        Of the gaps.
    check
        Of the log, for the rows refused.
    initials
        Whether initials stand for the names.

    Returns
    -------
    content : Content
    lists : RallyLists
        With the shots behind each list, for clips.

    Raises
    ------
    DataError
        If the model does not know the player.
    UnitError
        If the unit is unknown, or boards are asked for and their width is not known.
    """
    model = ladder.value
    player = known_player(model, player)
    width = board_width_of(model, player, board_width_m)
    lengths = Lengths(unit, width)
    lengths.gap(0.1)  # an unknown unit is told before anything is drawn
    own = ladder.own_features(player)
    lists = RallyLists()
    cards, more_cards = work_cards(ladder, player, lengths, lists)
    decided = decision_links(ladder, player, lengths, lists)
    thresholds = threshold_links(ladder, player, lists)
    tried, combos = _combinations(ladder, player, lists)
    zoned = zone_links(ladder, player, lists)
    placed = placement_links(ladder, player, lists)
    answers = threshold_answers(ladder, player, lengths, thresholds)
    tables = [
        threshold_rows(ladder, player, lengths, thresholds),
        comfort_rows(ladder, player, lengths),
        decision_rows(ladder, player, decided),
        zone_rows(ladder, player, lengths, zoned),
        credit_rows(ladder, player, lists),
        combination_rows(ladder, player, combos),
        placement_rows(ladder, player, lengths, lists),
        margin_rows(ladder, player, lengths),
    ]
    gallery = Gallery(ladder, player, lengths, width)
    sections = [
        gallery.thresholds(answers, thresholds),
        gallery.comfort(),
        gallery.decisions(decided),
        zone_pictures(ladder, player),
        placement_pictures(ladder, player, placed),
        funnel_pictures(ladder, player, tried, combos),
        gallery.work(),
    ]
    dates = date_words(own)
    known = sum(answer.known for answer in answers)
    content = Content(
        player=player,
        unit=lengths.main.unit,
        level=f"{ladder.level:.0%}",
        counts=counts_words(own),
        dates=dates,
        answers=answers,
        settle=settle_words(known, len(answers)),
        pictures=[section for section in sections if section[2]],
        cards=cards,
        more_cards=more_cards,
        cautions=list(CAUTIONS),
        tables=[table for table in tables if table is not None and table.rows],
        lists=lists.lists,
        has_times="t_s" in own.columns and bool(own["t_s"].notna().any()),
        method=method_words(ladder),
        missing=missing_words(ladder),
        facts=log_facts(ladder, player, dates, check),
        initials=initials,
    )
    return content, lists


def _combinations(
    ladder: FittedLadder, player: str, lists: RallyLists
) -> tuple[dict[str, pd.DataFrame], dict[str, Link | None]]:
    """Take the tries of each combination, and list their rallies."""
    tried: dict[str, pd.DataFrame] = {}
    links: dict[str, Link | None] = {}
    for number, combination in enumerate(ladder.combinations, start=1):
        try:
            found = ladder.tries(combination, player)
        except DataError:  # the log lacks what a step asks
            continue
        tried[combination.name] = found
        links[combination.name] = lists.add(
            f"combination-{number}", f"Combination: {combination.name}, every try", found
        )
    return tried, links


def with_clips(content: Content, files: dict[str, list[tuple[str, str]]]) -> Content:
    """Return the content with links to the clip files of its lists.

    Parameters
    ----------
    content
        From `gather`.
    files
        By anchor of the list: words and relative path of each file.
    """
    lists = [
        replace(one, clips=files[one.link.anchor]) if one.link.anchor in files else one
        for one in content.lists
    ]
    return replace(content, lists=lists)
