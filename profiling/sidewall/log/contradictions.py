"""What a rally must not contradict: its numbering, its players, its clock, its ending."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from sidewall.log.rallies import FIXED_WINNER, LET, RallyChecks
from sidewall.log.reading import Codes
from sidewall.log.rows import SERVE

Mask = npt.NDArray[np.bool_]


def check_structure(checks: RallyChecks, paired: Mask) -> None:
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
    begins = np.zeros(len(at), dtype=bool)
    begins[order.first] = True
    serve = rows.words["stroke"][at] == SERVE
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


def check_ending(checks: RallyChecks, pair: Codes) -> None:
    """Refuse rallies whose ending and winner are missing or contradict each other.

    A winner that only the ending gives is filled in, and listed under folded.
    """
    order, rows = checks.order, checks.rows
    at, last = order.rows, order.last
    ending = rows.words["ending"][at]
    winner = rows.winner[at]
    two = pair[rows.match[at]]
    ends = np.zeros(len(at), dtype=bool)
    ends[last] = True
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


def _winner_of_rally(checks: RallyChecks, winner: Codes) -> Codes:
    """Winner on the last shot or else the first one given in the rally, shape (rallies,)."""
    order = checks.order
    final = winner[order.last].copy()
    given = np.flatnonzero(winner != -1)
    hit, where = np.unique(order.rally[given], return_index=True)
    elsewhere = np.full(len(final), -1, dtype=np.int64)
    elsewhere[hit] = winner[given[where]]
    return np.where(final == -1, elsewhere, final)
