"""What a rally must not contradict: its numbering, its players, its clock, its ending.

And what a row should not: a coarse word beside a measure, the gap beside the place. There the
measure is used, and the row is noted.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
import pandas as pd

from sidewall.arguments import Bools, Floats, Ints
from sidewall.court import gap_from_x
from sidewall.court.zones import Zones
from sidewall.log.rallies import FIXED_WINNER, LET, RallyChecks
from sidewall.log.reading import Reading
from sidewall.log.rows import SERVE, Rows
from sidewall.log.vocabulary import GAP_CLASS_EDGES_M, GAP_CLASSES, VOCABULARY

#: A word by eye, or a gap by eye beside a place, may be so far off before it is noted, metres
#: (common practice, no source).
BY_EYE_M: Final = 0.5


def check_places(reading: Reading, rows: Rows) -> None:
    """Note words for places that contradict what was measured, and gaps that contradict x."""
    zones = Zones(reading.court)
    of = rows.lengths
    none = np.full(reading.rows, np.nan)
    x, y = of.get("x_m", none), of.get("y_m", none)
    side_gap = np.where(np.isnan(x), rows.gap_m, np.minimum(x, reading.court.width_m - x))
    _note_word(reading, rows, "depth", y, lambda at: zones.zone_of(np.zeros(len(at)), at)[0])
    # Seen from the nearer wall a lane is the centre or not; which side is told by x alone.
    _note_lane(reading, rows, zones, x, side_gap)
    _note_word(reading, rows, "bounce", of.get("bounce_y_m", none), zones.bounce_of)
    _note_opponent(
        reading, rows, zones, x - of.get("opponent_x_m", none), of.get("opponent_y_m", none) - y
    )
    _note_word(reading, rows, "gap_class", rows.gap_m, _class_of)
    if "gap" in reading.headings and "x_m" in of:
        from_x, _ = gap_from_x(x, reading.court)
        at = np.flatnonzero(np.abs(rows.gap_m - from_x) > BY_EYE_M)
        reading.doubt(
            at,
            "gap",
            [
                f"a gap of {gap:.2f} m, but {reading.shown('x')} puts the ball {place:.2f} m from "
                "the nearest side wall"
                for gap, place in zip(rows.gap_m[at], from_x[at], strict=True)
            ],
            "the gap is used as typed: mend it or the place, and check where x is measured from",
        )


def _class_of(gap_m: Floats) -> Any:
    edges = [-np.inf, *GAP_CLASS_EDGES_M, np.inf]
    return pd.cut(gap_m, edges, right=False, labels=list(GAP_CLASSES))


def _note_word(
    reading: Reading, rows: Rows, name: str, measured: Floats, word_at: Callable[[Floats], Any]
) -> None:
    """Note words that no point within reach of the eye would have been given."""
    if name not in rows.words:
        return
    length = reading.court.length_m
    reached = [
        np.asarray(word_at(np.clip(measured + by, 0, length)).codes, dtype=np.int64)
        for by in (-BY_EYE_M, BY_EYE_M)
    ]
    word = rows.words[name]
    off = (word >= 0) & (reached[0] >= 0) & ((word < reached[0]) | (word > reached[1]))
    _note(reading, name, off, word_at(measured).codes)


def _note_lane(reading: Reading, rows: Rows, zones: Zones, x: Floats, side_gap: Any) -> None:
    if "lane" not in rows.words:
        return
    word = rows.words["lane"]
    edge, width = zones.lane_edges_m[0], reading.court.width_m
    centre = word == 1
    other_side = ((word == 0) & (x > width / 2 + BY_EYE_M)) | (
        (word == 2) & (x < width / 2 - BY_EYE_M)
    )
    off = (centre & (side_gap < edge - BY_EYE_M)) | (
        (word >= 0) & ~centre & (side_gap > edge + BY_EYE_M)
    )
    told = np.asarray(zones.zone_of(x, np.zeros(len(x)))[1].codes, dtype=np.int64)
    told = np.where(np.isnan(x) & (side_gap > edge), 1, told)
    _note(reading, "lane", off | other_side, told)


def _note_opponent(reading: Reading, rows: Rows, zones: Zones, across: Floats, behind: Any) -> None:
    if "opponent_place" not in rows.words:
        return
    word = rows.words["opponent_place"]
    away = np.abs(across)
    fits = np.isnan(away + behind) | (word < 0)
    for aside in (np.maximum(away - BY_EYE_M, 0), away, away + BY_EYE_M):
        for deeper in (behind - BY_EYE_M, behind, behind + BY_EYE_M):
            fits |= np.asarray(zones.opponent_place(aside, deeper).codes) == word
    _note(reading, "opponent_place", ~fits, zones.opponent_place(across, behind).codes)


def _note(reading: Reading, name: str, off: Bools, told: Any) -> None:
    at = np.flatnonzero(off)
    words = [word.replace("_", " ") for word in (*VOCABULARY[name], "another place")]
    reading.doubt(
        at,
        name,
        [f"the measures of the row say {words[code]}" for code in np.asarray(told)[at].tolist()],
        "the measures are used: mend them or the word",
    )


def check_holes(checks: RallyChecks) -> None:
    """Note the first row after a hole in the numbers of games or rallies of a match.

    Numbers of rallies may begin anew in each game or run on through the match.
    """
    order, rows = checks.order, checks.rows
    first = order.rows[order.first]
    seen: dict[str, dict[int, str]] = {"game": {}, "rally": {}}
    match = game = rally = 0
    for row in first.tolist():
        of = int(rows.match[row]), int(rows.game[row]), int(rows.rally[row])
        new_match, new_game = of[0] != match or not rally, of[1] != game
        last_game, last = (0, 0) if new_match else (game, rally)
        match, game, rally = of
        if game > last_game + 1:
            seen["game"][row] = _missing("game", last_game + 1, game - 1)
        if new_match or new_game:
            if rally != 1 and game == last_game + 1 and rally != last + 1:
                on = f", or with {last + 1} where numbers run on" if last else ""
                seen["rally"][row] = f"rallies are missing: a game begins with rally 1{on}"
        elif rally > last + 1:
            seen["rally"][row] = _missing("rally", last + 1, rally - 1)
    for name, reasons in seen.items():
        checks.reading.doubt(
            np.array(sorted(reasons), dtype=np.int64),
            name,
            [reasons[row] for row in sorted(reasons)],
            "log what is missing, or leave it if it was not seen: what follows is used as it is",
        )


def _missing(what: str, first: int, last: int) -> str:
    if first == last:
        return f"{what} {first} is missing before this one"
    many = {"game": "games", "rally": "rallies"}[what]
    return f"{many} {first} to {last} are missing before this one"


def check_structure(checks: RallyChecks, paired: Bools) -> None:
    """Refuse rallies of a match without two players, and with holes in their shots."""
    order, rows = checks.order, checks.rows
    alone = ~paired[rows.match[order.rows]]
    checks.refuse(
        alone,
        "player",
        "the match does not have two players",
        "each player strikes every other shot: complete the log, or, if two matches share a name, "
        "give each its own",
    )
    checks.close()
    shot = rows.shot[order.rows]
    expected = np.arange(len(shot)) - order.first[order.rally] + 1
    checks.refuse(
        (shot != expected) & (expected == 1),
        "shot",
        "the rally does not begin with shot 1",
        "add the missing shots, or number the rally from 1 (the serve)",
    )
    checks.close()
    checks.refuse(
        shot != expected,
        "shot",
        "a shot is missing before this one",
        "add the missing shot, or number the shots without a hole",
    )
    checks.close()


def check_play(checks: RallyChecks) -> None:
    """Refuse rallies with a serve out of place, a player twice running, a clock run back."""
    order, rows = checks.order, checks.rows
    at = order.rows
    begins, serve = order.begins, rows.words["stroke"][at] == SERVE
    checks.refuse(begins & ~serve, "stroke", "shot 1 is not a serve", "shot 1 is the serve")
    checks.refuse(
        ~begins & serve,
        "stroke",
        "a serve within a rally",
        "begin a new rally, or mend the stroke",
    )
    player = rows.player[at]
    twice = np.zeros(len(at), dtype=bool)
    twice[1:] = (player[1:] == player[:-1]) & ~begins[1:]
    checks.refuse(
        twice,
        "player",
        "the same player twice running",
        "add the shot between, or mend the player",
    )
    if "t_s" in rows.lengths:
        time = rows.lengths["t_s"][at]
        timed = np.flatnonzero(~np.isnan(time))
        back = np.zeros(len(at), dtype=bool)
        back[timed[1:]] = (time[timed[1:]] < time[timed[:-1]]) & (
            order.rally[timed[1:]] == order.rally[timed[:-1]]
        )
        checks.refuse(
            back, "t", "the time runs backwards within the rally", "mend the time or the order"
        )


def check_ending(checks: RallyChecks, pair: Ints) -> None:
    """Refuse rallies whose ending and winner are missing or contradict each other.

    A winner that only the ending gives is filled in, and listed under folded.
    """
    order, rows = checks.order, checks.rows
    at, last = order.rows, order.last
    ending = rows.words["ending"][at]
    winner = rows.winner[at]
    two = pair[rows.match[at]]
    ends = order.ends
    final_winner = _winner_of_rally(checks, winner)[order.rally]
    final_ending = ending[last][order.rally]
    checks.refuse(
        (winner != -1) & (winner != two[:, 0]) & (winner != two[:, 1]),
        "rally_won_by",
        "the winner is not one of the two players of the match",
        "write the name as in the player column",
    )
    checks.refuse(
        (winner != -1) & (winner != final_winner),
        "rally_won_by",
        "two winners in one rally",
        "write the winner on the last shot only, or mend the rally number",
    )
    # An ending on every row is a habit; on some rows it means a rally number was forgotten.
    filled = np.bincount(order.rally, weights=ending >= 0, minlength=len(last))
    on_all = (filled == last - order.first + 1)[order.rally]
    checks.refuse(
        ~ends & (ending >= 0) & (~on_all | (ending != final_ending)),
        "ending",
        "the rally goes on after its ending",
        "write the ending on the last shot only, or begin a new rally after it",
    )
    checks.close()
    checks.refuse(
        ends & (ending < 0),
        "ending",
        "the last shot of the rally has no ending",
        "write winner, tin, out, down, stroke, no_let or let",
    )
    let = ends & (ending == LET)
    checks.refuse(
        let & (final_winner != -1),
        "rally_won_by",
        "a let has no winner",
        "clear the winner, or write stroke or no_let as the ending",
    )
    striker = rows.player[at]
    opponent = two.sum(axis=1) - striker
    fixed = np.where(ending >= 0, FIXED_WINNER[ending], 0)
    due = np.select([fixed > 0, fixed < 0], [striker, opponent], default=-1)
    checks.refuse(
        ends & (due >= 0) & (final_winner >= 0) & (final_winner != due),
        "rally_won_by",
        "the winner contradicts the ending",
        "after a winner the striker of the last shot has won; after tin, out or down the opponent",
    )
    checks.refuse(
        ends & (ending >= 0) & ~let & (due < 0) & (final_winner < 0),
        "rally_won_by",
        "the last shot of the rally has no winner",
        "a stroke or a no-let may go either way: write to whom it was given",
    )
    kept = ~checks.refused[order.rally]
    fill = ends & (due >= 0) & (final_winner == -1) & kept
    moved = ends & (winner == -1) & (final_winner >= 0) & kept
    rows.winner[at[fill]] = due[fill]
    rows.winner[at[moved]] = final_winner[moved]
    folded, heading = checks.reading.folded, checks.reading.shown("rally_won_by")
    folded.add(heading, "blank", "derived from the ending", int(fill.sum()))
    folded.add(heading, "blank on the last shot", "as on another row of the rally", moved.sum())


def _winner_of_rally(checks: RallyChecks, winner: Ints) -> Ints:
    """Winner on the last shot or else the first one given in the rally, shape (rallies,)."""
    order = checks.order
    final = winner[order.last].copy()
    given = np.flatnonzero(winner != -1)
    hit, where = np.unique(order.rally[given], return_index=True)
    elsewhere = np.full(len(final), -1, dtype=np.int64)
    elsewhere[hit] = winner[given[where]]
    return np.where(final == -1, elsewhere, final)
