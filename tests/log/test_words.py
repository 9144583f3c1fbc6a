"""Synonyms, case and spacing are folded, and every folding is listed."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.log import pseudonymise
from sidewall.log.synonyms import SYNONYMS, understand_word, words_of
from sidewall.log.vocabulary import VOCABULARY


@pytest.mark.parametrize(
    ("column", "typed", "near"),
    [
        ("hand", "hand", None),
        ("hand", "rigth", "right"),
        ("hand", "left handd", "left"),
        ("ending", "tim", "tin"),
        ("stroke", "dropp", "drop"),
        ("stroke", "xyz", None),
    ],
)
def test_only_a_word_that_is_near_is_suggested(column, typed, near):
    meaning = understand_word(column, typed)
    assert meaning.value is None
    choice = f"use one of {', '.join(words_of(column))}"
    expected = choice if near is None else f"did you mean {near}? Otherwise {choice}"
    assert meaning.mend == expected


@pytest.mark.parametrize(
    ("column", "typed", "value"),
    [
        ("side", "FH", "forehand"),
        ("side", "fh.", "forehand"),
        ("side", "Backhand ", "backhand"),
        ("side", "bh", "backhand"),
        ("stroke", "Service", "serve"),
        ("stroke", "length", "drive"),
        ("stroke", "Back-wall boast", "back_wall_boast"),
        ("stroke", "skid boast", "skid_boast"),
        ("stroke", "trickle boast", "boast"),
        ("stroke", "DROP SHOT", "drop"),
        ("direction", "X-court", "cross"),
        ("contact", "vol", "volley"),
        ("contact", "off the back wall", "off_back_wall"),
        ("ending", "No let", "no_let"),
        ("ending", "NOT UP", "down"),
        ("hand", "RH", "right"),
        ("depth", "Mid-court", "middle"),
        ("lane", "center", "centre"),
        ("lane", "L", "left"),
        ("opponent_place", "In front", "in_front"),
        ("opponent_place", "out of the way", "out_of_the_way"),
        ("bounce", "behind the box", "behind_box"),
        ("bounce", "Service box", "service_box"),
    ],
)
def test_synonym(column, typed, value):
    assert understand_word(column, typed).value == value


@pytest.mark.parametrize(
    ("typed", "value", "beside"),
    [
        ("cross drive", "drive", {"direction": "cross"}),
        ("straight drop", "drop", {"direction": "straight"}),
        ("volley drop", "drop", {"contact": "volley"}),
        ("Cross-court volley lob", "lob", {"direction": "cross", "contact": "volley"}),
        ("BH straight drive", "drive", {"side": "backhand", "direction": "straight"}),
        ("drive, cross", "drive", {"direction": "cross"}),
        ("back wall drive", "drive", {"contact": "off_back_wall"}),
        ("volley back wall boast", "back_wall_boast", {"contact": "volley"}),
    ],
)
def test_words_beside_the_stroke(typed, value, beside):
    meaning = understand_word("stroke", typed)
    assert (meaning.value, meaning.beside) == (value, beside)


@pytest.mark.parametrize("typed", ["volley", "BH volley", "vol", "straight", "cross court", "nick"])
def test_half_a_stroke_is_not_guessed(typed):
    meaning = understand_word("stroke", typed)
    assert meaning.value is None
    assert "stroke" in meaning.mend or "write" in meaning.mend


@given(st.sampled_from([(c, w) for c, words in VOCABULARY.items() for w in words]), st.data())
def test_canonical_words_survive_any_dress(pair, data):
    column, word = pair
    joint = data.draw(st.sampled_from([" ", "-", "_", "  "]))
    dressed = data.draw(st.sampled_from([str.upper, str.title, str.lower]))(word)
    pad = data.draw(st.sampled_from(["", " ", "\t", "."]))
    assert understand_word(column, dressed.replace("_", joint) + pad).value == word


def test_every_synonym_leads_into_the_vocabulary():
    for column, synonyms in SYNONYMS.items():
        for typed in synonyms:
            assert understand_word(column, typed).value in words_of(column)


def test_foldings_are_listed_with_their_rows(log, checked):
    log["side"] = log["side"].replace("forehand", "FH")
    log.loc[3, ["stroke", "direction"]] = ["Cross drive", ""]
    log.loc[4, "choice"] = "-"
    check = checked(log)
    assert check.rows_refused == 0
    assert check.shots.set_index("line").loc[3, "direction"] == "cross"
    listed = set(check.folded.itertuples(index=False, name=None))
    assert ("side", "FH", "forehand", int((log["side"] == "FH").sum())) in listed
    assert ("stroke", "Cross drive", "drive, direction cross", 1) in listed
    assert ("choice", "-", "blank", 1) in listed


def test_direction_and_contact_out_of_the_stroke_alone(log, checked):
    log = log.drop(columns=["direction", "contact"])
    log.loc[4, "stroke"] = "straight volley drop"
    shots = checked(log).shots.set_index("line")
    assert shots.loc[4, ["direction", "contact"]].tolist() == ["straight", "volley"]
    assert shots["direction"].notna().sum() == 1


def test_known_words_are_known_after_many_unknown_ones(log, checked):
    many = pd.concat([log] * 31, ignore_index=True)
    many["match"] = [f"{name} {at // 12}" for at, name in enumerate(many["match"])]
    strange = (many["stroke"] != "serve") & (many.index < 360)
    many.loc[strange, "balance"] = [f"word {at}" for at in range(strange.sum())]
    assert strange.sum() > 200
    problems = checked(many).problems
    assert problems.loc[problems["line"] > 361, "line"].empty


def test_players_in_one_spelling(log, checked):
    log.loc[[3, 5], "player"] = ["HAZEL ", "rowan"]
    log.loc[4, "rally_won_by"] = " ROWAN"
    check = checked(log)
    assert check.rows_refused == 0
    assert list(check.shots["player"].cat.categories) == ["Rowan", "Hazel", "Alder", "Birch"]
    assert set(check.folded["found"]) == {"HAZEL ", "rowan", " ROWAN"}
    assert set(check.folded["read_as"]) == {"Hazel", "Rowan"}


def test_a_thousand_unknown_words_are_quick(log, checked):
    many = pd.concat([log] * 200, ignore_index=True)
    many["match"] = [f"{name} {at // 12}" for at, name in enumerate(many["match"])]
    many["stroke"] = [f"word {at}" for at in range(len(many))]
    check = checked(many)
    assert check.rows_used == 0
    assert "  and 2380 more" in check.summary().splitlines()


@pytest.mark.parametrize("typed", ["off balance", "Unbalanced", "not balanced", "off-balnce"])
def test_the_opposite_is_never_suggested(typed):
    meaning = understand_word("balance", typed)
    assert meaning.value is None
    assert "did you mean" not in meaning.mend
    assert "stretched" in meaning.mend


@pytest.mark.parametrize("name", ["Nan", "None", "NA", "null", "Null", "NONE"])
def test_names_that_look_like_blanks_are_names(log, checked, tmp_path, name):
    log = log.replace({"Hazel": name})
    log.loc[4, ["rally_won_by", "ending", "stroke"]] = [name, "stroke", "drop"]
    path = tmp_path / "log.csv"
    log.to_csv(path, index=False)
    for source in (log, path):
        check = checked(source)
        assert check.rows_refused == 0
        assert set(check.shots["player"]) == {"Rowan", name, "Alder", "Birch"}
        assert check.shots["rally_won_by"].tolist()[2] == name
    with_hand = checked(log, players=pd.DataFrame({"player": [name], "hand": ["left"]})).shots
    assert (with_hand.loc[with_hand["player"] == name, "hand"] == "left").all()
    out = pseudonymise(log, tmp_path / "out.csv", tmp_path / "key.csv", seed=1)
    coded = checked(out.files[0])
    assert (coded.rows_refused, coded.shots["player"].nunique()) == (0, 4)


def test_none_as_a_winner_is_blank_where_nobody_is_called_that(log, checked):
    log["rally_won_by"] = log["rally_won_by"].replace("", "None")
    check = checked(log)
    assert check.rows_refused == 0
    assert set(check.shots["player"]) == {"Rowan", "Hazel", "Alder", "Birch"}


@pytest.mark.parametrize("name", ["Rowan", "Hazel", "Alder", "Birch"])
def test_a_name_spelled_otherwise_is_listed_whosever_it_is(log, checked, name):
    again = [log[log["match"] == "M2"].assign(match=f"M{k}") for k in (3, 4, 5)]
    log = pd.concat([log, *again], ignore_index=True)
    log.loc[log.index[log["player"] == name][0], "player"] = name.upper()
    folded = checked(log).folded
    assert folded["found"].tolist() == [name.upper()]
    assert folded["read_as"].tolist() == [name]


def test_a_winner_whom_nobody_knows_is_refused_and_not_read_as_blank(log, checked):
    log.loc[4, "rally_won_by"] = "Cedar"
    check = checked(log)
    assert check.folded.empty
    assert "Cedar" in set(check.problems["value"])
