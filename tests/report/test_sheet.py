from __future__ import annotations

import math
import re

import pytest
from typer.testing import CliRunner

from sidewall.cli.app import app
from sidewall.combinations.tries import break_words
from sidewall.errors import DataError, UnitError
from sidewall.report.page import render_sheet
from sidewall.report.sheet import CLEAR_M, _Numbers, loose_m, make_sheet, rules_of
from sidewall.report.words import Lengths
from sidewall.simulate import synthetic_data_folder
from sidewall.worklist import CAUTIONS, ITEM_WORDS, drill_for
from sidewall.worklist.items import COMBINATION

#: A player reads the sheet: none of the words of the method.
METHOD = ("interval", "posterior", "draw ", "threshold", "model", "p =", "95%", "estimate", "n =")


@pytest.fixture(scope="module")
def sheet(report, odd):
    return report.sheet(odd)


@pytest.fixture(scope="module")
def sheet_page(sheet, parse):
    return parse(render_sheet(sheet))


def test_each_tape_is_the_rule_of_the_model(report, sheet, odd):
    rules = report.ladder_.value.rule().query("player == @odd").set_index(["side", "family"])
    assert len(sheet.tapes) == len(rules)
    for tape in sheet.tapes:
        family = "volley" if tape.met == "volley" else "ground"
        rule = rules.loc[(tape.side, family)]
        assert min(rule["n_attack"], rule["n_reset"]) >= 5
        assert tape.at_m == rule["rule_m"]
        assert tape.says == f"{100 * rule['rule_m']:.0f} cm"


def test_tapes_are_drawn_to_scale_beside_their_wall(sheet, sheet_page):
    box = next(node for node in sheet_page.all("svg"))
    # 6.40 m by 9.75 m: World Squash Federation, Specifications for Squash Courts
    floor = next(n for n in sheet_page.all("rect") if n.attrs["class"] == "wood")
    assert (float(floor.attrs["width"]), float(floor.attrs["height"])) == (640.0, 975.0)
    assert "to scale" in box.attrs["aria-label"]
    drawn = sorted(float(n.attrs["x1"]) for n in sheet_page.all("line"))
    told = [t.at_m * 100 if t.side == "backhand" else 640 - t.at_m * 100 for t in sheet.tapes]
    assert drawn == pytest.approx(sorted(told), abs=0.06)


def test_a_left_hander_has_the_forehand_at_the_left_wall(report, odd):
    ladder = report.ladder_
    before = ladder.features
    try:
        ladder.features = before.assign(hand="left")
        left = make_sheet(ladder, odd)
    finally:
        ladder.features = before
    assert left.sides == ["forehand", "backhand"]
    assert left.hand_known


def test_feeds_lie_on_their_own_side_of_the_tape(report, odd):
    ladder = report.ladder_
    tapes = rules_of(ladder, odd)
    assert len(tapes) == 4
    numbers = _Numbers(ladder, odd, "passed_up", tapes, Lengths("cm", None))
    for cell, row in tapes.items():
        numbers.cell = cell
        assert numbers["loose"] == f"{100 * (row['rule_m'] + CLEAR_M):.0f} cm"
        assert numbers["tight"] == f"{100 * (row['rule_m'] - CLEAR_M):.0f} cm"


def test_shots_are_the_best_and_those_that_the_model_does_not_call_worse(report, sheet, odd):
    ladder, alike = report.ladder_, 0
    for tape, (cell, row) in zip(sheet.tapes, rules_of(ladder, odd).items(), strict=True):
        table = ladder.value.which_shot(odd, *cell, loose_m(ladder, cell, row["rule_m"]))
        table = table[(table["choice"] == "attack") & (table["n_shots"] >= 5)]
        stroke = table["stroke"].str.replace("_", " ")
        assert tape.shot == stroke.iloc[0]
        as_good = (table["words"] == "no difference known").to_numpy() & (stroke != tape.shot)
        assert tape.alike == list(stroke[as_good])
        alike += len(tape.alike)
    assert alike


def test_drills_use_the_players_own_numbers(sheet):
    assert 1 <= len(sheet.training) <= 3
    feeds = {
        f"{100 * (tape.at_m + way * CLEAR_M):.0f} cm" for tape in sheet.tapes for way in (-1, 1)
    }
    told = [gap for one in sheet.training for gap in re.findall(r"\d+ cm", one.drill)]
    assert told
    assert set(told) <= feeds
    assert not [one for one in sheet.training if "{" in one.drill]
    assert {one.mark for one in sheet.training} == {"8 of 10, twice"}


@pytest.mark.parametrize("item", [*ITEM_WORDS, "combination: length then volley"])
def test_every_drill_can_be_filled_in_also_where_nothing_is_known(report, odd, item):
    ladder, lengths = report.ladder_, Lengths("cm", None)
    rules = rules_of(ladder, odd)
    for known in (True, False):
        told = {cell: row | {"known": known} for cell, row in rules.items()}
        words = drill_for(item).court.format_map(_Numbers(ladder, odd, item, told, lengths))
        assert not set("{}") & set(words)
        assert "nan" not in words
        assert known or " cm" not in words


def test_what_nobody_charted_is_not_known_and_what_to_chart_is_said(report, odd, monkeypatch):
    ladder = report.ladder_
    rules, plain = ladder.value.rule(), ladder.rules
    here = (rules["player"] == odd) & (rules["side"] == "backhand") & (rules["family"] == "volley")
    rules.loc[here, "n_attack"] = 3

    def few(player, by=""):
        return plain(player, by) if by else rules[rules["player"] == player]

    monkeypatch.setattr(ladder, "rules", few)
    sheet = make_sheet(ladder, odd)
    (tape,) = [one for one in sheet.tapes if (one.side, one.met) == ("backhand", "volley")]
    assert tape.says == "not known yet"
    assert tape.chart == "Chart at least 2 more attacks."
    assert not tape.taped
    assert len(re.findall("<line", render_sheet(sheet))) == len(sheet.tapes) - 1


def test_a_change_is_told_only_where_the_log_can_tell_and_a_player_can_see_it(report, sheet, odd):
    assert any(tape.changes for tape in sheet.tapes)
    rules = report.ladder_.value.rule(by="balance").query("player == @odd")
    stretched = rules[rules["balance"] == "stretched"].set_index(["side", "family"])
    for tape in sheet.tapes:
        row = stretched.loc[(tape.side, "volley" if tape.met == "volley" else "ground")]
        apart = not math.isclose(row["rule_m"], tape.at_m, abs_tol=0.05)
        told = "stretched" in dict(tape.changes)
        assert told == (row["basis"] == "own level" and apart)


def test_a_change_reads_as_a_gap_to_attack_from(sheet, sheet_page):
    told = [gap for tape in sheet.tapes for _, gap in tape.changes]
    known = r"from \d+ cm|attack at any gap|length at any gap"
    assert all(re.fullmatch(known, gap) for gap in told)
    words = " ".join(sheet_page.all("main")[0].text.split())
    for tape in sheet.tapes:
        assert all(f"{where}: {gap}" in words for where, gap in tape.changes)


def test_the_step_that_breaks_comes_from_the_funnel(report, odd):
    ladder, name = report.ladder_, "length then volley"
    one = next(each for each in ladder.combinations if each.name == name)
    table = one.funnel(ladder.features, player=odd)
    step = ladder.breaks_at(name, odd)
    assert f"step {step}, which" in break_words(table)
    told = _Numbers(ladder, odd, COMBINATION + name, rules_of(ladder, odd), Lengths("cm", None))
    assert told["step"] == f"at step {step}, where it breaks,"


def test_it_says_nothing_else(sheet, sheet_page, odd):
    words = sheet_page.all("main")[0].text.replace(odd, "")
    assert not [word for word in METHOD if word in words.lower()]
    assert len(words.split()) < 400
    assert all(one in words for one in CAUTIONS)
    assert sheet.sure in words


def test_a_name_that_is_markup_is_text(sheet_page, odd):
    assert sheet_page.all("script") == []
    assert odd in sheet_page.all("h1")[0].text


def test_gaps_in_the_readers_unit(report, odd):
    inches = make_sheet(report.ladder_, odd, "in")
    assert all(tape.says.endswith(" in") for tape in inches.tapes)
    boards = make_sheet(report.ladder_, odd, "cm", 0.07)
    for tape in boards.tapes:
        assert tape.boards == f"{tape.at_m / 0.07:.1f} boards"
    with pytest.raises(UnitError, match="furlong"):
        make_sheet(report.ladder_, odd, "furlong")
    with pytest.raises(DataError, match="Nobody"):
        make_sheet(report.ladder_, "Nobody")


@pytest.mark.slow
def test_the_command_writes_one_page(log_of_rowan, tmp_path):
    out = tmp_path / "new" / "rowan.html"
    players = synthetic_data_folder() / "players.csv"
    words = ["--player", "rowan", "--players", players, "--initials", "--out", out]
    result = CliRunner().invoke(app, ["sheet", str(log_of_rowan), *map(str, words)])
    assert result.exit_code == 0, result.output
    assert str(out) in result.stdout
    text = out.read_text(encoding="utf-8")
    assert "<h1>RO on court</h1>" in text
    assert "Rowan" not in text
    result = CliRunner().invoke(app, ["sheet", str(log_of_rowan), "--player", "Rown"])
    assert result.exit_code == 2
    assert "Close names: Rowan" in result.stderr
