"""Nothing that was charted is lost: not by a crash, a cut file or a file that is open elsewhere."""

from __future__ import annotations

import json
import os

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from sidewall.charting import store as store_module
from sidewall.charting.rows import WORDS, Setup, log_bytes
from sidewall.charting.session import REDO, UNDO, Session
from sidewall.charting.store import Journal, Store, read_entries
from sidewall.charting.table import LEVELS
from sidewall.errors import DataError, LogError, SidewallError, WriteError
from sidewall.log import read_shots
from sidewall.log.vocabulary import VOCABULARY

MATCH = {"match": "Rowan v Hazel", "players": ("Rowan", "Hazel")}
SETUP = Setup("Rowan v Hazel", ("Rowan", "Hazel"), "Rowan")
SERVE = {"op": "shot", "shot": {"side": "forehand", "stroke": "serve"}}
DRIVE = {"op": "shot", "shot": {"side": "backhand", "stroke": "drive", "gap_cm": 35.0, "t": 2.5}}
TIN = {"op": "ending", "ending": "tin", "rally_won_by": None}


def word(column):
    return st.none() | st.sampled_from(VOCABULARY[column])


def number(most):
    return st.none() | st.floats(0, most).map(lambda value: round(value, 2))


SHOTS = st.fixed_dictionaries(
    {name: word(name) for name in WORDS if name != "ending"}
    | {"gap_cm": number(400), "t": number(4000), "x": number(6.4), "y": number(9.75)}
    | {"bounce_x": number(6.4), "wall_z": number(5), "opponent_y": number(9.75)}
    | {"ending": st.none() | st.none() | word("ending")}
).map(lambda shot: {"op": "shot", "shot": shot})
EVENTS = st.lists(
    SHOTS
    | st.just(UNDO)
    | st.just(REDO)
    | st.just(TIN)
    | st.just({"op": "swap"})
    | st.integers(1, 4).map(lambda game: {"op": "game", "game": game})
    | st.sampled_from(LEVELS).map(lambda level: {"op": "settings", "level": level})
    | st.builds(
        lambda at, gap: {"op": "change", "at": at, "set": {"gap_cm": gap}},
        st.integers(0, 5),
        number(400),
    ),
    max_size=25,
)


def charted(events):
    """Do the events that fit; return them and the session."""
    session, done = Session(SETUP), []
    for event in events:
        try:
            session.do(event)
        except DataError:
            continue
        done.append(event)
    return session, done


@given(EVENTS)
def test_any_sequence_replays_to_the_same_table(events):
    session, done = charted(events)
    lines = b"".join(json.dumps(event).encode() + b"\n" for event in done)
    entries, good = read_entries(lines, "journal")
    assert good == lines
    again = Session(SETUP, (), entries)
    assert again.table == session.table
    assert (again.undos, again._undone) == (session.undos, session._undone)
    assert log_bytes(SETUP, again.table.rows) == log_bytes(SETUP, session.table.rows)


@given(EVENTS, st.data())
def test_a_journal_cut_at_any_byte_keeps_every_complete_entry(events, data):
    _, done = charted(events)
    lines = [json.dumps(event).encode() for event in done]
    whole = b"".join(line + b"\n" for line in lines)
    cut = data.draw(st.integers(0, len(whole)))
    complete, end = 0, 0
    for line in lines:
        end += len(line)  # an entry is complete without its line break
        complete += end <= cut
        end += 1
    entries, good = read_entries(whole[:cut], "journal")
    assert entries == done[:complete]
    assert good == b"".join(line + b"\n" for line in lines[:complete])
    Session(SETUP, (), entries)  # and they can be played


def test_a_short_journal_cut_anywhere_opens_and_goes_on(tmp_path, monkeypatch):
    monkeypatch.setattr(store_module.os, "fsync", lambda handle: None)  # it takes its time
    first = Store(tmp_path / "whole.csv", MATCH)
    for event in (SERVE, DRIVE, TIN):
        first.do(event)
    whole = (tmp_path / "whole.csv.journal").read_bytes()
    ends = [at for at, byte in enumerate(whole) if byte == ord("\n")]
    near = {at + by for at in ends for by in (-1, 0, 1)}
    for cut in sorted({*range(0, len(whole), 13), *near}):
        file = tmp_path / "cut.csv"
        file.unlink(missing_ok=True)
        (tmp_path / "cut.csv.journal").write_bytes(whole[:cut])
        store = Store(file, MATCH)
        kept = sum(end <= cut for end in ends) - 1  # the first line is the match
        assert store.session.undos == max(kept, 0)
        table = store.do(SERVE if not store.session.table.open_rally else DRIVE)
        assert Store(file, {}).session.table == table


@settings(deadline=None, max_examples=25)
@given(EVENTS)
def test_opening_again_goes_on_where_it_stopped(tmp_path_factory, events):
    file = tmp_path_factory.mktemp("log") / "log.csv"
    store = Store(file, MATCH)
    _, done = charted(events)
    for event in done:
        store.do(event)
    again = Store(file, {})
    assert again.session.table == store.session.table
    assert file.read_bytes() == log_bytes(SETUP, store.session.table.rows)


def test_the_log_is_read_by_the_reader(tmp_path):
    store = Store(tmp_path / "log.csv", {**MATCH, "hands": {"Hazel": "left"}})
    for event in (SERVE, DRIVE, TIN):
        store.do(event)
    shots = read_shots(tmp_path / "log.csv", on_refused="raise")
    assert shots["gap_m"].tolist()[1] == 0.35
    assert shots["rally_won_by"].dropna().tolist() == ["Rowan"]
    assert shots["hand"].dropna().tolist() == ["left"]


def test_a_crash_between_journal_and_log_is_mended(tmp_path, monkeypatch):
    store = Store(tmp_path / "log.csv", MATCH)
    store.do(SERVE)

    def crash(path, data):
        raise KeyboardInterrupt

    monkeypatch.setattr(store_module, "write_file", crash)
    with pytest.raises(KeyboardInterrupt):
        store.do(DRIVE)
    monkeypatch.undo()
    again = Store(tmp_path / "log.csv", {})
    assert len(again.session.table.rows) == 2
    assert b"drive" in (tmp_path / "log.csv").read_bytes()


def test_a_log_open_elsewhere_is_said_and_written_later(tmp_path, monkeypatch):
    store = Store(tmp_path / "log.csv", MATCH)

    def locked(path, data):
        raise WriteError("log.csv: another program holds it.")

    monkeypatch.setattr(store_module, "write_file", locked)
    store.do(SERVE)
    store.do(DRIVE)
    assert "Nothing is lost" in store.log_trouble
    monkeypatch.undo()
    again = Store(tmp_path / "log.csv", {})  # two events behind, yet no change of someone else's
    assert len(again.session.table.rows) == 2
    again.do(TIN)
    assert again.log_trouble == ""
    assert b"tin" in (tmp_path / "log.csv").read_bytes()


def test_an_entry_that_cannot_be_written_is_not_done(tmp_path, monkeypatch):
    store = Store(tmp_path / "log.csv", MATCH)
    store.do(SERVE)

    def full(handle):
        raise OSError(28, "No space left on device")

    before = (tmp_path / "log.csv.journal").read_bytes()
    monkeypatch.setattr(store_module.os, "fsync", full)
    with pytest.raises(WriteError, match="the disk is full"):
        store.do(DRIVE)
    monkeypatch.undo()
    assert len(store.session.table.rows) == 1
    assert (tmp_path / "log.csv.journal").read_bytes() == before
    store.do(DRIVE)
    assert len(Store(tmp_path / "log.csv", {}).session.table.rows) == 2


def test_an_entry_is_on_the_disk_before_it_counts(tmp_path, monkeypatch):
    synced = []
    real = os.fsync
    monkeypatch.setattr(store_module.os, "fsync", lambda handle: (synced.append(1), real(handle)))
    Journal(tmp_path / "one.journal").append({"op": "swap"})
    assert synced


def test_a_second_session_on_the_same_file_stops_the_first(tmp_path):
    first = Store(tmp_path / "log.csv", MATCH)
    second = Store(tmp_path / "log.csv", {})
    second.do(SERVE)
    with pytest.raises(LogError, match="another session has written"):
        first.do(SERVE)
    assert len(Store(tmp_path / "log.csv", {}).session.table.rows) == 1


def test_a_log_changed_by_hand_is_never_written_over(tmp_path):
    file = tmp_path / "log.csv"
    store = Store(file, MATCH)
    for event in (SERVE, DRIVE, TIN):
        store.do(event)
    mended = file.read_bytes().replace(b"35.0", b"53.0")
    file.write_bytes(mended)
    with pytest.raises(LogError, match="changed outside charting"):
        Store(file, {})
    assert file.read_bytes() == mended
    # As the message says: without its journal, charting goes on from the log.
    (tmp_path / "log.csv.journal").rename(tmp_path / "aside")
    again = Store(file, {})
    assert again.session.table.rows[1]["gap_cm"] == 53
    assert again.session.table.next.rally == 2
    assert read_shots(file)["gap_m"].tolist()[1] == 0.53


def test_a_log_from_a_spreadsheet_is_taken_over_whole(tmp_path):
    file = tmp_path / "log.csv"
    file.write_text(
        "Match;Game;Rally;Shot;Player;Side;Stroke;Gap (cm);Ending;t\n"
        "m;1;1;1;Rowan;FH;serve;;;0:12\nm;1;1;2;Hazel;BH;length;35,5;;\n",
        encoding="utf-8",
    )
    store = Store(file, {})
    rows = store.session.table.rows
    assert [row["stroke"] for row in rows] == ["serve", "drive"]
    assert (rows[0]["t"], rows[1]["gap_cm"]) == (12.0, 35.5)
    assert store.session.table.next.striker == "Rowan"
    with pytest.raises(DataError, match="nothing to undo"):
        store.do(UNDO)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("match,game,rally,shot,player,side,stroke,gap_cm,note\nm,1,1,1,R,f,serve,,hot\n", "note"),
        ("match,game,rally,shot,player,gap_in\nm,1,1,1,Rowan,3\n", "gap_in"),
        ("match,game,rally,shot,player\nm,1,1,1,Rowan\nn,1,1,2,Hazel\n", "one match"),
        ("match,game,rally,shot,player\nm,1,1,1,Rowan\n", "a match has two"),
        ("match,game,rally,shot,player\nm,1,1,1.5,Rowan\nm,1,1,2,Hazel\n", "no whole number"),
        ("match,game,rally,shot,player,t\nm,1,1,1,Rowan,x\nm,1,1,2,Hazel,2\n", "no number"),
        ("match,game,rally,player\nm,1,1,Rowan\n", "no column shot"),
        ("match,game,rally,shot,player,stroke\nm,1,1,1,R,volley\nm,1,1,2,H,drive\n", "line 2"),
    ],
)
def test_a_log_that_charting_would_not_keep_is_refused(tmp_path, text, says):
    file = tmp_path / "log.csv"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(LogError, match=says):
        Store(file, {})
    assert file.read_text(encoding="utf-8") == text


@pytest.mark.parametrize(
    ("name", "wanted", "error", "says"),
    [
        ("log.xlsx", MATCH, LogError, "ends in .csv"),
        ("none/log.csv", MATCH, LogError, "no such folder"),
        ("log.csv", {}, DataError, "give match and players"),
    ],
)
def test_a_file_that_will_not_do_is_refused(tmp_path, name, wanted, error, says):
    with pytest.raises(error, match=says):
        Store(tmp_path / name, wanted)


def test_another_match_in_the_same_file_is_refused(tmp_path):
    Store(tmp_path / "log.csv", MATCH)
    Store(tmp_path / "log.csv", {"match": "Rowan  v Hazel", "players": ["Hazel", "Rowan"]})
    with pytest.raises(LogError, match="begun with players"):
        Store(tmp_path / "log.csv", {"players": ("Rowan", "Alder")})


def test_a_damaged_line_is_named(tmp_path):
    store = Store(tmp_path / "log.csv", MATCH)
    store.do(SERVE)
    place = tmp_path / "log.csv.journal"
    place.write_bytes(place.read_bytes().replace(b'{"op": "shot"', b'{"op: "shot"') + b"{}\n")
    with pytest.raises(LogError, match="line 2 cannot be understood"):
        Store(tmp_path / "log.csv", {})


ANYTHING = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.sampled_from(["", "Rowan", "Hazel", "Oak", "serve", "left", 10**400]),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=4,
)


def places(value, at=()):
    """Every place of a value made of lists and dictionaries, as the steps that lead there."""
    if not isinstance(value, dict | list):
        return
    for step, one in value.items() if isinstance(value, dict) else enumerate(value):
        yield (*at, step)
        yield from places(one, (*at, step))


@pytest.fixture(scope="module")
def kept_lines(tmp_path_factory):
    """Lines of a journal whose first line holds rows taken over, as they are parsed."""
    file = tmp_path_factory.mktemp("journal") / "log.csv"
    store = Store(file, {**MATCH, "hands": {"Hazel": "left"}})
    for event in (SERVE, DRIVE, TIN):
        store.do(event)
    file.with_name("log.csv.journal").unlink()
    store = Store(file, {})  # takes the rows over
    for event in (SERVE, DRIVE, TIN, UNDO, {"op": "change", "at": 1, "set": {"gap_cm": 5}}):
        store.do(event)
    return [json.loads(line) for line in file.with_name("log.csv.journal").open()]


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.data())
def test_a_journal_damaged_anywhere_opens_or_is_refused_in_words(
    kept_lines, tmp_path_factory, data
):
    lines = json.loads(json.dumps(kept_lines))
    *way, last = data.draw(st.sampled_from([at for at in places(lines) if len(at) > 1]))
    where = lines
    for step in way:
        where = where[step]
    if data.draw(st.booleans()):
        del where[last]
    else:
        where[last] = data.draw(ANYTHING)
    file = tmp_path_factory.mktemp("log") / "log.csv"
    text = "".join(json.dumps(line) + "\n" for line in lines)
    file.with_name("log.csv.journal").write_text(text)
    said = str(file)
    try:
        Store(file, {})
    except SidewallError as error:
        said = str(error)
    assert said.startswith((str(file), file.name))
    # neither way is anything lost
    assert file.with_name("log.csv.journal").read_text() == text


@pytest.mark.parametrize(
    "head",
    [
        {"players": 3},
        {"players": ["Rowan"]},
        {"players": ["Rowan", None]},
        {"hands": []},
        {"hands": {"Hazel": "both"}},
        {"rows": None},
        {"rows": [{"game": 1}]},
        {"match": None},
        {"server": []},
        {"scoring": "sets"},
    ],
)
def test_a_damaged_first_line_is_named_with_the_mend(kept_lines, tmp_path, head):
    lines = [{**kept_lines[0], **head}, *kept_lines[1:]]
    journal = tmp_path / "log.csv.journal"
    journal.write_text("".join(json.dumps(line) + "\n" for line in lines))
    with pytest.raises(LogError, match=r"the journal is damaged: .* Take it from a copy, or put"):
        Store(tmp_path / "log.csv", {})


def test_a_name_too_long_for_the_journal_is_refused(tmp_path):
    with pytest.raises(WriteError, match=r"journal.*too long. Choose a shorter one"):
        Store(tmp_path / f"{'a' * 250}.csv", MATCH)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_journal_is_refused(tmp_path):
    (tmp_path / "log.csv.journal").write_text('{"op": "open", "form": 99}\n')
    with pytest.raises(LogError, match="newer version"):
        Store(tmp_path / "log.csv", {})
