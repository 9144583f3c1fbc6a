"""Damaged logs end in a clear answer; `tests/studies/damaged_logs.py` says how and tries more."""

import importlib

import pytest

from sidewall.errors import LogError
from sidewall.log import check_log

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def study():
    return importlib.import_module("damaged_logs")


@pytest.mark.parametrize("first", range(20_000, 20_200, 50))
def test_every_damage_ends_in_a_clear_answer(study, tmp_path, first):
    answers = {study.try_one(seed, tmp_path)[0] for seed in range(first, first + 50)}
    assert answers == {"refused as a whole", "rows refused", "all rows used"}


def test_a_file_with_a_mark_that_is_not_utf_8(csv, text):
    path = csv(b"\xef\xbb\xbf" + text.encode().replace(b"Rowan", b"R\x8awan"))
    with pytest.raises(LogError, match="no utf-8-sig text"):
        check_log(path)
