"""Numbers, strikers, servers and the score follow from what was charted."""

from __future__ import annotations

import pytest

from sidewall.charting.rows import Setup, log_bytes, log_frame
from sidewall.charting.session import REDO, UNDO, Session
from sidewall.charting.table import Table
from sidewall.errors import DataError
from sidewall.log import check_log

SETUP = Setup("Rowan v Hazel", ("Rowan", "Hazel"), "Hazel")
SERVE = {"op": "shot", "shot": {"side": "forehand", "stroke": "serve"}}
DRIVE = {"op": "shot", "shot": {"side": "backhand", "stroke": "drive", "gap_cm": 35.0}}


def ending(how, winner=None):
    return {"op": "ending", "ending": how, "rally_won_by": winner}


def play(*events, setup=SETUP):
    table = Table(setup)
    for event in events:
        table = table.after(event)
    return table


def rally(winner, server):
    """Two shots: the server's serve, and a drive that wins or goes into the tin."""
    return (SERVE, DRIVE, ending("tin" if winner == server else "winner"))


def match(*winners, setup=SETUP):
    server, events = setup.server, []
    for winner in winners:
        events += rally(winner, server)
        server = winner
    return play(*events, setup=setup)


def test_strikers_alternate_and_shots_are_numbered():
    table = play(SERVE, DRIVE, DRIVE)
    assert [(row["shot"], row["player"], row["opponent"]) for row in table.rows] == [
        (1, "Hazel", "Rowan"),
        (2, "Rowan", "Hazel"),
        (3, "Hazel", "Rowan"),
    ]
    assert table.next.shot == 4
    assert table.next.striker == "Rowan"


def test_the_ending_says_who_has_won_and_who_serves():
    table = play(SERVE, DRIVE, ending("tin"))
    assert table.rows[-1]["rally_won_by"] == "Hazel"
    assert (table.next.rally, table.next.shot, table.next.striker) == (2, 1, "Hazel")
    assert play(SERVE, DRIVE, ending("winner")).next.striker == "Rowan"


def test_after_a_let_the_same_player_serves_and_nobody_scores():
    table = play(SERVE, DRIVE, ending("let"))
    assert table.rows[-1]["rally_won_by"] is None
    assert table.next.striker == "Hazel"
    assert table.standing.points == (0, 0)


def test_a_stroke_goes_to_whom_it_was_given():
    table = play(SERVE, DRIVE, ending("stroke", "Hazel"))
    assert table.standing.points == (0, 1)


def test_eleven_nine_ends_a_game_and_the_winner_serves_the_next():
    winners = ["Rowan", "Hazel"] * 9 + ["Rowan", "Rowan"]
    before = match(*winners[:-1])
    assert (before.standing.points, before.next.game) == ((10, 9), 1)
    after = match(*winners)
    assert (after.next.game, after.next.rally, after.next.striker) == (2, 1, "Rowan")
    assert (after.standing.points, after.standing.games) == ((0, 0), (1, 0))


def test_at_ten_all_a_game_goes_on_until_two_clear():
    level = ["Rowan", "Hazel"] * 10
    assert match(*level, "Rowan").next.game == 1
    assert match(*level, "Rowan", "Hazel", "Hazel").next.game == 1
    assert match(*level, "Rowan", "Hazel", "Hazel", "Hazel").next.game == 2


def test_hand_in_hand_out_scores_for_the_server_only():
    old = Setup("m", ("Rowan", "Hazel"), "Hazel", scoring="hiho9")
    assert match("Rowan", setup=old).standing.points == (0, 0)
    assert match("Rowan", "Rowan", setup=old).standing.points == (1, 0)
    assert match(*["Hazel"] * 9, setup=old).next.game == 2


def test_game_and_server_can_be_set_by_hand():
    table = play(*rally("Rowan", "Hazel"), {"op": "game", "game": 2}, {"op": "swap"})
    assert (table.next.game, table.next.rally, table.next.striker) == (2, 1, "Hazel")
    # and it holds for one rally only
    assert table.after(SERVE).next.striker == "Rowan"


def test_within_a_rally_swap_exchanges_its_players():
    table = play(SERVE, DRIVE, {"op": "swap"})
    assert [row["player"] for row in table.rows] == ["Rowan", "Hazel"]
    assert table.next.striker == "Rowan"


def test_a_changed_ending_changes_its_winner():
    table = play(SERVE, DRIVE, ending("tin"))
    changed = table.after({"op": "change", "at": 1, "set": {"ending": "winner"}})
    assert changed.rows[1]["rally_won_by"] == "Rowan"
    assert table.rows[1]["rally_won_by"] == "Hazel"  # a table is never changed in place


@pytest.mark.parametrize(
    ("event", "says"),
    [
        ({"op": "nothing"}, "Unknown entry 'nothing'"),
        ({"op": "shot", "shot": {"stroke": "volley"}}, "no known stroke"),
        ({"op": "shot", "shot": {"wall": 3}}, "no field 'wall'"),
        ({"op": "shot", "shot": {"gap_cm": "35"}}, "must be a number"),
        ({"op": "shot"}, "fields by name"),
        (ending("let"), "no rally to end"),
        ({"op": "change", "at": 0, "set": {}}, "no row 0"),
        ({"op": "game", "game": 0}, "numbered from 1"),
    ],
)
def test_what_does_not_fit_is_refused_in_words(event, says):
    with pytest.raises(DataError, match=says):
        play(event)


def test_an_ending_cannot_be_added_in_the_middle():
    with pytest.raises(DataError, match="undo back to it"):
        play(SERVE, DRIVE, {"op": "change", "at": 0, "set": {"ending": "let"}})


@pytest.mark.parametrize(
    ("given", "says"),
    [
        ({"players": ("Rowan",)}, "two names"),
        ({"players": ("Rowan", "rowan")}, "two names"),
        ({"players": ("Rowan", " ")}, "two names"),
        ({"match": " "}, "give the match a name"),
        ({"server": "Alder"}, "who serves first"),
        ({"scoring": "best"}, "par for point-a-rally"),
        ({"hands": {"Rowan": "both"}}, "right or left"),
    ],
)
def test_a_match_is_described_well_or_refused(given, says):
    wanted = {"match": "m", "players": ("Rowan", "Hazel"), "server": "Rowan", **given}
    with pytest.raises(DataError, match=says):
        Setup(**wanted)


def test_the_log_is_the_readers_own():
    table = match("Rowan", "Hazel", "Hazel")
    check = check_log(log_frame(SETUP, table.rows))
    assert (check.rows_in, check.rows_refused) == (6, 0)
    assert check.shots["rally_won_by"].dropna().tolist() == ["Rowan", "Hazel", "Hazel"]


def test_a_name_that_looks_like_a_formula_stays_text(tmp_path):
    setup = Setup("m", ("=Rowan", "Hazel"), "Hazel")
    file = tmp_path / "log.csv"
    file.write_bytes(log_bytes(setup, match("=Rowan", setup=setup).rows))
    assert b",'=Rowan," in file.read_bytes()
    assert "=Rowan" in check_log(file).shots["player"].tolist()


def test_undo_goes_back_to_the_beginning_and_forth_again():
    session = Session(SETUP)
    for event in rally("Rowan", "Hazel"):
        session.do(event)
    full = session.table
    for _ in range(3):
        session.do(UNDO)
    assert session.table.rows == ()
    with pytest.raises(DataError, match="nothing to undo"):
        session.do(UNDO)
    for _ in range(3):
        session.do(REDO)
    assert session.table == full
    session.do(UNDO)
    session.do(ending("let"))
    with pytest.raises(DataError, match="nothing to do again"):
        session.do(REDO)
