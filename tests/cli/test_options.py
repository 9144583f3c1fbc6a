from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.cli.options import find_player
from sidewall.errors import DataError
from sidewall.log.writing import file_stem

PLAYERS = ["Rowan", "Hazel", "rowan", "Alder Ash"]


def test_the_exact_name_wins_and_case_is_forgiven_where_it_tells_nobody_apart():
    assert find_player("rowan", PLAYERS) == "rowan"
    assert find_player("HAZEL ", PLAYERS) == "Hazel"
    with pytest.raises(DataError):
        find_player("ROWAN", PLAYERS)


def test_close_names_are_offered():
    with pytest.raises(DataError, match=r"'Hazle'.*Close names: Hazel"):
        find_player("Hazle", PLAYERS)


def test_all_names_are_listed_where_none_is_close_and_they_are_few():
    with pytest.raises(DataError, match="Rowan, Hazel, rowan, Alder Ash"):
        find_player("zzz", PLAYERS)
    with pytest.raises(DataError, match="has 50 players"):
        find_player("zzz", [f"player {n}" for n in range(50)])


@pytest.mark.parametrize(
    ("player", "stem"),
    [
        ("Rowan", "rowan"),
        ("Alder Ash", "alder-ash"),
        ("../x", "x"),
        ("C:\\con", "c-con"),
        ("..", "player"),
        ("", "player"),
        ("Ílex_Ä/ß", "ílex-ä-ss"),
    ],
)
def test_a_file_name_has_letters_digits_and_hyphens_only(player, stem):
    assert file_stem(player) == stem


@given(st.text(max_size=80))
def test_no_name_leaves_its_folder(player):
    stem = file_stem(player)
    assert re.fullmatch(r"[^\W_]+(-[^\W_]+)*", stem)
    assert len(stem) <= 40


def test_two_players_never_share_a_file():
    names = ["a b", "a-b", "A/B", "c"]
    assert [file_stem(name, names) for name in names] == ["a-b-1", "a-b-2", "a-b-3", "c"]
