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


CELLS = [(side, family) for side in ("forehand", "backhand") for family in ("ground", "volley")]


def pretend(ladder, player, monkeypatch, cells, **told):
    """Give a player's rules and thresholds of some cells other values."""
    for name in ("rules", "thresholds"):
        monkeypatch.setattr(ladder, name, _other(getattr(ladder, name), player, cells, told))


def _other(plain, player, cells, told):
    def table(one, by=""):
        rows = plain(one, by) if by else plain(one).copy()
        if one == player and not by:
            here = [cell in cells for cell in zip(rows["side"], rows["family"], strict=True)]
            for name, value in told.items():
                if name in rows:
                    rows.loc[here, name] = value
        return rows

    return table


def everything_pays(ladder, player, monkeypatch, **other):
    """Let every item of the work list be worth training; `other` are points of some."""
    rows = ladder.work.table(player).assign(status="worth training", points_per_game=0.5)
    rows["points_per_game"] = rows["item"].map(other).fillna(rows["points_per_game"])
    monkeypatch.setattr(ladder.work, "table", lambda _: rows)
    return rows


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


@pytest.mark.parametrize(
    ("item", "mark"), [("reset_errors", "level with"), ("attack_errors", "a hand")]
)
def test_where_balls_go_now_is_said_only_where_heights_were_charted(
    report, odd, monkeypatch, item, mark
):
    ladder, lengths = report.ladder_, Lengths("cm", None)
    rules = rules_of(ladder, odd)

    def words():
        return drill_for(item).court.format_map(_Numbers(ladder, odd, item, rules, lengths))

    assert re.search(r"front wall \d\.\d\d m up, where your \w+ go now", words())
    monkeypatch.setattr(ladder, "scatter", None)
    assert f"front wall {mark}" in words()
    assert "go now" not in words()


def test_what_nobody_charted_is_not_known_and_what_to_chart_is_said(report, odd, monkeypatch):
    ladder = report.ladder_
    pretend(ladder, odd, monkeypatch, [("backhand", "volley")], n_attack=3, more_shots=230.0)
    sheet = make_sheet(ladder, odd)
    (tape,) = [one for one in sheet.tapes if (one.side, one.met) == ("backhand", "volley")]
    assert tape.says == "not known yet"
    assert tape.chart == (
        "Chart at least 2 more attacks for a first guess. To be sure takes about 230 more shots."
    )
    assert not tape.taped
    assert sheet.zone("backhand") == ("attack", "bounce only")
    assert len(re.findall("<line", render_sheet(sheet))) == len(sheet.tapes) - 1


ATTACKS = re.compile(r"attack|kill|drop|boast|smash|flick")


def test_length_at_any_gap_leaves_no_word_of_attacking(report, odd, monkeypatch, parse):
    ladder = report.ladder_
    items = everything_pays(ladder, odd, monkeypatch)["item"]
    assert {"attack_forehand", "attack_errors", "passed_up"} <= set(items)
    pretend(ladder, odd, monkeypatch, CELLS, rule_m=math.inf)
    sheet = make_sheet(ladder, odd)
    page = parse(render_sheet(sheet))
    assert {tape.says for tape in sheet.tapes} == {"length at any gap"}
    assert [node.text for node in page.all("text")] == ["front wall", "length"]
    assert page.all("line") == []
    assert "Stick the tape" not in page.all("main")[0].text
    cards = [node.text for node in page.all("section") if "tape-card" in node.attrs["class"]]
    assert not ATTACKS.search(" ".join(cards))
    assert not ATTACKS.search(" ".join(one.drill for one in sheet.training))
    assert len(sheet.training) == 3
    assert sheet.no_attacks


def test_where_one_stroke_is_attacked_the_court_and_the_drills_are_about_it(
    report, odd, monkeypatch
):
    ladder = report.ladder_
    everything_pays(ladder, odd, monkeypatch)
    never = [("forehand", "ground"), ("backhand", "ground"), ("backhand", "volley")]
    pretend(ladder, odd, monkeypatch, never, rule_m=math.inf)
    sheet = make_sheet(ladder, odd)
    assert sheet.zone("forehand") == ("attack", "volley only")
    assert sheet.zone("backhand") == ("length", "")
    assert len(re.findall("<line", render_sheet(sheet))) == 1
    rules = rules_of(ladder, odd)
    for item in ("attack_forehand", "passed_up", "attack_errors", "volley_forehand"):
        numbers = _Numbers(ladder, odd, item, rules, Lengths("cm", None))
        assert numbers.cell == ("forehand", "volley")
    assert not [one for one in sheet.training if one.item in ("attack_backhand", "volley_backhand")]


def test_without_a_known_tape_no_feed_to_attack_is_given(report, odd, monkeypatch, parse):
    ladder = report.ladder_
    rows = everything_pays(ladder, odd, monkeypatch)
    pretend(ladder, odd, monkeypatch, CELLS, n_reset=0)
    sheet = make_sheet(ladder, odd)
    page = parse(render_sheet(sheet))
    assert "no tape is known yet" in sheet.sure
    assert [node.text for node in page.all("text")] == ["front wall"]
    assert not ATTACKS.search(" ".join(one.drill for one in sheet.training))
    assert not re.search(r"\d cm", " ".join(one.drill for one in sheet.training))
    assert not sheet.no_attacks
    monkeypatch.setattr(ladder.work, "table", lambda _: rows.head(0))
    assert "First chart what is missing above" in render_sheet(make_sheet(ladder, odd))


def test_what_is_a_first_guess_is_marked_and_nothing_else(report, odd, monkeypatch, parse):
    ladder = report.ladder_
    ends = {"threshold_low_m": 0.1, "threshold_high_m": 1.5}
    pretend(ladder, odd, monkeypatch, CELLS, status="crosses", **ends)
    pretend(ladder, odd, monkeypatch, [("backhand", "volley")], status="not known yet")
    sheet = make_sheet(ladder, odd)
    assert [t.guess for t in sheet.tapes] == [
        (t.side, t.met) == ("backhand", "volley") for t in sheet.tapes
    ]
    page = parse(render_sheet(sheet))
    (line,) = [node for node in page.all("line") if "guess" in node.attrs["class"]]
    assert "dashed" in line.attrs["class"]
    (card,) = [n for n in page.all("section") if n.attrs["class"] == "tape-card backhand"]
    assert card.text.partition("volley")[2].count("a first guess") == 1
    assert page.all("main")[0].text.count("a first guess") == 2  # there and under "How sure?"


def test_what_gains_nothing_is_not_offered(report, odd, monkeypatch):
    ladder = report.ladder_
    rows = everything_pays(ladder, odd, monkeypatch)
    first = make_sheet(ladder, odd).training[0].item
    everything_pays(ladder, odd, monkeypatch, **{first: -0.01})
    rest = [one.item for one in make_sheet(ladder, odd).training]
    assert rest
    assert first not in rest
    assert first in set(rows["item"])


def test_the_sheet_has_the_words_of_the_work_list(report, odd, monkeypatch):
    ladder = report.ladder_
    rows = everything_pays(ladder, odd, monkeypatch).assign(status="may be nothing")
    monkeypatch.setattr(ladder.work, "table", lambda _: rows)
    assert {one.sure for one in make_sheet(ladder, odd).training} == {"may be nothing"}


def test_every_sentence_of_a_drill_begins_with_a_capital(report, odd, monkeypatch):
    ladder = report.ladder_
    rows = everything_pays(ladder, odd, monkeypatch)
    pretend(ladder, odd, monkeypatch, CELLS, rule_m=0.2)  # tighter than any feed can be
    lowered = 0
    for item in rows["item"]:
        one = rows[rows["item"] == item]
        monkeypatch.setattr(ladder.work, "table", lambda _, one=one: one)
        (training,) = make_sheet(ladder, odd).training
        assert not re.search(r"(^|\. )[a-z]", training.drill)
        lowered += "A ball that clings" in training.drill
    assert lowered


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
