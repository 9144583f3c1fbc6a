from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from sidewall.court.court import Court
from sidewall.court.zones import Zones
from sidewall.errors import DataError
from sidewall.features import zone_features
from sidewall.features.shots import place_columns, shot_features, with_features
from sidewall.log.vocabulary import FAMILY_OF_CONTACT
from sidewall.rallies import RallyChain


def values(frame, column):
    return [None if pd.isna(v) else v for v in frame[column]]


def test_result_and_length_by_hand(three_rallies):
    f = shot_features(three_rallies)
    assert f["rally_id"].tolist() == [0] * 5 + [1] * 2 + [2] * 3
    assert f["rally_length"].tolist() == [5] * 5 + [2] * 2 + [3] * 3
    assert f["shots_left"].tolist() == [4, 3, 2, 1, 0, 1, 0, 2, 1, 0]
    assert values(f, "won") == [1, 0, 1, 0, 1, None, None, 0, 1, 0]


def test_neighbouring_shots_by_hand(three_rallies):
    f = shot_features(three_rallies)
    assert values(f, "reply_gap_m") == [0.9, 0.3, 0.2, 1.0, None, 1.2, None, 0.8, 2.0, None]
    assert values(f, "incoming_stroke") == [
        None, "serve", "drive", "drive", "boast", None, "serve", None, "serve", "drive",
    ]  # fmt: skip
    assert values(f, "own_previous_stroke") == [
        None, None, "serve", "drive", "drive", None, None, None, None, "serve",
    ]  # fmt: skip
    assert values(f, "own_previous_choice") == [
        None, None, None, "reset", "reset", None, None, None, None, None,
    ]  # fmt: skip
    assert values(f, "own_previous_gap_left_m") == [
        None, None, 0.9, 0.3, 0.2, None, None, None, None, 0.8,
    ]  # fmt: skip
    tempo = [np.nan, 1.1, 1.4, 1.1, 1.4, np.nan, 1.0, np.nan, 1.0, 1.2]
    np.testing.assert_allclose(f["tempo_s"], tempo)


def test_family_by_hand(three_rallies):
    f = shot_features(three_rallies)
    assert values(f, "family") == [
        None, "volley", "ground", "ground", "ground", None, "volley", None, "volley", "volley",
    ]  # fmt: skip
    plain = shot_features(three_rallies.drop(columns="contact"))
    assert set(plain.loc[plain["stroke"] != "serve", "family"]) == {"ground"}


def test_place_by_hand(three_rallies):
    f = shot_features(three_rallies)
    # Row 3 has no x: a left-hander's backhand is on the right wall, 0.2 m from it.
    assert values(f, "wall") == [
        "right", "right", "right", "right", "left", "left", "left", "right", "right", "right",
    ]  # fmt: skip
    assert f["lane"].iloc[3] == "right"
    assert pd.isna(f["depth"].iloc[3])
    assert f["depth"].iloc[2] == "back"
    assert f["depth"].iloc[4] == "front"
    # Row 6: a left-hander's forehand, 1.2 m off the left wall, which is the left lane.
    assert f["lane"].iloc[6] == "left"


def test_opponent_distance_by_hand(three_rallies):
    f = shot_features(three_rallies)
    assert f["opponent_distance_m"].iloc[0] == pytest.approx(np.hypot(5.5 - 3.2, 7.0 - 5.4))
    # Next contact not logged, last shot of a rally, last shot of the table.
    assert f["opponent_distance_m"].iloc[[2, 4, 9]].isna().all()
    assert f["opponent_distance_m"].iloc[8] == pytest.approx(np.hypot(4.4 - 3.2, 4.0 - 5.4))


def test_score_by_hand(three_rallies):
    f = shot_features(three_rallies)
    rowan = f["player"] == "Rowan"
    assert f["is_server"].tolist() == rowan.tolist()  # Rowan serves all three
    assert f.loc[rowan, "own_points"].tolist() == [0, 0, 0, 1, 1, 1]
    assert f.loc[~rowan, "opponent_points"].tolist() == [0, 0, 1, 1]
    assert (f.loc[rowan, "opponent_points"] == 0).all()
    assert (f[["own_games", "opponent_games"]] == 0).all().all()


def test_same_reply_run_by_hand(three_rallies):
    f = shot_features(three_rallies)
    # Hazel's backhand volley off a serve: straight drive in rally 1, again in rally 3;
    # her forehand of rally 2 is another situation.
    assert values(f, "same_reply_run") == [None, 0, 0, 0, 0, None, 0, None, 1, 0]
    assert values(f, "repeats_reply") == [None] * 8 + [1, None]


def slow_reference(shots: pd.DataFrame) -> pd.DataFrame:
    """The features by plain loops over dictionaries, straight from their definitions."""
    rows = shots.astype(object).where(shots.notna(), None).to_dict("records")
    rallies: dict[tuple, list[dict]] = {}
    for row in rows:
        rallies.setdefault((row["match"], row["game"], row["rally"]), []).append(row)
    out, replies = [], {}
    points: dict[tuple, dict] = {}
    games: dict[str, dict] = {}
    last_game: dict[str, int] = {}
    for number, (key, rally) in enumerate(rallies.items()):
        match, game, _ = key
        winner = rally[-1]["rally_won_by"]
        server, receiver = rally[0]["player"], rally[0]["opponent"]
        if last_game.get(match, game) != game:
            over = points[match, last_game[match]]
            best = max(over.values())
            leaders = [p for p, s in over.items() if p != "last" and s == best]
            taker = leaders[0] if len(leaders) == 1 else over_last[match, last_game[match]]
            if taker is not None:
                games[match][taker] += 1
        last_game[match] = game
        score = points.setdefault((match, game), {server: 0, receiver: 0})
        won_games = games.setdefault(match, {server: 0, receiver: 0})
        for i, row in enumerate(rally):
            after = rally[i + 1] if i + 1 < len(rally) else None
            before = rally[i - 1] if i >= 1 else None
            own = rally[i - 2] if i >= 2 else None
            serve = row["stroke"] == "serve"
            family = None if serve else FAMILY_OF_CONTACT.get(row["contact"])
            incoming = before and before["stroke"]
            situation = (match, row["player"], row["side"], family, incoming)
            reply = (row["stroke"], row["direction"])
            past = replies.setdefault(situation, [])
            run = 0
            while run < len(past) and past[-1 - run] == past[-1]:
                run += 1
            distance = None
            if after and after["x_m"] is not None and after["y_m"] is not None:
                distance = np.hypot(
                    after["x_m"] - row["opponent_x_m"], after["y_m"] - row["opponent_y_m"]
                )
            out.append(
                {
                    "rally_id": number,
                    "won": None if winner is None else float(winner == row["player"]),
                    "family": family,
                    "rally_length": len(rally),
                    "shots_left": len(rally) - 1 - i,
                    "reply_gap_m": after and after["gap_m"],
                    "own_previous_stroke": own and own["stroke"],
                    "own_previous_choice": own and own["choice"],
                    "own_previous_gap_left_m": own and before["gap_m"],
                    "incoming_stroke": incoming,
                    "tempo_s": before and row["t_s"] - before["t_s"],
                    "opponent_distance_m": distance,
                    "same_reply_run": None if serve else run,
                    "repeats_reply": None if serve or not past else float(past[-1] == reply),
                    "is_server": row["player"] == server,
                    "own_points": score[row["player"]],
                    "opponent_points": score[row["opponent"]],
                    "own_games": won_games[row["player"]],
                    "opponent_games": won_games[row["opponent"]],
                }
            )
            past.append(reply)
        if winner is not None:
            over_last[match, game] = winner
            if rally[0]["scoring"] == "par" or winner == server:
                score[winner] += 1
    return pd.DataFrame(out)


over_last: dict[tuple, str] = {}


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_equals_a_plain_loop(make_log, seed):
    over_last.clear()
    shots = make_log(400, seed)
    fast, slow = shot_features(shots), slow_reference(shots)
    assert fast["own_games"].max() >= 1  # the log reaches second and third games
    assert fast["same_reply_run"].max() >= 2
    for column in slow:
        want, got = slow[column], fast[column]
        if got.dtype == "category":
            assert values(fast, column) == values(slow, column), column
        else:
            np.testing.assert_allclose(
                got.astype(float), want.astype(float), rtol=1e-12, err_msg=column
            )


def test_rows_index_and_columns_are_kept(make_log):
    shots = make_log(30, 4)
    shots.index = shots.index + 1000
    before = shots.copy()
    f = shot_features(shots)
    pd.testing.assert_frame_equal(f[shots.columns], before)
    pd.testing.assert_frame_equal(shots, before)
    pd.testing.assert_frame_equal(shot_features(f), f)


def test_short_log_has_every_column(make_log):
    full, short = shot_features(make_log(30, 4)), shot_features(make_log(30, 4, full=False))
    new = set(full.columns) - set(make_log(30, 4).columns)
    assert new <= set(short.columns)
    assert short[["tempo_s", "opponent_distance_m"]].isna().all().all()
    assert short[["depth", "lane", "wall"]].isna().all().all()


def test_plain_strings_are_as_good_as_categories(make_log):
    shots = make_log(40, 6)
    words = [c for c in shots.columns if shots[c].dtype == "category"]
    plain = shots.astype(dict.fromkeys(words, object))
    a, b = shot_features(shots), shot_features(plain)
    for column in ("won", "same_reply_run", "own_points", "opponent_games"):
        pd.testing.assert_series_equal(a[column], b[column])
    assert values(a, "own_previous_stroke") == values(b, "own_previous_stroke")


def test_empty_table(make_log):
    f = shot_features(make_log(3, 1).iloc[:0])
    assert len(f) == 0
    assert "same_reply_run" in f


def test_filtered_table_is_refused_with_the_mend(three_rallies):
    with pytest.raises(DataError, match=r"\(line 4 of the log\) is shot 3, but shot 2.*whole"):
        shot_features(three_rallies[three_rallies["player"] == "Rowan"])
    with pytest.raises(DataError, match=r"stops at shot 3 with no ending.*whole rallies"):
        shot_features(three_rallies[three_rallies["shot"] <= 3])
    with pytest.raises(DataError, match="Sort first"):
        shot_features(pd.concat([three_rallies.iloc[5:], three_rallies.iloc[:5]]))


def test_missing_column_and_strange_word(three_rallies):
    with pytest.raises(DataError, match="no column gap_m"):
        shot_features(three_rallies.drop(columns="gap_m"))
    odd = three_rallies.astype({"stroke": object})
    odd.loc[1, "stroke"] = "chop"
    with pytest.raises(DataError, match="stroke holds 'chop'"):
        shot_features(odd)


def test_with_features_does_not_recompute_a_choice_of_rows(three_rallies):
    own = shot_features(three_rallies).query("player == 'Rowan'")
    assert with_features(own) is own
    wide = with_features(own, Court.doubles())
    assert wide["reply_gap_m"].equals(own["reply_gap_m"])
    # x = 5.0 m is in the right lane of a singles court, in the centre of a doubles court.
    assert own["lane"].iloc[0] == "right"
    assert wide["lane"].iloc[0] == "centre"


@pytest.mark.filterwarnings("error")
def test_strokes_that_are_not_known_pass_through(make_log):
    shots = make_log(300, seed=4)
    unknown = (shots["shot"] > 1) & (np.arange(len(shots)) % 5 == 0)
    blank = shots.assign(stroke=shots["stroke"].mask(unknown), choice=shots["choice"].mask(unknown))
    found = shot_features(blank)
    after = np.append(False, unknown.to_numpy()[:-1]) & (shots["shot"] > 1).to_numpy()
    assert found.loc[after, "incoming_stroke"].isna().all()
    assert found.loc[unknown, "depth"].equals(shot_features(shots).loc[unknown, "depth"])
    chain = RallyChain().fit(blank)
    assert np.isfinite(chain.win_probability_.to_numpy()).all()
    assert len(zone_features(found)) > 0


def places(court=None, wanted=("depth", "lane", "wall"), **columns):
    frame = pd.DataFrame({"stroke": ["drive"], "side": ["forehand"], "gap_m": [0.4]} | columns)
    found = place_columns(frame, court)
    return {name: None if pd.isna(found[name][0]) else found[name][0] for name in wanted}


def test_x_goes_before_side_and_hand():
    got = places(x_m=[0.4], y_m=[8.0], hand=["right"])
    assert got == {"depth": "back", "lane": "left", "wall": "left"}


@pytest.mark.parametrize(
    ("side", "hand", "wall"),
    [
        ("forehand", "right", "right"),
        ("backhand", "right", "left"),
        ("forehand", "left", "left"),
        ("backhand", "left", "right"),
    ],
)
def test_wall_and_lane_from_the_hand(side, hand, wall):
    got = places(side=[side], hand=[hand])
    assert got == {"depth": None, "lane": wall, "wall": wall}
    assert places(side=[side], hand=[hand], gap_m=[2.0])["lane"] == "centre"


def test_gap_beyond_the_middle_tells_no_lane():
    assert places(hand=["right"], gap_m=[5.5])["lane"] is None


def test_depth_from_y_alone_and_nothing_from_nothing():
    assert places(y_m=[1.0]) == {"depth": "front", "lane": None, "wall": None}
    assert places() == {"depth": None, "lane": None, "wall": None}


def test_serve_has_no_wall_from_the_hand():
    assert places(stroke=["serve"], hand=["right"], gap_m=[float("nan")])["wall"] is None


def test_words_do_where_nothing_was_measured():
    words = {"depth": ["back"], "lane": ["left"], "opponent_place": ["behind"], "bounce": ["short"]}
    got = places(wanted=("depth", "lane", "opponent_place", "bounce"), **words)
    assert got == {name: found[0] for name, found in words.items()}
    # The word tells the wall, and the gap how far from it.
    assert places(lane=["left"], hand=["right"])["wall"] == "left"
    assert places(lane=["left"], gap_m=[2.5])["lane"] == "centre"
    assert places(lane=["centre"], gap_m=[float("nan")])["lane"] == "centre"


def test_measures_go_before_words():
    got = places(
        wanted=("depth", "lane", "wall", "opponent_place", "bounce"),
        **{"depth": ["front"], "lane": ["right"], "opponent_place": ["behind"]},
        **{"bounce": ["short"], "x_m": [0.4], "y_m": [8.0], "bounce_y_m": [7.5]},
        **{"opponent_x_m": [3.2], "opponent_y_m": [5.4]},
    )
    assert got == {
        **{"depth": "back", "lane": "left", "wall": "left"},
        **{"opponent_place": "in_front", "bounce": "behind_box"},
    }


def test_places_told_again_with_other_bounds_do_not_take_their_own_words_for_charted():
    shots = pd.DataFrame(
        {"stroke": ["drive"], "side": ["forehand"], "gap_m": [1.8], "hand": ["right"]}
    )
    once = shots.assign(**place_columns(shots))
    wide = Zones(side_lane_m=2.0)
    assert place_columns(once)["lane"][0] == "centre"
    assert place_columns(once, wide)["lane"][0] == place_columns(shots, wide)["lane"][0] == "right"


def test_own_court_and_own_boundaries():
    assert places(x_m=[5.5], y_m=[8.0])["lane"] == "right"
    assert places(Court.doubles(), x_m=[5.5], y_m=[8.0])["lane"] == "centre"
    assert places(Zones(back_begins_m=8.5), x_m=[5.5], y_m=[8.0])["depth"] == "middle"
