"""The words a shot log may hold, in the trade's terms, and what follows from them.

Order matters: tables and pictures list values in the order given here.
"""

from __future__ import annotations

from typing import Final

from sidewall.court.zones import BOUNCES, DEPTHS, LANES, OPPONENT_PLACES

SIDES: Final = ("forehand", "backhand")
STROKES: Final = (
    "serve",
    "drive",
    "drop",
    "lob",
    "boast",
    "back_wall_boast",
    "skid_boast",
    "kill",
    "flick",
    "smash",
)
DIRECTIONS: Final = ("straight", "cross")
CONTACTS: Final = ("volley", "after_bounce", "off_back_wall")
CHOICES: Final = ("attack", "reset")
BALANCES: Final = ("set", "stretched", "jammed")
#: A gap that nobody measured, in words.
GAP_CLASSES: Final = ("tight", "middling", "loose")
#: Where one class ends and the next begins, in metres; common practice, no source. A log that
#: has rows with both the word and the number shows how its charter used the word.
GAP_CLASS_EDGES_M: Final = (0.2, 0.5)
ENDINGS: Final = ("winner", "tin", "out", "down", "stroke", "no_let", "let")
HANDS: Final = ("right", "left")

#: A stroke family is the way the ball is met: in the air or after its bounce. Attack
#: and reset are compared within a family, so a family cannot be the stroke played.
FAMILIES: Final = ("ground", "volley")
FAMILY_OF_CONTACT: Final = {
    "volley": "volley",
    "after_bounce": "ground",
    "off_back_wall": "ground",
}

#: Endings that fix the winner: +1 the striker of the last shot, -1 the opponent.
#: A stroke or a no-let may go either way; a let goes to nobody.
ENDING_WINNER: Final = {"winner": 1, "tin": -1, "out": -1, "down": -1}

#: The closed vocabulary of each categorical column of a shot log.
VOCABULARY: Final[dict[str, tuple[str, ...]]] = {
    "side": SIDES,
    "stroke": STROKES,
    "direction": DIRECTIONS,
    "contact": CONTACTS,
    "choice": CHOICES,
    "balance": BALANCES,
    "depth": DEPTHS,
    "lane": LANES,
    "opponent_place": OPPONENT_PLACES,
    "bounce": BOUNCES,
    "gap_class": GAP_CLASSES,
    "ending": ENDINGS,
}
