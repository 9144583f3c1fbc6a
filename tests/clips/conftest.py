import pandas as pd
import pytest

from sidewall.log.vocabulary import VOCABULARY


def log_of(times, match="m1", game=1):
    """A log in which each rally's shots have the times given; None for a time not charted."""
    rows = []
    for rally, struck in enumerate(times, start=1):
        for k, t in enumerate(struck):
            stroke = "serve" if k == 0 else "drop"
            side = "forehand" if k % 2 == 0 else "backhand"
            contact = None if k == 0 else "volley"
            player = ("Rowan", "Hazel")[k % 2]
            rows.append((match, game, rally, k + 1, player, side, stroke, contact, t))
    names = ["match", "game", "rally", "shot", "player", "side", "stroke", "contact", "t_s"]
    table = pd.DataFrame(rows, columns=names).astype({"t_s": float})
    table["match"] = pd.Categorical(table["match"])
    table["player"] = pd.Categorical(table["player"], categories=["Rowan", "Hazel"])
    for name in ("side", "stroke", "contact"):
        table[name] = pd.Categorical(table[name], categories=VOCABULARY[name])
    return table


def parse_vtt(text):
    """The cues of a WebVTT file, by the rules of the W3C document that the writer keeps."""
    assert text.split("\n")[:2] == ["WEBVTT", ""]
    found = []
    for block in text[len("WEBVTT\n\n") :].rstrip("\n").split("\n\n"):
        if not block:
            continue
        name, timing, *payload = block.split("\n")
        assert "-->" not in name
        begin, arrow, end = timing.split(" ")
        assert arrow == "-->"
        assert len(payload) == 1
        assert payload[0]
        assert "-->" not in payload[0]
        assert "<" not in payload[0]
        bare = payload[0].replace("&amp;", "").replace("&lt;", "").replace("&gt;", "")
        assert "&" not in bare
        seen = payload[0].replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&")
        found.append((name, milliseconds(begin), milliseconds(end), seen))
    return found


def milliseconds(stamp):
    clock, ms = stamp.split(".")
    hours, minutes, seconds = clock.split(":")
    assert len(hours) >= 2
    assert (len(minutes), len(seconds), len(ms)) == (2, 2, 3)
    assert int(minutes) < 60
    assert int(seconds) < 60
    return ((int(hours) * 60 + int(minutes)) * 60 + int(seconds)) * 1000 + int(ms)


@pytest.fixture
def log():
    """Rally 1 begins at once, rally 2 soon after; rally 3 has holes, rally 4 no times."""
    return log_of([[1.0, 2.5, 4.0], [20.0, 21.0], [None, 40.0], [None, None], [3600.0, 3601.25]])


@pytest.fixture
def rallies(log):
    return log[["match", "game", "rally"]].drop_duplicates().reset_index(drop=True)


@pytest.fixture(scope="session")
def make_log():
    return log_of


@pytest.fixture(scope="session")
def read_vtt():
    return parse_vtt
