"""Whatever valid log is written comes back the same, and no damage breaks the books."""

import io
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sidewall.errors import LogError, UnitError
from sidewall.log import check_log, read_shots, write_table
from sidewall.log.vocabulary import CHOICES, SIDES, STROKES, VOCABULARY
from sidewall.scale import from_parquet, write_partitions

pytestmark = pytest.mark.slow

from_words = {
    name: st.sampled_from(["", *words])
    for name, words in VOCABULARY.items()
    if name not in ("side", "stroke", "choice", "ending")
}
from_scores = {
    name: st.none() | st.integers(0, 20)
    for name in ("own_points", "opponent_points", "own_games", "opponent_games")
}


@st.composite
def rallies(draw):
    """Rows of a few valid rallies, in metres."""
    rows = []
    for match, pair in (("M1", ("Rowan", "Hazel")), ("M2", ("Alder", "Élder"))):
        # Both strike in the first rally, so that the match knows its players.
        lengths = [2, *draw(st.lists(st.integers(1, 5), max_size=3))]
        for rally, length in enumerate(lengths, 1):
            first = draw(st.integers(0, 1))
            clock = draw(st.floats(0, 5000))
            for shot in range(1, length + 1):
                clock += draw(st.floats(0, 3))
                row = {
                    "match": match,
                    "game": 1,
                    "rally": rally,
                    "shot": shot,
                    "player": pair[(first + shot) % 2],
                    "side": draw(st.sampled_from(SIDES)),
                    "stroke": "serve" if shot == 1 else draw(st.sampled_from(STROKES[1:])),
                    **{name: draw(one) for name, one in (from_words | from_scores).items()},
                    "gap_m": None if shot == 1 else draw(st.floats(0, 3.2)),
                    "x_m": draw(st.none() | st.floats(0, 6.4)),
                    "t_s": clock,
                }
                if shot > 1 and draw(st.booleans()):  # in short
                    row |= {"side": "", "stroke": "", "choice": draw(st.sampled_from(CHOICES))}
                    if draw(st.booleans()):
                        word = draw(st.sampled_from(VOCABULARY["gap_class"]))
                        row |= {"gap_m": None, "gap_class": word}
                if shot == length:
                    ending = draw(
                        st.sampled_from(["winner", "tin", "out", "down", "stroke", "let"])
                    )
                    striker = (first + shot) % 2
                    winner = {"winner": striker, "stroke": draw(st.integers(0, 1))}
                    row["ending"] = ending
                    if ending != "let":
                        row["rally_won_by"] = pair[winner.get(ending, 1 - striker)]
                rows.append(row)
    return pd.DataFrame(rows)


quick = settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))


@quick
@given(rallies(), st.sampled_from([",", ";", "\t"]), st.sampled_from(["utf-8", "utf-16"]))
def test_text_round_trip(frame, separator, encoding):
    check = check_log(frame)
    assert check.rows_refused == 0
    np.testing.assert_array_equal(
        check.shots["gap_m"].to_numpy(), frame["gap_m"].to_numpy(dtype=float)
    )
    stream = io.BytesIO()
    check.shots.to_csv(stream, sep=separator, encoding=encoding, index=False)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shots.csv"
        path.write_bytes(stream.getvalue())
        again = read_shots(path, on_refused="ignore")
        book = write_table(check.shots, Path(folder) / "shots.xlsx")
        from_book = read_shots(book, on_refused="ignore")
    pd.testing.assert_frame_equal(from_book, check.shots)
    pd.testing.assert_frame_equal(again, check.shots, check_exact=True)


@quick
@given(rallies())
def test_table_round_trip(frame):
    shots = read_shots(frame, on_refused="ignore")
    again = read_shots(shots, on_refused="ignore")
    pd.testing.assert_frame_equal(again, shots, check_exact=True)


@quick
@given(rallies())
def test_parquet_parts_round_trip(frame):
    shots = read_shots(frame, on_refused="ignore")
    with tempfile.TemporaryDirectory() as folder:
        write_partitions(shots, Path(folder) / "parts")
        again = from_parquet(Path(folder) / "parts").read(0)
    for name in shots:
        assert again[name].astype(object).equals(shots[name].astype(object)), name


@quick
@given(rallies(), st.randoms(use_true_random=False))
def test_order_of_rows_does_not_matter(frame, random):
    order = list(range(len(frame)))
    random.shuffle(order)
    keys = ["match", "game", "rally", "shot"]
    first = (
        read_shots(frame, on_refused="ignore")
        .astype(dict.fromkeys(keys, str))
        .set_index(keys)
        .sort_index()
    )
    second = read_shots(frame.iloc[order], on_refused="ignore").astype(dict.fromkeys(keys, str))
    second = second.set_index(keys).sort_index()
    for name in ("gap_m", "t_s", "x_m"):
        pd.testing.assert_series_equal(first[name], second[name])
    for name in ("player", "opponent", "rally_won_by", "stroke", "choice"):
        assert first[name].astype(object).equals(second[name].astype(object))


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(rallies(), st.data())
def test_books_balance_after_any_damage(frame, data):
    text = frame.astype(object).where(frame.notna(), "").map(str)
    typed = st.sampled_from(["", "0", "7", "-1", "x", "Rowan", "serve", "let", "tin", "1,5", "é"])
    for _ in range(data.draw(st.integers(1, 6))):
        row = data.draw(st.integers(0, len(text) - 1))
        column = data.draw(st.sampled_from(list(text.columns)))
        text.iloc[row, text.columns.get_loc(column)] = data.draw(typed | st.text(max_size=4))
    check = check_log(text)
    assert check.rows_in == check.rows_used + check.rows_refused <= len(text)
    assert len(check.shots) == check.rows_used
    assert check.problems["line"].nunique() == check.rows_refused
    assert not set(check.shots["line"]) & set(check.problems["line"])
    if check.rows_used:  # what is left is whole, so nothing more is refused
        assert check_log(check.shots).rows_refused == 0


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
def test_rubbish_is_refused_in_words(data):
    with tempfile.TemporaryDirectory() as folder:
        for name in ("log.csv", "log.xlsx", "log.parquet"):
            path = Path(folder) / name
            path.write_bytes(data)
            with pytest.raises((LogError, UnitError), match=name):
                check_log(path)


@settings(
    max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_a_damaged_file_is_read_or_refused_in_words(text, data):
    place = data.draw(st.integers(0, len(text)))
    damaged = (
        text[:place] + data.draw(st.sampled_from(['"', "\n", ",", "\x00", ";", "é"])) + text[place:]
    )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        path.write_bytes(damaged.encode(data.draw(st.sampled_from(["utf-8", "cp1252", "utf-16"]))))
        try:
            check = check_log(path)
        except (LogError, UnitError) as error:
            said = str(error)
        else:
            said = check.summary()
            assert check.rows_in == check.rows_used + check.rows_refused
        assert "log.csv" in said
