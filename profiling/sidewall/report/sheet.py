"""The court sheet: what one player takes on court, on one page.

One rule for each side and way of meeting the ball, as tape to stick down; how it changes;
which shot to play; one combination; three things to train; how sure it all is.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from sidewall.combinations.effect import COSTS, GAINS
from sidewall.combinations.repeat_or_vary import REPEAT_ALWAYS, VARY_ALWAYS, VARY_FROM
from sidewall.court.court import Court, court_lines
from sidewall.models.answers import CROSSES, LEAST_OWN, NOT_KNOWN
from sidewall.models.posterior import GAP_ERROR_M
from sidewall.numbers import count, share
from sidewall.plots.words import (
    board_width_of,
    cell_words,
    family_words,
    known_player,
    more_shots_words,
    rows_by,
)
from sidewall.report.ladder import FittedLadder, own
from sidewall.report.words import Lengths, counts_words, date_words
from sidewall.worklist import CAUTIONS, MOVE_ON, drill_for
from sidewall.worklist.items import COMBINATION
from sidewall.worklist.worklist import MAY_BE_NOTHING, WORTH

Cell = tuple[str, str]

#: How far from the tape a feed is clearly loose or clearly tight: three times the usual error
#: of a gap judged by eye.
CLEAR_M: Final = 3 * GAP_ERROR_M
_TRAIN: Final = 3
#: The drill that needs no attack in its simple form, and those that need one throughout.
_WAIT: Final = "choice: wait"
_ATTACKS: Final = ("choice: go", "attack", "volley", "tin margin")
#: Said where the log cannot tell when to vary.
VARY_OPEN: Final = (
    "When to vary is not known yet. Until it is: not the same reply three times running to the "
    "same ball."
)
_SOURCE: Final = "Common practice, no source."
#: What is told beside the tape: column of the situation, level, words on court.
_CHANGES: Final = (
    ("balance", "stretched", "stretched"),
    ("depth", "front", "at the front"),
    ("depth", "middle", "in the middle"),
    ("depth", "back", "at the back"),
)


@dataclass(frozen=True)
class Tape:
    """The rule of one side and way of meeting the ball.

    The tape lies `at_m` metres from the side wall, NaN without one; `says` is the gap, or what
    there is in its place, and `boards` the same in boards. `changes` are situations, and from which
    gap to attack there; `shot` is the attack to play off a loose ball, `alike` those that may be as
    good; `chart` is what to chart where nothing is known. `attacks` tells whether any ball is to be
    attacked; `guess` that the log does not yet settle from where.
    """

    side: str
    met: str
    at_m: float
    says: str
    boards: str
    changes: list[tuple[str, str]]
    shot: str
    alike: list[str]
    chart: str
    attacks: bool
    guess: bool

    @property
    def taped(self) -> bool:
        """Whether there is a tape to stick down."""
        return math.isfinite(self.at_m)


@dataclass(frozen=True)
class Training:
    """One thing to train: what, how, and the mark to move on."""

    title: str
    sure: str
    drill: str
    mark: str
    item: str


@dataclass(frozen=True)
class Sheet:
    """What the sheet of one player shows."""

    player: str
    counts: str
    right_handed: bool
    hand_known: bool
    tapes: list[Tape]
    combination: str
    combination_says: str
    vary: str
    training: list[Training]
    #: Whether attacks would be among these, were any ball to be attacked.
    no_attacks: bool
    sure: str
    cautions: list[str]

    @property
    def sides(self) -> list[str]:
        """The side at the left wall, then the one at the right."""
        return ["backhand", "forehand"] if self.right_handed else ["forehand", "backhand"]

    def zone(self, side: str) -> tuple[str, str]:
        """What to play off a loose ball of a side, and what that holds for if not for all."""
        mine = [one for one in self.tapes if one.side == side and not one.chart]
        told = [one for one in mine if one.attacks] or mine
        if not told:
            return "", ""
        every = len(told) == sum(one.side == side for one in self.tapes)
        only = "" if every else f"{told[0].met.replace('after the ', '')} only"
        return "attack" if told[0].attacks else "length", only

    @property
    def court(self) -> Any:
        """The court to scale, centimetres: width, length, and its lines as rectangles."""
        court = Court()
        places = [(at.x_min, at.y_min, at.width, at.depth) for at in court_lines(court).values()]
        lines = [tuple(round(100 * value, 1) for value in place) for place in places]
        return {"width": 100 * court.width_m, "length": 100 * court.length_m, "lines": lines}


def make_sheet(
    ladder: FittedLadder, player: str, unit: str = "cm", board_width_m: float | None = None
) -> Sheet:
    """Make the sheet of a player.

    A DataError if the model does not know the player; a UnitError if the unit is unknown, or boards
    are asked for and their width is not known.
    """
    player = known_player(ladder.value, player)
    board_width_m = board_width_of(ladder.value, player, board_width_m)
    mine = ladder.own_features(player)
    lengths = Lengths(unit, board_width_m)
    lengths.gap(0.1)  # an unknown unit is told first
    tapes = rules_of(ladder, player)
    hands = set(mine["hand"].dropna().astype(str)) if "hand" in mine.columns else set()
    steps, says, vary = _combination(ladder, player)
    dates = date_words(mine)
    training, no_attacks = _training(ladder, player, tapes, lengths)
    return Sheet(
        player=player,
        counts=counts_words(mine) + (f", {dates}" if dates else ""),
        right_handed=hands != {"left"},
        hand_known=len(hands) == 1,
        tapes=[_tape(ladder, player, cell, row, lengths) for cell, row in tapes.items()],
        combination=steps,
        combination_says=says,
        vary=vary,
        training=training,
        no_attacks=no_attacks,
        sure=_how_sure(ladder, player, tapes, lengths),
        cautions=list(CAUTIONS),
    )


# -- the tapes ---------------------------------------------------------------------------------


def rules_of(ladder: FittedLadder, player: str) -> dict[Cell, dict[str, Any]]:
    """Rows of the rule by side and family, with the status of the threshold.

    ``known`` where own shots are enough for a rule; ``attacks`` where it then says to attack any.
    """
    found = {}
    answers = rows_by(ladder.thresholds(player), "side", "family")
    for (side, family), row in rows_by(ladder.rules(player), "side", "family").items():
        known = min(row["n_attack"], row["n_reset"]) >= LEAST_OWN
        told = {name: answers[side, family][name] for name in ("status", "more_shots")}
        attacks = known and row["rule_m"] < math.inf
        found[side, family] = row | told | {"known": known, "attacks": attacks}
    return found


def gap_words(rule_m: float, lengths: Lengths) -> str:
    """Say the gap to play by."""
    if rule_m == 0.0:
        return "attack at any gap"
    return lengths.gap(rule_m) if math.isfinite(rule_m) else "length at any gap"


def _tape(
    ladder: FittedLadder, player: str, cell: Cell, row: dict[str, Any], lengths: Lengths
) -> Tape:
    side, family = cell
    met, at = family_words(family), float(row["rule_m"])
    if not row["known"]:
        few = [
            count(LEAST_OWN - int(row[f"n_{one}"]), f"more {one}")
            for one in ("attack", "reset")
            if row[f"n_{one}"] < LEAST_OWN
        ]
        chart = (
            f"Chart at least {' and '.join(few)} for a first guess. To be sure takes "
            f"{more_shots_words(row['more_shots'])}."
        )
        return Tape(side, met, math.nan, "not known yet", "", [], "", [], chart, False, False)
    taped, attacks = 0.0 < at < math.inf, bool(row["attacks"])
    # Where no ball is to be attacked, nothing else on the sheet may say so.
    shot, *alike = (_shots(ladder, player, cell, at) or ["not known yet"]) if attacks else [""]
    return Tape(
        side=side,
        met=met,
        at_m=at if taped else math.nan,
        says=gap_words(at, lengths),
        boards=lengths.boards(at) if taped else "",
        changes=_changes(ladder, player, cell, at, lengths) if attacks else [],
        shot=shot,
        alike=alike,
        chart="",
        attacks=attacks,
        guess=row["status"] == NOT_KNOWN,
    )


def _changes(
    ladder: FittedLadder, player: str, cell: Cell, at_m: float, lengths: Lengths
) -> list[tuple[str, str]]:
    """Where the rule moves by more than a gap can be judged, and the log can tell."""
    found = []
    for name, level, words in _CHANGES:
        if level not in ladder.value.situation_.get(name, ()):
            continue
        rules = ladder.rules(player, name)
        row = rows_by(rules, "side", "family", name).get((*cell, level))
        if row is None or row["basis"] != "own level":
            continue
        there = float(row["rule_m"])
        if there != at_m and not abs(there - at_m) < GAP_ERROR_M:
            told = gap_words(there, lengths)
            found.append((words, f"from {told}" if 0.0 < there < math.inf else told))
    return found


def loose_m(ladder: FittedLadder, cell: Cell, at_m: float) -> float:
    """A gap that is clearly loose for this rule, within what was charted."""
    widest = float(ladder.value.gap_max_m().loc[cell])
    return min(max(at_m, 0.0) + CLEAR_M, widest) if math.isfinite(at_m) else widest


def _shots(ladder: FittedLadder, player: str, cell: Cell, at_m: float) -> list[str]:
    """Attacks off a clearly loose ball: the best so far, and those that may be as good."""
    table = ladder.value.which_shot(player, *cell, loose_m(ladder, cell, at_m), ladder.level)
    attacks = table[(table["choice"] == "attack") & (table["n_shots"] >= LEAST_OWN)]
    first = np.arange(len(attacks)) == 0
    alike = attacks[first | (attacks["words"] != "worse").to_numpy()]
    return [str(one).replace("_", " ") for one in alike["stroke"]]


# -- the combination ---------------------------------------------------------------------------


def _combination(ladder: FittedLadder, player: str) -> tuple[str, str, str]:
    """One combination in its plain version, what is known of it, and when to vary."""
    vary = VARY_OPEN
    if ladder.repeat is not None:
        for told in own(ladder.repeat.dropna(subset=["player"]), player).to_dict("records"):
            after = "" if math.isnan(told["repeats"]) else f"{math.ceil(told['repeats'])}"
            vary = {
                VARY_FROM: f"Vary after {after} equal replies running to the same ball.",
                VARY_ALWAYS: "Vary the reply every time the same ball comes.",
                REPEAT_ALWAYS: "No need to vary so far: the same reply again has won more.",
            }.get(str(told["status"]), vary)
    if ladder.effects is None:
        return "", "Not known yet: the log holds no combination often enough.", vary
    table = own(ladder.effects, player)
    tried = table[(table["status"] != COSTS) & (table["played_on"] >= LEAST_OWN)]
    if not len(tried):
        return "", "Not known yet: no combination was played on often enough.", vary
    worth = _worth(ladder, player, list(tried["combination"]))
    best = tried.assign(
        gains=tried["status"] == GAINS, worth=tried["combination"].isin(worth)
    ).sort_values(["gains", "worth", "played_on"], ascending=False, kind="stable")
    row = best.to_dict("records")[0]
    combination = next(one for one in ladder.combinations if one.name == row["combination"])
    n = f"played on {count(int(row['played_on']), 'time')}"
    says = f"Whether it wins more than another way is not known yet ({n})."
    if row["gains"]:
        says = f"It wins more than going another way ({n})."
    return combination.description.replace(_SOURCE, "").strip(), says, vary


def _worth(ladder: FittedLadder, player: str, names: list[str]) -> list[str]:
    """Combinations that the work list calls worth training."""
    if ladder.work is None:
        return []
    table = ladder.work.table(player)
    items = set(table.loc[table["status"] == WORTH, "item"])
    return [name for name in names if COMBINATION + name in items]


# -- training ----------------------------------------------------------------------------------


def _training(
    ladder: FittedLadder, player: str, tapes: dict[Cell, dict[str, Any]], lengths: Lengths
) -> tuple[list[Training], bool]:
    """What to train, and whether attacks were passed over since no ball is to be attacked."""
    if ladder.work is None:
        return [], False
    rows = ladder.work.table(player)
    gains = rows["points_per_game"] > 0.0  # else the target is below the player
    found, passed_over = list[Training](), False
    for row in rows[gains & rows["status"].isin((WORTH, MAY_BE_NOTHING))].to_dict("records"):
        item = str(row["item"])
        numbers, drill = _Numbers(ladder, player, item, tapes, lengths), drill_for(item)
        rule = tapes[numbers.cell]
        if drill.name in _ATTACKS and not rule["attacks"]:
            passed_over |= rule["known"]
            continue
        simple = drill.name == _WAIT and not rule["attacks"]
        words = drill.simple if simple else drill.court.format_map(numbers)
        sure = "" if row["status"] == WORTH else MAY_BE_NOTHING
        found.append(Training(str(row["title"]), sure, _sentences(words), MOVE_ON, item))
    return found[:_TRAIN], passed_over


def _sentences(words: str) -> str:
    """Begin each sentence with a capital: what is filled in may stand first."""
    return re.sub(r"(?:^|(?<=\. ))[a-z]", lambda first: first[0].upper(), words.strip())


class _Numbers(dict[str, str]):
    """The player's own numbers of one drill, each worked out when the drill asks for it."""

    def __init__(
        self,
        ladder: FittedLadder,
        player: str,
        item: str,
        tapes: dict[Cell, dict[str, Any]],
        lengths: Lengths,
    ) -> None:
        self.ladder, self.player, self.item = ladder, player, item
        self.tapes, self.lengths = tapes, lengths
        self.cell = self._cell()

    def __missing__(self, name: str) -> str:
        return str(getattr(self, f"_{name}_words")())

    def _cell(self) -> Cell:
        """The side and contact that the drill is about: the item's own, or the costliest."""
        kind, _, side = self.item.partition("_")
        cells = list(self.tapes)
        if drill_for(self.item).name in _ATTACKS:  # off balls to be attacked, where there are any
            cells = [cell for cell in cells if self.tapes[cell]["attacks"]] or cells
        if side in ("forehand", "backhand"):
            family = "volley" if kind == "volley" else "ground"
            here = [cell for cell in self.tapes if cell[0] == side]
            usual = [cell for cell in here if cell[1] == family] or here
            if kind == "attack":
                usual = [cell for cell in (*usual, *here) if cell in cells] or usual
            return usual[0]
        found = self.ladder.decisions
        if found is not None and self.item in ("forced", "passed_up"):
            mine = own(found, self.player)
            mine = mine[mine["decision"] == self.item.replace("_", " ")]
            lost = mine.groupby(["side", "family"], observed=True)["points"].sum()
            lost = lost[[cell in cells for cell in lost.index]]
            if len(lost):
                side, family = lost.index[int(lost.to_numpy().argmin())]
                return str(side), str(family)
        return max(cells, key=lambda c: self.tapes[c]["n_attack"] + self.tapes[c]["n_reset"])

    @property
    def _at_m(self) -> float:
        row = self.tapes[self.cell]
        return float(row["rule_m"]) if row["known"] else math.nan

    def _cell_words(self) -> str:
        return cell_words(*self.cell)

    def _loose_words(self) -> str:
        if not math.isfinite(self._at_m):
            return "any gap"
        return self.lengths.gap(loose_m(self.ladder, self.cell, self._at_m))

    def _tight_words(self) -> str:
        at = self._at_m - CLEAR_M
        if not math.isfinite(at) or at < GAP_ERROR_M:
            return "a ball that clings to the wall"
        return self.lengths.gap(at)

    def _shot_words(self) -> str:
        return (_shots(self.ladder, self.player, self.cell, self._at_m) or ["attack"])[0]

    def _share_words(self) -> str:
        rows = own(self.ladder.placement, self.player)
        if len(rows):
            rows = rows[(rows["stroke"] == "drive") & (rows["n_shots"] >= LEAST_OWN)]
        if not len(rows):
            return ""
        row = rows.sort_values("share", kind="stable").iloc[0]
        now = share(row["share"], row["share_low"], row["share_high"]).partition(" (")[0]
        return f"In matches {now} of 100 {row['side']} drives land there."

    def _drive_words(self) -> str:
        height = self._height(("drive",))
        return f"{height} up, where your drives go now" if height else "level with the service line"

    def _attack_words(self) -> str:
        height = self._height(("drop", "kill"))
        return f"{height} up, where your attacks go now" if height else "a hand above the tin"

    def _height(self, strokes: tuple[str, ...]) -> str:
        rows = own(self.ladder.scatter, self.player)
        rows = rows[rows["stroke"].isin(strokes)] if len(rows) else rows
        if not len(rows):
            return ""
        return f"{float(np.average(rows['mean_m'], weights=rows['n_shots'])):.2f} m"

    def _step_words(self) -> str:
        name = self.item.removeprefix(COMBINATION)
        step = self.ladder.breaks_at(name, self.player)
        return "at one step" if step is None else f"at step {step}, where it breaks,"


# -- how sure ----------------------------------------------------------------------------------


def _how_sure(
    ladder: FittedLadder, player: str, tapes: dict[Cell, dict[str, Any]], lengths: Lengths
) -> str:
    """Say in one sentence what the tapes rest on, how far off they may be, and what it costs."""
    known = {cell: row for cell, row in tapes.items() if row["known"]}
    mine = ladder.own_features(player)
    matches = count(int(mine["match"].nunique()), "match", "matches")
    if not known:
        return f"From {matches} no tape is known yet: chart what is missing."
    basis = min((row["own"], row["own_words"]) for row in known.values())[1]
    basis = basis.replace("half the player's own", "half the player's own and half the club's")
    answers = rows_by(ladder.thresholds(player), "side", "family")
    off = [
        max(one["threshold_high_m"] - row["rule_m"], row["rule_m"] - one["threshold_low_m"])
        for one, row in ((answers[cell], row) for cell, row in known.items())
        if one["status"] == CROSSES and math.isfinite(row["rule_m"])
    ]
    costs = [row["cost_at_most"] for row in known.values() if math.isfinite(row["cost_at_most"])]
    cost = math.ceil(max(costs, default=1.0))
    lost = f"at most {count(cost, 'rally', 'rallies')} in 100 such balls"
    parts = []
    if off:
        parts.append(f"a tape may be off by {lengths.gap(0.05 * math.ceil(20 * max(off)))}")
    if any(row["status"] == NOT_KNOWN for row in known.values()):
        parts.append("what is marked as a first guess may be far off")
    wrong = " and ".join(parts) or "an answer may be wrong"
    return f"From {matches}, {basis}: {wrong}, which should cost {lost}."
