"""The coach's pages: each question with a one-line verdict in plain words, and its pictures."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, Final, Literal

import numpy as np
import pandas as pd

from sidewall.combinations.effect import COSTS, GAINS
from sidewall.combinations.tries import break_words, funnel_table
from sidewall.court.units import GapWords
from sidewall.errors import DataError
from sidewall.features.coded import struck_by
from sidewall.features.rates import clustered_rate
from sidewall.models.answers import LEAST_OWN
from sidewall.numbers import count, number, share
from sidewall.plots.words import (
    capital,
    cell_words,
    difference_words,
    family_words,
    records,
    win_difference_words,
)
from sidewall.progress import next_balls
from sidewall.rallies.credit import BESIDE
from sidewall.report.ladder import FittedLadder, own
from sidewall.report.pictures import inline
from sidewall.report.rallies import Rallies
from sidewall.report.sheet import VARY_OPEN, Sheet, Tape
from sidewall.report.views import Line, Link, Picture, Section
from sidewall.report.words import Lengths, signed_in, stroke_words
from sidewall.worklist import drill_for
from sidewall.worklist.items import COMBINATION
from sidewall.worklist.worklist import NOT_KNOWN

#: As wide as a phone shows at the size that its letters are drawn in, inches.
_WIDE: Final = 4.4
_FUNNEL: Final = 5.6
_LEAST_IN_ZONE: Final = 30
_LEAST_BOUNCES: Final = 20
_LEAST_TRIES: Final = 20
#: Rallies that an answer about openings rests on at least.
LEAST_RALLIES: Final = 10
#: What shots are matched by in the table of openings (`sidewall.rallies.credit`).
LIKE_BALL: Final = ("side", "contact", "gap")
_MOST_COMBINATIONS: Final = 2
#: The sections in their usual order, by what a coach's file calls them.
SECTIONS: Final = (
    *("notes", "attack", "choice", "places", "length", "opening", "height", "combination"),
    *("training", "unknown"),
)


class Pages:
    """Makes the sections of one player.

    The player's court sheet goes before: its numbers are the numbers. `rallies` takes those behind
    each claim; the width of a board is for axes in boards.
    """

    def __init__(
        self,
        ladder: FittedLadder,
        player: str,
        sheet: Sheet,
        lengths: Lengths,
        board_width_m: float | None,
        rallies: Rallies,
    ) -> None:
        self.ladder, self.player, self.sheet = ladder, player, sheet
        self.lengths, self.rallies, self.model = lengths, rallies, ladder.value
        self.mine = ladder.own_features(player)
        # A second axis in boards takes room that the words say already.
        boards_only = board_width_m if lengths.main.unit == "boards" else None
        self.words = GapWords(lengths.main.unit, boards_only)

    def section(self, key: str) -> Section | None:
        """One section by its key; None where the log has nothing to show for it."""
        make: Callable[[], Section] = getattr(self, key)
        found = make()
        return found if found.verdict or found.pictures or found.lines else None

    def _picture(
        self,
        draw: Callable[..., Any],
        size: tuple[float, float],
        title: str,
        says: str,
        shows: str,
        link: Link | None = None,
        png: bool = False,
    ) -> list[Picture]:
        drawn = inline(draw, size, png=png)
        if drawn is None:
            return []
        alt = f"{title}: {shows}. {says}"
        return [Picture(title, drawn.source, alt, says, drawn.width, drawn.height, link)]

    def attack(self) -> Section:
        """When attacking pays: one picture a tape."""
        from sidewall.plots.threshold import ThresholdTables, draw_threshold  # noqa: PLC0415 - slow

        used, found = own(self.model.used_, self.player), list[Picture]()
        ladder = self.ladder
        answers, curves, rules = (
            table(self.player) for table in (ladder.thresholds, ladder.curves, ladder.rules)
        )
        for (side, family), tape in zip(self.model.cells_, self.sheet.tapes, strict=True):
            cell = cell_words(side, family)
            some = used[(used["side"] == side) & (used["family"] == family)]
            link = None
            if tape.taped:
                near = (some["gap_m"] - tape.at_m).abs().sort_values(kind="stable").index
                nearest = some.loc[near]
                title = f"{cell}: balls at the tape"
                link = self.rallies.add(f"tape-{side}-{family}".replace(" ", "-"), title, nearest)
            tables = ThresholdTables(answers, curves, used, None if tape.chart else rules)
            draw = partial(draw_threshold, tables, side, family, self.words, strip=False)
            rule = f"{capital(tape.says)}." if " any " in tape.says else f"Attack from {tape.says}."
            says = tape.chart or (f"{rule[:-1]}, a first guess." if tape.guess else rule)
            shows = "the chance of winning the rally against the gap, attacking and resetting"
            found += self._picture(draw, (_WIDE, 3.3), cell, says, shows, link)
        read = (
            "To the right the ball is looser, upwards more rallies are won. Full orange: attack. "
            "Dashed blue: reset. Red line: the tape, dashed where it is a first guess. Shaded: "
            "where it may lie. Where the curves lie close, either will do."
        )
        verdict = self._sides() if found else ""
        return Section("attack", "When does attacking pay?", verdict, found, read=read)

    def _sides(self) -> str:
        """Forehand against backhand, from the same balls."""
        said = []
        for row in records(self.ladder.comfort(self.player)):
            if min(row["n_forehand"], row["n_backhand"]) >= LEAST_OWN:
                words = family_words(str(row["family"]))
                said.append(f"{words}, {win_difference_words(row)}")
        if not said and not any(tape.taped for tape in self.sheet.tapes):
            return ""
        if not said:
            return "Beyond the tape attack, at the wall side of it length."
        return f"Forehand against backhand from the same balls: {'; '.join(said)}."

    def choice(self) -> Section:
        """Which balls are attacked."""
        from sidewall.plots.decisions import plot_decisions  # noqa: PLC0415

        title = "Is the right ball chosen?"
        if self.ladder.decisions is None:
            return Section("choice", title, "")
        mine, found = own(self.ladder.decisions, self.player), list[Picture]()
        for (side, family), tape in zip(self.model.cells_, self.sheet.tapes, strict=True):
            cell = mine[(mine["side"] == side) & (mine["family"] == family)]
            if not len(cell):
                continue
            words = cell_words(side, family)
            link = None
            for decision in _COSTLY:
                rows = cell[cell["decision"] == decision].sort_values("points", kind="stable")
                if len(rows):
                    name = f"{words}: {_COSTLY[decision]}"
                    key = f"{decision}-{side}-{family}".replace(" ", "-")
                    link = self.rallies.add(key, name, rows)
            draw = partial(
                plot_decisions, mine, self.player, side, family, unit=self.words.unit,
                board_width_m=self.words.board_width_m, level=self.ladder.level, bare=True,
            )  # fmt: skip
            says, shows = _decision_words(cell, tape), "the share of balls attacked at each gap"
            found += self._picture(draw, (_WIDE, 2.9), words, says, shows, link)
        read = (
            "Dots: the share of balls attacked at each gap. Orange from below: attacked though too "
            "tight. Blue from above: not attacked though loose."
        )
        return Section("choice", title, self._costs() if found else "", found, read=read)

    def _costs(self) -> str:
        """What choosing otherwise than the tape cost, over all sides.

        Ends are sums of the sides' ends: never narrower than the interval of a sum.
        """
        table = own(self.ladder.decision_table, self.player)
        table = table[table["n_shots"] > 0] if len(table) else table
        if not len(table):
            return ""
        names = ["points", "points_high", "points_low"]
        sums = -table.groupby("decision", observed=True)[names].sum()
        at = {
            decision: difference_words(sums.loc[decision].to_numpy(), 1, number)
            for decision in _COSTLY
            if decision in sums.index
        }
        games = count(len(self.mine[["match", "game"]].drop_duplicates()), "game")
        return (
            f"In {games}, loose balls not attacked cost {at.get('passed up', '0')} rallies, "
            f"tight ones attacked {at.get('forced', '0')}."
        )

    def places(self) -> Section:
        """Where the player strikes from: with what result, and how bravely."""
        from sidewall.plots import plot_zone_map  # noqa: PLC0415

        rows = own(self.ladder.zones, self.player)
        rows = rows[rows["n_shots"] >= _LEAST_IN_ZONE] if len(rows) else rows
        most, brave = _most_met(rows), _bravest(rows)
        found = list[Picture]()
        shown: tuple[tuple[Literal["win_rate", "attack_share"], str, str], ...] = (
            ("win_rate", "Rallies won, by where the ball was struck", most),
            ("attack_share", "How often the ball was attacked", brave),
        )
        for value, title, says in shown:
            draw = partial(plot_zone_map, self.mine, self.player, value, level=self.ladder.level)
            shows = "the court from above, a number in each zone"
            found += self._picture(draw, (_WIDE, 6.0), title, says, shows)
        return Section("places", "Where from?", "", found)

    def length(self) -> Section:
        """Where drives bounce, and how the usual one misses."""
        from sidewall.plots import plot_placement  # noqa: PLC0415

        title, found = "Does the length land?", list[Picture]()
        if self.ladder.targets is None or self.ladder.placed is None:
            return Section("length", title, "")
        rows = own(self.ladder.targets, self.player)
        rows = rows[(rows["stroke"] == "drive") & (rows["n_shots"] >= _LEAST_BOUNCES)]
        placed = own(self.ladder.placed, self.player)
        placed = placed[placed["stroke"] == "drive"]
        options: Any = {"strokes": ("drive",), "robust": False, "level": self.ladder.level}
        for k, row in enumerate(rows.to_dict("records"), start=1):
            target = str(row["target"])
            some = placed[(placed["target"] == target) & ~placed["fault"].to_numpy(dtype=bool)]
            some = some.sort_values("error_long_m", kind="stable")
            words = [f"{number(-one, 1)} m short" for one in some["error_long_m"].head(60)]
            name = f"Drives to the {target}"
            link = self.rallies.add(f"target-{k}", f"{name}, the shortest", some, words)
            draw = partial(plot_placement, self.mine, self.player, target, **options)
            says = (
                f"{share(row['share'], row['share_low'], row['share_high'])} in 100 land in the "
                f"target. On average they are {self._miss(row, 'long', 'long', 'short')} and "
                f"{self._miss(row, 'out', 'too wide', 'too close to the wall')}."
            )
            shows = "the court from above with the first bounces"
            found += self._picture(draw, (_WIDE, 5.8), name, says, shows, link)
        read = (
            "Balls that the opponent volleyed have no bounce and do not count. The ring holds four "
            "bounces in five."
        )
        return Section("length", title, "", found, read=read)

    def _miss(self, row: dict[Any, Any], name: str, more: str, less: str) -> str:
        """The mean miss in metres with its ends, and which way."""
        at, low, high = (float(row[f"{name}_m{end}"]) for end in ("", "_low", "_high"))
        if not np.isfinite([at, low, high]).all():
            return "missed by an unknown length"
        near, far = sorted((abs(low), abs(high))) if low * high > 0 else (0.0, max(-low, high))
        return f"{abs(at):.2f} m ({near:.2f} to {far:.2f}) {more if at > 0 else less}"

    def opening(self) -> Section:
        """Which shots make the next ball loose."""
        title = "Who made the opening?"
        if self.ladder.credit is None:
            return Section("opening", title, "")
        table = own(self.ladder.credit, self.player)
        told = [name for name in ("side", "stroke", "direction") if name in table.columns]
        table = table[table["n_rallies"] >= LEAST_RALLIES].sort_values("difference", kind="stable")
        more, fewer = table[table["difference_low"] > 0][::-1], table[table["difference_high"] < 0]
        shots = self.ladder.features
        beside = (name for name in BESIDE if name in shots and shots[name].notna().any())
        *first, last = *LIKE_BALL, *beside
        like = f"a ball of the same {', '.join(first)} and {last}"
        lines = []
        for some, way in ((more.head(2), "more"), (fewer.head(2), "fewer")):
            for row in some.to_dict("records"):
                shot = stroke_words(*(row[name] for name in told))
                says = (
                    f"After it {100 * row['share']:.0f} in 100 next balls come loose, after other "
                    f"shots from {like} {100 * row['matched_share']:.0f}. Difference: "
                    f"{signed_in(row, 'difference', times=100)} in 100 "
                    f"({count(int(row['n_shots']), 'shot')}): {way} openings."
                )
                lines.append(Line(shot, says))
        if not len(table):
            return Section("opening", title, "")
        kinds = count(len(table), "kind of shot", "kinds of shot")
        make = f"{len(more) or 'none'} clearly make{'s' if len(more) < 2 else ''}"
        verdict = f"Of {kinds}, {make} more openings than others from {like}."
        return Section("opening", title, verdict, lines=lines)

    def height(self) -> Section:
        """Height over the tin, and pace."""
        lines = list[Line]()
        if self.ladder.scatter is not None and self.ladder.margin is not None:
            tin_m = tin_of(self.ladder, self.player)
            rows = own(self.ladder.scatter, self.player)
            rows = rows[rows["n_shots"] >= _LEAST_IN_ZONE]
            for row in rows[rows["stroke"].isin(("drop", "kill"))].to_dict("records"):
                over = [100 * (float(row[f"mean_{end}m"]) - tin_m) for end in ("", "low_", "high_")]
                tin = share(row["tin_share"], row["tin_share_low"], row["tin_share_high"])
                says = (
                    f"{over[0]:.0f} cm ({over[1]:.0f} to {over[2]:.0f}) over the tin on average; "
                    f"{tin} in 100 hit it ({count(int(row['n_shots']), 'shot')})."
                )
                lines.append(Line(stroke_words(row["side"], row["stroke"]), says))
        pace = self._pace()
        lines += [Line("Pace", pace)] if pace else []
        return Section("height", "How high, how fast?", "", lines=lines)

    def _pace(self) -> str:
        """How early the ball is taken, against the opponents of the same matches."""
        shots = self.ladder.features
        if "tempo_s" not in shots.columns:
            return ""
        some = shots[shots["match"].isin(self.mine["match"].unique()) & shots["tempo_s"].notna()]
        own_ball = struck_by(some, self.player)
        if own_ball.all() or not own_ball.any():
            return ""
        usual = float(some["tempo_s"].to_numpy(dtype=float)[~own_ball].mean())
        some = some[own_ball]
        rate = clustered_rate(
            np.where(some["tempo_s"] < usual, 1.0, 0.0),
            some["rally_id"].to_numpy(dtype=np.int64), np.zeros(len(some), dtype=np.int64), 1,
            self.ladder.level,
        )  # fmt: skip
        early = share(float(rate.rate[0]), float(rate.low[0]), float(rate.high[0]))
        return (
            f"Of 100 balls {early} are struck within {usual:.2f} s of the opponent's strike, what "
            f"opponents take on average ({len(some):,} balls)."
        )

    def combination(self) -> Section:
        """Combinations that were tried often enough, and where they break."""
        from sidewall.plots.funnel import draw_funnel  # noqa: PLC0415

        found, tried = list[Picture](), []
        for one in self.ladder.combinations:
            try:
                tried.append((one, self.ladder.tries(one, self.player)))
            except DataError:  # the log lacks what a step asks
                continue
        tried = sorted(tried, key=lambda pair: -len(pair[1]))[:_MOST_COMBINATIONS]
        for k, (one, tries) in enumerate(tried, start=1):
            if len(tries) < _LEAST_TRIES:
                continue
            table = funnel_table(tries, one.steps, (), self.ladder.level)
            done = tries.sort_values("reached", ascending=False, kind="stable")
            words = [
                "the whole combination" if way else f"as far as step {step}"
                for way, step in zip(done["finished"], done["reached"], strict=True)
            ]
            link = self.rallies.add(f"combination-{k}", f"Combination: {one.name}", done, words)
            draw = partial(draw_funnel, table)
            # its hatching makes it three times as large as an SVG
            found += self._picture(
                draw, (_FUNNEL, 1.0 + 0.8 * len(table)), capital(one.name), break_words(table),
                "how many tries reach each step", link, png=True,
            )  # fmt: skip
        read = (
            "A bar a step: of the tries that were a step before, those that went on, and what came "
            "of the others."
        )
        return Section("combination", "Where do combinations break?", "", found, read=read)

    def training(self) -> Section:
        """The three things to train, from simple to a game."""
        title, work = "Training, step by step", self.ladder.work
        if work is None or not self.sheet.training:
            return Section("training", title, "")
        rows = {str(row["item"]): row for row in work.table(self.player).to_dict("records")}
        lines = list[Line]()
        for one in self.sheet.training:
            row, drill = rows[one.item], drill_for(one.item)
            shots = work.evidence(self.player, one.item)
            key = f"train-{len(lines) + 1}"
            link = self.rallies.add(key, f"{one.title}: what cost most", shots)
            worth = f"{signed_in(row, 'points_per_game')} rallies a game if it is {_goal(row)}."
            stages = list(zip(("Simple", "Varied", "In a game"), drill.progression, strict=True))
            if one.drill == drill.simple:  # the others ask for an attack
                stages = stages[:1]
            lines.append(Line(one.title, worth, stages, link))
        verdict = f"Move on from each stage at {self.sheet.training[0].mark}."
        if self.sheet.no_attacks:
            verdict += (
                " Where length is right at any gap no attack is trained here; what better attacks "
                "would gain stands in the work list below."
            )
        return Section("training", title, verdict, lines=lines)

    def unknown(self) -> Section:
        """What cannot be said, once, with what to chart to be able to say it."""
        lines: list[Line] = [
            Line(f"{tape.side.capitalize()} {tape.met}", tape.chart)
            for tape in self.sheet.tapes
            if tape.chart
        ]
        shots = self.ladder.features
        charted = set(shots.columns[shots.notna().any()])
        asked = [one for one in _WOULD_TELL if one[0] not in charted]
        lines += [Line(words, f"Chart {what}.") for _, words, what in asked]
        missing = dict(self.ladder.missing)
        if self.ladder.work is not None:
            missing |= self.ladder.work.missing_
        lines += [
            Line(capital(what.replace("_", " ")), f"{capital(why).rstrip('.')}.")
            for what, why in missing.items()
            if not what.startswith(COMBINATION)  # told below
            and _RESTS_ON.get(what) not in {name for name, *_ in asked}  # told above
        ]
        lines += self._open_answers()
        if not all(tape.chart for tape in self.sheet.tapes):
            row = next_balls(self.model, self.player).iloc[0]
            cell = cell_words(str(row["side"]), str(row["family"])).lower()
            lines.append(Line("To be surer", f"Another match helps most for the {cell}."))
        return Section("unknown", "What cannot be said yet", "", lines=lines)

    def _open_answers(self) -> list[Line]:
        """What was looked at and is open: combinations, varying, the last items to train."""
        lines = []
        for row in own(self.ladder.effects, self.player).to_dict("records"):
            if row["status"] not in (GAINS, COSTS):
                n = count(int(row["played_on"]), "time")
                words = f"Whether it wins more than another way: open after {n}. Chart more."
                lines.append(Line(stroke_words(row["combination"]), words))
        if self.ladder.repeat is not None and self.sheet.vary == VARY_OPEN:
            lines.append(Line("When to vary", self._vary_open()))
        if self.ladder.work is not None:
            table = self.ladder.work.table(self.player)
            for row in table[table["status"] == NOT_KNOWN].to_dict("records"):
                if not str(row["item"]).startswith(COMBINATION):
                    why = capital(str(row["why"])).rstrip(".")
                    lines.append(Line(str(row["title"]), f"{why}."))
        return lines

    def _vary_open(self) -> str:
        """How many replies leave open when to vary, and what is missing on the shots."""
        shots = self.mine[~self.mine["stroke"].isin(_NO_DIRECTION)]
        rows = own(self.ladder.repeat, self.player).to_dict("records")
        n = sum(int(row["n_repeated"]) + int(row["n_varied"]) for row in rows)
        words = f"Open after {count(n, 'reply', 'replies')} to a ball that had come before."
        missing = [
            name for name in ("direction", "stroke")
            if name not in shots or shots[name].isna().any()
        ]  # fmt: skip
        if missing:
            return f"{words} Chart {' and '.join(missing)} of every shot."
        return f"{words} Chart more."


#: Strokes that are neither straight nor cross, so that none is missing on them.
_NO_DIRECTION: Final = ("serve", "boast", "back_wall_boast", "skid_boast")
#: Decisions that cost, in words.
_COSTLY: Final = {"forced": "too tight, attacked", "passed up": "loose, not attacked"}
#: What a log may leave out, what it then cannot tell, and what to chart.
_WOULD_TELL: Final = (
    ("balance", "How the tape moves when stretched", "balance (set, stretched, jammed)"),
    ("depth", "How the tape moves by place", "where the ball is struck (depth, or x and y)"),
    ("bounce_x_m", "Whether the length lands", "the first bounce (bounce_x, bounce_y)"),
    ("wall_z_m", "Height over the tin", "the height on the front wall (wall_z)"),
    ("t_s", "Pace, and where to look in the video", "the time (t)"),
)
#: Answers that a column of these is needed for, by what the ladder and the work list call them.
_RESTS_ON: Final = {
    "placement": "bounce_x_m",
    "length_on_target": "bounce_x_m",
    "tin margin": "wall_z_m",
}


def _goal(row: dict[Any, Any]) -> str:
    if "quartile" in str(row["target"]):
        return "as good as among the best quarter of the players charted"
    return f"brought {row['target']}"


def tin_of(ladder: FittedLadder, player: str) -> float:
    """Height of the tin in the player's matches, the commonest, in metres."""
    shots = ladder.own_features(player)
    if "tin_height_m" in shots.columns and shots["tin_height_m"].notna().any():
        return float(shots["tin_height_m"].mode().iloc[0])
    return float(ladder.margin.tin_height_m) if ladder.margin is not None else 0.48


def _decision_words(cell: pd.DataFrame, tape: Tape) -> str:
    """Count what was forced and passed up."""
    said, unknown = [], []
    for decision, other, verb, noun, is_one in (
        ("forced", "reset tight", "attacked", "tight", tape.taped or not tape.attacks),
        ("passed up", "attacked loose", "not attacked", "loose", tape.attacks),
    ):
        n = int((cell["decision"] == decision).sum())
        of = n + int((cell["decision"] == other).sum())
        if of:
            said.append(f"{n:,} of {of:,} clearly {noun} balls {verb}")
        elif is_one or tape.chart:
            unknown.append(noun)
        else:
            said.append(f"no ball is clearly {noun}")
    told = [f"{capital(', '.join(said))}."] if said else []
    if unknown:
        told.append(f"Which balls are clearly {' or '.join(unknown)} is not known yet.")
    return " ".join(told)


def _most_met(rows: pd.DataFrame) -> str:
    if not len(rows):
        return "Too few shots in any zone to speak of."
    row = rows.sort_values("share", kind="stable").iloc[-1]
    won = share(row["win_rate"], row["win_rate_low"], row["win_rate_high"])
    return (
        f"Most balls are met at the {_place(row)}, {100 * row['share']:.0f} in 100; from there "
        f"{won} rallies in 100 are won."
    )


def _bravest(rows: pd.DataFrame) -> str:
    rows = rows[rows["attack_share"].notna()] if len(rows) else rows
    if len(rows) < 2:
        return "Too few shots in any zone to speak of."
    rows = rows.sort_values("attack_share", kind="stable")
    most, least = (
        f"{_place(row)}, {share(*(row[f'attack_share{end}'] for end in ('', '_low', '_high')))}"
        for row in (rows.iloc[-1], rows.iloc[0])
    )
    return f"Most attacks in 100 balls: {most}. Fewest: {least}."


def _place(row: pd.Series) -> str:
    depth = f"{row['depth']} " if "depth" in row.index and pd.notna(row["depth"]) else ""
    return f"{depth}{row['side']}"
