"""Every action has one key of its own, and every word of the log has one."""

from __future__ import annotations

from sidewall.charting import keys
from sidewall.charting.rows import WORDS
from sidewall.log.vocabulary import VOCABULARY


def test_every_word_that_is_charted_has_a_key():
    found = {(key.group, key.value) for key in keys.words_of_keys()}
    assert found == {(column, word) for column in WORDS for word in VOCABULARY[column]}


def test_no_key_does_two_things():
    pressed = [key["key"] for key in keys.key_table()]
    assert len(pressed) == len(set(pressed))


def test_keys_are_plain_for_the_browser():
    for key in keys.key_table():
        assert set(key) == {"key", "action", "value", "label", "group", "shown"}
        assert all(isinstance(value, str) for value in key.values())
