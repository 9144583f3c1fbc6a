from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from sidewall.errors import DataError
from sidewall.placement import TinMargin, placement_table
from sidewall.report.numbers import number_tables
from sidewall.report.rallies import Rallies
from sidewall.report.sections import Pages, _decision_words
from sidewall.report.sheet import VARY_OPEN, make_sheet
from sidewall.report.words import Lengths, signed_in


@pytest.fixture
def pages(report, odd):
    lengths = Lengths("cm", None)
    rallies = Rallies(report.ladder_.features, {}, None, lengths.main)
    return Pages(report.ladder_, odd, make_sheet(report.ladder_, odd), lengths, None, rallies)


def told(section):
    return {line.title: line.says for line in section.lines}


def test_when_to_vary_asks_only_for_what_is_missing(pages):
    pages.sheet = replace(pages.sheet, vary=VARY_OPEN)
    shots = pages.mine.assign(direction="straight", stroke="drive")
    pages.mine = shots
    says = told(pages.unknown())["When to vary"]
    assert "direction" not in says
    assert "stroke" not in says
    table = pages.ladder.repeat
    row = table[table["player"] == pages.player].iloc[0]
    assert f"{row['n_repeated'] + row['n_varied']:,} replies" in says
    second = np.arange(len(shots)) == 1
    pages.mine = shots.assign(direction=np.where(second, None, "straight"))
    says = told(pages.unknown())["When to vary"]
    assert says.endswith("Chart direction of every shot.")
    boast = np.where(second, "boast", "drive")
    pages.mine = pages.mine.assign(stroke=boast)  # which has no direction
    assert "direction" not in told(pages.unknown())["When to vary"]


def test_what_is_charted_is_not_asked_for_and_what_is_not_is_asked_once(pages, monkeypatch):
    ladder = pages.ladder
    places = [name for name in ladder.features if str(name).endswith(("x_m", "y_m", "z_m"))]
    bare = ladder.features.drop(columns=places)
    assert bare["depth"].notna().any()
    monkeypatch.setattr(ladder, "features", bare)
    missing = {}
    for what, make in (
        ("placement", lambda: placement_table(bare)), ("tin margin", lambda: TinMargin().fit(bare))
    ):  # fmt: skip
        with pytest.raises(DataError) as error:
            make()
        missing[what] = str(error.value)
    monkeypatch.setattr(ladder, "missing", missing)
    monkeypatch.setattr(ladder.work, "missing_", {"length_on_target": missing["placement"]})
    says = told(pages.unknown())
    assert "How the tape moves by place" not in says
    words = " ".join([*says, *says.values()])
    assert "read_shots" not in words
    assert "_m" not in words
    assert words.count("bounce_x") == words.count("wall_z") == 1
    monkeypatch.setattr(ladder, "features", bare.drop(columns="depth"))
    assert "How the tape moves by place" in told(pages.unknown())


def test_an_opening_shows_the_interval_of_its_difference(pages, monkeypatch):
    ladder = pages.ladder
    rows = ladder.credit[ladder.credit["player"].astype(str) == pages.player].head(2).copy()
    rows["n_rallies"] = 20
    rows["difference"], rows["difference_low"] = [0.2, -0.2], [0.1, -0.3]
    rows["difference_high"] = [0.3, -0.1]
    monkeypatch.setattr(ladder, "credit", rows)
    section = pages.opening()
    for line, row in zip(section.lines, rows.to_dict("records"), strict=True):
        assert signed_in(row, "difference", times=100) in line.says
        assert "from a ball of the same side, contact, gap, depth and balance" in line.says
        assert f"{row['n_shots']:,} shot" in line.says
    assert "same ball" not in section.verdict


def test_the_page_and_its_table_know_a_tape_or_both_do_not(pages, monkeypatch, report, odd):
    ladder, plain = pages.ladder, pages.ladder.rules

    def few(player, by=""):
        return plain(player, by) if by else plain(player).assign(n_reset=0)

    monkeypatch.setattr(ladder, "rules", few)
    rules = number_tables(ladder, odd, pages.lengths)[0]
    assert rules.title == "The tapes"
    assert {row[rules.headings.index("Rule")] for row in rules.rows} == {"not known yet"}


@pytest.mark.parametrize(
    ("tape", "words"),
    [
        ({}, "Which balls are clearly tight or loose is not known yet."),
        ({"chart": "Chart.", "attacks": False, "at_m": np.nan}, "tight or loose is not known yet"),
        ({"at_m": np.nan}, "No ball is clearly tight. Which balls are clearly loose is not"),
        ({"at_m": np.nan, "attacks": False}, "No ball is clearly loose. Which balls are clearly"),
    ],
)
def test_with_a_tape_no_ball_called_loose_is_not_known_yet(pages, tape, words):
    one = replace(pages.sheet.tapes[0], **tape)
    assert words in _decision_words(pd.DataFrame({"decision": ["open", "open"]}), one)


def test_clear_balls_are_counted(pages):
    calls = ["forced", "reset tight", "reset tight", "attacked loose"]
    said = _decision_words(pd.DataFrame({"decision": calls}), pages.sheet.tapes[0])
    assert said == "1 of 3 clearly tight balls attacked, 0 of 1 clearly loose balls not attacked."


def test_where_nothing_is_judged_no_cost_is_told(pages, monkeypatch):
    assert "rallies" in pages._costs()
    table = pages.ladder.decision_table.assign(n_shots=0)
    monkeypatch.setattr(pages.ladder, "decision_table", table)
    assert pages._costs() == ""


def test_training_says_where_no_attack_is_trained(pages):
    assert "no attack" not in pages.training().verdict
    pages.sheet = replace(pages.sheet, no_attacks=True)
    assert "no attack is trained here" in pages.training().verdict
