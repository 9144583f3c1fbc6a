"""How the numbers were worked out and what they cannot say, in plain prose."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from sidewall.features.coded import struck_by
from sidewall.numbers import count
from sidewall.plots.words import capital
from sidewall.report.ladder import FittedLadder
from sidewall.report.sheet import CLEAR_M

if TYPE_CHECKING:
    from sidewall.log import LogCheck

_HOW: Final = [
    "The question is, for a ball of a given gap to the side wall: does this player win more "
    "rallies by attacking it or by resetting? Two curves are estimated for each side and way of "
    "meeting the ball. The loose threshold is the gap where they cross; the tape lies a little "
    "beyond, where 65 in 100 draws say attack.",
    "All players of the log are estimated together. Each has curves of their own, drawn toward "
    "the group's as far as there are few shots; strokes and situations likewise. How strong the "
    "opponent is counts, as far as the rallies tell. Lets are left out; a stroke or a no-let "
    "counts for whom it was given.",
    "A shot is judged by value: won, lost, or the chance of winning against the ball that it "
    "leaves. That chance comes from all rallies of the log in which such a ball came up: its "
    "gap, side and contact, and what is charted of depth, balance and the opponent's place. What "
    "this value misses is measured against who won, and allowed for. Beside it stands the answer "
    "by who won the rally, which assumes nothing and has much more luck in it.",
    "All shots of a rally share one result. Intervals allow for that.",
    f"Feeds are {100 * CLEAR_M:.0f} cm off the tape, three times the usual error of a gap judged "
    "by eye. Drills, combinations, 8 of 10 and three times running are common practice, without a "
    "source.",
]

_LIMITS: Final = [
    "Choice is not random. Players attack when something is right that the log may not hold: "
    "balance, an opponent out of place. Then attacking looks better than it would be for the "
    "balls that were reset. More shots do not remove this. Take a threshold as a first proposal "
    "and try it on court.",
    "By value trusts the description of the ball. Where a shot leaves something behind that is "
    "not charted, such as a player out of position, the page says so and is less sure. Trust a "
    "threshold most where both ways of judging agree.",
    "Many answers are looked at here. Some intervals miss the truth: one in twenty even when all "
    "is well.",
    "Gaps judged by eye are off by several centimetres, which blurs the threshold. A threshold "
    "holds for the opponents, courts and balls that were charted.",
    "Gains on the work list do not add up where two items share shots, and are a first step: that "
    "better shots would bring other rallies is left out.",
    "What a decision cost compares two choices at the same gap, with the same reservation: the "
    "log does not see everything that the player saw.",
]

#: The figures are those of recorded studies; tests/test_records.py holds them to these.
_INTERVALS: Final = [
    "In simulations with known truth, which break what is assumed here, 95% intervals of the "
    "threshold by value held it 93 to 98 times in 100 with three matches a player.",
    "One thing they do not survive: a reason for attacking that the log does not hold, such as "
    "easier balls: 75 times in 100 with ten matches, 42 with thirty; more shots do not help. "
    "Something that a shot leaves behind and nobody charts: 93 times in 100 with thirty matches; "
    "a note on the fit then says so.",
    "With thirty matches the heights of the curves are held less often than the threshold: 86 "
    "times in 100 where curves are steep.",
    "The middle half of the gaps in the table of zones is no interval: it says how balls vary.",
]

_DATA: Final = [
    "This page holds personal data: how well named people played, and when. Show it only to those "
    "who need it, ask before passing it on (for minors, ask their parents or guardians too), and "
    "delete it when it is no longer needed. Opponents are named as well. Initials can stand for "
    "names; the names of matches are shown as typed.",
    "The page needs no network and sends nothing. Everything on it is inside the file.",
]


def method_words(ladder: FittedLadder) -> list[tuple[str, list[str]]]:
    """Paragraphs under their headings, with what was said of this log."""
    notes = [f"{capital(note)}." for note in ladder.value.notes_]
    return [
        ("What was estimated", [*_HOW, *notes]),
        ("What it cannot say", _LIMITS),
        ("Where intervals are known to fail", _INTERVALS),
        ("Personal data", _DATA),
    ]


def log_facts(ladder: FittedLadder, player: str, check: LogCheck | None) -> list[tuple[str, str]]:
    """Version, log, refused rows, seed: what it takes to make the page again."""
    from sidewall import __version__  # noqa: PLC0415 - the package itself

    used = ladder.value.used_
    mine = int(struck_by(used, player).sum())
    facts = [("Made with", f"sidewall {__version__}")]
    if check is not None:
        refused = f"{check.rows_refused:,} of {check.rows_in:,} rows refused and left out"
        more = "; 'sidewall check' says why" if check.rows_refused else ""
        facts.append(("Log", f"{check.source}: {refused}{more}"))
    players = count(len(ladder.players), "player")
    shots = (
        f"{len(ladder.features):,} of {players}; {len(used):,} of them behind the thresholds, "
        f"{mine:,} of this player"
    )
    left_out = [f"{reason}: {int(n):,}" for reason, n in ladder.value.left_out_.items() if n]
    return [
        *facts,
        ("Shots", shots),
        ("Left out of the thresholds", "; ".join(left_out) or "none"),
        ("Level of the intervals", f"{ladder.level:.0%}"),
        ("Seed", str(ladder.seed)),
    ]
