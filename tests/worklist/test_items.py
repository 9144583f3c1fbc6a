import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidewall.errors import DataError, WriteError
from sidewall.worklist import DEFAULT_EFFORT, ITEM_WORDS, Efforts, read_efforts, write_efforts


def test_the_template_reads_back_as_the_defaults(tmp_path):
    path = tmp_path / "effort.toml"
    write_efforts(path)
    text = path.read_text(encoding="utf-8")
    assert "assumptions" in text
    found = read_efforts(path)
    for item, words in ITEM_WORDS.items():
        assert found.of("Rowan", item) == DEFAULT_EFFORT
        assert words.title in text


def test_a_template_never_overwrites_ratings(tmp_path):
    path = tmp_path / "effort.toml"
    path.write_text("[effort]\nlength = 5\n", encoding="utf-8")
    with pytest.raises(WriteError, match="exists"):
        write_efforts(path)
    assert read_efforts(path).of("Rowan", "length") == 5


def test_a_players_own_rating_goes_first(tmp_path):
    path = tmp_path / "effort.toml"
    path.write_text(
        '[effort]\nlength = 4\n"combination: length then volley" = 2\n'
        "[player.Rowan]\nlength = 1.5\n",
        encoding="utf-8",
    )
    found = read_efforts(path)
    assert found.of("Rowan", "length") == 1.5
    assert found.of("Hazel", "length") == 4
    assert found.of("Hazel", "combination: length then volley") == 2
    assert found.is_assumed("Hazel", "forced")
    assert not found.is_assumed("Rowan", "length")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[effort]\nlenght = 3\n", "did you mean 'length'"),
        ("[effort]\nlength = 0\n", "from 1 .* to 5"),
        ("[effort]\nlength = 6\n", "from 1 .* to 5"),
        ("[effort]\nlength = true\n", "from 1 .* to 5"),
        ('[effort]\nlength = "three"\n', "from 1 .* to 5"),
        ("[efort]\nlength = 3\n", "below \\[effort\\]"),
        ("effort = 3\n", "as a table"),
        ("player = 3\n", "\\[player.NAME\\]"),
        ("[player.Rowan]\nlength = 9\n", "player Rowan"),
        ("[effort\n", "no valid TOML"),
    ],
)
def test_errors_name_the_file_and_the_mend(tmp_path, text, said):
    path = tmp_path / "effort.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(DataError, match=said) as error:
        read_efforts(path)
    assert "effort.toml" in str(error.value)


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(DataError, match="cannot be read"):
        read_efforts(tmp_path / "none.toml")


@given(st.floats(allow_nan=True, allow_infinity=True), st.sampled_from(list(ITEM_WORDS)))
def test_only_efforts_from_one_to_five_are_taken(value, item):
    if 1 <= value <= 5:
        assert Efforts({item: value}).of("Rowan", item) == value
    else:
        with pytest.raises(DataError):
            Efforts({item: value})
